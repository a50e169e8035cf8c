"""Echoes by way of the surface as the simulator makes them, measured in its echoes and held against geometry."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, partial
from typing import NamedTuple

import numpy as np

from .row import Row, Sheet

__all__ = ["rows"]

IMAGES = "image sources over a flat surface, worked out by hand"
C, KHZ = 1500.0, 450.0
# Sonar depth, water depth, ground range [m].
CASES = ((3.0, 8.0, 30.0), (2.0, 6.0, 40.0))
_ROW_PITCH_M = 0.0012  # below half a wavelength: angles by phase are unambiguous
_FINE = 32


class _Echo(NamedTuple):
    delay_s: float
    level_db: float
    elevation_deg: float


@cache
def _echoes(depth: float, water: float, x: float) -> tuple[_Echo, _Echo, _Echo]:
    """Direct echo of a point, the two with one bounce in one, the one with both: peaks of the matched filter."""
    from pingloom.simulate import echoes
    from pingloom.simulate.scenario import Scenario

    tiny = 3e-4  # so small that patterns are round
    scenario = Scenario.from_dict(
        {
            "sonar": {
                "n_row": 2, "row_pitch_m": _ROW_PITCH_M, "n_channel": 2, "channel_pitch_m": 0.001, "depression_deg": 0.0,
                "receive_along_m": tiny, "receive_vertical_m": tiny, "transmit_along_m": tiny, "transmit_vertical_m": tiny,
                "centre_frequency_hz": KHZ * 1e3, "pulse_duration_s": 8e-3, "range_stop_m": x + 10.0,
            },
            "vehicle": {"n_ping": 1, "speed_m_s": 0.0, "depth_m": depth},
            "water": {"depth_m": water, "sound_speed_m_s": C, "noise": False, "absorption_db_m": 0.0},
            "seabed": {"present": False},
            "targets": [{"along_m": 0.0, "across_m": x, "strength_db": 0.0}],
            "multipath": {"order": 1},
            "surface": {"rms_m": 0.0},
        }
    )  # fmt: skip
    (sonar,) = echoes.sonars(scenario).values()
    (ping, _) = next(echoes.simulate(scenario, mode="reference"))
    pulse = echoes.replica(sonar)
    pulse = pulse * np.hanning(pulse.size)  # low range sidelobes, so that the echoes leave each other alone
    n = 2 * ping.echo.shape[-1]
    spectrum = np.fft.fft(ping.echo.mean(axis=1), n) * np.fft.fft(pulse, n).conj()
    fine = np.zeros((2, n * _FINE), complex)
    fine[:, : n // 2], fine[:, -(n // 2) :] = spectrum[:, : n // 2], spectrum[:, n // 2 :]
    rows = np.fft.ifft(fine) * _FINE / np.sum(np.abs(pulse) ** 2)
    direct, bounced = np.hypot(x, water - depth), np.hypot(x, water + depth)
    found = []
    for length in (2 * direct, direct + bounced, 2 * bounced):
        near = round(length / C / sonar.sample_interval_s * _FINE)
        window = slice(near - 6 * _FINE, near + 6 * _FINE)
        k = window.start + int(np.argmax(np.abs(rows[:, window]).sum(axis=0)))
        # The upper row hears a wave from above first.
        turn = np.angle(rows[1, k] * rows[0, k].conj())
        angle = np.rad2deg(np.arcsin(turn * C / (2 * np.pi * KHZ * 1e3 * _ROW_PITCH_M)))
        level = 20 * np.log10(np.abs(rows[:, k]).mean())
        found.append(_Echo(k / _FINE * sonar.sample_interval_s, float(level), float(angle)))
    return tuple(found)  # type: ignore[return-value]


def _later(case: tuple[float, float, float], which: int) -> float:
    return (_echoes(*case)[which].delay_s - _echoes(*case)[0].delay_s) * 1e3


def _weaker(case: tuple[float, float, float], which: int) -> float:
    return _echoes(*case)[which].level_db - _echoes(*case)[0].level_db


def _from(case: tuple[float, float, float], which: int) -> float:
    return _echoes(*case)[which].elevation_deg


def rows() -> list[Row]:
    """All rows on simulated bounces."""
    s = Sheet("bounces", source=IMAGES, kind="derived")
    for case in CASES:
        depth, water, x = case
        direct, bounced = np.hypot(x, water - depth), np.hypot(x, water + depth)
        where = f"sonar {depth:g} m deep, water {water:g} m, {x:g} m off"
        names = ("one bounce, out or back", "a bounce each way")
        lengths = (direct + bounced, 2 * bounced)
        # Both echoes with one bounce arrive together: twice the amplitude, but for the half pitch by which a row lies off
        # the transmitter, which one of them meets from below and the other from above. The surface's sign doesn't show.
        apart = (
            np.pi * _ROW_PITCH_M / 2 * ((water - depth) / direct + (water + depth) / bounced) * KHZ * 1e3 / C
        )
        levels = (2 * np.cos(apart) * direct / bounced, (direct / bounced) ** 2)
        for which, (name, length, level) in enumerate(zip(names, lengths, levels, strict=True), start=1):
            s.add(f"delay after the direct echo, {name}, {where}", (length - 2 * direct) / C * 1e3, 2e-3,
                  partial(_later, case, which), unit="ms", reason="a sixtieth of the pulse's resolution")  # fmt: skip
            s.add(f"level over the direct echo, {name}, {where}", 20 * np.log10(level), 0.1,
                  partial(_weaker, case, which), unit="dB", reason="sidelobes of the other echoes")  # fmt: skip
        angles = (
            (0, "direct", -np.arctan((water - depth) / x)),
            (2, names[1], np.arctan((water + depth) / x)),
        )
        for which, name, angle in angles:
            compute: Callable[[], float] = partial(_from, case, which)
            s.add(f"comes from above the horizontal, {name}, {where}", float(np.rad2deg(angle)), 0.5, compute, unit="deg",
                  reason="sidelobes of the other echoes in the phase between two rows")  # fmt: skip
    return s.rows
