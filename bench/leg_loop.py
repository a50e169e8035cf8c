"""Pings in, leg after leg: each ping through the chain, finished tiles to the leg's product, the state kept."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from pingloom.bench.correctors import Corrector, LiveState
from pingloom.bench.imaging_task import ImagingTask
from pingloom.bench.leg_product import leg_writer
from pingloom.bench.legs import Leg, leg_of
from pingloom.bench.ping_counts import ping_counts
from pingloom.bench.ping_feed import PingFeed
from pingloom.bench.resuming import Keeper, Saved
from pingloom.bench.run_report import Counts, StageTimes
from pingloom.imaging.chain import ChainState, StepReport
from pingloom.imaging.errors import DataError
from pingloom.imaging.records import Correction, Ping, Tile
from pingloom.io.product_writer import ProductWriter
from pingloom.io.tile_spool import TileSpool

__all__ = ["LegLoop"]

_BETWEEN = "sent between the legs"
_REMEMBERED = 1200
"""Pings of a side before a part that noise and rows are remembered of: means over the last 64 forget those before to
(63/64)^1200 = 6e-9."""
_COUNTED = 40
"""Of these the looks are counted too; sixteen good ones are enough."""


class LegLoop:
    """All legs of one recording, from where an interrupted run stood if there was one.

    Parameters
    ----------
    on_ping : callable, optional
        Called with the number of pings done and their total.
    """

    def __init__(
        self,
        task: ImagingTask,
        plan: list[Leg],
        keeper: Keeper,
        times: StageTimes,
        on_ping: Callable[[int, int], None] | None,
    ) -> None:
        self._task, self._plan, self._keeper = task, plan, keeper
        self._times, self._on_ping = times, on_ping
        self._resumed = keeper.saved is not None
        total = sum(task.recording.n_ping(side) for side in task.recording.sides)
        self._first, past = (0, total) if task.part is None else task.part.places(total)
        self._now = keeper.saved or Saved(position=self._first)
        self._earlier: dict[tuple[str, int], Correction] = {}
        if task.corrector is not None and self._resumed:
            task.corrector.restore(self._now.estimated)
        elif task.corrector is not None:
            self._hear_what_came_before(task.corrector)
        self._feed = PingFeed(task.recording, self._now.position, self._now.order, past)
        self.made: list[int] = []
        """Legs that products were made of, those of an interrupted run included."""
        self._pings = iter(self._feed)
        self._ping: Ping | None = next(self._pings, None)

    def run(self) -> Counts:
        """Image leg after leg; what was sent in turns is counted and left."""
        now = self._now
        for k in range(len(self._plan)):
            if k >= now.leg and self._task.part is not None and not self._reached(self._plan[k]):
                now.leg = k + 1
                continue
            self.made.append(k)
            if k < now.leg:
                continue
            self._leg(k)
            now.counts.add(now.own)
            now.leg, now.own, now.chain, now.spool = k + 1, Counts(), None, None
            self._keeper.leg_done(replace(now, order=self._feed.order, estimated=self._estimated()))
        while self._ping is not None:
            self._between(self._ping)
            self._ping = next(self._pings, None)
        now.counts.left_out.update(self._feed.take_left_out())
        return now.counts

    def _reached(self, leg: Leg) -> bool:
        """Whether this part has a ping of a leg."""
        while self._ping is not None and self._ping.time_ns < leg.first_time_ns:
            self._between(self._ping)
            self._ping = next(self._pings, None)
        return self._ping is not None and self._ping.time_ns <= leg.last_time_ns

    def _primed(self, leg: Leg) -> ChainState:
        """A leg's state at the beginning of this part: what its earlier pings leave to be remembered."""
        task = self._task
        state = task.chain.start(leg.frame, keep_sums=task.part is not None)
        begin = self._primed_from
        seen_from = self._first - _COUNTED * len(task.recording.sides)
        before = PingFeed(task.recording, begin, past=self._first)
        for ping in before:
            if leg.first_time_ns <= ping.time_ns <= leg.last_time_ns:
                seen = before.position > seen_from
                correction = self._earlier.get((ping.side, ping.number))
                state = task.chain.prime(state, ping, task.trajectory, correction, seen=seen)
        return state

    @property
    def _primed_from(self) -> int:
        return max(0, self._first - _REMEMBERED * len(self._task.recording.sides))

    def _hear_what_came_before(self, corrector: Corrector) -> None:
        """Corrections rest on all pings before: a later part hears the earlier ones, or looks them up in a table."""
        feed = PingFeed(self._task.recording, corrector.hears_from(self._primed_from), past=self._first)
        for ping in feed:
            k = leg_of(self._plan, ping.time_ns)
            correction = corrector.correction(ping, None if k is None else self._plan[k].frame, _unheard)
            if correction is not None and feed.position > self._primed_from:
                self._earlier[ping.side, ping.number] = correction

    def _leg(self, k: int) -> None:
        task, leg, now = self._task, self._plan[k], self._now
        state = now.chain or self._primed(leg)
        spool = self._keeper.spool(k, task.folder)
        # An interrupted run may have given this product its name already.
        replace_it = task.overwrite or self._resumed
        with leg_writer(task, k, leg, spool, overwrite=replace_it) as writer:
            while self._ping is not None and self._ping.time_ns <= leg.last_time_ns:
                if self._ping.time_ns < leg.first_time_ns:
                    self._between(self._ping)
                else:
                    state = self._one(state, self._ping, leg, writer)
                self._after_ping(state, spool)
                self._ping = next(self._pings, None)
            self._keep(writer, *task.chain.finish(state, task.trajectory))
            self._refuse_empty()
            writer.say(**ping_counts(now.own))

    def _between(self, ping: Ping) -> None:
        """No image is made of it; estimators hear it all the same."""
        self._now.counts.left_out[_BETWEEN] += 1
        if self._task.corrector is not None:
            self._task.corrector.correction(ping, None, _unheard)

    def _one(self, state: ChainState, ping: Ping, leg: Leg, writer: ProductWriter) -> ChainState:
        task, note = self._task, self._times.note
        self._times.begin()
        correction = None if task.corrector is None else task.corrector.correction(ping, leg.frame, note)
        state, tiles, reports = task.chain.step(state, ping, task.trajectory, correction, observe=note)
        self._times.end(self._feed.position, self._feed.total)
        self._keep(writer, tiles, reports)
        return state

    def _keep(self, writer: ProductWriter, tiles: list[Tile], reports: list[StepReport]) -> None:
        for tile in tiles:
            writer.write(tile if self._task.part is None else replace(tile, extra=tile.extra | tile.sums))
        for report in reports:
            self._now.own.take(report)

    def _after_ping(self, state: ChainState, spool: TileSpool | None) -> None:
        now = self._now
        now.position = self._feed.position
        now.counts.left_out.update(self._feed.take_left_out())
        if self._keeper.due():
            self._save(state, spool)
        if self._on_ping is None:
            return
        try:
            self._on_ping(now.position, self._feed.total)
        except BaseException:
            # Stopped between two pings: what was done since the last state need not be done again.
            if self._keeper.kept:
                self._save(state, spool)
            raise

    def _save(self, state: ChainState, spool: TileSpool | None) -> None:
        mark = None if spool is None else spool.mark()
        self._keeper.save(
            replace(self._now, order=self._feed.order, chain=state, spool=mark, estimated=self._estimated())
        )

    def _estimated(self) -> LiveState | None:
        return None if self._task.corrector is None else self._task.corrector.state

    def _refuse_empty(self) -> None:
        own = self._now.own
        if own.imaged == 0:
            why = "; ".join(f"{n} pings: {reason}" for reason, n in own.left_out.items())
            raise DataError(
                f"{self._task.recording.path}: no ping could be imaged ({why}); allowed: one or more good pings."
            )


def _unheard(stage: str) -> None:
    """Nobody counts what a ping that is not imaged takes."""
