"""Where array and seabed are during one ping, in the strip frame of the leg.

The transmitter stands where it was at the pulse's centre; the receiving array moves and turns while the echoes
come in, so its place and axes are tabled at delays along the ping.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from . import _geometry_kernels as kernels
from .conventions import SIDE_SIGN
from .frames import ArrayFrame, StripFrame, Trajectory
from .records import Correction, Sonar
from .refraction import RayTable, WaterColumn

__all__ = ["PingGeometry", "ping_geometry"]


@dataclass(frozen=True, slots=True, eq=False)
class PingGeometry:
    """One ping of one side. Vectors are (along, across, down) in the strip frame."""

    side_sign: int
    seabed_m: float
    """Depth of the seabed under the body origin at transmission. [m]"""
    altitude_m: float
    """Of the body origin at transmission. [m]"""
    transmitter_m: NDArray[np.float64]
    """(3,)"""
    transmit_axes: NDArray[np.float64]
    """(3, 3) rows: along the array, normal, upward, at transmission."""
    delay_s: NDArray[np.float64]
    """(node,) equally spaced two-way delays."""
    centre_m: NDArray[np.float64]
    """(node, 3) array centre at reception."""
    velocity_m_s: NDArray[np.float64]
    """(node, 3) of the array centre."""
    axes: NDArray[np.float64]
    """(node, 3, 3) rows: along the array, normal, upward, at reception."""
    seabed_plane: NDArray[np.float64]
    """(3,) depth of the seabed at the strip's origin [m], its growth per metre ahead and per metre to starboard."""
    rays: RayTable | None = None
    """Bent or straight rays; None: straight ones at the speed that the delays were turned into ranges with."""

    @property
    def seabed_normal(self) -> NDArray[np.float64]:
        """(3,) unit vector straight into the seabed."""
        normal = np.array([-self.seabed_plane[1], -self.seabed_plane[2], 1.0])
        return normal / np.linalg.norm(normal)

    @property
    def first_clearance_m(self) -> float:
        """Of :meth:`clearance_m`, the first. [m]"""
        (x, y, z), (depth, ahead, aside) = self.centre_m[0].tolist(), self.seabed_plane.tolist()
        return (depth + ahead * x + aside * y - z) / math.sqrt(1 + ahead * ahead + aside * aside)

    def clearance_m(self) -> NDArray[np.float64]:
        """(node,) shortest distance from the array's centre to the seabed. [m]"""
        below = np.array([0.0, 0.0, self.seabed_plane[0]]) - self.centre_m
        return below @ self.seabed_normal

    def direction_at(self, sine_down: NDArray[np.float64]) -> NDArray[np.float64]:
        """Unit vectors (node, 3) broadside of the array whose downward part is ``sine_down`` (node,)."""
        down = np.array([0.0, 0.0, 1.0])
        return _unit_vectors(self.axes[:, 0], down, self.side_sign, np.zeros(1), sine_down)[:, 0]


def _unit_vectors(
    along: NDArray[np.float64],
    normal: NDArray[np.float64],
    side_sign: int,
    cosine: NDArray[np.float64],
    sine: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Vectors (node, u, 3) of length 1 to a side, with the product ``cosine`` (u,) with the lines ``along`` (node, 3), of any
    length, and ``sine`` (node,) with the unit vector ``normal`` (3,); NaN where there is none.
    """
    # Split the normal into its parts along the line and across it; the third axis points to the side.
    size_along = np.linalg.norm(along, axis=1)
    along = along / size_along[:, None]
    cosine = cosine / size_along[:, None]
    normal_along = along @ normal
    rest_axis = normal - normal_along[:, None] * along
    size = np.linalg.norm(rest_axis, axis=1)
    rest_axis /= size[:, None]
    aside = side_sign * np.cross(rest_axis, along)
    q = (sine[:, None] - cosine * normal_along[:, None]) / size[:, None]
    rest = 1 - cosine**2 - q**2
    p = np.sqrt(np.where(rest >= 0, rest, np.nan))
    return (
        cosine[..., None] * along[:, None, :]
        + q[..., None] * rest_axis[:, None, :]
        + p[..., None] * aside[:, None, :]
    )


def ping_geometry(
    sonar: Sonar,
    array: ArrayFrame,
    trajectory: Trajectory,
    frame: StripFrame,
    time_ns: int,
    delay_s: NDArray[np.float64],
    altitude_m: float,
    correction: Correction | None = None,
    *,
    slope: tuple[float, float] = (0.0, 0.0),
    water: WaterColumn | None = None,
    measured_speed_m_s: float | None = None,
) -> PingGeometry:
    """Table the geometry of one ping.

    Parameters
    ----------
    delay_s : ndarray of float64, shape (node,)
        Equally spaced two-way delays. [s]
    altitude_m : float
        Of the body origin at transmission. [m]
    correction : Correction, optional
        Its shifts are added to the believed pose.
    slope : tuple of float
        Growth of the seabed's depth per metre ahead and per metre to starboard of the strip.
    water : WaterColumn, optional
        Tables the rays.
    measured_speed_m_s : float, optional
        Sound speed at the array. [m/s]
    """
    # Geometry is taken at the pulse's centre: half a pulse after transmission and after each delay.
    begin_s = trajectory.seconds(time_ns) + sonar.pulse_duration_s / 2
    n = delay_s.size + 1
    centre, velocity, axes, fixed = (np.empty(shape) for shape in ((n, 3), (n, 3), (n, 3, 3), (2, 3)))
    moved = (0.0, 0.0, 0.0)
    if correction is not None:
        moved = correction.shift_along_m, correction.shift_starboard_m, correction.shift_heading_rad
    seabed_m = kernels.carry_array(
        trajectory.time_s,
        trajectory.value,
        trajectory.rate,
        begin_s,
        delay_s,
        frame.north_m,
        frame.east_m,
        frame.heading_rad,
        *moved,
        array.centre_m,
        array.axes,
        sonar.transmit_position_m,
        float(altitude_m),
        *slope,
        centre,
        velocity,
        axes,
        fixed,
    )
    transmitter, plane = fixed
    rays = None
    if water is not None:
        rays = water.table_over(
            plane,
            transmitter,
            float(transmitter[2] + centre[n // 2, 2]) / 2,
            SIDE_SIGN[sonar.side],
            measured_speed_m_s,
        )
    return PingGeometry(
        side_sign=SIDE_SIGN[sonar.side],
        seabed_m=seabed_m,
        altitude_m=float(altitude_m),
        transmitter_m=transmitter,
        transmit_axes=axes[0],
        delay_s=delay_s,
        centre_m=centre[1:],
        velocity_m_s=velocity[1:],
        axes=axes[1:],
        seabed_plane=plane,
        rays=rays,
    )
