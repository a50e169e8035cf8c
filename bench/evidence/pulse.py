"""Compression of a linear sweep: the formulas, and the imaging chain's own stage on a sampled pulse."""

from __future__ import annotations

from functools import cache, partial
from typing import Any, NamedTuple

import numpy as np

from pingloom.imaging.theory import pulse as theory

from .row import Row, Sheet

__all__ = ["rows"]

SWEEP = "Klauder et al. 1960, Bell Syst. Tech. J. 39, 745: limit of a large time-bandwidth product"
SIMULATED = "matched filter of a sweep sampled at 16 times its bandwidth"
SOUND_SPEED_M_S = 1500.0
CENTRE_HZ, BANDWIDTH_HZ, DURATION_S = 400e3, 40e3, 5e-3

# window, BT; width times B, peak sidelobe [dB], mismatch loss [dB], integrated sidelobe ratio [dB]
FINITE = [
    ("none", 100, 0.8842, -13.40, 0.000, -9.78),
    ("none", 200, 0.8849, -13.32, 0.000, -9.73),
    ("none", 500, 0.8853, -13.29, 0.000, -9.70),
    ("hamming", 100, 1.3040, -40.71, 1.346, -24.67),
    ("hamming", 200, 1.3032, -42.22, 1.345, -27.21),
    ("hamming", 500, 1.3027, -42.61, 1.345, -30.07),
    ("hann", 100, 1.4409, -31.46, 1.764, -24.71),
    ("hann", 200, 1.4404, -31.47, 1.762, -27.11),
    ("hann", 500, 1.4402, -31.48, 1.761, -29.64),
    ("taylor", 100, 1.1845, -33.06, 0.914, -22.73),
    ("taylor", 200, 1.1840, -34.10, 0.914, -24.38),
    ("taylor", 500, 1.1837, -34.75, 0.914, -25.81),
]
IN_CHAIN = ("none", "hamming", "taylor")


def rows() -> list[Row]:
    """All rows on pulses."""
    return [*_limits(), *_finite(), *_motion()]


def _limits() -> list[Row]:
    s = Sheet("pulse", source=SWEEP, kind="derived")
    s.add(
        "range width, 40 kHz, 1500 m/s",
        16.610e-3,
        1e-4,
        lambda: theory.range_width_m(40e3),
        unit="m",
        relative=True,
    )
    s.add("range width, 20 kHz, 1480 m/s", 32.778e-3, 1e-4, lambda: theory.range_width_m(20e3, 1480.0), unit="m",
          relative=True)  # fmt: skip
    s.add(
        "processing gain, 40 kHz, 5 ms",
        23.010,
        0.01,
        lambda: theory.processing_gain_db(40e3, 5e-3),
        unit="dB",
    )
    s.cite("computed", SIMULATED)
    for window, bt, width, _, loss, _ in FINITE:
        s.add(f"limit of the width times B, {window}, against BT {bt}", width, 5e-3,
              partial(_width_times_b, window), relative=True, reason="a large BT is a limit")  # fmt: skip
        s.add(f"limit of the mismatch loss, {window}, against BT {bt}", loss, 0.01,
              partial(_taper_loss_db, window), unit="dB", reason="a large BT is a limit")  # fmt: skip
    return s.rows


def _width_times_b(window: Any) -> float:
    return theory.range_width_m(1.0, 2.0, window)


def _taper_loss_db(window: Any) -> float:
    return float(-theory.processing_gain_db(1.0, 1.0, window))


class _Compressed(NamedTuple):
    width_times_b: float
    peak_sidelobe_db: float
    loss_db: float
    integrated_sidelobe_db: float


@cache
def _compressed(window: Any, bt: int) -> _Compressed:
    """Send a unit echo through the chain's compression at 16 samples per 1/B and measure what comes out."""
    from pingloom.imaging.compress import Compressor, CompressSettings, replica
    from pingloom.imaging.records import Sonar

    duration_s = bt / BANDWIDTH_HZ
    n_pulse = 16 * bt + 1
    sonar = Sonar(
        side="port",
        frequency_start_hz=CENTRE_HZ - BANDWIDTH_HZ / 2,
        frequency_stop_hz=CENTRE_HZ + BANDWIDTH_HZ / 2,
        pulse_duration_s=duration_s,
        centre_frequency_hz=CENTRE_HZ,
        sample_interval_s=1 / (16 * BANDWIDTH_HZ),
        first_sample_delay_s=0.0,
        n_sample=4 * n_pulse,
        transmit_position_m=[0, 0, 0],
        transmit_size_m=[0.03, 0.03],
        receive_size_m=[0.02, 0.03],
        depression_rad=0.3,
        element_position_m=[[[0, 0, 0], [0.02, 0, 0]]],
    )
    pulse = replica(sonar)
    stage = Compressor.prepare(sonar, CompressSettings(window=window))
    at = n_pulse + n_pulse // 2
    echo = np.zeros((1, 2, sonar.n_sample), np.complex64)
    echo[..., at : at + pulse.size] = pulse
    compressed = stage.run(echo)[0, 0]
    per_sample = stage.sample_rate_hz / BANDWIDTH_HZ
    peak = round(at * stage.n_out / sonar.n_sample)
    reach = round(bt * per_sample)
    power = np.abs(compressed[peak - reach : peak + reach + 1].astype(np.complex128)) ** 2
    return _figures(
        power / power[reach], per_sample, 10 * np.log10(stage.noise_gain * np.vdot(pulse, pulse).real)
    )


