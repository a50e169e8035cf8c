"""A short recording over and over, each time further along: a stand-in for a line of hours that needs no disk."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.conventions import NANOSECONDS_PER_SECOND, SIDES
from pingloom.imaging.errors import ParameterError
from pingloom.imaging.frames import Trajectory
from pingloom.imaging.records import Ping, Platform
from pingloom.io.recording import Recording

__all__ = ["Repeated"]

_MOST = 100_000


class Repeated:
    """The pings and the navigation of a recording, ``times`` times one after the other.

    Each lap begins where and when the next ping after the last one would have been sent: time goes on, north and
    east go on by the way made good, all else comes again. Only a straight line makes sense of that. It has what imaging
    asks of a :class:`~pingloom.io.recording.Recording`; all but pings, navigation and identity is the recording's own.

    Parameters
    ----------
    recording : Recording
    times : int

    Raises
    ------
    ParameterError
        If ``times`` is not from 1 to 100000, or the recording too short to go on from.
    """

    def __init__(self, recording: Recording, times: int) -> None:
        if not 1 <= times <= _MOST:
            raise ParameterError(f"repeat is {times}; allowed: 1 to {_MOST}.")
        stamps = np.unique(np.concatenate([recording.ping_time_ns(s) for s in recording.sides])).astype(
            np.int64
        )
        if stamps.size < 2:
            raise ParameterError(
                f"{recording.path} holds pings of {stamps.size} time; allowed with repeat: two or more, which tell a way."
            )
        self._own = recording
        self._times = times
        self._first_ns = int(stamps[0])
        own_ns = [np.diff(np.sort(recording.ping_time_ns(s).astype(np.int64))) for s in recording.sides]
        step_ns = int(np.median(np.concatenate([d for d in own_ns if d.size] or [np.diff(stamps)])))
        self._lap_ns = int(stamps[-1]) - self._first_ns + step_ns
        trajectory = Trajectory.from_platform(recording.platform())
        at = [trajectory.seconds(self._first_ns), trajectory.seconds(self._first_ns + self._lap_ns)]
        start, end = trajectory.pose(at)[0]
        self._way_m: NDArray[np.float64] = end[:2] - start[:2]

    def __getattr__(self, name: str) -> Any:
        return getattr(self._own, name)

    @property
    def way_m(self) -> float:
        """Made good over all laps."""
        return float(np.hypot(*self._way_m)) * self._times

    @property
    def duration_s(self) -> float:
        """Of all laps."""
        return self._lap_ns * self._times / NANOSECONDS_PER_SECOND

    def n_ping(self, side: str) -> int:
        """Return how many pings one side has."""
        return self._own.n_ping(side) * self._times

    def ping_time_ns(self, side: str) -> NDArray[np.uint64]:
        """Return the start of each ping's transmission, (ping,). [ns since 1970-01-01 UTC]"""
        own = self._own.ping_time_ns(side)
        lap = np.arange(self._times, dtype=np.uint64) * np.uint64(self._lap_ns)
        return (lap[:, None] + own).reshape(-1)

    def agenda(self, side: str | None = None) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
        """Return all pings in order of time: for each its side, as an index into ``SIDES``, and its number."""
        sides, numbers = self._own.agenda(side)
        each = np.array([self._own.n_ping(s) if s in self._own.sides else 0 for s in SIDES])
        lap = np.repeat(np.arange(self._times), sides.size)
        sides, numbers = np.tile(sides, self._times), np.tile(numbers, self._times)
        return sides, numbers + lap * each[sides]

    def read_ping(self, side: str, i_ping: int) -> Ping | None:
        """Return ping ``i_ping`` of one side; None where it is damaged."""
        lap, number = divmod(i_ping, self._own.n_ping(side))
        ping = self._own.read_ping(side, number)
        if ping is None:
            return None
        return replace(ping, number=i_ping, time_ns=ping.time_ns + lap * self._lap_ns)

    def pings(self, side: str | None = None) -> Iterator[Ping]:
        """Yield the pings in order of time."""
        for which, number in zip(*self.agenda(side), strict=True):
            ping = self.read_ping(SIDES[which], int(number))
            if ping is not None:
                yield ping

    def platform(self) -> Platform:
        """Return the navigation of all laps: rows before the first ping once, those beyond the last lap's end once."""
        own = self._own.platform()
        time = own.time_ns.astype(np.int64)
        begin, end = self._first_ns, self._first_ns + self._lap_ns
        inside = (time >= begin) & (time < end)
        columns: dict[str, list[NDArray[Any]]] = {}
        for lap in range(self._times):
            rows = inside | ((time < begin) & (lap == 0)) | ((time >= end) & (lap == self._times - 1))
            for item in fields(Platform):
                value = getattr(own, item.name)
                if isinstance(value, np.ndarray) and value.ndim == 1 and value.size == time.size:
                    columns.setdefault(item.name, []).append(self._moved(item.name, value[rows], lap))
        return replace(own, **{name: np.concatenate(parts) for name, parts in columns.items()})

    def _moved(self, name: str, values: NDArray[Any], lap: int) -> NDArray[Any]:
        if name == "time_ns":
            return values + np.uint64(lap * self._lap_ns)
        if name in ("north_m", "east_m"):
            return values + lap * self._way_m[0 if name == "north_m" else 1]
        return values

    def identity(self) -> dict[str, Any]:
        """Return what tells the recording from others, and how often it was repeated."""
        return {**self._own.identity(), "repeated": self._times}
