"""Speckle statistics: closed forms against published tables and against seeded draws."""

from __future__ import annotations

from functools import cache, partial

import numpy as np

from pingloom.imaging.theory import speckle as theory

from .row import Row, Sheet

__all__ = ["rows"]

GOODMAN = "gamma law of N looks: Goodman 1976, J. Opt. Soc. Am. 66, 1145"
DRAWS = "seeded draws of complex Gaussian fields"

# looks; contrast, std of dB, mean of dB minus dB of mean
LAWS = [
    (1, 1.0000, 5.5700, -2.5068),
    (2, 0.7071, 3.4877, -1.1742),
    (4, 0.5000, 2.3137, -0.5654),
    (8, 0.3536, 1.5847, -0.2771),
    (16, 0.2500, 1.1029, -0.1371),
    (32, 0.1768, 0.7738, -0.0682),
]
TEXTURE = [(1, 1, 4.0000, 0.3333), (2, 1, 3.0000, 0.5000), (5, 4, 1.5000, 2.0000), (10, 8, 1.2375, 4.2105),
           (1, 16, 2.1250, 0.8889)]  # fmt: skip


def rows() -> list[Row]:
    """All rows on speckle."""
    s = Sheet("speckle", source=GOODMAN, kind="derived")
    for n, contrast, spread, bias in LAWS:
        s.add(f"contrast of {n} looks", contrast, 1e-4, partial(theory.contrast, n))
        s.add(f"spread of {n} looks in dB", spread, 1e-4, partial(theory.db_std, n), unit="dB")
        s.add(f"mean dB of {n} looks", bias, 1e-4, partial(theory.db_mean_bias, n), unit="dB")
    s.add("contrast of one look's amplitude", 0.52272, 1e-5, partial(theory.amplitude_contrast, 1))
    s.add("factor for averaged amplitudes", 0.27324, 1e-5, lambda: theory.AMPLITUDE_ENL_FACTOR)
    for n, expected, tol in ((2, 2.07, 0.005), (4, 4.25, 0.005), (8, 8.6, 0.05)):
        s.add(f"that factor on the root of {n} looks' intensity, wrongly", expected, tol,
              partial(theory.amplitude_enl_reading, n))  # fmt: skip
    s.cite("memory", "Jakeman & Pusey 1976, IEEE Trans. Antennas Propag. 24, 806: K distribution")
    for order, n, moment, looks in TEXTURE:
        s.add(f"second moment, texture of order {order}, {n} looks", moment, 1e-4,
              partial(theory.texture_second_moment, order, n))  # fmt: skip
        s.add(f"measured looks, texture of order {order}, {n} looks", looks, 1e-4,
              partial(theory.enl_with_texture, order, n))  # fmt: skip
    s.cite("computed", DRAWS)
    for n in (1, 4, 16):
        s.add(f"contrast of {n} looks, drawn", partial(_drawn, n, "contrast"), 0.01, partial(theory.contrast, n),
              reason="3 standard errors of 200 000 draws", relative=True)  # fmt: skip
        s.add(f"spread of {n} looks in dB, drawn", partial(_drawn, n, "db_std"), 0.01, partial(theory.db_std, n),
              reason="3 standard errors of 200 000 draws", relative=True, unit="dB")  # fmt: skip
    s.add("looks read on the root of 4 looks' intensity, drawn", partial(_drawn, 4, "root"), 0.02,
          partial(theory.amplitude_enl_reading, 4), relative=True, reason="3 standard errors")  # fmt: skip
    for n, m, tolerance in ((1, 400, 0.08), (4, 400, 0.08), (8, 1000, 0.08)):
        s.add(f"relative error of counting {n} looks on {m} cells, drawn", partial(_estimates, n, m, "std"), tolerance,
              partial(theory.enl_relative_std, n, m), relative=True,
              reason="first-order law, and 1500 trials (2 %)")  # fmt: skip
    for m, expected in ((100, 0.045), (400, 0.012)):
        s.add(f"bias of counting one look on {m} cells, as taken down", expected, 0.15,
              partial(theory.enl_relative_bias, 1, m), relative=True, reason="first-order law")  # fmt: skip
    s.add("bias of counting one look on 100 cells, drawn", partial(_estimates, 1, 100, "bias"), 0.012,
          partial(theory.enl_relative_bias, 1, 100), reason="3 standard errors of 1500 trials, second order")  # fmt: skip
    for count in (4, 10):
        s.add(f"one look's equivalent, {count} Gaussian scatterers a cell, drawn", partial(_few_scatterers, count), 0.06,
              partial(theory.enl_with_few_scatterers, 12.0, count), relative=True,
              reason="3 standard errors of the drawn powers")  # fmt: skip
    return s.rows


@cache
def _intensity(looks: int, n: int) -> np.ndarray:
    rng = np.random.default_rng(20 + looks)
    field = rng.standard_normal((looks, n, 2))
    return np.square(field).sum(axis=(0, 2)) / (2 * looks)


def _drawn(looks: int, what: str) -> float:
    intensity = _intensity(looks, 200_000)
    if what == "contrast":
        return float(intensity.std() / intensity.mean())
    if what == "db_std":
        return float(np.std(10 * np.log10(intensity)))
    root = np.sqrt(intensity)
    return float((4 / np.pi - 1) * root.mean() ** 2 / root.var())


@cache
def _estimates(looks: int, n_cell: int, what: str) -> float:
    """Spread or bias of mean^2/variance, relative to the looks, over 1500 patches."""
    rng = np.random.default_rng(1000 * looks + n_cell)
    patch = rng.gamma(looks, size=(1500, n_cell))
    counted = patch.mean(axis=1) ** 2 / patch.var(axis=1, ddof=1) / looks
    return float(counted.std() if what == "std" else counted.mean() - 1)


def _few_scatterers(per_cell: int) -> float:
    """Add the drawn variance of the local power of random scatterers to the speckle of 12 looks."""
    rng = np.random.default_rng(per_cell)
    reach, trials = 24.0, 1500  # bins each way: sinc^2 keeps 98 % of its power, 99.9 % of its square
    per_bin = per_cell / 0.885893**2
    power = np.empty(trials)
    for i in range(trials):
        n = rng.poisson(per_bin * reach**2)
        along, across = rng.uniform(-reach / 2, reach / 2, (2, n))
        strength = rng.exponential(size=n)  # squared modulus of a complex Gaussian amplitude
        power[i] = np.sum(strength * np.sinc(along) ** 2 * np.sinc(across) ** 2)
    return float(1 / (1 / 12 + power.var(ddof=1) / power.mean() ** 2))
