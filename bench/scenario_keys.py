"""Keys of a scenario's tables with defaults and meanings, read from the tables' own source."""

from __future__ import annotations

import ast
import inspect
import textwrap
import types
from collections.abc import Iterator
from dataclasses import MISSING, dataclass, fields, is_dataclass
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from pingloom.imaging.errors import ParameterError, nearest_name
from pingloom.simulate.scenario import Scenario

__all__ = ["Key", "keys_of", "table_names"]


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a scenario."""

    table: str
    """As a TOML heading names it, ``[noise]`` or ``[[targets]]``; empty at the top."""
    name: str
    kind: str
    default: str
    meaning: str


def table_names() -> list[str]:
    """Names of a scenario's tables, those inside others with a dot."""
    return list(dict.fromkeys(key.table.strip("[]") for key in _walk(Scenario, "", False) if key.table))


def keys_of(table: str) -> list[Key]:
    """Return the keys of a table and of the tables in it; ``"all"`` for all of a scenario.

    Raises
    ------
    ParameterError
        If there is no such table.
    """
    keys = list(_walk(Scenario, "", False))
    if table == "all":
        return keys
    if table not in table_names():
        raise ParameterError(
            f"a scenario has no table '{table}'{nearest_name(table, [*table_names(), 'all'])}"
        )
    return [k for k in keys if k.table.strip("[]") == table or k.table.strip("[]").startswith(table + ".")]


def _walk(cls: type, name: str, many: bool) -> Iterator[Key]:
    hints, meaning = get_type_hints(cls), _meanings(cls)
    heading = "" if not name else f"[[{name}]]" if many else f"[{name}]"
    inner = []
    for item in fields(cls):
        hint, one, several = _plain(hints[item.name])
        if one is not None:
            inner.append((one, f"{name}.{item.name}" if name else item.name, several))
        else:
            default = _default(item)
            yield Key(heading, item.name, _kind(hint), default, meaning.get(item.name, ""))
    for one, inside, several in inner:
        yield from _walk(one, inside, several)


def _plain(hint: Any) -> tuple[Any, type | None, bool]:
    """Return the hint without None, the dataclass in it if it is a table, and whether there may be several."""
    if get_origin(hint) in (Union, types.UnionType):
        (hint,) = [h for h in get_args(hint) if h is not type(None)]
    if is_dataclass(hint):
        return hint, hint, False
    if get_origin(hint) is tuple and is_dataclass(get_args(hint)[0]):
        return hint, get_args(hint)[0], True
    return hint, None, False


def _kind(hint: Any) -> str:
    if get_origin(hint) is Literal:
        return ", ".join(map(str, get_args(hint)))
    if get_origin(hint) is tuple:
        inside = get_args(hint)
        if inside[-1] is Ellipsis:
            return f"list of {_kind(inside[0])}"
        return f"[{', '.join(map(_kind, inside))}]"
    return {float: "number", int: "whole number", bool: "true or false", str: "text"}.get(hint, str(hint))


def _default(item: Any) -> str:
    if item.default is MISSING:
        return "needed"
    if item.default is None:
        return "absent"
    if isinstance(item.default, bool):
        return str(item.default).lower()
    if isinstance(item.default, tuple):
        return "[" + ", ".join(map(str, item.default)) + "]"
    return f"{item.default:g}" if isinstance(item.default, float) else str(item.default)


def _meanings(cls: type) -> dict[str, str]:
    """Return the text under each field, with the class's own where a field has none."""
    (body,) = ast.parse(textwrap.dedent(inspect.getsource(cls))).body
    found: dict[str, str] = {}
    name = ""
    for node in body.body:  # type: ignore[attr-defined]
        if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            name = node.target.id
        elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and name:
            found[name] = " ".join(str(node.value.value).split())
            name = ""
        else:
            name = ""
    return found
