"""Echoes in the middle of a turn, across a current, against the plain sum with poses integrated numerically."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.spatial.transform import Rotation

from pingloom.simulate import echoes
from pingloom.simulate.scenario import (
    Leg,
    Scenario,
    SeabedTable,
    Target,
    VehicleTable,
    WaterTable,
)
from tests.agreement import test_simulate_echoes as plain

SPEED, RADIUS, LENGTH = 1.6, 4.0, 5.0
TURN = np.radians(100.0)
SCENARIO = Scenario(
    sonar=dataclasses.replace(plain.SONAR, n_channel=4, channel_pitch_m=0.15),
    vehicle=VehicleTable(
        altitude_m=6.0,
        speed_m_s=SPEED,
        legs=(Leg(heading_deg=20, length_m=LENGTH), Leg(heading_deg=120, length_m=8)),
        turn_radius_m=RADIUS,
        current_m_s=0.5,
        current_to_deg=70.0,
    ),
    water=WaterTable(noise=False, absorption_db_m=0.11),
    seabed=SeabedTable(present=False),
)


def course(way):
    part = np.clip((way - LENGTH) / (2 * RADIUS * TURN), 0, 1)
    return np.radians(20.0) + TURN * (part - np.sin(2 * np.pi * part) / (2 * np.pi))


@functools.lru_cache(maxsize=4096)
def place_and_heading(t):
    way = SPEED * t
    span = {"a": min(LENGTH, way), "b": way, "epsabs": 1e-13, "epsrel": 1e-13}
    north = quad(lambda s: np.cos(course(s)), **span)[0]
    east = quad(lambda s: np.sin(course(s)), **span)[0]
    first = min(LENGTH, way)
    north, east = north + first * np.cos(np.radians(20)), east + first * np.sin(np.radians(20))
    flow = 0.5 * np.exp(1j * np.radians(70.0))
    return north, east, float(np.angle(SPEED * np.exp(1j * course(way)) - flow))


def pose(scenario, t):
    north, east, heading = place_and_heading(float(t))
    return np.array([north, east, scenario.depth_m]), Rotation.from_euler("ZYX", [heading, 0, 0])


@pytest.mark.parametrize("way", [LENGTH - 0.02, LENGTH + 0.1, LENGTH + RADIUS * TURN])
def test_echo_in_a_turn_is_the_exact_sum(way, monkeypatch):
    """Just before the turn begins (the echo comes back within it), just behind its beginning, and in its middle."""
    monkeypatch.setattr(plain, "pose", pose)
    number = round(way / SPEED * SCENARIO.vehicle.ping_rate_hz)
    place, turn = pose(SCENARIO, number / SCENARIO.vehicle.ping_rate_hz)
    aside = turn.as_matrix() @ [0, 1, 0]
    targets = tuple(
        Target(
            north_m=float(place[0] + r * aside[0] + 0.02 * r),
            east_m=float(place[1] + r * aside[1]),
            strength_db=float(40 * np.log10(r)),
        )
        for r in (9.0, 21.0, 34.0)
    )
    scenario = dataclasses.replace(SCENARIO, targets=targets)
    pings = echoes.simulate(scenario, mode="reference", threads=1, first=number)
    echo = next(pings)[0].echo
    pings.close()
    expected = plain.exact_sum(scenario, echoes.sonars(scenario)["starboard"], number)
    assert np.linalg.norm(echo - expected) < 1e-6 * np.linalg.norm(expected)
