"""Plain values to typed ones: what a dataclass' hints make of TOML values and of command-line text."""

from __future__ import annotations

import dataclasses
import enum
import tomllib
import types
import typing
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal, Union, get_args, get_origin

from pingloom.imaging.errors import ParameterError, nearest_name

__all__ = ["Place", "build", "hint_of", "parse_text"]


@dataclasses.dataclass(frozen=True, slots=True)
class Place:
    """Where a value stands, for messages: a source and a path of names in it."""

    source: str
    path: tuple[str, ...] = ()

    def at(self, name: str) -> Place:
        """Return the place one level deeper."""
        return Place(self.source, (*self.path, name))

    def table(self) -> str:
        """Name the table at this place."""
        return f"{self.source}: [{'.'.join(self.path)}]" if self.path else f"{self.source}: the top level"

    def name(self) -> str:
        """Name the value at this place."""
        head = ".".join(self.path[:-1])
        return f"{self.source}: [{head}] {self.path[-1]}" if head else f"{self.source}: {'.'.join(self.path)}"


def hint_of(cls: type, name: str) -> Any:
    """Return the resolved hint of one field."""
    return typing.get_type_hints(cls)[name]


def build(value: Any, hint: Any, place: Place, *, from_text: bool = False) -> Any:
    """Return ``value`` as ``hint`` wants it.

    Parameters
    ----------
    value : object
        Tables, lists, strings, numbers and booleans, as a TOML reader gives them.
    hint : type hint
        What is wanted.
    place : Place
        Named in messages.
    from_text : bool
        Strings are text from a command line, to be read by the hint.

    Raises
    ------
    ParameterError
        If the value isn't allowed there.
    """
    if from_text and isinstance(value, str):
        return parse_text(value, hint, place)
    if _is_dataclass(hint):
        return _dataclass(value, hint, place, from_text)
    origin = get_origin(hint)
    if origin in (Union, types.UnionType):
        return _union(value, get_args(hint), place, from_text)
    if origin is Literal:
        return _choice(value, get_args(hint), place)
    if origin in (tuple, list) or hint in (tuple, list):
        return _sequence(value, hint, place, from_text)
    if origin in (dict, Mapping) or hint is dict:
        return _mapping(value, hint, place, from_text)
    if isinstance(hint, type) and issubclass(hint, enum.Enum):
        return hint(_choice(value, tuple(member.value for member in hint), place))
    return _scalar(value, hint, place)


def _refuse(value: Any, allowed: str, place: Place) -> ParameterError:
    return ParameterError(f"{place.name()} is {value!r}; allowed: {allowed}.")


def _is_dataclass(hint: Any) -> bool:
    return isinstance(hint, type) and dataclasses.is_dataclass(hint)


def _dataclass(value: Any, cls: Any, place: Place, from_text: bool) -> Any:
    if not isinstance(value, Mapping):
        raise _refuse(value, f"a table [{'.'.join(place.path)}]", place)
    hints = typing.get_type_hints(cls)
    items = {f.name: f for f in dataclasses.fields(cls) if f.init}
    for name in value:
        if name not in items:
            raise ParameterError(f"{place.table()} has no setting '{name}'{nearest_name(name, items)}")
    for name, item in items.items():
        required = item.default is dataclasses.MISSING and item.default_factory is dataclasses.MISSING
        if required and name not in value:
            raise ParameterError(
                f"{place.table()} lacks '{name}'; allowed: {describe(hints[name])}. Add a line for it."
            )
    given = {k: build(v, hints[k], place.at(k), from_text=from_text) for k, v in value.items()}
    try:
        return cls(**given)
    except ParameterError as error:
        raise ParameterError(f"{place.table()}: {error}") from error


def _union(value: Any, hints: Sequence[Any], place: Place, from_text: bool) -> Any:
    tables = [h for h in hints if _is_dataclass(h)]
    if isinstance(value, Mapping) and tables:
        return build(value, _likeliest(value, tables), place, from_text=from_text)
    return _first(lambda h: build(value, h, place, from_text=from_text), value, hints, place)


def _first(make: Callable[[Any], Any], value: Any, hints: Sequence[Any], place: Place) -> Any:
    """Return what the first hint that takes the value makes of it; None is tried last."""
    last: ParameterError | None = None
    # A string takes anything, so it comes after the choices and numbers.
    for hint in sorted(hints, key=lambda h: (h is type(None), h is str)):
        try:
            return make(hint)
        except ParameterError as error:
            last = error
    if len(hints) == 2 and type(None) in hints:
        only = next(h for h in hints if h is not type(None))
        make(only)  # raises with the more telling message
    raise _refuse(value, " or ".join(describe(h) for h in hints), place) from last


def _likeliest(value: Mapping[str, Any], classes: Sequence[Any]) -> Any:
    def mismatch(cls: Any) -> tuple[int, int]:
        hints = typing.get_type_hints(cls)
        defaults = {f.name: f.default for f in dataclasses.fields(cls)}
        wrong_kind = sum(
            value.get(name, defaults.get(name)) not in get_args(hint)
            for name, hint in hints.items()
            if get_origin(hint) is Literal
        )
        return wrong_kind, sum(name not in hints for name in value)

    return min(classes, key=mismatch)


