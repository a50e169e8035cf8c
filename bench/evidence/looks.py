"""Equivalent number of looks: overlap tables, exact sums over scatterers, seeded draws."""

from __future__ import annotations

from functools import cache, partial

import numpy as np

from pingloom.imaging.theory import looks as theory
from pingloom.imaging.theory import windows

from .row import Row, Sheet

__all__ = ["rows"]

FORMULA = "N^2 / sum |rho|^2 with triangular overlap"
SCATTERERS = "sum over scatterers of exact two-way responses, 400 kHz, 30 m, 0.5 m array"

OVERLAP = {
    0.25: (1.8824, 2.7692, 3.6571, 7.2113, 14.3217),
    0.5: (1.6000, 2.2500, 2.9091, 5.5652, 10.8936),
    0.75: (1.2800, 1.5652, 1.8824, 3.2821, 6.1687),
}
COUNTS = (2, 3, 4, 8, 16)

# An invented sonar: 450 kHz, 0.6 m of receivers of 18.75 mm, 28 mm transmitter, 6 m altitude, 6 degrees, 1.8 m/s, 11 Hz.
LINE = {15: 7.5, 25: 11.8, 40: 18.5, 55: 25.3}


def rows() -> list[Row]:
    """All rows on looks."""
    s = Sheet("looks", source=FORMULA, kind="derived")
    for overlap, expected in OVERLAP.items():
        for n, value in zip(COUNTS, expected, strict=True):
            s.add(f"{n} looks overlapping by {overlap}", value, 1e-4, partial(_overlapping, overlap, n))
    for overlap, n, value in ((0.0, 4, 4.0), (0.5, 7, 4.900), (0.75, 13, 5.083)):
        s.add(
            f"{n} looks overlapping by {overlap} of one long aperture",
            value,
            5e-4,
            partial(_overlapping, overlap, n),
        )
    s.add("continuous looks of an aperture of 4 look lengths", 4.909, 5e-4, lambda: theory.continuous_looks(0.75, 0.5),
          reason="a path of 3 looks between first and last: 1.5 array lengths")  # fmt: skip
    s.add("correlation of looks, small transmitter, 0.1364 of the array apart", 0.7272, 1e-12,
          lambda: theory.look_correlation(0.1364, 1.0), reason="exact")  # fmt: skip
    s.add("correlation of adjacent pings, 1.8 m/s, 11 Hz, 0.6 m", 0.4545, 1e-4,
          lambda: theory.look_correlation(1.8 / 11, 0.6))  # fmt: skip
    for d, value in ((0.3, 0.622), (0.5, 0.25), (0.6, 0.128), (1.0, 0.0)):
        s.add(f"correlation of looks, equal arrays, {d} of their length apart", value, 5e-4,
              partial(theory.look_correlation, d, 1.0, 1.0))  # fmt: skip
    s.add("independent displacement, small transmitter, 0.5 m", 0.25, 1e-12,
          lambda: theory.independent_displacement_m(0.5), unit="m", reason="exact")  # fmt: skip
    s.add("available looks, 30 m, 3.75 mm, 0.05 m transmitter, 0.5 m array", 9.0, 1e-9,
          lambda: theory.available_looks(30.0, 3.75e-3, 0.05, 0.5), reason="exact")  # fmt: skip
    s.cite("computed", SCATTERERS)
    taylor = windows.taper("taylor", 32, sidelobe_db=25.0)
    for name, transmit, weights in (("small transmitter", 0.0, None), ("equal arrays", 0.5, None),
                                    ("small transmitter, Taylor 25 dB", 0.0, taylor)):  # fmt: skip
        for d in (0.06, 0.125, 0.2):
            shading = None if weights is None else tuple(weights)
            s.add(f"correlation of looks {d} m apart, {name}, summed now", partial(_summed, d, transmit, shading), 0.03,
                  partial(theory.look_correlation, d, 0.5, transmit, weights),
                  reason="white scatterers over a finite patch")  # fmt: skip
    s.cite("computed", "seeded draws of correlated complex Gaussian fields")
    s.add("4 looks overlapping by 0.75, drawn", partial(_drawn, 0.75, 4), 0.03, partial(_overlapping, 0.75, 4),
          relative=True, reason="3 standard errors of 40 000 draws")  # fmt: skip
    s.cite("computed", "equivalent looks of a straight line, independent calculation")
    for ground, value in LINE.items():
        s.add(f"looks of a line at {ground} m, equalised", value, 0.01, partial(_line, ground, "equalised"),
              relative=True, reason="mean over the pixel's place between pings")  # fmt: skip
    for weighting, value in (("plain", 11.0), ("snr", 9.6)):
        s.add(f"looks of a line at 25 m, {weighting}", value, 0.01, partial(_line, 25, weighting), relative=True,
              reason="mean over the pixel's place between pings")  # fmt: skip
    s.add("looks of a line at 25 m pinged without end", 13.5, 0.03,
          lambda: theory.continuous_looks(2 * np.hypot(25, 6) * np.tan(np.radians(3)), 0.6), relative=True,
          reason="the value leaves out the ends of the path")  # fmt: skip
    return s.rows


def _overlapping(overlap: float, n: int) -> float:
    return theory.effective_looks(np.ones(n), theory.overlap_correlation(overlap, n))


def _line(ground_range_m: float, weighting: theory.LookWeighting) -> float:
    return theory.looks_of_line(float(np.hypot(ground_range_m, 6)), 1.8 / 11, np.radians(6), 0.6, weighting=weighting,
                                wavelength_m=1500 / 450e3, transmit_length_m=0.028, element_length_m=0.01875)  # fmt: skip


@cache
def _response(displacement_m: float, transmit_m: float, weights: tuple[float, ...] | None) -> np.ndarray:
    """Complex response of one look, in focus on the origin at 30 m, to scatterers along the line."""
    wavenumber, range_m, length_m, n = 2 * np.pi / 3.75e-3, 30.0, 0.5, 128
    place = np.linspace(-1.5, 1.5, 6001)  # scatterers, 0.5 mm apart; the beam is 0.2 m wide
    element = displacement_m + length_m * ((np.arange(n) + 0.5) / n - 0.5)
    shade = np.ones(n) if weights is None else np.repeat(weights, n // len(weights))

    def focused(at: np.ndarray, shading: np.ndarray) -> np.ndarray:
        path = np.hypot(range_m, np.subtract.outer(place, at)) - np.hypot(range_m, at)
        return np.exp(-1j * wavenumber * path) @ shading

    transmit = displacement_m + transmit_m * ((np.arange(n) + 0.5) / n - 0.5)
    sent = focused(transmit if transmit_m else np.array([displacement_m]), np.ones(n if transmit_m else 1))
    return sent * focused(element, shade)


def _summed(displacement_m: float, transmit_m: float, weights: tuple[float, ...] | None) -> float:
    """Correlation of two looks over scatterers of independent phases: only equal scatterers meet."""
    one = _response(-displacement_m / 2, transmit_m, weights)
    two = _response(displacement_m / 2, transmit_m, weights)
    return float(abs(np.vdot(one, two)) / np.sqrt(np.vdot(one, one).real * np.vdot(two, two).real))


def _drawn(overlap: float, n: int) -> float:
    rng = np.random.default_rng(75)
    factor = np.linalg.cholesky(theory.overlap_correlation(overlap, n))
    field = rng.standard_normal((2, 40_000, n)) @ factor.T
    intensity = np.square(field).sum(axis=(0, 2))
    return float(intensity.mean() ** 2 / intensity.var())
