"""The nominal resolution cell on the ground, which sets how densely the scene is made of points."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from .scenario import Scenario

__all__ = ["cell_m", "coarsest_step_m"]

_SLANT_CELL = 0.886  # -3 dB width of a uniform band or aperture, in units of its reciprocal
_STEEPEST = 0.25  # below the vehicle the range cell has no finite ground length: it is cut at 4 slant cells


def cell_m(scenario: Scenario, across_m: float) -> tuple[float, float]:
    """Along and across length on the ground of the nominal -3 dB resolution cell. [m]"""
    sonar = scenario.sonar
    slant = float(np.hypot(across_m, scenario.altitude_m))
    across = _SLANT_CELL * scenario.sound_speed_m_s / (2 * abs(sonar.sweep_hz))
    across /= max(abs(across_m) / slant, _STEEPEST)
    if scenario.seabed.cell_along_m is not None:
        return scenario.seabed.cell_along_m, across
    return _SLANT_CELL * scenario.wavelength_m * slant / sonar.array_length_m, across


def coarsest_step_m(scenario: Scenario) -> tuple[float, float]:
    """Largest spacing of the seabed's points within the range, along and across. [m]"""
    far = float(np.sqrt(max(scenario.sonar.range_stop_m**2 - scenario.altitude_m**2, 0.0)))
    fine = float(np.sqrt(scenario.seabed.per_cell))
    return cell_m(scenario, far)[0] / fine, cell_m(scenario, 0.0)[1] / fine
