"""A recording that another process still writes, looked at again and again."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.errors import DataError, PingloomError
from pingloom.io.recording import Recording

__all__ = ["GrowingRecording"]

_SHARE = 4.0
"""A look is followed by a pause this many times as long: the longer a recording, the longer it takes to look at."""


class GrowingRecording:
    """A file or a folder of segments that need not be there yet.

    Each look opens the files anew, so that nothing that a library remembers of them hides what is new. A file that can't
    be read is taken for one that is just being made: what was read before stays, :attr:`trouble` says what was wrong.

    Parameters
    ----------
    poll_s : float
        From one look to the next. [s]
    clock : callable
        Seconds that only go forward.
    """

    def __init__(self, path: Path, poll_s: float, clock: Callable[[], float] = time.monotonic) -> None:
        self.path = path
        self.trouble = ""
        self._poll_s, self._clock = poll_s, clock
        self._recording: Recording | None = None
        self._looked = self._before = -np.inf
        self._cost = 0.0
        self._grew = clock()
        self._marks: dict[str, deque[tuple[int, float, bool]]] = {}
        self._time_ns: dict[str, NDArray[np.uint64]] = {}

    @property
    def there(self) -> bool:
        """Whether there is a recording with a ping."""
        return self._recording is not None and self.n_ping > 0

    @property
    def recording(self) -> Recording:
        """As it was at the last look.

        Raises
        ------
        DataError
            If there is none.
        """
        if self._recording is None:
            raise DataError(self.trouble or f"{self.path}: no such recording; allowed: one. Check the name.")
        return self._recording

    @property
    def closed(self) -> bool:
        """Whether its writer closed it: no more will come."""
        return self._recording is not None and self._recording.closed

    @property
    def n_ping(self) -> int:
        """Pings of all sides."""
        return sum(t.size for t in self._time_ns.values())

    def time_ns(self, side: str) -> NDArray[np.uint64]:
        """Times of transmission of a side's pings. [ns]"""
        return self._time_ns[side]

    @property
    def idle_s(self) -> float:
        """Since the last new ping was seen, or since the beginning. [s]"""
        return self._clock() - self._grew

    def hopeless(self, after_s: float) -> bool:
        """Whether nothing can be read of a file that nobody has written to for some time. [s]"""
        if self._recording is not None or not self.path.is_file():
            return False
        return time.time() - self.path.stat().st_mtime > after_s

    def until_look_s(self) -> float:
        """Until the next look is due, at most 0 when it is. [s]"""
        return self._looked + max(self._poll_s, _SHARE * self._cost) - self._clock()

    def look(self) -> None:
        """Read what was written since the last look."""
        begin = self._clock()
        first = self._recording is None
        try:
            if self._recording is None:
                self._recording = Recording(self.path)
            else:
                self._recording.refresh()
            self.trouble = ""
        except PingloomError as error:
            self.trouble = str(error)
        self._before, self._looked = self._looked, begin
        self._cost = self._clock() - begin
        if self._recording is None:
            return
        for side in self._recording.sides:
            times = self._recording.ping_time_ns(side)
            if times.size > self._time_ns.get(side, times[:0]).size:
                since = begin if first else self._before
                self._marks.setdefault(side, deque()).append((times.size, since, first))
                self._grew = self._clock()
            self._time_ns[side] = times

    def since(self, side: str, number: int) -> tuple[float, bool]:
        """When a ping can have been written at the earliest, and whether it was there at the first look.

        That is the last look that did not see it yet; of pings that were there before, the first look. Asked of a side's
        pings in order.
        """
        marks = self._marks[side]
        while marks[0][0] <= number:
            marks.popleft()
        return marks[0][1], marks[0][2]

    def close(self) -> None:
        """Close all files."""
        if self._recording is not None:
            self._recording.close()
