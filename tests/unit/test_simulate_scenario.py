"""Scenarios: what is refused and how, and that text, tables and records say the same."""

from __future__ import annotations

import dataclasses
import tomllib

import pytest

from pingloom.imaging.errors import ParameterError
from pingloom.io import settings
from pingloom.simulate.presets import load_preset, preset_names, preset_text
from pingloom.simulate.scenario import (
    Oscillation,
    Scenario,
    SeabedTable,
    SonarTable,
    Target,
    VehicleTable,
    WaterTable,
)


def test_table_and_text_come_back_as_they_went():
    scenario = load_preset("first_look")
    assert Scenario.from_dict(scenario.to_dict()) == scenario
    assert Scenario.from_dict(tomllib.loads(scenario.to_toml())) == scenario


@pytest.mark.parametrize("name", preset_names())
def test_settings_reader_builds_the_same_scenario(name, tmp_path):
    path = tmp_path / "s.toml"
    path.write_text(preset_text(name), encoding="utf-8")
    assert settings.read(path, Scenario) == load_preset(name)


def test_text_with_quotes_and_control_characters_survives():
    scenario = Scenario(title='a "quoted"\\ name\nand a line')
    assert Scenario.from_dict(tomllib.loads(scenario.to_toml())).title == scenario.title


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ({"sonar": {"n_chanel": 8}}, r"sonar has no setting 'n_chanel'; did you mean 'n_channel'\?"),
        ({"sonars": {}}, r"scenario has no setting 'sonars'; did you mean 'sonar'\?"),
        ({"sonar": {"n_channel": 8.5}}, "sonar.n_channel is 8.5; allowed: a whole number"),
        ({"sonar": {"sides": "left"}}, "sonar.sides is 'left'; allowed: port, starboard, both"),
        ({"water": {"noise": 1}}, "water.noise is 1; allowed: true or false"),
        ({"seabed": {"law": "gausian"}}, r"did you mean 'gaussian'\?"),
        ({"seabed": {"lambert_db": float("nan")}}, "seabed.lambert_db is nan; allowed: a finite number"),
        ({"targets": {"kind": "point"}}, "targets is .* allowed: a list"),
        ({"targets": [{"along_m": 0.0, "across_m": 9.0, "size_m": [1, 2]}]}, "has 2 values; allowed: 3"),
        ({"vehicle": {"motion": [{"axis": "roll"}]}}, r"vehicle.motion\[0\] lacks 'period_s'"),
        ({"title": 3}, "title is 3; allowed: text"),
    ],
)
def test_wrong_table_is_refused_by_name(table, message):
    with pytest.raises(ParameterError, match=message):
        Scenario.from_dict(table)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: SonarTable(sample_rate_hz=25e3), "sample_rate_hz is 25000; .*the sweep aliases.*Raise"),
        (lambda: SonarTable(receive_along_m=0.02), "receive_along_m is 0.02; allowed: at most the pitch"),
        (lambda: SonarTable(range_start_m=70.0), "range_start_m is 70; allowed: below range_stop_m = 60"),
        (lambda: SonarTable(n_channel=1), "n_channel is 1; allowed: at least 2"),
        (lambda: SonarTable(sweep_hz=0.0), "sweep_hz is 0; allowed: a sweep"),
        (lambda: SonarTable(pulse_taper=0.6), "pulse_taper is 0.6; allowed: from 0 to 0.5"),
        (lambda: VehicleTable(start_time="soon"), "start_time is 'soon'; allowed: a time such as"),
        (lambda: VehicleTable(start_time="1969-01-01"), "start_time is 1969-01-01; allowed: 1970 or later"),
        (lambda: Oscillation(axis="roll", period_s=3.0, amplitude_m=1.0), "'roll' needs amplitude_deg"),
        (lambda: Oscillation(axis="sway", period_s=3.0, amplitude_deg=1.0), "'sway' needs amplitude_m"),
        (lambda: Target(along_m=1.0, east_m=2.0), "no clear place; allowed: along_m with across_m"),
        (lambda: Target(along_m=1.0, across_m=9.0, height_m=-1.0), "height_m is -1; allowed: at least 0"),
        (lambda: WaterTable(sound_speed_m_s=900.0), "sound_speed_m_s is 900; allowed: from 1300 to 1800"),
        (lambda: SeabedTable(per_cell=0.0), "per_cell is 0; allowed: above 0"),
    ],
)
def test_value_out_of_bounds_is_refused_by_name(make, message):
    with pytest.raises(ParameterError, match=message):
        make()


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        (
            {"vehicle": VehicleTable(altitude_m=6.0, ping_rate_hz=13.0)},
            "ping_rate_hz is 13; allowed: at most 12.5. .*range_stop_m at most 57.69",
        ),
        ({"vehicle": VehicleTable()}, "altitude_m is absent; allowed: an altitude, or"),
        (
            {"vehicle": VehicleTable(altitude_m=6.0, depth_m=9.0), "water": WaterTable(depth_m=16.0)},
            "water.depth_m is 16; allowed: depth . altitude = 15. Leave one",
        ),
        ({"vehicle": VehicleTable(altitude_m=70.0)}, "range_stop_m is 60; allowed: above the altitude"),
        (
            {"vehicle": VehicleTable(altitude_m=6.0, length_m=0.5)},
            "0.6 m long; allowed: at most vehicle.length_m = 0.5. Fewer channels",
        ),
        ({"targets": (Target(along_m=500.0, across_m=9.0),)}, "allowed: within the sonar's range of the leg"),
        ({"targets": (Target(along_m=5.0, across_m=-9.0),)}, "allowed: to starboard, where the array looks"),
        (
            {"targets": (Target(along_m=5.0, across_m=9.0, height_m=17.0),)},
            "allowed: below the surface, 16 m up",
        ),
        ({"seed": -1}, "seed is -1; allowed: at least 0"),
    ],
)
def test_tables_that_contradict_each_other_are_refused(changes, message):
    with pytest.raises(ParameterError, match=message):
        dataclasses.replace(Scenario(), **changes)


def test_depths_follow_from_any_two():
    both = VehicleTable(depth_m=9.0)
    scenario = Scenario(vehicle=both, water=WaterTable(depth_m=16.0))
    assert (scenario.altitude_m, scenario.depth_m, scenario.seabed_depth_m) == (7.0, 9.0, 16.0)
    alone = Scenario(vehicle=VehicleTable(altitude_m=7.0))
    assert (alone.depth_m, alone.seabed_depth_m) == (10.0, 17.0)


def test_leg_place_and_world_place_undo_each_other():
    vehicle = VehicleTable(altitude_m=6.0, heading_deg=30.0, start_north_m=100.0, start_east_m=-50.0)
    scenario = Scenario(vehicle=vehicle)
    north, east = scenario.world_place(4.0, 12.0)
    # 30 degrees: cos = sqrt(3)/2, sin = 1/2
    assert (north, east) == pytest.approx((100 + 4 * 0.8660254 - 12 * 0.5, -50 + 4 * 0.5 + 12 * 0.8660254))
    assert scenario.leg_place(Target(north_m=north, east_m=east)) == pytest.approx((4.0, 12.0))


def test_unknown_preset_names_the_nearest():
    with pytest.raises(ParameterError, match=r"no preset 'first_lok'; did you mean 'first_look'\?"):
        load_preset("first_lok")
