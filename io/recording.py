"""Recordings: what the sonar and the vehicle wrote, read ping by ping from one file or a folder of segments.

Examples
--------
::

    with open_recording("line.h5") as recording:
        sonar = recording.sonar("starboard")
        for ping in recording.pings():
            ...
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.conventions import SIDES
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.records import Ping, Platform, Sonar, Water

from ._joining import check_agreement, join_platform
from .layout import RECORDING_SUFFIXES
from .recording_segment import Segment, digest, ping_checksum
from .recording_writer import RecordingWriter

__all__ = ["Recording", "RecordingWriter", "TruthArray", "open_recording", "ping_checksum", "segment_paths"]

MOST_OPEN = 4
"""Files kept open at once, however many segments there are."""


@dataclass(frozen=True, slots=True, eq=False)
class TruthArray:
    """One array of a simulated recording's truth, with what its attributes say."""

    array: NDArray[Any]
    attributes: dict[str, Any]


def segment_paths(path: str | os.PathLike[str]) -> list[Path]:
    """Return the files of a recording in order of name: the file itself, or a folder's segments.

    Raises
    ------
    DataError
        If there is no such file, or no segment in the folder.
    """
    path = Path(path)
    if not path.is_dir():
        return [path]
    found = sorted(
        p for p in path.iterdir() if p.suffix.lower() in RECORDING_SUFFIXES and not p.name.startswith(".")
    )
    if not found:
        raise DataError(
            f"{path} is a folder without segments; allowed: a file, or a folder of {', '.join(RECORDING_SUFFIXES)} "
            "files. Check the name."
        )
    return found


def open_recording(path: str | os.PathLike[str]) -> Recording:
    """Open a recording: one file, or a folder of segments in order of name.

    Parameters
    ----------
    path : str or path
        All segments of a folder must describe the same sonar.

    Raises
    ------
    DataError
        If it is no recording, or damaged, or against the contract; one line says what, where, what is allowed
        and what to do.
    """
    return Recording(path)


