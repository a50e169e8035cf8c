"""Settings that are fine alone and impossible together, refused by name before a ping is made."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ._checks import refuse
from .path import Path
from .vehicle_tables import Oscillation, RandomMotion

if TYPE_CHECKING:
    from .scenario import Scenario

__all__ = ["check_array", "check_motions", "check_navigation", "check_seen"]

_SIGMAS = 6.0  # of a random motion, as far as it goes for good
_MOST_ROWS = 20_000_000


def check_array(scenario: Scenario) -> None:
    """Refuse an array or transmitter that a hull of the given length can't carry."""
    length, sonar = scenario.vehicle.length_m, scenario.sonar
    if length is None:
        return
    if sonar.array_length_m > length:
        got, allowed = f"{sonar.array_length_m:g} m long", f"at most vehicle.length_m = {length:g}"
        refuse("sonar: the array", got, allowed, "Fewer channels or a smaller pitch make it shorter.")
    # The origin lies somewhere in the hull.
    for name, away, half in (
        ("array_forward_m", sonar.array_forward_m, sonar.array_length_m / 2),
        ("transmit_forward_m", sonar.array_forward_m + sonar.transmit_forward_m, sonar.transmit_along_m / 2),
    ):
        if abs(away) + half > length:
            got = f"{getattr(sonar, name):g}, with an end {abs(away) + half:.4g} m from the origin"
            refuse(f"sonar.{name}", got, f"within vehicle.length_m = {length:g}")


def check_motions(scenario: Scenario) -> None:
    """Refuse motions that are too fast for one ping's listening, or leave the water."""
    vehicle = scenario.vehicle
    # The receivers' way in one ping is a polynomial of degree 7: down to this period it is met to 1e-5 of the motion.
    least = 4 * scenario.sonar.range_stop_m / scenario.sound_speed_m_s
    for kind in ("motion", "random_motion"):
        for i, motion in enumerate(getattr(vehicle, kind)):
            if motion.shortest_period_s < least:
                got = f"{motion.period_s:g}, with periods down to {motion.shortest_period_s:.3g} s"
                refuse(
                    f"vehicle.{kind}[{i}].period_s",
                    got,
                    f"periods from {least:.3g} s, twice the listening time",
                )
    heave = sum(_largest(m) for m in (*vehicle.motion, *vehicle.random_motion) if m.axis == "heave")
    for name, room in (("altitude_m", scenario.altitude_m), ("depth_m", vehicle.depth_m)):
        if room is not None and heave > room:
            got, end = f"a heave of up to {heave:.3g} m", "seabed" if name == "altitude_m" else "surface"
            refuse(
                "vehicle: the motions give", got, f"at most {name} = {room:g}", f"It would meet the {end}."
            )


def _largest(motion: Oscillation | RandomMotion) -> float:
    if isinstance(motion, Oscillation):
        return abs(motion.amplitude_m or 0.0)
    return _SIGMAS * (motion.rms_m or 0.0)


def check_navigation(scenario: Scenario) -> None:
    """Refuse a navigation that says nothing of the line."""
    table, line_s = scenario.navigation, scenario.vehicle.duration_s
    below = f"below the line's duration, {line_s:.3g} s"
    if line_s > 0:
        if table.latency_s and table.latency_s >= line_s:
            refuse(
                "navigation.latency_s", f"{table.latency_s:g}", below, "Every row would be from before it."
            )
        if table.clock_offset_s and abs(table.clock_offset_s) >= line_s:
            allowed = f"offsets that leave rows within the line, up to {line_s:.3g} s"
            refuse("navigation.clock_offset_s", f"{table.clock_offset_s:g}", allowed)
        if table.frozen and table.freeze_s >= line_s:
            refuse("navigation.freeze_s", f"{table.freeze_s:g}", below, "Nothing else would be logged.")
    if table.rate_hz is None:
        return
    if table.rate_hz * (line_s + 1 / scenario.vehicle.ping_rate_hz) < 1:
        least = 1 / (line_s + 1 / scenario.vehicle.ping_rate_hz)
        refuse("navigation.rate_hz", f"{table.rate_hz:g}", f"at least {least:.3g}, one row in the line")
    most = _MOST_ROWS / max(line_s, 1.0)
    if table.rate_hz > most:
        refuse(
            "navigation.rate_hz", f"{table.rate_hz:g}", f"from 0 to {most:.3g}, {_MOST_ROWS:g} rows in all"
        )


def check_seen(scenario: Scenario, name: str, along_m: float, across_m: float) -> None:
    """Refuse a target that no ping of any leg can hear."""
    vehicle, reach = scenario.vehicle, scenario.sonar.range_stop_m
    state = Path.of(vehicle).state(np.linspace(0, vehicle.duration_s, 2000))
    cos, sin = np.cos(state.course_rad), np.sin(state.course_rad)
    north, east = scenario.world_place(along_m, across_m)
    aside_north, aside_east = north - state.origin_m[:, 0], east - state.origin_m[:, 1]
    along = cos * aside_north + sin * aside_east - state.along_m
    across = cos * aside_east - sin * aside_north
    near = np.hypot(along, across) <= reach
    got = f"{along_m:.4g} m along, {across_m:.4g} m across"
    if not near.any():
        allowed = f"within the sonar's range of {reach:g} m of the legs"
        refuse(f"{name} place", got, allowed, "Move it or lengthen the legs.")
    sides = scenario.sonar.sides
    if sides != "both" and not (near & ((across >= 0) == (sides == "starboard"))).any():
        refuse(f"{name} place", got, f"to {sides} of some leg, where the array looks", "Negative is to port.")
