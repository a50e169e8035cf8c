"""Nested dataclasses from and to plain tables, as TOML gives them: strict, with the nearest name in every refusal."""

from __future__ import annotations

import math
import types
from dataclasses import MISSING, fields, is_dataclass
from typing import Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

from pingloom.imaging.errors import ParameterError, nearest_name

__all__ = ["build", "flatten", "to_toml"]

T = TypeVar("T")


def build(cls: type[T], table: Any, where: str = "") -> T:
    """Make a dataclass of a table.

    Parameters
    ----------
    cls : type
        A dataclass whose hints are float, int, str, bool, tuple, Literal, None or further dataclasses.
    table : dict
        Values by field name.
    where : str
        Name of the table for messages.

    Raises
    ------
    ParameterError
        For an unknown or missing key or a value of the wrong type; what the dataclass itself refuses is passed on
        with the table's name in front.
    """
    label = where or "scenario"
    if not isinstance(table, dict):
        raise ParameterError(f"{label} is {table!r}; allowed: a table of keys and values.")
    hints = get_type_hints(cls)
    for key in table:
        if key not in hints:
            raise ParameterError(f"{label} has no setting '{key}'{nearest_name(str(key), hints)}")
    values = {}
    for item in fields(cls):  # type: ignore[arg-type]
        if item.name in table:
            inner = f"{where}.{item.name}" if where else item.name
            values[item.name] = _convert(hints[item.name], table[item.name], inner)
        elif item.default is MISSING and item.default_factory is MISSING:
            raise ParameterError(f"{label} lacks '{item.name}'. Add it to the table.")
    return cls(**values)


def _convert(hint: Any, value: Any, where: str) -> Any:
    if get_origin(hint) in (Union, types.UnionType):
        if value is None:
            return None
        (hint,) = [h for h in get_args(hint) if h is not type(None)]
    if is_dataclass(hint):
        return build(hint, value, where)
    if get_origin(hint) is Literal:
        if value not in get_args(hint):
            allowed = ", ".join(map(str, get_args(hint)))
            near = nearest_name(str(value), map(str, get_args(hint))).rstrip("?")
            raise ParameterError(
                f"{where} is {value!r}; allowed: {allowed}{near + '?' if 'did you' in near else '.'}"
            )
        return value
    if get_origin(hint) is tuple:
        return _convert_tuple(get_args(hint), value, where)
    return _convert_plain(hint, value, where)


def _convert_tuple(hints: tuple[Any, ...], value: Any, where: str) -> tuple[Any, ...]:
    if not isinstance(value, list | tuple):
        raise ParameterError(f"{where} is {value!r}; allowed: a list.")
    if len(hints) == 2 and hints[1] is Ellipsis:
        return tuple(_convert(hints[0], v, f"{where}[{i}]") for i, v in enumerate(value))
    if len(value) != len(hints):
        raise ParameterError(f"{where} has {len(value)} values; allowed: {len(hints)}.")
    return tuple(_convert(h, v, f"{where}[{i}]") for i, (h, v) in enumerate(zip(hints, value, strict=True)))


def _convert_plain(hint: type, value: Any, where: str) -> Any:
    if hint is float and isinstance(value, int | float) and not isinstance(value, bool):
        if not math.isfinite(value):
            raise ParameterError(f"{where} is {value}; allowed: a finite number.")
        return float(value)
    if hint is not float and type(value) is hint:
        return value
    name = {float: "a number", int: "a whole number", str: "text", bool: "true or false"}.get(hint, str(hint))
    raise ParameterError(f"{where} is {value!r}; allowed: {name}.")


def flatten(record: Any) -> Any:
    """Turn nested dataclasses into plain dicts and lists, leaving out what is None."""
    if is_dataclass(record) and not isinstance(record, type):
        items = ((f.name, getattr(record, f.name)) for f in fields(record))
        return {name: flatten(value) for name, value in items if value is not None}
    if isinstance(record, tuple | list):
        return [flatten(value) for value in record]
    return record


def to_toml(table: dict[str, Any], prefix: str = "") -> str:
    """Write a plain dict as TOML text: scalars first, then tables, then lists of tables."""
    lines, later = [], []
    for key, value in table.items():
        name = f"{prefix}{key}"
        if isinstance(value, dict):
            later.append(f"\n[{name}]\n" + to_toml(value, name + "."))
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            later.extend(f"\n[[{name}]]\n" + to_toml(entry, name + ".") for entry in value)
        else:
            lines.append(f"{key} = {_scalar(value)}\n")
    return "".join(lines + later)


def _scalar(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, list):
        return "[" + ", ".join(map(_scalar, value)) + "]"
    text = str(value).replace("\\", "\\\\").replace('"', '\\"')
    text = "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04x}" for c in text)
    return f'"{text}"'
