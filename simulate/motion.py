"""True motion of the vehicle: a straight leg with sinusoids on top, known exactly at any time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .scenario import Scenario

__all__ = ["Track", "rotation"]

_AXES = ("surge", "sway", "heave", "yaw", "pitch", "roll")


def rotation(heading_rad: ArrayLike, pitch_rad: ArrayLike, roll_rad: ArrayLike) -> NDArray[np.float64]:
    """Rotation from body (forward, starboard, down) to world (north, east, down).

    Intrinsic yaw, pitch, roll: the columns are where forward, starboard and down point.

    Parameters
    ----------
    heading_rad, pitch_rad, roll_rad : array_like, shape (...)
        Heading clockwise from north, pitch bow up, roll to starboard. [rad]

    Returns
    -------
    ndarray of float64, shape (..., 3, 3)
    """
    ch, sh = np.cos(heading_rad), np.sin(heading_rad)
    cp, sp = np.cos(pitch_rad), np.sin(pitch_rad)
    cr, sr = np.cos(roll_rad), np.sin(roll_rad)
    rows = [
        [ch * cp, ch * sp * sr - sh * cr, ch * sp * cr + sh * sr],
        [sh * cp, sh * sp * sr + ch * cr, sh * sp * cr - ch * sr],
        [-sp, cp * sr, cp * cr],
    ]
    return np.stack([np.stack(np.broadcast_arrays(*row), axis=-1) for row in rows], axis=-2)


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """Pose, speed and rates at any time, in seconds from the first ping.

    Parameters
    ----------
    start_m : ndarray of float64, shape (3,)
        Nominal north, east, depth at time 0. [m]
    heading_rad, speed_m_s : float
        Course and speed of the leg.
    wave : ndarray of float64, shape (n, 4)
        Sinusoids: axis as an index of (surge, sway, heave, yaw, pitch, roll), amplitude [m or rad], angular
        frequency [rad/s], phase [rad].
    """

    start_m: NDArray[np.float64]
    heading_rad: float
    speed_m_s: float
    wave: NDArray[np.float64]

    @classmethod
    def of(cls, scenario: Scenario) -> Track:
        """Return the track that a scenario describes."""
        vehicle = scenario.vehicle
        wave = [
            (
                _AXES.index(w.axis),
                np.deg2rad(w.amplitude_deg) if w.amplitude_m is None else w.amplitude_m,
                2 * np.pi / w.period_s,
                np.deg2rad(w.phase_deg),
            )
            for w in vehicle.motion
        ]
        start = np.array([vehicle.start_north_m, vehicle.start_east_m, scenario.depth_m])
        heading = float(np.deg2rad(vehicle.heading_deg))
        return cls(start, heading, vehicle.speed_m_s, np.array(wave, dtype=np.float64).reshape(-1, 4))

    def _waves(self, time_s: NDArray[np.float64], order: int) -> NDArray[np.float64]:
        """Sum of the sinusoids' derivatives of an order, (..., 6)."""
        total = np.zeros((*time_s.shape, 6))
        for axis, amplitude, rate, phase in self.wave:
            argument = rate * time_s + phase + order * np.pi / 2
            total[..., int(axis)] += amplitude * rate**order * np.sin(argument)
        return total

    def _to_world(self, leg: NDArray[np.float64]) -> NDArray[np.float64]:
        cos, sin = np.cos(self.heading_rad), np.sin(self.heading_rad)
        along, across, down = np.moveaxis(leg, -1, 0)
        return np.stack([cos * along - sin * across, sin * along + cos * across, down], axis=-1)

    def position(self, time_s: ArrayLike) -> NDArray[np.float64]:
        """North, east, depth of the origin, (..., 3). [m]"""
        time = np.asarray(time_s, dtype=np.float64)
        leg = self._waves(time, 0)[..., :3]
        leg[..., 0] += self.speed_m_s * time
        return self.start_m + self._to_world(leg)

    def velocity(self, time_s: ArrayLike) -> NDArray[np.float64]:
        """North, east, down velocity of the origin, (..., 3). [m/s]"""
        leg = self._waves(np.asarray(time_s, dtype=np.float64), 1)[..., :3]
        leg[..., 0] += self.speed_m_s
        return self._to_world(leg)

    def angles(self, time_s: ArrayLike) -> NDArray[np.float64]:
        """Heading, pitch, roll, (..., 3). [rad]"""
        angles = self._waves(np.asarray(time_s, dtype=np.float64), 0)[..., 3:]
        angles[..., 0] += self.heading_rad
        return angles

    def angle_rates(self, time_s: ArrayLike) -> NDArray[np.float64]:
        """Time derivatives of heading, pitch, roll, (..., 3). [rad/s]"""
        return self._waves(np.asarray(time_s, dtype=np.float64), 1)[..., 3:]

    def rotation(self, time_s: ArrayLike) -> NDArray[np.float64]:
        """Rotation from body to world, (..., 3, 3)."""
        return rotation(*np.moveaxis(self.angles(time_s), -1, 0))

    def points(self, time_s: ArrayLike, body_m: ArrayLike) -> NDArray[np.float64]:
        """World place at each time of a point fixed to the vehicle; the axes before the last broadcast. [m]"""
        turned = np.einsum("...ij,...j->...i", self.rotation(time_s), np.asarray(body_m, dtype=np.float64))
        return self.position(time_s) + turned

    def levelled_velocity(self, time_s: ArrayLike) -> NDArray[np.float64]:
        """Velocity along the vehicle's heading, to starboard of it and down, (..., 3). [m/s]"""
        north, east, down = np.moveaxis(self.velocity(time_s), -1, 0)
        heading = self.angles(time_s)[..., 0]
        cos, sin = np.cos(heading), np.sin(heading)
        return np.stack([cos * north + sin * east, cos * east - sin * north, down], axis=-1)
