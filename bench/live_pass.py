"""Imaging a growing recording as one straight leg: pings laid as they come, finished tiles to the spool.

What was planned, laid and left out is written down, so that at the end it can be told whether the finished recording would
be imaged in just this way: same plan, same leg, same pings in the same order, each with the same navigation around it.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from pingloom.bench.correctors import LiveCorrector, planned_altitude
from pingloom.bench.growing_recording import GrowingRecording
from pingloom.bench.imaging_plan import plan_imaging
from pingloom.bench.imaging_run import compile_chain
from pingloom.bench.imaging_task import ImagingTask
from pingloom.bench.leg_product import leg_writer
from pingloom.bench.live_feed import Arrived, LiveFeed
from pingloom.bench.live_navigation import LiveNavigation
from pingloom.bench.ping_counts import ping_counts
from pingloom.bench.planning_navigation import planning_navigation
from pingloom.bench.recording_legs import recording_legs
from pingloom.bench.run_report import Counts, StageTimes, Times
from pingloom.imaging.chain import Chain, ChainSettings, Method
from pingloom.imaging.conventions import NANOSECONDS_PER_SECOND, SIDES
from pingloom.imaging.errors import DataError
from pingloom.imaging.frames import Trajectory
from pingloom.io.product_writer import put_tile
from pingloom.io.recording import Recording
from pingloom.io.recording_segment import digest
from pingloom.io.tile_spool import TileSpool

__all__ = ["LivePass", "may_begin"]

_TURNED_RAD = np.deg2rad(30.0)
"""From the first ping's heading: more than waves do."""


def may_begin(growing: GrowingRecording, navigation: LiveNavigation, settings: ChainSettings) -> bool:
    """Whether the first pings, which decide plan and frame, are known with the navigation around them."""
    recording = growing.recording
    times = np.sort(np.concatenate([growing.time_ns(side) for side in recording.sides]))
    n = settings.grid.course_pings
    if times.size < n:
        return False
    last = int(times[n - 1])
    newest = [
        int(growing.time_ns(side)[-1]) if growing.time_ns(side).size else -1 for side in recording.sides
    ]
    # An earlier ping of a side that lags behind would be one of the first.
    if min(newest) < last and max(newest) < last + 2 * NANOSECONDS_PER_SECOND:
        return False
    return all(navigation.reaches(last, recording.sonar(side)) for side in recording.sides)