def _choice(value: Any, choices: tuple[Any, ...], place: Place) -> Any:
    for choice in choices:
        if value == choice and type(value) is type(choice):
            return choice
    listed = ", ".join(map(repr, choices))
    near = ""
    if isinstance(value, str) and all(isinstance(c, str) for c in choices):
        near = nearest_name(value, choices)
        near = near if "did you mean" in near else ""
    raise ParameterError(f"{place.name()} is {value!r}; allowed: {listed}{near or '.'}")


def _sequence(value: Any, hint: Any, place: Place, from_text: bool) -> Any:
    kind = get_origin(hint) or hint
    if not isinstance(value, (list, tuple)):
        raise _refuse(value, describe(hint), place)
    hints = get_args(hint) or (Any, ...)
    if kind is list or (len(hints) == 2 and hints[1] is Ellipsis):
        hints = (hints[0],) * len(value)
    elif len(value) != len(hints):
        raise _refuse(list(value), describe(hint), place)
    items = [
        build(v, h, place.at(str(k)), from_text=from_text)
        for k, (v, h) in enumerate(zip(value, hints, strict=True))
    ]
    return kind(items)


def _mapping(value: Any, hint: Any, place: Place, from_text: bool) -> dict[str, Any]:
    if not isinstance(value, Mapping):
        raise _refuse(value, describe(hint), place)
    item = (get_args(hint) or (str, Any))[1]
    return {k: build(v, item, place.at(k), from_text=from_text) for k, v in value.items()}


def _scalar(value: Any, hint: Any, place: Place) -> Any:
    if hint is Any:
        return value
    if hint in (None, type(None)) and isinstance(value, str) and value.lower() == "none":
        return None
    if hint is float and isinstance(value, (int, float)) and not isinstance(value, bool):
        return float(value)
    if hint is int and isinstance(value, int) and not isinstance(value, bool):
        return value
    if hint in (bool, str) and isinstance(value, hint):
        return value
    if isinstance(hint, type) and issubclass(hint, Path) and isinstance(value, str):
        return hint(value)
    raise _refuse(value, describe(hint), place)


def parse_text(text: str, hint: Any, place: Place) -> Any:
    """Return command-line ``text`` as ``hint`` wants it; quotes around a string are allowed, not needed."""
    origin = get_origin(hint)
    if origin in (Union, types.UnionType):
        return _first(lambda h: parse_text(text, h, place), text, get_args(hint), place)
    if origin in (tuple, list) or hint in (tuple, list):
        return _parse_sequence(text, hint, place)
    if origin in (dict, Mapping) or hint is dict or _is_dataclass(hint):
        return build(_toml_value(text), hint, place)
    if origin is Literal:
        # Compared as written: a choice of numbers or booleans has its own spelling.
        by_text = {_spelling(choice): choice for choice in get_args(hint)}
        bare = _unquoted(text)
        return by_text[bare] if bare in by_text else _choice(bare, get_args(hint), place)
    value: Any = _unquoted(text)
    if hint is bool:
        value = {"true": True, "false": False}.get(text.lower(), text)
    elif hint in (int, float):
        try:
            value = hint(text)
        except ValueError:
            value = text
    elif isinstance(hint, type) and issubclass(hint, enum.Enum):
        by_text = {_spelling(member.value): member.value for member in hint}
        value = by_text.get(text, text)
    return build(value, hint, place)


def _spelling(choice: Any) -> str:
    return str(choice).lower() if isinstance(choice, bool) else str(choice)


def _parse_sequence(text: str, hint: Any, place: Place) -> Any:
    if text.startswith("["):
        return build(_toml_value(text), hint, place)
    parts = [part.strip() for part in text.split(",")] if text.strip() else []
    return build(parts, hint, place, from_text=True)


def _toml_value(text: str) -> Any:
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except (tomllib.TOMLDecodeError, KeyError):
        return text


def _unquoted(text: str) -> str:
    if len(text) >= 2 and text[0] == text[-1] and text[0] in "\"'":
        return str(_toml_value(text))
    return text


def describe(hint: Any) -> str:
    """Say in words what a hint allows."""
    words = {float: "a number", int: "a whole number", bool: "true or false", str: "a string"}
    if hint in words:
        return words[hint]
    if hint in (None, type(None)):
        return "'none'"
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        return " or ".join(describe(h) for h in inner)
    if origin is Literal:
        return ", ".join(map(repr, inner))
    if origin in (tuple, list) and inner:
        if origin is list or inner[-1] is Ellipsis:
            return f"a list, each item {describe(inner[0])}"
        return f"a list of {len(inner)}: " + ", ".join(describe(h) for h in inner)
    if _is_dataclass(hint) or origin is dict or hint is dict:
        return "a table"
    if isinstance(hint, type) and issubclass(hint, enum.Enum):
        return ", ".join(repr(member.value) for member in hint)
    if isinstance(hint, type) and issubclass(hint, Path):
        return "a file name in quotes"
    return "a list" if hint in (tuple, list) else str(hint)
