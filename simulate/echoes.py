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
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from pingloom.imaging import seawater
from pingloom.imaging.conventions import NANOSECONDS_PER_SECOND
from pingloom.imaging.errors import ParameterError
from pingloom.imaging.records import Ping, Platform, Sonar, Water

from ._echo_kernels import select, spread_exact, spread_fast
from ._geometry import PingGeometry, ping_geometry, row_centres
from ._taps import EXACT_BETA, EXACT_FACTOR, EXACT_WIDTH, FastTaps, along_nodes, exact_transform
from .motion import Track
from .occlusion import box_table
from .scenario import Scenario
from .scene import BLOCK_M, Scatterers, Seabed, target_scatterers

__all__ = ["Mode", "ping_times_ns", "platform", "simulate", "sonars", "transform_length", "truth", "water"]

Mode = Literal["fast", "reference"]

_NOISE = 2  # stream of the seed, beside those of the scene
_SHORTEST = 3000  # points of a transform
_CHUNK = 8192  # scatterers that are spread at a time: 0.3 MB
_SPARE = 8  # samples beyond the longest path difference, at both ends


# --- what stays fixed ------------------------------------------------------------------------------------


def sonars(scenario: Scenario) -> dict[str, Sonar]:
    """Return the arrays by side, port before starboard."""
    return {side: _sonar(scenario, side) for side in scenario.sonar.side_names}


def _sonar(scenario: Scenario, side: str) -> Sonar:
    table = scenario.sonar
    sign = -1 if side == "port" else 1
    mirror = np.array([1.0, sign, 1.0])
    depression = np.deg2rad(table.depression_deg)
    up = np.array([0.0, sign * np.sin(depression), -np.cos(depression)])
    along = (np.arange(table.n_channel) - (table.n_channel - 1) / 2) * table.channel_pitch_m
    rise = (np.arange(table.n_row) - (table.n_row - 1) / 2) * table.row_pitch_m
    centre = np.array([table.array_forward_m, table.array_starboard_m, table.array_down_m]) * mirror
    offset = np.array([table.transmit_forward_m, table.transmit_starboard_m, table.transmit_down_m]) * mirror
    element = centre + rise[:, None, None] * up + along[None, :, None] * np.array([1.0, 0, 0])
    c, dt = scenario.water.sound_speed_m_s, 1 / table.sample_rate_hz
    first, last = (2 * r / c for r in (table.range_start_m, table.range_stop_m))
    return Sonar(
        side=side,
        frequency_start_hz=table.centre_frequency_hz - table.sweep_hz / 2,
        frequency_stop_hz=table.centre_frequency_hz + table.sweep_hz / 2,
        pulse_duration_s=table.pulse_duration_s,
        centre_frequency_hz=table.centre_frequency_hz,
        sample_interval_s=dt,
        first_sample_delay_s=first,
        n_sample=max(2, int(np.ceil((last - first) / dt - 1e-6))),
        transmit_position_m=centre + offset,
        transmit_size_m=np.array([table.transmit_along_m, table.transmit_vertical_m]),
        receive_size_m=np.array([table.element_along_m, table.receive_vertical_m]),
        depression_rad=float(depression),
        element_position_m=element,
        replica=_tapered(scenario) if table.pulse_taper else None,
        echo_unit="Pa",
        source_level_db=table.source_level_db,
    )


def _sweep(start_hz: float, stop_hz: float, centre_hz: float, duration_s: float, dt: float):
    t = np.arange(int(np.floor(duration_s / dt + 1e-9)) + 1) * dt
    return t, np.exp(
        2j * np.pi * ((start_hz - centre_hz) * t + (stop_hz - start_hz) * t**2 / (2 * duration_s))
    )


def _tapered(scenario: Scenario) -> NDArray[np.complex64]:
    table = scenario.sonar
    start, stop = (table.centre_frequency_hz + k * table.sweep_hz / 2 for k in (-1, 1))
    t, wave = _sweep(start, stop, table.centre_frequency_hz, table.pulse_duration_s, 1 / table.sample_rate_hz)
    u = t / table.pulse_duration_s
    edge = np.clip(np.minimum(u, 1 - u) / table.pulse_taper, 0, 1)
    return (wave * np.sin(np.pi / 2 * edge) ** 2).astype(np.complex64)


