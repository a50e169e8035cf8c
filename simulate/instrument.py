"""The instrument and its water: arrays, transmitted pulse, absorption, noise."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging import seawater
from pingloom.imaging.records import Sonar, Water

from .scenario import Scenario

__all__ = ["absorption_db_m", "noise_rms_pa", "replica", "sonars", "water"]


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
        absorption_db_m=absorption_db_m(scenario),
        depth_m=scenario.seabed_depth_m,
    )


def absorption_db_m(scenario: Scenario) -> float:
    """Absorption on one way, given or computed halfway between vehicle and seabed. [dB/m]"""
    table = scenario.water
    if table.absorption_db_m is not None:
        return table.absorption_db_m
    depth = (scenario.depth_m + scenario.seabed_depth_m) / 2
    frequency = scenario.sonar.centre_frequency_hz
    return float(seawater.absorption_db_m(frequency, table.temperature_c, table.salinity, depth, table.ph))


def noise_rms_pa(scenario: Scenario) -> float:
    """Root mean square of the complex noise samples: mean ``|n|^2`` is twice level times sample rate. [Pa]"""
    table = scenario.water
    if not table.noise:
        return 0.0
    level = table.noise_db
    if level is None:
        level = float(seawater.thermal_noise_db(scenario.sonar.centre_frequency_hz))
    return float(np.sqrt(2 * 10 ** (level / 10) * 1e-12 * scenario.sonar.sample_rate_hz))
