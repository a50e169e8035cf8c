"""Known noise and known level errors go in; the same come out, in dB."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pingloom.bench.measure.noise import level_error, signal_to_noise
from pingloom.imaging.errors import DataError, ParameterError


def test_signal_to_noise_is_mean_over_mean_and_names_the_worst_column():
    intensity = np.outer(np.ones(20), [4.0, 2.0, 1.0, 0.5])
    noise = np.full((20, 4), 0.1)
    noise[:, 3] = 1.0
    s = signal_to_noise(intensity, noise)
    assert_allclose(s.signal_to_noise_db, 10 * np.log10(7.5 / 1.3))
    assert_allclose(s.worst_db, 10 * np.log10(0.5))
    assert_allclose(s.below_noise_fraction, 0.25)
    assert s.n_pixel == 80


def test_unseen_and_masked_pixels_do_not_count():
    intensity = np.outer(np.ones(20), [4.0, 2.0, 1.0, 0.5])
    noise = np.full((20, 4), 0.1)
    intensity[:, 1], noise[:, 2] = np.nan, np.nan
    mask = np.ones((20, 4), bool)
    mask[:, 3] = False
    s = signal_to_noise(intensity, noise, mask=mask)
    assert_allclose([s.signal_to_noise_db, s.worst_db], 10 * np.log10(40))
    assert s.n_pixel == 20


def test_a_region_wholly_below_the_noise_has_no_signal_to_noise_in_db():
    s = signal_to_noise(np.full((5, 5), -0.1), np.ones((5, 5)))
    assert np.isnan(s.signal_to_noise_db)
    assert np.isnan(s.worst_db)
    assert s.below_noise_fraction == 1


def test_level_error_recovers_a_bias_and_a_tilt():
    true = np.outer(np.ones(40), np.logspace(-3, -2, 60))
    tilt_db = np.repeat([-1.0, 0.0, 1.0], 20)
    e = level_error(true * 10 ** ((0.7 + tilt_db) / 10), true, block=(10, 20))
    assert_allclose(e.median_db, 0.7, atol=1e-9)
    assert_allclose(e.spread_db, np.sqrt(2 / 3), rtol=1e-9)
    assert_allclose(e.rms_db, np.sqrt(0.7**2 + 2 / 3), rtol=1e-9)
    assert (e.n_block, e.n_below_noise) == (12, 0)


def test_level_error_of_speckle_spreads_by_its_looks_and_cells():
    rng = np.random.default_rng(1)
    true = np.full((400, 400), 1e-3)
    e = level_error(true * rng.gamma(5, 0.2, size=true.shape), true, block=(20, 20))
    expected = 10 / np.log(10) / np.sqrt(5 * 400)
    assert_allclose(e.spread_db, expected, rtol=0.15)  # 400 blocks know it to 3.5 %; four of those
    assert abs(e.bias_db) < 4 * expected / 20
    assert_allclose(e.percentile_95_db - e.percentile_5_db, 3.29 * expected, rtol=0.2)


def test_blocks_with_too_few_pixels_or_below_noise_are_told_apart():
    true = np.ones((20, 40))
    image = np.ones((20, 40))
    image[:, :10] = np.nan
    image[:, 10:20] = -1
    e = level_error(image, true, block=(10, 10))
    assert (e.n_block, e.n_below_noise) == (6, 2)
    assert_allclose([e.rms_db, e.median_db], 0, atol=1e-12)
    assert_allclose(e.bias_db, 10 * np.log10(2 / 6))
    nothing = level_error(-true, true, block=(10, 10))
    assert np.isnan([nothing.bias_db, nothing.rms_db, nothing.median_db]).all()


def test_wrong_input_is_refused_in_words():
    one = np.ones((4, 6))
    with pytest.raises(ParameterError, match=r"noise_equivalent has shape \(3, 6\)"):
        signal_to_noise(one, one[:3])
    with pytest.raises(DataError, match="Convert it from dB"):
        signal_to_noise(one, -30 * one)
    with pytest.raises(DataError, match="known noise"):
        signal_to_noise(one, one * np.nan)
    with pytest.raises(ParameterError, match="mask is"):
        signal_to_noise(one, one, mask=one)
    with pytest.raises(ParameterError, match=r"block is \(5, 1\)"):
        level_error(one, one, block=(5, 1))
    with pytest.raises(ParameterError, match="least_fraction"):
        level_error(one, one, block=(2, 2), least_fraction=0)
    with pytest.raises(DataError, match="Convert it from dB"):
        level_error(one, -one, block=(2, 2))
    with pytest.raises(DataError, match="no block"):
        level_error(one * np.nan, one, block=(2, 2))
