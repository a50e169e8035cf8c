"""Small named scenes, all invented, that together turn every knob of a recording.

Each function writes a recording to a path and returns its truth. All run in seconds.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from . import theory
from .echo_sum import Pose, Sonar, Water, echoes
from .seabed import Box, Patch, gaussian_seabed, speckle_seabed, strip_to_world, visibility
from .write_recording import Extras, SideEcho, write_recording, write_segments

__all__ = [
    "SCENES",
    "SEABED_M",
    "Truth",
    "down_sweep_port_crab",
    "everything_optional",
    "gradient_in_segments",
    "high_frequency_heave_sway",
    "line_array",
    "low_frequency_both_sides",
    "make_sonar",
    "motion",
    "one_ping",
    "reference_points",
    "reference_sonar",
    "shadow",
    "speckle_patch",
]

RAD = np.pi / 180
SEABED_M = 20.0  # water depth of all scenes
# Spacing of Gaussian scatterers along and across; the reference geometry from 15 m on bears 13 and 25 mm.
LATTICE_M = (13e-3, 22e-3)


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What was put into a recording, and what theory expects of its image."""

    name: str
    path: Path
    sonars: dict[str, Sonar]
    ping_time_s: dict[str, NDArray[np.float64]]
    pose: Pose
    water: Water
    seabed_depth_m: float
    course_rad: float
    target_m: dict[str, NDArray[np.float64]]  # side -> (n, 3) north, east, depth
    target_amplitude: dict[str, NDArray[np.complex128]]
    half_sector_rad: dict[str, float]
    patch: Patch | None = None
    box: Box | None = None

    def slant_range_m(self, side: str) -> NDArray:
        """Least distance between the track of the origin (at the ping times) and each target."""
        track = self.pose(self.ping_time_s[side])[:3].T
        return np.linalg.norm(self.target_m[side][:, None] - track[None], axis=-1).min(axis=1)

    def slant_width_m(self, side: str) -> float:
        return theory.slant_width(self.sonars[side], self.water.sound_speed_m_s)

    def along_width_m(self, side: str) -> NDArray:
        return theory.along_width(self.sonars[side], self.slant_range_m(side), self.water.sound_speed_m_s)

    def coherent_width_m(self, side: str) -> float:
        return theory.coherent_width(
            self.sonars[side], self.water.sound_speed_m_s, self.half_sector_rad[side]
        )

    def predicted_looks(self, side: str, points_m: NDArray) -> NDArray:
        """Effective number of looks at points (n, 3)."""
        arguments = self.sonars[side], self.pose, self.ping_time_s[side]
        return np.array(
            [
                theory.predicted_looks(*arguments, p, self.half_sector_rad[side], self.course_rad)
                for p in points_m
            ]
        )


def motion(
    *,
    depth_m: float,
    speed_m_s: float,
    course_rad: float,
    heading_rad: float | None = None,
    pitch_rad: float = 0.0,
    roll_rad: float = 0.0,
    yaw_rate_rad_s: float = 0.0,
    heave: tuple[float, float] = (0.0, 1.0),
    sway: tuple[float, float] = (0.0, 1.0),
    yaw: tuple[float, float] = (0.0, 1.0),
    rock: tuple[float, float] = (0.0, 1.0),
) -> Pose:
    """Pose along a straight course through the origin at t = 0, with swings of (amplitude, period).

    ``sway`` is to starboard of the course; ``rock`` swings roll, and pitch a third as much.
    """
    heading_rad = course_rad if heading_rad is None else heading_rad

    def swing(which: tuple[float, float], t: NDArray, phase: float) -> NDArray:
        return which[0] * np.sin(2 * np.pi * t / which[1] + phase)

    def pose(t: NDArray) -> NDArray:
        t = np.asarray(t, float)
        aside, along = swing(sway, t, 0.4), speed_m_s * t
        c, s = np.cos(course_rad), np.sin(course_rad)
        return np.stack(
            [
                along * c - aside * s,
                along * s + aside * c,
                depth_m + swing(heave, t, 1.0),
                heading_rad + yaw_rate_rad_s * t + swing(yaw, t, 2.0),
                pitch_rad + swing(rock, t, 3.0) / 3,
                roll_rad + swing(rock, t, 0.7),
            ]
        )

    return pose


