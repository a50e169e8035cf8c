"""Noise, bubbles and instruments that contradict the rest of a scenario, refused by name before a ping is made."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ._checks import refuse

if TYPE_CHECKING:
    from .scenario import Scenario

__all__ = ["check_bubbles", "check_instrument", "check_noise"]

_SIGMAS = 6.0  # of a jitter, as far as it goes for good


def _in_band(scenario: Scenario, name: str, frequency_hz: float, half_width_hz: float = 0.0) -> None:
    sonar = scenario.sonar
    reach = sonar.sample_rate_hz / 2 - half_width_hz
    if abs(frequency_hz - sonar.centre_frequency_hz) > reach:
        low, high = (sonar.centre_frequency_hz + k * max(reach, 0.0) for k in (-1, 1))
        allowed = f"from {low:g} to {high:g}, inside the sampled band"
        refuse(name, f"{frequency_hz:g}", allowed, "Outside it the receivers hear nothing of it.")


def check_noise(scenario: Scenario) -> None:
    """Refuse noise that is asked for twice, or not in the sampled band."""
    table, water = scenario.noise, scenario.water
    if table.thermal != "flat" and water.noise_db is not None:
        got, remedy = f"'{table.thermal}' beside water.noise_db = {water.noise_db:g}", "Leave one out."
        refuse("noise.thermal", got, "flat where the water's table gives a level", remedy)
    if table.thermal in ("mellen", "equipartition") and not water.noise:
        refuse("noise.thermal", f"'{table.thermal}' beside water.noise = false", "flat or off there")
    if table.preamplifier_nv is not None and scenario.instrument.receiver_sensitivity_db is None:
        got = f"{table.preamplifier_nv:g} without instrument.receiver_sensitivity_db"
        refuse("noise.preamplifier_nv", got, "both, or preamplifier_db instead")
    lowest = scenario.sonar.centre_frequency_hz - scenario.sonar.sample_rate_hz / 2
    if (table.thermal != "flat" or table.wind_speed_m_s is not None) and lowest < 1:
        got = f"{scenario.sonar.sample_rate_hz:g}, with a band from {lowest:g} Hz"
        refuse("sonar.sample_rate_hz", got, "a band above 0 Hz where noise has a spectrum")
    for i, tone in enumerate(table.tones):
        _in_band(scenario, f"noise.tones[{i}].frequency_hz", tone.frequency_hz)
    for i, sounder in enumerate(table.sounders):
        name = f"noise.sounders[{i}].frequency_hz"
        _in_band(scenario, name, sounder.frequency_hz, abs(sounder.sweep_hz) / 2)


def check_bubbles(scenario: Scenario) -> None:
    """Refuse bubbles that no ping meets."""
    line_s = scenario.vehicle.duration_s
    for i, bubbles in enumerate(scenario.bubbles):
        if bubbles.kind == "face" and (bubbles.stop_s < 0 or bubbles.start_s > line_s):  # type: ignore[operator]
            got = f"{bubbles.start_s:g} to {bubbles.stop_s:g}"
            refuse(f"bubbles[{i}]: start_s to stop_s", got, f"times within the line of {line_s:.4g} s")
        if (
            bubbles.kind == "wake"
            and bubbles.depth_m is not None
            and bubbles.depth_m > scenario.seabed_depth_m
        ):
            allowed = f"at most the seabed's depth, {scenario.seabed_depth_m:g}"
            refuse(f"bubbles[{i}].depth_m", f"{bubbles.depth_m:g}", allowed, "Leave it out for all of it.")


def check_instrument(scenario: Scenario) -> None:
    """Refuse an instrument that can't be built or hears nothing."""
    _check_channels(scenario)
    table, sonar, vehicle = scenario.instrument, scenario.sonar, scenario.vehicle
    stop_s = 2 * sonar.range_stop_m / scenario.sound_speed_m_s
    blanking = table.transmission.blanking_s
    if blanking >= stop_s:
        refuse(
            "instrument.transmission.blanking_s",
            f"{blanking:g}",
            f"below the last sample's delay, {stop_s:.4g}",
            "Nothing would be heard.",
        )
    if table.transmission.ring_db is not None and sonar.range_start_m > 0:
        start_s = 2 * sonar.range_start_m / scenario.sound_speed_m_s
        heard_s = sonar.pulse_duration_s + 12 * table.transmission.ring_decay_s
        if start_s > heard_s:
            got = f"{table.transmission.ring_db:g}, with the first sample {start_s:.3g} s after transmission"
            refuse("instrument.transmission.ring_db", got, f"a record that begins before {heard_s:.3g} s")
    if table.pickup.tone_hz is not None:
        _in_band(scenario, "instrument.pickup.tone_hz", table.pickup.tone_hz)
    if table.filter.order:
        centre = table.filter.centre_hz or sonar.centre_frequency_hz
        _in_band(scenario, "instrument.filter.centre_hz", centre)
    if (
        table.pulse.resonance_hz is not None
        and not 0.5 <= table.pulse.resonance_hz / sonar.centre_frequency_hz <= 2
    ):
        got, low = f"{table.pulse.resonance_hz:g}", sonar.centre_frequency_hz / 2
        refuse("instrument.pulse.resonance_hz", got, f"from {low:g} to {4 * low:g}, near the sonar's band")
    late = 2 * _SIGMAS * table.timing.ping_time_rms_s
    if late * vehicle.ping_rate_hz > 1:
        allowed = f"at most {1 / (2 * _SIGMAS * vehicle.ping_rate_hz):.3g}, or pings change places"
        refuse("instrument.timing.ping_time_rms_s", f"{table.timing.ping_time_rms_s:g}", allowed)
    for step in table.gain.steps:
        if step.from_ping >= vehicle.n_ping:
            allowed = f"below the number of pings, {vehicle.n_ping}"
            refuse("instrument.gain.steps: from_ping", f"{step.from_ping}", allowed)


