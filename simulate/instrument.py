"""The instrument and its water: arrays as they are and as the recording describes them, pulse, absorption."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.records import Sonar, Water

from .channel_errors import ChannelErrors
from .front_end import Converter, time_varied_gain_db
from .pulse import is_ideal, recorded_pulse, sent_pulse, sweep
from .scenario import Scenario
from .water_column import absorption_db_m, profile

__all__ = ["absorption_db_m", "replica", "sonars", "true_sonars", "water"]


def sonars(scenario: Scenario) -> dict[str, Sonar]:
    """Return the arrays by side, port before starboard, as the recording describes them."""
    return {side: _recorded(scenario, _sonar(scenario, side)) for side in scenario.sonar.side_names}


def true_sonars(scenario: Scenario) -> dict[str, Sonar]:
    """Return the arrays by side as they really are: receivers where they are, the pulse that is sent; echoes in Pa."""
    return {side: _true(scenario, _sonar(scenario, side)) for side in scenario.sonar.side_names}


def _true(scenario: Scenario, sonar: Sonar) -> Sonar:
    pulse = None if is_ideal(scenario) else sent_pulse(scenario).astype(np.complex64)
    offset = ChannelErrors.of(scenario, sonar.side).offset_m
    place = sonar.element_position_m + offset if offset.any() else sonar.element_position_m
    return replace(sonar, replica=pulse, element_position_m=place)


def _recorded(scenario: Scenario, sonar: Sonar) -> Sonar:
    """Describe the nominal array, with what the recording knows of its errors."""
    table, known = scenario.instrument, scenario.instrument.recorded
    errors = ChannelErrors.of(scenario, sonar.side)
    changes: dict[str, object] = {"replica": recorded_pulse(scenario)}
    if "positions" in known:
        changes["element_position_m"] = sonar.element_position_m + errors.offset_m
    if "delays" in known:
        changes["element_delay_s"] = errors.delay_s
    if "dead" in known:
        changes["element_ok"] = ~errors.dead
    if table.receiver_sensitivity_db is not None:
        changes |= {"echo_unit": "V", "receiver_sensitivity_db": table.receiver_sensitivity_db}
    converter = Converter.of(scenario)
    if converter is not None:
        changes |= {"echo_scale": converter.step_v, "saturation_level": converter.greatest}
    delay = sonar.first_sample_delay_s + np.arange(sonar.n_sample) * sonar.sample_interval_s
    gain = time_varied_gain_db(scenario, delay, absorption_db_m(scenario))
    if gain is not None:
        changes["time_varied_gain_db"] = gain
    return replace(sonar, **changes)  # type: ignore[arg-type]


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
    c, dt = scenario.sound_speed_m_s, 1 / table.sample_rate_hz
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
        echo_unit="Pa",
        source_level_db=table.source_level_db,
    )


def replica(sonar: Sonar) -> NDArray[np.complex128]:
    """Return the transmitted pulse at baseband, sampled from the start of transmission, (n,)."""
    if sonar.replica is not None:
        return sonar.replica.astype(np.complex128)
    return sweep(
        sonar.frequency_start_hz,
        sonar.frequency_stop_hz,
        sonar.centre_frequency_hz,
        sonar.pulse_duration_s,
        sonar.sample_interval_s,
    )[1]


def water(scenario: Scenario) -> Water:
    """Return the water that the echoes went through; of a profile the mean from vehicle to seabed beside it."""
    depth, speed = profile(scenario) if scenario.water.has_profile else (None, None)
    return Water(
        sound_speed_m_s=scenario.sound_speed_m_s,
        absorption_db_m=absorption_db_m(scenario),
        depth_m=scenario.seabed_depth_m,
        profile_depth_m=depth,
        profile_sound_speed_m_s=speed,
    )