def line_array(
    side: str,
    n_row: int,
    n_channel: int,
    pitch_m: tuple[float, float],
    centre_m: tuple,
    depression_rad: float,
) -> NDArray[np.float64]:
    """Element positions (row, channel, 3): channels from aft to fore, rows from bottom to top.

    ``pitch_m`` is (along, vertical); rows stack across the tilted aperture.
    """
    outward = 1.0 if side == "starboard" else -1.0
    downwards = np.array([0.0, -outward * np.sin(depression_rad), np.cos(depression_rad)])
    along = (np.arange(n_channel) - (n_channel - 1) / 2) * pitch_m[0]
    below = ((n_row - 1) / 2 - np.arange(n_row)) * pitch_m[1]
    position = np.asarray(centre_m, float) + below[:, None, None] * downwards
    return position + along[None, :, None] * np.array([1.0, 0.0, 0.0])


def make_sonar(
    side: str,
    *,
    sweep_hz: tuple[float, float],
    duration_s: float,
    rate_hz: float,
    gate_m: tuple[float, float],
    n_channel: int,
    pitch_m: float,
    transmit_m: tuple[float, float],
    centre_hz: float | None = None,
    n_row: int = 1,
    array_at_m: tuple = (0.0, 0.0, 0.0),
    transmitter_at_m: tuple = (0.0, 0.0, 0.0),
    depression_rad: float = 20 * RAD,
    height_m: float = 0.012,
    **rest,
) -> Sonar:
    """A filled array that records slant ranges ``gate_m`` (lengths at 1500 m/s)."""
    first = 2 * gate_m[0] / 1500.0
    return Sonar(
        side=side,
        f_start_hz=sweep_hz[0],
        f_stop_hz=sweep_hz[1],
        duration_s=duration_s,
        centre_hz=0.5 * sum(sweep_hz) if centre_hz is None else centre_hz,
        sample_interval_s=1 / rate_hz,
        first_sample_delay_s=first,
        n_sample=int((2 * gate_m[1] / 1500.0 - first + duration_s) * rate_hz) + 8,
        transmit_position_m=np.asarray(transmitter_at_m, float),
        transmit_size_m=transmit_m,
        receive_size_m=(pitch_m, height_m),
        depression_rad=depression_rad,
        element_position_m=line_array(
            side, n_row, n_channel, (pitch_m, 1.2 * height_m), array_at_m, depression_rad
        ),
        **rest,
    )


def reference_sonar(gate_m: tuple[float, float], side: str = "starboard") -> Sonar:
    """450 kHz, 30 kHz, 2 ms; 32 receivers of 18.75 mm (0.6 m); transmitter of 28 mm at the centre."""
    return make_sonar(
        side,
        sweep_hz=(435e3, 465e3),
        duration_s=2e-3,
        rate_hz=40e3,
        gate_m=gate_m,
        n_channel=32,
        pitch_m=18.75e-3,
        transmit_m=(28e-3, 10e-3),
        depression_rad=15 * RAD,
        height_m=10e-3,
    )


def ping_times(pose: Pose, along_m: tuple[float, float], speed_m_s: float, spacing_m: float) -> NDArray:
    """Ping times, in whole nanoseconds, for positions from first to last along track (pose at t = 0: 0)."""
    n = int(np.ceil((along_m[1] - along_m[0]) / spacing_m)) + 1
    return np.round((along_m[0] + spacing_m * np.arange(n)) / speed_m_s, 9)


def around(ping_time_s: NDArray, rate_hz: float) -> NDArray:
    """Platform times at their own rate, from before the first ping to after the last echo."""
    return np.arange(ping_time_s.min() - 0.337, ping_time_s.max() + 0.4, 1 / rate_hz)


def _points(course_rad: float, spots: list[tuple[float, float]]) -> NDArray:
    along, across = np.array(spots).T
    return strip_to_world(along, across, SEABED_M, course_rad)