class Recording:
    """A recording, open for reading; use it in a ``with`` block. Made by :func:`open_recording`.

    Pings that their writer never marked as whole (``sequence`` 0) don't exist. Where checksums are stored, a
    marked ping whose checksum disagrees is left out by :meth:`pings`, refused by :meth:`ping` and counted by
    :meth:`n_rejected`. A recording without marks is taken whole.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = Path(path)
        self._segments: list[Segment] = []
        self._recent: list[Segment] = []
        self._rejected: dict[str, set[int]] = {side: set() for side in SIDES}
        self.refresh()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Close all files. Reading opens them again, one by one."""
        for segment in self._recent:
            segment.close()
        self._recent = []

    def refresh(self) -> None:
        """Look at the files again: pings, platform rows and segments written since then appear.

        Only the last two segments, where a writer may be at work, and new ones are read again.
        """
        self.close()
        known = {segment.path: segment for segment in self._segments[:-2]}
        segments = [known.get(path) or Segment(path) for path in segment_paths(self.path)]
        check_agreement(segments)
        self._segments = segments
        self.sides: tuple[str, ...] = segments[0].sides
        self._first = {
            side: np.cumsum([0] + [s.tables[side].slot.size for s in segments]) for side in self.sides
        }
        self._platform: Platform | None = None

    # ---- header ------------------------------------------------------------------------------------------

    def _side(self, side: str) -> str:
        if side not in self.sides:
            raise ParameterError(f"side is {side!r}; allowed in {self.path.name}: {', '.join(self.sides)}.")
        return side

    def sonar(self, side: str) -> Sonar:
        """Return the sonar of one side."""
        return self._segments[0].sonars[self._side(side)]

    def water(self) -> Water:
        """Return the water, as the first segment describes it."""
        return self._segments[0].water

    def platform(self) -> Platform:
        """Return the navigation of all segments: rows in order of time, of rows at one time the first.

        An optional column that some segment lacks is left out, except altitude, sound speed and status, which
        are unknown (NaN) or good (0) there.

        Raises
        ------
        DataError
            If there is no row or a required value isn't finite.
        """
        if self._platform is None:
            self._platform = join_platform(self._segments, self.path)
        return self._platform

    def _root_text(self, name: str) -> str | None:
        return self._used(self._segments[0]).root.text(name)

    @property
    def title(self) -> str:
        """What the recording is called; empty where it isn't."""
        return self._root_text("title") or ""

    @property
    def history(self) -> str:
        """What was done to the recording; empty where nobody said."""
        return self._root_text("history") or ""

    @property
    def scenario(self) -> str | None:
        """TOML text of the scenario that a simulated recording came from."""
        return self._root_text("scenario")

    @property
    def seed(self) -> int | None:
        """Of a simulated recording's chance."""
        value = self._used(self._segments[0]).root.attribute("seed")
        # Taken as it is stored: a large seed doesn't fit a floating-point number.
        return (
            int(value.reshape(-1)[0]) if isinstance(value, np.ndarray) and value.dtype.kind in "iu" else None
        )

    @property
    def origin(self) -> tuple[float, float]:
        """Latitude and longitude of the point from which north and east count. [degrees]"""
        root = self._used(self._segments[0]).root
        latitude, longitude = root.number("origin_latitude"), root.number("origin_longitude")
        if latitude is None or longitude is None:
            raise DataError(
                f"{root.where('@origin_latitude')} or @origin_longitude is missing; allowed: degrees. Add both."
            )
        if not (abs(latitude) <= 90 and abs(longitude) <= 360):
            raise DataError(
                f"{root.where('@origin_latitude')}, @origin_longitude are {latitude:g}, {longitude:g}; "
                "allowed: -90 to 90 and -180 to 180 degrees."
            )
        return latitude, longitude

    @property
    def segments(self) -> tuple[Path, ...]:
        """The files, in order."""
        return tuple(segment.path for segment in self._segments)

    @property
    def closed(self) -> bool:
        """Whether its writer said that no more will come; one that was killed never does."""
        return self._segments[-1].closed

    @property
    def n_byte(self) -> int:
        """Size of all files together. [byte]"""
        return sum(segment.n_byte for segment in self._segments)

    # ---- pings -------------------------------------------------------------------------------------------

    def n_ping(self, side: str) -> int:
        """Return how many marked pings one side has."""
        return int(self._first[self._side(side)][-1])

    def n_rejected(self, side: str) -> int:
        """Return how many pings of one side were read so far and found damaged."""
        return len(self._rejected[self._side(side)])

    def has_checksum(self, side: str) -> bool:
        """Whether one side's pings carry checksums."""
        return self._segments[0].tables[self._side(side)].checksum is not None

    def stores_integers(self, side: str) -> bool:
        """Whether one side's echoes are stored as whole numbers."""
        return self._segments[0].stores_integers[self._side(side)]

    def ping_time_ns(self, side: str) -> NDArray[np.uint64]:
        """Return the start of each ping's transmission, (ping,). [ns since 1970-01-01 UTC]"""
        self._side(side)
        return np.concatenate([s.tables[side].time_ns for s in self._segments])

    def ping(self, side: str, i_ping: int) -> Ping:
        """Return ping ``i_ping`` of one side.

        Raises
        ------
        ParameterError
            If there is no such ping.
        DataError
            If it is damaged.
        """
        found = self.read_ping(side, i_ping)
        if found is None:
            raise DataError(
                f"{self.path}: ping {i_ping} of {side} disagrees with its checksum; allowed: pings as they were "
                "written. Leave it out."
            )
        return found

    def pings(self, side: str | None = None, start: int = 0) -> Iterator[Ping]:
        """Yield the pings in order of time, one in memory at a time; damaged ones are left out and counted.

        Parameters
        ----------
        side : str, optional
            Only that side; by default both sides, by time, port first where both ping together.
        start : int
            How many pings of that order to pass over.
        """
        sides, numbers = self.agenda(side)
        for which, number in zip(sides[start:], numbers[start:], strict=True):
            ping = self.read_ping(SIDES[which], int(number))
            if ping is not None:
                yield ping

    def agenda(self, side: str | None = None) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
        """Return all pings in order of time: for each its side, as an index into ``SIDES``, and its number.

        Of pings of one time port's come first, then those stored first.
        """
        sides = self.sides if side is None else (self._side(side),)
        times = [self.ping_time_ns(s) for s in sides]
        which = np.concatenate(
            [np.full(t.size, SIDES.index(s), np.uint8) for s, t in zip(sides, times, strict=True)]
        )
        number = np.concatenate([np.arange(t.size) for t in times])
        order = np.lexsort((number, which, np.concatenate(times)))
        return which[order], number[order]

    def read_ping(self, side: str, i_ping: int) -> Ping | None:
        """Return ping ``i_ping`` of one side; None where it is damaged, which is counted."""
        if not 0 <= i_ping < self.n_ping(side):
            raise ParameterError(
                f"there is no ping {i_ping} of {side}; allowed: 0 to {self.n_ping(side) - 1} in {self.path.name}."
            )
        k = int(np.searchsorted(self._first[side], i_ping, side="right")) - 1
        segment, within = self._segments[k], i_ping - int(self._first[side][k])
        echo, whole = self._used(segment).echo(side, within)
        if not whole:
            self._rejected[side].add(i_ping)
            return None
        table = segment.tables[side]
        try:
            return Ping(
                side=side,
                number=i_ping,
                time_ns=int(table.time_ns[within]),
                echo=echo,
                receiver_gain_db=float(table.receiver_gain_db[within]),
            )
        except ParameterError as error:
            raise DataError(f"{segment.path}: ping {within} of {side}: {error}") from error

    def _used(self, segment: Segment) -> Segment:
        """Keep the files used last open, close the one used longest ago."""
        if segment in self._recent:
            self._recent.remove(segment)
        self._recent.append(segment)
        while len(self._recent) > MOST_OPEN:
            self._recent.pop(0).close()
        return segment

    # ---- provenance --------------------------------------------------------------------------------------

    def identity(self) -> dict[str, Any]:
        """Return what tells this recording from others: names, sizes, a SHA-256 of header, ping times and marks.

        It is cheap (echoes aren't read) and the same wherever the files lie.
        """
        total = hashlib.sha256()
        for segment in self._segments:
            for side in segment.sides:
                table = segment.tables[side]
                total.update(digest(segment.sonars[side]).encode())
                total.update(table.time_ns.astype("<u8").tobytes())
                if table.checksum is not None:
                    total.update(table.checksum.astype("<u8").tobytes())
            total.update(digest(segment.water).encode())
            for name in sorted(segment.platform_columns):
                total.update(digest(segment.platform_columns[name]).encode())
        return {
            "name": self.path.name,
            "files": [{"name": s.path.name, "bytes": s.n_byte} for s in self._segments],
            "pings": {side: self.n_ping(side) for side in self.sides},
            "sha256": total.hexdigest(),
        }

    def truth(self) -> dict[str, TruthArray]:
        """Return the named arrays of a simulated recording's truth; empty where there is none."""
        found: dict[str, TruthArray] = {}
        for segment in self._segments:
            group = self._used(segment).root.group("truth")
            for name in group.names() if group else []:
                data = group.dataset(name)
                array = group.array(name, "fiubc", (None,) * data.ndim)
                attributes = {a: _plain(group.attribute(a, name)) for a in group.attribute_names(name)}
                found[name] = TruthArray(array, attributes)
        return found


def _plain(value: Any) -> Any:
    """Return an attribute as text, number or array."""
    return value.item() if isinstance(value, np.ndarray) and value.size == 1 else value