class LivePass:
    """One leg, laid while it is recorded.

    Parameters
    ----------
    settings : ChainSettings
        As they were given.
    wait_s : float
        How long a ping waits for the navigation around it. [s]

    Raises
    ------
    ParameterError, DataError
        If the recording, as far as it goes, or a setting does not allow an image.
    """

    def __init__(
        self,
        growing: GrowingRecording,
        navigation: LiveNavigation,
        folder: Path,
        *,
        method: Method,
        settings: ChainSettings,
        wait_s: float,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        begin = time.perf_counter()
        recording = growing.recording
        self._growing, self._given, self._clock = growing, settings, clock
        self._method = method
        self._plan = plan = plan_imaging(recording, settings, method)
        self._sonars = {side: digest(recording.sonar(side)) for side in recording.sides}
        self._water = digest(recording.water())
        self._uncertainty = _uncertainty(navigation)
        leg = recording_legs(recording, plan.trajectory, _one_leg(plan.settings))[0]
        self._frame = leg.frame
        compile_chain(plan.chain, next(recording.pings()), plan.trajectory)
        self._state = plan.chain.start(leg.frame)
        self._heading_rad: float | None = None
        self._feed = LiveFeed(growing, wait_s, clock)
        folder.mkdir(parents=True, exist_ok=True)
        self._spool = TileSpool(folder)
        self._own = Counts()
        self._times = StageTimes()
        self._lag, self._steady = Times(), Times()
        self._caught_up_s = float("inf")
        """When nothing was left to lay for the first time since the plan was made."""
        self._laid: list[int] = []
        """Side and number of each ping laid, as 2 number + side."""
        self._evidence = bytearray()
        self.at_start = self.extrapolated = 0
        self.worst_lag_s = self.last_lag_s = float("nan")
        self.navigate(navigation)
        self.first_ping_s = time.perf_counter() - begin

    @property
    def n_laid(self) -> int:
        """Pings through so far."""
        return len(self._laid)

    def navigate(self, navigation: LiveNavigation) -> None:
        """There was a look: go on with this navigation."""
        self._navigation = navigation
        self._feed.looked()
        corrector = self._plan.corrector
        if isinstance(corrector, LiveCorrector):
            corrector.estimators = {
                side: e.with_navigation(navigation.platform, navigation.trajectory)
                for side, e in corrector.estimators.items()
            }

    def finish(self) -> None:
        """No more will come."""
        self._feed.finish()

    def step(self) -> bool:
        """Lay the next ping; false where there is none whose turn has come.

        Raises
        ------
        DataError
            If it can't be laid on this leg's strip: the vehicle turns.
        """
        arrived = self._feed.next(self._navigation)
        if arrived is None:
            self._caught_up_s = min(self._caught_up_s, self._clock())
            return False
        self._refuse_turned(arrived.ping.time_ns)
        self._lay(arrived)
        return True

    def _refuse_turned(self, time_ns: int) -> None:
        """A sector far askew would open rows without end, long before the navigation shows two legs."""
        trajectory = self._navigation.trajectory
        heading = float(trajectory.pose([trajectory.seconds(time_ns)])[0][0, 3])
        if self._heading_rad is None:
            self._heading_rad = heading
        if abs(heading - self._heading_rad) > _TURNED_RAD:
            raise DataError("the heading turned by more than 30 degrees: no straight leg")

    def _lay(self, arrived: Arrived) -> None:
        ping, plan, note = arrived.ping, self._plan, self._times.note
        self._times.begin()
        correction = None
        if plan.corrector is not None:
            correction = plan.corrector.correction(ping, self._frame, note)
        self._state, tiles, reports = plan.chain.step(
            self._state, ping, self._navigation.trajectory, correction, observe=note
        )
        self._times.end_live()
        for tile in tiles:
            put_tile(self._spool, tile)
        for report in reports:
            self._own.take(report)
        self._laid.append(2 * ping.number + SIDES.index(ping.side))
        self._evidence += self._navigation.evidence(ping.time_ns, self._growing.recording.sonar(ping.side))
        self.extrapolated += arrived.extrapolated
        self.at_start += arrived.at_start
        if not arrived.at_start:
            self.last_lag_s = self._clock() - arrived.since_s
            self._lag.add(self.last_lag_s)
            if arrived.since_s >= self._caught_up_s:
                self._steady.add(self.last_lag_s)
            self.worst_lag_s = float(np.fmax(self.worst_lag_s, self.last_lag_s))

    def lag(self) -> dict[str, float | None]:
        """From a ping's being written, at the earliest, to its being laid: median, 95 % and worst. [s]

        The first pings wait for the plan; the median of those written after that was caught up with stands apart.
        """
        if not self._lag.n:
            return dict.fromkeys(("median", "share_95", "worst", "median_once_caught_up"))
        return {
            "median": self._lag.share_s(0.5),
            "share_95": self._lag.share_s(0.95),
            "worst": self.worst_lag_s,
            "median_once_caught_up": self._steady.share_s(0.5) if self._steady.n else None,
        }

    # ---- the end -----------------------------------------------------------------------------------------

    def n_leg(self) -> int:
        """Legs that the recording is cut into as far as it goes."""
        return len(recording_legs(self._growing.recording, self._navigation.trajectory, self._plan.settings))

    def differs(self) -> str:
        """Why the finished recording would be imaged in another way; empty where it would not."""
        recording, plan = self._growing.recording, self._plan
        trajectory = self._navigation.trajectory
        for check in (self._other_plan, self._other_pings, self._other_legs):
            why = check(recording, trajectory)
            if why:
                return why
        now = [
            self._navigation.evidence(int(self._growing.time_ns(SIDES[k & 1])[k >> 1]), sonar)
            for k, sonar in ((k, recording.sonar(SIDES[k & 1])) for k in self._laid)
        ]
        was = bytes(self._evidence)
        changed = sum(was[8 * k : 8 * k + 8] != seen for k, seen in enumerate(now))
        if changed:
            return f"the navigation around {changed} pings came or changed after they were laid"
        bent = [plan.chain, *_motion_chains(plan.corrector)]
        if any(chain.bends_along(trajectory) != chain.water.exact for chain in bent):
            return "the line asks for another choice of rays than its first pings"
        return ""

    def _other_plan(self, recording: Recording, trajectory: Trajectory) -> str:
        plan = self._plan
        planning = planning_navigation(recording, trajectory, self._given)
        if digest(planning) != digest(plan.planning):
            return (
                "the line asks for another plan than its first pings: lower altitude or another sound speed"
            )
        header = {side: digest(recording.sonar(side)) for side in recording.sides}, digest(recording.water())
        if header != (self._sonars, self._water) or self._uncertainty != _uncertainty(self._navigation):
            return "what the recording says of sonar, water or navigation changed"
        if isinstance(plan.corrector, LiveCorrector):
            altitude = planned_altitude(recording, trajectory, self._given)
            if altitude is not None and altitude != plan.settings.bottom.altitude_m:
                return "the echoes tell another altitude to plan with"
        return ""

    def _other_pings(self, recording: Recording, trajectory: Trajectory) -> str:
        """Those of the finished recording: its order without what is damaged and the second of one side and time."""
        sides, numbers = recording.agenda()
        keep = np.ones(sides.size, bool)
        for side, number in self._feed.damaged:
            if recording.read_ping(side, number) is not None:
                return "a ping that seemed damaged is whole"
            keep &= ~((sides == SIDES.index(side)) & (numbers == number))
        sides, numbers = sides[keep], numbers[keep]
        twice = np.zeros(sides.size, bool)
        for side in recording.sides:
            of = np.flatnonzero(sides == SIDES.index(side))
            twice[of[1:]] = np.diff(recording.ping_time_ns(side)[numbers[of]].astype(np.int64)) == 0
        wanted = (2 * numbers + sides)[~twice]
        if wanted.size != len(self._laid) or not np.array_equal(wanted, np.array(self._laid, np.int64)):
            return "pings came too late for their place in the order"
        return ""

    def _other_legs(self, recording: Recording, trajectory: Trajectory) -> str:
        legs = recording_legs(recording, trajectory, self._plan.settings)
        if len(legs) > 1:
            return f"the navigation holds {len(legs)} legs with turns between"
        whole = recording_legs(recording, trajectory, _one_leg(self._plan.settings))[0]
        if legs[0] != whole:
            return "the leg begins or ends elsewhere than the recording"
        return "" if whole.frame == self._frame else "the first pings' course changed"

    def product(
        self, folder: Path, *, overwrite: bool, before_rename: Callable[[], None] | None
    ) -> tuple[ImagingTask, Path, Counts, StageTimes]:
        """Write the product from the tiles in the spool and those still open."""
        recording, plan, trajectory = self._growing.recording, self._plan, self._navigation.trajectory
        task = ImagingTask(
            recording=recording,
            chain=plan.chain.with_pulse_motion(trajectory),
            trajectory=trajectory,
            folder=folder,
            method=self._method,
            settings=plan.settings,
            overwrite=overwrite,
            before_rename=before_rename,
            corrections=None,
            corrector=plan.corrector,
        )
        leg = recording_legs(recording, trajectory, plan.settings)[0]
        with leg_writer(task, 0, leg, self._spool, overwrite=overwrite) as writer:
            tiles, reports = plan.chain.finish(self._state, trajectory)
            for tile in tiles:
                writer.write(tile)
            for report in reports:
                self._own.take(report)
            if self._own.imaged == 0:
                why = "; ".join(f"{n} pings: {reason}" for reason, n in self._own.left_out.items())
                raise DataError(
                    f"{recording.path}: no ping could be imaged ({why}); allowed: one or more good pings."
                )
            writer.say(**ping_counts(self._own))
        counts = Counts()
        counts.add(self._own)
        counts.left_out.update(self._feed.left_out)
        return task, task.target(0), counts, self._times

    def close(self) -> None:
        """Forget the tiles."""
        self._spool.close()


def _one_leg(settings: ChainSettings) -> ChainSettings:
    legs = getattr(settings, "legs", None)
    return settings if legs is None else replace(settings, legs=replace(legs, mode="whole"))


def _motion_chains(corrector: object) -> list[Chain]:
    if not isinstance(corrector, LiveCorrector):
        return []
    return [e.looks.chain for e in corrector.estimators.values() if e.looks is not None]


def _uncertainty(navigation: LiveNavigation) -> tuple[float | None, float | None]:
    own = navigation.platform
    return own.heading_uncertainty_rad, own.velocity_uncertainty_m_s
