"""All that can be set about the imaging, stage by stage."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from .average import AverageSettings
from .beamform import BeamformSettings
from .compress import CompressSettings
from .errors import ParameterError
from .lay import GridSettings
from .refraction import RayMode
from .row_weights import CombineSettings

__all__ = ["BottomSettings", "ChainSettings", "Method", "WaterSettings"]

Method = Literal["multilook", "broadside"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterSettings:
    """A belief about the water to lay over the recording's."""

    sound_speed_m_s: float | None = None
    """Along the ray, in place of the recording's speed and profile. [m/s]"""
    sound_speed_at_array_m_s: float | None = None
    """For the beams, in place of what the navigation measured. [m/s]"""
    rays: RayMode = "auto"
    """Through the recording's profile: straight, exact, or auto: straight where they err by less than a tenth of a cell."""
    absorption_db_m: float | None = None
    """One way. [dB/m]"""
    temperature_c: float = 10.0
    """For the absorption where the recording gives none. [deg C]"""
    salinity: float = 35.0
    """For the absorption where the recording gives none."""

    def __post_init__(self) -> None:
        if self.rays not in ("auto", "straight", "exact"):
            raise ParameterError(f"water.rays is {self.rays!r}; allowed: auto, straight, exact.")
        for name, low, high in (
            ("sound_speed_m_s", 1300, 1800),
            ("sound_speed_at_array_m_s", 1300, 1800),
            ("absorption_db_m", 0, 10),
            ("temperature_c", -4, 60),
            ("salinity", 0, 60),
        ):
            value = getattr(self, name)
            if value is not None and not low <= value <= high:
                raise ParameterError(f"water.{name} is {value:g}; allowed: {low} to {high}.")


@dataclass(frozen=True, slots=True, kw_only=True)
class BottomSettings:
    """Where the seabed lies."""

    altitude_m: float | None = None
    """Of the body origin, in place of what the recording says. [m]"""
    water_depth_m: float | None = None
    """Of the seabed below the surface, in place of what the recording says; used where no altitude is known. [m]"""
    slope_across_deg: float = 0.0
    """By which the seabed falls towards starboard of the strip. [deg]"""
    slope_along_deg: float = 0.0
    """By which the seabed falls ahead along the strip. [deg]"""

    def __post_init__(self) -> None:
        for name in ("altitude_m", "water_depth_m"):
            value = getattr(self, name)
            if value is not None and not 0 < value < 12_000:
                raise ParameterError(f"bottom.{name} is {value:g}; allowed: above 0 to 12000.")
        for name in ("slope_across_deg", "slope_along_deg"):
            value = getattr(self, name)
            if not -45 <= value <= 45:
                raise ParameterError(f"bottom.{name} is {value:g}; allowed: -45 to 45.")


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainSettings:
    """All that can be set about the imaging, stage by stage."""

    compress: CompressSettings = CompressSettings()
    combine: CombineSettings = CombineSettings()
    beamform: BeamformSettings = BeamformSettings()
    average: AverageSettings = AverageSettings()
    grid: GridSettings = GridSettings()
    water: WaterSettings = WaterSettings()
    bottom: BottomSettings = BottomSettings()
