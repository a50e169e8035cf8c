"""Settings: strict reading of TOML into dataclasses, changes from the command line, and writing back.

A table is a dataclass; a key that the dataclass doesn't know is an error that names the nearest one it knows.
Types come from the dataclass' hints: ``float`` (a whole number will do), ``int``, ``bool``, ``str``, ``Path``,
``Literal``, enumerations, ``X | None``, ``tuple`` and ``list``, ``dict[str, X]`` and other dataclasses. TOML has
no word for nothing, so where a hint allows None the string ``"none"`` means it, and an absent key keeps its default.
Of several dataclasses in one hint the one whose ``Literal`` fields agree with the table is taken, else the one
that knows most of its keys.

Examples
--------
A settings class, a change from the command line and the text that reads back to it::

    @dataclass(frozen=True)
    class Compress:
        window: Literal["none", "hamming"] = "hamming"

    @dataclass(frozen=True)
    class Settings:
        compress: Compress = field(default_factory=Compress)

    settings = apply(read("run.toml", Settings), ["compress.window=none"])
    to_toml(settings)    # '[compress]\\nwindow = "none"\\n'
"""

from __future__ import annotations

import dataclasses
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, TypeVar

from pingloom.imaging.errors import DataError, ParameterError, nearest_name

from ._coerce import Place, build, hint_of, parse_text
from ._toml_text import dumps

__all__ = ["apply", "parse", "read", "read_text", "to_dict", "to_toml"]

T = TypeVar("T")

LARGEST_FILE = 16 * 2**20
"""A settings file beyond this many bytes is something else. [byte]"""


def read(path: str | Path, cls: type[T]) -> T:
    """Read a TOML file into dataclass ``cls``.

    Parameters
    ----------
    path : str or Path
        A regular file in UTF-8.
    cls : type
        A dataclass, which may nest others.

    Returns
    -------
    An instance of ``cls``; keys that the file leaves out keep their defaults.

    Raises
    ------
    DataError
        If the file can't be read or isn't TOML.
    ParameterError
        If a key is unknown or missing, or a value isn't allowed; the message names file, table and key.
    """
    path = Path(path)
    return parse(read_text(path), cls, where=path.name)


def parse(text: str, cls: type[T], *, where: str = "settings") -> T:
    """Read TOML ``text`` into dataclass ``cls``; ``where`` names the text in messages. See :func:`read`."""
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DataError(
            f"{where} isn't valid TOML: {error}; allowed: lines such as name = value under [table] headings. "
            "Mend that line."
        ) from error
    return build(table, cls, Place(where))


def read_text(path: Path) -> str:
    """Return the text of a settings file without reading its meaning; refuses what can't be one."""
    if not path.exists():
        raise DataError(f"{path}: no such file; allowed: a TOML file. Check the name.")
    # A pipe or device would block for ever, so only regular files are opened.
    if not path.is_file():
        raise DataError(f"{path} is not a regular file; allowed: a TOML file. Check the name.")
    if path.stat().st_size > LARGEST_FILE:
        raise DataError(
            f"{path} has {path.stat().st_size} bytes; allowed: at most {LARGEST_FILE} for settings. "
            "Check that it is a TOML file."
        )
    try:
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        raise DataError(
            f"{path} isn't text in UTF-8 (byte {error.start}); allowed: a TOML file. Check the name."
        ) from error
    except OSError as error:
        raise DataError(
            f"{path} can't be read: {(error.strerror or str(error)).lower()}. Check its rights."
        ) from error


def apply(settings: T, assignments: Iterable[str], *, where: str = "--set") -> T:
    """Return ``settings`` with assignments such as ``"compress.window=none"`` laid over it.

    All assignments are laid over together, so that values which only make sense as a pair may be given in any
    order; of two for the same name the later one holds.

    Parameters
    ----------
    settings : dataclass instance
        Left as it is.
    assignments : iterable of str
        ``table.name=value``, as many tables as it takes. Lists are ``1,2,3`` or ``[1, 2, 3]``; a member of a list
        of tables is named by its index, ``targets.0.depth_m=3``.
    where : str
        How messages name the source.

    Raises
    ------
    ParameterError
        If an assignment can't be read, names nothing known or gives a value that isn't allowed.
    """
    tree: dict[str, Any] = {}
    for assignment in assignments:
        name, sign, text = assignment.partition("=")
        path = name.strip().split(".")
        if not sign or not all(path):
            raise ParameterError(
                f"{where} {assignment!r} can't be read; allowed: table.name=value, as in compress.window=none."
            )
        _plant(tree, path, text.strip(), f"{where} {assignment}")
    return _lay_over(settings, tree, Place(where))


