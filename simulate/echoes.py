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
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from pingloom.imaging.errors import ParameterError
from pingloom.imaging.records import Ping, Sonar

from ._bend_kernels import spread_exact_bent
from ._echo_kernels import select, spread_exact, spread_fast
from ._geometry import Line, PingGeometry, array_axes, ping_geometry, receiver_lines
from ._surface_kernels import drop_hidden, select_rough
from ._taps import EXACT_BETA, EXACT_FACTOR, EXACT_WIDTH, FastTaps, along_nodes, exact_transform
from .bending import BENT_ROWS, MODULUS_ROWS, TRUE_DEPTH, Bending, BentPing
from .bends import Bends
from .bounces import Bounces, Viewers
from .bubbles import Wake, wakes
from .front_end import receiver_gain_db
from .ground import Ground
from .instrument import absorption_db_m, replica, sonars, true_sonars, water
from .leakage import crosstalk, mixed, strayed
from .listening import PingMoment, Stream, chance
from .motion import Track
from .occlusion import solid_table
from .ping_times import recorded_times_ns
from .receive import Receiver, margin_samples
from .scenario import Scenario
from .scene import Scatterers, Seabed
from .sea_surface import SeaSurface
from .surroundings import Surroundings, around
from .targets import Highlight, target_highlights, target_scatterers
from .truth import ping_times_ns, platform, point_delay_s, seconds_from_start, target_places, truth