def _point_scene(
    name: str,
    path: Path,
    sonars: list[Sonar],
    pose: Pose,
    course_rad: float,
    times: dict[str, NDArray],
    spots: dict[str, list[tuple[float, float]]],
    water: Water,
    platform_time_s: NDArray,
    extras: Extras,
    *,
    noise_db: float | None = None,
    n_segment: int = 1,
    seed: int = 0,
) -> Truth:
    """Unit targets of random phase at (along, across); noise in dB below the strongest echo sample."""
    rng = np.random.default_rng(seed)
    parts, target, amplitude = [], {}, {}
    for sonar in sonars:
        side = sonar.side
        target[side] = _points(course_rad, spots[side])
        amplitude[side] = np.exp(2j * np.pi * rng.random(len(spots[side])))
        echo = echoes(sonar, pose, times[side], target[side], amplitude[side], water)
        if noise_db is not None:
            rms = np.abs(echo).max() * 10 ** (noise_db / 20)
            noise = rng.standard_normal((2, *echo.shape))
            echo = echo + rms / np.sqrt(2) * (noise[0] + 1j * noise[1])
        parts.append(SideEcho(sonar=sonar, ping_time_s=times[side], echo=echo))
    what = dict(
        pose=pose, platform_time_s=platform_time_s, water=water, seabed_depth_m=SEABED_M, extras=extras
    )
    if n_segment > 1:
        write_segments(path, n_segment, parts, title=name, **what)
    else:
        write_recording(path, parts, title=name, **what)
    return Truth(
        name=name,
        path=Path(path),
        sonars={s.side: s for s in sonars},
        ping_time_s=times,
        pose=pose,
        water=water,
        seabed_depth_m=SEABED_M,
        course_rad=course_rad,
        target_m=target,
        target_amplitude=amplitude,
        half_sector_rad={s.side: theory.half_sector(s, water.sound_speed_m_s) for s in sonars},
    )


def reference_points(path: Path) -> Truth:
    """Reference geometry, targets at 15, 25, 40, 55 m; only what is required plus the altitude."""
    course = 40 * RAD
    pose = motion(depth_m=SEABED_M - 6, speed_m_s=1.8, course_rad=course)
    times = {"starboard": ping_times(pose, (-3.2, 3.2), 1.8, 1.8 / 11)}
    spots = {"starboard": [(0.0, y) for y in (15.0, 25.0, 40.0, 55.0)]}
    platform = around(times["starboard"], 10.0)
    sonar = reference_sonar((13.0, 57.5))
    return _point_scene(
        "reference-points",
        path,
        [sonar],
        pose,
        course,
        times,
        spots,
        Water(),
        platform,
        Extras(altitude=True),
    )


def down_sweep_port_crab(path: Path) -> Truth:
    """300 kHz down-sweep, oscillator off its middle, port, 7 degrees of crab, lever arms, pitch, roll."""
    course = 297 * RAD
    pose = motion(
        depth_m=SEABED_M - 8,
        speed_m_s=1.5,
        course_rad=course,
        heading_rad=290 * RAD,
        pitch_rad=4 * RAD,
        roll_rad=-5 * RAD,
        yaw=(0.5 * RAD, 5.0),
        rock=(1.0 * RAD, 4.0),
    )
    sonar = make_sonar(
        "port",
        sweep_hz=(330e3, 270e3),
        centre_hz=312e3,
        duration_s=1e-3,
        rate_hz=96e3,
        gate_m=(12.0, 24.0),
        n_channel=24,
        pitch_m=15e-3,
        transmit_m=(25e-3, 10e-3),
        array_at_m=(1.2, -0.15, 0.3),
        transmitter_at_m=(0.7, -0.2, 0.25),
    )
    times = {"port": ping_times(pose, (-6.0, 2.0), 1.5, 0.15)}
    spots = {"port": [(0.0, -12.0), (0.5, -17.0), (-0.3, -20.0)]}
    return _point_scene(
        "down-sweep-port-crab",
        path,
        [sonar],
        pose,
        course,
        times,
        spots,
        Water(sound_speed_m_s=1480.0, absorption_db_m=0.07),
        around(times["port"], 25.0),
        Extras(rates=True, altitude=True),
        noise_db=-40.0,
    )


