"""The logged navigation: each error alone, against what it must come to; without errors, the truth."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from pingloom.imaging.errors import ParameterError
from pingloom.simulate import echoes
from pingloom.simulate.motion import Track
from pingloom.simulate.scenario import NavigationTable, Oscillation, Scenario, SeabedTable, VehicleTable

WAVES = (
    Oscillation(axis="yaw", amplitude_deg=2.0, period_s=6.0),
    Oscillation(axis="sway", amplitude_m=0.2, period_s=5.0),
    Oscillation(axis="roll", amplitude_deg=4.0, period_s=3.0),
)
LINE = Scenario(
    seed=8, vehicle=VehicleTable(altitude_m=6.0, heading_deg=30.0, n_ping=1100, motion=WAVES)
)  # 100 s
STRAIGHT = dataclasses.replace(LINE, vehicle=dataclasses.replace(LINE.vehicle, motion=()))


def with_navigation(scenario=LINE, **table):
    return dataclasses.replace(scenario, navigation=NavigationTable(**table))


def logged(scenario=LINE, **table):
    changed = with_navigation(scenario, **table)
    return echoes.platform(changed), echoes.truth(changed)


def columns(nav):
    return {
        name: getattr(nav, name)
        for name in nav.__slots__
        if isinstance(getattr(nav, name), np.ndarray) and name != "time_ns"
    }


ZERO = dict(
    clock_offset_s=0.0, latency_s=0.0, heading_bias_deg=0.0, heading_noise_deg=0.0, velocity_walk_m_s=0.0,
    velocity_noise_m_s=0.0, position_noise_m=0.0, altitude_bias_m=0.0, dropped=0.0, frozen=0.0,
)  # fmt: skip


@pytest.mark.parametrize("rate_hz", [None, 20.0])
def test_errors_of_no_size_leave_every_bit(rate_hz):
    plain, _ = logged(rate_hz=rate_hz)
    other, truth = logged(rate_hz=rate_hz, **ZERO)
    assert_array_equal(plain.time_ns, other.time_ns)
    for name, column in columns(plain).items():
        assert_array_equal(getattr(other, name), column)
    assert not [name for name in truth if name.startswith("navigation")]
    assert plain.heading_uncertainty_rad is None


def test_an_error_without_effect_goes_through_the_chain_of_errors_to_rounding():
    plain, _ = logged()
    other, _ = logged(heading_bias_deg=1e-13)
    for name, column in columns(plain).items():
        assert_allclose(getattr(other, name), column, atol=1e-11)  # 180 m: rounding 3e-14 a step, 1100 steps


def test_truth_at_the_pings_does_not_depend_on_the_navigation():
    _, plain = logged()
    _, other = logged(heading_bias_deg=2.0, latency_s=0.2, frozen=0.1)
    for name, array in plain.items():
        assert_array_equal(other[name], array)


def test_latency_gives_the_state_of_that_long_ago():
    nav, _ = logged(latency_s=0.03, rate_hz=25.0)
    track = Track.of(LINE)
    seconds = (nav.time_ns.astype(np.int64) - LINE.vehicle.start_time_ns) / 1e9
    # Dead reckoning integrates errors only, and lateness isn't one of speed or heading.
    assert_allclose(
        np.stack([nav.north_m, nav.east_m, nav.depth_m], 1), track.position(seconds - 0.03), atol=1e-12
    )
    assert_allclose(np.stack([nav.heading_rad, nav.pitch_rad, nav.roll_rad], 1), track.angles(seconds - 0.03))


def test_clock_offset_moves_the_stamps_and_nothing_else():
    nav, truth = logged(clock_offset_s=0.25, rate_hz=10.0)
    assert set(
        (nav.time_ns.astype(np.int64) - truth["navigation_true_time_ns"].astype(np.int64)).tolist()
    ) == {250_000_000}
    seconds = (truth["navigation_true_time_ns"].astype(np.int64) - LINE.vehicle.start_time_ns) / 1e9
    assert_allclose(nav.heading_rad, Track.of(LINE).angles(seconds)[:, 0])
    pings = echoes.ping_times_ns(LINE)
    assert nav.time_ns[0] < pings[0]
    assert nav.time_ns[-1] > pings[-1] + np.uint64(1e9 / 11)
    early, _ = logged(clock_offset_s=-0.25, rate_hz=10.0)
    assert early.time_ns[-1] > pings[-1] + np.uint64(1e9 / 11)


def test_heading_bias_drifts_sideways_by_its_sine():
    nav, truth = logged(STRAIGHT, heading_bias_deg=1.5)
    way = 1.8 * (nav.time_ns - nav.time_ns[0]) / 1e9
    wrong = truth["navigation_position_error_m"]
    course = np.radians(30.0)
    along = np.cos(course) * wrong[:, 0] + np.sin(course) * wrong[:, 1]
    across = np.cos(course) * wrong[:, 1] - np.sin(course) * wrong[:, 0]
    assert_allclose(across, way * np.sin(np.radians(1.5)), atol=1e-9)
    assert_allclose(along, way * (np.cos(np.radians(1.5)) - 1), atol=1e-9)
    assert_allclose(truth["navigation_angle_error_rad"][:, 0], np.radians(1.5), atol=1e-12)
    assert nav.heading_uncertainty_rad == pytest.approx(np.radians(1.5))


def test_velocity_bias_drifts_along_its_own_direction():
    nav, truth = logged(STRAIGHT, velocity_bias_forward_m_s=0.02, velocity_bias_starboard_m_s=-0.01)
    time = (nav.time_ns - nav.time_ns[0]) / 1e9
    course = np.radians(30.0)
    forward, starboard = (
        np.array([np.cos(course), np.sin(course)]),
        np.array([-np.sin(course), np.cos(course)]),
    )
    expected = time[:, None] * (0.02 * forward - 0.01 * starboard)
    assert_allclose(truth["navigation_position_error_m"][:, :2], expected, atol=1e-9)
    assert nav.velocity_uncertainty_m_s == pytest.approx(np.sqrt((0.02**2 + 0.01**2) / 2))


def test_positions_from_elsewhere_do_not_drift():
    _, truth = logged(heading_bias_deg=1.5, velocity_walk_m_s=0.05, position="fixed")
    assert_array_equal(truth["navigation_position_error_m"], 0)


def test_velocity_walk_grows_with_the_root_and_the_place_with_the_three_halves_power():
    wrong = []
    for seed in range(60):
        _, truth = logged(dataclasses.replace(STRAIGHT, seed=seed), velocity_walk_m_s=0.01, rate_hz=4.0)
        wrong.append(
            (truth["navigation_speed_error_m_s"][:, :2], truth["navigation_position_error_m"][:, :2])
        )
    speed, place = np.array([w[0] for w in wrong]), np.array([w[1] for w in wrong])
    time = np.arange(speed.shape[1]) / 4.0
    for i in (100, 200, 400):
        # 120 values (two axes): variance within 3 sqrt(2 / 120).
        assert_allclose(np.mean(speed[:, i] ** 2), 1e-4 * time[i], rtol=0.39)
        assert_allclose(np.mean(place[:, i] ** 2), 1e-4 * time[i] ** 3 / 3, rtol=0.39)
    increments = np.diff(speed, axis=1)
    assert_allclose(np.std(increments), 0.01 * np.sqrt(0.25), rtol=0.015)  # 48000 values: 3 / sqrt(2 n)


@pytest.mark.parametrize(
    ("table", "array", "index", "rms"),
    [
        ({"heading_noise_deg": 0.5}, "angle_error_rad", 0, np.radians(0.5)),
        ({"attitude_noise_deg": 0.3}, "angle_error_rad", 1, np.radians(0.3)),
        ({"attitude_noise_deg": 0.3}, "angle_error_rad", 2, np.radians(0.3)),
        ({"velocity_noise_m_s": 0.02}, "speed_error_m_s", 1, 0.02),
        ({"position_noise_m": 0.4}, "position_error_m", 1, 0.4),
        ({"depth_noise_m": 0.05}, "position_error_m", 2, 0.05),
        ({"position_step_m": 0.1}, "position_error_m", 0, 0.1 / np.sqrt(12)),
        ({"angle_step_deg": 0.1}, "angle_error_rad", 2, np.radians(0.1) / np.sqrt(12)),
    ],
)
def test_noise_and_steps_have_their_rms_and_are_new_in_each_row(table, array, index, rms):
    _, truth = logged(position="fixed", **table)
    wrong = truth[f"navigation_{array}"][:, index]
    # 1100 values: 3 / sqrt(2 x 1100); rounding errors are no less even.
    assert_allclose(np.std(wrong), rms, rtol=0.065)
    assert abs(np.mean(wrong)) < 4 * rms / np.sqrt(1100)
    if "noise" in next(iter(table)):
        assert abs(np.mean(wrong[1:] * wrong[:-1])) < 4 * rms**2 / np.sqrt(1100)


def test_rounded_values_are_multiples_of_the_step():
    nav, _ = logged(angle_step_deg=0.05, position_step_m=0.01, speed_step_m_s=0.002)
    for column, step in (
        (np.degrees(nav.heading_rad), 0.05),
        (nav.north_m, 0.01),
        (nav.altitude_m, 0.01),
        (nav.speed_down_m_s, 0.002),
        (nav.speed_forward_m_s, 0.002),
    ):
        assert_allclose(column / step, np.rint(column / step), atol=1e-9)


def test_altitude_has_its_bias_and_noise():
    nav, _ = logged(altitude_bias_m=0.3, altitude_noise_m=0.1)
    wrong = nav.altitude_m - (LINE.seabed_depth_m - nav.depth_m)
    assert_allclose(np.mean(wrong), 0.3, atol=4 * 0.1 / np.sqrt(1100))
    assert_allclose(np.std(wrong), 0.1, rtol=0.065)


def test_altitude_is_that_over_the_sloping_seabed_straight_below():
    sloping = dataclasses.replace(STRAIGHT, seabed=SeabedTable(slope_along_deg=1.0))
    nav, _ = logged(sloping)
    way = 1.8 * (nav.time_ns - nav.time_ns[0]) / 1e9
    assert_allclose(nav.altitude_m, 6.0 - way * np.tan(np.radians(1.0)), atol=1e-9)


def test_dropped_rows_are_missing_and_the_others_untouched():
    whole, _ = logged(rate_hz=20.0)
    nav, truth = logged(rate_hz=20.0, dropped=0.3)
    kept = np.isin(whole.time_ns, nav.time_ns)
    assert_allclose(1 - kept.mean(), 0.3, atol=4 * np.sqrt(0.21 / kept.size))
    assert kept[[0, -1]].all()
    assert_array_equal(nav.north_m, whole.north_m[kept])
    assert truth["navigation_position_error_m"].shape == (nav.time_ns.size, 3)


def test_frozen_rows_repeat_the_last_good_one_for_the_spells_time():
    whole, _ = logged(rate_hz=20.0)
    nav, _ = logged(rate_hz=20.0, frozen=0.25, freeze_s=1.5)
    frozen = nav.north_m != whole.north_m
    begins, ends = (np.flatnonzero(np.diff(frozen.astype(int)) == k) + 1 for k in (1, -1))
    assert begins.size > 8
    for a, b in zip(begins, ends[: begins.size], strict=False):
        assert_array_equal(nav.heading_rad[a:b], whole.heading_rad[a - 1])
        assert_array_equal(nav.speed_forward_m_s[a:b], whole.speed_forward_m_s[a - 1])
    spells = (ends - begins[: ends.size]) / 20
    # One spell is 30 rows; two that touch look like one longer.
    assert np.isclose(spells, 1.5, atol=0.051).mean() > 0.6
    parts = []
    for seed in range(30):
        one, _ = logged(dataclasses.replace(LINE, seed=seed), rate_hz=20.0, frozen=0.25, freeze_s=1.5)
        parts.append(np.mean(one.north_m != whole.north_m))
    # 30 lines of about 17 spells; the gaps' chance leaves each line 0.25 x 0.75 / sqrt(17) = 0.045.
    assert_allclose(np.mean(parts), 0.25, atol=0.03)


def test_each_error_has_a_stream_of_its_own():
    alone, _ = logged(heading_noise_deg=0.5)
    beside, _ = logged(heading_noise_deg=0.5, altitude_noise_m=0.2, velocity_walk_m_s=0.01, dropped=0.0)
    assert_array_equal(alone.heading_rad, beside.heading_rad)
    again, _ = logged(heading_noise_deg=0.5)
    assert_array_equal(alone.heading_rad, again.heading_rad)
    other, _ = logged(dataclasses.replace(LINE, seed=9), heading_noise_deg=0.5)
    assert np.abs(other.heading_rad - alone.heading_rad).max() > 0.001


def test_stated_uncertainties_go_before_computed_ones():
    nav, _ = logged(heading_uncertainty_deg=0.2, velocity_uncertainty_m_s=0.03, heading_bias_deg=2.0)
    assert nav.heading_uncertainty_rad == pytest.approx(np.radians(0.2))
    assert nav.velocity_uncertainty_m_s == 0.03
    stated_only, truth = logged(heading_uncertainty_deg=0.2)
    assert stated_only.heading_uncertainty_rad == pytest.approx(np.radians(0.2))
    assert "navigation_position_error_m" not in truth
    walk, _ = logged(velocity_walk_m_s=0.01)
    assert walk.velocity_uncertainty_m_s == pytest.approx(0.01 * np.sqrt(1099 / 11 / 2))


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ({"rate_hz": 0.0}, "navigation.rate_hz is 0; allowed: above 0"),
        ({"latency_s": -1.0}, "navigation.latency_s is -1; allowed: from 0"),
        ({"dropped": 1.0}, "navigation.dropped is 1; allowed: from 0 to 0.9"),
        ({"angle_step_deg": 0.0}, "navigation.angle_step_deg is 0; allowed: above 0"),
        ({"latency_s": 120.0}, "navigation.latency_s is 120; allowed: below the line's .* 99.9"),
        ({"clock_offset_s": -120.0}, "navigation.clock_offset_s is -120; allowed: .*within the line"),
        ({"frozen": 0.1, "freeze_s": 200.0}, "navigation.freeze_s is 200; allowed: below the line's"),
        ({"rate_hz": 0.001}, "navigation.rate_hz is 0.001; allowed: at least"),
        ({"rate_hz": 2e9}, "navigation.rate_hz is 2e.09; allowed: from 0 to"),
    ],
)
def test_impossible_navigation_is_refused_by_name(table, message):
    with pytest.raises(ParameterError, match=message):
        with_navigation(**table)
