"""True motion of the vehicle: legs and turns with oscillations and random motions on top, known exactly at any time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .path import Path, PathState
from .random_motion import lines
from .scenario import Scenario

__all__ = ["Track", "rotation"]

_AXES = ("surge", "sway", "heave", "yaw", "pitch", "roll")
_MOTION = 10  # stream of the seed
_SIGMAS = 6.0  # a Gaussian process goes beyond that once in 10^8 independent values
_CHUNK = 2048  # times at once: 4 MB for one random motion


def _chance(seed: int, number: int) -> np.random.Generator:
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(_MOTION, number)))


def _sum_of_lines(line: NDArray[np.float64], time_s: NDArray[np.float64], order: int) -> NDArray[np.float64]:
    total = np.empty(time_s.size)
    scale = line[:, 0] * line[:, 1] ** order
    for begin in range(0, time_s.size, _CHUNK):
        part = time_s[begin : begin + _CHUNK, None]
        wave = np.sin(line[:, 1] * part + (line[:, 2] + order * np.pi / 2))
        # Not a matrix product: its rounding depends on how many times are asked for at once.
        total[begin : begin + _CHUNK] = (wave * scale).sum(axis=1)
    return total


def _turned(leg: NDArray[np.float64], course_rad: NDArray[np.float64]) -> NDArray[np.float64]:
    """From along, across, down of a course to north, east, down, (..., 3)."""
    cos, sin = np.cos(course_rad), np.sin(course_rad)
    along, across, down = np.moveaxis(leg, -1, 0)
    return np.stack([cos * along - sin * across, sin * along + cos * across, down], axis=-1)


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
    rows = (
        (ch * cp, ch * sp * sr - sh * cr, ch * sp * cr + sh * sr),
        (sh * cp, sh * sp * sr + ch * cr, sh * sp * cr - ch * sr),
        (-sp, cp * sr, cp * cr),
    )
    out = np.empty((*np.shape(rows[0][1]), 3, 3))
    for i, row in enumerate(rows):
        for j, value in enumerate(row):
            out[..., i, j] = value
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """Pose, speed and rates at any time, in seconds from the first ping.

    Parameters
    ----------
    start_m : ndarray of float64, shape (3,)
        Nominal north, east, depth at time 0. [m]
    heading_rad, speed_m_s : float
        Course of the first leg; speed over ground.
    wave : ndarray of float64, shape (n, 4)
        Sinusoids: axis as an index of (surge, sway, heave, yaw, pitch, roll), amplitude [m or rad], angular
        frequency [rad/s], phase [rad].
    path : Path
        Nominal way over ground.
    current_m_s : ndarray of float64, shape (2,)
        North and east speed of the water.
    random : tuple of (int, ndarray)
        Axis and sinusoids (amplitude, angular frequency, phase) of each random motion.
    """

    start_m: NDArray[np.float64]
    heading_rad: float
    speed_m_s: float
    wave: NDArray[np.float64]
    path: Path
    current_m_s: NDArray[np.float64]
    random: tuple[tuple[int, NDArray[np.float64]], ...] = ()

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
        to = np.deg2rad(vehicle.current_to_deg or 0.0)
        return cls(
            start,
            float(np.deg2rad(vehicle.heading_deg)),
            vehicle.speed_m_s,
            np.array(wave, dtype=np.float64).reshape(-1, 4),
            Path.of(vehicle),
            (vehicle.current_m_s or 0.0) * np.array([np.cos(to), np.sin(to)]),
            tuple(
                (_AXES.index(motion.axis), lines(motion, _chance(scenario.seed, i)))
                for i, motion in enumerate(vehicle.random_motion)
            ),
        )

    def largest(self, *axes: str) -> float:
        """Bound of the motions along or about some axes, summed; of random ones six times their rms. [m or rad]"""
        return self._bound(axes, 0)

    def fastest(self, *axes: str) -> float:
        """Bound of the rates of the motions along or about some axes, summed. [m/s or rad/s]"""
        return self._bound(axes, 1)

    def _bound(self, axes: tuple[str, ...], order: int) -> float:
        number = [_AXES.index(a) for a in axes]
        total = sum(abs(w[1] * w[2] ** order) for w in self.wave if w[0] in number)
        for axis, line in self.random:
            if axis in number:
                total += _SIGMAS * np.sqrt(np.sum((line[:, 0] * line[:, 1] ** order) ** 2) / 2)
        return float(total)

    def _waves(self, time_s: NDArray[np.float64], order: int) -> NDArray[np.float64]:
        """Sum of the motions' derivatives of an order, (..., 6)."""
        total = np.zeros((*time_s.shape, 6))
        for axis, amplitude, rate, phase in self.wave:
            argument = rate * time_s + phase + order * np.pi / 2
            total[..., int(axis)] += amplitude * rate**order * np.sin(argument)
        for axis, line in self.random:
            total[..., axis] += _sum_of_lines(line, time_s.ravel(), order).reshape(time_s.shape)
        return total

    def _position(self, waves: NDArray[np.float64], path: PathState) -> NDArray[np.float64]:
        leg = waves[..., :3].copy()
        leg[..., 0] += path.along_m
        place = _turned(leg, path.course_rad)
        place[..., :2] += path.origin_m
        place[..., 2] += self.start_m[2]
        return place

    def position(self, time_s: ArrayLike) -> NDArray[np.float64]:
        """North, east, depth of the origin, (..., 3). [m]"""
        time = np.asarray(time_s, dtype=np.float64)
        return self._position(self._waves(time, 0), self.path.state(time))

    def velocity(self, time_s: ArrayLike) -> NDArray[np.float64]:
        """North, east, down velocity of the origin, (..., 3). [m/s]"""
        time = np.asarray(time_s, dtype=np.float64)
        leg = self._waves(time, 1)[..., :3]
        path = self.path.state(time)
        leg[..., 0] += self.speed_m_s
        if path.course_rate_rad_s.any():  # surge and sway turn with the course
            aside = self._waves(time, 0)
            leg[..., 0] -= path.course_rate_rad_s * aside[..., 1]
            leg[..., 1] += path.course_rate_rad_s * aside[..., 0]
        return _turned(leg, path.course_rad)

    def _heading(self, path: PathState) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Heading against the current, and its rate: along the nominal velocity through the water."""
        course, rate = path.course_rad, path.course_rate_rad_s
        if not self.current_m_s.any():
            return course, rate
        cos, sin = np.cos(course), np.sin(course)
        north, east = self.current_m_s
        ahead = self.speed_m_s - (cos * north + sin * east)
        aside = sin * north - cos * east
        # d/dt of atan2(aside, ahead), where d(ahead) = aside and d(aside) = speed - ahead times d(course).
        slope = 1 + ((self.speed_m_s - ahead) * ahead - aside**2) / (ahead**2 + aside**2)
        return course + np.arctan2(aside, ahead), rate * slope

    def _angles(self, waves: NDArray[np.float64], path: PathState) -> NDArray[np.float64]:
        angles = waves[..., 3:].copy()
        angles[..., 0] += self._heading(path)[0]
        return angles

    def angles(self, time_s: ArrayLike) -> NDArray[np.float64]:
        """Heading, pitch, roll, (..., 3). [rad]"""
        time = np.asarray(time_s, dtype=np.float64)
        return self._angles(self._waves(time, 0), self.path.state(time))

    def angle_rates(self, time_s: ArrayLike) -> NDArray[np.float64]:
        """Time derivatives of heading, pitch, roll, (..., 3). [rad/s]"""
        time = np.asarray(time_s, dtype=np.float64)
        rates = self._waves(time, 1)[..., 3:]
        rates[..., 0] += self._heading(self.path.state(time))[1]
        return rates

    def rotation(self, time_s: ArrayLike) -> NDArray[np.float64]:
        """Rotation from body to world, (..., 3, 3)."""
        return rotation(*np.moveaxis(self.angles(time_s), -1, 0))

    def pose(self, time_s: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """:meth:`position` and :meth:`rotation`, for little more than either alone."""
        time = np.asarray(time_s, dtype=np.float64)
        waves, path = self._waves(time, 0), self.path.state(time)
        turn = rotation(*np.moveaxis(self._angles(waves, path), -1, 0))
        return self._position(waves, path), turn

    def points(self, time_s: ArrayLike, body_m: ArrayLike) -> NDArray[np.float64]:
        """World place at each time of a point fixed to the vehicle; the axes before the last broadcast. [m]"""
        place, turn = self.pose(time_s)
        return place + np.einsum("...ij,...j->...i", turn, np.asarray(body_m, dtype=np.float64))

    def levelled_velocity(self, time_s: ArrayLike) -> NDArray[np.float64]:
        """Velocity along the vehicle's heading, to starboard of it and down, (..., 3). [m/s]"""
        north, east, down = np.moveaxis(self.velocity(time_s), -1, 0)
        heading = self.angles(time_s)[..., 0]
        cos, sin = np.cos(heading), np.sin(heading)
        return np.stack([cos * north + sin * east, cos * east - sin * north, down], axis=-1)
