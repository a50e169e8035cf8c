"""A scenario's water as numbers: sound speed and absorption, one for all depths or layer by layer."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging import seawater

from ._checks import refuse
from .rays import Column
from .water_tables import DEFAULT_SOUND_SPEED_MODEL

if TYPE_CHECKING:
    from .scenario import Scenario

__all__ = [
    "absorption_db_m",
    "check_water",
    "column",
    "fastest_ratio",
    "profile",
    "sound_speed_at_m_s",
    "sound_speed_m_s",
    "temperature_c",
]

_NEPER = np.log(10) / 20


def sound_speed_m_s(scenario: Scenario) -> float:
    """The sound speed, or of a profile the mean (distance over time) straight down from vehicle to seabed. [m/s]"""
    table = scenario.water
    if table.sound_speed_m_s is not None:
        return table.sound_speed_m_s
    if not table.has_profile:
        model = table.sound_speed_model
        depth = (scenario.depth_m + scenario.seabed_depth_m) / 2
        return float(seawater.sound_speed_m_s(table.temperature_c, table.salinity, depth, model=model))
    return scenario.altitude_m / _sum_between(scenario, *profile(scenario), inverse=True)


def temperature_c(scenario: Scenario) -> float:
    """At the vehicle's depth, as far as the scenario knows it."""
    table = scenario.water
    if table.temperature_c is not None:
        return table.temperature_c
    return float(np.interp(scenario.depth_m, table.profile_depth_m, table.profile_temperature_c))


def fastest_ratio(scenario: Scenario) -> float:
    """The fastest water's sound speed over :func:`sound_speed_m_s`; 1 without a profile."""
    if not scenario.water.has_profile:
        return 1.0
    return float(profile(scenario)[1].max()) / sound_speed_m_s(scenario)


def sound_speed_at_m_s(scenario: Scenario, depth_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sound speed at depths, of their shape. [m/s]"""
    if not scenario.water.has_profile:
        return np.full(np.shape(depth_m), sound_speed_m_s(scenario))
    return np.interp(depth_m, *profile(scenario))


def absorption_db_m(scenario: Scenario) -> float:
    """Absorption on one way: given, computed, or of a profile of temperatures the mean from vehicle to seabed. [dB/m]"""
    table = scenario.water
    if table.absorption_db_m is not None:
        return table.absorption_db_m
    if table.profile_temperature_c is None:
        depth = (scenario.depth_m + scenario.seabed_depth_m) / 2
        return _computed(scenario, table.temperature_c, _salinity_at(scenario, depth), depth)
    water = column(scenario, scenario.seabed_depth_m)
    edges = np.clip(water.depth_m, scenario.depth_m, scenario.seabed_depth_m)
    return float(np.sum(np.diff(edges) * water.absorption_neper_m) / scenario.altitude_m / _NEPER)


def _computed(scenario: Scenario, temperature_c, salinity, depth_m):
    table = scenario.water
    model = {} if table.absorption_model is None else {"model": table.absorption_model}
    frequency = scenario.sonar.centre_frequency_hz
    value = seawater.absorption_db_m(frequency, temperature_c, salinity, depth_m, table.ph, **model)
    return float(value) if np.ndim(value) == 0 else value


def _salinity_at(scenario: Scenario, depth_m):
    table = scenario.water
    if table.profile_salinity is None:
        return table.salinity
    return np.interp(depth_m, table.profile_depth_m, table.profile_salinity)


def profile(scenario: Scenario) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Depths [m] and sound speeds [m/s] of the scenario's profile, as measured or computed at its points."""
    table = scenario.water
    depth = np.array(table.profile_depth_m, dtype=np.float64)
    if table.profile_sound_speed_m_s is not None:
        return depth, np.array(table.profile_sound_speed_m_s, dtype=np.float64)
    salinity = table.salinity if table.profile_salinity is None else np.array(table.profile_salinity)
    model = table.sound_speed_model or DEFAULT_SOUND_SPEED_MODEL
    speed = seawater.sound_speed_m_s(np.array(table.profile_temperature_c), salinity, depth, model=model)
    return depth, np.broadcast_to(speed, depth.shape)


def _sum_between(scenario: Scenario, depth, value, *, inverse: bool) -> float:
    """Integral of a linear profile, or of its inverse, from vehicle to seabed; end values hold beyond its ends."""
    top, bottom = scenario.depth_m, scenario.seabed_depth_m
    edges = np.unique(np.concatenate([[top, bottom], depth[(depth > top) & (depth < bottom)]]))
    at = np.interp(edges, depth, value)
    a, b, d = at[:-1], at[1:], np.diff(edges)
    if not inverse:
        return float(np.sum((a + b) / 2 * d))
    # ln(b / a) / (b - a), free of the difference.
    u = (b - a) / (b + a)
    ratio = np.where(np.abs(u) > 1e-4, np.arctanh(u) / np.where(u == 0, 1, u), 1 + u**2 / 3)
    return float(np.sum(2 * d / (a + b) * ratio))


def column(scenario: Scenario, bottom_m: float) -> Column:
    """Return the layers of a scenario with a profile, from the surface down to ``bottom_m``."""
    table = scenario.water
    depth, speed = profile(scenario)
    edges = np.unique(np.concatenate([[0.0, bottom_m], depth[(depth > 0) & (depth < bottom_m)]]))
    if table.absorption_db_m is None and table.profile_temperature_c is not None:
        middle = (edges[1:] + edges[:-1]) / 2
        temperature = np.interp(middle, depth, table.profile_temperature_c)
        loss = _computed(scenario, temperature, _salinity_at(scenario, middle), middle)
    else:
        loss = np.full(edges.size - 1, absorption_db_m(scenario))
    return Column(
        depth_m=edges,
        sound_speed_m_s=np.interp(edges, depth, speed),
        absorption_neper_m=np.asarray(loss) * _NEPER,
    )


def check_water(scenario: Scenario) -> None:
    """Refuse a profile that leaves open what the sound speed is somewhere between surface and seabed."""
    table = scenario.water
    if not table.has_profile or table.profile_hold_ends:
        return
    remedy = "Add points, or say water.profile_hold_ends = true."
    first, last = table.profile_depth_m[0], table.profile_depth_m[-1]
    if first > 0:
        refuse("water.profile_depth_m[0]", f"{first:g}", "0, the surface", remedy)
    if last < scenario.seabed_depth_m - 1e-9:
        allowed = f"down to the seabed, {scenario.seabed_depth_m:g}"
        refuse(f"water.profile_depth_m[{len(table.profile_depth_m) - 1}]", f"{last:g}", allowed, remedy)
