"""Level over its local mean, for pictures."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pingloom.bench.normalise import normalised
from pingloom.imaging.errors import ParameterError

PIXEL = dict(pixel_along_m=0.1, pixel_across_m=0.05)


def test_a_level_that_falls_with_range_comes_out_even() -> None:
    across = np.linspace(8, 40, 640)
    rng = np.random.default_rng(1)
    speckle = rng.gamma(8.0, 1 / 8, (300, across.size))
    got = normalised(speckle * across**-4, along_m=10.0, **PIXEL)
    assert got.dtype == np.float32
    # Mean of 6000 draws each: a third of a per cent of scatter.
    assert_allclose(got[:, 20:-20].reshape(300, 30, 20).mean(axis=(0, 2)), 1.0, atol=0.03)
    assert got[:, :320].std() == pytest.approx(speckle.std(), rel=0.05)


def test_edges_and_gaps_do_not_darken_their_surroundings() -> None:
    level = np.ones((100, 80))
    level[40:60, 30:50] = np.nan
    got = normalised(level, along_m=5.0, **PIXEL)
    assert np.isnan(got[40:60, 30:50]).all()
    assert_allclose(got[np.isfinite(level)], 1.0, rtol=1e-6)


def test_what_is_brighter_than_around_stays_so_by_its_ratio() -> None:
    level = np.full((400, 200), 0.01)
    level[200, 100] = 0.5
    got = normalised(level, along_m=20.0, **PIXEL)
    # It counts as four of the usual in the mean, so that its surroundings don't go dark.
    n = 201 * 21
    assert got[200, 100] == pytest.approx(50 / ((n - 1 + 4) / n), rel=1e-3)
    assert got[200, 101] == pytest.approx(1.0, abs=1e-3)


def test_a_window_below_a_pixel_is_refused() -> None:
    with pytest.raises(ParameterError, match=r"--normalise is 0\.05 m; allowed: above the pixel of 0\.1 m"):
        normalised(np.ones((4, 4)), along_m=0.05, **PIXEL)
