"""Small recordings of a straight line: echoes are noise, weak in the water column, so everywhere is speckle. Invented."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from pingloom.imaging.records import Ping, Sonar, Water
from pingloom.io.recording import RecordingWriter
from tests.unit.make import make_sonar

START_NS = 1_900_000_000_000_000_000
SPEED_M_S = 1.8
INTERVAL_S = 0.1
ALTITUDE_M = 5.0
PIXELS = ("grid.along_m=0.1", "grid.across_m=0.1")
"""Settings that make an image quickly."""


def sonar(side: str = "starboard", **changes: Any) -> Sonar:
    """Sixteen receivers that hear out to some 15 m."""
    given = {
        "n_channel": 16,
        "pitch_m": 0.03,
        "n_sample": 560,
        "pulse_duration_s": 1e-3,
        "sample_interval_s": 1 / 32e3,
    }
    given |= {"frequency_start_hz": 290e3, "frequency_stop_hz": 310e3, "centre_frequency_hz": 300e3}
    given |= {"receive_size_m": np.array([0.03, 0.01]), "transmit_size_m": np.array([0.04, 0.01])}
    return make_sonar(side=side, **given | changes)


def echo(k: int, side: str, own: Sonar) -> np.ndarray:
    """Complex noise of unit power per receiver, a tenth of that in amplitude before the bottom."""
    rng = np.random.default_rng([k, side == "port"])
    shape = (own.n_row, own.n_channel, own.n_sample)
    parts = rng.standard_normal((2, *shape), np.float32) / np.sqrt(2)
    out = (parts[0] + 1j * parts[1]).astype(np.complex64)
    bottom = int((2 * ALTITUDE_M / 1500.0 - own.first_sample_delay_s) / own.sample_interval_s)
    out[..., :bottom] *= 0.1
    return out


def line(
    path: Path,
    n_ping: int = 60,
    sides: tuple[str, ...] = ("port", "starboard"),
    *,
    change: Callable[[Ping], Ping | None] | None = None,
    order: Callable[[list[Ping]], list[Ping]] = lambda pings: pings,
    heading_rad: Callable[[int], float] = lambda k: 0.0,
    **given: Any,
) -> Path:
    """Write a line due north; ``change`` may spoil pings or leave them out, ``order`` shuffles them, ``heading_rad`` yaws."""
    sonars = {side: sonar(side) for side in sides}
    pings = []
    for k in range(n_ping):
        time_ns = START_NS + round(k * INTERVAL_S * 1e9)
        for side in sides:
            ping = Ping(side=side, number=k, time_ns=time_ns, echo=echo(k, side, sonars[side]))
            ping = change(ping) if change else ping
            if ping is not None:
                pings.append(ping)
    pings = order(pings)
    settings = {"title": "a line (invented)", "capacity": max(n_ping + 4, 8), "durable": False}
    settings |= {"origin_latitude_deg": 12.5, "origin_longitude_deg": -40.25}
    with RecordingWriter(
        path, sonars=sonars, water=Water(sound_speed_m_s=1500.0), **settings | given
    ) as writer:
        for k in range(-10, n_ping + 20):
            write_pose(writer, k, heading_rad(k))
        for ping in pings:
            writer.write_ping(ping)
    return path


def write_pose(
    writer: RecordingWriter, k: int, heading_rad: float = 0.0, altitude_m: float = ALTITUDE_M
) -> None:
    """The navigation's row at ping ``k``."""
    writer.write_pose(
        time_ns=START_NS + round(k * INTERVAL_S * 1e9),
        north_m=SPEED_M_S * INTERVAL_S * k,
        east_m=0.0,
        depth_m=3.0,
        heading_rad=heading_rad,
        pitch_rad=0.0,
        roll_rad=0.0,
        altitude_m=altitude_m,
    )
