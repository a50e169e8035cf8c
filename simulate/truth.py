"""What is really there: poses at the ping times, targets and their delays, and how wrong the navigation is."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.records import Sonar

from ._geometry import row_centres
from .instrument import sonars
from .motion import Track
from .navigation import navigation_truth, platform
from .ping_times import ping_times_ns, seconds_from_start
from .scenario import Scenario

__all__ = ["ping_times_ns", "platform", "point_delay_s", "seconds_from_start", "target_places", "truth"]


def truth(scenario: Scenario) -> dict[str, NDArray[Any]]:
    """Return what is really there: poses at the ping times, targets, and the delays of their centres.

    Returns
    -------
    dict of str to ndarray
        ``ping_time_ns`` (ping,); ``position_m`` (ping, 3) north, east, depth; ``angles_rad`` (ping, 3) heading, pitch,
        roll; ``velocity_m_s`` (ping, 3) north, east, down; ``angle_rates_rad_s`` (ping, 3); ``seabed_depth_m`` ();
        ``lambert_db`` (); ``target_position_m`` (target, 3), of a box the centre; ``target_strength_db``,
        ``target_is_box`` (target,) each, in the scenario's order; for each side ``delay_<side>_s`` (target, ping, row) to the middle of each row of receivers; and
        what :func:`pingloom.simulate.navigation.navigation_truth` gives.
    """
    track, times = Track.of(scenario), ping_times_ns(scenario)
    seconds = seconds_from_start(scenario, times)
    place = target_places(scenario)
    out: dict[str, NDArray[Any]] = {
        "ping_time_ns": times,
        "position_m": track.position(seconds),
        "angles_rad": track.angles(seconds),
        "velocity_m_s": track.velocity(seconds),
        "angle_rates_rad_s": track.angle_rates(seconds),
        "seabed_depth_m": np.array(scenario.seabed_depth_m),
        "lambert_db": np.array(scenario.seabed.lambert_db),
        "target_position_m": place,
        "target_strength_db": np.array([t.strength_db for t in scenario.targets], dtype=np.float64),
        "target_is_box": np.array([t.kind == "box" for t in scenario.targets], dtype=np.uint8),
    }
    for side, sonar in sonars(scenario).items():
        centres = row_centres(sonar)
        delay = [point_delay_s(scenario, sonar, p, seconds[:, None], centres[None]) for p in place]
        out[f"delay_{side}_s"] = np.array(delay).reshape(len(place), seconds.size, len(centres))
    return out | navigation_truth(scenario)


def target_places(scenario: Scenario) -> NDArray[np.float64]:
    """Return north, east, depth of each target (of a box its centre), (target, 3). [m]"""
    rows = []
    for target in scenario.targets:
        rise = target.height_m + (target.size_m[2] / 2 if target.kind == "box" else 0)
        rows.append((*scenario.world_place(*scenario.leg_place(target)), scenario.seabed_depth_m - rise))
    return np.array(rows, dtype=np.float64).reshape(-1, 3)


def point_delay_s(
    scenario: Scenario,
    sonar: Sonar,
    place_m: NDArray[np.float64],
    time_s: NDArray[np.float64],
    receiver_m: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Solve the two-way delay of a point for receivers in the body frame, straight from the true motion.

    Parameters
    ----------
    place_m : ndarray, shape (3,)
    time_s : ndarray, shape (...)
        Starts of transmission, from the first ping.
    receiver_m : ndarray, shape (..., 3)
        Broadcasts against ``time_s``.

    Returns
    -------
    ndarray of float64
        [s]
    """
    track, c = Track.of(scenario), scenario.water.sound_speed_m_s
    centre = np.asarray(time_s) + sonar.pulse_duration_s / 2
    out = np.linalg.norm(place_m - track.points(centre, sonar.transmit_position_m), axis=-1)
    delay = 2 * out / c
    for _ in range(8):  # each round gains the ratio of vehicle to sound speed
        back = np.linalg.norm(place_m - track.points(centre + delay, receiver_m), axis=-1)
        delay = (out + back) / c
    return delay
