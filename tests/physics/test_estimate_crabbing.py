"""Motion from looks while a current makes the array point away from its way: peaks of matches lie slanted on the strip.

Fitted as if they lay straight, they put a perfect navigation 0.8 m and 90 mrad off within 120 pings.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from pingloom.imaging.estimate.motion import MotionEstimator
from pingloom.imaging.frames import StripFrame, Trajectory
from pingloom.imaging.records import Platform
from tests.physics.estimate_lines import Line, simulate

CRAB_DEG = np.degrees(np.arctan2(0.5, 1.8))


@cache
def crabbing(name: str) -> Line:
    vehicle = dict(n_ping=30, altitude_m=6.0, depth_m=12.0, current_m_s=0.5, current_to_deg=90.0)
    sonar = dict(n_channel=40, channel_pitch_m=0.016, transmit_along_m=0.04) if name == "300 kHz" else None
    return simulate(
        name, 6, sonar=sonar, vehicle=vehicle, water=dict(noise_db=45.0), seabed=dict(per_cell=4.0)
    )


def applied(made: Line, platform: Platform) -> np.ndarray:
    """(ping, 3) shifts along, to starboard and of heading."""
    trajectory = Trajectory.from_platform(platform)
    estimator = MotionEstimator.prepare(made.sonar, made.water, trajectory, platform)
    state, rows = estimator.start(), []
    for ping in made.pings:
        state, fix = estimator.update(state, estimator.lay(ping, trajectory, StripFrame(0.0, 0.0, 0.0)))
        rows.append((fix.along_m, fix.starboard_m, fix.heading_rad))
    assert state.n_match >= len(made.pings) - 2
    return np.array(rows)


@pytest.mark.parametrize("name", ["450 kHz", "300 kHz"])
def test_a_perfect_navigation_is_left_in_peace(name) -> None:
    made = crabbing(name)
    assert np.degrees(made.platform.heading_rad.mean()) == pytest.approx(-CRAB_DEG, abs=0.1)
    along, starboard, heading = np.abs(applied(made, made.platform)).max(axis=0)
    assert along < 0.012
    assert starboard < 0.005
    assert heading < 1e-3


def test_a_drift_is_taken_out() -> None:
    made = crabbing("450 kHz")
    n = len(made.pings)
    time = made.platform.time_ns.astype(float)
    number = np.searchsorted([p.time_ns for p in made.pings], time, side="right").clip(1) - 1
    drift = np.cumsum(0.02 * np.random.default_rng(3).standard_normal((n, 2)), axis=0)
    wrong = replace(
        made.platform,
        north_m=made.platform.north_m + drift[number, 0],
        east_m=made.platform.east_m + drift[number, 1],
        speed_forward_m_s=None,
        speed_starboard_m_s=None,
        speed_down_m_s=None,
    )
    shift = applied(made, wrong)
    c, s = np.cos(np.deg2rad(CRAB_DEG)), -np.sin(np.deg2rad(CRAB_DEG))
    # Shifts are along the heading and to its starboard.
    left = drift + np.stack([c * shift[:, 0] - s * shift[:, 1], s * shift[:, 0] + c * shift[:, 1]], axis=1)
    # Across the array, to a fraction of a range cell of 22 mm.
    across, before = left @ [-s, c], drift @ [-s, c]
    assert np.std(before) > 0.025
    assert np.std(across[2:]) < 0.006
