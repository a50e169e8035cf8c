"""The table of a scenario that describes the water."""

from __future__ import annotations

from dataclasses import dataclass

from ._checks import above_zero as _above_zero
from ._checks import within as _within

__all__ = ["WaterTable"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterTable:
    """The water between array and seabed: one sound speed, one absorption, white noise."""

    sound_speed_m_s: float = 1500.0
    depth_m: float | None = None
    """Of the seabed."""
    absorption_db_m: float | None = None
    """One way; absent: computed (Francois and Garrison) for the properties below."""
    temperature_c: float = 10.0
    salinity: float = 35.0
    ph: float = 8.0
    noise: bool = True
    noise_db: float | None = None
    """Spectrum level at the receivers, dB re 1 uPa^2/Hz; absent: thermal noise (Mellen)."""

    def __post_init__(self) -> None:
        _within("water", self, 1300, 1800, "sound_speed_m_s")
        _within("water", self, 0, 10, "absorption_db_m")
        _above_zero("water", self, "depth_m")
