"""Straight legs in a recording's navigation; turns between them are not imaged.

A leg is a stretch over which the course made good and the heading each stay within a few degrees. Course and
heading need not agree: across a current the array points away from the track, and the leg is right all the same,
since its strip follows the course. Course and heading are averaged over a window of some seconds, so the swing
of a vehicle in waves is no turn.

Pings belong to a leg by their time of transmission, whatever their order in the file or on the wire.
:class:`PingOrder` puts pings that arrive live into that order and states what it leaves out.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pingloom.imaging.conventions import NANOSECONDS_PER_SECOND
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.frames import StripFrame, Trajectory
from pingloom.imaging.records import Ping

__all__ = ["Leg", "LegSettings", "PingOrder", "PlannedLeg", "leg_name", "leg_of", "legs"]

_STEP_S = 0.5
"""Between the samples of the navigation on which turns are looked for. [s]"""

FrameChoice = Callable[[Trajectory, Sequence[int]], StripFrame]
"""Makes a leg's frame of the trajectory and the times of the leg's pings in order. [ns]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedLeg:
    """A straight line to be followed, in metres north and east of the recording's origin."""

    start_north_m: float
    start_east_m: float
    end_north_m: float
    end_east_m: float

    def __post_init__(self) -> None:
        if not np.isfinite(self.length_m) or self.length_m <= 0:
            raise ParameterError(f"a planned leg is {self.length_m:g} m long; allowed: above 0.")

    @property
    def length_m(self) -> float:
        """From start to end. [m]"""
        return float(np.hypot(self.end_north_m - self.start_north_m, self.end_east_m - self.start_east_m))

    @property
    def frame(self) -> StripFrame:
        """Origin at the planned start, along track towards the planned end."""
        course = np.arctan2(self.end_east_m - self.start_east_m, self.end_north_m - self.start_north_m)
        return StripFrame(self.start_north_m, self.start_east_m, float(course % (2 * np.pi)))


@dataclass(frozen=True, slots=True, kw_only=True)
class LegSettings:
    """How a recording is cut into straight legs."""

    mode: Literal["found", "planned", "whole"] = "found"
    """found: from the navigation; planned: the lines in ``planned``; whole: the recording is one leg."""
    planned: tuple[PlannedLeg, ...] = ()
    """Used by mode planned. A line followed twice gives two legs."""
    window_s: float = 8.0
    """Over which course and heading are averaged: longer than the waves' period, shorter than a leg. [s]"""
    turn_rate_deg_s: float = 1.0
    """A course or heading that turns faster is a turn. [deg/s]"""
    spread_deg: float = 4.0
    """Within a leg course and heading each stay within this of their middle. [deg]"""
    corridor_m: float = 5.0
    """Sideways distance to the line beyond which a ping is off the leg. [m]"""
    least_speed_m_s: float = 0.2
    """Over ground; slower stretches are no legs. [m/s]"""
    least_length_m: float = 10.0
    """Shorter stretches are left out, unless the recording has no longer one. [m]"""
    largest_gap_s: float = 30.0
    """A leg ends where no ping was sent for longer. [s]"""

    def __post_init__(self) -> None:
        if self.mode not in ("found", "planned", "whole"):
            raise ParameterError(f"legs.mode is {self.mode!r}; allowed: found, planned, whole.")
        if self.mode == "planned" and not self.planned:
            raise ParameterError("legs.planned is empty; allowed with mode planned: one line or more.")
        for name, low, high in (
            ("window_s", 1, 120),
            ("turn_rate_deg_s", 0.01, 90),
            ("spread_deg", 0.1, 45),
            ("corridor_m", 0.01, 1e4),
            ("least_speed_m_s", 0, 10),
            ("least_length_m", 0, 1e5),
            ("largest_gap_s", 1, 1e5),
        ):
            if not low <= getattr(self, name) <= high:
                raise ParameterError(f"legs.{name} is {getattr(self, name):g}; allowed: {low:g} to {high:g}.")


class Leg(NamedTuple):
    """One straight leg: its first and last ping's time and the strip's frame."""

    first_time_ns: int
    last_time_ns: int
    frame: StripFrame