def low_frequency_both_sides(path: Path) -> Truth:
    """100 kHz, barely sampled, both sides at once while turning; only the water depth is known."""
    course = 135 * RAD
    pose = motion(
        depth_m=SEABED_M - 12, speed_m_s=2.0, course_rad=course, yaw_rate_rad_s=1.5 * RAD, roll_rad=2 * RAD
    )
    sonars = [
        make_sonar(
            side,
            sweep_hz=(90e3, 110e3),
            duration_s=4e-3,
            rate_hz=21e3,
            gate_m=(20.0, 38.0),
            n_channel=12,
            pitch_m=50e-3,
            transmit_m=(80e-3, 20e-3),
            array_at_m=(0.2, y, 0.1),
            transmitter_at_m=(-0.4, y, 0.2),
            height_m=20e-3,
            depression_rad=30 * RAD,
        )
        for side, y in (("port", -0.2), ("starboard", 0.2))
    ]
    times = ping_times(pose, (-4.0, 4.0), 2.0, 0.25)
    return _point_scene(
        "low-frequency-both-sides",
        path,
        sonars,
        pose,
        course,
        {"port": times, "starboard": times},
        {"port": [(0.2, -20.0), (-0.5, -32.0)], "starboard": [(0.0, 25.0), (0.4, 33.0)]},
        Water(sound_speed_m_s=1510.0),
        around(times, 20.0),
        Extras(water_depth=True),
        noise_db=-50.0,
    )


def high_frequency_heave_sway(path: Path) -> Truth:
    """900 kHz, 64 channels, three times the sampling needed, heave and sway of centimetres."""
    course = 20 * RAD
    pose = motion(
        depth_m=SEABED_M - 3,
        speed_m_s=1.2,
        course_rad=course,
        heave=(0.04, 3.0),
        sway=(0.03, 4.0),
        rock=(2 * RAD, 3.5),
    )
    sonar = make_sonar(
        "starboard",
        sweep_hz=(850e3, 950e3),
        duration_s=0.5e-3,
        rate_hz=300e3,
        gate_m=(6.0, 10.0),
        n_channel=64,
        pitch_m=6e-3,
        transmit_m=(12e-3, 5e-3),
        array_at_m=(0.5, 0.1, 0.05),
        transmitter_at_m=(0.5, 0.1, 0.02),
        height_m=5e-3,
    )
    times = {"starboard": ping_times(pose, (-1.4, 0.6), 1.2, 0.08)}
    return _point_scene(
        "high-frequency-heave-sway",
        path,
        [sonar],
        pose,
        course,
        times,
        {"starboard": [(0.0, 6.0), (0.1, 8.5)]},
        Water(absorption_db_m=0.3),
        around(times["starboard"], 50.0),
        Extras(rates=True),
        noise_db=-40.0,
    )


def one_ping(path: Path) -> Truth:
    """A single ping of four rows, and a single row of navigation to go on from."""
    course = 250 * RAD
    pose = motion(
        depth_m=SEABED_M - 5,
        speed_m_s=2.2,
        course_rad=course,
        heading_rad=253 * RAD,
        pitch_rad=-2 * RAD,
        yaw_rate_rad_s=1 * RAD,
    )
    sonar = make_sonar(
        "starboard",
        sweep_hz=(380e3, 420e3),
        duration_s=1.5e-3,
        rate_hz=60e3,
        gate_m=(10.0, 20.0),
        n_channel=16,
        n_row=4,
        pitch_m=20e-3,
        transmit_m=(30e-3, 15e-3),
    )
    times = {"starboard": np.array([0.0])}
    return _point_scene(
        "one-ping",
        path,
        [sonar],
        pose,
        course,
        times,
        {"starboard": [(-0.6, 12.0), (-0.8, 17.0)]},
        Water(),
        np.array([-0.01]),
        Extras(rates=True, altitude=True),
    )


