"""Mirrors, surfaces and leakage that contradict the rest of a scenario, refused by name before a ping is made."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ._checks import refuse

if TYPE_CHECKING:
    from .scenario import Scenario

__all__ = ["check_multipath"]


def check_multipath(scenario: Scenario) -> None:
    """Refuse ways by mirrors that aren't described, or not level, and leakage where there is one side."""
    _check_bounces(scenario)
    surface = scenario.surface
    if surface is not None and surface.backscatter_db is not None:
        _check_depth(scenario, "surface.backscatter_db", f"{surface.backscatter_db:g}")
    leakage = scenario.leakage
    if leakage is not None and leakage.electrical_db is not None and scenario.sonar.sides != "both":
        allowed = "left out, or sonar.sides = 'both'"
        refuse("leakage.electrical_db", f"{leakage.electrical_db:g} with one side's channels alone", allowed)


def _check_bounces(scenario: Scenario) -> None:
    table, surface, seabed = scenario.multipath, scenario.surface, scenario.seabed
    if table is None or table.order == 0:
        return
    _check_depth(scenario, "multipath.order", str(table.order))
    if surface is None or (surface.rms_m is None and surface.wind_m_s is None):
        got, remedy = f"{table.order} over a surface of unknown roughness", "surface.rms_m = 0 is a mirror."
        refuse("multipath.order", got, "with surface.rms_m or surface.wind_m_s", remedy)
    if table.diffuse and surface.rms_m and surface.slope_deg is None and surface.wind_m_s is None:  # type: ignore[union-attr]
        got = f"{surface.rms_m:g} without a slope"  # type: ignore[union-attr]
        refuse("surface.rms_m", got, "with surface.slope_deg", "Or set multipath.diffuse = false.")
    sloping = bool(seabed.slope_along_deg or seabed.slope_across_deg)
    if table.order > 1 and sloping:
        remedy = "By a bottom that slopes, no mirror of level water is one."
        refuse("multipath.order", f"{table.order} over a seabed that slopes", "0 or 1 there", remedy)
    if table.order > 1 and any(b.kind == "wake" for b in scenario.bubbles):
        refuse("multipath.order", f"{table.order} with a wake of bubbles", "0 or 1 there")


def _check_depth(scenario: Scenario, name: str, got: str) -> None:
    if scenario.vehicle.depth_m is None and scenario.water.depth_m is None:
        refuse(name, f"{got} with the surface nowhere", "with vehicle.depth_m or water.depth_m")
