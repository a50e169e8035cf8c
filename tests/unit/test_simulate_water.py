"""The scenario's water: ways to give sound speed and absorption, what is refused, what the recording says."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pingloom.imaging import seawater
from pingloom.imaging.errors import ParameterError
from pingloom.simulate import echoes
from pingloom.simulate.scenario import NavigationTable, Oscillation, Scenario, VehicleTable, WaterTable
from pingloom.simulate.water_column import absorption_db_m, column, sound_speed_at_m_s

VEHICLE = VehicleTable(depth_m=8.0, altitude_m=6.0, n_ping=40, ping_rate_hz=5.0)
DEPTH = (0.0, 4.0, 9.0, 20.0)
SPEED = (1520.0, 1518.0, 1500.0, 1498.0)
TEMPERATURE = (20.0, 19.0, 13.0, 11.0)
SALINITY = (34.0, 34.2, 35.0, 35.1)


def scenario(**water):
    return Scenario(vehicle=VEHICLE, water=WaterTable(**water))


def test_nothing_said_is_1500_everywhere_as_ever():
    table = WaterTable()
    assert (table.sound_speed_m_s, table.temperature_c, table.salinity) == (1500.0, 10.0, 35.0)
    assert not table.has_profile
    assert Scenario.from_dict(Scenario().to_dict()) == Scenario()
    water = echoes.water(Scenario())
    assert water.sound_speed_m_s == 1500.0
    assert water.profile_depth_m is None


@pytest.mark.parametrize("model", ["chen-millero", "del-grosso", "mackenzie", "medwin"])
def test_a_named_formula_gives_one_speed_halfway_down(model):
    s = scenario(sound_speed_model=model, temperature_c=12.0, salinity=33.0)
    assert s.sound_speed_m_s == float(seawater.sound_speed_m_s(12.0, 33.0, 11.0, model=model))
    assert not s.water.has_profile
    assert Scenario.from_dict(s.to_dict()) == s


def test_a_measured_profile_is_recorded_as_given_with_its_mean_beside_it():
    s = scenario(profile_depth_m=DEPTH, profile_sound_speed_m_s=SPEED)
    water = echoes.water(s)
    assert_allclose(water.profile_depth_m, DEPTH)
    assert_allclose(water.profile_sound_speed_m_s, SPEED)
    # Distance over time straight down from 8 to 14 m, by fine steps.
    z = np.linspace(8, 14, 600001)
    mean = 6 / np.trapezoid(1 / np.interp(z, DEPTH, SPEED), z)
    assert_allclose(water.sound_speed_m_s, mean, rtol=1e-9)
    assert Scenario.from_dict(s.to_dict()) == s
    layers = column(s, 14.0)
    assert_allclose(layers.depth_m, [0, 4, 9, 14])
    assert_allclose(layers.sound_speed_at([-1.0, 2.0, 30.0]), [1520, 1519, 1500 - 10 / 11])


def test_temperatures_and_salinities_become_a_profile_by_the_named_formula():
    s = scenario(profile_depth_m=DEPTH, profile_temperature_c=TEMPERATURE, profile_salinity=SALINITY)
    expected = seawater.sound_speed_m_s(TEMPERATURE, SALINITY, DEPTH)
    assert_allclose(echoes.water(s).profile_sound_speed_m_s, expected, rtol=1e-15)
    other = dataclasses.replace(s, water=dataclasses.replace(s.water, sound_speed_model="medwin"))
    expected = seawater.sound_speed_m_s(TEMPERATURE, SALINITY, DEPTH, model="medwin")
    assert_allclose(sound_speed_at_m_s(other, np.array(DEPTH)), expected, rtol=1e-15)


def test_salinity_may_stay_the_same_at_all_depths():
    s = scenario(profile_depth_m=DEPTH, profile_temperature_c=TEMPERATURE, salinity=8.0)
    expected = seawater.sound_speed_m_s(TEMPERATURE, 8.0, DEPTH)
    assert_allclose(sound_speed_at_m_s(s, np.array(DEPTH)), expected, rtol=1e-15)


@pytest.mark.parametrize("model", [None, "ainslie-mccolm"])
def test_absorption_is_that_of_each_layer_where_temperatures_are_known(model):
    s = scenario(
        profile_depth_m=DEPTH,
        profile_temperature_c=TEMPERATURE,
        profile_salinity=SALINITY,
        absorption_model=model,
    )
    name = model or "francois-garrison"
    middle = np.array([2.0, 6.5, 11.5])
    of = [np.interp(middle, DEPTH, v) for v in (TEMPERATURE, SALINITY)]
    expected = seawater.absorption_db_m(450e3, *of, middle, 8.0, model=name)
    assert_allclose(column(s, 14.0).absorption_neper_m, expected * np.log(10) / 20)
    # One metre of the middle layer lies below the vehicle, and five of the lowest.
    assert_allclose(absorption_db_m(s), (expected[1] + 5 * expected[2]) / 6)
    assert_allclose(echoes.water(s).absorption_db_m, absorption_db_m(s))


def test_absorption_is_one_number_where_only_sound_speeds_are_known():
    s = scenario(profile_depth_m=DEPTH, profile_sound_speed_m_s=SPEED, temperature_c=4.0, salinity=20.0)
    expected = seawater.absorption_francois_garrison_db_m(450e3, 4.0, 20.0, 11.0, 8.0)
    assert_allclose(absorption_db_m(s), expected)
    given = scenario(profile_depth_m=DEPTH, profile_sound_speed_m_s=SPEED, absorption_db_m=0.2)
    assert_allclose(column(given, 14.0).absorption_neper_m, 0.2 * np.log(10) / 20)


MEASURED = {"profile_depth_m": DEPTH, "profile_sound_speed_m_s": SPEED}


@pytest.mark.parametrize(
    ("water", "message"),
    [
        ({"sound_speed_m_s": 1490.0, **MEASURED}, "profile_depth_m is given beside water.sound_speed_m_s"),
        (
            {"sound_speed_m_s": 1490.0, "sound_speed_model": "medwin"},
            "sound_speed_model is given beside water.sound_speed_m_s",
        ),
        ({"sound_speed_model": "medwin", **MEASURED}, "a measured one needs no formula"),
        (
            {"profile_temperature_c": TEMPERATURE, **MEASURED},
            "profile_temperature_c is given beside water.profile_sound_speed_m_s",
        ),
        (
            {"profile_depth_m": DEPTH, "profile_temperature_c": TEMPERATURE, "temperature_c": 10.0},
            "water.temperature_c is given beside water.profile_temperature_c",
        ),
        (
            {
                "profile_depth_m": DEPTH,
                "profile_temperature_c": TEMPERATURE,
                "profile_salinity": SALINITY,
                "salinity": 35.0,
            },
            "water.salinity is given beside water.profile_salinity",
        ),
        ({"profile_depth_m": DEPTH}, "profile_depth_m is given alone; allowed: with"),
        ({"profile_depth_m": DEPTH, "profile_salinity": SALINITY}, "profile_depth_m is given alone"),
        (
            {"profile_sound_speed_m_s": SPEED},
            "profile_sound_speed_m_s is given without water.profile_depth_m",
        ),
        ({"profile_hold_ends": True}, "profile_hold_ends is given without"),
        (
            {"profile_depth_m": (0.0,), "profile_sound_speed_m_s": (1500.0,)},
            "is 1 depths long; allowed: from 2",
        ),
        (
            {"profile_depth_m": (0.0, 5.0, 5.0), "profile_sound_speed_m_s": (1500.0,) * 3},
            r"profile_depth_m\[2\] is 5; allowed: increasing depths",
        ),
        (
            {"profile_depth_m": (-1.0, 5.0), "profile_sound_speed_m_s": (1500.0,) * 2},
            r"profile_depth_m\[0\] is -1",
        ),
        ({"profile_depth_m": (0.0, 20.0), "profile_sound_speed_m_s": SPEED}, "is 4 values long; allowed: 2"),
        (
            {"profile_depth_m": (0.0, 20.0), "profile_sound_speed_m_s": (1500.0, 150.0)},
            r"profile_sound_speed_m_s\[1\] is 150; allowed: from 1300",
        ),
        (
            {"profile_depth_m": (0.0, 20.0), "profile_temperature_c": (281.0, 280.0)},
            r"profile_temperature_c\[0\] is 281; allowed: from -4",
        ),
        (
            {"sound_speed_model": "mackenzie", "salinity": 0.0},
            "water: salinity is 0; allowed: from 25 to 40 for 'mackenzie'",
        ),
        ({"sound_speed_model": "marczak", "salinity": 35.0}, "allowed: from 0 to 0 for 'marczak'"),
        ({"absorption_db_m": 0.1, "absorption_model": "ainslie-mccolm"}, "a number or a model, not both"),
        ({"temperature_c": 283.0}, "water.temperature_c is 283"),
    ],
)
def test_what_contradicts_itself_is_refused_by_name(water, message):
    with pytest.raises(ParameterError, match=message):
        WaterTable(**water)


def test_unknown_formulas_are_refused_with_the_nearest_known_one():
    with pytest.raises(ParameterError, match=r"water.sound_speed_model is 'meckenzie'.*mackenzie"):
        Scenario.from_dict({"water": {"sound_speed_model": "meckenzie"}})
    with pytest.raises(ParameterError, match=r"water has no setting 'profile_depth'; did you mean"):
        Scenario.from_dict({"water": {"profile_depth": [0, 1]}})


@pytest.mark.parametrize(
    ("depth", "message"),
    [
        ((1.0, 14.0), r"profile_depth_m\[0\] is 1; allowed: 0, the surface"),
        ((0.0, 13.0), r"profile_depth_m\[1\] is 13; allowed: down to the seabed, 14"),
    ],
)
def test_a_profile_that_leaves_water_open_is_refused_unless_its_ends_hold(depth, message):
    water = {"profile_depth_m": depth, "profile_sound_speed_m_s": (1510.0, 1500.0)}
    with pytest.raises(ParameterError, match=message):
        scenario(**water)
    held = column(scenario(**water, profile_hold_ends=True), 14.0)
    assert_allclose(held.sound_speed_at([0.0, 14.0]), [1510, 1500])
    assert held.depth_m[0] == 0
    assert held.depth_m[-1] == 14


# --- the sound speed that the vehicle measures ------------------------------------------------------------

HEAVING = dataclasses.replace(
    VEHICLE,
    motion=(
        Oscillation(axis="heave", amplitude_m=0.5, period_s=4.0),
        Oscillation(axis="pitch", amplitude_deg=10, period_s=5.0),
    ),
)


def logged(navigation, **water):
    s = Scenario(vehicle=HEAVING, water=WaterTable(**water), navigation=navigation)
    s = dataclasses.replace(s, sonar=dataclasses.replace(s.sonar, array_forward_m=1.0, array_down_m=0.2))
    return echoes.platform(s)


def test_vehicle_logs_the_sound_speed_where_its_array_is_only_if_asked_to():
    assert logged(NavigationTable(), **MEASURED).sound_speed_at_array_m_s is None
    said = logged(NavigationTable(sound_speed_at_array=True), **MEASURED)
    array_m = said.depth_m + 0.2 * np.cos(said.pitch_rad) - 1.0 * np.sin(said.pitch_rad)  # bow up: shallower
    assert_allclose(said.sound_speed_at_array_m_s, np.interp(array_m, DEPTH, SPEED), rtol=1e-12)
    assert np.ptp(said.sound_speed_at_array_m_s) > 2
    constant = logged(NavigationTable(sound_speed_at_array=True), sound_speed_m_s=1485.0)
    assert (constant.sound_speed_at_array_m_s == 1485.0).all()


def test_its_errors_are_a_bias_and_fresh_noise_and_leave_the_pose_alone():
    right = logged(NavigationTable(sound_speed_at_array=True), **MEASURED)
    table = NavigationTable(sound_speed_at_array=True, sound_speed_bias_m_s=-1.5, sound_speed_noise_m_s=0.2)
    wrong = logged(table, **MEASURED)
    error = wrong.sound_speed_at_array_m_s - right.sound_speed_at_array_m_s
    assert_allclose(error.mean(), -1.5, atol=5 * 0.2 / np.sqrt(40))
    assert 0.1 < error.std() < 0.3
    for name in ("heading_rad", "north_m", "depth_m", "speed_forward_m_s"):
        assert (getattr(wrong, name) == getattr(right, name)).all()
    assert wrong.heading_uncertainty_rad is None


def test_errors_of_what_is_not_measured_are_refused():
    with pytest.raises(
        ParameterError, match=r"sound_speed_bias_m_s is 1; allowed: with sound_speed_at_array"
    ):
        NavigationTable(sound_speed_bias_m_s=1.0)
