"""Delays by fixed filters against exact shifts of band-limited signals."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pingloom.imaging.short_delays import delay_basis, delay_polynomial


def flat(unit: np.ndarray) -> np.ndarray:
    return np.ones_like(unit)


def rounded(unit: np.ndarray) -> np.ndarray:
    return 0.3 + 0.7 * np.cos(np.pi * unit / 2) ** 2


def signal(band: float, spectrum, n: int = 480):
    """A periodic signal with this spectrum and random phases, and the function that shifts it exactly."""
    rng = np.random.default_rng(5)
    k = np.arange(-int(n * band / 2), int(n * band / 2) + 1)
    amplitude = spectrum(k / (n * band / 2)) * np.exp(2j * np.pi * rng.random(k.size))

    def shifted(d: float) -> np.ndarray:
        return np.exp(2j * np.pi * np.outer(np.arange(n) + d, k) / n) @ amplitude

    return shifted


def filtered(x: np.ndarray, taps: np.ndarray, sign: int) -> np.ndarray:
    """Taps from 1 outward on both sides."""
    return sum(h * (np.roll(x, -k) + sign * np.roll(x, k)) for k, h in enumerate(taps, start=1))


def error(got: np.ndarray, wanted: np.ndarray) -> float:
    return float(np.linalg.norm(got - wanted) / np.linalg.norm(wanted))


@pytest.mark.parametrize(
    ("most", "band", "spectrum", "side", "degree", "bound"),
    [
        (0.05, 0.75, flat, 4, 2, 2e-3),
        (0.5, 0.75, flat, 4, 4, 1e-2),
        (0.25, 0.75, rounded, 4, 2, 6e-3),
        (0.5, 0.375, flat, 2, 4, 6e-3),
    ],
)
def test_a_polynomial_moves_a_signal_within_its_stated_error(
    most, band, spectrum, side, degree, bound
) -> None:
    made = delay_polynomial(most, band, spectrum, side, degree)
    assert made.taps.shape == (degree, side + 1)
    assert made.error < bound
    shifted = signal(band, spectrum)
    x = shifted(0.0)
    for d in np.linspace(-most, most, 7):
        got = x.copy()
        for power, taps in enumerate(made.taps, start=1):
            sign = 1 if power % 2 == 0 else -1
            got = got + d**power * (taps[0] * x + filtered(x, taps[1:], sign))
        # The sampled signal's spectrum stands at other frequencies than those of the fit.
        assert error(got, shifted(d)) <= made.error * 1.15 + 1e-6
    assert not made.taps[::2, 0].any()


@pytest.mark.parametrize(("spectrum", "bound"), [(flat, 1.3e-2), (rounded, 8e-3)])
def test_a_basis_serves_all_delays_within_its_stated_error(spectrum, bound) -> None:
    shift = np.linspace(-0.45, 0.45, 41)
    made = delay_basis(shift, np.ones(41), 0.75, spectrum, 4, 1)
    assert np.sqrt(np.mean(made.error**2)) < bound
    shifted = signal(0.75, spectrum)
    x = shifted(0.0)
    even, odd = filtered(x, made.symmetric[0], 1), filtered(x, made.antisymmetric[0], -1)
    for i in range(0, 41, 5):
        got = made.middle[i] * x + made.even[i, 0] * even + made.odd[i, 0] * odd
        assert error(got, shifted(shift[i])) == pytest.approx(made.error[i], rel=0.15, abs=1e-3)


def test_factors_are_even_and_odd_in_the_delay_and_say_what_a_filter_adds() -> None:
    shift = np.linspace(-0.6, 0.6, 31)
    made = delay_basis(shift, np.ones(31), 0.75, flat, 4, 2)
    assert_allclose(made.even, made.even[::-1], atol=1e-9)
    assert_allclose(made.middle, made.middle[::-1], atol=1e-9)
    assert_allclose(made.odd, -made.odd[::-1], atol=1e-9)
    x = signal(0.75, flat)(0.0)
    added = filtered(x, made.antisymmetric[0], -1)
    assert np.linalg.norm(added) / np.linalg.norm(x) == pytest.approx(1, rel=0.05)


def test_two_filters_of_a_kind_serve_better_than_one() -> None:
    shift = np.linspace(-1, 1, 31)
    one, two = (delay_basis(shift, np.ones(31), 0.75, flat, 6, rank).error.max() for rank in (1, 2))
    assert two < one / 5


def test_delays_of_nothing_need_nothing() -> None:
    made = delay_basis(np.zeros(4), np.ones(4), 0.75, flat, 2, 1)
    assert_allclose(made.middle, 1)
    assert_allclose([made.even, made.odd], 0, atol=1e-9)
    assert_allclose(made.error, 0, atol=1e-9)
