"""Where array and seabed are during one ping, in the strip frame of the leg.

The transmitter stands where it was at the pulse's centre; the receiving array moves and turns while the echoes
come in, so its place and axes are tabled at delays along the ping.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .conventions import SIDE_SIGN
from .frames import ArrayFrame, StripFrame, Trajectory, rotation
from .records import Correction, Sonar

__all__ = ["PingGeometry", "ping_geometry"]


@dataclass(frozen=True, slots=True, eq=False)
class PingGeometry:
    """One ping of one side. Vectors are (along, across, down) in the strip frame."""

    side_sign: int
    seabed_m: float
    """Depth of the flat seabed. [m]"""
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

    def seabed_direction(
        self, node_range_m: NDArray[np.float64], direction: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Unit vectors from the array to the seabed, NaN where a range ends above it.

        Parameters
        ----------
        node_range_m : ndarray of float64, shape (node,)
            Range at each delay. [m]
        direction : ndarray of float64, shape (u,)
            Direction cosines to the array's line.

        Returns
        -------
        ndarray of float64, shape (node, u, 3)
        """
        along = self.axes[:, 0]
        # Split "down" into its parts along the line and across it; the third axis points to the side.
        down_along = along[:, 2]
        down_rest = np.array([0.0, 0.0, 1.0]) - down_along[:, None] * along
        size = np.linalg.norm(down_rest, axis=1)
        down_rest /= size[:, None]
        aside = self.side_sign * np.cross(down_rest, along)
        sine = (self.seabed_m - self.centre_m[:, 2]) / node_range_m
        q = (sine[:, None] - direction * down_along[:, None]) / size[:, None]
        rest = 1 - direction**2 - q**2
        p = np.sqrt(np.where(rest >= 0, rest, np.nan))
        return (
            direction[None, :, None] * along[:, None, :]
            + q[..., None] * down_rest[:, None, :]
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
    """
    # Geometry is taken at the pulse's centre: half a pulse after transmission and after each delay.
    begin = trajectory.seconds(time_ns) + sonar.pulse_duration_s / 2
    value, rate = trajectory.pose(np.concatenate([[begin], begin + delay_s]))
    value = value.copy()
    if correction is not None:
        h = value[:, 3]
        value[:, 0] += np.cos(h) * correction.shift_along_m - np.sin(h) * correction.shift_starboard_m
        value[:, 1] += np.sin(h) * correction.shift_along_m + np.cos(h) * correction.shift_starboard_m
        value[:, 3] += correction.shift_heading_rad
    turn = frame.matrix() @ rotation(value[:, 3], value[:, 4], value[:, 5])
    origin = frame.to_strip(value[:, :3])
    centre = origin + turn @ array.centre_m
    # Lever arms sweep round as the vehicle turns; differences over a millisecond are exact enough for a velocity
    # that only bridges the gap between a column's reference point and its pixels.
    step = 1e-3
    later = value + rate * step
    turn_later = frame.matrix() @ rotation(later[:, 3], later[:, 4], later[:, 5])
    centre_later = frame.to_strip(later[:, :3]) + turn_later @ array.centre_m
    axes = np.swapaxes(turn @ array.axes.T, 1, 2)
    return PingGeometry(
        side_sign=SIDE_SIGN[sonar.side],
        seabed_m=float(value[0, 2] + altitude_m),
        altitude_m=float(altitude_m),
        transmitter_m=origin[0] + turn[0] @ sonar.transmit_position_m,
        transmit_axes=axes[0],
        delay_s=delay_s,
        centre_m=centre[1:],
        velocity_m_s=(centre_later[1:] - centre[1:]) / step,
        axes=axes[1:],
    )