def replica(sonar: Sonar) -> NDArray[np.complex128]:
    """Return the transmitted pulse at baseband, sampled from the start of transmission, (n,)."""
    if sonar.replica is not None:
        return sonar.replica.astype(np.complex128)
    return _sweep(
        sonar.frequency_start_hz,
        sonar.frequency_stop_hz,
        sonar.centre_frequency_hz,
        sonar.pulse_duration_s,
        sonar.sample_interval_s,
    )[1]


def water(scenario: Scenario) -> Water:
    """Return the water that the echoes went through."""
    return Water(
        sound_speed_m_s=scenario.water.sound_speed_m_s,
        absorption_db_m=_absorption_db_m(scenario),
        depth_m=scenario.seabed_depth_m,
    )


def _absorption_db_m(scenario: Scenario) -> float:
    table = scenario.water
    if table.absorption_db_m is not None:
        return table.absorption_db_m
    depth = (scenario.depth_m + scenario.seabed_depth_m) / 2
    frequency = scenario.sonar.centre_frequency_hz
    return float(seawater.absorption_db_m(frequency, table.temperature_c, table.salinity, depth, table.ph))


def _noise_rms_pa(scenario: Scenario) -> float:
    """Root mean square of the complex noise samples: mean |n|^2 = 2 x level x sample rate."""
    table = scenario.water
    if not table.noise:
        return 0.0
    level = table.noise_db
    if level is None:
        level = float(seawater.thermal_noise_db(scenario.sonar.centre_frequency_hz))
    return float(np.sqrt(2 * 10 ** (level / 10) * 1e-12 * scenario.sonar.sample_rate_hz))


# --- time and navigation ---------------------------------------------------------------------------------


def ping_times_ns(scenario: Scenario) -> NDArray[np.uint64]:
    """Return the starts of transmission, (ping,) nanoseconds since 1970-01-01 00:00:00Z."""
    step = np.rint(np.arange(scenario.vehicle.n_ping) * (1e9 / scenario.vehicle.ping_rate_hz))
    return np.uint64(scenario.vehicle.start_time_ns) + step.astype(np.uint64)


def _seconds(scenario: Scenario, time_ns: NDArray[np.uint64]) -> NDArray[np.float64]:
    """Seconds from the first ping; before it negative."""
    since = time_ns.astype(np.int64) - np.int64(scenario.vehicle.start_time_ns)
    return since / NANOSECONDS_PER_SECOND


def platform(scenario: Scenario) -> Platform:
    """Return what the navigation says: free of error, at its own rate or at the ping times."""
    times = ping_times_ns(scenario)
    rate = scenario.navigation.rate_hz
    if rate is not None:
        # Two rows more at either end, so that the whole of each ping can be interpolated.
        last = (
            scenario.vehicle.n_ping - 1
        ) / scenario.vehicle.ping_rate_hz + 1 / scenario.vehicle.ping_rate_hz
        step = np.rint(np.arange(-2, int(np.ceil(last * rate)) + 3) * (1e9 / rate)).astype(np.int64)
        times = (np.int64(scenario.vehicle.start_time_ns) + step).astype(np.uint64)
    return _platform_at(scenario, times)


def _platform_at(scenario: Scenario, time_ns: NDArray[np.uint64]) -> Platform:
    track, seconds = Track.of(scenario), _seconds(scenario, time_ns)
    north, east, depth = track.position(seconds).T
    heading, pitch, roll = track.angles(seconds).T
    columns: dict[str, Any] = {}
    if scenario.navigation.altitude:
        columns["altitude_m"] = scenario.seabed_depth_m - depth
    if scenario.navigation.speeds:
        names = ("speed_forward_m_s", "speed_starboard_m_s", "speed_down_m_s")
        columns.update(zip(names, track.levelled_velocity(seconds).T, strict=True))
    if scenario.navigation.rates:
        names = ("heading_rate_rad_s", "pitch_rate_rad_s", "roll_rate_rad_s")
        columns.update(zip(names, track.angle_rates(seconds).T, strict=True))
    return Platform(
        time_ns=time_ns,
        north_m=north,
        east_m=east,
        depth_m=depth,
        heading_rad=heading,
        pitch_rad=pitch,
        roll_rad=roll,
        **columns,
    )


# --- truth -----------------------------------------------------------------------------------------------


