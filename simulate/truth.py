"""What is really there: poses at the ping times, targets and their delays, and how wrong the navigation is."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.records import Sonar

from ._geometry import row_centres
from .bodies import bodies_of, placed_targets
from .instrument import sonars
from .instrument_truth import instrument_truth
from .motion import Track
from .navigation import navigation_truth, platform
from .ping_times import ping_times_ns, seconds_from_start
from .rays import eigenrays
from .relief import Relief
from .scenario import Scenario
from .target_tables import Target
from .water_column import column

__all__ = ["ping_times_ns", "platform", "point_delay_s", "seconds_from_start", "target_places", "truth"]


def truth(scenario: Scenario) -> dict[str, NDArray[Any]]:
    """Return what is really there: poses at the ping times, targets, and the delays of their centres.

    Returns
    -------
    dict of str to ndarray
        ``ping_time_ns`` (ping,); ``position_m`` (ping, 3) north, east, depth; ``angles_rad`` (ping, 3) heading, pitch,
        roll; ``velocity_m_s`` (ping, 3) north, east, down; ``angle_rates_rad_s`` (ping, 3); ``seabed_depth_m`` ();
        ``lambert_db`` (); ``target_position_m`` (target, 3), as :func:`target_places` says; ``target_strength_db``,
        ``target_is_box`` (target,) each, in the scenario's order; for each side ``delay_<side>_s`` (target, ping, row) to the middle of each row of receivers; and
        what :func:`pingloom.simulate.navigation.navigation_truth` and
        :func:`pingloom.simulate.instrument_truth.instrument_truth` give.
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
    if any(t.kind == "debris" for t in scenario.targets):
        relief = Relief.of(scenario)
        pieces = [t for t in placed_targets(scenario) if t not in scenario.targets]
        out["debris_position_m"] = np.array([_target_place(scenario, t, relief) for t in pieces])
    for side, sonar in sonars(scenario).items():
        centres = row_centres(sonar)
        delay = [point_delay_s(scenario, sonar, p, seconds[:, None], centres[None]) for p in place]
        out[f"delay_{side}_s"] = np.array(delay).reshape(len(place), seconds.size, len(centres))
    return out | navigation_truth(scenario) | instrument_truth(scenario)


def target_places(scenario: Scenario) -> NDArray[np.float64]:
    """Return north, east, depth of each target, (target, 3). [m]

    Of a solid body or ring its centre, of others the place that the scenario gives, on the seabed or ``height_m``
    above it; of a depression its deepest place.
    """
    relief = Relief.of(scenario)
    rows = [_target_place(scenario, target, relief) for target in scenario.targets]
    return np.array(rows, dtype=np.float64).reshape(-1, 3)


def _target_place(scenario: Scenario, target: Target, relief: Relief) -> NDArray[np.float64]:
    if target.kind not in ("point", "depression", "debris", "rope"):
        return np.mean([body.centre_m for body in bodies_of(scenario, target, relief)], axis=0)
    north, east = scenario.world_place(*scenario.leg_place(target))
    return np.array([north, east, float(relief.depth_m(north, east)) - target.height_m])


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
        [s]; NaN where no direct ray comes.
    """
    track, c = Track.of(scenario), scenario.sound_speed_m_s
    centre = np.asarray(time_s) + sonar.pulse_duration_s / 2
    if scenario.water.has_profile:
        return _bent_delay_s(scenario, sonar, place_m, track, centre, receiver_m)
    out = np.linalg.norm(place_m - track.points(centre, sonar.transmit_position_m), axis=-1)
    delay = 2 * out / c
    for _ in range(8):  # each round gains the ratio of vehicle to sound speed
        back = np.linalg.norm(place_m - track.points(centre + delay, receiver_m), axis=-1)
        delay = (out + back) / c
    return delay


def _bent_delay_s(scenario, sonar, place_m, track, centre_s, receiver_m) -> NDArray[np.float64]:
    water = column(scenario, max(scenario.seabed_depth_m, float(place_m[2])))

    def one_way(viewer):
        aside = viewer[..., :2] - place_m[:2]
        return eigenrays(water, viewer[..., 2], place_m[2], np.hypot(aside[..., 0], aside[..., 1])).time_s

    out = one_way(track.points(centre_s, sonar.transmit_position_m))
    delay = 2 * out
    for _ in range(8):
        # NaN stays NaN, but the track needs a time.
        at = np.where(np.isfinite(delay), delay, 0.0)
        delay = out + one_way(track.points(centre_s + at, receiver_m))
    return delay
