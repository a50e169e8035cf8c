"""Regions of known level and spread go in; contrasts and their stated errors come out."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pingloom.bench.measure.contrast import Region, contrast, region_level
from pingloom.imaging.errors import DataError, ParameterError


def scene(rng, *, ratio, looks, shape=(40, 40)):
    """Independent gamma pixels of unit mean with a square of another level; its mask and the rest's."""
    inside = np.zeros(shape, bool)
    inside[15:25, 15:25] = True
    image = rng.gamma(looks, 1 / looks, size=shape) * np.where(inside, ratio, 1.0)
    return image, inside, ~inside


@pytest.mark.parametrize("ratio", [8.0, 0.1])
@pytest.mark.parametrize("looks", [1, 10])
def test_contrast_is_right_and_spreads_as_it_says(ratio, looks):
    rng = np.random.default_rng(3)
    got = []
    for _ in range(400):
        image, inside, outside = scene(rng, ratio=ratio, looks=looks)
        got.append(contrast(image, region=inside, background=outside, cell_pixels=1))
    db = np.array([c.ratio_db for c in got])
    cnr = np.array([c.contrast_to_noise for c in got])
    stated_db = np.mean([c.ratio_standard_error_db for c in got])
    stated_cnr = np.mean([c.contrast_to_noise_standard_error for c in got])
    # 400 trials know a standard deviation to 3.5 %; first order in 1/100 cells.
    assert_allclose(db.std(), stated_db, rtol=0.12)
    assert_allclose(cnr.std(), stated_cnr, rtol=0.15)
    # The mean of 400 trials is known to stated/20; the mean of dB lies 2.2/(looks cells) dB below the dB of the mean.
    assert abs(db.mean() - 10 * np.log10(ratio)) < 3 * stated_db / 20 + 0.022 / looks
    expected = abs(ratio - 1) / np.sqrt((ratio**2 + 1) / looks)
    assert_allclose(cnr.mean(), expected, rtol=0.02)  # small-sample bias of a ratio, 1/cells


def test_cells_are_measured_on_the_background_when_not_given():
    rng = np.random.default_rng(1)
    image, inside, outside = scene(rng, ratio=4, looks=3)
    coarse = np.repeat(np.repeat(image, 3, axis=0), 2, axis=1)
    big_in, big_out = (np.repeat(np.repeat(m, 3, axis=0), 2, axis=1) for m in (inside, outside))
    c = contrast(coarse, region=big_in, background=big_out)
    assert_allclose(
        c.background.cells, 1500, rtol=0.15
    )  # the correlation of 1500 cells is known to some per cent
    assert_allclose(c.region.cells, 100, rtol=0.15)
    assert_allclose(c.ratio_db, contrast(image, region=inside, background=outside).ratio_db, rtol=1e-12)


def test_unseen_pixels_do_not_count():
    rng = np.random.default_rng(2)
    image, inside, outside = scene(rng, ratio=4, looks=3)
    holed = image.copy()
    holed[16, 16] = np.nan
    holed[0] = np.nan
    c = contrast(holed, region=inside, background=outside, cell_pixels=1)
    assert (c.region.n_pixel, c.background.n_pixel) == (99, 1460)
    assert_allclose(c.region.mean, np.nanmean(holed[15:25, 15:25]))


def test_a_shadow_below_the_subtracted_noise_has_no_level_in_db_but_a_contrast_to_noise():
    rng = np.random.default_rng(4)
    image, inside, outside = scene(rng, ratio=0.01, looks=4)
    c = contrast(image - np.where(inside, 0.05, 0), region=inside, background=outside, cell_pixels=1)
    assert np.isnan(c.ratio_db)
    assert np.isnan(c.ratio_standard_error_db)
    assert_allclose(c.contrast_to_noise, 1.05 * 2, rtol=0.1)
    assert np.isfinite(c.contrast_to_noise_standard_error)


def test_level_of_a_region_gives_mean_spread_and_error():
    rng = np.random.default_rng(5)
    image = rng.gamma(4, 0.5, size=(100, 100))
    level = region_level(image, np.ones(image.shape, bool), cell_pixels=4)
    assert_allclose(level.mean, 2, rtol=0.02)
    assert_allclose(level.standard_deviation, 1, rtol=0.03)
    assert_allclose(level.standard_error, level.standard_deviation / 50, rtol=1e-12)


def test_region_takes_pixel_centres_from_min_up_to_but_not_including_max():
    along, across = np.arange(10) * 0.5, -np.arange(8)[::-1] * 0.25  # 0 ... 4.5 and -1.75 ... 0
    region = Region(along_min_m=1.0, along_max_m=2.0, across_min_m=-1.0, across_max_m=-0.4)
    assert region.slices(along, across) == (slice(2, 4), slice(3, 6))
    mask = region.mask(along, across)
    assert mask.sum() == 6
    assert mask[2:4, 3:6].all()


def test_neighbouring_regions_share_no_pixel():
    along = np.arange(10.0)
    one = Region(along_min_m=0, along_max_m=5, across_min_m=0, across_max_m=5).mask(along, along)
    two = Region(along_min_m=5, along_max_m=10, across_min_m=0, across_max_m=5).mask(along, along)
    assert not (one & two).any()
    assert (one | two).sum() == 50


def test_region_around_a_point():
    r = Region.around(10, -20, half_along_m=1, half_across_m=2)
    assert (r.along_min_m, r.along_max_m, r.across_min_m, r.across_max_m) == (9, 11, -22, -18)


def test_wrong_input_is_refused_in_words():
    image, inside, outside = scene(np.random.default_rng(0), ratio=2, looks=2)
    with pytest.raises(ParameterError, match="share 100 pixels"):
        contrast(image, region=inside, background=np.ones_like(inside), cell_pixels=1)
    with pytest.raises(ParameterError, match="region is bool of shape"):
        contrast(image, region=inside[:3], background=outside)
    with pytest.raises(DataError, match="holds 0 seen pixels"):
        contrast(np.where(inside, np.nan, image), region=inside, background=outside, cell_pixels=1)
    with pytest.raises(DataError, match="background holds no pixel"):
        contrast(image, region=inside, background=np.zeros_like(inside))
    with pytest.raises(DataError, match="background has mean intensity"):
        contrast(-image, region=inside, background=outside, cell_pixels=1)
    with pytest.raises(DataError, match="both constant"):
        contrast(np.ones((40, 40)), region=inside, background=outside, cell_pixels=1)
    with pytest.raises(ParameterError, match="finite and increasing"):
        Region(along_min_m=1, along_max_m=1, across_min_m=0, across_max_m=1)
    region = Region(along_min_m=50, along_max_m=60, across_min_m=0, across_max_m=1)
    with pytest.raises(ParameterError, match="holds no pixel from 50 to 60 m"):
        region.slices(np.arange(10.0), np.arange(10.0))
    with pytest.raises(ParameterError, match="strictly increasing"):
        region.slices(np.zeros(4), np.arange(10.0))
