"""Echoes of a scenario, ping by ping, with the truth beside them.

The model: a scatterer at P echoes after ``tau = (|P - Tx(t0 + T/2)| + |P - Rx(t0 + T/2 + tau)|) / c``, implicit because
the array moves and turns while the sound is under way; t0 is the start of transmission and T the pulse length. Its
amplitude is ``a * sqrt(2) * 1e-6 * 10^(SL/20)`` times the patterns of transmitter and receiver at their own directions,
over both distances, less absorption. The waveform is the band-limited shift of the sampled replica: the sum over
scatterers of ``amplitude * exp(-2j pi f0 tau) * exp(-2j pi f tau) * P(f)`` with P the discrete Fourier transform of the
replica, :func:`transform_length` points long.
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

from ._echo_kernels import select, spread_exact, spread_fast
from ._geometry import Line, PingGeometry, ping_geometry, receiver_lines
from ._surface_kernels import drop_hidden, select_rough
from ._taps import EXACT_BETA, EXACT_FACTOR, EXACT_WIDTH, FastTaps, along_nodes, exact_transform
from .bubbles import Wake, wakes
from .front_end import receiver_gain_db
from .ground import Ground
from .instrument import absorption_db_m, replica, sonars, true_sonars, water
from .listening import PingMoment
from .motion import Track
from .occlusion import solid_table
from .ping_times import recorded_times_ns
from .receive import Receiver, margin_samples
from .scenario import Scenario
from .scene import BLOCK_M, Scatterers, Seabed
from .targets import Highlight, target_highlights, target_scatterers
from .tiles import Tiles
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
    offset_m = np.linalg.norm(sonar.element_position_m - sonar.transmit_position_m, axis=-1).max()
    difference_s = (2 * offset_m + 2 * speed * listening_s) / scenario.water.sound_speed_m_s
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

    @classmethod
    def of(cls, scenario: Scenario, sonar: Sonar, mode: Mode) -> _SidePlan:
        length, lead = transform_length(scenario, sonar)
        dt, wavelength = sonar.sample_interval_s, scenario.wavelength_m
        neper = absorption_db_m(scenario) * np.log(10) / 20
        level = np.sqrt(2) * 1e-6 * 10 ** (scenario.sonar.source_level_db / 20)
        spectrum = np.fft.fft(replica(sonar), length)
        taps = None if mode == "reference" else FastTaps.plan(spectrum)
        factor = EXACT_FACTOR if taps is None else taps.factor
        sizes = (*(sonar.transmit_size_m / wavelength), *(sonar.receive_size_m / wavelength))
        start = sonar.first_sample_delay_s - lead * dt
        numbers = (
            scenario.water.sound_speed_m_s,
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
            response = spectrum / exact_transform(np.fft.fftfreq(length) / factor)
        else:
            response = (spectrum / taps.transform).astype(np.complex64)
        return cls(
            sonar,
            ground,
            Seabed.plan(scenario, sonar.side, ground) if scenario.seabed.present else None,
            target_scatterers(scenario),
            target_highlights(scenario),
            solid_table(scenario),
            length,
            lead,
            tuple(float(v) for v in numbers),
            float(sine),
            response,
            factor,
            taps,
            receiver_lines(sonar),
            wakes(scenario),
            Receiver.of(scenario, sonar, absorption_db_m(scenario)),
        )

    def limits(self) -> tuple[float, float]:
        """Shortest and longest path whose echo touches the record. [m]"""
        c, dt = self.numbers[0], self.sonar.sample_interval_s
        first, margin = self.sonar.first_sample_delay_s, self.receiver.listening.margin
        early = replica(self.sonar).size + margin
        return c * (first - early * dt), c * (first + (self.sonar.n_sample + margin + 1) * dt)


class _Blocks:
    """The seabed's blocks around the present ping; older ones are forgotten."""

    def __init__(self, scenario: Scenario, plan: _SidePlan) -> None:
        self._seabed = plan.seabed
        self._half_rad = np.arcsin(plan.sector_sine)
        self._scenario = scenario
        self._lowest_m = plan.ground.lowest_m
        self._kept: dict[int, list[Scatterers]] = {}

    def near(self, track: Track, time_s: float) -> list[Scatterers]:
        """Return what a ping's sector can touch, stripe by stripe of each block."""
        if self._seabed is None:
            return []
        north, east = (track.position(time_s) - track.start_m)[:2]
        along = np.cos(track.heading_rad) * north + np.sin(track.heading_rad) * east
        reach = self._reach_m(track, time_s)
        first, last = (np.floor((along + s * reach) / BLOCK_M).astype(int) for s in (-1, 1))
        wanted = range(first.min(), last.max() + 1)
        self._kept = {i: self._kept.get(i) or self._seabed.block(i) for i in wanted}
        return [
            group
            for i, block in self._kept.items()
            for group, a, b in zip(block, first, last, strict=True)
            if a <= i <= b and group.modulus.size
        ]

    def _reach_m(self, track: Track, time_s: float) -> NDArray[np.float64]:
        """How far ahead and astern of the vehicle the sector can touch each stripe, (stripe,)."""
        scenario = self._scenario
        heading, pitch, _ = track.angles(time_s)
        turn = min(abs(heading - track.heading_rad) + self._half_rad, np.pi / 2)
        # The stripe's far edge as seen from a vehicle off the nominal leg.
        aside = track.largest("sway", "heave")
        down = scenario.altitude_m + aside + self._lowest_m
        slant = np.hypot(self._seabed.stripe_range_m + aside, down)
        slant = np.minimum(slant, 1.01 * scenario.sonar.range_stop_m + scenario.sonar.array_length_m)
        reach = slant * np.sin(turn) + down * abs(np.tan(pitch))
        offset = abs(scenario.sonar.array_forward_m) + abs(scenario.sonar.transmit_forward_m)
        return reach + offset + 0.1


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
    plans = [_SidePlan.of(scenario, sonar, mode) for sonar in true_sonars(scenario).values()]
    blocks = [_surroundings(scenario, plan) for plan in plans]
    times = ping_times_ns(scenario)
    seconds = seconds_from_start(scenario, times)
    logged = recorded_times_ns(scenario)
    waiting: deque[tuple[int, int, Future[NDArray[np.complex64]]]] = deque()
    stop = threading.Event()
    with ThreadPoolExecutor(threads) as pool:
        try:
            for number in range(first, times.size):
                for side, plan in enumerate(plans):
                    near = blocks[side].near(track, seconds[number])
                    job = pool.submit(
                        _echo, scenario, plan, track, number, float(seconds[number]), near, stop
                    )
                    waiting.append((number, side, job))
                while len(waiting) > (threads + 1) * len(plans):
                    yield _finished(scenario, plans, track, logged, seconds, waiting.popleft(), on_ping)
            while waiting:
                yield _finished(scenario, plans, track, logged, seconds, waiting.popleft(), on_ping)
        finally:
            stop.set()  # pings under way are given up, so that an interruption is obeyed at once
            for _, _, job in waiting:
                job.cancel()


