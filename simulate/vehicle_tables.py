"""Tables of the vehicle: its way, its motions and what its navigation says of them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from typing import Literal

from pingloom.imaging.errors import ParameterError

from ._checks import above_zero, refuse, within

__all__ = ["NavigationTable", "Oscillation", "VehicleTable"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Oscillation:
    """One sinusoidal motion, ``amplitude * sin(2 pi t / period + phase)``, t from the first ping.

    Surge, sway and heave are along, to starboard of and below the leg's nominal line (in metres); yaw, pitch and
    roll add to the angles (in degrees).
    """

    axis: Literal["surge", "sway", "heave", "yaw", "pitch", "roll"]
    period_s: float
    amplitude_m: float | None = None
    amplitude_deg: float | None = None
    phase_deg: float = 0.0

    def __post_init__(self) -> None:
        above_zero("vehicle.motion", self, "period_s")
        wanted, other = ("amplitude_m", "amplitude_deg")
        if self.axis in ("yaw", "pitch", "roll"):
            wanted, other = other, wanted
        if getattr(self, wanted) is None or getattr(self, other) is not None:
            raise ParameterError(
                f"vehicle.motion of axis '{self.axis}' needs {wanted} and can't have {other}. Give {wanted} alone."
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class VehicleTable:
    """One straight leg at constant speed, with sinusoidal motions on top."""

    n_ping: int = 100
    ping_rate_hz: float = 11.0
    speed_m_s: float = 1.8
    heading_deg: float = 0.0
    """Of the leg, clockwise from true north; the vehicle's own heading is this plus its yaw."""
    altitude_m: float | None = None
    """Nominal, of the origin; with the depth it gives the depth of the seabed."""
    depth_m: float | None = None
    start_north_m: float = 0.0
    """Nominal place at the first ping."""
    start_east_m: float = 0.0
    start_time: str = "2031-03-14T09:00:00Z"
    """Of the first ping, ISO 8601 in UTC."""
    length_m: float | None = None
    """Of the hull, where an array longer than it shall be refused."""
    motion: tuple[Oscillation, ...] = ()

    def __post_init__(self) -> None:
        if self.n_ping < 1:
            refuse("vehicle.n_ping", self.n_ping, "at least 1")
        above_zero("vehicle", self, "ping_rate_hz", "altitude_m", "length_m")
        within("vehicle", self, 0, 30, "speed_m_s")
        within("vehicle", self, 0, math.inf, "depth_m")
        self.start_time_ns  # noqa: B018 - refuses what can't be read

    @property
    def start_time_ns(self) -> int:
        """Nanoseconds since 1970-01-01 00:00:00Z."""
        try:
            time = datetime.fromisoformat(self.start_time)
        except ValueError as error:
            raise ParameterError(
                f"vehicle.start_time is {self.start_time!r}; allowed: a time such as 2031-03-14T09:00:00Z."
            ) from error
        if time.tzinfo is None:
            time = time.replace(tzinfo=timezone.utc)  # noqa: UP017
        since = time - datetime(1970, 1, 1, tzinfo=timezone.utc)  # noqa: UP017
        if since < timedelta(0):
            refuse("vehicle.start_time", self.start_time, "1970 or later")
        return (since // timedelta(microseconds=1)) * 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class NavigationTable:
    """What the recording's navigation says. It is free of error so far."""

    rate_hz: float | None = None
    """Of its rows; absent: one row a ping, at the ping times."""
    altitude: bool = True
    speeds: bool = True
    rates: bool = True
    origin_latitude_deg: float = 0.0
    """Geodetic place of north = east = 0."""
    origin_longitude_deg: float = 0.0

    def __post_init__(self) -> None:
        above_zero("navigation", self, "rate_hz")
        within("navigation", self, -90, 90, "origin_latitude_deg")
        within("navigation", self, -180, 360, "origin_longitude_deg")
