"""Speckle of known looks and known correlation goes in; ENL, its error and its cells come out."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pingloom.bench.measure.correlation import autocovariance, correlation_cell
from pingloom.bench.measure.speckle import enl, gamma_agreement, gamma_histogram, pool_enl
from pingloom.bench.measure.trend import level_trend
from pingloom.imaging.errors import DataError, ParameterError


def speckle(rng, shape, *, cell, looks):
    """Mean of ``looks`` independent intensities of unit mean whose spectrum is a rectangle of 1/cell."""
    size = [2 * n for n in shape]  # twice, so that the ends of the patch don't correlate around the circle
    band = [np.abs(np.fft.fftfreq(n)) <= 0.5 / c for n, c in zip(size, cell, strict=True)]
    total = np.zeros(shape)
    for _ in range(looks):
        noise = rng.standard_normal(size) + 1j * rng.standard_normal(size)
        field = np.fft.ifft2(np.fft.fft2(noise) * np.outer(*band))[: shape[0], : shape[1]]
        total += np.abs(field) ** 2
    return total / (2 * looks * np.outer(*band).mean())


CASES = [((48, 48), (2.5, 2.5), 1), ((60, 40), (3.0, 2.0), 4), ((40, 50), (1.0, 1.0), 3)]


@pytest.mark.parametrize(("shape", "cell", "looks"), CASES)
def test_enl_spreads_as_much_as_it_says_and_is_unbiased(shape, cell, looks):
    rng = np.random.default_rng(7)
    measured = [enl(speckle(rng, shape, cell=cell, looks=looks)) for _ in range(200)]
    value = np.array([m.enl for m in measured])
    stated = np.mean([m.standard_error for m in measured])
    # 200 trials know a standard deviation to 5 %; the formula is of first order in 1/cells.
    assert_allclose(value.std(), stated, rtol=0.15)
    # The mean of 200 trials is known to stated/sqrt(200); three of those, and 0.5 % for the next order.
    assert abs(value.mean() - looks) < 3 * stated / np.sqrt(200) + 0.005 * looks


def test_bias_correction_is_the_small_sample_one_of_independent_gamma_values():
    # E[mean^2/var] is too high by (2 + 3/N)/M; N = 1, M = 100: 5 %. Simulated here, 4000 patches.
    rng = np.random.default_rng(3)
    measured = [enl(rng.exponential(size=(10, 10)), cell_pixels=1) for _ in range(4000)]
    raw = np.mean([m.enl_raw for m in measured])
    assert 1.035 < raw < 1.06
    # 4000 patches of relative spread 0.2 know the mean to 0.3 %; second order of the bias is 0.25 %.
    assert_allclose(np.mean([m.enl for m in measured]), 1, atol=0.012)
    assert_allclose(measured[0].bias_relative, (2 + 3 / measured[0].enl) / 100, rtol=1e-6)


def test_stated_error_is_the_textbook_one_when_cells_are_given():
    rng = np.random.default_rng(0)
    m = enl(rng.gamma(5, size=(40, 60)), cell_pixels=6)
    assert_allclose(m.standard_error, m.enl * np.sqrt(2 * (1 + 1 / m.enl) / 400), rtol=1e-12)
    assert m.n_pixel == 2400
    assert_allclose(m.cells, 400)


def test_plain_cell_count_would_overstate_the_error_of_correlated_pixels():
    # Rectangular spectrum on both axes: sum of sinc^2 is one cell, of sinc^4 two thirds of one (closed form).
    rng = np.random.default_rng(5)
    cells = [correlation_cell(speckle(rng, (128, 128), cell=(4, 3), looks=2)) for _ in range(10)]
    assert_allclose(np.mean([c.along_pixels for c in cells]), 4, rtol=0.1)  # the tail of sinc^2 is cut: 5 %
    assert_allclose(np.mean([c.across_pixels for c in cells]), 3, rtol=0.1)
    assert_allclose(np.mean([c.along_pixels_squared for c in cells]), 4 * 2 / 3, rtol=0.05)
    assert_allclose(np.mean([c.across_pixels_squared for c in cells]), 3 * 2 / 3, rtol=0.05)


def test_autocovariance_of_speckle_is_the_squared_field_correlation_over_looks():
    rng = np.random.default_rng(11)
    lags = np.mean(
        [autocovariance(speckle(rng, (128, 128), cell=(4, 3), looks=2), max_lag=(4, 3)) for _ in range(20)],
        axis=0,
    )
    expected = 0.5 * np.outer(np.sinc(np.arange(-4, 5) / 4) ** 2, np.sinc(np.arange(-3, 4) / 3) ** 2)
    # 20 patches of about 1300 cells; the band edges of the simulated field fall between its 256 frequencies.
    assert_allclose(lags, expected, atol=0.015)


def test_autocovariance_at_lag_zero_is_the_relative_variance_also_with_holes():
    rng = np.random.default_rng(2)
    patch = rng.gamma(3, size=(30, 40))
    patch[4:9, 7:30] = np.nan
    lags = autocovariance(patch, max_lag=(2, 2))
    seen = patch[np.isfinite(patch)]
    assert_allclose(lags[2, 2], seen.var() / seen.mean() ** 2, rtol=1e-12)
    centred = np.where(np.isfinite(patch), patch / seen.mean() - 1, np.nan)
    assert_allclose(lags[3, 1], np.nanmean(centred[1:, :-1] * centred[:-1, 1:]), rtol=1e-9)


def test_lags_without_any_pixel_pair_are_nan():
    patch = np.full((3, 9), np.nan)
    patch[:, :4] = np.random.default_rng(0).exponential(size=(3, 4))
    lags = autocovariance(patch, max_lag=(1, 6))
    assert np.isnan(lags[1, 0])
    assert np.isfinite(lags[1, 6])


def test_trend_is_divided_out_and_its_freedom_given_back():
    rng = np.random.default_rng(13)
    along, across = np.linspace(-1, 1, 60)[:, None], np.linspace(-1, 1, 40)[None, :]
    level = 3 * np.exp(0.5 * along + 0.9 * across - 0.4 * across**2)
    patches = [level * speckle(rng, (60, 40), cell=(3, 2), looks=4) for _ in range(100)]
    value = np.array([enl(p, trend_degree=(1, 2)).enl for p in patches])
    stated = np.mean([enl(p, trend_degree=(1, 2)).standard_error for p in patches])
    assert abs(value.mean() - 4) < 3 * stated / np.sqrt(100) + 0.02
    assert_allclose(value.std(), stated, rtol=0.25)  # 100 trials know it to 7 %
    assert enl(patches[0], cell_pixels=6).enl < 2.5  # left in, the trend passes for fluctuation
    with pytest.raises(DataError, match="give a trend degree"):
        enl(patches[0])  # and for correlation without end


def test_freedom_of_a_needless_trend_costs_no_bias():
    rng = np.random.default_rng(17)
    value = [enl(rng.gamma(2, size=(12, 14)), cell_pixels=1, trend_degree=(4, 4)).enl for _ in range(1000)]
    # Uncorrected, nine parameters in 168 cells would raise the ENL by 8 %. 1000 trials know it to 0.4 %.
    assert_allclose(np.mean(value), 2, rtol=0.015)


def test_fitted_level_is_exact_without_speckle_and_covers_unseen_pixels():
    along, across = np.linspace(-1, 1, 30)[:, None], np.linspace(-1, 1, 20)[None, :]
    level = np.exp(1 + 2 * along - 1.5 * across**2)
    holed = level.copy()
    holed[3:6, 4:9] = np.nan
    assert_allclose(level_trend(holed, degree=(1, 2)), level, rtol=1e-7)


def test_negative_intensities_after_noise_subtraction_are_allowed():
    rng = np.random.default_rng(1)
    patch = rng.gamma(4, size=(60, 60)) / 4 - 0.5
    assert (patch < 0).any()
    assert_allclose(enl(patch, trend_degree=(1, 1)).enl, 0.5**2 * 4, rtol=0.15)


def test_targets_are_left_out_by_mask_and_nan():
    rng = np.random.default_rng(21)
    patch = rng.gamma(6, size=(50, 50))
    clean = enl(patch, cell_pixels=1).enl
    patch[20:23, 20:23] = 500
    exclude = np.zeros(patch.shape, bool)
    exclude[20:23, 20:23] = True
    masked = enl(patch, cell_pixels=1, exclude=exclude)
    holed = enl(np.where(exclude, np.nan, patch), cell_pixels=1)
    assert enl(patch, cell_pixels=1).enl < 1
    assert_allclose(masked.enl, clean, rtol=0.01)
    assert masked == holed
    assert masked.n_pixel == 2491


def test_whole_weights_count_like_repeated_pixels_but_not_as_more_cells():
    rng = np.random.default_rng(4)
    patch = rng.gamma(3, size=(20, 30))
    weights = np.ones(patch.shape)
    weights[:, :10] = 0
    only = enl(patch, cell_pixels=1, weights=weights)
    assert_allclose(only.enl, enl(patch[:, 10:], cell_pixels=1).enl, rtol=1e-12)
    assert_allclose(only.cells, 400)


def test_scale_of_the_image_does_not_matter():
    patch = np.random.default_rng(6).gamma(3, size=(30, 30)).astype(np.float32)
    assert_allclose(enl(patch * np.float32(1e-6)).enl, enl(patch).enl, rtol=1e-5)  # float32 input


def test_pooled_enl_is_that_of_the_joined_patches():
    rng = np.random.default_rng(8)
    patches = [rng.gamma(5, size=(20, 20)) for _ in range(6)]
    value, error = pool_enl([enl(p, cell_pixels=1) for p in patches])
    joined = enl(np.concatenate(patches), cell_pixels=1)
    assert_allclose(value, joined.enl, rtol=0.02)
    assert_allclose(error, joined.standard_error, rtol=0.02)
    with pytest.raises(ParameterError, match="at least one Enl"):
        pool_enl([])


def test_gamma_agreement_accepts_its_own_law_and_refuses_another():
    rng = np.random.default_rng(9)
    p_own, p_other = [], []
    for _ in range(20):
        patch = speckle(rng, (100, 80), cell=(2, 2), looks=4)
        p_own.append(gamma_agreement(patch, 4).p_value)
        p_other.append(gamma_agreement(patch, 2).p_value)
    assert np.mean(np.array(p_own) < 0.05) <= 0.2  # binomial, 20 trials at 5 % or less: under 0.3 % chance
    assert max(p_other) < 0.01


def test_gamma_distance_is_the_one_of_scipy():
    from scipy import stats

    patch = np.random.default_rng(10).gamma(3, size=(40, 40))
    values = (patch / patch.mean()).ravel()
    expected = stats.kstest(values, stats.gamma(2.5, scale=1 / 2.5).cdf).statistic
    assert_allclose(gamma_agreement(patch, 2.5).distance, expected, rtol=1e-9)


def test_histogram_integrates_to_one_and_follows_the_law():
    patch = np.random.default_rng(12).gamma(4, size=(300, 300))
    h = gamma_histogram(patch, 4, n_bin=40)
    width = np.diff(h.edges)
    assert_allclose(np.sum(h.density * width), 1, rtol=1e-12)
    expected_error = np.sqrt(h.gamma_density / (patch.size * width))
    assert np.all(np.abs(h.density - h.gamma_density) < 5 * expected_error + 1e-3)


def test_wrong_input_is_refused_in_words():
    good = np.random.default_rng(0).exponential(size=(20, 20))
    with pytest.raises(ParameterError, match=r"\|amplitude\|\^2"):
        enl(good + 0j)
    with pytest.raises(ParameterError, match=r"shape \(20,\)"):
        enl(good[0])
    with pytest.raises(DataError, match="infinities"):
        enl(np.where(good > 3, np.inf, good))
    with pytest.raises(DataError, match="constant"):
        enl(np.ones((9, 9)))
    with pytest.raises(DataError, match="at least 4"):
        enl(np.full((9, 9), np.nan))
    with pytest.raises(DataError, match="above 0"):
        enl(good - 5)
    with pytest.raises(ParameterError, match="cell_pixels is -1"):
        enl(good, cell_pixels=-1)
    with pytest.raises(DataError, match="independent cells"):
        enl(good, cell_pixels=300)
    with pytest.raises(ParameterError, match="weights have shape"):
        enl(good, weights=np.ones(3))
    with pytest.raises(ParameterError, match="weights are negative"):
        enl(good, weights=-good)
    with pytest.raises(ParameterError, match="exclude is float64"):
        enl(good, exclude=good)
    with pytest.raises(ParameterError, match="from 0 to 8"):
        enl(good, trend_degree=(0, 9))
    with pytest.raises(ParameterError, match="max_lag"):
        autocovariance(good, max_lag=(20, 1))
    with pytest.raises(DataError, match="usable pixels"):
        level_trend(good[:4, :4], degree=(3, 3))
    with pytest.raises(DataError, match="correlated over its whole along axis"):
        correlation_cell(np.exp(np.linspace(0, 0.1, 4))[:, None] * good[:1])
    with pytest.raises(ParameterError, match="n_bin"):
        gamma_histogram(good, 1, n_bin=1)


def test_inputs_are_left_alone():
    patch = np.random.default_rng(0).exponential(size=(20, 20))
    kept = patch.copy()
    enl(patch, trend_degree=(1, 1))
    gamma_agreement(patch, 1)
    assert np.array_equal(patch, kept)