def everything_optional(path: Path) -> Truth:
    """Sides pinging in turn, two rows, whole numbers stored, and every optional item at once."""
    course = 80 * RAD
    pose = motion(
        depth_m=SEABED_M - 7,
        speed_m_s=1.6,
        course_rad=course,
        heading_rad=77 * RAD,
        pitch_rad=1 * RAD,
        heave=(0.02, 4.0),
        yaw=(0.4 * RAD, 6.0),
    )
    rng = np.random.default_rng(7)
    angle = np.linspace(-np.pi / 2, np.pi / 2, 721)
    table = {  # even in the angle, and unlike the sinc of the sizes
        "transmit_along": np.stack([angle, -900 * angle**2 / (1 + 20 * angle**2)]),
        "receive_along": np.stack([angle, -300 * angle**2 / (1 + 20 * angle**2)]),
        "transmit_vertical": np.stack([angle, -12 * np.sin(angle) ** 2]),
        "receive_vertical": np.stack([angle, -8 * np.sin(angle) ** 2]),
    }
    sonars = [
        make_sonar(
            side,
            sweep_hz=(310e3, 340e3),
            centre_hz=322e3,
            duration_s=2e-3,
            rate_hz=60e3,
            gate_m=(10.0, 20.0),
            n_channel=16,
            n_row=2,
            pitch_m=25e-3,
            transmit_m=(35e-3, 12e-3),
            array_at_m=(0.3, y, 0.1),
            transmitter_at_m=(0.1, y, 0.15),
            element_delay_s=rng.uniform(-1e-6, 1e-6, (2, 16)),
            pattern=table,
        )
        for side, y in (("port", -0.12), ("starboard", 0.12))
    ]
    times = ping_times(pose, (-1.8, 1.5), 1.6, 0.08)
    working = np.ones((2, 16), bool)
    working[0, 5] = working[1, 11] = False
    extras = Extras(
        int16=True,
        replica=True,
        element_ok=working,
        receiver_gain_db=lambda n: 20 + 6 * np.sin(np.arange(n)),
        time_varied_gain_db=lambda t: 40 * np.log10(np.maximum(t, 1e-3) / 0.02),
        storage=dict(chunks=(1, 2, 16, 256, 2), compression="gzip", compression_opts=1, shuffle=True),
        source_level_db=210.0,
        receiver_sensitivity_db=-190.0,
        saturation_level=10.0,
        serial_number="invented-0001",
        rates=True,
        altitude=True,
        array_sound_speed=True,
        status=True,
        uncertainty=True,
        profile=True,
        water_depth=True,
    )
    return _point_scene(
        "everything-optional",
        path,
        sonars,
        pose,
        course,
        {"port": times[::2], "starboard": times[1::2]},
        {"port": [(0.0, -10.0), (0.1, -15.0)], "starboard": [(0.0, 12.0), (0.2, 16.0)]},
        Water(sound_speed_m_s=1495.0, absorption_db_m=0.08),
        around(times, 31.0),
        extras,
        noise_db=-45.0,
    )


def gradient_in_segments(path: Path) -> Truth:
    """Sound speed falling with depth (rays are arcs), 200 kHz, in a folder of three segments."""
    course = 340 * RAD
    pose = motion(
        depth_m=SEABED_M - 10, speed_m_s=2.0, course_rad=course, pitch_rad=2 * RAD, yaw=(1 * RAD, 5.0)
    )
    sonar = make_sonar(
        "starboard",
        sweep_hz=(190e3, 210e3),
        duration_s=3e-3,
        rate_hz=40e3,
        gate_m=(16.0, 32.0),
        n_channel=20,
        pitch_m=30e-3,
        transmit_m=(50e-3, 20e-3),
        array_at_m=(0.8, 0.1, 0.0),
        transmitter_at_m=(0.3, 0.1, 0.0),
        height_m=20e-3,
    )
    times = {"starboard": ping_times(pose, (-3.6, 2.6), 2.0, 0.2)}
    return _point_scene(
        "gradient-in-segments",
        path,
        [sonar],
        pose,
        course,
        times,
        {"starboard": [(0.0, 15.0), (0.3, 28.0)]},
        Water(sound_speed_m_s=1505.0, gradient_per_s=-0.6),
        around(times["starboard"], 20.0),
        Extras(rates=True, altitude=True, profile=True),
        n_segment=3,
    )


