"""Detection laws against published formulas, exact laws and seeded draws."""

from __future__ import annotations

from functools import partial

import numpy as np

from pingloom.imaging.theory import detection as theory

from .row import Row, Sheet

__all__ = ["rows"]

ALBERSHEIM = "Albersheim 1981, Proc. IEEE 69, 839"
SHNIDMAN = "Shnidman 2002, IEEE Trans. Aerosp. Electron. Syst. 38, 1059"
EXACT = "noncentral chi-square of scipy"

# Pd, Pfa, looks; Albersheim, exact square law, Shnidman steady, Swerling 2 exact, Shnidman Swerling 2 [dB]
REQUIRED = [
    (0.9, 1e-6, 1, 13.115, 13.183, 13.122, 21.144, 21.346),
    (0.9, 1e-6, 4, 7.965, 8.245, 8.325, 10.506, 10.383),
    (0.9, 1e-6, 10, 4.990, 5.267, 5.334, 6.292, 6.158),
    (0.9, 1e-6, 100, -1.260, -1.257, -1.317, -1.123, -1.232),
    (0.5, 1e-4, 1, 9.396, 9.398, 9.426, 10.895, 10.768),
    (0.9, 1e-4, 10, 3.893, 4.138, 4.224, 5.065, 5.016),
    (0.9, 1e-3, 4, 5.963, 6.153, 6.281, 8.120, 8.218),
]
BRIGHT = [(2, 0.01, 1, 0.1000), (2, 0.01, 2, 0.1563), (2, 0.01, 4, 0.2619), (2, 0.01, 8, 0.4530), (2, 0.01, 16, 0.7299),
          (4, 0.001, 1, 0.1778), (4, 0.001, 4, 0.5880), (4, 0.001, 8, 0.8762)]  # fmt: skip
SHADOW = [(0.25, 0.01, 1, 0.0394), (0.25, 0.01, 4, 0.4181), (0.25, 0.01, 8, 0.8928), (0.25, 0.01, 16, 0.9996)]


def rows() -> list[Row]:
    """All rows on detection."""
    s = Sheet("detection")
    for pd, pfa, n, albersheim, exact, steady, swerling, fluctuating in REQUIRED:
        where = f"Pd {pd}, Pfa {pfa:g}, {n} looks"
        s.cite("published", ALBERSHEIM)
        s.add(
            f"Albersheim, {where}", albersheim, 1e-3, partial(theory.albersheim_snr_db, pd, pfa, n), unit="dB"
        )
        s.cite("library", EXACT)
        s.add(f"square law, {where}", exact, 1e-3, partial(theory.square_law_snr_db, pd, pfa, n), unit="dB")
        s.add(f"Albersheim against the square law, {where}", partial(theory.square_law_snr_db, pd, pfa, n), 0.3,
              partial(theory.albersheim_snr_db, pd, pfa, n), unit="dB", reason="made for a linear detector")  # fmt: skip
        s.add(
            f"Swerling 2, {where}", swerling, 1e-3, partial(theory.swerling_2_snr_db, pd, pfa, n), unit="dB"
        )
        s.cite("memory", SHNIDMAN)
        s.add(f"Shnidman, {where}", steady, 1e-3, partial(theory.shnidman_snr_db, pd, pfa, n), unit="dB")
        s.add(f"Shnidman, Swerling 2, {where}", fluctuating, 1e-3,
              partial(theory.shnidman_snr_db, pd, pfa, n, fluctuating=True), unit="dB")  # fmt: skip
        s.cite("library", EXACT)
        s.add(f"Shnidman against the square law, {where}", partial(theory.square_law_snr_db, pd, pfa, n), 0.25,
              partial(theory.shnidman_snr_db, pd, pfa, n), unit="dB", reason="stated accuracy")  # fmt: skip
        s.add(f"Shnidman against Swerling 2, {where}", partial(theory.swerling_2_snr_db, pd, pfa, n), 0.25,
              partial(theory.shnidman_snr_db, pd, pfa, n, fluctuating=True), unit="dB", reason="stated accuracy")  # fmt: skip
    s.cite("derived", "gain of averaging against coherent gain")
    for name, function, n, gain in (("Albersheim", theory.albersheim_snr_db, 10, 8.12),
                                    ("square law", theory.square_law_snr_db, 10, 7.92),
                                    ("Albersheim", theory.albersheim_snr_db, 100, 20 - 5.6)):  # fmt: skip
        s.add(f"gain of averaging {n} looks, {name}", gain, 0.05, partial(_gain, function, n), unit="dB",
              reason="last printed digit")  # fmt: skip
    s.cite("derived", "gamma laws of target and background")
    for function, title, cases in (
        (theory.pd_bright, "bright", BRIGHT),
        (theory.pd_shadow, "shadow", SHADOW),
    ):
        for ratio, pfa, n, expected in cases:
            s.add(
                f"{title}, ratio {ratio}, Pfa {pfa}, {n} looks",
                expected,
                5e-4,
                partial(function, ratio, pfa, n),
            )
    s.add(
        "one look: Pfa^(1/ratio)",
        0.01 ** (1 / 3),
        1e-12,
        lambda: theory.pd_bright(3.0, 0.01, 1),
        reason="exact",
    )
    s.cite("memory", "Rose 1948, J. Opt. Soc. Am. 38, 196 (k of 5)")
    s.add("Rose's factor, contrast 0.5, 10 looks, 10 cells", 5.0, 1e-12, lambda: theory.rose_factor(0.5, 10, 10),
          reason="exact")  # fmt: skip
    s.cite("library", EXACT)
    for n, pfa in ((5, 1e-3), (5, 1e-5), (16, 1e-4)):
        s.add(f"weighted looks with {n} equal weights, Pfa {pfa:g}", partial(theory.pd_square_law, 3.0, pfa, n), 1e-4,
              partial(_equally_weighted, n, pfa), reason="quadrature")  # fmt: skip
    s.cite("computed", "independent simulation of the line of looks at 25 m, Pd 0.9, Pfa 1e-3")
    s.add("required broadside signal to noise, one look", 10.6, 0.5, lambda: theory.square_law_snr_db(0.9, 1e-3),
          unit="dB", reason="simulated with few trials")  # fmt: skip
    for weighting, expected in (("plain", 3.1), ("equalised", 3.9), ("coherent", -0.3)):
        s.add(f"required broadside signal to noise, {weighting}", expected, 0.5, partial(_broadside_db, weighting),
              unit="dB", reason="simulated with few trials")  # fmt: skip
    s.cite("computed", "seeded draws of complex Gaussian fields")
    s.add("square law, 10 looks at 4.138 dB, Pfa 1e-4, drawn", partial(_drawn_steady, 10, 4.138, 1e-4), 0.005,
          lambda: theory.pd_square_law(4.138, 1e-4, 10), reason="3 standard errors of 100 000 draws")  # fmt: skip
    s.add("shadow, ratio 0.25, Pfa 0.01, 4 looks, drawn", partial(_drawn_shadow, 0.25, 4, 0.01), 0.008,
          lambda: theory.pd_shadow(0.25, 0.01, 4),
          reason="3 standard errors of 100 000 draws, threshold drawn too")  # fmt: skip
    return s.rows


