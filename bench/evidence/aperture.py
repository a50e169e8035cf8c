"""Synthetic aperture: resolution, speed, phase errors, micronavigation errors."""

from __future__ import annotations

from functools import partial

import numpy as np

from pingloom.imaging.theory import aperture as theory
from pingloom.imaging.theory.array import quadratic_phase_loss_db

from .row import Row, Sheet

__all__ = ["rows"]

CUTRONA = "Cutrona 1975, J. Acoust. Soc. Am. 58, 336"
BELLETTINI = "Bellettini & Pinto 2002, IEEE J. Ocean. Eng. 27, 780"


def rows() -> list[Row]:
    """All rows on synthetic apertures."""
    s = Sheet("aperture", source=CUTRONA, kind="memory")
    s.add("along-track resolution, 0.05 m element", 0.025, 1e-12, lambda: theory.coherent_resolution_m(0.05), unit="m",
          reason="exact")  # fmt: skip
    s.cite("derived", "rectangular band of 4 pi/D")
    s.add("along-track width at half power, 0.05 m element", 0.02215, 1e-5, lambda: theory.coherent_width_m(0.05),
          unit="m")  # fmt: skip
    s.cite("derived", "phase centres at most half an array apart")
    s.add("speed limit, 0.5 m array, 10 Hz", 2.5, 1e-3, lambda: theory.speed_limit_m_s(0.5, 10.0), unit="m/s")
    s.add("area rate a side, 0.5 m array", 187.5, 1e-9, lambda: theory.area_rate_m2_s(0.5), unit="m^2/s",
          reason="exact")  # fmt: skip
    s.add("area rate a side, 0.5 m array, in km^2/h", 0.675, 1e-9, lambda: theory.area_rate_m2_s(0.5) * 3.6e-3,
          unit="km^2/h", reason="exact")  # fmt: skip
    s.cite("derived", "path by way of two points against twice that of their midpoint")
    s.add("phase-centre path error, 0.5 m apart, 20 m", 3.125e-3, 1e-6, lambda: theory.phase_centre_error_m(0.5, 20.0),
          unit="m")  # fmt: skip
    s.add("the same without approximation", 3.12488e-3, 5e-9, lambda: theory.phase_centre_error_exact_m(0.5, 20.0),
          unit="m")  # fmt: skip
    s.cite("derived", "mean of exp(i phase) over a normal law")
    for part, gain, db in ((32, 0.8571, -0.670), (16, 0.5396, -2.679), (8, 0.0848, -10.716)):
        s.add(f"gain, position error of wavelength/{part} rms", gain, 1e-4, partial(_gain, part))
        s.add(
            f"gain, position error of wavelength/{part} rms, in dB",
            db,
            1e-3,
            partial(_gain_db, part),
            unit="dB",
        )
    s.cite("computed", "seeded draws of phase errors, 4000 pings")
    s.add("gain, position error of wavelength/16 rms, drawn", _drawn_gain, 0.01, partial(_gain, 16),
          reason="3 standard errors of 50 apertures")  # fmt: skip
    s.cite("common practice", "tolerance of an eighth of a wavelength, two-way")
    s.add("phase of wavelength/16 one way", np.pi / 4, 1e-12,
          lambda: theory.position_error_phase_rad(1 / 16, 1.0), unit="rad", reason="exact")  # fmt: skip
    s.cite("computed", "integral of a quadratic phase")
    s.add("gain, quadratic error of pi/2 at the ends", -0.967, 0.002, lambda: quadratic_phase_loss_db(np.pi / 2),
          unit="dB")  # fmt: skip
    s.cite("memory", BELLETTINI)
    for snr in (10.0, 100.0):
        s.add(f"sway error of one pair, signal to noise {snr:g}", partial(_sway_m, snr), 2e-3,
              partial(theory.sway_std_m, 400e3, 40e3, 2e-3, snr), unit="m", relative=True,
              reason="bandwidth much below the carrier")  # fmt: skip
    s.cite("computed", "seeded draws: line fitted to pairs, errors summed along a track")
    s.add("yaw error of 60 pairs over 0.4 m, mean sway error 1 mm", _drawn_yaw_rad, 0.06,
          lambda: theory.yaw_std_rad(1e-3, 0.4), relative=True, unit="rad",
          reason="3 standard errors of 2000 fits, 60 pairs are not many")  # fmt: skip
    s.add("sway from summed yaw errors of 1 mrad, 200 steps of 0.1 m", _drawn_walk_m, 0.06,
          lambda: theory.yaw_walk_sway_std_m(1e-3, 0.1, 200), relative=True, unit="m",
          reason="3 standard errors of 2000 tracks, 200 steps are not many")  # fmt: skip
    s.add("sway from summed errors of 1 mm, 200 steps", _drawn_sway_walk_m, 0.06,
          lambda: theory.sway_walk_std_m(1e-3, 200), relative=True, unit="m",
          reason="3 standard errors of 2000 tracks")  # fmt: skip
    return s.rows


def _gain(part: int) -> float:
    return float(theory.phase_error_gain(theory.position_error_phase_rad(1 / part, 1.0)))


def _gain_db(part: int) -> float:
    return float(10 * np.log10(_gain(part)))


def _drawn_gain() -> float:
    phase = np.random.default_rng(16).normal(scale=4 * np.pi / 16, size=(50, 4000))
    return float(np.mean(np.abs(np.exp(1j * phase).mean(axis=1)) ** 2))


def _sway_m(snr: float) -> float:
    """The published form, for a bandwidth much below the carrier."""
    sigma_s = 1 / (2 * np.pi * 400e3) * np.sqrt(1 / (40e3 * 2e-3)) * np.sqrt((1 + 1 / (2 * snr)) / snr)
    return float(750.0 * sigma_s)


def _drawn_yaw_rad() -> float:
    place = 0.4 * ((np.arange(60) + 0.5) / 60 - 0.5)
    pairs = np.random.default_rng(3).normal(scale=1e-3 * np.sqrt(60), size=(2000, 60))
    return float((pairs @ place / (place @ place)).std())


def _drawn_walk_m() -> float:
    heading = np.cumsum(np.random.default_rng(4).normal(scale=1e-3, size=(2000, 200)), axis=1)
    return float((0.1 * heading.sum(axis=1)).std())


def _drawn_sway_walk_m() -> float:
    return float(np.random.default_rng(5).normal(scale=1e-3, size=(2000, 200)).sum(axis=1).std())
