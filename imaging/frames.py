"""Where the array is: poses between the navigation's rows, rotations, the array's own axes, the strip's frame."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from . import _geometry_kernels as kernels
from .conventions import NANOSECONDS_PER_SECOND, SIDE_SIGN
from .errors import DataError, ParameterError
from .records import Platform, Sonar

__all__ = ["ArrayFrame", "StripFrame", "Trajectory", "array_frame", "rotation"]


def rotation(heading_rad: ArrayLike, pitch_rad: ArrayLike, roll_rad: ArrayLike) -> NDArray[np.float64]:
    """Matrices that turn body vectors (forward, starboard, down) into world vectors (north, east, down).

    Intrinsic yaw, pitch, roll: ``R = Rz(heading) Ry(pitch) Rx(roll)``.

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
    return np.stack([np.stack(np.broadcast_arrays(*row), axis=-1) for row in rows], axis=-2)


@dataclass(frozen=True, slots=True, eq=False)
class Trajectory:
    """Poses at any time, from the navigation's rows by cubic Hermite polynomials.

    Where the navigation gives speeds and rates they are the derivatives at its rows; otherwise differences
    are. Beyond the first and last row the pose goes on with that row's derivatives.
    """

    start_ns: int
    time_s: NDArray[np.float64]
    """(k,) after ``start_ns``. [s]"""
    value: NDArray[np.float64]
    """(k, 6) north, east, depth [m], heading (unwrapped), pitch, roll [rad]."""
    rate: NDArray[np.float64]
    """(k, 6) time derivatives of ``value``."""
    altitude_time_s: NDArray[np.float64]
    altitude_m: NDArray[np.float64]
    """Known altitudes only, of any number. [m]"""
    sound_speed_at_array_m_s: float | None
    """Mean of what the navigation measured, None where it did not."""
    array_speed_time_s: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    array_speed_m_s: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    """Measured sound speeds at the array, of any number. [m/s]"""
    interval_s: float = field(init=False)
    """Usual time from row to row, 0 for a single one. [s]"""

    def __post_init__(self) -> None:
        """Know the rows' interval once: they may be millions."""
        interval = float(np.median(np.diff(self.time_s))) if self.time_s.size > 1 else 0.0
        object.__setattr__(self, "interval_s", interval)

    @classmethod
    def from_platform(cls, platform: Platform) -> Trajectory:
        """Prepare the navigation's rows for interpolation."""
        start_ns = int(platform.time_ns[0])
        time_s = (platform.time_ns - platform.time_ns[0]).astype(np.float64) / NANOSECONDS_PER_SECOND
        heading = np.unwrap(platform.heading_rad)
        value = np.stack(
            [
                platform.north_m,
                platform.east_m,
                platform.depth_m,
                heading,
                np.unwrap(platform.pitch_rad),
                np.unwrap(platform.roll_rad),
            ],
            axis=1,
        )
        rate = _differences(time_s, value)
        if platform.speed_forward_m_s is not None:
            ahead, abeam = platform.speed_forward_m_s, platform.speed_starboard_m_s
            rate[:, 0] = np.cos(heading) * ahead - np.sin(heading) * abeam
            rate[:, 1] = np.sin(heading) * ahead + np.cos(heading) * abeam
            rate[:, 2] = platform.speed_down_m_s
        if platform.heading_rate_rad_s is not None:
            rate[:, 3] = platform.heading_rate_rad_s
            rate[:, 4] = platform.pitch_rate_rad_s
            rate[:, 5] = platform.roll_rate_rad_s
        altitude = np.full(time_s.size, np.nan) if platform.altitude_m is None else platform.altitude_m
        known = np.isfinite(altitude) & (np.nan_to_num(altitude) > 0)
        speeds = platform.sound_speed_at_array_m_s
        speeds = np.full(time_s.size, np.nan) if speeds is None else speeds
        told = np.isfinite(speeds)
        measured = float(speeds[told].mean()) if told.any() else None
        return cls(
            start_ns,
            time_s,
            value,
            rate,
            time_s[known],
            altitude[known],
            measured,
            time_s[told],
            speeds[told],
        )

    def seconds(self, time_ns: int) -> float:
        """Time after the first row. [s]"""
        return (int(time_ns) - self.start_ns) / NANOSECONDS_PER_SECOND

    def pose(self, time_s: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Pose and its derivative.

        Parameters
        ----------
        time_s : array_like of float64, shape (n,)
            After the first row. [s]

        Returns
        -------
        value, rate : ndarray of float64, shape (n, 6)
            North, east, depth [m], heading, pitch, roll [rad], and their time derivatives.
        """
        t = np.asarray(time_s, np.float64)
        value, rate = np.empty((t.size, 6)), np.empty((t.size, 6))
        kernels.find_poses(self.time_s, self.value, self.rate, t, value, rate)
        return value, rate

    def covers(self, first_s: float, last_s: float) -> bool:
        """Whether the rows reach near enough to both times for a pose: within a second or two of their intervals."""
        beyond = max(1.0, 2 * self.interval_s)
        return first_s >= self.time_s[0] - beyond and last_s <= self.time_s[-1] + beyond

    def speed_at_array(self, time_s: float) -> float | None:
        """Sound speed that the navigation measured at the array, None where it never did. [m/s]"""
        if not self.array_speed_m_s.size:
            return self.sound_speed_at_array_m_s
        return float(np.interp(time_s, self.array_speed_time_s, self.array_speed_m_s))

    def between(self, first_s: float, last_s: float) -> Trajectory:
        """The rows around a stretch of time: from the last one before it to the first one after it.

        Altitudes and sound speeds are those within, and the last ones known before.
        """
        rows = slice(
            max(int(np.searchsorted(self.time_s, first_s, side="right")) - 1, 0),
            int(np.searchsorted(self.time_s, last_s, side="right")) + 1,
        )
        known = _known(self.altitude_time_s, first_s, last_s)
        told = _known(self.array_speed_time_s, first_s, last_s)
        speeds = self.array_speed_m_s[told]
        return Trajectory(
            self.start_ns,
            self.time_s[rows],
            self.value[rows],
            self.rate[rows],
            self.altitude_time_s[known],
            self.altitude_m[known],
            float(speeds.mean()) if speeds.size else None,
            self.array_speed_time_s[told],
            speeds,
        )

    def altitude(self, time_s: float, water_depth_m: float | None) -> float:
        """Altitude of the body origin: the navigation's, else water depth less the vehicle's depth. [m]

        Raises
        ------
        DataError
            If neither is known.
        """
        if self.altitude_m.size:
            return float(np.interp(time_s, self.altitude_time_s, self.altitude_m))
        if water_depth_m is not None:
            altitude = water_depth_m - float(self.pose([time_s])[0][0, 2])
            if altitude <= 0:
                raise DataError(
                    f"water depth {water_depth_m:g} m is not below the vehicle's depth {water_depth_m - altitude:g} m; "
                    "allowed: deeper water. Correct /water water_depth or --set bottom.altitude_m."
                )
            return altitude
        raise DataError(
            "no altitude is known: the platform gives none above 0 and the water no depth; allowed: either. "
            "Say it with --set bottom.altitude_m=6."
        )


def _known(time_s: NDArray[np.float64], first_s: float, last_s: float) -> slice:
    """Which of some times lie in a stretch; the last one before it is one of them."""
    first = max(int(np.searchsorted(time_s, first_s, side="right")) - 1, 0)
    return slice(first, int(np.searchsorted(time_s, last_s, side="right")))


def _differences(time_s: NDArray[np.float64], value: NDArray[np.float64]) -> NDArray[np.float64]:
    """Derivatives at the rows from second-order differences; zero for a single row.

    A row's derivative comes from its neighbours by one formula, however many rows there are: of a navigation that grows,
    all but the last row's stay what they are, to the bit.
    """
    rate = np.zeros_like(value)
    if time_s.size == 1:
        return rate
    slope = np.diff(value, axis=0) / np.diff(time_s)[:, None]
    if time_s.size == 2:
        return rate + slope
    # The parabola through three rows has at the middle one the slopes to both sides, each by the other's length.
    step = np.diff(time_s)[:, None]
    both = step[:-1] + step[1:]
    rate[1:-1] = (step[1:] * slope[:-1] + step[:-1] * slope[1:]) / both
    rate[0] = slope[0] + (slope[0] - slope[1]) * step[0] / both[0]
    rate[-1] = slope[-1] + (slope[-1] - slope[-2]) * step[-1] / both[-1]
    return rate


@dataclass(frozen=True, slots=True, eq=False)
class ArrayFrame:
    """The receiving array in the body frame: a line, its normal, and what lies off the line."""

    centre_m: NDArray[np.float64]
    """(3,) mean phase centre. [m, body]"""
    axes: NDArray[np.float64]
    """(3, 3) rows: along the line forward, normal, upward; orthonormal."""
    along_m: NDArray[np.float64]
    """(channel,) from the centre along the line. [m]"""
    offset_m: NDArray[np.float64]
    """(row, channel, 2) off the line, along normal and upward. [m]"""

    @property
    def length_m(self) -> float:
        """Of the line including a receiver's share at each end. [m]"""
        n = self.along_m.size
        return float(self.along_m[-1] - self.along_m[0]) * n / (n - 1)


def array_frame(sonar: Sonar) -> ArrayFrame:
    """Fit the line of the receivers and its normal.

    Raises
    ------
    ParameterError
        If the channels of different rows don't stand above each other within a twentieth of the mean pitch.
    """
    position = sonar.element_position_m
    centre = position.reshape(-1, 3).mean(axis=0)
    column = position.mean(axis=0) - centre
    # Least squares direction of a line through its centroid: the first right singular vector.
    along = np.linalg.svd(column)[2][0]
    along *= np.sign(along[0])
    sign = SIDE_SIGN[sonar.side]
    aim = np.array([0.0, sign * np.cos(sonar.depression_rad), np.sin(sonar.depression_rad)])
    normal = aim - (aim @ along) * along
    normal /= np.linalg.norm(normal)
    up = sign * np.cross(normal, along)
    axes = np.stack([along, normal, up])
    local = (position - centre) @ axes.T
    along_m = local[..., 0].mean(axis=0)
    pitch = np.diff(along_m).mean()
    ragged = np.abs(local[..., 0] - along_m).max()
    if ragged > pitch / 20:
        raise ParameterError(
            f"element_position: rows are shifted along the array by up to {ragged:.4g} m; allowed: "
            f"{pitch / 20:.4g} m. Give rows whose channels stand above each other."
        )
    return ArrayFrame(centre, axes, along_m, local[..., 1:])


@dataclass(frozen=True, slots=True)
class StripFrame:
    """A straight leg's frame on the seabed: along track forward, across track to starboard."""

    north_m: float
    east_m: float
    heading_rad: float

    def matrix(self) -> NDArray[np.float64]:
        """(3, 3) turns world (north, east, down) into strip (along, across, down)."""
        c, s = np.cos(self.heading_rad), np.sin(self.heading_rad)
        return np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])

    def to_strip(self, world_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Turn world positions (..., 3) into (along, across, depth). [m]"""
        return (world_m - np.array([self.north_m, self.east_m, 0.0])) @ self.matrix().T

    @classmethod
    def from_course(cls, trajectory: Trajectory, first_s: float, last_s: float) -> StripFrame:
        """The frame of the course made good between two times.

        Too short a way (below 0.2 m) says nothing of the course: then the velocity decides, and where that is
        below 0.1 m/s, the heading.
        """
        (start, end), (rate, _) = trajectory.pose([first_s, max(last_s, first_s)])
        way = end[:2] - start[:2]
        if np.hypot(*way) < 0.2:
            way = rate[:2] if np.hypot(*rate[:2]) >= 0.1 else np.array([np.cos(start[3]), np.sin(start[3])])
        heading = float(np.arctan2(way[1], way[0]) % (2 * np.pi))
        return cls(float(start[0]), float(start[1]), heading)
