"""How far a scenario is heard and seen: late echoes come from beyond the record's range, bounces look steeper."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .water_column import fastest_ratio

if TYPE_CHECKING:
    from .scenario import Scenario

__all__ = ["deepest_look_m", "heard_range_m", "own_range_m"]


def heard_range_m(scenario: Scenario) -> float:
    """Slant range of the farthest echo in the record, of earlier pings too, where the water is fastest. [m]"""
    table = scenario.multipath
    late = 0.0 if table is None else table.previous_pings / scenario.vehicle.ping_rate_hz
    return (scenario.sonar.range_stop_m + scenario.sound_speed_m_s * late / 2) * fastest_ratio(scenario)


def own_range_m(scenario: Scenario) -> float:
    """The same of a ping's own echoes: ``sonar.range_stop_m``, and more where some water is faster. [m]"""
    return scenario.sonar.range_stop_m * fastest_ratio(scenario)


def deepest_look_m(scenario: Scenario) -> float:
    """Nominal distance down to the seabed, unfolded, by the way with most bounces. [m]"""
    order = 0 if scenario.multipath is None else scenario.multipath.order
    if order == 0:
        return scenario.altitude_m
    # From the surface down (an odd number of bounces) or from the bottom up and down again.
    own = scenario.depth_m if order % 2 else scenario.altitude_m
    return own + order * scenario.seabed_depth_m