def _plant(tree: dict[str, Any], path: list[str], text: str, where: str) -> None:
    for name in path[:-1]:
        tree = tree.setdefault(name, {})
        if not isinstance(tree, dict):
            raise ParameterError(f"{where}: '{name}' was set as a whole before; allowed: one of the two.")
    if isinstance(tree.get(path[-1]), dict):
        raise ParameterError(f"{where}: parts of '{path[-1]}' were set before; allowed: one of the two.")
    tree[path[-1]] = text


def _lay_over(old: Any, tree: Mapping[str, Any], place: Place) -> Any:
    if isinstance(old, (tuple, list)):
        return _lay_over_items(old, tree, place)
    if isinstance(old, Mapping):
        changed = {k: _lay_over(old[k], v, place.at(k)) if k in old else v for k, v in tree.items()}
        return {**old, **changed}
    changes = {}
    known = [f.name for f in dataclasses.fields(old) if f.init]
    for name, value in tree.items():
        if name not in known:
            raise ParameterError(f"{place.table()} has no setting '{name}'{nearest_name(name, known)}")
        hint = hint_of(type(old), name)
        if isinstance(value, str):
            changes[name] = parse_text(value, hint, place.at(name))
        else:
            changes[name] = _lay_over_part(getattr(old, name), value, hint, place.at(name))
    try:
        return dataclasses.replace(old, **changes)
    except ParameterError as error:
        raise ParameterError(f"{place.table()}: {error}") from error


def _lay_over_part(old: Any, tree: Mapping[str, Any], hint: Any, place: Place) -> Any:
    if old is None:
        # Nothing to lay over: the part is made from the assignments and its defaults.
        return build(tree, hint, place, from_text=True)
    if not dataclasses.is_dataclass(old) and not isinstance(old, (tuple, list, Mapping)):
        raise ParameterError(f"{place.name()} is a single value and has no part '{next(iter(tree))}'.")
    return _lay_over(old, tree, place)


def _lay_over_items(old: tuple[Any, ...] | list[Any], tree: Mapping[str, Any], place: Place) -> Any:
    items = list(old)
    for name, value in tree.items():
        if not name.isdigit() or int(name) >= len(items):
            allowed = f"0 to {len(items) - 1}" if items else "none, it is empty"
            raise ParameterError(f"{place.name()} has no item '{name}'; allowed: {allowed}.")
        k = int(name)
        part = place.at(name)
        if isinstance(value, str):
            items[k] = parse_text(value, type(items[k]), part)
        else:
            items[k] = _lay_over_part(items[k], value, type(items[k]), part)
    return type(old)(items)


def to_dict(settings: Any) -> dict[str, Any]:
    """Return a dataclass instance as plain tables, lists, numbers and strings that TOML can hold.

    A field that is None is left out where None is its default, else it is the string ``"none"``.
    """
    table = {}
    for item in dataclasses.fields(settings):
        if not item.init:
            continue
        value = getattr(settings, item.name)
        if value is None and item.default is None:
            continue
        table[item.name] = _plain(value)
    return table


def _plain(value: Any) -> Any:
    if value is None:
        return "none"
    if dataclasses.is_dataclass(value):
        return to_dict(value)
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (tuple, list)):
        return [_plain(v) for v in value]
    if isinstance(value, Path):
        return str(value)
    if hasattr(value, "tolist"):  # numpy scalars and arrays
        return _plain(value.tolist())
    if hasattr(value, "value"):  # members of an enumeration
        return _plain(value.value)
    return value


def to_toml(settings: Any) -> str:
    """Return a dataclass instance (or plain tables) as TOML that :func:`parse` reads back to an equal one."""
    return dumps(settings if isinstance(settings, Mapping) else to_dict(settings))