def speckle_patch(
    path: Path,
    *,
    ground_range_m: float = 25.0,
    spacing_m: float = 1.8 / 11,
    measured_m: tuple[float, float] = (1.6, 2.0),
    box: Box | None = None,
    margin_m: tuple[float, float] = (0.7, 0.4),
    density: float | None = None,
    seed: int = 1,
    course_rad: float = 200 * RAD,
) -> Truth:
    """Reference geometry over uniform speckle of backscatter 0.01 around a ground range.

    ``measured_m`` (along, across) is the part with all looks and full surroundings; the scatterers
    reach ``margin_m`` beyond it. ``spacing_m`` lies between pings. With a ``density`` per cell the
    scatterers are of constant modulus on a jittered grid, otherwise Gaussian on a lattice. A ``box`` casts its shadow.
    """
    pose = motion(depth_m=SEABED_M - 6, speed_m_s=1.8, course_rad=course_rad)
    half = (measured_m[0] / 2 + margin_m[0], measured_m[1] / 2 + margin_m[1])
    near, far = ground_range_m - half[1], ground_range_m + half[1]
    sonar = reference_sonar((np.hypot(near, 6) - 0.2, np.hypot(far, 6) + 0.3))
    patch = Patch(
        along_m=(-half[0], half[0]),
        across_m=(near, far),
        depth_m=SEABED_M,
        heading_rad=course_rad,
        backscatter=0.01,
    )
    slant = np.hypot(ground_range_m, 6)
    rng = np.random.default_rng(seed)
    if density is None:
        points, amplitude = gaussian_seabed(patch, LATTICE_M, rng)
    else:
        ground_width = theory.slant_width(sonar, 1500.0) * slant / ground_range_m
        cell = (float(theory.along_width(sonar, slant, 1500.0)), ground_width)
        points, amplitude = speckle_seabed(patch, cell, density, rng)
    sector = theory.half_sector(sonar, 1500.0)
    reach = far * np.tan(sector) * 1.05 + measured_m[0] / 2
    times = ping_times(pose, (-reach, reach + spacing_m), 1.8, spacing_m)
    visible = None if box is None else visibility(sonar, pose, times, points, box, patch)
    echo = echoes(sonar, pose, times, points, amplitude, Water(), visible=visible, fast=True)
    side = SideEcho(sonar=sonar, ping_time_s=times, echo=echo)
    write_recording(
        path, [side], pose, around(times, 10.0), Water(), SEABED_M, Extras(altitude=True), title="speckle"
    )
    return Truth(
        name="speckle-patch" if box is None else "shadow",
        path=Path(path),
        sonars={"starboard": sonar},
        ping_time_s={"starboard": times},
        pose=pose,
        water=Water(),
        seabed_depth_m=SEABED_M,
        course_rad=course_rad,
        target_m={"starboard": np.empty((0, 3))},
        target_amplitude={"starboard": np.empty(0, complex)},
        half_sector_rad={"starboard": sector},
        patch=patch,
        box=box,
    )


def shadow(path: Path, *, seed: int = 2) -> Truth:
    """A black box, 0.5 m each way, on the speckling seabed with its near face at 25 m."""
    box = Box(along_m=(-0.25, 0.25), across_m=(25.0, 25.5), height_m=0.5)
    return speckle_patch(
        path,
        ground_range_m=26.3,
        measured_m=(1.6, 2.0),
        margin_m=(0.4, 0.25),
        box=box,
        seed=seed,
        course_rad=110 * RAD,
    )


SCENES: dict[str, Callable[[Path], Truth]] = {
    "reference-points": reference_points,
    "speckle-patch": speckle_patch,
    "shadow": shadow,
    "down-sweep-port-crab": down_sweep_port_crab,
    "low-frequency-both-sides": low_frequency_both_sides,
    "high-frequency-heave-sway": high_frequency_heave_sway,
    "one-ping": one_ping,
    "everything-optional": everything_optional,
    "gradient-in-segments": gradient_in_segments,
}
