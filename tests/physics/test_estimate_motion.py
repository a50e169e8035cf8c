"""Errors put into the navigation of simulated lines, and what the overlap of adjacent looks finds of them.

Errors are random walks over the pings, the same on both axes; they are judged as the chain's image is: rms over the
17 pings that see a point at 25 m, their mean removed, and the peak of point targets.
"""

from __future__ import annotations

import numpy as np
import pytest

from pingloom.imaging.estimate.motion import MotionEstimator
from pingloom.imaging.frames import Trajectory
from pingloom.imaging.records import Ping
from tests.physics.motion_lines import FRAME, estimate, image, line, local_rms, walk


@pytest.mark.parametrize(("name", "seed"), [("450 kHz", 1), ("450 kHz", 2), ("300 kHz", 3)])
def test_drift_on_both_axes_is_taken_out(name, seed) -> None:
    """Steps of 30 mm a ping make 50 mm rms over the pings that see a point."""
    made = line(name, seed)
    error = walk(made, seed, 0.030)
    spoilt = made.platform(error)
    fixes, _ = estimate(made, spoilt)
    # Shifts are along heading and to starboard; the heading is the strip's here, and east is to starboard.
    left = error + np.array([[f.along_m, f.starboard_m] for f in fixes])
    assert local_rms(error).min() > 0.025
    assert local_rms(left)[1] < 0.004  # 1.2 to 2.8 mm when this was written
    assert local_rms(left)[0] < 0.041  # what costs 1 dB along track
    perfect = image(made, made.platform())
    before, after = image(made, spoilt), image(made, spoilt, fixes)
    for p, b, a in zip(perfect, before, after, strict=True):
        assert p.peak_db - b.peak_db > 2
        assert p.peak_db - a.peak_db < 0.5  # asked: 1.0
    contrast = [p.contrast_db - a.contrast_db for p, a in zip(perfect, after, strict=True)]
    assert np.max(contrast) < 0.3


@pytest.mark.parametrize(("name", "seed"), [("450 kHz", 2), ("300 kHz", 3)])
def test_perfect_navigation_is_left_in_peace(name, seed) -> None:
    made = line(name, seed)
    good = made.platform()
    fixes, state = estimate(made, good)
    assert state.n_match == len(made.pings) - 1
    for p, a in zip(image(made, good), image(made, good, fixes), strict=True):
        assert p.peak_db - a.peak_db < 0.05
        assert abs(p.along_m - a.along_m) < 0.012  # a tenth of a cell along
        assert abs(p.across_m - a.across_m) < 0.005  # and less than a fifth of one across


def test_each_match_states_its_own_error() -> None:
    made = line("450 kHz", 1)
    error = walk(made, 5, 0.010)
    fixes, _ = estimate(made, made.platform(error))
    step = np.diff(error, axis=0)
    matches = [f.match for f in fixes[1:]]
    for axis, (value, std) in enumerate((("along_m", "along_std_m"), ("across_m", "across_std_m"))):
        ratio = np.array(
            [(getattr(m, value) - s[axis]) / getattr(m, std) for m, s in zip(matches, step, strict=True)]
        )
        assert 0.4 < np.sqrt(np.mean(ratio**2)) < 1.7, value
    assert 0.12 < np.mean([m.correlation for m in matches]) < 0.25


def test_a_featureless_line_is_declined() -> None:
    made = line("450 kHz", 1)
    rng = np.random.default_rng(0)
    rms = float(np.sqrt(np.mean(np.abs(made.pings[0].echo) ** 2)))
    noise = [
        Ping(
            side=p.side,
            number=p.number,
            time_ns=p.time_ns,
            echo=(rms * (rng.standard_normal((2, *p.echo.shape)) * [[[[1]]], [[[1j]]]]).sum(axis=0)).astype(
                np.complex64
            ),
        )
        for p in made.pings[:8]
    ]
    fixes, state = estimate(made, made.platform(), pings=noise)
    assert state.n_match == 0
    assert all("stands out of chance" in f.reason for f in fixes[1:])
    assert all((f.along_m, f.starboard_m, f.heading_rad) == (0, 0, 0) for f in fixes)


def test_too_widely_spaced_pings_are_declined() -> None:
    made = line("450 kHz", 4, n_ping=4, rate_hz=6.0)  # 0.3 m apart, an array of 0.6 m
    fixes, state = estimate(made, made.platform())
    assert state.n_refused == 3
    assert "share 0.00 of their field" in fixes[-1].reason


def test_a_step_beyond_the_search_is_refused() -> None:
    made = line("450 kHz", 1)
    error = np.zeros((len(made.pings), 2))
    error[6:, 1] = 0.3
    fixes, _ = estimate(made, made.platform(error), pings=made.pings[:12])
    assert fixes[6].reason
    assert [f.reason for f in fixes[7:]] == [""] * 5
    assert abs(fixes[11].starboard_m) < 0.02, "no false shift is taken up"


def test_a_rejected_ping_is_not_compared() -> None:
    made = line("450 kHz", 1)
    platform = made.platform()
    trajectory = Trajectory.from_platform(platform)
    estimator = MotionEstimator.prepare(made.sonar, made.water, trajectory, platform)
    state, _ = estimator.update(estimator.start(), estimator.lay(made.pings[0], trajectory, FRAME))
    state, fix = estimator.update(state, None)
    assert "rejected" in fix.reason
    _, fix = estimator.update(state, estimator.lay(made.pings[2], trajectory, FRAME))
    assert "no look before" in fix.reason
