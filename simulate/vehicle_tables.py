"""Tables of the vehicle: its way, its motions and what its navigation says of them."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from typing import Literal

from pingloom.imaging.errors import ParameterError

from ._checks import above_zero, refuse, within

__all__ = ["Leg", "NavigationTable", "Oscillation", "RandomMotion", "VehicleTable"]


def _one_unit(table: str, owner: object, axis: str, name: str) -> None:
    """Refuse a translation in degrees and a rotation in metres."""
    wanted, other = f"{name}_m", f"{name}_deg"
    if axis in ("yaw", "pitch", "roll"):
        wanted, other = other, wanted
    if getattr(owner, wanted) is None or getattr(owner, other) is not None:
        raise ParameterError(
            f"{table} of axis '{axis}' needs {wanted} and can't have {other}. Give {wanted} alone."
        )


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
        _one_unit("vehicle.motion", self, self.axis, "amplitude")

    @property
    def shortest_period_s(self) -> float:
        """Of anything in it."""
        return self.period_s


@dataclass(frozen=True, slots=True, kw_only=True)
class RandomMotion:
    """One random motion: stationary, Gaussian, smooth, of a given spectrum and root mean square; from the seed.

    It adds to the oscillations of the same axis. ``resonance`` is the answer of a damped oscillator to white noise,
    cut at five times its natural frequency; ``band`` is flat, ``octaves`` wide about its middle.
    """

    axis: Literal["surge", "sway", "heave", "yaw", "pitch", "roll"]
    period_s: float
    """Natural period of the resonance, or the middle of the band."""
    rms_m: float | None = None
    rms_deg: float | None = None
    spectrum: Literal["resonance", "band"] = "resonance"
    damping: float = 0.15
    """Of the resonance, as a part of the critical damping."""
    octaves: float = 1.0
    """Width of the band."""

    def __post_init__(self) -> None:
        above_zero("vehicle.random_motion", self, "period_s")
        within("vehicle.random_motion", self, 0, math.inf, "rms_m", "rms_deg")
        within("vehicle.random_motion", self, 0.01, 1, "damping")
        within("vehicle.random_motion", self, 0.01, 6, "octaves")
        _one_unit("vehicle.random_motion", self, self.axis, "rms")

    @property
    def shortest_period_s(self) -> float:
        """Of anything in it."""
        return self.period_s / (5.0 if self.spectrum == "resonance" else 2 ** (self.octaves / 2))


@dataclass(frozen=True, slots=True, kw_only=True)
class Leg:
    """One straight stretch; the turn into the next one is extra way."""

    heading_deg: float
    """Course made good, clockwise from true north."""
    length_m: float
    turn: Literal["shorter", "port", "starboard"] = "shorter"
    """Way round into the next leg; a half turn is to starboard unless told otherwise."""

    def __post_init__(self) -> None:
        above_zero("vehicle.legs", self, "length_m")
        within("vehicle.legs", self, -360, 360, "heading_deg")

    def turn_deg(self, following: Leg) -> float:
        """Angle turned into the following leg, positive to starboard."""
        angle = (following.heading_deg - self.heading_deg) % 360
        if self.turn == "port" or (self.turn == "shorter" and angle > 180):
            angle = (angle - 360) if angle else 0.0
        return angle


@dataclass(frozen=True, slots=True, kw_only=True)
class VehicleTable:
    """Straight legs and turns at constant speed over ground, with motions on top."""

    n_ping: int = 0
    """0: to the end of the legs; where there are none, 100."""
    ping_rate_hz: float = 11.0
    speed_m_s: float = 1.8
    """Over ground."""
    heading_deg: float = 0.0
    """Course made good, clockwise from true north; the vehicle's own heading is this, set against the current, plus its
    yaw. With legs it is that of the first one."""
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
    legs: tuple[Leg, ...] = ()
    """Absent: one leg as long as the pings take."""
    turn_radius_m: float | None = None
    """Least radius of the turns, met in their middle."""
    turn_rate_deg_s: float | None = None
    """Greatest change of course; without a radius it gives one, with a radius it is a limit."""
    current_m_s: float | None = None
    """Of the water over ground. The vehicle keeps to its course and speed over ground by pointing into it."""
    current_to_deg: float | None = None
    """Where the current flows to, clockwise from true north."""
    motion: tuple[Oscillation, ...] = ()
    random_motion: tuple[RandomMotion, ...] = ()

    def __post_init__(self) -> None:
        above_zero("vehicle", self, "ping_rate_hz", "altitude_m", "length_m")
        above_zero("vehicle", self, "turn_radius_m", "turn_rate_deg_s")
        within("vehicle", self, 0, 30, "speed_m_s", "current_m_s")
        within("vehicle", self, 0, math.inf, "depth_m")
        within("vehicle", self, -360, 360, "current_to_deg")
        self._check_current()
        if self.legs:
            self._check_legs()
        object.__setattr__(self, "n_ping", self._checked_pings())
        self.start_time_ns  # noqa: B018 - refuses what can't be read

    def _check_current(self) -> None:
        if (self.current_m_s is None) != (self.current_to_deg is None):
            given = "current_m_s" if self.current_to_deg is None else "current_to_deg"
            refuse(f"vehicle.{given}", "alone", "current_m_s with current_to_deg", "Give both or none.")
        if self.current_m_s and self.current_m_s >= self.speed_m_s:
            allowed = f"below speed_m_s = {self.speed_m_s:g}"
            refuse(
                "vehicle.current_m_s", f"{self.current_m_s:g}", allowed, "The vehicle couldn't hold its legs."
            )

    def _check_legs(self) -> None:
        if self.speed_m_s <= 0:
            refuse("vehicle.speed_m_s", "0", "above 0 where there are legs")
        first = self.legs[0].heading_deg
        if self.heading_deg not in (0.0, first):
            allowed = f"{first:g}, as the first leg says"
            refuse("vehicle.heading_deg", f"{self.heading_deg:g}", allowed, "Leave it out.")
        object.__setattr__(self, "heading_deg", first)
        least = 2 * self.speed_m_s / self.ping_rate_hz
        for i, leg in enumerate(self.legs):
            if leg.length_m < least:
                allowed = f"at least {least:.4g}, the way from ping to ping and on"
                refuse(
                    f"vehicle.legs[{i}].length_m", f"{leg.length_m:g}", allowed, "Ping faster or lengthen it."
                )
        if len(self.legs) > 1:
            self._check_turns()

    def _check_turns(self) -> None:
        radius, rate = self.turn_radius_m, self.turn_rate_deg_s
        if radius is None and rate is None:
            refuse(
                "vehicle.turn_radius_m", "absent", "a radius, or turn_rate_deg_s", "Legs are joined by turns."
            )
        if radius is not None:
            limit = 60.0 if rate is None else rate
            least = self.speed_m_s / math.radians(limit)
            if radius < least * (1 - 1e-9):
                allowed = f"at least {least:.4g}: at {self.speed_m_s:g} m/s that turns by {limit:g} degrees a second"
                refuse("vehicle.turn_radius_m", f"{radius:g}", allowed, "Slow down or turn wider.")
        elif rate > 60:  # type: ignore[operator]
            refuse("vehicle.turn_rate_deg_s", f"{rate:g}", "at most 60")

    def _checked_pings(self) -> int:
        if self.n_ping < 0:
            refuse("vehicle.n_ping", self.n_ping, "at least 1, or 0 for all that there is room for")
        if not self.legs:
            return self.n_ping or 100
        most = int(self.way_m / self.speed_m_s * self.ping_rate_hz + 1e-6) + 1
        if self.n_ping > most:
            allowed = f"at most {most}: then the legs, {self.way_m:.4g} m with their turns, end"
            refuse("vehicle.n_ping", self.n_ping, allowed, "Lengthen the last leg, or leave n_ping out.")
        return self.n_ping or most

    @property
    def least_turn_radius_m(self) -> float:
        """In the middle of a turn; infinite where there are none."""
        if self.turn_radius_m is not None:
            return self.turn_radius_m
        if self.turn_rate_deg_s is not None:
            return self.speed_m_s / math.radians(self.turn_rate_deg_s)
        return math.inf

    @property
    def turns_rad(self) -> tuple[float, ...]:
        """Angle of the turn behind each leg but the last, positive to starboard."""
        return tuple(math.radians(a.turn_deg(b)) for a, b in itertools.pairwise(self.legs))

    @property
    def way_m(self) -> float:
        """Length of all legs and turns. A turn's rate swells and ebbs, so it takes twice the way of its tightest arc."""
        turns = sum(2 * self.least_turn_radius_m * abs(turn) for turn in self.turns_rad if turn)
        return sum(leg.length_m for leg in self.legs) + turns

    @property
    def duration_s(self) -> float:
        """From the first to the last ping."""
        return (self.n_ping - 1) / self.ping_rate_hz

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
    """What the recording's navigation says, and how far that is from the truth; by default not at all.

    Each error has a stream of chance of its own: switching one on leaves the others as they were.
    """

    rate_hz: float | None = None
    """Of its rows; absent: one row a ping, at the ping times."""
    altitude: bool = True
    speeds: bool = True
    rates: bool = True
    origin_latitude_deg: float = 0.0
    """Geodetic place of north = east = 0."""
    origin_longitude_deg: float = 0.0
    clock_offset_s: float | None = None
    """Its clock ahead of the sonar's."""
    latency_s: float | None = None
    """Age of what a row says at the time that the row bears."""
    heading_bias_deg: float | None = None
    pitch_bias_deg: float | None = None
    roll_bias_deg: float | None = None
    heading_noise_deg: float | None = None
    """Root mean square, new in each row."""
    attitude_noise_deg: float | None = None
    """Of pitch and of roll, as for the heading."""
    velocity_bias_forward_m_s: float | None = None
    velocity_bias_starboard_m_s: float | None = None
    velocity_noise_m_s: float | None = None
    """Of each speed, new in each row."""
    velocity_walk_m_s: float | None = None
    """Random walk of the forward and the starboard speed's error: root mean square after one second, then growing with
    the root of time."""
    position: Literal["dead_reckoned", "fixed"] = "dead_reckoned"
    """dead_reckoned: north and east drift as the errors of speed and heading carry them; fixed: they come from elsewhere
    and don't."""
    position_noise_m: float | None = None
    """Of north and of east, new in each row."""
    depth_noise_m: float | None = None
    altitude_bias_m: float | None = None
    altitude_noise_m: float | None = None
    dropped: float | None = None
    """Part of the rows that are missing."""
    frozen: float | None = None
    """Part of the time during which rows repeat what the last good one said."""
    freeze_s: float = 1.0
    """How long one such spell lasts."""
    angle_step_deg: float | None = None
    """Angles are rounded to multiples of it."""
    position_step_m: float | None = None
    """North, east, depth and altitude are rounded to multiples of it."""
    speed_step_m_s: float | None = None
    heading_uncertainty_deg: float | None = None
    """As the navigation states it; absent: what the errors above come to, or unstated where there are none."""
    velocity_uncertainty_m_s: float | None = None
    sound_speed_at_array: bool | None = None
    """Whether the vehicle measures the sound speed where its array is, and logs it."""
    sound_speed_bias_m_s: float | None = None
    """Of that measurement."""
    sound_speed_noise_m_s: float | None = None
    """Root mean square, new in each row."""

    def __post_init__(self) -> None:
        above_zero(
            "navigation", self, "rate_hz", "freeze_s", "angle_step_deg", "position_step_m", "speed_step_m_s"
        )
        within("navigation", self, -90, 90, "origin_latitude_deg")
        within("navigation", self, -180, 360, "origin_longitude_deg")
        within("navigation", self, -3600, 3600, "clock_offset_s")
        within("navigation", self, 0, 3600, "latency_s")
        within("navigation", self, -180, 180, "heading_bias_deg", "pitch_bias_deg", "roll_bias_deg")
        within(
            "navigation", self, 0, 90, "heading_noise_deg", "attitude_noise_deg", "heading_uncertainty_deg"
        )
        within(
            "navigation", self, 0, 10, "velocity_noise_m_s", "velocity_walk_m_s", "velocity_uncertainty_m_s"
        )
        within("navigation", self, -10, 10, "velocity_bias_forward_m_s", "velocity_bias_starboard_m_s")
        within("navigation", self, 0, 1000, "position_noise_m", "depth_noise_m", "altitude_noise_m")
        within("navigation", self, 0, 0.9, "dropped", "frozen")
        within("navigation", self, -100, 100, "sound_speed_bias_m_s")
        within("navigation", self, 0, 100, "sound_speed_noise_m_s")
        for name in ("sound_speed_bias_m_s", "sound_speed_noise_m_s"):
            if getattr(self, name) is not None and not self.sound_speed_at_array:
                refuse(
                    f"navigation.{name}", f"{getattr(self, name):g}", "with sound_speed_at_array = true only"
                )
