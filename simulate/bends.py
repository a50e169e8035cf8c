"""Which bent rays a side's array needs: to the ground, to the sea surface, to images by way of both."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from pingloom.imaging.records import Sonar

from ._geometry import row_centres
from .bending import Bending
from .ground import Ground
from .mirrors import ways
from .reach import heard_range_m
from .scenario import Scenario
from .scene import Scatterers
from .water_column import column

__all__ = ["Bends"]

_CLEAR_M = 3.0  # no image lies near the sonar's own depth
_FACETS_M = 3.0
_IMAGES = 100.0  # 6e-3 rad: mirrors are never better
_ROOM_M = 2.0  # array and transmitter off the vehicle's middle


@dataclass(frozen=True, slots=True, eq=False)
class Bends:
    """Bent rays of one side's array.

    Parameters
    ----------
    to_ground : Bending
        To seabed and targets.
    to_surface : Bending
        To the sea surface from below.
    to_images : Bending or None
        To mirror images in unfolded water; absent where the scenario has none.
    speeds_m_s : (float, float)
        Slowest and fastest.
    """

    to_ground: Bending
    to_surface: Bending
    to_images: Bending | None
    speeds_m_s: tuple[float, float]

    @classmethod
    def plan(
        cls, scenario: Scenario, sonar: Sonar, ground: Ground, targets: list[Scatterers], *, exact: bool
    ) -> Bends | None:
        """Plan the tables; None where one sound speed keeps rays straight."""
        if not scenario.water.has_profile:
            return None
        flat = scenario.seabed_depth_m
        depths = [flat - ground.highest_m - 0.01, flat + ground.lowest_m + 0.01]
        depths += [v for s in targets if s.modulus.size for v in (s.place_m[2].min(), s.place_m[2].max())]
        water = column(scenario, max(depths))
        both = {
            # Tables are checked for a vehicle that lies level at its nominal depth.
            "source_depths_m": (
                scenario.depth_m + sonar.transmit_position_m[2],
                scenario.depth_m + float(np.mean(row_centres(sonar)[:, 2])),
            ),
            "reach_m": heard_range_m(scenario) + sonar.pulse_duration_s * scenario.sound_speed_m_s + _ROOM_M,
            "wavelength_m": scenario.wavelength_m,
            "exact": exact,
        }
        return cls(
            Bending.plan(water, water, target_depths_m=(min(depths), max(depths)), **both),
            Bending.plan(water, water, target_depths_m=(-0.01, 0.01), **both),
            _to_images(scenario, depths, both),
            (float(water.sound_speed_m_s.min()), float(water.sound_speed_m_s.max())),
        )


def _to_images(scenario: Scenario, depths: list[float], both: dict[str, Any]) -> Bending | None:
    table = scenario.multipath
    if table is None or table.order == 0:
        return None
    flat, order = scenario.seabed_depth_m, table.order
    water = column(scenario, flat).unfolded(above=order, below=order)
    singles = [w for to_seabed in (True, False) for w in ways(order, flat, to_seabed=to_seabed)]
    images = [float(w.image_of_place(z)) for w in singles for z in (min(depths), max(depths))]
    # Facets throw images up and down; what falls beside the tables is solved outright.
    span = min(images) - _FACETS_M, max(images) + _FACETS_M
    return Bending.plan(water, water, target_depths_m=span, slack=_IMAGES, clear_m=_CLEAR_M, **both)
