"""A line simulated from the command line, and the same line spoilt in every way at once."""

from __future__ import annotations

from pathlib import Path

import h5py
import numpy as np

from pingloom.bench.cli import main
from pingloom.imaging.frames import StripFrame

SCENARIO = """
title = "Spoilt line (invented place)"
seed = 5
[sonar]
range_stop_m = 24.0
depression_deg = 15.0
[vehicle]
n_ping = 40
altitude_m = 6.0
depth_m = 10.0
[water]
noise_db = 45.0
[seabed]
per_cell = 4.0
[[targets]]
kind = "point"
along_m = 3.2
across_m = 16.0
strength_db = -18.0
"""
DEAD, NOISY, JAMMED = 9, 22, 25
POINT_M = (3.2, 16.0)
FRAME = StripFrame(0.0, 0.0, 0.0)


def simulate_good(folder: Path) -> Path:
    """The line as it is."""
    (folder / "s.toml").write_text(SCENARIO)
    assert main(["simulate", str(folder / "s.toml"), "-o", str(folder / "good.h5"), "--quiet"]) == 0
    return folder / "good.h5"


def spoil(good: Path) -> Path:
    """Receivers of 1 dB and 20 degrees, one dead and one noisy; a drifting navigation; a jammed ping."""
    path = good.with_name("spoilt.h5")
    path.write_bytes(good.read_bytes())
    rng = np.random.default_rng(8)
    with h5py.File(path, "r+") as file:
        side, platform = file["starboard"], file["platform"]
        for name in ("sequence", "checksum"):  # marks of the echoes as they were
            if name in side:
                del side[name]
        echo = side["echo"][...]
        n_ping, _, n, n_sample = echo.shape
        error = 10 ** (rng.standard_normal(n) / 20) * np.exp(1j * np.deg2rad(20) * rng.standard_normal(n))
        echo *= error.astype(np.complex64)[:, None]
        rms = np.sqrt(np.mean(np.abs(echo) ** 2))
        hum = rng.standard_normal((2, n_ping, n_sample))
        echo[:, 0, DEAD] = 0
        echo[:, 0, NOISY] = rms * (hum[0] + 1j * hum[1])
        tone = np.exp(2j * np.pi * 0.1 * np.arange(200)) * np.exp(0.5j * np.arange(n))[:, None]
        echo[JAMMED, 0, :, 500:700] += (6 * rms * tone).astype(np.complex64)
        side["echo"][...] = echo
        assert platform["time"].size == n_ping
        for name in ("north", "east"):
            platform[name][...] += np.cumsum(0.025 * rng.standard_normal(n_ping))
    return path
