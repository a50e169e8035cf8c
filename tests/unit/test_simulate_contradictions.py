"""Settings that contradict each other are refused by name, before a ping is made."""

from __future__ import annotations

import dataclasses

import pytest

from pingloom.imaging.errors import ParameterError
from pingloom.simulate.scenario import (
    Leg,
    Oscillation,
    RandomMotion,
    Scenario,
    SonarTable,
    Target,
    VehicleTable,
    WaterTable,
)

LEGS = (Leg(heading_deg=0, length_m=40), Leg(heading_deg=180, length_m=40))
TURNING = VehicleTable(altitude_m=6.0, legs=LEGS, turn_radius_m=10.0)
TO_PORT = dataclasses.replace(TURNING, legs=(dataclasses.replace(LEGS[0], turn="port"), LEGS[1]))


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        (
            {
                "vehicle": VehicleTable(altitude_m=6.0, length_m=2.0),
                "sonar": SonarTable(array_forward_m=1.8),
            },
            "sonar.array_forward_m is 1.8, with an end 2.1 m from the origin; allowed: within vehicle.length_m = 2",
        ),
        (
            {
                "vehicle": VehicleTable(altitude_m=6.0, length_m=2.0),
                "sonar": SonarTable(transmit_forward_m=-2.5),
            },
            "sonar.transmit_forward_m is -2.5, with an end 2.514 m",
        ),
        (
            {
                "vehicle": VehicleTable(
                    altitude_m=6.0, motion=(Oscillation(axis="roll", amplitude_deg=1.0, period_s=0.1),)
                )
            },
            r"motion\[0\].period_s is 0.1, .*; allowed: periods from 0.16 s, twice the listening time",
        ),
        (
            {
                "vehicle": VehicleTable(
                    altitude_m=6.0, random_motion=(RandomMotion(axis="roll", rms_deg=1.0, period_s=0.7),)
                )
            },
            r"random_motion\[0\].period_s is 0.7, with periods down to 0.14 s",
        ),
        (
            {
                "vehicle": VehicleTable(
                    depth_m=0.5, motion=(Oscillation(axis="heave", amplitude_m=0.6, period_s=5.0),)
                ),
                "water": WaterTable(depth_m=9.0),
            },
            "a heave of up to 0.6 m; allowed: at most depth_m = 0.5. It would meet the surface",
        ),
        (
            {
                "vehicle": VehicleTable(
                    altitude_m=1.0, random_motion=(RandomMotion(axis="heave", rms_m=0.2, period_s=5.0),)
                )
            },
            "a heave of up to 1.2 m; allowed: at most altitude_m = 1. It would meet the seabed",
        ),
        (
            {"vehicle": TURNING, "targets": (Target(name="far", along_m=20.0, across_m=130.0),)},
            "'far' place is 20 m along, 130 m across; allowed: within the sonar's range of 60 m of the legs",
        ),
        (
            {"vehicle": TO_PORT, "targets": (Target(along_m=20.0, across_m=-10.0),)},
            "allowed: to starboard of some leg, where the array looks",
        ),
    ],
)
def test_contradiction_is_refused(changes, message):
    with pytest.raises(ParameterError, match=message):
        dataclasses.replace(Scenario(), **changes)


def test_target_on_the_blind_side_of_one_leg_is_allowed_where_another_looks():
    # A half turn to starboard: the second leg runs back 32 m to starboard, and its own starboard looks back here.
    target = Target(along_m=20.0, across_m=-10.0)
    assert dataclasses.replace(Scenario(), vehicle=TURNING, targets=(target,)).targets
