"""Writes recordings with plain h5py, the way some other program would.

``write_recording`` writes what is required; everything optional hangs on ``Extras``. Echoes come in as
physics gives them (unit source, no gains) and are scaled here as the extras say.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import h5py
import numpy as np
from numpy.typing import NDArray

from .echo_sum import Pose, Sonar, Water, replica

__all__ = ["EPOCH_NS", "Extras", "SideEcho", "source_amplitude", "write_recording", "write_segments"]

EPOCH_NS = 1_750_000_000_000_000_000  # clock zero of all scenes: an arbitrary instant of 2025

RATES = ("heading_rate", "pitch_rate", "roll_rate")
SPEEDS = ("speed_forward", "speed_starboard", "speed_down")


@dataclass(frozen=True, kw_only=True)
class SideEcho:
    """One side's echoes as the simulator gave them."""

    sonar: Sonar
    ping_time_s: NDArray[np.float64]  # (ping,), on the clock of the pose; whole nanoseconds
    echo: NDArray[np.complex128]  # (ping, row, channel, sample)


@dataclass(frozen=True, kw_only=True)
class Extras:
    """What a recording may carry beyond the required items; each field off by default."""

    int16: bool = False
    replica: bool = False
    element_ok: NDArray[np.bool_] | None = None  # (row, channel): dead channels are filled with hum
    receiver_gain_db: Callable[[int], NDArray] | None = None  # number of pings -> (ping,)
    time_varied_gain_db: Callable[[NDArray], NDArray] | None = None  # delay [s] -> (sample,)
    storage: dict = field(default_factory=dict)  # chunks, compression, ... of the echo
    source_level_db: float | None = None  # with sensitivity: echoes in volts
    receiver_sensitivity_db: float | None = None
    saturation_level: float | None = None
    serial_number: str | None = None
    rates: bool = False  # speeds and angular rates
    altitude: bool = False
    array_sound_speed: bool = False
    status: bool = False
    uncertainty: bool = False
    profile: bool = False  # of sound speed, two points
    water_depth: bool = False


def source_amplitude(source_level_db: float | None, sensitivity_db: float | None) -> float:
    """Stored amplitude of a unit scatterer's echo at 1 m: volts when both are known, else 1 count.

    Levels are rms (re 1 uPa at 1 m, re 1 V/uPa), stored amplitudes peak values: hence the root of two.
    """
    if source_level_db is None or sensitivity_db is None:
        return 1.0
    return float(np.sqrt(2) * 10 ** ((source_level_db + sensitivity_db) / 20))


def nanoseconds(time_s: NDArray) -> NDArray[np.uint64]:
    """Clock of the pose to nanoseconds since 1970, rounded."""
    return (np.rint(np.asarray(time_s, float) * 1e9).astype(np.int64) + EPOCH_NS).astype(np.uint64)


def write_recording(
    path: Path,
    sides: Sequence[SideEcho],
    pose: Pose,
    platform_time_s: NDArray,
    water: Water,
    seabed_depth_m: float,
    extras: Extras | None = None,
    *,
    title: str = "invented scene",
) -> Path:
    """Write one recording; the platform rows are ``pose`` at ``platform_time_s``."""
    extras = extras or Extras()
    with h5py.File(path, "w", libver=("v108", "v110")) as file:
        file.attrs.update(
            Conventions=np.bytes_("CF-1.11"),
            pingloom_format=np.bytes_("recording"),
            format_version=np.int64(1),
            title=np.bytes_(title),
            date_created=np.bytes_("2025-06-15T15:06:40Z"),
            history=np.bytes_("written by an independent program"),
            origin_latitude=12.5,
            origin_longitude=-40.25,
        )
        for side in sides:
            _write_side(file.create_group(side.sonar.side), side, extras)
        _write_platform(
            file.create_group("platform"), pose, np.asarray(platform_time_s), water, seabed_depth_m, extras
        )
        _write_water(file.create_group("water"), water, seabed_depth_m, extras)
    return Path(path)


def write_segments(
    folder: Path, n_segment: int, sides: Sequence[SideEcho], platform_time_s: NDArray, **rest
) -> Path:
    """Write a folder of recordings that follow each other in order of name; arguments as above.

    Pings and platform rows are cut at the same instants and nothing is written twice.
    """
    folder = Path(folder)
    folder.mkdir()
    platform_time_s = np.asarray(platform_time_s)
    cuts = [part[0] for part in np.array_split(sides[0].ping_time_s, n_segment)][1:]
    edges = [-np.inf, *cuts, np.inf]
    for i, (start, stop) in enumerate(pairwise(edges)):
        parts = []
        for side in sides:
            inside = (side.ping_time_s >= start) & (side.ping_time_s < stop)
            parts.append(
                SideEcho(sonar=side.sonar, ping_time_s=side.ping_time_s[inside], echo=side.echo[inside])
            )
        rows = platform_time_s[(platform_time_s >= start) & (platform_time_s < stop)]
        write_recording(folder / f"segment-{i:04d}.h5", parts, platform_time_s=rows, **rest)
    return folder


def _put(group: h5py.Group, name: str, data: NDArray, **storage) -> None:
    group.create_dataset(name, data=data, track_times=False, **storage)


