"""Delay filters against exact shifts of band-limited signals."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pingloom.imaging.interpolation import delay_taps, delay_taps_error, half_sample_taps, tap_offsets

FRACTIONS = np.linspace(0, 1, 9)


def gain(taps: np.ndarray, band: float, n: int = 4001) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies over the band in cycles a sample, and what each row of taps does to them, (row, frequency)."""
    turns = np.linspace(-band / 2, band / 2, n)
    return turns, taps @ np.exp(2j * np.pi * np.outer(tap_offsets(taps.shape[1]), turns))


def test_taps_stand_around_the_position_that_is_read() -> None:
    assert tap_offsets(4).tolist() == [-1, 0, 1, 2]
    assert tap_offsets(6).tolist() == [-2, -1, 0, 1, 2, 3]


@pytest.mark.parametrize(("band", "n_tap"), [(0.375, 4), (0.625, 4), (0.75, 6), (0.8, 8)])
def test_a_flat_spectrum_is_read_with_the_error_that_is_stated(band: float, n_tap: int) -> None:
    turns, got = gain(delay_taps(FRACTIONS, band, n_tap), band)
    wanted = np.exp(2j * np.pi * FRACTIONS[:, None] * turns)
    error = np.sqrt(np.mean(np.abs(got - wanted) ** 2, axis=1))
    stated = delay_taps_error(band, n_tap)
    # The stated error is a sum over 241 frequencies with the band's edges counted whole, this one over 4001.
    assert error[4] == pytest.approx(stated, rel=0.05)
    assert error.max() <= stated * 1.02
    assert_allclose(error[[0, -1]], 0, atol=1e-9)


def test_a_recorded_signal_is_moved_by_a_fraction_of_a_sample() -> None:
    n, band = 240, 0.6
    rng = np.random.default_rng(11)
    k = np.arange(-int(n * band / 2), int(n * band / 2) + 1)
    amplitude = rng.standard_normal(k.size) + 1j * rng.standard_normal(k.size)

    def signal(at: np.ndarray) -> np.ndarray:
        return np.exp(2j * np.pi * np.outer(at, k) / n) @ amplitude

    samples = signal(np.arange(n))
    for fraction in (0.2, 0.5, 0.93):
        taps = delay_taps(fraction, band, 6)[0]
        got = sum(h * np.roll(samples, -o) for h, o in zip(taps, tap_offsets(6), strict=True))
        exact = signal(np.arange(n) + fraction)
        error = np.linalg.norm(got - exact) / np.linalg.norm(exact)
        # One draw of a random spectrum: its error scatters around the flat band's by a tenth or so.
        assert error < 1.3 * delay_taps_error(band, 6)


def test_the_fit_favours_where_the_spectrum_is_strong() -> None:
    def tapered(u: np.ndarray) -> np.ndarray:
        return 0.08 + 0.92 * np.cos(np.pi * u / 2) ** 2

    assert delay_taps_error(0.75, 4, tapered) < 0.5 * delay_taps_error(0.75, 4)
    turns, flat = gain(delay_taps(0.5, 0.75, 4), 0.75)
    weighted = gain(delay_taps(0.5, 0.75, 4, tapered), 0.75)[1]
    wanted = np.exp(1j * np.pi * turns)
    middle = np.abs(turns) < 0.2
    assert np.abs(weighted - wanted)[0, middle].max() < np.abs(flat - wanted)[0, middle].max()


def test_more_taps_and_less_band_err_less() -> None:
    errors = [delay_taps_error(0.75, n) for n in (4, 6, 8, 12)]
    assert errors == sorted(errors, reverse=True)
    assert delay_taps_error(0.4, 4) < delay_taps_error(0.6, 4) < delay_taps_error(0.8, 4)


def test_half_way_values_come_from_symmetric_taps() -> None:
    taps = half_sample_taps(0.75, 12)
    assert_allclose(taps, taps[::-1], atol=0)
    turns, got = gain(taps[None], 0.75)
    assert (
        np.abs(got - np.exp(1j * np.pi * turns)).max() < 0.02
    )  # at the very edge of the band; inside far less


def test_fractions_at_both_ends_are_whole_samples() -> None:
    taps = delay_taps([0.0, 1.0], 0.7, 4)
    assert_allclose(taps, [[0, 1, 0, 0], [0, 0, 1, 0]], atol=1e-9)
