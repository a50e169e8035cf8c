"""The pulse as it is sent, what the front-end filter makes of it, and what the recording says of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .scenario import Scenario

__all__ = ["filter_response", "filter_settling_s", "is_ideal", "recorded_pulse", "sent_pulse", "sweep"]

_TAIL = 0.08  # of the pulse's length, which a ringing pulse may be longer
_QUIET = 1e-3  # of the pulse's amplitude, where its ringing is cut


def sweep(start_hz: float, stop_hz: float, centre_hz: float, duration_s: float, dt: float):
    """Return times from the start of transmission and the ideal linear sweep at baseband, (n,) each."""
    t = np.arange(int(np.floor(duration_s / dt + 1e-9)) + 1) * dt
    return t, np.exp(
        2j * np.pi * ((start_hz - centre_hz) * t + (stop_hz - start_hz) * t**2 / (2 * duration_s))
    )


def is_ideal(scenario: Scenario) -> bool:
    """Whether the pulse is the rectangular linear sweep, which a recording needn't hold."""
    table = scenario.instrument.pulse
    wrong = (table.droop_db, table.quadratic_phase_deg, table.ripple_phase_deg, table.resonance_q)
    return not scenario.sonar.pulse_taper and not any(wrong)


def _intended(scenario: Scenario) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """Times and the pulse that is meant: the sweep with its tapers."""
    table = scenario.sonar
    start, stop = (table.centre_frequency_hz + k * table.sweep_hz / 2 for k in (-1, 1))
    t, wave = sweep(start, stop, table.centre_frequency_hz, table.pulse_duration_s, 1 / table.sample_rate_hz)
    if table.pulse_taper:
        u = t / table.pulse_duration_s
        edge = np.clip(np.minimum(u, 1 - u) / table.pulse_taper, 0, 1)
        wave = wave * np.sin(np.pi / 2 * edge) ** 2
    return t, wave


def sent_pulse(scenario: Scenario) -> NDArray[np.complex128]:
    """Return the pulse in the water at baseband, from the start of transmission, (n,); 1 is the source level."""
    table, sonar = scenario.instrument.pulse, scenario.sonar
    t, wave = _intended(scenario)
    u = t / sonar.pulse_duration_s
    wave = wave * 10 ** (-table.droop_db * u / 20)
    phase_deg = table.quadratic_phase_deg * (2 * u - 1) ** 2
    phase_deg += table.ripple_phase_deg * np.sin(2 * np.pi * table.ripple_cycles * u)
    wave = wave * np.exp(1j * np.deg2rad(phase_deg))
    if table.resonance_q is None:
        return wave
    centre = table.resonance_hz or sonar.centre_frequency_hz

    def resonance(frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        return 1 / (1 + 1j * table.resonance_q * (frequency_hz / centre - centre / frequency_hz))

    return _through(scenario, wave, resonance(_frequencies(scenario, wave.size)))


def filter_response(scenario: Scenario, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Response of the front-end filter at frequencies in the water: a Butterworth band-pass, 1 at its centre.

    The poles of the low-pass lie on the unit circle's left half; ``s = j (f / fc - fc / f) fc / width`` makes the
    band-pass of it. Butterworth, S. (1930), Experimental Wireless 7, 536-541 (from memory).
    """
    table = scenario.instrument.filter
    centre = table.centre_hz or scenario.sonar.centre_frequency_hz
    s = 1j * (frequency_hz / centre - centre / frequency_hz) * centre / table.width_hz
    response = np.ones(frequency_hz.shape, complex)
    for k in range(table.order):
        response /= s - np.exp(1j * np.pi * (2 * k + table.order + 1) / (2 * table.order))
    return response


def filter_settling_s(scenario: Scenario) -> float:
    """Time in which the filter's answer dies away to a millionth, by its slowest pole; 0 without a filter."""
    table = scenario.instrument.filter
    if not table.order:
        return 0.0
    slowest = np.pi * table.width_hz * np.sin(np.pi / (2 * table.order))  # type: ignore[operator]
    return float(-np.log(1e-6) / slowest)


def recorded_pulse(scenario: Scenario) -> NDArray[np.complex64] | None:
    """Return the replica that the recording holds; None: the ideal sweep."""
    known = scenario.instrument.recorded
    filtered = bool(scenario.instrument.filter.order) and "filter" in known
    if "pulse" in known:
        if is_ideal(scenario) and not filtered:
            return None
        pulse = sent_pulse(scenario)
    else:
        if not scenario.sonar.pulse_taper and not filtered:
            return None
        pulse = _intended(scenario)[1]
    if filtered:
        pulse = _through(scenario, pulse, filter_response(scenario, _frequencies(scenario, pulse.size)))
    return pulse.astype(np.complex64)


def _length(n: int) -> int:
    return 4 * n + 256


def _frequencies(scenario: Scenario, n: int) -> NDArray[np.float64]:
    sonar = scenario.sonar
    return sonar.centre_frequency_hz + np.fft.fftfreq(_length(n), 1 / sonar.sample_rate_hz)


def _through(
    scenario: Scenario, pulse: NDArray[np.complex128], response: NDArray[np.complex128]
) -> NDArray[np.complex128]:
    """Send a pulse through a filter; its tail is kept as long as it is heard, up to a part of the pulse's length."""
    out = np.fft.ifft(np.fft.fft(pulse, response.size) * response)
    least = int(np.floor(scenario.sonar.pulse_duration_s * scenario.sonar.sample_rate_hz + 1e-9)) + 1
    most = least + int(_TAIL * least)
    loud = np.flatnonzero(np.abs(out[:most]) > _QUIET * np.abs(out).max())
    return out[: max(least, int(loud[-1]) + 1)]