def legs(
    trajectory: Trajectory,
    ping_times_ns: ArrayLike,
    settings: LegSettings | None = None,
    frame: FrameChoice | None = None,
) -> list[Leg]:
    """Cut a recording into straight legs, in order of time.

    Parameters
    ----------
    trajectory : Trajectory
    ping_times_ns : array_like of int, shape (n,)
        Times of transmission of all sides, in any order; equal ones count once. [ns]
    settings : LegSettings, optional
    frame : callable, optional
        Makes the frame of a leg that wasn't planned from the times of its pings; by default the course made good
        over the whole leg, from where its first ping was sent. ``Chain.leg_frame`` gives the frame that a vehicle
        would choose after a leg's first pings.

    Returns
    -------
    list of Leg
        They don't overlap. Pings between them were sent in turns, at rest or off the planned lines.

    Raises
    ------
    DataError
        If there is no ping, or no leg.
    """
    settings = settings or LegSettings()
    times = np.unique(np.asarray(ping_times_ns, dtype=np.int64))
    if times.size == 0:
        raise DataError("there is no ping to find legs in; allowed: one or more.")
    if settings.mode == "planned":
        found = _planned(trajectory, times, settings)
    else:
        make = frame or _whole_course
        found = [
            Leg(int(times[a]), int(times[b]), make(trajectory, times[a : b + 1].tolist()))
            for a, b in _stretches(trajectory, times, settings)
        ]
    if not found:
        raise DataError(
            "no straight leg was found in the navigation; allowed: one or more. "
            "Say legs.mode=whole, or raise legs.spread_deg and legs.turn_rate_deg_s."
        )
    return found


def leg_of(found: Sequence[Leg], time_ns: int) -> int | None:
    """Return which leg a ping sent at ``time_ns`` belongs to; None for a ping between legs."""
    k = int(np.searchsorted([leg.first_time_ns for leg in found], time_ns, side="right")) - 1
    return k if k >= 0 and time_ns <= found[k].last_time_ns else None


def leg_name(method: str, k: int) -> str:
    """Return the product's name of leg ``k`` from 0, without suffix: ``multilook``, ``multilook-02`` and so on."""
    return method if k == 0 else f"{method}-{k + 1:02d}"


def _whole_course(trajectory: Trajectory, times_ns: Sequence[int]) -> StripFrame:
    return StripFrame.from_course(trajectory, *(trajectory.seconds(times_ns[i]) for i in (0, -1)))


# ---- found in the navigation -----------------------------------------------------------------------------


def _stretches(trajectory: Trajectory, times: NDArray[np.int64], s: LegSettings) -> list[tuple[int, int]]:
    """First and last index into ``times`` of each leg."""
    gap = np.flatnonzero(np.diff(times) > s.largest_gap_s * NANOSECONDS_PER_SECOND) + 1
    parts = [p for p in np.split(np.arange(times.size), gap) if p.size]
    if s.mode == "whole":
        return [(0, times.size - 1)]
    found: list[tuple[int, int, float]] = []
    for part in parts:
        second = (times[part] - trajectory.start_ns) / NANOSECONDS_PER_SECOND
        for first_s, last_s, length in _straight(trajectory, second[0], second[-1], s):
            inside = part[(second >= first_s - 1e-6) & (second <= last_s + 1e-6)]
            if inside.size:
                found.append((int(inside[0]), int(inside[-1]), length))
    long = [f for f in found if f[2] >= s.least_length_m]
    # A short recording is an image all the same.
    kept = long or sorted(found, key=lambda f: -f[2])[:1]
    return [(a, b) for a, b, _ in kept]


@dataclass(frozen=True, slots=True, eq=False)
class _Samples:
    """The navigation at even steps between the first and the last ping."""

    time_s: NDArray[np.float64]
    place_m: NDArray[np.float64]
    """(n, 2) north, east."""
    course: NDArray[np.float64]
    """Made good over the window, unwrapped. [rad]"""
    heading: NDArray[np.float64]
    """Averaged over the window. [rad]"""
    short_heading: NDArray[np.float64]
    """Averaged over a quarter of the window: tells sooner that a turn begins. [rad]"""
    short_speed_m_s: NDArray[np.float64]
    """Made good over a quarter of the window."""
    turn_rad_s: NDArray[np.float64]
    """Change of course or heading, whichever turns faster, over the window: waves' swing averages out."""
    speed_m_s: NDArray[np.float64]


