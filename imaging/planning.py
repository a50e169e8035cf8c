"""What of the navigation imaging is planned with: the first pings', as a vehicle under way knows it.

A plan needs an altitude (nearest range, finest cell) and a sound speed at the array. Taken from the first pings, the
plan is the same whether the rest of the line is known already or still to come, so a line imaged while it is recorded gives
the bytes of one imaged afterwards. Where the line later leaves what such a plan allows for, the whole navigation
plans instead: a plan of the first pings would focus near ranges badly.
"""

from __future__ import annotations

from .errors import DataError
from .frames import Trajectory

__all__ = ["least_altitude", "planning_part"]

_LOWER = 0.9
"""Of the first pings' least altitude the line may come down to this: beams are planned for nine tenths of that range and less,
and the default pixel stays below 0.42 of the finest cell."""
_SPEED = 0.002
"""By this much of itself the mean sound speed at the array may be another: the focus of 0.6 m at 15 m errs by 0.01 rad."""


def least_altitude(trajectory: Trajectory, water_depth_m: float | None) -> float:
    """The least altitude of the body origin. [m]

    Raises
    ------
    DataError
        If none is known.
    """
    if trajectory.altitude_m.size:
        return float(trajectory.altitude_m.min())
    deepest = float(trajectory.time_s[trajectory.value[:, 2].argmax()])
    return trajectory.altitude(deepest, water_depth_m)


def planning_part(
    trajectory: Trajectory,
    first_s: float,
    last_s: float,
    *,
    altitude_m: float | None,
    water_depth_m: float | None,
) -> Trajectory:
    """The navigation around the first pings, or all of it where the line asks for more than those tell.

    Parameters
    ----------
    first_s, last_s : float
        Times of the first pings. [s]
    altitude_m : float or None
        Set for all pings. [m]
    water_depth_m : float or None
        Where no altitude is set or known. [m]
    """
    first = trajectory.between(first_s, last_s)
    if altitude_m is None:
        ahead, whole = (_least(t, water_depth_m) for t in (first, trajectory))
        if whole is not None and (ahead is None or whole < _LOWER * ahead):
            return trajectory
    began, mean = first.sound_speed_at_array_m_s, trajectory.sound_speed_at_array_m_s
    if mean is not None and (began is None or abs(mean - began) > _SPEED * began):
        return trajectory
    return first


def _least(trajectory: Trajectory, water_depth_m: float | None) -> float | None:
    try:
        return least_altitude(trajectory, water_depth_m)
    except DataError:
        return None