def truth(scenario: Scenario) -> dict[str, NDArray[Any]]:
    """Return what is really there: poses at the ping times, targets, and the delays of their centres.

    Returns
    -------
    dict of str to ndarray
        ``ping_time_ns`` (ping,); ``position_m`` (ping, 3) north, east, depth; ``angles_rad`` (ping, 3) heading, pitch,
        roll; ``velocity_m_s`` (ping, 3) north, east, down; ``angle_rates_rad_s`` (ping, 3); ``seabed_depth_m`` ();
        ``lambert_db`` (); ``target_position_m`` (target, 3), of a box the centre; ``target_strength_db``,
        ``target_is_box`` (target,) each, in the scenario's order; for each side ``delay_<side>_s`` (target, ping, row) to the middle of each row of receivers.
    """
    track, times = Track.of(scenario), ping_times_ns(scenario)
    seconds = _seconds(scenario, times)
    place = target_places(scenario)
    out: dict[str, NDArray[Any]] = {
        "ping_time_ns": times,
        "position_m": track.position(seconds),
        "angles_rad": track.angles(seconds),
        "velocity_m_s": track.velocity(seconds),
        "angle_rates_rad_s": track.angle_rates(seconds),
        "seabed_depth_m": np.array(scenario.seabed_depth_m),
        "lambert_db": np.array(scenario.seabed.lambert_db),
        "target_position_m": place,
        "target_strength_db": np.array([t.strength_db for t in scenario.targets], dtype=np.float64),
        "target_is_box": np.array([t.kind == "box" for t in scenario.targets], dtype=np.uint8),
    }
    for side, sonar in sonars(scenario).items():
        centres = row_centres(sonar)
        delay = [point_delay_s(scenario, sonar, p, seconds[:, None], centres[None]) for p in place]
        out[f"delay_{side}_s"] = np.array(delay).reshape(len(place), seconds.size, len(centres))
    return out


def target_places(scenario: Scenario) -> NDArray[np.float64]:
    """Return north, east, depth of each target (of a box its centre), (target, 3). [m]"""
    rows = []
    for target in scenario.targets:
        rise = target.height_m + (target.size_m[2] / 2 if target.kind == "box" else 0)
        rows.append((*scenario.world_place(*scenario.leg_place(target)), scenario.seabed_depth_m - rise))
    return np.array(rows, dtype=np.float64).reshape(-1, 3)