def _figures(power: np.ndarray, per_cell: float, loss_db: float) -> _Compressed:
    """Width, sidelobes and their share of a response centred in ``power``, of peak 1."""
    side = power[power.size // 2 :]
    k = int(np.argmax(side < 0.5))
    crossing = k - (0.5 - side[k]) / (side[k - 1] - side[k])
    first_null = int(np.argmax(np.diff(side) > 0))
    main = side[0] + 2 * side[1 : first_null + 1].sum()
    return _Compressed(
        width_times_b=2 * crossing / per_cell,
        peak_sidelobe_db=10 * np.log10(side[first_null:].max()),
        loss_db=float(loss_db),
        integrated_sidelobe_db=10 * np.log10(2 * side[first_null + 1 :].sum() / main),
    )


def _finite() -> list[Row]:
    s = Sheet("pulse", source=SIMULATED, kind="computed")
    for window, bt, width, sidelobe, loss, integrated in FINITE:
        if window not in IN_CHAIN:
            continue
        where = f"compression stage, {window}, BT {bt}"

        def figure(name: str, window: str = window, bt: int = bt) -> float:
            return getattr(_compressed(window, bt), name)

        s.add(f"{where}: width times B", width, 5e-3, partial(figure, "width_times_b"), relative=True,
              reason="16 samples a cell")  # fmt: skip
        s.add(f"{where}: peak sidelobe", sidelobe, 0.2 if window == "none" else 0.5,
              partial(figure, "peak_sidelobe_db"), unit="dB", reason="the ends of the sweep ripple")  # fmt: skip
        s.add(
            f"{where}: mismatch loss",
            loss,
            0.01,
            partial(figure, "loss_db"),
            unit="dB",
            reason="sampled taper",
        )
        s.add(f"{where}: integrated sidelobes", integrated, 0.5, partial(figure, "integrated_sidelobe_db"), unit="dB",
              reason="the ends of the sweep ripple")  # fmt: skip
    return s.rows


def _motion() -> list[Row]:
    s = Sheet("pulse", source="ambiguity of a linear sweep", kind="derived")
    s.add("delay shift of an up-sweep, 800 Hz Doppler", -100e-6, 0.5e-6,
          lambda: theory.doppler_delay_shift_s(800.0, DURATION_S, BANDWIDTH_HZ), unit="s")  # fmt: skip
    s.add("peak loss, 800 Hz of 40 kHz", -0.1755, 0.001,
          lambda: theory.doppler_peak_loss_db(800.0, BANDWIDTH_HZ), unit="dB")  # fmt: skip
    s.add("range bias, closing at 1 m/s", -50e-3, 2e-3,
          lambda: theory.doppler_range_bias_m(1.0, CENTRE_HZ, DURATION_S, BANDWIDTH_HZ), unit="m",
          reason="dilation moves it a little more")  # fmt: skip
    s.cite("computed", "matched filter of a dilated sweep, simulated now")
    for speed in (1.0, 2.0, 5.0):
        s.add(f"dilation loss, closing at {speed:g} m/s", partial(_dilated_loss_db, speed), 0.01,
              partial(theory.doppler_loss_db, speed, CENTRE_HZ, BANDWIDTH_HZ, DURATION_S), unit="dB",
              reason="first order in speed over sound speed")  # fmt: skip
    s.add("range bias, closing at 1 m/s, simulated", partial(_dilated_bias_m, 1.0), 2e-3,
          lambda: theory.doppler_range_bias_m(1.0, CENTRE_HZ, DURATION_S, BANDWIDTH_HZ), unit="m",
          reason="dilation moves it a little more")  # fmt: skip
    s.add("dilation loss, closing at 5 m/s, as taken down", -1.96, 0.05,
          lambda: theory.doppler_loss_db(5.0, CENTRE_HZ, BANDWIDTH_HZ, DURATION_S), unit="dB",
          reason="the value's own sampling")  # fmt: skip
    s.cite("derived", "half-power loss of a quadratic phase")
    s.add(
        "Doppler tolerance, BT 200", 6.52, 0.02, lambda: theory.doppler_tolerance_m_s(40e3, 5e-3), unit="m/s"
    )
    s.cite("memory", "Kramer 1967 / Cook & Bernfeld 1967: 2610 knots over BT")
    s.add("Doppler tolerance times BT", 1343.0, 0.05, lambda: theory.doppler_tolerance_m_s(1.0, 1.0), unit="m/s",
          relative=True, reason="the remembered rule is 3 % above the formula")  # fmt: skip
    return s.rows


@cache
def _dilated(closing_speed_m_s: float) -> tuple[float, float]:
    """Peak power in dB and its delay in s, of the echo s((1 + 2v/c) t) in the filter of s(t)."""
    rate_hz = 64 * BANDWIDTH_HZ
    t = np.arange(-0.6 * DURATION_S, 0.6 * DURATION_S, 1 / rate_hz)
    dilation = 2 * closing_speed_m_s / SOUND_SPEED_M_S

    def sweep(at: np.ndarray) -> np.ndarray:
        return np.where(
            np.abs(at) <= DURATION_S / 2, np.exp(1j * np.pi * BANDWIDTH_HZ / DURATION_S * at**2), 0
        )

    sent = sweep(t)
    echo = sweep((1 + dilation) * t) * np.exp(2j * np.pi * CENTRE_HZ * dilation * t)
    product = np.fft.fft(echo, 2 * t.size) * np.conj(np.fft.fft(sent, 2 * t.size))
    power = np.abs(np.fft.ifft(product)) ** 2
    k = int(np.argmax(power))
    lag = k if k < t.size else k - 2 * t.size
    return float(10 * np.log10(power[k] / np.vdot(sent, sent).real ** 2)), lag / rate_hz


def _dilated_loss_db(closing_speed_m_s: float) -> float:
    return _dilated(closing_speed_m_s)[0]


def _dilated_bias_m(closing_speed_m_s: float) -> float:
    return _dilated(closing_speed_m_s)[1] * SOUND_SPEED_M_S / 2