def _gain(function, n: int) -> float:
    return float(function(0.9, 1e-6, 1) - function(0.9, 1e-6, n))


def _drawn_steady(looks: int, snr_db: float, pfa: float) -> float:
    from scipy.stats import gamma

    rng = np.random.default_rng(11)
    noise = rng.standard_normal((100_000, looks, 2)) / np.sqrt(2)
    noise[..., 0] += 10 ** (snr_db / 20)
    return float(np.mean(np.square(noise).sum(axis=(1, 2)) > gamma.isf(pfa, looks)))


def _drawn_shadow(ratio: float, looks: int, pfa: float) -> float:
    rng = np.random.default_rng(12)
    background, shadow = rng.gamma(looks, size=(2, 100_000))
    return float(np.mean(ratio * shadow < np.quantile(background, pfa)))


def _equally_weighted(n: int, pfa: float) -> float:
    return theory.pd_weighted_looks(3.0, pfa, np.ones(n), np.ones(n))


def _broadside_db(weighting: str) -> float:
    """Mean over the pixel's place between pings; 450 kHz, 28 mm transmitter, 18.75 mm receivers, 1.8 m/s, 11 Hz."""
    wavelength_m, range_m, spacing_m = 1500 / 450e3, float(np.hypot(25, 6)), 1.8 / 11
    reach = range_m * np.tan(np.radians(3)) / spacing_m
    needed = []
    for place in (0.0, 0.5):
        along = (np.arange(np.ceil(-reach - place), np.floor(reach - place) + 1) + place) * spacing_m
        sine = along / np.hypot(along, range_m)
        gain = np.sinc(0.028 * sine / wavelength_m) ** 2 * np.sinc(0.01875 * sine / wavelength_m) ** 2
        if weighting == "coherent":  # matched sum: the gains add before detection
            needed.append(theory.square_law_snr_db(0.9, 1e-3) - 10 * np.log10(gain.sum()))
        else:
            weight = np.ones_like(gain) if weighting == "plain" else 1 / gain
            needed.append(theory.weighted_looks_snr_db(0.9, 1e-3, gain, weight))
    return float(np.mean(needed))
