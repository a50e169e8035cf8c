"""Echoes of a scenario, ping by ping, with the truth beside them.

The model: a scatterer at P echoes after ``tau = (|P - Tx(t0 + T/2)| + |P - Rx(t0 + T/2 + tau)|) / c``, implicit because
the array moves and turns while the sound is under way; t0 is the start of transmission and T the pulse length. Its
amplitude is ``a * sqrt(2) * 1e-6 * 10^(SL/20)`` times the patterns of transmitter and receiver at their own directions,
over both distances, less absorption. The waveform is the band-limited shift of the sampled replica: the sum over
scatterers of ``amplitude * exp(-2j pi f0 tau) * exp(-2j pi f tau) * P(f)`` with P the discrete Fourier transform of the
replica, :func:`transform_length` points long.

In water with a profile the lines are rays: times, directions, spreading and absorption are those of
:mod:`pingloom.simulate.rays`, patterns are taken at the sound speed of the array, and what no direct ray reaches doesn't
echo.
"""

from __future__ import annotations

import os
import threading
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.errors import ParameterError
from pingloom.imaging.records import Ping, Sonar

from ._geometry import PingGeometry, ping_geometry
from .bending import BENT_ROWS
from .front_end import receiver_gain_db
from .instrument import replica, sonars, true_sonars, water
from .leakage import crosstalk, mixed, strayed
from .listening import PingMoment
from .meeting import bent_view, bounced, gathered, met
from .motion import Track
from .ping_times import recorded_times_ns
from .scenario import Scenario
from .scene import Scatterers
from .side_plan import Mode, SidePlan, transform_length
from .spreading import empty_grid, samples_of, spectrum_of, spreaders
from .surroundings import Surroundings, around
from .truth import ping_times_ns, platform, point_delay_s, seconds_from_start, target_places, truth

__all__ = [
    "Mode",
    "echo_maker",
    "ping_times_ns",
    "platform",
    "point_delay_s",
    "replica",
    "simulate",
    "sonars",
    "target_places",
    "transform_length",
    "truth",
    "water",
]


def simulate(
    scenario: Scenario,
    *,
    mode: Mode = "fast",
    threads: int | None = None,
    first: int = 0,
    on_ping: Callable[[int, int], None] | None = None,
) -> Iterator[tuple[Ping, dict[str, NDArray[np.float64]]]]:
    """Yield each ping and its true pose, in order; port before starboard where both ping.

    Parameters
    ----------
    scenario : Scenario
    mode : {"fast", "reference"}
        Within 3e-4 or 1e-6 of the exact sum, relative rms.
    threads : int, optional
        Pings that are made at a time; None: one for each core. The bytes don't depend on it.
    first : int
        Number of the first ping to make. A ping doesn't depend on those before it.
    on_ping : callable, optional
        Called with the number of pings done and their total.

    Yields
    ------
    Ping
        Echo (row, channel, sample) complex64, peak of the analytic signal: in Pa, or as the recorded sonar's scale and
        unit say.
    dict of str to ndarray
        True ``position_m`` (3,), ``angles_rad`` (3,), ``velocity_m_s`` (3,), ``angle_rates_rad_s`` (3,) at the start
        of transmission.

    Raises
    ------
    ParameterError
        If ``mode``, ``threads`` or ``first`` isn't allowed.
    """
    if mode not in ("fast", "reference"):
        raise ParameterError(f"mode is {mode!r}; allowed: fast, reference.")
    if threads is not None and threads < 1:
        raise ParameterError(f"threads is {threads}; allowed: at least 1, or None for one for each core.")
    if not 0 <= first <= scenario.vehicle.n_ping:
        raise ParameterError(f"first is {first}; allowed: from 0 to the {scenario.vehicle.n_ping} pings.")
    return _simulate(scenario, mode, threads or _cores(), first, on_ping)


