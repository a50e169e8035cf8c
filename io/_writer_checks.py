"""What a recording's writer may be asked for."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

from pingloom.imaging.conventions import SIDES
from pingloom.imaging.errors import ParameterError, nearest_name
from pingloom.imaging.records import Sonar

from . import layout

__all__ = [
    "COLUMNS",
    "check_columns",
    "check_degrees",
    "checked_capacity",
    "checked_sonars",
    "date",
    "segments_in",
]

_SEGMENT = re.compile(r"(\.segment-\d{6}\.h5\.part|segment-\d{6}\.h5)")


COLUMNS = {item.field: item for item in layout.PLATFORM_COLUMNS}
"""The platform's columns by their names in the record."""


def checked_sonars(sonars: Mapping[str, Sonar]) -> dict[str, Sonar]:
    if not sonars:
        raise ParameterError("sonars is empty; allowed: one or both of port, starboard.")
    for side, sonar in sonars.items():
        if side not in SIDES or sonar.side != side:
            raise ParameterError(
                f"sonars has {side!r} with a sonar of side {sonar.side!r}; allowed: port, starboard, each with its own."
            )
    return {side: sonars[side] for side in SIDES if side in sonars}


def checked_capacity(capacity: int | Mapping[str, int], sonars: Mapping[str, Sonar]) -> dict[str, int]:
    if not isinstance(capacity, Mapping):
        capacity = dict.fromkeys(sonars, capacity)
    if set(capacity) != set(sonars):
        raise ParameterError(
            f"capacity is given for {', '.join(capacity)}; allowed: {', '.join(sonars)}, as the sonars."
        )
    for side, n in capacity.items():
        if isinstance(n, bool) or int(n) != n or n < 1:
            raise ParameterError(
                f"capacity of {side} is {n!r}; allowed: a whole number of pings, at least 1."
            )
    return {side: int(capacity[side]) for side in sonars}


def check_columns(names: Sequence[str]) -> None:
    for name in names:
        if name not in COLUMNS:
            raise ParameterError(f"platform_columns has '{name}'{nearest_name(name, COLUMNS)}")


def check_degrees(latitude_deg: float, longitude_deg: float) -> None:
    if not abs(latitude_deg) <= 90:
        raise ParameterError(f"origin_latitude_deg is {latitude_deg!r}; allowed: -90 to 90.")
    if not abs(longitude_deg) <= 180:
        raise ParameterError(f"origin_longitude_deg is {longitude_deg!r}; allowed: -180 to 180.")


def segments_in(folder: Path) -> list[Path]:
    """Return what a recording left in a folder; anything else there is somebody's and is refused."""
    found = sorted(folder.iterdir())
    strangers = [p for p in found if not _SEGMENT.fullmatch(p.name)]
    if strangers:
        raise ParameterError(
            f"{folder} holds {strangers[0].name}, which is no segment; allowed: a new or empty folder, or one of segments."
        )
    return found


def date(time_ns: int) -> str:
    seconds = timedelta(seconds=int(time_ns) // 1_000_000_000)
    return (datetime(1970, 1, 1, tzinfo=UTC) + seconds).strftime("%Y-%m-%dT%H:%M:%SZ")