def point_delay_s(
    scenario: Scenario,
    sonar: Sonar,
    place_m: NDArray[np.float64],
    time_s: NDArray[np.float64],
    receiver_m: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Solve the two-way delay of a point for receivers in the body frame, straight from the true motion.

    Parameters
    ----------
    place_m : ndarray, shape (3,)
    time_s : ndarray, shape (...)
        Starts of transmission, from the first ping.
    receiver_m : ndarray, shape (..., 3)
        Broadcasts against ``time_s``.

    Returns
    -------
    ndarray of float64
        [s]
    """
    track, c = Track.of(scenario), scenario.water.sound_speed_m_s
    centre = np.asarray(time_s) + sonar.pulse_duration_s / 2
    out = np.linalg.norm(place_m - track.points(centre, sonar.transmit_position_m), axis=-1)
    delay = 2 * out / c
    for _ in range(8):  # each round gains the ratio of vehicle to sound speed
        back = np.linalg.norm(place_m - track.points(centre + delay, receiver_m), axis=-1)
        delay = (out + back) / c
    return delay


# --- simulation ------------------------------------------------------------------------------------------


def transform_length(scenario: Scenario, sonar: Sonar) -> tuple[int, int]:
    """Points of the discrete Fourier transform of an echo, and samples of it before the first stored one.

    The lead holds the pulse and the longest path difference along the array, the tail the same again, so that no
    pulse wraps into the record. What does wrap are the tails of the band-limited interpolation of a pulse with abrupt
    ends: against an endless transform 1.4e-4 (many echoes) to 5e-4 (few) at 3000 points, falling with the square.
    An odd length leaves no bin at half the sampling rate, whose sign is undefined and which would cost 2e-3.
    """
    track = Track.of(scenario)
    speed = scenario.vehicle.speed_m_s + sum(abs(w[1] * w[2]) for w in track.wave if w[0] < 3)
    listening_s = sonar.first_sample_delay_s + sonar.n_sample * sonar.sample_interval_s
    offset_m = np.linalg.norm(sonar.element_position_m - sonar.transmit_position_m, axis=-1).max()
    difference_s = (2 * offset_m + 2 * speed * listening_s) / scenario.water.sound_speed_m_s
    lead = replica(sonar).size + int(np.ceil(difference_s / sonar.sample_interval_s)) + _SPARE
    return _odd_length(max(sonar.n_sample + 2 * lead, _SHORTEST)), lead


def _odd_length(least: int) -> int:
    """Smallest product of 3, 5 and 7 that is at least ``least``."""
    powers = (3**i * 5**j * 7**k for i in range(20) for j in range(14) for k in range(12))
    return min(n for n in powers if n >= least)


@dataclass(frozen=True, slots=True, eq=False)
class _SidePlan:
    """All of one side that doesn't change from ping to ping."""

    sonar: Sonar
    seabed: Seabed | None
    targets: list[Scatterers]
    box: NDArray[np.float64]
    length: int
    lead: int
    numbers: tuple[float, ...]
    sector_sine: float
    response: NDArray[Any]
    factor: int
    taps: FastTaps | None

    @classmethod
    def of(cls, scenario: Scenario, sonar: Sonar, mode: Mode) -> _SidePlan:
        length, lead = transform_length(scenario, sonar)
        dt, wavelength = sonar.sample_interval_s, scenario.wavelength_m
        neper = _absorption_db_m(scenario) * np.log(10) / 20
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
        sector = scenario.seabed.sector_deg
        sine = min(1.0, 1 / sizes[0]) if sector is None else np.sin(np.deg2rad(sector) / 2)
        if taps is None:
            response = spectrum / exact_transform(np.fft.fftfreq(length) / factor)
        else:
            response = (spectrum / taps.transform).astype(np.complex64)
        return cls(
            sonar,
            Seabed.plan(scenario, sonar.side) if scenario.seabed.present else None,
            target_scatterers(scenario),
            box_table(scenario),
            length,
            lead,
            tuple(float(v) for v in numbers),
            float(sine),
            response,
            factor,
            taps,
        )

    def limits(self) -> tuple[float, float]:
        """Shortest and longest path whose echo touches the record. [m]"""
        c, dt = self.numbers[0], self.sonar.sample_interval_s
        first = self.sonar.first_sample_delay_s
        return c * (first - replica(self.sonar).size * dt), c * (first + (self.sonar.n_sample + 1) * dt)


class _Blocks:
    """The seabed's blocks around the present ping; older ones are forgotten."""

    def __init__(self, scenario: Scenario, plan: _SidePlan) -> None:
        self._seabed = plan.seabed
        self._half_rad = np.arcsin(plan.sector_sine)
        self._scenario = scenario
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
        aside = sum(abs(w[1]) for w in track.wave if w[0] in (1, 2))
        slant = np.hypot(self._seabed.stripe_range_m + aside, scenario.altitude_m + aside)
        slant = np.minimum(slant, 1.01 * scenario.sonar.range_stop_m + scenario.sonar.array_length_m)
        reach = slant * np.sin(turn) + (scenario.altitude_m + aside) * abs(np.tan(pitch))
        offset = abs(scenario.sonar.array_forward_m) + abs(scenario.sonar.transmit_forward_m)
        return reach + offset + 0.1


def simulate(
    scenario: Scenario,
    *,
    mode: Mode = "fast",
    threads: int | None = None,
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
    on_ping : callable, optional
        Called with the number of pings done and their total.

    Yields
    ------
    Ping
        Echo (row, channel, sample) complex64 in Pa, peak of the analytic signal.
    dict of str to ndarray
        True ``position_m`` (3,), ``angles_rad`` (3,), ``velocity_m_s`` (3,), ``angle_rates_rad_s`` (3,) at the start
        of transmission.

    Raises
    ------
    ParameterError
        If ``mode`` or ``threads`` isn't allowed.
    """
    if mode not in ("fast", "reference"):
        raise ParameterError(f"mode is {mode!r}; allowed: fast, reference.")
    if threads is not None and threads < 1:
        raise ParameterError(f"threads is {threads}; allowed: at least 1, or None for one for each core.")
    return _simulate(scenario, mode, threads or _cores(), on_ping)


def _cores() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _simulate(scenario, mode, threads, on_ping):
    track = Track.of(scenario)
    plans = [_SidePlan.of(scenario, sonar, mode) for sonar in sonars(scenario).values()]
    blocks = [_Blocks(scenario, plan) for plan in plans]
    times = ping_times_ns(scenario)
    seconds = _seconds(scenario, times)
    noise = _noise_rms_pa(scenario)
    waiting: deque[tuple[int, int, Future[NDArray[np.complex64]]]] = deque()
    stop = threading.Event()
    with ThreadPoolExecutor(threads) as pool:
        try:
            for number in range(times.size):
                for side, plan in enumerate(plans):
                    near = blocks[side].near(track, seconds[number])
                    job = pool.submit(
                        _echo, scenario, plan, track, number, float(seconds[number]), near, noise, stop
                    )
                    waiting.append((number, side, job))
                while len(waiting) > (threads + 1) * len(plans):
                    yield _finished(scenario, plans, track, times, seconds, waiting.popleft(), on_ping)
            while waiting:
                yield _finished(scenario, plans, track, times, seconds, waiting.popleft(), on_ping)
        finally:
            stop.set()  # pings under way are given up, so that an interruption is obeyed at once
            for _, _, job in waiting:
                job.cancel()


def _finished(scenario, plans, track, times, seconds, entry, on_ping):
    number, side, job = entry
    try:
        echo = job.result()
    except Exception as error:
        error.add_note(f"while simulating ping {number}, {plans[side].sonar.side}")
        raise
    ping = Ping(side=plans[side].sonar.side, number=number, time_ns=int(times[number]), echo=echo)
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


def _echo(scenario, plan, track, number, time_s, near, noise_rms, stop):
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
    spread = [_spreader(plan, geometry, row, grid[row]) for row in range(n_row)]
    for point, n in _met(plan, geometry, near):
        if stop.is_set():
            raise CancelledError
        for add in spread:
            add(point, n)
    echo = np.empty((n_row, n_channel, sonar.n_sample), np.complex64)
    for row in range(n_row):
        echo[row] = _pulse(plan, grid[row] if plan.taps is None else grid[row].view(np.complex64))
    if noise_rms > 0:
        _add_noise(scenario, echo, number, sonar.side, noise_rms)
    return echo


def _met(
    plan: _SidePlan, geometry: PingGeometry, near: list[Scatterers]
) -> Iterator[tuple[NDArray[np.float64], int]]:
    """Gather the scatterers that this ping meets, (5, n) and their number, a cacheful at a time."""
    groups = [(s, plan.sector_sine) for s in near] + [(s, 2.0) for s in plan.targets]
    point = np.empty((5, _CHUNK + 1 + max((s.modulus.size for s, _ in groups), default=0)))
    middle = np.ascontiguousarray(geometry.way[:, 0, :3].mean(axis=0))
    sent = (geometry.transmit_m, geometry.transmit_axes, middle)
    shortest, longest = plan.limits()
    n = 0
    for s, sine in groups:
        limits = (shortest, longest, sine)
        n = select(s.place_m, s.modulus, s.phase_cycles, s.normal, *sent, limits, plan.box, n, point)
        if n >= _CHUNK:
            yield point, n
            n = 0
    if n:
        yield point, n


def _spreader(
    plan: _SidePlan, geometry: PingGeometry, row: int, grid: NDArray[Any]
) -> Callable[[NDArray[np.float64], int], None]:
    """Return what adds points to one row's grid."""
    along = plan.sonar.element_position_m[row, :, 0] - row_centres(plan.sonar)[row, 0]
    way, mid, half = geometry.way[row], geometry.mid_s, geometry.half_s
    if plan.taps is None:
        ping = (geometry.transmit_m, geometry.transmit_axes, way, mid, half, plan.numbers)
        return lambda point, n: spread_exact(point, n, *ping, along, EXACT_BETA, EXACT_WIDTH, grid)
    fixed = np.concatenate(
        [geometry.transmit_m, geometry.transmit_axes[:2].ravel(), [mid, half], plan.numbers]
    )
    longest = float(np.abs(along).max())
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
    return echo[:, plan.lead : plan.lead + plan.sonar.n_sample]


def _add_noise(scenario, echo, number, side, noise_rms):
    key = (_NOISE, number, int(side == "starboard"))
    rng = np.random.default_rng(np.random.SeedSequence(scenario.seed, spawn_key=key))
    pair = rng.standard_normal(2 * echo.size, dtype=np.float32) * np.float32(noise_rms / np.sqrt(2))
    echo += pair.view(np.complex64).reshape(echo.shape)
