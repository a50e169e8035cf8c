"""The table of a scenario that describes the water."""

from __future__ import annotations

import math
from dataclasses import dataclass

from pingloom.imaging.seawater import AbsorptionModel, SoundSpeedModel

from ._checks import above_zero as _above_zero
from ._checks import refuse as _refuse
from ._checks import within as _within

__all__ = ["DEFAULT_SOUND_SPEED_MODEL", "WaterTable"]

DEFAULT_SOUND_SPEED_MODEL: SoundSpeedModel = "chen-millero"
_CONSTANT_M_S, _TEMPERATURE_C, _SALINITY = 1500.0, 10.0, 35.0  # where nothing is said
_MOST_POINTS = 1000
# Where each formula is stated to hold: degrees Celsius, salinity. Marczak's is for fresh water.
_VALID = {
    "chen-millero": ((0, 40), (0, 40)),
    "del-grosso": ((0, 35), (29, 43)),
    "mackenzie": ((2, 30), (25, 40)),
    "medwin": ((0, 35), (0, 45)),
    "marczak": ((0, 95), (0, 0)),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterTable:
    """The water: sound speed, absorption, white noise.

    The sound speed is one of

    * ``sound_speed_m_s``, everywhere the same; 1500 where nothing is said;
    * ``sound_speed_model`` with ``temperature_c`` and ``salinity``: everywhere that of the depth halfway between vehicle
      and seabed;
    * ``profile_depth_m`` with ``profile_sound_speed_m_s``, measured, or with ``profile_temperature_c`` and
      ``profile_salinity``, from which ``sound_speed_model`` makes it: linear between the points, so that rays bend.

    A profile has to reach from surface to seabed, or ``profile_hold_ends`` says that its first and last
    values hold beyond. Seabed and targets that no direct ray reaches (:mod:`pingloom.simulate.rays`) give no echo.
    """

    sound_speed_m_s: float | None = None
    """Everywhere the same; absent without a model or a profile: 1500."""
    sound_speed_model: SoundSpeedModel | None = None
    """Formula for temperature, salinity and depth. Without a profile: one speed, that of the depth halfway between vehicle
    and seabed. For a profile of temperatures: at each of its depths; absent: chen-millero."""
    profile_depth_m: tuple[float, ...] | None = None
    """Increasing, positive down, from the surface to the seabed. The sound speed is linear in between and rays bend; what no
    direct ray reaches doesn't echo."""
    profile_sound_speed_m_s: tuple[float, ...] | None = None
    """Measured at each of these depths."""
    profile_temperature_c: tuple[float, ...] | None = None
    """Instead of the sound speed, which then comes from the formula."""
    profile_salinity: tuple[float, ...] | None = None
    """Absent beside temperatures: ``salinity`` at all depths."""
    profile_hold_ends: bool | None = None
    """The first and last values hold above and below the profile, which then needn't reach surface and seabed."""
    depth_m: float | None = None
    """Of the seabed."""
    absorption_db_m: float | None = None
    """One way, everywhere the same; absent: computed. With ``profile_temperature_c`` it is then that of each layer at the
    layer's middle, summed along the ray; else that of the depth halfway between vehicle and seabed."""
    absorption_model: AbsorptionModel | None = None
    """Formula for it; absent: francois-garrison."""
    temperature_c: float | None = None
    """Absent: 10, or the profile's."""
    salinity: float | None = None
    """Absent: 35, or the profile's."""
    ph: float = 8.0
    noise: bool = True
    noise_db: float | None = None
    """Spectrum level at the receivers, dB re 1 uPa^2/Hz; absent: thermal noise (Mellen)."""

    def __post_init__(self) -> None:
        self._check_ways()
        self._check_profile()
        if self.sound_speed_m_s is None and self.sound_speed_model is None and self.profile_depth_m is None:
            object.__setattr__(self, "sound_speed_m_s", _CONSTANT_M_S)
        if self.temperature_c is None and self.profile_temperature_c is None:
            object.__setattr__(self, "temperature_c", _TEMPERATURE_C)
        if self.salinity is None and self.profile_salinity is None:
            object.__setattr__(self, "salinity", _SALINITY)
        _within("water", self, 1300, 1800, "sound_speed_m_s")
        _within("water", self, -4, 60, "temperature_c")
        _within("water", self, 0, 60, "salinity")
        _within("water", self, 4, 11, "ph")
        _within("water", self, 0, 10, "absorption_db_m")
        _above_zero("water", self, "depth_m")
        self._check_model()
        if self.absorption_db_m is not None and self.absorption_model is not None:
            _refuse("water.absorption_model", repr(self.absorption_model), "a number or a model, not both")

    @property
    def has_profile(self) -> bool:
        """Whether the sound speed depends on depth."""
        return self.profile_depth_m is not None

    def _check_ways(self) -> None:
        """Refuse two ways to say one thing."""
        one = "one way to give the sound speed"
        pairs = (
            ("sound_speed_m_s", "profile_depth_m", one),
            ("sound_speed_m_s", "sound_speed_model", one),
            ("profile_sound_speed_m_s", "profile_temperature_c", one),
            ("profile_sound_speed_m_s", "profile_salinity", one),
            ("profile_sound_speed_m_s", "sound_speed_model", one + ": a measured one needs no formula"),
            ("profile_temperature_c", "temperature_c", "one way to give the temperature"),
            ("profile_salinity", "salinity", "one way to give the salinity"),
        )
        for first, second, allowed in pairs:
            if getattr(self, first) is not None and getattr(self, second) is not None:
                _refuse(f"water.{second}", f"given beside water.{first}", allowed, "Leave one out.")

    def _check_profile(self) -> None:
        columns = ("profile_sound_speed_m_s", "profile_temperature_c", "profile_salinity")
        given = [name for name in columns if getattr(self, name) is not None]
        if self.profile_depth_m is None:
            for name in (*given, *(["profile_hold_ends"] if self.profile_hold_ends is not None else [])):
                _refuse(f"water.{name}", "given without water.profile_depth_m", "both or none")
            return
        depth = self.profile_depth_m
        if "profile_sound_speed_m_s" not in given and "profile_temperature_c" not in given:
            allowed = "with water.profile_sound_speed_m_s, or water.profile_temperature_c"
            _refuse("water.profile_depth_m", "given alone", allowed)
        if not 2 <= len(depth) <= _MOST_POINTS:
            _refuse("water.profile_depth_m", f"{len(depth)} depths long", f"from 2 to {_MOST_POINTS}")
        for i, value in enumerate(depth):
            if not (math.isfinite(value) and value >= 0 and (i == 0 or value > depth[i - 1])):
                _refuse(f"water.profile_depth_m[{i}]", f"{value:g}", "increasing depths from 0")
        bounds = {columns[0]: (1300, 1800), columns[1]: (-4, 60), columns[2]: (0, 60)}
        for name in given:
            column, (low, high) = getattr(self, name), bounds[name]
            if len(column) != len(depth):
                _refuse(f"water.{name}", f"{len(column)} values long", f"{len(depth)}, one for each depth")
            for i, value in enumerate(column):
                if not low <= value <= high:
                    _refuse(f"water.{name}[{i}]", f"{value:g}", f"from {low} to {high}")

    def _check_model(self) -> None:
        """Refuse water for which the formula that the scenario names was not made."""
        if self.sound_speed_model is None:
            return
        for name, (low, high) in zip(
            ("temperature_c", "salinity"), _VALID[self.sound_speed_model], strict=True
        ):
            single = getattr(self, name)
            for value in (single,) if single is not None else getattr(self, f"profile_{name}"):
                if not low <= value <= high:
                    allowed = f"from {low} to {high} for '{self.sound_speed_model}'"
                    _refuse(f"water: {name}", f"{value:g}", allowed, "Choose another sound_speed_model.")
