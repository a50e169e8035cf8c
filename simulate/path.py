"""The nominal way over ground: straight legs joined by turns, exact and smooth at any time.

A turn's rate swells and ebbs as ``1 - cos``, so that the course has three derivatives where leg and turn meet: the
polynomials that carry the array through one ping then meet the way to under a nanometre. Before the first leg and
beyond the last the way runs straight on.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .vehicle_tables import VehicleTable

__all__ = ["Path", "PathState"]

# Gauss-Legendre nodes over the part of a turn that is done: a full turn's integral is met to rounding.
_NODE, _WEIGHT = np.polynomial.legendre.leggauss(48)
_NODE, _WEIGHT = (_NODE + 1) / 2, _WEIGHT / 2


class PathState(NamedTuple):
    """The nominal place is ``origin_m`` plus ``along_m`` in the direction of the course."""

    origin_m: NDArray[np.float64]
    """(..., 2) north, east."""
    along_m: NDArray[np.float64]
    course_rad: NDArray[np.float64]
    course_rate_rad_s: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """Legs and turns by the way covered since the first ping.

    Parameters
    ----------
    speed_m_s : float
    begin_m : ndarray of float64, shape (part,)
        Way at which each leg or turn begins.
    length_m : ndarray of float64, shape (part,)
    origin_m : ndarray of float64, shape (part, 2)
        North, east where it begins.
    course_rad : ndarray of float64, shape (part,)
        Course where it begins; it runs on beyond a full circle.
    turn_rad : ndarray of float64, shape (part,)
        Change of course within it: 0 on legs.
    """

    speed_m_s: float
    begin_m: NDArray[np.float64]
    length_m: NDArray[np.float64]
    origin_m: NDArray[np.float64]
    course_rad: NDArray[np.float64]
    turn_rad: NDArray[np.float64]

    @classmethod
    def of(cls, vehicle: VehicleTable) -> Path:
        """Return the way that a vehicle's table describes."""
        start = np.array([vehicle.start_north_m, vehicle.start_east_m])
        part = [(leg.length_m, 0.0) for leg in vehicle.legs] or [(np.inf, 0.0)]
        for i, turn in reversed(list(enumerate(vehicle.turns_rad))):
            if turn:
                part.insert(i + 1, (2 * vehicle.least_turn_radius_m * abs(turn), turn))
        length, turn = np.array(part, dtype=np.float64).T
        begin = np.concatenate([[0.0], np.cumsum(length[:-1])])
        course = np.deg2rad(vehicle.heading_deg) + np.concatenate([[0.0], np.cumsum(turn[:-1])])
        origin = [start]
        for k in range(len(part) - 1):
            origin.append(origin[-1] + _way(length[k : k + 1], length[k], course[k], turn[k])[0])
        return cls(vehicle.speed_m_s, begin, length, np.array(origin), course, turn)

    def state(self, time_s: NDArray[np.float64]) -> PathState:
        """Return where the way is at times from the first ping, (...)."""
        way = self.speed_m_s * time_s
        k = np.clip(np.searchsorted(self.begin_m, way, side="right") - 1, 0, self.begin_m.size - 1)
        along = way - self.begin_m[k]
        # Copies: a single time's index gives a view, which the turns would write to.
        origin, course = self.origin_m[k].copy(), np.array(self.course_rad[k])
        rate = np.zeros_like(course)
        for part in np.unique(k[self.turn_rad[k] != 0]):
            here = k == part
            length, turn = self.length_m[part], self.turn_rad[part]
            done = along[here]
            origin[here] += _way(done, length, self.course_rad[part], turn)
            course[here] += turn * _swell(done / length)
            rate[here] = self.speed_m_s * turn / length * (1 - np.cos(2 * np.pi * done / length))
            along = np.where(here, 0.0, along)
        return PathState(origin, along, course, rate)


def _swell(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Part of a turn that is done when the part ``x`` of its way is."""
    return x - np.sin(2 * np.pi * x) / (2 * np.pi)


def _way(
    done_m: NDArray[np.float64], length_m: float, course_rad: float, turn_rad: float
) -> NDArray[np.float64]:
    """North and east covered in the first ``done_m`` (n,) of a part, (n, 2). [m]"""
    if turn_rad == 0:
        return done_m[:, None] * np.array([np.cos(course_rad), np.sin(course_rad)])
    course = course_rad + turn_rad * _swell(done_m[:, None] * _NODE / length_m)
    return np.stack([done_m * (np.cos(course) @ _WEIGHT), done_m * (np.sin(course) @ _WEIGHT)], axis=-1)
