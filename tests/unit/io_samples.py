"""Small recordings for the tests of files: invented, random, with every optional item on request."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import h5py
import numpy as np

from pingloom.imaging.records import Pattern, Ping, Platform, Sonar, Water
from pingloom.io.recording import RecordingWriter

START_NS = 1_900_000_000_000_000_000
INTERVAL_NS = 90_000_000
N_ROW, N_CHANNEL, N_SAMPLE = 2, 4, 50


def sonar(side: str = "starboard", *, full: bool = False, **changes: Any) -> Sonar:
    position = np.zeros((N_ROW, N_CHANNEL, 3))
    position[..., 0] = (np.arange(N_CHANNEL) - 1.5) * 0.02
    position[..., 2] = -0.01 * np.arange(N_ROW)[:, None]
    given: dict[str, Any] = {
        "side": side,
        "frequency_start_hz": 465e3,
        "frequency_stop_hz": 435e3,
        "pulse_duration_s": 1e-3,
        "centre_frequency_hz": 450e3,
        "sample_interval_s": 1 / 40e3,
        "first_sample_delay_s": 1e-3,
        "n_sample": N_SAMPLE,
        "transmit_position_m": (0.1, 0.2, 0.3),
        "transmit_size_m": (0.03, 0.015),
        "receive_size_m": (0.02, 0.016),
        "depression_rad": 0.4,
        "element_position_m": position,
    }
    if full:
        rng = np.random.default_rng(3)
        table = Pattern(angle_rad=[-1.0, 0.0, 1.0], gain_db=[-20.0, 0.0, -19.0])
        ok = np.ones((N_ROW, N_CHANNEL), bool)
        ok[1, 2] = False
        given |= {
            "element_delay_s": rng.standard_normal((N_ROW, N_CHANNEL)) * 1e-8,
            "element_ok": ok,
            "replica": (rng.standard_normal(40) + 1j * rng.standard_normal(40)).astype(np.complex64),
            "pattern_transmit_along": table,
            "pattern_transmit_vertical": table,
            "pattern_receive_along": table,
            "pattern_receive_vertical": table,
            "echo_scale": 0.01,
            "echo_unit": "V",
            "source_level_db": 210.0,
            "receiver_sensitivity_db": -190.0,
            "saturation_level": 2000.0,
            "time_varied_gain_db": np.linspace(0, 30, N_SAMPLE),
            "serial_number": "æ-17",
        }
    return Sonar(**given | changes)


def ping(side: str, k: int, *, n_sample: int = N_SAMPLE, gain_db: float = 0.0, late_ns: int = 0) -> Ping:
    rng = np.random.default_rng((k, side == "port"))
    echo = np.rint(100 * rng.standard_normal((N_ROW, N_CHANNEL, n_sample, 2))).astype(np.float32)
    return Ping(
        side=side,
        number=k,
        time_ns=START_NS + k * INTERVAL_NS + late_ns,
        echo=echo.view(np.complex64)[..., 0],
        receiver_gain_db=gain_db,
    )


def platform(n: int = 12, *, full: bool = False, first_ns: int = START_NS - INTERVAL_NS) -> Platform:
    t = np.arange(n)
    given: dict[str, Any] = {
        "time_ns": first_ns + (t * INTERVAL_NS).astype(np.uint64),
        "north_m": 0.16 * t,
        "east_m": 0.01 * t,
        "depth_m": 3 + 0.001 * t,
        "heading_rad": 0.06 + 0.001 * t,
        "pitch_rad": 0.001 * t,
        "roll_rad": -0.002 * t,
    }
    if full:
        given |= {
            "altitude_m": np.where(t == 3, np.nan, 6.0),
            "speed_forward_m_s": np.full(n, 1.8),
            "speed_starboard_m_s": np.full(n, 0.1),
            "speed_down_m_s": np.full(n, 0.01),
            "heading_rate_rad_s": np.full(n, 1e-3),
            "pitch_rate_rad_s": np.full(n, 2e-3),
            "roll_rate_rad_s": np.full(n, 3e-3),
            "sound_speed_at_array_m_s": np.full(n, 1490.0),
            "status": (t == 5).astype(np.int64),
            "heading_uncertainty_rad": 1e-3,
            "velocity_uncertainty_m_s": 0.02,
        }
    return Platform(**given)


def water(*, full: bool = False) -> Water:
    if not full:
        return Water(sound_speed_m_s=1490)
    return Water(
        sound_speed_m_s=1490,
        absorption_db_m=0.1,
        depth_m=9.0,
        profile_depth_m=[0, 5, 9],
        profile_sound_speed_m_s=[1488, 1490, 1492],
    )


def writer(path: Path, sides: tuple[str, ...] = ("starboard",), **given: Any) -> RecordingWriter:
    full = given.pop("full", False)
    settings = {
        "sonars": {side: sonar(side, full=full) for side in sides},
        "water": water(full=full),
        "origin_latitude_deg": 10.5,
        "origin_longitude_deg": -20.25,
        "title": "invented line",
        "capacity": 10,
        "durable": False,
    }
    return RecordingWriter(path, **settings | given)


def record(
    path: Path,
    sides: tuple[str, ...] = ("starboard",),
    n: int = 10,
    *,
    platform_full: bool = False,
    late_ns: int = 0,
    **given: Any,
) -> Path:
    """Write ``n`` pings a side; the port side pings ``late_ns`` after the starboard side."""
    with writer(path, sides, **given) as file:
        file.write_platform(platform(n + 2, full=platform_full))
        for k in range(n):
            for side in reversed(sides):
                file.write_ping(ping(side, k, gain_db=k / 2, late_ns=late_ns if side == "port" else 0))
    return path


def foreign(path: Path, n: int = 5, **changes: Any) -> Path:
    """Write a recording as another program would with plain h5py and liberal types; ``changes`` by name.

    A change named ``port/x`` replaces or adds a dataset, ``port@x`` an attribute; None leaves it out.
    """
    position = np.zeros((1, N_CHANNEL, 3), np.float32)
    position[0, :, 0] = np.arange(N_CHANNEL) * 0.02
    time = START_NS + np.arange(n, dtype=np.int64) * INTERVAL_NS
    items: dict[str, Any] = {
        "@Conventions": "CF-1.11",
        "@pingloom_format": "recording",
        "@format_version": 1.0,
        "@title": b"from elsewhere",
        "@date_created": "2030-01-01T00:00:00Z",
        "@history": "converted",
        "@origin_latitude": np.float32(10),
        "@origin_longitude": 20,
        "port@transmit_frequency_start": np.int32(435000),
        "port@transmit_frequency_stop": 465000,
        "port@transmit_duration_nominal": np.array([1e-3]),
        "port@centre_frequency": np.float32(450e3),
        "port@sample_interval": 1 / 40e3,
        "port@first_sample_delay": 0,
        "port@transmit_position": [0, 0, 0],
        "port@transmit_size": np.array([[0.03, 0.015]], np.float32),
        "port@receive_size": (0.02, 0.015),
        "port@depression": 0.3,
        "port/element_position": position,
        "port/ping_time": time,
        "port/echo": np.stack([ping("port", k).echo[:1] for k in range(n)]),
        "platform/time": time,
        "platform/north": np.arange(n, dtype=np.float32),
        **{f"platform/{c}": np.zeros(n, np.float32) for c in ("east", "depth", "heading", "pitch", "roll")},
        "platform/altitude": np.full(n, 6, np.float32),
        "water@sound_speed_indicative": 1500,
    }
    with h5py.File(path, "w") as file:
        for name, value in (items | changes).items():
            if value is None:
                continue
            place, sign, key = name.partition("@")
            if sign:
                file.require_group(place or "/").attrs[key] = value
            elif isinstance(value, dict):
                file.create_dataset(name, **value)
            else:
                file[name] = value
    return path
