"""Lines simulated for the estimators' tests: two invented sonars, a seabed, and what was put into the echoes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.compress import Compressor, CompressSettings
from pingloom.imaging.estimate.channels import ChannelCalibrator, ChannelFix, ChannelSettings, ChannelState
from pingloom.imaging.records import Ping, Platform, Sonar, Water
from pingloom.simulate import echoes
from pingloom.simulate.scenario import Scenario

SONARS: dict[str, dict[str, Any]] = {
    "450 kHz": dict(sides="starboard", range_stop_m=24.0, depression_deg=15.0),
    "300 kHz": dict(
        sides="port",
        range_stop_m=24.0,
        depression_deg=20.0,
        centre_frequency_hz=300e3,
        sweep_hz=-40e3,
        pulse_duration_s=1e-3,
        sample_rate_hz=60e3,
        n_channel=24,
        channel_pitch_m=0.015,
        transmit_along_m=0.025,
    ),
}
"""A 450 kHz sonar with an up-sweep and one of 300 kHz with a down-sweep, both invented."""


@dataclass(frozen=True)
class Line:
    """A line's echoes, and what its recording would say."""

    sonar: Sonar
    water: Water
    platform: Platform
    pings: tuple[Ping, ...]


def simulate(name: str, seed: int, *, sonar: dict[str, Any] | None = None, **tables: Any) -> Line:
    """Simulate one side of a line; ``tables`` are the scenario's."""
    own = {**SONARS[name], **(sonar or {})}
    scenario = Scenario.from_dict(dict(seed=seed, sonar=own, **tables))
    (made,) = echoes.sonars(scenario).values()
    pings = tuple(ping for ping, _ in echoes.simulate(scenario))
    return Line(made, echoes.water(scenario), echoes.platform(scenario), pings)


# ---- receivers' errors -----------------------------------------------------------------------------------

WAY_M = 1.8 / 11


@dataclass(frozen=True)
class ArrayLine:
    """Echoes of a line as one array, with their compression planned."""

    sonar: Sonar
    compressor: Compressor
    echo: NDArray[np.complex64]
    """(ping, row, channel, sample)"""
    roll_rad: NDArray[np.float64]


@cache
def array_line(
    name: str, seed: int, point: bool = False, n_ping: int = 24, n_row: int = 1, roll_deg: float = 0.0
) -> ArrayLine:
    """A line that sways, yaws and, if told to, rolls; 6 m over a flat seabed."""
    motion = [
        dict(axis="sway", amplitude_m=0.03, period_s=6.0),
        dict(axis="yaw", amplitude_deg=0.5, period_s=5.0),
    ]
    if roll_deg:
        motion.append(dict(axis="roll", amplitude_deg=roll_deg, period_s=3.0))
    target = dict(kind="point", along_m=2.0, across_m=15.0, strength_db=0.0)
    made = simulate(
        name,
        seed,
        sonar=dict(n_row=n_row, row_pitch_m=0.008) if n_row > 1 else None,
        vehicle=dict(n_ping=n_ping, altitude_m=6.0, motion=motion),
        water=dict(noise_db=50.0),
        seabed=dict(per_cell=3.0),
        targets=[target] if point else [],
    )
    echo = np.stack([ping.echo for ping in made.pings])
    time = np.array([ping.time_ns for ping in made.pings], float)
    roll = np.interp(time, made.platform.time_ns.astype(float), made.platform.roll_rad)
    return ArrayLine(made.sonar, Compressor.prepare(made.sonar, CompressSettings()), echo, roll)


def errors(*shape: int, seed: int, gain_db: float = 1.0, phase_deg: float = 20.0) -> NDArray[np.complex64]:
    """Gains and phases of receivers, drawn independently."""
    rng = np.random.default_rng(seed)
    gain = 10 ** (gain_db / 20 * rng.standard_normal(shape))
    return (gain * np.exp(1j * np.deg2rad(phase_deg) * rng.standard_normal(shape))).astype(np.complex64)


def late(made: ArrayLine, delay_s: NDArray[np.float64]) -> ArrayLine:
    """The same line with receivers (row, channel) late, carrier and all."""
    frequency = np.fft.fftfreq(made.echo.shape[-1], made.sonar.sample_interval_s)
    turns = (frequency + made.sonar.centre_frequency_hz) * delay_s[..., None]
    echo = np.fft.ifft(np.fft.fft(made.echo) * np.exp(-2j * np.pi * turns)).astype(np.complex64)
    return ArrayLine(made.sonar, made.compressor, echo, made.roll_rad)


def calibrate(
    made: ArrayLine,
    error: NDArray,
    *,
    dead: tuple[int, ...] = (),
    noisy: tuple[int, ...] = (),
    state: ChannelState | None = None,
    part: slice = slice(None),
    settings: ChannelSettings | None = None,
    altitude_m: float = 6.0,
) -> tuple[ChannelState, ChannelFix]:
    """Calibrate on a line whose receivers have ``error`` (row, channel); dead and noisy ones are of row 0."""
    calibrator = ChannelCalibrator.prepare(
        made.sonar, made.compressor, sound_speed_m_s=1500.0, settings=settings
    )
    state = state or calibrator.start()
    rms = np.sqrt(np.mean(np.abs(made.echo[0]) ** 2))
    sign = 1 if made.sonar.side == "starboard" else -1
    for k, echo in list(enumerate(made.echo))[part]:
        rng = np.random.default_rng(k)
        echo = echo * error[..., None]
        echo[0, list(dead)] = 0
        hum = rng.standard_normal((2, len(noisy), echo.shape[2]))
        echo[0, list(noisy)] = (rms * (hum[0] + 1j * hum[1])).astype(np.complex64)
        compressed = made.compressor.run(echo.astype(np.complex64))
        state, fix = calibrator.update(
            state,
            compressed,
            altitude_m=altitude_m,
            tilt_rad=made.sonar.depression_rad + sign * made.roll_rad[k],
            way_m=WAY_M,
        )
    return state, fix


def factor(weight: NDArray) -> tuple[float, float]:
    """Peak and highest sidelobe below it, of a row's array factor normalised by the sum of moduli. [dB]"""
    u = np.linspace(-0.5, 0.5, 4001)
    beam = np.abs(np.exp(2j * np.pi * u[:, None] * np.arange(weight.size)) @ weight) / np.abs(weight).sum()
    k = int(np.argmax(beam))
    high = np.flatnonzero((beam[1:-1] > beam[:-2]) & (beam[1:-1] > beam[2:])) + 1
    aside = high[np.abs(u[high] - u[k]) > 0.9 / weight.size]
    return 20 * np.log10(beam[k]), 20 * np.log10(beam[aside].max() / beam[k])
