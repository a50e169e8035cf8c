"""True motion: rotation convention, rates by finite differences, navigation rows."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.spatial.transform import Rotation

from pingloom.simulate import echoes
from pingloom.simulate.motion import Track, rotation
from pingloom.simulate.scenario import NavigationTable, Oscillation, Scenario, VehicleTable

WAVES = (
    Oscillation(axis="surge", amplitude_m=0.05, period_s=3.0),
    Oscillation(axis="sway", amplitude_m=0.3, period_s=5.0, phase_deg=30),
    Oscillation(axis="heave", amplitude_m=0.2, period_s=4.0, phase_deg=60),
    Oscillation(axis="yaw", amplitude_deg=3.0, period_s=6.0, phase_deg=10),
    Oscillation(axis="yaw", amplitude_deg=0.5, period_s=1.5, phase_deg=80),
    Oscillation(axis="pitch", amplitude_deg=2.0, period_s=3.5),
    Oscillation(axis="roll", amplitude_deg=4.0, period_s=2.5, phase_deg=200),
)
SCENARIO = Scenario(
    vehicle=VehicleTable(altitude_m=6.0, heading_deg=130.0, n_ping=30, start_north_m=5.0, motion=WAVES)
)
TIME = np.linspace(-1, 9, 37)


def derivative(function, step=1e-4):
    return (function(TIME + step) - function(TIME - step)) / (2 * step)


def test_rotation_is_intrinsic_yaw_pitch_roll():
    heading, pitch, roll = 0.7, -0.2, 0.4
    expected = Rotation.from_euler("ZYX", [heading, pitch, roll]).as_matrix()
    assert_allclose(rotation(heading, pitch, roll), expected, atol=1e-15)


@pytest.mark.parametrize(
    ("angles", "body", "world"),
    [
        ((np.pi / 2, 0, 0), (1, 0, 0), (0, 1, 0)),  # heading east: the bow points east
        ((0, 0.1, 0), (1, 0, 0), (np.cos(0.1), 0, -np.sin(0.1))),  # bow up is against down
        ((0, 0, 0.1), (0, 1, 0), (0, np.cos(0.1), np.sin(0.1))),  # starboard goes down
    ],
)
def test_signs_of_angles(angles, body, world):
    assert_allclose(rotation(*angles) @ body, world, atol=1e-15)


def test_velocity_is_the_derivative_of_position():
    track = Track.of(SCENARIO)
    # Central differences of step 1e-4 s: third derivatives below 3 m/s^3 leave 5e-9, rounding 1e-11.
    assert_allclose(track.velocity(TIME), derivative(track.position), atol=2e-8)


def test_angle_rates_are_the_derivatives_of_the_angles():
    track = Track.of(SCENARIO)
    assert_allclose(track.angle_rates(TIME), derivative(track.angles), atol=2e-8)


def test_levelled_speeds_turn_with_the_heading():
    track = Track.of(SCENARIO)
    heading = track.angles(TIME)[:, 0]
    level = Rotation.from_euler("Z", heading[:, None]).inv()
    assert_allclose(track.levelled_velocity(TIME), level.apply(track.velocity(TIME)), atol=1e-12)


def test_lever_arm_is_turned_by_the_full_attitude():
    track = Track.of(SCENARIO)
    arm = np.array([0.4, -0.1, 0.25])
    turned = Rotation.from_euler("ZYX", track.angles(TIME)).apply(arm)
    assert_allclose(track.points(TIME, arm), track.position(TIME) + turned, atol=1e-12)


def test_navigation_at_the_ping_times_is_the_truth():
    nav, truth = echoes.platform(SCENARIO), echoes.truth(SCENARIO)
    assert (nav.time_ns == truth["ping_time_ns"]).all()
    assert_allclose(np.stack([nav.north_m, nav.east_m, nav.depth_m], 1), truth["position_m"])
    assert_allclose(np.stack([nav.heading_rad, nav.pitch_rad, nav.roll_rad], 1), truth["angles_rad"])
    assert_allclose(nav.altitude_m + nav.depth_m, SCENARIO.seabed_depth_m)


def test_navigation_at_its_own_rate_covers_every_ping():
    table = NavigationTable(rate_hz=50.0, rates=False, altitude=False)
    nav = echoes.platform(dataclasses.replace(SCENARIO, navigation=table))
    times = echoes.ping_times_ns(SCENARIO)
    assert nav.time_ns[0] < times[0]
    assert nav.time_ns[-1] > times[-1] + np.uint64(1e9 / 11)
    assert set(np.diff(nav.time_ns).tolist()) == {20_000_000}
    assert nav.heading_rate_rad_s is None
    assert nav.altitude_m is None
    assert nav.speed_forward_m_s is not None
