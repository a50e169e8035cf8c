"""Writing TOML: the standard library reads it but doesn't write it."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from typing import Any

from pingloom.imaging.errors import ParameterError

__all__ = ["dumps"]

_BARE = re.compile(r"[A-Za-z0-9_-]+")


def dumps(table: Mapping[str, Any]) -> str:
    """Return nested tables of strings, numbers, booleans and lists as TOML text."""
    return "\n".join(_lines(table, ())).strip("\n") + "\n"


def _lines(table: Mapping[str, Any], path: tuple[str, ...]) -> Iterator[str]:
    # Values come before sub-tables: after a heading every line belongs to that heading.
    for name, value in table.items():
        if not isinstance(value, Mapping) and not _is_tables(value):
            yield f"{_key(name)} = {_value(value)}"
    for name, value in table.items():
        heading = ".".join(map(_key, (*path, name)))
        if isinstance(value, Mapping):
            yield from ("", f"[{heading}]")
            yield from _lines(value, (*path, name))
        elif _is_tables(value):
            for item in value:
                yield from ("", f"[[{heading}]]")
                yield from _lines(item, (*path, name))


def _is_tables(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(v, Mapping) for v in value)


def _key(name: str) -> str:
    return name if _BARE.fullmatch(name) else _string(name)


def _string(text: str) -> str:
    # JSON's escapes are all TOML's too; TOML wants the delete character escaped as well.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _string(value)
    if isinstance(value, (int, float)):
        return repr(
            value
        )  # the shortest text that reads back to the same number; inf and nan are TOML's words
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + "}"
    raise ParameterError(
        f"a {type(value).__name__} can't be written as TOML; allowed: strings, numbers, booleans, lists, tables."
    )