def _sample(trajectory: Trajectory, first_s: float, last_s: float, window_s: float) -> _Samples:
    n = max(2, int(np.ceil((last_s - first_s) / _STEP_S)) + 1)
    time = np.linspace(first_s, last_s, n)
    pose = trajectory.pose(time)[0]
    step = time[1] - time[0]
    half = min(max(1, round(window_s / 2 / step)), max(1, (n - 1) // 2))
    # At the ends the window is the first or last whole one.
    middle = np.clip(np.arange(n), half, max(half, n - 1 - half))
    low, high = np.maximum(middle - half, 0), np.minimum(middle + half, n - 1)
    short = max(1, half // 4)
    near = np.maximum(np.arange(n) - short, 0), np.minimum(np.arange(n) + short, n - 1)
    way = pose[high, :2] - pose[low, :2]
    course = np.unwrap(np.arctan2(way[:, 1], way[:, 0]))
    heading = _mean_over(pose[:, 3], low, high)
    whole = 2 * half * step >= 0.9 * window_s  # with less there is nothing to tell a turn from the waves
    change = np.abs(np.stack([course[high] - course[low], heading[high] - heading[low]])).max(axis=0)
    return _Samples(
        time_s=time,
        place_m=pose[:, :2],
        course=course,
        heading=heading,
        short_heading=_mean_over(pose[:, 3], *near),
        short_speed_m_s=_speed(pose, *near, step),
        turn_rad_s=change / ((high - low) * step) if whole else np.zeros(n),
        speed_m_s=_speed(pose, low, high, step),
    )


def _speed(
    pose: NDArray[np.float64], low: NDArray[np.int64], high: NDArray[np.int64], step_s: float
) -> NDArray[np.float64]:
    return np.hypot(*(pose[high, :2] - pose[low, :2]).T) / ((high - low) * step_s)


def _mean_over(
    values: NDArray[np.float64], low: NDArray[np.int64], high: NDArray[np.int64]
) -> NDArray[np.float64]:
    total = np.concatenate([[0.0], np.cumsum(values)])
    return (total[high + 1] - total[low]) / (high + 1 - low)


def _straight(
    trajectory: Trajectory, first_s: float, last_s: float, s: LegSettings
) -> list[tuple[float, float, float]]:
    """First and last second and length in metres of the straight stretches between two times."""
    if last_s - first_s < 1.0:
        # Too short to turn: there is nothing to tell a course from.
        way = np.diff(trajectory.pose([first_s, last_s])[0][:, :2], axis=0)[0]
        return [(first_s, last_s, float(np.hypot(*way)))]
    samples = _sample(trajectory, first_s, last_s, s.window_s)
    edges = _grown(samples, _cores(samples, s), s)
    return [
        (samples.time_s[a], samples.time_s[b], float(np.hypot(*(samples.place_m[b] - samples.place_m[a]))))
        for a, b in edges
    ]


def _cores(samples: _Samples, s: LegSettings) -> list[tuple[int, int]]:
    """Runs of samples without a turn over which course and heading stay together: one pass, forward in time."""
    steady = (samples.speed_m_s >= s.least_speed_m_s) & (samples.turn_rad_s <= np.deg2rad(s.turn_rate_deg_s))
    runs: list[tuple[int, int]] = []
    first = -1
    reach = np.zeros((2, 2))
    for k in range(samples.time_s.size):
        if not steady[k]:
            first = -1
            continue
        now = np.array([samples.course[k], samples.heading[k]])
        if first >= 0:
            wider = np.stack([np.minimum(reach[0], now), np.maximum(reach[1], now)])
            if np.all(wider[1] - wider[0] <= 2 * np.deg2rad(s.spread_deg)):
                reach = wider
                runs[-1] = (first, k)
                continue
        first, reach = k, np.stack([now, now])
        runs.append((k, k))
    return [r for r in runs if r[1] > r[0]]


def _grown(samples: _Samples, runs: list[tuple[int, int]], s: LegSettings) -> list[tuple[int, int]]:
    """Move the ends of runs to where the heading leaves the leg's own: the averaged course blurs them."""
    reach = max(1, int(np.ceil(s.window_s / (samples.time_s[1] - samples.time_s[0]))))
    out: list[tuple[int, int]] = []
    for k, (first, last) in enumerate(runs):
        inside = slice(first, last + 1)
        # What the waves do inside the leg is no sign of its end.
        swing = np.abs(samples.short_heading - samples.heading)[inside].max()
        away = np.abs(samples.short_heading - np.median(samples.heading[inside]))
        off = (away > np.deg2rad(s.spread_deg) + swing) | (samples.short_speed_m_s < s.least_speed_m_s)
        off |= _sideways(samples.place_m, first, last) > s.corridor_m
        middle = (first + last) // 2
        floor = max(first - reach, out[-1][1] + 1 if out else 0)
        ceiling = min(last + reach, runs[k + 1][0] - 1 if k + 1 < len(runs) else samples.time_s.size - 1)
        before, after = np.flatnonzero(off[floor : middle + 1]), np.flatnonzero(off[middle : ceiling + 1])
        a = floor + int(before[-1]) + 1 if before.size else floor
        b = middle + int(after[0]) - 1 if after.size else ceiling
        if b > a:
            out.append((a, b))
    return out


def _sideways(place_m: NDArray[np.float64], first: int, last: int) -> NDArray[np.float64]:
    """Distance of all places to the line of least squares through some. [m]"""
    some = place_m[first : last + 1]
    centre = some.mean(axis=0)
    # The first right singular vector is the direction of the line.
    north, east = np.linalg.svd(some - centre, full_matrices=False)[2][0]
    away = place_m - centre
    return np.abs(away[:, 1] * north - away[:, 0] * east)


# ---- planned ---------------------------------------------------------------------------------------------


def _planned(trajectory: Trajectory, times: NDArray[np.int64], s: LegSettings) -> list[Leg]:
    """Stretches of pings near a planned line that move along it, forward or back."""
    second = (times - trajectory.start_ns) / NANOSECONDS_PER_SECOND
    pose = trajectory.pose(second)[0]
    samples = _sample(trajectory, second[0], second[-1] + 1e-3, s.window_s)
    course = np.interp(second, samples.time_s, samples.course)
    taken = np.zeros(times.size, bool)
    found: list[Leg] = []
    for plan in s.planned:
        along, across = np.moveaxis(plan.frame.to_strip(pose[:, :3])[:, :2], 1, 0)
        turned = np.abs((course - plan.frame.heading_rad + np.pi / 2) % np.pi - np.pi / 2)
        on = (np.abs(across) <= s.corridor_m) & (along >= 0) & (along <= plan.length_m) & ~taken
        on &= turned <= np.deg2rad(max(s.spread_deg, 10.0))
        breaks = np.diff(times) > s.largest_gap_s * NANOSECONDS_PER_SECOND
        for part in _runs(on, breaks):
            taken[part] = True
            back = np.cos(course[part].mean() - plan.frame.heading_rad) < 0
            found.append(
                Leg(int(times[part[0]]), int(times[part[-1]]), _reversed(plan) if back else plan.frame)
            )
    return sorted(found, key=lambda leg: leg.first_time_ns)


def _reversed(plan: PlannedLeg) -> StripFrame:
    """The frame of a line followed from its end to its start."""
    return StripFrame(
        plan.end_north_m, plan.end_east_m, float((plan.frame.heading_rad + np.pi) % (2 * np.pi))
    )


def _runs(on: NDArray[np.bool_], breaks: NDArray[np.bool_]) -> list[NDArray[np.int64]]:
    """Indices of runs of true values, also cut at breaks."""
    chosen = np.flatnonzero(on)
    cuts = np.flatnonzero((np.diff(chosen) > 1) | breaks[chosen[:-1]]) + 1
    return [part for part in np.split(chosen, cuts) if part.size]


# ---- order of arrival ------------------------------------------------------------------------------------


@dataclass(slots=True, eq=False)
class PingOrder:
    """Hands on pings in order of their time of transmission, though they arrive out of order.

    A ping waits until one has arrived that was sent ``patience_s`` later. A ping sent before the last one handed
    on of either side comes too late and is left out, as is a second ping of one side and time. Where the ``sides`` are
    known and each writes its pings in order of time, a ping's turn has also come once every side has sent one at its time or
    later: nothing earlier can follow. What is handed on depends on the pings' own times alone, on no clock.
    """

    patience_s: float = 2.0
    sides: tuple[str, ...] = ()
    """That send pings, each in order of time; empty: nobody knows."""
    left_out: dict[str, int] = field(default_factory=dict)
    """Pings left out, by reason."""
    _waiting: list[tuple[int, str, int, Ping]] = field(default_factory=list)
    _handed_ns: int = -1
    _newest_ns: int = -1
    _last: dict[str, int] = field(default_factory=dict)
    _count: int = 0
    _newest_of: dict[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not 0 <= self.patience_s <= 3600:
            raise ParameterError(f"patience_s is {self.patience_s:g}; allowed: 0 to 3600.")

    def take(self, ping: Ping) -> list[Ping]:
        """Take one ping as it arrives and return those whose turn has come."""
        if ping.time_ns < self._handed_ns:
            self._leave_out("late")
            return []
        heapq.heappush(self._waiting, (ping.time_ns, ping.side, self._count, ping))
        self._count += 1
        self._newest_ns = max(self._newest_ns, ping.time_ns)
        self._newest_of[ping.side] = max(self._newest_of.get(ping.side, -1), ping.time_ns)
        until_ns = self._newest_ns - round(self.patience_s * NANOSECONDS_PER_SECOND)
        if self.sides and all(side in self._newest_of for side in self.sides):
            until_ns = max(until_ns, min(self._newest_of[side] for side in self.sides))
        return self._release(until_ns)

    def finish(self) -> list[Ping]:
        """Return all that still wait: no more will arrive."""
        return self._release(self._newest_ns)

    def _release(self, until_ns: int) -> list[Ping]:
        out: list[Ping] = []
        while self._waiting and self._waiting[0][0] <= until_ns:
            ping = heapq.heappop(self._waiting)[3]
            if self._last.get(ping.side) == ping.time_ns:
                self._leave_out("sent twice")
                continue
            self._last[ping.side] = self._handed_ns = ping.time_ns
            out.append(ping)
        return out

    def _leave_out(self, reason: str) -> None:
        self.left_out[reason] = self.left_out.get(reason, 0) + 1
