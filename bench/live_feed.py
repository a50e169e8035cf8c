"""Pings of a growing recording, each handed on once its turn has come and the navigation around it is there."""

from __future__ import annotations

import time
from collections import Counter, deque
from collections.abc import Callable
from dataclasses import dataclass

from pingloom.bench.growing_recording import GrowingRecording
from pingloom.bench.legs import PingOrder
from pingloom.bench.live_navigation import LiveNavigation
from pingloom.bench.ping_feed import DAMAGED
from pingloom.imaging.records import Ping

__all__ = ["Arrived", "LiveFeed"]

_TORN_S = 2.0
"""How long the newest ping of a side may disagree with its checksum before it counts as damaged. [s]"""


@dataclass(frozen=True, slots=True)
class Arrived:
    """A ping whose turn has come."""

    ping: Ping
    since_s: float
    """When it can have been written at the earliest, on the clock."""
    at_start: bool
    """Whether it was there at the first look."""
    extrapolated: bool
    """Whether the navigation around it did not come in time."""


class LiveFeed:
    """The pings of a recording that grows.

    The rule is that of a finished recording (order of transmission, port first, of two of one time the first stored), as far
    as it can be kept: see :class:`~pingloom.bench.legs.PingOrder`. A damaged ping is left out, the newest one of
    a side only after a while, since it may still be on its way.

    Parameters
    ----------
    wait_s : float
        How long a ping waits for the navigation around it. [s]
    """

    def __init__(
        self, growing: GrowingRecording, wait_s: float, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.left_out: Counter[str] = Counter()
        self.damaged: list[tuple[str, int]] = []
        self._growing, self._wait_s, self._clock = growing, wait_s, clock
        self._order = PingOrder(sides=growing.recording.sides)
        self._due: deque[tuple[Ping, float, bool]] = deque()
        self._arrival: dict[tuple[str, int], tuple[float, bool]] = {}
        self._next = dict.fromkeys(growing.recording.sides, 0)
        self._torn = False
        self._finished = False

    def looked(self) -> None:
        """There may be something new."""
        self._torn = False

    def finish(self) -> None:
        """No more will come: from now on nothing is waited for."""
        self._finished, self._torn = True, False

    def next(self, navigation: LiveNavigation) -> Arrived | None:
        """The next ping, None while there is none whose turn has come."""
        self._fill()
        if not self._due:
            return None
        ping, since, at_start = self._due[0]
        reached = navigation.reaches(ping.time_ns, self._growing.recording.sonar(ping.side))
        if not (reached or self._finished or self._clock() - since >= self._wait_s):
            return None
        self._due.popleft()
        return Arrived(ping, since, at_start, not (reached or self._finished))

    def _fill(self) -> None:
        """Read on, in order of time, until a ping's turn has come; echoes wait in the file and not here."""
        growing = self._growing
        while not self._due and not self._torn:
            waiting = {s: growing.time_ns(s)[n] for s, n in self._next.items() if n < growing.time_ns(s).size}
            if not waiting:
                break
            side = min(waiting, key=lambda s: (waiting[s], s))
            number = self._next[side]
            since, at_start = growing.since(side, number)
            ping = growing.recording.read_ping(side, number)
            if ping is None and self._may_be_torn(side, number, since):
                self._torn = True
                return
            self._next[side] += 1
            if ping is None:
                self.left_out[DAMAGED] += 1
                self.damaged.append((side, number))
                continue
            self._arrival[side, number] = since, at_start
            self._hand_on(self._order.take(ping))
        if self._finished and not self._due:
            self._hand_on(self._order.finish())

    def _may_be_torn(self, side: str, number: int, since: float) -> bool:
        newest = number == self._growing.time_ns(side).size - 1
        return newest and not self._finished and self._clock() - since < _TORN_S

    def _hand_on(self, pings: list[Ping]) -> None:
        self._due.extend((p, *self._arrival.pop((p.side, p.number))) for p in pings)
        self.left_out.update(self._order.left_out)
        self._order.left_out.clear()
