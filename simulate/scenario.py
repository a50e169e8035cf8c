"""What is simulated: sonar, vehicle, navigation, water, seabed and targets, in the units that people speak.

A scenario is a TOML file with one table for each of the classes here; every key carries its unit. The tables are
frozen and valid from birth; what only shows when tables are seen together is checked by :class:`Scenario`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from pingloom.imaging.errors import ParameterError

from ._checks import refuse as _refuse
from ._tables import build, flatten, to_toml
from .bubble_tables import Bubbles
from .contradictions import check_array, check_motions, check_navigation, check_seen
from .ground_checks import check_ground, check_target
from .instrument_checks import check_bubbles, check_instrument, check_noise
from .instrument_tables import InstrumentTable
from .multipath_checks import check_multipath
from .multipath_tables import LeakageTable, MultipathTable, SurfaceTable
from .noise_tables import NoiseTable
from .reach import heard_range_m
from .seabed_tables import SeabedTable
from .sonar_table import SonarTable
from .target_tables import Target
from .vehicle_tables import Leg, NavigationTable, Oscillation, RandomMotion, VehicleTable
from .water_column import check_water, sound_speed_m_s
from .water_tables import WaterTable

__all__ = [
    "Bubbles",
    "InstrumentTable",
    "LeakageTable",
    "Leg",
    "MultipathTable",
    "NavigationTable",
    "NoiseTable",
    "Oscillation",
    "RandomMotion",
    "Scenario",
    "SeabedTable",
    "SonarTable",
    "SurfaceTable",
    "Target",
    "VehicleTable",
    "WaterTable",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """All that decides a simulation; the same scenario gives the same bytes."""

    title: str = "untitled"
    seed: int = 0
    sonar: SonarTable = SonarTable()
    vehicle: VehicleTable = VehicleTable(altitude_m=6.0)
    navigation: NavigationTable = NavigationTable()
    water: WaterTable = WaterTable()
    seabed: SeabedTable = SeabedTable()
    targets: tuple[Target, ...] = ()
    noise: NoiseTable = NoiseTable()
    bubbles: tuple[Bubbles, ...] = ()
    instrument: InstrumentTable = InstrumentTable()
    multipath: MultipathTable | None = None
    surface: SurfaceTable | None = None
    leakage: LeakageTable | None = None

    def __post_init__(self) -> None:
        if self.seed < 0:
            _refuse("seed", self.seed, "at least 0")
        self._check_depths()
        check_water(self)
        self._check_range()
        check_array(self)
        check_motions(self)
        check_navigation(self)
        for target in self.targets:
            self._check_target(target)
            check_target(self, target)
        check_ground(self)
        check_noise(self)
        check_bubbles(self)
        check_instrument(self)
        check_multipath(self)

    def _check_depths(self) -> None:
        altitude, depth, water = self.vehicle.altitude_m, self.vehicle.depth_m, self.water.depth_m
        if altitude is None and (depth is None or water is None):
            raise ParameterError(
                "vehicle.altitude_m is absent; allowed: an altitude, or vehicle.depth_m with water.depth_m. Give one."
            )
        if None not in (altitude, depth, water) and abs(altitude + depth - water) > 1e-6:
            allowed = f"depth + altitude = {depth + altitude:g}"
            _refuse("water.depth_m", f"{water:g}", allowed, "Leave one of the three out.")
        if self.altitude_m <= 0 or self.depth_m < 0:
            allowed = "a vehicle between surface and seabed"
            _refuse("vehicle: depth and altitude", f"{self.depth_m:g} and {self.altitude_m:g}", allowed)

    def _check_range(self) -> None:
        sonar, vehicle = self.sonar, self.vehicle
        listening_s = 2 * sonar.range_stop_m / self.sound_speed_m_s
        if listening_s * vehicle.ping_rate_hz > 1:
            most = self.sound_speed_m_s / (2 * vehicle.ping_rate_hz)
            remedy = (
                f"At this rate the next ping starts first: range_stop_m at most {most:.4g}, or ping slower."
            )
            _refuse(
                "vehicle.ping_rate_hz", f"{vehicle.ping_rate_hz:g}", f"at most {1 / listening_s:.4g}", remedy
            )
        if self.seabed.present and sonar.range_stop_m <= self.altitude_m:
            _refuse(
                "sonar.range_stop_m", f"{sonar.range_stop_m:g}", f"above the altitude, {self.altitude_m:g}"
            )

    def _check_target(self, target: Target) -> None:
        along, across = self.leg_place(target)
        name = f"targets: '{target.name or target.kind}'"
        track = (self.vehicle.n_ping - 1) / self.vehicle.ping_rate_hz * self.vehicle.speed_m_s
        reach = heard_range_m(self)
        if self.vehicle.legs:
            check_seen(self, name, along, across)
        elif not -reach <= along <= track + reach or abs(across) > reach:
            _refuse(
                f"{name} place",
                f"{along:.4g} m along, {across:.4g} m across",
                f"within the sonar's range of the leg of {track:.4g} m",
                "Move it or lengthen the leg.",
            )
        if target.height_m + (target.size_m[2] if target.kind == "box" else 0) > self.seabed_depth_m:
            _refuse(
                f"{name} height", f"{target.height_m:g} m", f"below the surface, {self.seabed_depth_m:g} m up"
            )
        if self.vehicle.legs or self.sonar.sides == "both":
            return
        if across and (across > 0) != (self.sonar.sides == "starboard"):
            _refuse(
                f"{name} place",
                f"{across:.4g} m across",
                f"to {self.sonar.sides}, where the array looks",
                "Negative is to port.",
            )

    @property
    def altitude_m(self) -> float:
        """Nominal height of the vehicle above the seabed."""
        if self.vehicle.altitude_m is not None:
            return self.vehicle.altitude_m
        return self.water.depth_m - self.vehicle.depth_m  # type: ignore[operator]

    @property
    def depth_m(self) -> float:
        """Nominal depth of the vehicle; 10 m where the scenario gives the altitude alone."""
        if self.vehicle.depth_m is not None:
            return self.vehicle.depth_m
        return 10.0 if self.water.depth_m is None else self.water.depth_m - self.altitude_m

    @property
    def seabed_depth_m(self) -> float:
        """Depth of the flat seabed."""
        return self.depth_m + self.altitude_m

    @property
    def sound_speed_m_s(self) -> float:
        """Of the water; of a profile the mean straight down from vehicle to seabed."""
        return sound_speed_m_s(self)

    @property
    def wavelength_m(self) -> float:
        """At the centre frequency."""
        return self.sound_speed_m_s / self.sonar.centre_frequency_hz

    def leg_place(self, target: Target) -> tuple[float, float]:
        """Return (along, across) of a target in the leg's frame. [m]"""
        if target.along_m is not None and target.across_m is not None:
            return target.along_m, target.across_m
        north = target.north_m - self.vehicle.start_north_m  # type: ignore[operator]
        east = target.east_m - self.vehicle.start_east_m  # type: ignore[operator]
        heading = math.radians(self.vehicle.heading_deg)
        cos, sin = math.cos(heading), math.sin(heading)
        return cos * north + sin * east, cos * east - sin * north

    def world_place(self, along_m: float, across_m: float) -> tuple[float, float]:
        """Return (north, east) of a place in the leg's frame. [m]"""
        heading = math.radians(self.vehicle.heading_deg)
        cos, sin = math.cos(heading), math.sin(heading)
        return (
            self.vehicle.start_north_m + cos * along_m - sin * across_m,
            self.vehicle.start_east_m + sin * along_m + cos * across_m,
        )

    @classmethod
    def from_dict(cls, table: dict[str, Any]) -> Scenario:
        """Make a scenario of nested tables, as a TOML reader gives them.

        Raises
        ------
        ParameterError
            For an unknown key (with the nearest known one), a wrong type or a value that isn't allowed.
        """
        return build(cls, table)

    def to_dict(self) -> dict[str, Any]:
        """Return nested dicts and lists that :meth:`from_dict` takes back."""
        return flatten(self)

    def to_toml(self) -> str:
        """Return the scenario as TOML text, every setting written out."""
        return to_toml(self.to_dict())