def _write_side(group: h5py.Group, side: SideEcho, extras: Extras) -> None:
    sonar = side.sonar
    group.attrs.update(
        transmit_frequency_start=sonar.f_start_hz,
        transmit_frequency_stop=sonar.f_stop_hz,
        transmit_duration_nominal=sonar.duration_s,
        centre_frequency=sonar.centre_hz,
        sample_interval=sonar.sample_interval_s,
        first_sample_delay=sonar.first_sample_delay_s,
        transmit_position=np.asarray(sonar.transmit_position_m, float),
        transmit_size=np.asarray(sonar.transmit_size_m, float),
        receive_size=np.asarray(sonar.receive_size_m, float),
        depression=sonar.depression_rad,
    )
    _put(group, "element_position", np.asarray(sonar.element_position_m, float))
    _put(group, "ping_time", nanoseconds(side.ping_time_s))
    if sonar.element_delay_s is not None:
        _put(group, "element_delay", sonar.element_delay_s)
    for which, table in sonar.pattern.items():
        _put(group, f"pattern_{which}", table)
    if extras.replica:
        _put(group, "replica", replica(sonar).astype(np.complex64))
    _write_echo(group, side, extras)


def _write_echo(group: h5py.Group, side: SideEcho, extras: Extras) -> None:
    echo = side.echo * source_amplitude(extras.source_level_db, extras.receiver_sensitivity_db)
    if extras.element_ok is not None:
        _put(group, "element_ok", extras.element_ok.astype(np.uint8))
        hum = 3 * np.abs(echo).max() * np.exp(1j * np.arange(echo.shape[-1]))
        echo = np.where(extras.element_ok[None, :, :, None], echo, hum)
    if extras.receiver_gain_db is not None:
        gain_db = np.asarray(extras.receiver_gain_db(echo.shape[0]), float)
        _put(group, "receiver_gain", gain_db)
        echo = echo * 10 ** (gain_db[:, None, None, None] / 20)
    if extras.time_varied_gain_db is not None:
        sonar = side.sonar
        gain_db = extras.time_varied_gain_db(
            sonar.first_sample_delay_s + np.arange(sonar.n_sample) * sonar.sample_interval_s
        )
        _put(group, "time_varied_gain", gain_db)
        echo = echo * 10 ** (gain_db / 20)
    if extras.source_level_db is not None:
        group.attrs["source_level"] = extras.source_level_db
    if extras.receiver_sensitivity_db is not None:
        group.attrs["receiver_sensitivity"] = extras.receiver_sensitivity_db
        group.attrs["echo_unit"] = np.bytes_("V")
    if extras.saturation_level is not None:
        group.attrs["saturation_level"] = extras.saturation_level
    if extras.serial_number is not None:
        group.attrs["serial_number"] = np.bytes_(extras.serial_number)
    if extras.int16:
        parts = np.stack([echo.real, echo.imag], axis=-1)
        scale = float(np.abs(parts).max() / 32000)
        group.attrs["echo_scale"] = scale  # value = stored number x scale
        stored = np.rint(parts / scale).astype(np.int16)
    else:
        stored = echo.astype(np.complex64)
    _put(group, "echo", stored, **extras.storage)


def _derivative(pose: Pose, t: NDArray) -> NDArray[np.float64]:
    """Central difference over 2 ms: error below 1e-6 of the rate for motions of a second and more."""
    step = 1e-3
    return (pose(t + step) - pose(t - step)) / (2 * step)


def _write_platform(
    group: h5py.Group, pose: Pose, t: NDArray, water: Water, seabed_depth_m: float, extras: Extras
) -> None:
    stamp = nanoseconds(t)
    t = (stamp.astype(np.int64) - EPOCH_NS) * 1e-9  # the pose at the instant that is written
    state = pose(t)
    _put(group, "time", stamp)
    for name, column in zip(("north", "east", "depth", "heading", "pitch", "roll"), state, strict=True):
        _put(group, name, column)
    if extras.altitude:
        _put(group, "altitude", seabed_depth_m - state[2])
    if extras.rates:
        north, east, down, *turning = _derivative(pose, t)
        ch, sh = np.cos(state[3]), np.sin(state[3])
        for name, column in zip(SPEEDS, (ch * north + sh * east, -sh * north + ch * east, down), strict=True):
            _put(group, name, column)
        for name, column in zip(RATES, turning, strict=True):
            _put(group, name, column)
    if extras.array_sound_speed:
        _put(group, "sound_speed_at_array", water.sound_speed_m_s + water.gradient_per_s * state[2])
    if extras.status:
        _put(group, "status", np.zeros(t.size, np.uint8))
    if extras.uncertainty:
        group.attrs["heading_uncertainty"] = 1e-3
        group.attrs["velocity_uncertainty"] = 1e-2


def _write_water(group: h5py.Group, water: Water, seabed_depth_m: float, extras: Extras) -> None:
    group.attrs["sound_speed_indicative"] = water.sound_speed_m_s
    group.attrs["absorption_indicative"] = water.absorption_db_m
    if extras.water_depth:
        group.attrs["water_depth"] = seabed_depth_m
    if extras.profile:
        depth = np.array([0.0, seabed_depth_m + 1.0])
        _put(group, "profile_depth", depth)
        _put(group, "profile_sound_speed", water.sound_speed_m_s + water.gradient_per_s * depth)
