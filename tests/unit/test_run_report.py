"""Times and counts of a run, kept in memory that doesn't grow."""

from __future__ import annotations

import numpy as np
import pytest

from pingloom.bench.run_report import Counts, Times
from pingloom.imaging.chain import StepReport


def test_medians_are_told_within_half_a_per_cent():
    times = Times()
    drawn = np.random.default_rng(5).lognormal(np.log(7e-3), 0.3, 1001)
    for value in drawn:
        times.add(float(value))
    assert times.n == 1001
    assert times.median_s() == pytest.approx(np.median(drawn), rel=0.0051)


def test_none_has_no_median_and_extremes_are_kept_at_the_ends():
    times = Times()
    assert np.isnan(times.median_s())
    for value in (0.0, 1e9, 1e9):
        times.add(value)
    assert times.median_s() == pytest.approx(1e3, rel=0.02)


def test_counts_tell_imaged_from_left_out_and_why():
    counts, other = Counts(), Counts()
    counts.take(StepReport("port", 0, 10, 2, 3, 5.0))
    other.take(StepReport("port", 1, 0, 0, 0, float("nan"), "no navigation at its time"))
    other.take(StepReport("port", 2, 0, 0, 0, float("nan"), "no navigation at its time"))
    counts.add(other)
    assert (counts.imaged, counts.late_pixels, counts.uncovered_pixels) == (1, 2, 3)
    assert counts.left_out == {"no navigation at its time": 2}