def _check_channels(scenario: Scenario) -> None:
    table, sonar = scenario.instrument.channels, scenario.sonar
    n = sonar.n_row * sonar.n_channel
    for name in ("gain_db", "phase_deg", "delay_s", "position_m"):
        if len(getattr(table, name)) not in (0, n):
            got = f"of {len(getattr(table, name))} values"
            refuse(f"instrument.channels.{name}", got, f"{n}, one for each receiver, or none")
    for name in ("dead", "noisy"):
        chosen = getattr(table, name)
        if any(not 0 <= k < n for k in chosen) or len(set(chosen)) < len(chosen):
            refuse(f"instrument.channels.{name}", list(chosen), f"numbers from 0 to {n - 1}, each once")
        count = getattr(table, f"{name}_count")
        if count > n:
            refuse(f"instrument.channels.{name}_count", count, f"at most the {n} receivers")
    dead = max(len(table.dead), table.dead_count)
    if n - dead < 2:
        which = "dead" if table.dead else "dead_count"
        refuse(
            f"instrument.channels.{which}", f"{dead} of {n} receivers", f"at most {n - 2}, so that two live"
        )
    shift = [row[0] for row in table.position_m]
    if table.position_rms_m * _SIGMAS > sonar.channel_pitch_m:
        allowed = f"at most {sonar.channel_pitch_m / _SIGMAS:.3g}, or receivers change places"
        refuse("instrument.channels.position_rms_m", f"{table.position_rms_m:g}", allowed)
    for k in range(1, len(shift)):
        if k % sonar.n_channel and shift[k] - shift[k - 1] <= -sonar.channel_pitch_m:
            got, allowed = f"{shift[k]:g} forward after {shift[k - 1]:g}", "receivers in their order"
            refuse(f"instrument.channels.position_m[{k}]", got, allowed)
