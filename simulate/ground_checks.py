"""Refusals of seabeds and targets that show only beside sonar and leg, before any echo is made."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from pingloom.imaging.errors import ParameterError

from ._checks import refuse
from .cells import cell_m, coarsest_step_m
from .outline import is_simple, overlap

if TYPE_CHECKING:
    from .scenario import Scenario
    from .target_tables import Target

__all__ = ["check_ground", "check_target"]

_MOST_FACETS = 2_000_000
_PER_RIPPLE = 4.0  # points in a wavelength, below which a ripple's flanks are not resolved


def check_ground(scenario: Scenario) -> None:
    """Refuse a seabed that its points can't carry or that meets the vehicle, and patches that overlap.

    Raises
    ------
    ParameterError
    """
    if not scenario.seabed.present:
        return
    _check_ripples(scenario)
    _check_texture(scenario)
    _check_patches(scenario)
    _check_slope(scenario)


def _check_ripples(scenario: Scenario) -> None:
    along, across = coarsest_step_m(scenario)
    ripples = scenario.seabed.ripples or ()
    for i, ripple in enumerate(ripples):
        turn = math.radians(ripple.direction_deg)
        step = max(abs(math.cos(turn)) * along, abs(math.sin(turn)) * across)
        if ripple.wavelength_m < _PER_RIPPLE * step:
            refuse(
                f"seabed.ripples[{i}].wavelength_m",
                f"{ripple.wavelength_m:g}",
                f"at least {_PER_RIPPLE * step:.3g}, {_PER_RIPPLE:g} of the scatterers' steps in its direction",
                "Raise seabed.per_cell or turn the ripples.",
            )
    steepest = sum(r.slope for r in ripples)
    if steepest > math.tan(math.radians(60)):
        refuse(
            "seabed.ripples", f"{steepest:.3g} steep together", "60 degrees, a slope of 1.73", "Lower them."
        )


def _check_texture(scenario: Scenario) -> None:
    texture = scenario.seabed.texture
    if texture is None:
        return
    far = math.sqrt(max(scenario.sonar.range_stop_m**2 - scenario.altitude_m**2, 0.0))
    cell = max(cell_m(scenario, far))
    if texture.correlation_m is not None and texture.correlation_m < cell:
        refuse(
            "seabed.texture.correlation_m",
            f"{texture.correlation_m:g}",
            f"at least {cell:.3g}, the resolution cell at the end of the range",
            "Finer texture averages out within a cell.",
        )
    step = max(coarsest_step_m(scenario))
    if texture.pixel_m is not None and texture.pixel_m < step:
        refuse(
            "seabed.texture.pixel_m",
            f"{texture.pixel_m:g}",
            f"at least {step:.3g}, the scatterers' largest step",
            "Raise seabed.per_cell or enlarge the pixels.",
        )


def _check_patches(scenario: Scenario) -> None:
    reach, track = scenario.sonar.range_stop_m, _way_m(scenario)
    patches = scenario.seabed.patches or ()
    labels = [f"seabed.patches: '{p.name or i}'" for i, p in enumerate(patches)]
    for i, (patch, label) in enumerate(zip(patches, labels, strict=True)):
        corners = patch.corners_m
        if not is_simple(corners):
            raise ParameterError(
                f"{label} crosses itself or is empty; allowed: a simple outline. Reorder its corners."
            )
        seen = ((-reach, -reach), (track + reach, -reach), (track + reach, reach), (-reach, reach))
        if not scenario.vehicle.legs and not overlap(seen, corners):
            refuse(
                f"{label} outline",
                "outside the scene",
                f"within {reach:g} m of the leg of {track:.4g} m",
                "Move it.",
            )
        for other, name in zip(patches[:i], labels[:i], strict=True):
            if overlap(corners, other.corners_m):
                raise ParameterError(
                    f"{label} overlaps {name}; allowed: patches that share an edge at most. Move or cut one."
                )


def _check_slope(scenario: Scenario) -> None:
    """Hold the nominal vehicle off a sloping seabed, and the seabed off the surface."""
    seabed, track = scenario.seabed, _way_m(scenario)
    ahead, aside = (math.tan(math.radians(v or 0)) for v in (seabed.slope_along_deg, seabed.slope_across_deg))
    crest = sum(r.height_m / 2 for r in seabed.ripples or ())
    rise = max(0.0, ahead * track) + crest
    if rise and scenario.altitude_m - rise < 0.5:
        refuse(
            "seabed: the slope and ripples",
            f"{rise:.3g} m high below the leg",
            f"at most {scenario.altitude_m - 0.5:.3g}, half a metre below the vehicle",
            "Flatten it or fly higher.",
        )
    reach = scenario.sonar.range_stop_m
    top = max(0.0, ahead * (track + reach), -ahead * reach) + abs(aside) * reach + crest
    if (ahead or aside) and top >= scenario.seabed_depth_m:
        refuse(
            "seabed: the slope",
            f"{top:.3g} m high within the sonar's range",
            f"below the surface, {scenario.seabed_depth_m:g} m up",
            "Flatten it or give vehicle.depth_m.",
        )


def _way_m(scenario: Scenario) -> float:
    return scenario.vehicle.duration_s * scenario.vehicle.speed_m_s


def check_target(scenario: Scenario, target: Target) -> None:
    """Refuse what no ping can meet, what has too many facets, and a depression that can't be seen.

    Raises
    ------
    ParameterError
    """
    if target.kind not in ("point", "box"):
        _check_extent(scenario, target)
    facets = _facets(scenario, target)
    if facets > _MOST_FACETS:
        refuse(
            f"{target.label} facets",
            f"{facets:.3g}, a quarter of a wavelength wide",
            f"at most {_MOST_FACETS}",
            "Set specular = false or make it smaller.",
        )
    if target.kind == "depression":
        step = max(coarsest_step_m(scenario))
        if not scenario.seabed.present:
            raise ParameterError(f"{target.label} has no seabed to lie in; allowed: seabed.present = true.")
        if target.radius_m < 2 * step:
            refuse(
                f"{target.label} radius_m",
                f"{target.radius_m:g}",
                f"at least {2 * step:.3g}, two of the scatterers' steps",
                "Raise seabed.per_cell.",
            )


def _facets(scenario: Scenario, target: Target) -> float:
    side = scenario.wavelength_m / 4
    if target.kind == "plate" and target.shines:
        return 2 * target.size_m[0] * target.size_m[1] / side**2
    if target.kind == "cylinder" and target.shines:
        return 2 * math.pi * target.radius_m**2 / side**2
    return 0.0


def _reach_m(target: Target) -> tuple[float, float]:
    """How far a target reaches from its place, to any side and upwards. [m]"""
    size, radius = target.size_m, target.radius_m or 0.0
    if target.kind == "rope":
        return max(math.hypot(p[0], p[1]) for p in target.path_m), max(p[2] for p in target.path_m)
    if target.kind == "debris":
        return math.hypot(size[0], size[1]) / 2, target.piece_m[1]
    if target.kind == "ring":
        return radius + target.tube_m, 2 * target.tube_m
    if target.kind in ("sphere", "depression"):
        return radius, 2 * radius if target.kind == "sphere" else 0.0
    if target.kind == "cylinder":
        lean = abs(math.sin(math.radians(target.tilt_deg or 0)))
        return math.hypot(size[0] / 2, radius), lean * size[0] + 2 * radius
    return math.hypot(size[0], size[1]) / 2, size[2] + size[0]


def _check_extent(scenario: Scenario, target: Target) -> None:
    along, across = scenario.leg_place(target)
    aside, up = _reach_m(target)
    reach, track = scenario.sonar.range_stop_m, _way_m(scenario)
    if not scenario.vehicle.legs and (
        not -reach <= along - aside <= along + aside <= track + reach or abs(across) + aside > reach
    ):
        refuse(
            f"{target.label} extent",
            f"{aside:.3g} m about {along:.4g} m along, {across:.4g} m across",
            f"within the sonar's range of the leg of {track:.4g} m",
            "Move it or make it smaller.",
        )
    if target.height_m + up > scenario.seabed_depth_m:
        refuse(
            f"{target.label} top",
            f"{target.height_m + up:.3g} m high",
            f"below the surface, {scenario.seabed_depth_m:g} m up",
        )
    if target.kind == "rope" and min(p[2] for p in target.path_m) + target.height_m < target.radius_m:
        refuse(
            f"{target.label} path_m",
            f"{min(p[2] for p in target.path_m) + target.height_m:.3g} m above the seabed at its lowest",
            f"at least its radius, {target.radius_m:g}",
            "Raise it.",
        )