def _cores() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _simulate(scenario, mode, threads, first, on_ping):
    track = Track.of(scenario)
    times = ping_times_ns(scenario)
    seconds = seconds_from_start(scenario, times)
    sides = [_Side.of(scenario, sonar, mode, track, seconds) for sonar in true_sonars(scenario).values()]
    plans = [side.plan for side in sides]
    factor = crosstalk(scenario)
    logged = recorded_times_ns(scenario)
    waiting: deque[tuple[int, int, Future[list[NDArray[np.complex64]]]]] = deque()
    stop = threading.Event()
    with ThreadPoolExecutor(threads) as pool:
        try:
            for number in range(first, times.size):
                work = [side.work(number) for side in sides]
                if factor is None:
                    jobs = [pool.submit(_echoes, track, [w], None, stop) for w in work]
                else:
                    jobs = [pool.submit(_echoes, track, work, factor, stop)] * len(sides)
                waiting.extend((number, side, job) for side, job in enumerate(jobs))
                while len(waiting) > (threads + 1) * len(plans):
                    yield _finished(scenario, plans, track, logged, seconds, waiting.popleft(), on_ping)
            while waiting:
                yield _finished(scenario, plans, track, logged, seconds, waiting.popleft(), on_ping)
        finally:
            stop.set()  # pings under way are given up, so that an interruption is obeyed at once
            for _, _, job in waiting:
                job.cancel()


@dataclass(frozen=True, slots=True, eq=False)
class _Arrival:
    """What one transmission sends to one array, heard from ``late_s`` after it on."""

    plan: SidePlan
    number: int
    time_s: float
    late_s: float
    near: list[Scatterers]


@dataclass(frozen=True, slots=True, eq=False)
class _Work:
    """All that one side hears in the listening time of one ping; its own echoes first."""

    scenario: Scenario
    arrivals: list[_Arrival]
    surface: list[Scatterers]


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    """One side's array, and another that stands for what strays to it from the other side."""

    scenario: Scenario
    parts: list[tuple[SidePlan, Surroundings]]
    surface: Surroundings | None

    @classmethod
    def of(cls, scenario: Scenario, sonar: Sonar, mode: Mode, track: Track, seconds: NDArray) -> _Side:
        late = scenario.multipath is not None and scenario.multipath.previous_pings > 0
        stray = strayed(scenario, sonar)
        parts: list[tuple[SidePlan, Surroundings]] = []
        for array, gain in ((sonar, 1.0), *([] if stray is None else [stray])):
            plan = SidePlan.of(scenario, array, mode, gain, parts[0][0] if parts else None)
            seabed = around(scenario, plan.seabed, array.side, plan.ground, plan.sector_sine, late=late)
            parts.append((plan, Surroundings(seabed, track, seconds)))
        plan, surface = parts[0][0], None
        if plan.sea is not None:
            over = plan.sea.scenario, plan.sea.seabed(sonar.side), sonar.side, plan.sea.ground
            surface = Surroundings(around(*over, plan.sector_sine, late=False), track, seconds)
        return cls(scenario, parts, surface)

    @property
    def plan(self) -> SidePlan:
        return self.parts[0][0]

    def work(self, number: int) -> _Work:
        """Gather one ping's work; asked for in ascending order."""
        table = self.scenario.multipath
        arrivals = []
        for plan, surroundings in self.parts:
            found = surroundings.of(number, 0 if table is None else table.previous_pings)
            now_s = found[0][0]
            arrivals += [
                _Arrival(plan, number - k, time_s, now_s - time_s, near)
                for k, (time_s, near) in enumerate(found)
            ]
        surface = [] if self.surface is None else self.surface.of(number)[0][1]
        return _Work(self.scenario, arrivals, surface)


def _finished(scenario, plans, track, times, seconds, entry, on_ping):
    number, side, job = entry
    try:
        made = job.result()
    except Exception as error:
        error.add_note(f"while simulating ping {number}, {plans[side].sonar.side}")
        raise
    echo = made[side] if len(made) > 1 else made[0]  # of both sides where they are mixed
    ping = Ping(
        side=plans[side].sonar.side,
        number=number,
        time_ns=int(times[number]),
        echo=echo,
        receiver_gain_db=receiver_gain_db(scenario, number),
    )
    if on_ping is not None and side == len(plans) - 1:
        on_ping(number + 1, times.size)
    t = seconds[number]
    pose = {
        "position_m": track.position(t),
        "angles_rad": track.angles(t),
        "velocity_m_s": track.velocity(t),
        "angle_rates_rad_s": track.angle_rates(t),
    }
    return ping, pose


