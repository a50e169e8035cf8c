"""Checks of a recording against the file contract, line by line, and of its parts against each other."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from pingloom.imaging.conventions import SIDES
from pingloom.imaging.errors import DataError

from . import layout
from ._consistency import check_consistency
from ._finding import Finding
from .layout import Item
from .recording import open_recording, segment_paths
from .recording_segment import Segment, echo_of, read_array, read_attribute, read_sonar, read_water
from .safe_hdf5 import SafeFile, SafeGroup

__all__ = ["Finding", "validate_recording"]

_ROOT = (
    Item("Conventions", "", kinds="S", meaning='text such as "CF-1.11"'),
    Item("title", "", kinds="S", meaning="what the recording is called"),
    Item("date_created", "", kinds="S", meaning="text such as 2026-01-31T12:00:00Z"),
    Item("history", "", kinds="S", meaning="what was done to the data"),
    Item("origin_latitude", "", "degrees", required=True),
    Item("origin_longitude", "", "degrees", required=True),
    Item("scenario", "", kinds="S", meaning="TOML text of a simulation"),
    Item("seed", "", meaning="of a simulation"),
)


def validate_recording(path: str | os.PathLike[str], *, most_pings: int | None = None) -> list[Finding]:
    """Check a recording against the file contract.

    Parameters
    ----------
    path : str or path
        A file, or a folder of segments.
    most_pings : int, optional
        How many pings of each side to read, evenly spread; by default all.

    Returns
    -------
    list of Finding
        One for each item of the contract, then one for each relation between items. A folder's first segment is told in
        full, of the others only what isn't right.

    Raises
    ------
    DataError
        If it is no recording at all.
    """
    paths = segment_paths(path)
    found: list[Finding] = []
    for k, segment in enumerate(paths):
        lines = list(_check_file(segment))
        if k:
            lines = [line.inside(segment.name) for line in lines if line.status in ("wrong", "doubtful")]
        found += lines
    if not any(line.status == "wrong" for line in found):
        found += _checked("the recording as a whole", lambda: list(_check_whole(Path(path), most_pings)))
    return found


def _check_whole(path: Path, most_pings: int | None) -> Iterator[Finding]:
    with open_recording(path) as recording:
        recording.origin  # noqa: B018 - raises where it isn't a place
        yield from check_consistency(recording, most_pings)


def _checked(item: str, work: Callable[[], list[Finding]]) -> list[Finding]:
    try:
        return work()
    except DataError as error:
        return [Finding.of_error(item, error)]


def _check_file(path: Path) -> Iterator[Finding]:
    with SafeFile(path, "a recording") as file:
        Segment.check_format(file.root)
        yield Finding("/@pingloom_format", "ok", f"recording, version {layout.FORMAT_VERSION}")
        for item in _ROOT:
            yield _attribute(file.root, item)
        yield _array(file.root, layout.CLOSED, {})
        sides = [side for side in SIDES if file.root.has(side)]
        if not sides:
            yield Finding(
                "/port, /starboard",
                "wrong",
                "neither",
                "one group for each array",
                "Add the group of a side.",
            )
        for side in sides:
            yield from _group(file.root, side, lambda group, side=side: _check_side(group, side))
        yield from _group(file.root, "platform", _check_platform)
        yield from _group(file.root, "water", _check_water)
        yield Finding(
            "/truth", "ok" if file.root.has("truth") else "missing", "", "optional: only of simulations"
        )


def _group(root: SafeGroup, name: str, check: Callable[[SafeGroup], Iterator[Finding]]) -> list[Finding]:
    def work() -> list[Finding]:
        group = root.group(name)
        if group is None:
            return [Finding(f"/{name}", "wrong", "missing", "that group", "Add it.")]
        return list(check(group))

    return _checked(f"/{name}", work)


def _attribute(group: SafeGroup, item: Item) -> Finding:
    return _item(f"{_path(group)}/@{item.name}", item, lambda: read_attribute(group, item))


def _path(group: SafeGroup) -> str:
    return f"/{group.name}" if group.name else ""


def _array(group: SafeGroup, item: Item, lengths: dict[str, int]) -> Finding:
    return _item(f"{_path(group)}/{item.name}", item, lambda: read_array(group, item, lengths))


def _item(name: str, item: Item, read: Callable[[], Any]) -> Finding:
    try:
        value = read()
    except DataError as error:
        return Finding.of_error(name, error)
    if value is None:
        return Finding(name, "missing", "", f"optional: {item.allowed}")
    return Finding(name, "ok", _shown(value, item.unit))


def _shown(value: Any, unit: str) -> str:
    """Return a value as a person reads it: short, with its unit."""
    if isinstance(value, str):
        text = " ".join(value.split())
        return text if len(text) <= 60 else f"{len(value)} characters"
    if isinstance(value, np.ndarray):
        if value.size > 4:
            return f"{value.dtype} {value.shape}"
        return f"{', '.join(f'{v:.9g}' for v in np.ravel(value))} {unit}".strip()
    return f"{value:.9g} {unit}".strip()


def _check_side(group: SafeGroup, side: str) -> Iterator[Finding]:
    lines = [_attribute(group, item) for item in layout.SONAR_ATTRIBUTES]
    try:
        echo = echo_of(group)
        lines.append(Finding(f"/{side}/echo", "ok", f"{echo.dtype} {echo.shape}"))
        lengths = dict(zip(("ping", "row", "channel", "sample"), echo.shape[:4], strict=True))
    except DataError as error:
        lines.append(Finding.of_error(f"/{side}/echo", error))
        lengths = {}
    arrays = layout.SONAR_ARRAYS + layout.PATTERNS + layout.PING_COLUMNS
    lines += [_array(group, item, lengths) for item in arrays]
    yield from _with_record(lines, f"/{side}", "a sonar", lambda: read_sonar(group, side))


def _with_record(lines: list[Finding], name: str, what: str, build: Callable[[], Any]) -> Iterator[Finding]:
    """Yield lines and, if they are right one by one, whether they are so together."""
    yield from lines
    if any(line.status == "wrong" for line in lines):
        return

    def work() -> list[Finding]:
        build()
        return [Finding(name, "ok", f"its items make {what}")]

    yield from _checked(name, work)


def _check_platform(group: SafeGroup) -> Iterator[Finding]:
    for item in layout.PLATFORM_ATTRIBUTES:
        yield _attribute(group, item)
    time = group.dataset("time", (None,))
    lengths = {} if time is None else {"k": time.shape[0]}
    for item in layout.PLATFORM_COLUMNS:
        yield _array(group, item, lengths)


def _check_water(group: SafeGroup) -> Iterator[Finding]:
    lines = [_attribute(group, item) for item in layout.WATER_ATTRIBUTES]
    lines += [_array(group, item, {}) for item in layout.WATER_ARRAYS]
    yield from _with_record(lines, "/water", "water", lambda: read_water(group))