def _surroundings(scenario: Scenario, plan: _SidePlan) -> _Blocks | Tiles:
    """Return the seabed around the pings: along one leg in bands that follow it, else in tiles fixed to the ground."""
    if plan.seabed is None or len(scenario.vehicle.legs) < 2:
        return _Blocks(scenario, plan)
    return Tiles.plan(scenario, plan.ground, plan.sonar.side, plan.sector_sine)


def _finished(scenario, plans, track, times, seconds, entry, on_ping):
    number, side, job = entry
    try:
        echo = job.result()
    except Exception as error:
        error.add_note(f"while simulating ping {number}, {plans[side].sonar.side}")
        raise
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


def _echo(scenario, plan, track, number, time_s, near, stop=None):
    sonar = plan.sonar
    n_row, n_channel = sonar.element_position_m.shape[:2]
    last_s = sonar.first_sample_delay_s + (sonar.n_sample + 2 * plan.lead) * sonar.sample_interval_s
    geometry = ping_geometry(track, sonar, time_s, last_s)
    # Float32 grids are complex ones with real and imaginary parts in turn: the kernel's vectors hold both.
    steps = plan.factor * plan.length
    shape, kind = (
        ((n_row, n_channel, steps), np.complex128)
        if plan.taps is None
        else ((n_row, n_channel, 2 * steps), np.float32)
    )
    grid = np.zeros(shape, kind)
    spread = [
        _spreader(plan, geometry, k, line, grid[line.row, line.channels]) for k, line in enumerate(plan.lines)
    ]
    for point, n in _met(plan, geometry, near):
        if stop is not None and stop.is_set():
            raise CancelledError
        for add in spread:
            add(point, n)
    pressure = np.empty(plan.receiver.listening.shape, np.complex64)
    for row in range(n_row):
        pressure[row] = _pulse(plan, grid[row] if plan.taps is None else grid[row].view(np.complex64))
    return plan.receiver.run(pressure, PingMoment(scenario.seed, sonar.side, number, time_s))