def echo_maker(
    scenario: Scenario, side: str, mode: Mode = "fast"
) -> Callable[[Scatterers], NDArray[np.complex64]]:
    """Return what makes the first ping's echo (row, channel, sample) of given scatterers, beside the scenario's targets.

    Parameters
    ----------
    side : {"port", "starboard"}
    """
    plan, track = SidePlan.of(scenario, sonars(scenario)[side], mode), Track.of(scenario)

    def make(points: Scatterers) -> NDArray[np.complex64]:
        (echo,) = _echoes(track, [_Work(scenario, [_Arrival(plan, 0, 0.0, 0.0, [points])], [])], None)
        return echo

    return make


def _echoes(track, works, factor, stop=None):
    """What is stored of one ping of one side, or of both where signals cross over between them."""
    pressure = [_pressure(track, work, stop) for work in works]
    if factor is not None:
        pressure = mixed(pressure, factor)
    echoes = []
    for work, heard in zip(works, pressure, strict=True):
        own = work.arrivals[0]
        moment = PingMoment(work.scenario.seed, own.plan.sonar.side, own.number, own.time_s)
        echoes.append(own.plan.receiver.run(heard, moment))
    return echoes


def _pressure(track, work, stop):
    """Pressure at one side's receivers, (row, channel, sample)."""
    plan = work.arrivals[0].plan
    grid = empty_grid(plan)
    for arrival in work.arrivals:
        geometry = _geometry(track, arrival)
        turn = arrival.plan.numbers[1] * arrival.late_s % 1.0
        for point, n, spread in _unless(stop, _heard(work.scenario, arrival, geometry, track, grid)):
            if turn:  # phases are told from the present ping's start
                point[4, :n] += turn
            for add in spread:
                add(point, n)
    spectrum = spectrum_of(plan, grid, plan.response)
    if plan.sea is not None:
        spectrum += _sea_spectrum(track, work, stop)
    return samples_of(plan, spectrum)


def _heard(scenario: Scenario, arrival: _Arrival, geometry: PingGeometry, track: Track, grid: NDArray[Any]):
    """Hand out the points of an arrival, their number and what adds them to the grid: direct ones, then images."""
    plan, late_s = arrival.plan, arrival.late_s
    bent = bent_view(plan, geometry, None if plan.bends is None else plan.bends.to_ground)
    spread = spreaders(plan, geometry, late_s, grid, bent)
    for point, n in met(plan, geometry, arrival.near, late_s, bent):
        yield point, n, spread
    if plan.bounces is None:
        return
    bent = bent_view(plan, geometry, None if plan.bends is None else plan.bends.to_images)
    if bent:
        spread = spreaders(plan, geometry, late_s, grid, bent, images=True)
    for point, n in bounced(scenario, arrival, geometry, track):
        if bent:
            wide = np.empty((BENT_ROWS, n))
            wide[:8] = point[:, :n]
            bent.bend(wide, n)
            yield wide, n, spread
        else:
            yield point, n, spread


def _geometry(track: Track, arrival: _Arrival) -> PingGeometry:
    plan, sonar = arrival.plan, arrival.plan.sonar
    last_s = sonar.first_sample_delay_s + (sonar.n_sample + 2 * plan.lead) * sonar.sample_interval_s
    return ping_geometry(track, sonar, arrival.time_s, last_s + arrival.late_s, arrival.late_s)


def _unless(stop, points):
    """Hand points on until all is to stop."""
    for item in points:
        if stop is not None and stop.is_set():
            raise CancelledError
        yield item


def _sea_spectrum(track, work, stop):
    """Spectra of the surface's echo, class by class of its speeds."""
    own = work.arrivals[0]
    plan, geometry, total = own.plan, _geometry(track, own), 0
    bent = bent_view(plan, geometry, None if plan.bends is None else plan.bends.to_surface)
    for response, groups in zip(plan.sea_responses, plan.sea.classes(work.surface, own.time_s), strict=True):
        grid = empty_grid(plan)
        spread = spreaders(plan, geometry, 0.0, grid, bent)
        groups = [(s, plan.sector_sine) for s in groups]
        points = gathered(plan, geometry, groups, 0.0, bent, surface=True)
        for point, n in _unless(stop, points):
            for add in spread:
                add(point, n)
        total = total + spectrum_of(plan, grid, response)
    return total
