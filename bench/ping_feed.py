"""Pings in the order in which they are imaged, and where one stands in it.

The rule: pings are imaged in the order of their time of transmission, port first where both sides sent at once,
whatever their order in the file. Of two pings of one side and one time the first stored is taken. A ping that
disagrees with its checksum is left out.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from pingloom.bench.legs import PingOrder
from pingloom.imaging.conventions import SIDES
from pingloom.imaging.records import Ping
from pingloom.io.recording import Recording

__all__ = ["DAMAGED", "PingFeed"]

DAMAGED = "disagrees with its checksum"
"""Why a ping was left out."""


class PingFeed:
    """The pings of a recording that is complete.

    Parameters
    ----------
    recording : Recording
    position : int
        Places in the recording's order to pass over: those that an interrupted run had done.
    order : PingOrder, optional
        As that run left it.
    past : int, optional
        Place at which to end; default the end of the recording.
    """

    def __init__(
        self,
        recording: Recording,
        position: int = 0,
        order: PingOrder | None = None,
        past: int | None = None,
    ) -> None:
        self.position = position
        """Places in the recording's order that were handed on or left out."""
        self.left_out: Counter[str] = Counter()
        """Pings left out since the last :meth:`take_left_out`, by reason."""
        # All is in order already; what is left to do is to tell pings sent twice.
        self.order = order or PingOrder(patience_s=0.0)
        self._recording = recording
        self._sides, self._numbers = recording.agenda()
        self._past = self._sides.size if past is None else past

    @property
    def total(self) -> int:
        """Pings of the recording."""
        return self._sides.size

    def __iter__(self) -> Iterator[Ping]:
        while self.position < self._past:
            side, number = SIDES[self._sides[self.position]], int(self._numbers[self.position])
            self.position += 1
            ping = self._recording.read_ping(side, number)
            if ping is None:
                self.left_out[DAMAGED] += 1
                continue
            yield from self.order.take(ping)

    def take_left_out(self) -> Counter[str]:
        """Return what was left out since the last call, by reason."""
        found = self.left_out + Counter(self.order.left_out)
        self.left_out = Counter()
        self.order.left_out.clear()
        return found