def _met(
    plan: _SidePlan, geometry: PingGeometry, near: list[Scatterers]
) -> Iterator[tuple[NDArray[np.float64], int]]:
    """Gather the scatterers that this ping meets, (5, n) and their number, a cacheful at a time."""
    middle = np.ascontiguousarray(geometry.way[:, 0, :3].mean(axis=0))
    bright = [h.seen_from(geometry.transmit_m, middle) for h in plan.highlights]
    groups = [(s, plan.sector_sine) for s in near] + [(s, 2.0) for s in (*plan.targets, *bright)]
    point = np.empty((5, _CHUNK + 1 + max((s.modulus.size for s, _ in groups), default=0)))
    sent = (geometry.transmit_m, geometry.transmit_axes, middle)
    shortest, longest = plan.limits()
    n = 0
    for s, sine in groups:
        limits = (shortest, longest, sine)
        start, what = n, (s.place_m, s.modulus, s.phase_cycles)
        if s.normal.ndim == 1 and not s.law.size:
            n = select(*what, s.normal, *sent, limits, n, point)
        else:
            n = select_rough(*what, s.normal.reshape(3, -1), s.law, *sent, limits, n, point)
        if plan.solid.shape[0] or not plan.ground.relief.plane:
            n = drop_hidden(
                point, start, n, geometry.transmit_m, middle, plan.solid, plan.ground.relief.table
            )
        for wake in plan.wakes:
            point[3, start:n] *= wake.factor(point[:3, start:n], geometry.transmit_m, middle)
        if n >= _CHUNK:
            yield point, n
            n = 0
    if n:
        yield point, n


def _spreader(
    plan: _SidePlan, geometry: PingGeometry, number: int, line: Line, grid: NDArray[Any]
) -> Callable[[NDArray[np.float64], int], None]:
    """Return what adds points to the grid of one line of receivers."""
    along, way, mid, half = line.along_m, geometry.way[number], geometry.mid_s, geometry.half_s
    if plan.taps is None:
        ping = (geometry.transmit_m, geometry.transmit_axes, way, mid, half, plan.numbers)
        return lambda point, n: spread_exact(point, n, *ping, along, EXACT_BETA, EXACT_WIDTH, grid)
    fixed = np.concatenate(
        [geometry.transmit_m, geometry.transmit_axes[:2].ravel(), [mid, half], plan.numbers]
    )
    longest = max(float(np.abs(along).max()), _POINT_M)
    edge = int(np.ceil(longest * 2 * plan.numbers[9] / plan.numbers[0])) + 8
    array = (way.T.ravel(), along.astype(np.float32), *along_nodes(longest))
    return lambda point, n: spread_fast(point, n, fixed, *array, plan.taps.tap, edge, grid)


def _pulse(plan: _SidePlan, grid: NDArray[Any]) -> NDArray[Any]:
    """Turn impulses on the fine grid into echoes at the sampling rate."""
    half = plan.length // 2  # odd: as many bins below zero as above
    fine = scipy.fft.fft(grid, axis=-1, workers=1, overwrite_x=True)
    spectrum = np.empty((grid.shape[0], plan.length), grid.dtype)
    np.multiply(fine[:, : half + 1], plan.response[: half + 1], out=spectrum[:, : half + 1])
    np.multiply(fine[:, -half:], plan.response[-half:], out=spectrum[:, half + 1 :])
    echo = scipy.fft.ifft(spectrum, axis=-1, workers=1, overwrite_x=True)
    first = plan.lead - plan.receiver.listening.margin
    return echo[:, first : first + plan.receiver.listening.n]
