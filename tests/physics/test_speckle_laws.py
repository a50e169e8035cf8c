"""Speckle on synthetic independent cells: the laws that image statistics are held to.

The estimator of looks is written here once more, on its own, so that neither a formula nor a measure judges itself.
Sources: Goodman 1976, J. Opt. Soc. Am. 66, 1145 (one look, many looks); Jakeman & Pusey 1976, IEEE Trans. Antennas
Propag. 24, 806 (K distribution; from memory); all laws derived and drawn here.
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from pingloom.imaging.errors import ParameterError
from pingloom.imaging.theory import looks, speckle

N_CELL = 40_000


def field(rng, *shape):
    """Circular complex Gaussian of unit mean intensity."""
    return (rng.standard_normal(shape) + 1j * rng.standard_normal(shape)) / np.sqrt(2)


def speckle_of(rng, n_look, n_cell=N_CELL):
    return np.mean(np.abs(field(rng, n_look, n_cell)) ** 2, axis=0)


def counted_looks(intensity):
    return intensity.mean() ** 2 / intensity.var(ddof=1)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_one_look_is_exponential(seed):
    intensity = speckle_of(np.random.default_rng(seed), 1, 5000)
    assert stats.kstest(intensity, stats.expon.cdf).pvalue > 1e-3  # a false alarm in a thousand


@pytest.mark.parametrize("n_look", [2, 4, 12])
def test_many_looks_are_gamma(n_look):
    intensity = speckle_of(np.random.default_rng(n_look), n_look, 5000)
    assert stats.kstest(intensity, stats.gamma(n_look, scale=1 / n_look).cdf).pvalue > 1e-3


@pytest.mark.parametrize("n_look", [2, 4, 12])
def test_the_wrong_number_of_looks_is_told_apart(n_look):
    intensity = speckle_of(np.random.default_rng(n_look), n_look, 5000)
    wrong = stats.gamma(1.4 * n_look, scale=1 / (1.4 * n_look))
    assert stats.kstest(intensity, wrong.cdf).pvalue < 1e-3


def test_one_looks_amplitude_is_rayleigh():
    amplitude = np.abs(field(np.random.default_rng(5), 5000))
    assert stats.kstest(amplitude, stats.rayleigh(scale=np.sqrt(0.5)).cdf).pvalue > 1e-3


@pytest.mark.parametrize("n_look", [1, 3, 8])
def test_amplitude_contrast_is_that_of_a_root_of_gamma(n_look):
    amplitude = np.sqrt(speckle_of(np.random.default_rng(n_look), n_look))
    # 3 standard errors of a contrast on N cells: 3/sqrt(2 N) = 0.011 relative
    assert_allclose(amplitude.std() / amplitude.mean(), speckle.amplitude_contrast(n_look), rtol=0.012)


def test_factor_for_averaged_amplitudes_counts_amplitude_looks():
    amplitude = np.abs(field(np.random.default_rng(6), 6, N_CELL)).mean(axis=0)
    counted = speckle.AMPLITUDE_ENL_FACTOR * amplitude.mean() ** 2 / amplitude.var()
    assert_allclose(counted, 6, rtol=0.025)  # 3 standard errors


@pytest.mark.parametrize("n_look", [1, 2, 8, 24])
def test_decibels_spread_and_sag_as_polygammas_say(n_look):
    db = 10 * np.log10(speckle_of(np.random.default_rng(100 + n_look), n_look))
    error = speckle.db_std(n_look) / np.sqrt(N_CELL)
    assert_allclose(db.mean(), speckle.db_mean_bias(n_look), atol=3.5 * error)
    # The spread of a spread: kurtosis of log-gamma at most 2.4 above normal, so sqrt(4.4/4 / N)
    assert_allclose(db.std(), speckle.db_std(n_look), rtol=3.5 * np.sqrt(1.1 / N_CELL))


@pytest.mark.parametrize(("overlap", "n_look"), [(0.5, 4), (0.75, 4), (0.75, 16), (0.25, 8)])
def test_correlated_looks_count_as_overlap_says(overlap, n_look):
    rho = looks.overlap_correlation(overlap, n_look)
    rng = np.random.default_rng(int(100 * overlap) + n_look)
    correlated = np.linalg.cholesky(rho + 1e-12 * np.eye(n_look)) @ field(rng, n_look, N_CELL)
    intensity = np.mean(np.abs(correlated) ** 2, axis=0)
    predicted = looks.effective_looks(np.ones(n_look), rho)
    # 3 standard errors of the count; the sum is not quite gamma, which adds half as much
    assert_allclose(
        counted_looks(intensity), predicted, rtol=4.5 * speckle.enl_relative_std(predicted, N_CELL)
    )


def test_weighted_looks_of_unequal_power_count_as_predicted():
    rho = looks.overlap_correlation(0.6, 5)
    weight = np.array([0.3, 1.0, 2.0, 1.0, 0.3])
    correlated = np.linalg.cholesky(rho) @ field(np.random.default_rng(9), 5, N_CELL)
    intensity = weight @ np.abs(correlated) ** 2
    assert_allclose(counted_looks(intensity), looks.effective_looks(weight, rho), rtol=0.04)


def test_phase_ramps_between_looks_change_nothing():
    rho = looks.overlap_correlation(0.5, 6)
    ramp = np.exp(1j * np.linspace(0, 9, 6))
    plain = looks.effective_looks(np.ones(6), rho)
    assert_allclose(looks.effective_looks(np.ones(6), ramp[:, None] * rho * ramp.conj()), plain, rtol=1e-12)


@pytest.mark.parametrize(("order", "n_look"), [(2.0, 1), (5.0, 4), (10.0, 8)])
def test_texture_caps_the_looks(order, n_look):
    rng = np.random.default_rng(int(10 * order) + n_look)
    n_cell = 400_000  # the fourth moment of K-distributed intensity converges slowly
    intensity = speckle_of(rng, n_look, n_cell) * rng.gamma(order, 1 / order, n_cell)
    assert_allclose(counted_looks(intensity), speckle.enl_with_texture(order, n_look), rtol=0.03)
    assert counted_looks(intensity) < order


@pytest.mark.parametrize(("n_look", "n_cell"), [(1, 100), (1, 400), (4, 400), (12, 1000)])
def test_the_count_errs_and_leans_as_predicted(n_look, n_cell):
    rng = np.random.default_rng(n_cell + n_look)
    patches = rng.gamma(n_look, size=(3000, n_cell))
    counted = patches.mean(axis=1) ** 2 / patches.var(axis=1, ddof=1) / n_look
    spread = speckle.enl_relative_std(n_look, n_cell)
    # First-order laws: the next order is about 10 % of them at 100 cells; 3000 trials add 4 %.
    assert_allclose(counted.std(), spread, rtol=0.14 if n_cell < 400 else 0.06)
    assert_allclose(counted.mean() - 1, speckle.enl_relative_bias(n_look, n_cell),
                    atol=3.5 * spread / np.sqrt(3000) + 0.3 * spread**2)  # fmt: skip


def test_oversampled_pixels_fake_precision_not_looks():
    rng = np.random.default_rng(8)
    counts = []
    for _ in range(200):
        spectrum = np.zeros((64, 64), complex)
        spectrum[:16, :16] = field(rng, 16, 16)  # 256 cells on 4096 pixels
        counts.append(counted_looks(np.abs(np.fft.ifft2(spectrum)).ravel() ** 2))
    spread = np.std(counts)
    assert spread > 2 * speckle.enl_relative_std(1, 64 * 64)
    assert_allclose(spread, speckle.enl_relative_std(1, 16 * 16), rtol=0.4)


# --- number of looks of a line -----------------------------------------------------------------------------


def test_independent_looks_count_fully():
    assert_allclose(looks.effective_looks(np.ones(9), np.eye(9)), 9)
    assert_allclose(looks.effective_looks(np.ones(9), np.ones((9, 9))), 1)


def test_looks_of_a_line_of_sparse_pings_are_its_pings():
    # Spacing above half the array: no overlap. 2 R tan(3 deg)/0.4 = 10.48 pings see a point, 10 or 11.
    got = looks.looks_of_line(40.0, 0.4, np.radians(6), 0.6)
    mean = looks.pings_of_line(40.0, 0.4, np.radians(6))
    assert 10 < got <= mean
    assert_allclose(got, mean, rtol=0.01)  # harmonic mean over the pixel's place


def test_pinging_faster_approaches_the_continuous_limit():
    got = looks.looks_of_line(25.7, 0.01, np.radians(6), 0.6)
    path = 2 * 25.7 * np.tan(np.radians(3))
    assert_allclose(got, looks.continuous_looks(path, 0.6), rtol=0.01)  # sums against an integral


def test_tapered_receivers_give_more_looks():
    from pingloom.imaging.theory.windows import taper

    plain = looks.looks_of_line(25.7, 0.1, np.radians(6), 0.6)
    tapered = looks.looks_of_line(
        25.7, 0.1, np.radians(6), 0.6, weights=taper("taylor", 32, sidelobe_db=25.0)
    )
    assert 1.05 * plain < tapered < 1.5 * plain


@pytest.mark.parametrize("displacement", [0.0, 0.07, 0.2, 0.4])
def test_look_correlation_is_the_autocorrelation_of_the_taper(displacement):
    from pingloom.imaging.theory.windows import taper

    weights = taper("hamming", 24)
    fine = np.repeat(weights, 100)
    lag = round(2 * displacement / 0.6 * fine.size)
    brute = fine[lag:] @ fine[: fine.size - lag] / (fine @ fine) if lag < fine.size else 0.0
    # 2 ** -11 of the array is one fine step
    assert_allclose(looks.look_correlation(displacement, 0.6, 0.0, weights), brute, atol=1e-3)


def test_a_small_transmitter_is_the_limit_of_a_point():
    d = np.linspace(0, 0.5, 11)
    assert_allclose(looks.look_correlation(d, 0.6, 1e-3), looks.look_correlation(d, 0.6), atol=2e-3)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: looks.effective_looks(np.ones(3), np.eye(2)), r"shape \(2, 2\); allowed: \(3, 3\)"),
        (lambda: looks.overlap_correlation(1.5, 3), "overlap is 1.5; allowed: from 0 to 1"),
        (lambda: looks.looks_of_line(25, 0.1, 0.1, 0.6, weighting="plane"), "did you mean 'plain'"),
        (lambda: looks.looks_of_line(25, 0.1, 0.1, 0.6, weighting="plain"), "wavelength_m is missing"),
        (lambda: looks.looks_of_line(0.1, 50.0, 0.01, 0.6, n_phase=1), "in the sector"),
        (lambda: speckle.contrast(0), "looks is 0; allowed: finite numbers above 0"),
        (lambda: speckle.enl_relative_std(1, -5), "n_sample is -5"),
    ],
)
def test_nonsense_is_refused_by_name(call, message):
    with pytest.raises(ParameterError, match=message):
        call()
