"""The seabed as a surface: how high, how steep and how bright it is at any place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .outline import inside
from .relief import Relief
from .scenario import Scenario
from .seabed_tables import SeabedTable
from .texture import ChanceField, PictureField, fields_of

__all__ = ["LAW_STEP_RAD", "Ground", "grazing_law", "seabed_map"]

LAW_STEP_RAD = np.pi / 2 / 3600
"""Step of the table that replaces Lambert's law. [rad]"""


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """Relief, reflectivity and law of a scenario's seabed.

    Parameters
    ----------
    law : ndarray of float64, shape (3601,) or (0,)
        Amplitude of unit area at grazing angles from 0 to 90 degrees; empty: the sine, Lambert's law.
    """

    scenario: Scenario
    relief: Relief
    fields: tuple[ChanceField | PictureField, ...]
    law: NDArray[np.float64]

    @classmethod
    def of(cls, scenario: Scenario) -> Ground:
        """Prepare the ground: textures are drawn or read here."""
        return cls(scenario, Relief.of(scenario), fields_of(scenario), grazing_law(scenario.seabed))

    def reflectivity(self, along_m: ArrayLike, across_m: ArrayLike) -> NDArray[np.float64] | float:
        """Backscatter of unit area that the law multiplies: Lambert's constant (1 under a table) times the texture."""
        seabed = self.scenario.seabed
        level = 1.0 if self.law.size else 10 ** (seabed.lambert_db / 10)
        for patch in seabed.patches or ():
            level = np.where(inside(patch.corners_m, along_m, across_m), 10 ** (patch.lambert_db / 10), level)
        for field in self.fields:
            level = level * field.at(along_m, across_m)
        return level

    @property
    def highest_m(self) -> float:
        """How far the seabed rises anywhere in the scene above the flat one. [m]"""
        return max(0.0, *(-self._corner_depths())) + self.relief.table[0, 3]

    @property
    def lowest_m(self) -> float:
        """How far it falls anywhere below the flat one. [m]"""
        pits = self.relief.table[1:, 4][self.relief.table[1:, 0] == 2]
        return max(0.0, *self._corner_depths()) + self.relief.table[0, 3] + pits.max(initial=0.0)

    def _corner_depths(self) -> NDArray[np.float64]:
        reach = self.scenario.sonar.range_stop_m
        track = self.scenario.vehicle.duration_s * self.scenario.vehicle.speed_m_s
        corners = [self.scenario.world_place(a, b) for a in (-reach, track + reach) for b in (-reach, reach)]
        return self.relief.plane_depth_m(*np.array(corners).T) - self.scenario.seabed_depth_m


def grazing_law(seabed: SeabedTable) -> NDArray[np.float64]:
    """Return the table of :class:`Ground`, straight in decibels between the scenario's points."""
    if seabed.grazing_deg is None:
        return np.zeros(0)
    angle = np.rad2deg(np.arange(3601) * LAW_STEP_RAD)
    return 10 ** (np.interp(angle, seabed.grazing_deg, seabed.grazing_db) / 20)


def seabed_map(scenario: Scenario, along_m: ArrayLike, across_m: ArrayLike) -> dict[str, NDArray[np.float64]]:
    """Return the true seabed at places of the leg's frame, for maps and checks.

    Parameters
    ----------
    along_m, across_m : array_like of float, broadcast against each other
        From the leg's nominal start, positive forward and to starboard. [m]

    Returns
    -------
    dict of str to ndarray
        ``reflectivity``: backscatter of unit area without the law's dependence on angle (Lambert's constant, linear, or 1
        under a table, times the texture); ``depth_m``; ``rise_to_starboard``: rise per metre to starboard.
    """
    along, across = np.broadcast_arrays(
        np.asarray(along_m, dtype=np.float64), np.asarray(across_m, dtype=np.float64)
    )
    ground = Ground.of(scenario)
    north, east = scenario.world_place(along, across)
    to_north, to_east = ground.relief.slopes(north, east)
    heading = np.deg2rad(scenario.vehicle.heading_deg)
    return {
        "reflectivity": ground.reflectivity(along, across) * np.ones(along.shape),
        "depth_m": ground.relief.depth_m(north, east) * np.ones(along.shape),
        "rise_to_starboard": -np.sin(heading) * to_north + np.cos(heading) * to_east,
    }
