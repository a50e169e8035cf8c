"""Times and counts of a run, kept in memory that doesn't grow."""

from __future__ import annotations

import numpy as np
import pytest

from pingloom.bench._image_summary import say_estimated
from pingloom.bench.console import Report
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


def test_what_was_estimated_is_told_in_one_line_a_side(capsys) -> None:
    found = {
        "pings": 40,
        "altitude_fixes": 38,
        "echo_less_given_altitude_mean_m": -0.214,
        "receivers_left_out": [[0, 9], [0, 22]],
        "receiver_phase_rms_deg": 19.6,
        "looks_matched": 0,
        "refusals": {"too far apart": 3, "too dim": 5, "between the legs": 30},
    }
    say_estimated(Report(as_json=False, quiet=False), {"port": found})
    assert capsys.readouterr().out == (
        "estimated, port: altitude in 38 of 40 pings, -0.21 m off the given one; 2 receivers left out; receivers' phases "
        "19.6 degrees rms; 8 pairs of looks not used, most often: too dim\n"
    )
    say_estimated(Report(as_json=False, quiet=False), None)
    assert capsys.readouterr().out == ""