__all__ = [
    "Mode",
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

Mode = Literal["fast", "reference"]

_SHORTEST = 3000  # points of a transform
_CHUNK = 8192  # scatterers that are spread at a time: 0.3 MB
_OFF_AXIS_M = 2e-3  # 1e-4 rad where the wave front's curvatures differ by a fifth at 10 m
_POINT_M = 1e-3  # half length that a single receiver counts for
_SPARE = 8  # samples beyond the longest path difference, at both ends


def transform_length(scenario: Scenario, sonar: Sonar) -> tuple[int, int]:
    """Points of the discrete Fourier transform of an echo, and samples of it before the first stored one.

    The lead holds the pulse and the longest path difference along the array, the tail the same again, so that no
    pulse wraps into the record. What does wrap are the tails of the band-limited interpolation of a pulse with abrupt
    ends: against an endless transform 1.4e-4 (many echoes) to 5e-4 (few) at 3000 points, falling with the square.
    An odd length leaves no bin at half the sampling rate, whose sign is undefined and which would cost 2e-3.
    """
    track = Track.of(scenario)
    speed = scenario.vehicle.speed_m_s + track.fastest("surge", "sway", "heave")
    listening_s = sonar.first_sample_delay_s + sonar.n_sample * sonar.sample_interval_s
    sent_m = np.stack([sonar.transmit_position_m, sonar.transmit_position_m * [1, -1, 1]])  # either side's
    sent_m = sent_m[: 1 if strayed(scenario, sonar) is None else 2, None, None]
    offset_m = np.linalg.norm(sonar.element_position_m - sent_m, axis=-1).max()
    difference_s = (2 * offset_m + 2 * speed * listening_s) / scenario.sound_speed_m_s
    lead = replica(sonar).size + int(np.ceil(difference_s / sonar.sample_interval_s)) + _SPARE
    lead += margin_samples(scenario, sonar.n_sample)
    return _odd_length(max(sonar.n_sample + 2 * lead, _SHORTEST)), lead


def _odd_length(least: int) -> int:
    """Smallest product of 3, 5 and 7 that is at least ``least``."""
    powers = (3**i * 5**j * 7**k for i in range(20) for j in range(14) for k in range(12))
    return min(n for n in powers if n >= least)


@dataclass(frozen=True, slots=True, eq=False)
class _SidePlan:
    """All of one side that doesn't change from ping to ping."""

    sonar: Sonar
    ground: Ground
    seabed: Seabed | None
    targets: list[Scatterers]
    highlights: list[Highlight]
    solid: NDArray[np.float64]
    length: int
    lead: int
    numbers: tuple[float, ...]
    sector_sine: float
    response: NDArray[Any]
    factor: int
    taps: FastTaps | None
    lines: list[Line]
    wakes: Sequence[Wake]
    receiver: Receiver
    bounces: Bounces | None
    sea: SeaSurface | None
    sea_responses: tuple[NDArray[Any], ...]
    bends: Bends | None
    """Absent where one sound speed keeps rays straight."""

    @classmethod
    def of(
        cls,
        scenario: Scenario,
        sonar: Sonar,
        mode: Mode,
        gain: float = 1.0,
        like: _SidePlan | None = None,
    ) -> _SidePlan:
        """Plan a side; one that is ``like`` another has its pulse."""
        length, lead = transform_length(scenario, sonar)
        dt, wavelength = sonar.sample_interval_s, scenario.wavelength_m
        neper = absorption_db_m(scenario) * np.log(10) / 20
        level = np.sqrt(2) * 1e-6 * 10 ** (scenario.sonar.source_level_db / 20) * gain
        pulse = replica(sonar)
        spectrum = np.fft.fft(pulse, length)
        if mode == "reference":
            taps = None
        else:
            taps = FastTaps.plan(spectrum) if like is None else like.taps
        factor = EXACT_FACTOR if taps is None else taps.factor
        sizes = (*(sonar.transmit_size_m / wavelength), *(sonar.receive_size_m / wavelength))
        start = sonar.first_sample_delay_s - lead * dt
        numbers = (
            scenario.sound_speed_m_s,
            sonar.centre_frequency_hz,
            *sizes,
            neper,
            level,
            start,
            factor / dt,
        )
        ground = Ground.of(scenario)
        sector = scenario.seabed.sector_deg
        sine = min(1.0, 1 / sizes[0]) if sector is None else np.sin(np.deg2rad(sector) / 2)
        if taps is None:
            window, kind = exact_transform(np.fft.fftfreq(length) / factor), np.complex128
        else:
            window, kind = taps.transform, np.complex64
        sea, shifted = SeaSurface.plan(scenario), []
        for speed in () if sea is None else sea.speed_m_s:
            # A pulse that what echoes shifts by Doppler's 2 v f0 / c.
            cycles = 2 * speed / numbers[0] * numbers[1] * dt * np.arange(pulse.size)
            moved = np.fft.fft(pulse * np.exp(2j * np.pi * cycles), length)
            shifted.append((moved / window).astype(kind))
        targets = target_scatterers(scenario)
        return cls(
            sonar,
            ground,
            Seabed.plan(scenario, sonar.side, ground) if scenario.seabed.present else None,
            targets,
            target_highlights(scenario),
            solid_table(scenario),
            length,
            lead,
            tuple(float(v) for v in numbers),
            float(sine),
            (spectrum / window).astype(kind),
            factor,
            taps,
            receiver_lines(sonar),
            wakes(scenario),
            Receiver.of(scenario, sonar, absorption_db_m(scenario)),
            Bounces.plan(scenario),
            sea,
            tuple(shifted),
            Bends.plan(scenario, sonar, ground, targets, exact=taps is None),
        )

    def limits(self, late_s: float = 0.0, sound_speed_m_s: float | None = None) -> tuple[float, float]:
        """Shortest and longest path whose echo touches the record, which begins ``late_s`` after transmission. [m]"""
        c, dt = sound_speed_m_s or self.numbers[0], self.sonar.sample_interval_s
        first, margin = self.sonar.first_sample_delay_s, self.receiver.listening.margin
        early = replica(self.sonar).size + margin
        late = late_s + first
        return c * (late - early * dt), c * (late + (self.sonar.n_sample + margin + 1) * dt)


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

    plan: _SidePlan
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
    parts: list[tuple[_SidePlan, Surroundings]]
    surface: Surroundings | None

    @classmethod
    def of(cls, scenario: Scenario, sonar: Sonar, mode: Mode, track: Track, seconds: NDArray) -> _Side:
        late = scenario.multipath is not None and scenario.multipath.previous_pings > 0
        stray = strayed(scenario, sonar)
        parts: list[tuple[_SidePlan, Surroundings]] = []
        for array, gain in ((sonar, 1.0), *([] if stray is None else [stray])):
            plan = _SidePlan.of(scenario, array, mode, gain, parts[0][0] if parts else None)
            seabed = around(scenario, plan.seabed, array.side, plan.ground, plan.sector_sine, late=late)
            parts.append((plan, Surroundings(seabed, track, seconds)))
        plan, surface = parts[0][0], None
        if plan.sea is not None:
            over = plan.sea.scenario, plan.sea.seabed(sonar.side), sonar.side, plan.sea.ground
            surface = Surroundings(around(*over, plan.sector_sine, late=False), track, seconds)
        return cls(scenario, parts, surface)

    @property
    def plan(self) -> _SidePlan:
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


def _echo(scenario, plan, track, number, time_s, near):
    """One ping's own echoes alone."""
    (echo,) = _echoes(track, [_Work(scenario, [_Arrival(plan, number, time_s, 0.0, near)], [])], None)
    return echo


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
    grid = _empty_grid(plan)
    for arrival in work.arrivals:
        geometry = _geometry(track, arrival)
        turn = arrival.plan.numbers[1] * arrival.late_s % 1.0
        for point, n, spread in _unless(stop, _heard(work.scenario, arrival, geometry, track, grid)):
            if turn:  # phases are told from the present ping's start
                point[4, :n] += turn
            for add in spread:
                add(point, n)
    spectrum = _spectrum(plan, grid, plan.response)
    if plan.sea is not None:
        spectrum += _sea_spectrum(track, work, stop)
    return _samples(plan, spectrum)


def _heard(scenario: Scenario, arrival: _Arrival, geometry: PingGeometry, track: Track, grid: NDArray[Any]):
    """Hand out the points of an arrival, their number and what adds them to the grid: direct ones, then images."""
    plan, late_s = arrival.plan, arrival.late_s
    bent = _bent(plan, geometry, None if plan.bends is None else plan.bends.to_ground)
    spread = _spreaders(plan, geometry, late_s, grid, bent)
    for point, n in _met(plan, geometry, arrival.near, late_s, bent):
        yield point, n, spread
    if plan.bounces is None:
        return
    bent = _bent(plan, geometry, None if plan.bends is None else plan.bends.to_images)
    if bent:
        spread = _spreaders(plan, geometry, late_s, grid, bent, images=True)
    for point, n in _bounced(scenario, arrival, geometry, track):
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


def _empty_grid(plan: _SidePlan) -> NDArray[Any]:
    # Float32 grids are complex ones with real and imaginary parts in turn: the kernel's vectors hold both.
    steps = plan.factor * plan.length
    shape = plan.sonar.element_position_m.shape[:2]
    if plan.taps is None:
        return np.zeros((*shape, steps), np.complex128)
    return np.zeros((*shape, 2 * steps), np.float32)


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
    bent = _bent(plan, geometry, None if plan.bends is None else plan.bends.to_surface)
    for response, groups in zip(plan.sea_responses, plan.sea.classes(work.surface, own.time_s), strict=True):
        grid = _empty_grid(plan)
        spread = _spreaders(plan, geometry, 0.0, grid, bent)
        groups = [(s, plan.sector_sine) for s in groups]
        points = _gathered(plan, geometry, groups, 0.0, bent, surface=True)
        for point, n in _unless(stop, points):
            for add in spread:
                add(point, n)
        total = total + _spectrum(plan, grid, response)
    return total


def _middle(geometry: PingGeometry) -> NDArray[np.float64]:
    return np.ascontiguousarray(geometry.way[:, 0, :3].mean(axis=0))


def _bent(plan: _SidePlan, geometry: PingGeometry, bending: Bending | None) -> BentPing | None:
    if bending is None:
        return None
    along = np.ascontiguousarray(geometry.way[:, 0, 3:6].mean(axis=0))
    return bending.ping(geometry.transmit_m, _middle(geometry), along)


def _met(
    plan: _SidePlan,
    geometry: PingGeometry,
    near: list[Scatterers],
    late_s: float = 0.0,
    bent: BentPing | None = None,
) -> Iterator[tuple[NDArray[np.float64], int]]:
    """Gather the scatterers that this ping meets and their number, a cacheful at a time.

    (5, n) as :func:`select` leaves them, or along bent rays (:data:`BENT_ROWS`, n).
    """
    viewers = geometry.transmit_m, _middle(geometry)
    bright = [h.seen_from(*(bent.viewers(h.centre_m) if bent else viewers)) for h in plan.highlights]
    groups = [(s, plan.sector_sine) for s in near] + [(s, 2.0) for s in (*plan.targets, *bright)]
    return _gathered(plan, geometry, groups, late_s, bent)


def _gathered(plan, geometry, groups, late_s, bent=None, surface=False):
    middle = _middle(geometry)
    viewers = geometry.transmit_m, middle
    n_row, most = BENT_ROWS if bent else 5, max((s.modulus.size for s, _ in groups), default=0)
    point = np.empty((n_row, _CHUNK + 1 + most))
    sent = (geometry.transmit_m, geometry.transmit_axes, middle)
    shortest, longest = plan.limits(late_s, bent.sound_speed_m_s if bent else None)
    n = 0
    for s, sine in groups:
        limits = (shortest, longest, sine)
        start, what = n, (s.place_m, s.modulus, s.phase_cycles)
        if bent:
            n = bent.select(s, geometry.transmit_axes, limits, n, point)
        elif s.normal.ndim == 1 and not s.law.size:
            n = select(*what, s.normal, *sent, limits, n, point)
        else:
            n = select_rough(*what, s.normal.reshape(3, -1), s.law, *sent, limits, n, point)
        if not surface and (plan.solid.shape[0] or not plan.ground.relief.plane):
            things = plan.solid, plan.ground.relief.table
            if bent:
                n = bent.drop_hidden(point, start, n, *things)
            else:
                n = drop_hidden(point, start, n, *viewers, *things)
        for wake in plan.wakes:
            place = point[[5, 6, TRUE_DEPTH], start:n] if bent else point[:3, start:n]
            factor = wake.factor(place, *viewers)
            for k in MODULUS_ROWS if bent else (3,):
                point[k, start:n] *= factor
        if n >= _CHUNK:
            yield point, n
            n = 0
    if n:
        yield point, n


def _bounced(scenario: Scenario, arrival: _Arrival, geometry: PingGeometry, track: Track):
    """Gather the scatterers that a ping meets by mirrors, (8, n) and their number."""
    plan = arrival.plan
    middle = _middle(geometry)
    face = track.rotation(arrival.time_s + geometry.mid_s) @ array_axes(plan.sonar)[2]
    viewers = Viewers(geometry.transmit_m, geometry.transmit_axes, middle, face)
    key = (arrival.number, int(plan.sonar.side == "starboard"), round(arrival.late_s * 1e6))
    for point, n in plan.bounces.met(
        [(s, plan.sector_sine) for s in arrival.near],
        [(s, 2.0) for s in plan.targets],
        plan.highlights,
        viewers,
        _wide_limits(plan, arrival.late_s),
        plan.solid,
        plan.ground.relief.table,
        chance(scenario.seed, Stream.FACETS, *key),
    ):
        for wake in plan.wakes:
            for viewer, rows in ((geometry.transmit_m, slice(5, 8)), (middle, slice(0, 3))):
                point[3, :n] *= np.exp(-wake.neper_m * wake.within_m(viewer, point[rows, :n]))
        yield point, n


def _wide_limits(plan: _SidePlan, late_s: float) -> tuple[float, float]:
    """Path limits of what is gathered in straight lines; the kernels leave out what then comes too early or late."""
    if plan.bends is None:
        return plan.limits(late_s)
    slow, fast = plan.bends.speeds_m_s
    return plan.limits(late_s, slow)[0], plan.limits(late_s, fast)[1]


def _spreaders(plan, geometry, late_s, grid, bent=None, images=False):
    """Return what adds points to the grid, for each line of receivers."""
    spread = [
        _spreader(plan, geometry, k, line, grid[line.row, line.channels], late_s, bent)
        for k, line in enumerate(plan.lines)
    ]
    solved = bent is None or plan.taps is None  # the exact sum solves each receiver's own rays
    centres = [] if solved else [_line_centre(bent, way[0, :3]) for way in geometry.way]
    if all(c is bent.middle_m for c in centres):
        return spread
    # Lines off the array's axis see the points in other places, so each line looks anew.
    views = [bent.seen_from(c, images=images) for c in centres]
    return [_looking(view, add) for view, add in zip(views, spread, strict=True)]


def _looking(view, add):
    def look_and_add(point: NDArray[np.float64], n: int) -> None:
        view(point, n)
        add(point, n)

    return look_and_add


def _spreader(
    plan: _SidePlan,
    geometry: PingGeometry,
    number: int,
    line: Line,
    grid: NDArray[Any],
    late_s: float = 0.0,
    bent: BentPing | None = None,
) -> Callable[[NDArray[np.float64], int], None]:
    """Return what adds points to the grid of one line of receivers."""
    along, way, mid, half = line.along_m, geometry.way[number], geometry.mid_s, geometry.half_s
    numbers = (*plan.numbers[:8], plan.numbers[8] + late_s, plan.numbers[9])
    if plan.taps is None:
        ping = (geometry.transmit_m, geometry.transmit_axes, way, mid, half, numbers)
        rest = (along, EXACT_BETA, EXACT_WIDTH, grid)
        if bent:
            return lambda point, n: spread_exact_bent(point, n, *ping, *rest, *bent.waters)
        return lambda point, n: spread_exact(point, n, *ping, *rest)
    if bent:
        numbers = _numbers_at(numbers, bent.sound_speed_m_s)
    fixed = np.concatenate([geometry.transmit_m, geometry.transmit_axes[:2].ravel(), [mid, half], numbers])
    longest = max(float(np.abs(along).max()), _POINT_M)
    edge = int(np.ceil(longest * 2 * numbers[9] / numbers[0])) + 8
    array = (way.T.ravel(), along.astype(np.float32), *along_nodes(longest))
    return lambda point, n: spread_fast(point, n, fixed, *array, plan.taps.tap, edge, grid)


def _line_centre(bent: BentPing, centre_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """From where one line of receivers sees the points."""
    off = centre_m - bent.middle_m
    off = off - bent.along * (off @ bent.along)
    # On the array's axis the middle's own view serves all lines.
    return bent.middle_m if float(np.abs(off).max()) < _OFF_AXIS_M else np.ascontiguousarray(centre_m)


def _numbers_at(numbers: tuple[float, ...], sound_speed_m_s: float) -> tuple[float, ...]:
    """Return the kernel's numbers for the array's own sound speed; bent rays bring their absorption along."""
    c, f0, *sizes, _, level, start, per_second = numbers
    return (sound_speed_m_s, f0, *(v * c / sound_speed_m_s for v in sizes), 0.0, level, start, per_second)


def _spectrum(plan: _SidePlan, grid: NDArray[Any], response: NDArray[Any]) -> NDArray[Any]:
    """Spectra of the echoes whose impulses lie on the fine grid, (row, channel, frequency)."""
    half = plan.length // 2  # odd: as many bins below zero as above
    out = np.empty((*grid.shape[:2], plan.length), response.dtype)
    for row in range(grid.shape[0]):
        line = grid[row] if plan.taps is None else grid[row].view(np.complex64)
        fine = scipy.fft.fft(line, axis=-1, workers=1, overwrite_x=True)
        np.multiply(fine[:, : half + 1], response[: half + 1], out=out[row, :, : half + 1])
        np.multiply(fine[:, -half:], response[-half:], out=out[row, :, half + 1 :])
    return out


def _samples(plan: _SidePlan, spectrum: NDArray[Any]) -> NDArray[np.complex64]:
    """Samples of the listening time of echoes with these spectra."""
    pressure = np.empty(plan.receiver.listening.shape, np.complex64)
    first = plan.lead - plan.receiver.listening.margin
    for row in range(spectrum.shape[0]):
        echo = scipy.fft.ifft(spectrum[row], axis=-1, workers=1, overwrite_x=True)
        pressure[row] = echo[:, first : first + plan.receiver.listening.n]
    return pressure
