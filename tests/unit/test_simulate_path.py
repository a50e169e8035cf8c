"""Legs, turns, current and random motions: exact geometry, exact derivatives, moments and spectra."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from pingloom.imaging.errors import ParameterError
from pingloom.simulate.motion import Track
from pingloom.simulate.path import Path
from pingloom.simulate.random_motion import density, lines
from pingloom.simulate.scenario import Leg, Oscillation, RandomMotion, Scenario, SonarTable, VehicleTable

LEGS = (Leg(heading_deg=350, length_m=20), Leg(heading_deg=60, length_m=12), Leg(heading_deg=240, length_m=9))
VEHICLE = VehicleTable(
    altitude_m=6.0, legs=LEGS, turn_radius_m=7.0, start_north_m=3.0, start_east_m=-4.0, speed_m_s=1.5
)
TIMES = np.linspace(-2, VEHICLE.duration_s + 2, 301)


def derivative(function, step=1e-4):
    return (function(TIMES + step) - function(TIMES - step)) / (2 * step)


def track(**changes):
    return Track.of(Scenario(vehicle=dataclasses.replace(VEHICLE, **changes)))


# ---- legs and turns ----------------------------------------------------------------------------------------


def test_speed_over_ground_is_constant_through_legs_and_turns():
    assert_allclose(np.linalg.norm(track().velocity(TIMES), axis=-1), 1.5, rtol=1e-12)


def test_velocity_is_the_derivative_of_the_way():
    # Central differences of step 1e-4 s: third derivatives below 0.1 m/s^3 leave 2e-10, rounding 1e-11 m / 1e-4 s.
    assert_allclose(track().velocity(TIMES), derivative(track().position), atol=1e-8)


def test_legs_have_their_course_and_length_and_turns_their_angle():
    path = Path.of(VEHICLE)
    assert_allclose(path.length_m, [20, 2 * 7 * np.radians(70), 12, 2 * 7 * np.pi, 9])
    assert_allclose(np.degrees(path.turn_rad), [0, 70, 0, 180, 0])
    assert_allclose(
        path.origin_m[1] - path.origin_m[0], 20 * np.array([np.cos(np.radians(350)), np.sin(np.radians(350))])
    )
    assert VEHICLE.way_m == pytest.approx(path.length_m.sum())


def test_a_half_turn_ends_beside_its_beginning_at_the_width_that_its_rate_gives():
    path = Path.of(VEHICLE)
    course = path.course_rad[3]
    step = path.origin_m[4] - path.origin_m[3]
    along, across = (
        np.cos(course) * step[0] + np.sin(course) * step[1],
        np.cos(course) * step[1] - np.sin(course) * step[0],
    )
    # Half of length / pi times the integral of sin(x - sin(2x) / 2) over 0..pi, by the midpoint rule.
    x = (np.arange(20000) + 0.5) * np.pi / 20000
    width = 2 * 7 * np.pi * np.sin(x - np.sin(2 * x) / 2).mean()
    assert_allclose([along, across], [0, width], atol=1e-6)  # midpoint rule of 20000 steps: 1e-8


def test_the_turns_least_radius_is_the_one_given():
    rate = Path.of(VEHICLE).state(np.linspace(0, VEHICLE.duration_s, 20001)).course_rate_rad_s
    assert_allclose(rate.max(), 1.5 / 7.0, rtol=1e-6)  # 20001 times: the peak is missed by 1e-7
    by_rate = dataclasses.replace(VEHICLE, turn_radius_m=None, turn_rate_deg_s=float(np.degrees(1.5 / 7.0)))
    assert_allclose(Path.of(by_rate).length_m, Path.of(VEHICLE).length_m)


@pytest.mark.parametrize("name", ["position", "velocity", "angles", "angle_rates"])
def test_one_time_gives_what_many_give_and_leaves_the_way_as_it_was(name):
    moved = track(current_m_s=0.4, current_to_deg=10.0)
    many = getattr(moved, name)(TIMES)
    # The kernels of sine and cosine may differ by a last digit between one value and a vector of them.
    assert_allclose([getattr(moved, name)(t) for t in TIMES], many, rtol=1e-13, atol=1e-13)
    assert_array_equal(getattr(moved, name)(TIMES), many)


def test_way_round_can_be_chosen():
    to_port = dataclasses.replace(
        VEHICLE, legs=(dataclasses.replace(LEGS[0], turn="port"), LEGS[1]), n_ping=0
    )
    assert_allclose(np.degrees(to_port.turns_rad), [-290])


def test_one_leg_is_the_straight_line_of_a_scenario_without_legs():
    plain = VehicleTable(altitude_m=6.0, heading_deg=33.0, n_ping=20)
    legged = VehicleTable(altitude_m=6.0, legs=(Leg(heading_deg=33.0, length_m=60.0),))
    one, other = (Track.of(Scenario(vehicle=v)) for v in (plain, legged))
    for name in ("position", "velocity", "angles", "angle_rates"):
        assert_array_equal(getattr(one, name)(TIMES), getattr(other, name)(TIMES))


def test_pings_last_to_the_end_of_the_legs():
    end = track().position(VEHICLE.duration_s)[:2]
    path = Path.of(VEHICLE)
    last = path.origin_m[-1] + 9 * np.array([np.cos(path.course_rad[-1]), np.sin(path.course_rad[-1])])
    assert 0 <= np.linalg.norm(last - end) < 1.5 / 11


def test_motions_turn_with_the_course_and_keep_their_rates():
    waves = (
        Oscillation(axis="sway", amplitude_m=0.4, period_s=4.0),
        Oscillation(axis="surge", amplitude_m=0.2, period_s=3.0),
        Oscillation(axis="yaw", amplitude_deg=2.0, period_s=5.0),
    )
    moved = track(motion=waves, current_m_s=0.5, current_to_deg=100.0)
    # Third derivatives below 2 m/s^3 leave 4e-9, rounding 1e-10.
    assert_allclose(moved.velocity(TIMES), derivative(moved.position), atol=1e-8)
    assert_allclose(moved.angle_rates(TIMES), derivative(moved.angles), atol=1e-8)
    path = Path.of(VEHICLE).state(TIMES)
    nominal = track().position(TIMES)
    aside = (moved.position(TIMES) - nominal)[:, :2]
    across = np.cos(path.course_rad) * aside[:, 1] - np.sin(path.course_rad) * aside[:, 0]
    assert_allclose(across, 0.4 * np.sin(2 * np.pi * TIMES / 4), atol=1e-12)


# ---- current -----------------------------------------------------------------------------------------------


def test_heading_is_that_of_the_velocity_through_the_water():
    set_to = np.radians(100.0)
    moved = track(current_m_s=0.5, current_to_deg=100.0)
    through = moved.velocity(TIMES)[:, :2] - 0.5 * np.array([np.cos(set_to), np.sin(set_to)])
    heading = moved.angles(TIMES)[:, 0]
    assert_allclose(np.cos(heading), through[:, 0] / np.linalg.norm(through, axis=1), atol=1e-12)
    assert_allclose(np.sin(heading), through[:, 1] / np.linalg.norm(through, axis=1), atol=1e-12)


def test_a_current_from_port_turns_the_bow_to_port_by_the_arctangent():
    vehicle = VehicleTable(altitude_m=6.0, heading_deg=30.0, current_m_s=0.36, current_to_deg=120.0)
    crabbing = Track.of(Scenario(vehicle=vehicle))
    assert_allclose(np.degrees(crabbing.angles(5.0)[0]), 30 - np.degrees(np.arctan(0.2)), rtol=1e-12)
    plain = Track.of(Scenario(vehicle=VehicleTable(altitude_m=6.0, heading_deg=30.0)))
    assert_array_equal(crabbing.position(TIMES), plain.position(TIMES))
    # The levelled speeds: forward less, and to starboard with the water.
    assert_allclose(
        crabbing.levelled_velocity(5.0), [1.8 * np.cos(np.arctan(0.2)), 1.8 * np.sin(np.arctan(0.2)), 0]
    )


def test_slack_water_leaves_every_bit():
    slack = track(current_m_s=0.0, current_to_deg=70.0)
    assert_array_equal(slack.angles(TIMES), track().angles(TIMES))


# ---- random motions ----------------------------------------------------------------------------------------

RESONANT = RandomMotion(axis="roll", period_s=4.0, rms_deg=3.0, damping=0.15)
BAND = RandomMotion(axis="sway", period_s=3.0, rms_m=0.2, spectrum="band", octaves=2.0)


def roll(seed, time, motion=RESONANT):
    vehicle = VehicleTable(altitude_m=6.0, random_motion=(motion,))
    return Track.of(Scenario(seed=seed, vehicle=vehicle)).angles(time)[..., 2]


@pytest.mark.parametrize("motion", [RESONANT, BAND])
def test_density_integrates_to_the_variance(motion):
    frequency = np.linspace(0, 3, 300001)
    rms = np.radians(3.0) if motion is RESONANT else 0.2
    # Trapezoids of 1e-5 Hz; the band's two edges each miss half a step of 0.5 Hz.
    assert_allclose(np.trapezoid(density(motion, frequency), frequency), rms**2, rtol=3e-5)


def test_resonance_is_the_answer_of_a_damped_oscillator_to_white_noise():
    frequency = np.array([0.05, 0.2, 0.25, 0.3, 1.0, 1.3])
    x = frequency * 4.0
    expected = 1 / ((1 - x**2) ** 2 + (0.3 * x) ** 2)
    expected[-1] = 0  # cut at five times the natural frequency
    found = density(RESONANT, frequency)
    assert_allclose(found / found[0], expected / expected[0], rtol=1e-12)
    # Without the cut the variance would be pi f0 / (4 zeta) times the density at zero frequency; the cut takes 0.3 %/2.
    assert_allclose(found[0] / expected[0] * np.pi * 0.25 / 0.6, np.radians(3.0) ** 2, rtol=3e-3)


def test_random_motion_has_its_rms_and_is_gaussian():
    value = np.array([roll(seed, np.arange(0, 4000, 20.0)) for seed in range(20)]).ravel() / np.radians(3.0)
    # 4000 nearly independent values: variance within 4 sqrt(2 / 4000), third and fourth moments likewise.
    assert_allclose(np.mean(value**2), 1, atol=4 * np.sqrt(2 / 4000))
    assert abs(np.mean(value**3)) < 4 * np.sqrt(15 / 4000)
    assert abs(np.mean(value**4) - 3) < 4 * np.sqrt(96 / 4000)
    assert abs(np.mean(np.abs(value) < 1) - 0.6827) < 4 * np.sqrt(0.217 / 4000)


def test_rate_has_the_rms_of_the_spectrums_second_moment():
    frequency = np.linspace(0, 1.25, 20001)
    moment = np.trapezoid((2 * np.pi * frequency) ** 2 * density(RESONANT, frequency), frequency)
    vehicle = VehicleTable(altitude_m=6.0, random_motion=(RESONANT,))
    rate = Track.of(Scenario(vehicle=vehicle)).angle_rates(np.arange(0, 20000, 0.37))[:, 2]
    # Sinusoids' own powers sum without chance over so long a time; stratified frequencies leave about 1e-3.
    assert_allclose(np.mean(rate**2), moment, rtol=0.02)


@pytest.mark.parametrize(
    "motion", [RESONANT, dataclasses.replace(BAND, axis="roll", rms_m=None, rms_deg=3.0)]
)
def test_mean_periodogram_follows_the_density(motion):
    step, n = 0.2, 4096
    window = np.hanning(n)
    power = np.zeros(n // 2 + 1)
    for seed in range(40):
        power += np.abs(np.fft.rfft(roll(seed, np.arange(n) * step, motion) * window)) ** 2
    power *= 2 * step / np.sum(window**2) / 40
    frequency = np.fft.rfftfreq(n, step)
    for centre in (0.2, 0.25, 0.3, 0.45, 0.6):
        band = np.abs(frequency - centre) < 0.02
        wanted = density(motion, frequency[band]).mean()
        # Chance: how many of the 40 x 256 sinusoids fall into these 0.04 Hz, and the window's blurred edges (4 %).
        expected_lines = 40 * 256 * wanted * 0.04 / np.radians(3.0) ** 2
        tolerance = 0.04 + 3 / np.sqrt(max(expected_lines, 1))
        assert_allclose(power[band].mean(), wanted, rtol=tolerance, atol=1e-9 * power.max())


def test_random_motion_has_exact_rates():
    moved = track(random_motion=(BAND, RESONANT, dataclasses.replace(RESONANT, axis="yaw")))
    # Frequencies up to 1.25 Hz: third derivatives below 60 rad/s^3 x 1e-8 / 6.
    assert_allclose(moved.velocity(TIMES), derivative(moved.position), atol=3e-7)
    assert_allclose(moved.angle_rates(TIMES), derivative(moved.angles), atol=3e-7)


def test_random_motions_follow_the_seed_and_their_own_streams():
    time = np.linspace(0, 10, 11)
    assert_array_equal(roll(1, time), roll(1, time))
    assert np.abs(roll(1, time) - roll(2, time)).max() > 0.01
    both = VehicleTable(altitude_m=6.0, random_motion=(RESONANT, BAND))
    assert_array_equal(Track.of(Scenario(seed=1, vehicle=both)).angles(time)[:, 2], roll(1, time))
    assert lines(BAND, np.random.default_rng(0)).shape == (256, 3)


def test_random_motion_of_no_size_is_none():
    still = track(random_motion=(dataclasses.replace(BAND, rms_m=0.0),))
    assert_array_equal(still.position(TIMES), track().position(TIMES))


def test_bounds_hold_for_oscillations_and_random_motions():
    moved = track(motion=(Oscillation(axis="sway", amplitude_m=0.3, period_s=5.0),), random_motion=(BAND,))
    assert moved.largest("sway") == pytest.approx(0.3 + 6 * 0.2)
    assert moved.largest("heave") == 0
    assert moved.fastest("sway") > 2 * np.pi / 5 * 0.3 + 6 * 0.2 * 2 * np.pi / 6


# ---- refusals ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"turn_radius_m": None}, "turn_radius_m is absent; allowed: a radius, or turn_rate_deg_s"),
        ({"turn_radius_m": 0.5}, "turn_radius_m is 0.5; allowed: at least 1.432.*Slow down or turn wider"),
        ({"turn_rate_deg_s": 10.0}, "turn_radius_m is 7; allowed: at least 8.594"),
        ({"turn_radius_m": None, "turn_rate_deg_s": 70.0}, "turn_rate_deg_s is 70; allowed: at most 60"),
        (
            {"legs": (Leg(heading_deg=350, length_m=0.2),)},
            r"legs\[0\].length_m is 0.2; allowed: at least 0.2727",
        ),
        ({"n_ping": 5000}, "n_ping is 5000; allowed: at most .*: then the legs, .* end"),
        ({"n_ping": -1}, "n_ping is -1; allowed: at least 1"),
        ({"heading_deg": 20.0}, "heading_deg is 20; allowed: 350, as the first leg says"),
        ({"speed_m_s": 0.0}, "speed_m_s is 0; allowed: above 0 where there are legs"),
        ({"current_m_s": 0.5}, "current_m_s is alone; allowed: current_m_s with current_to_deg"),
        ({"current_m_s": 1.6, "current_to_deg": 0.0}, "current_m_s is 1.6; allowed: below speed_m_s = 1.5"),
    ],
)
def test_contradictory_way_is_refused(changes, message):
    with pytest.raises(ParameterError, match=message):
        dataclasses.replace(VEHICLE, **changes)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: RandomMotion(axis="roll", period_s=3.0, rms_m=1.0), "'roll' needs rms_deg"),
        (lambda: RandomMotion(axis="roll", period_s=0.0, rms_deg=1.0), "period_s is 0; allowed: above 0"),
        (
            lambda: RandomMotion(axis="sway", period_s=1.0, rms_m=1.0, damping=0.0),
            "damping is 0; allowed: from 0.01",
        ),
        (lambda: Leg(heading_deg=0.0, length_m=0.0), "legs.length_m is 0; allowed: above 0"),
    ],
)
def test_values_out_of_bounds_are_refused(make, message):
    with pytest.raises(ParameterError, match=message):
        make()


def test_scenario_text_brings_legs_and_random_motions_back():
    vehicle = dataclasses.replace(
        VEHICLE, random_motion=(RESONANT, BAND), current_m_s=0.2, current_to_deg=5.0
    )
    scenario = Scenario(vehicle=vehicle, sonar=SonarTable(sides="both"))
    import tomllib

    assert Scenario.from_dict(tomllib.loads(scenario.to_toml())) == scenario
