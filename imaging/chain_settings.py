"""All that can be set about the imaging, stage by stage."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from .average import AverageSettings
from .beamform import BeamformSettings
from .compress import CompressSettings
from .errors import ParameterError
from .lay import GridSettings

__all__ = ["BottomSettings", "ChainSettings", "Method", "WaterSettings"]

Method = Literal["multilook", "broadside"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterSettings:
    """A belief about the water to lay over the recording's."""

    sound_speed_m_s: float | None = None
    absorption_db_m: float | None = None
    """One way. [dB/m]"""
    temperature_c: float = 10.0
    """For the absorption where the recording gives none. [deg C]"""
    salinity: float = 35.0
    """For the absorption where the recording gives none."""

    def __post_init__(self) -> None:
        for name, low, high in (
            ("sound_speed_m_s", 1300, 1800),
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

    def __post_init__(self) -> None:
        for name in ("altitude_m", "water_depth_m"):
            value = getattr(self, name)
            if value is not None and not 0 < value < 12_000:
                raise ParameterError(f"bottom.{name} is {value:g}; allowed: above 0 to 12000.")


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainSettings:
    """All that can be set about the imaging, stage by stage."""

    compress: CompressSettings = CompressSettings()
    beamform: BeamformSettings = BeamformSettings()
    average: AverageSettings = AverageSettings()
    grid: GridSettings = GridSettings()
    water: WaterSettings = WaterSettings()
    bottom: BottomSettings = BottomSettings()
