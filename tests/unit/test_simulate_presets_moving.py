"""Presets of moving vehicles: what their titles promise."""

from __future__ import annotations

import numpy as np
import pytest

from pingloom.bench.legs import legs
from pingloom.imaging.frames import Trajectory
from pingloom.simulate import echoes
from pingloom.simulate.motion import Track
from pingloom.simulate.presets import load_preset


def track_of(name):
    scenario = load_preset(name)
    return scenario, Track.of(scenario), np.linspace(0, scenario.vehicle.duration_s, 400)


def test_crabbing_leg_points_eleven_degrees_off_its_way():
    scenario, track, times = track_of("crabbing_leg")
    off = np.degrees(track.angles(times)[:, 0]) - scenario.vehicle.heading_deg
    assert off.mean() == pytest.approx(
        -np.degrees(np.arctan(0.35 / 1.8)), abs=0.1
    )  # its yaw of 0.5 degrees on top


def test_lively_small_vehicle_rolls_by_degrees_and_logs_errors():
    scenario, track, times = track_of("lively_small_vehicle")
    assert 2 < np.degrees(np.std(track.angles(times)[:, 2])) < 6
    wrong = echoes.truth(scenario)["navigation_angle_error_rad"][:, 0]
    assert np.degrees(np.median(wrong)) == pytest.approx(0.3, abs=0.05)
    assert echoes.platform(scenario).heading_uncertainty_rad > 0


def test_harbour_approach_has_three_legs_and_a_block_that_two_of_them_see():
    scenario, _, _ = track_of("harbour_approach")
    found = legs(Trajectory.from_platform(echoes.platform(scenario)), echoes.ping_times_ns(scenario))
    courses = [np.degrees(leg.frame.heading_rad) for leg in found]
    np.testing.assert_allclose(courses, [20, 200, 325], atol=1.0)
    assert scenario.seabed_depth_m == 6.0
    delay = echoes.truth(scenario)["delay_starboard_s"][0, :, 0]
    near = delay < 2 * scenario.sonar.range_stop_m / scenario.water.sound_speed_m_s
    assert near[:60].any()
    assert near[-60:].any()
