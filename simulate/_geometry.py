"""One ping's geometry as the kernels want it: transmitter, and the receivers' way while the sound travels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.records import Sonar

from .motion import Track

__all__ = ["Line", "PingGeometry", "array_axes", "ping_geometry", "receiver_lines", "row_centres"]

# Polynomial degree of the receivers' way over one ping. A motion of 0.1 m at 1 s period over 80 ms is met to
# 0.1 (2 pi 0.04)^8 / 8! / 2^7 = 3e-13 m.
_DEGREE = 7


@dataclass(frozen=True, slots=True, eq=False)
class PingGeometry:
    """Where things are during one ping.

    Parameters
    ----------
    transmit_m : ndarray of float64, shape (3,)
        Transmitter at the pulse's centre. [m, world]
    transmit_axes : ndarray of float64, shape (3, 3)
        Its unit vectors along, up and normal, as rows.
    way : ndarray of float64, shape (line, degree + 1, 9)
        Coefficients, lowest power first, of the centre [m, world] of each of :func:`receiver_lines`, along vector and up
        vector, as polynomials of (delay - mid_s) / half_s.
    mid_s, half_s : float
        Middle and half length of the delays covered. [s]
    """

    transmit_m: NDArray[np.float64]
    transmit_axes: NDArray[np.float64]
    way: NDArray[np.float64]
    mid_s: float
    half_s: float


def array_axes(sonar: Sonar) -> NDArray[np.float64]:
    """Unit vectors of the array's face along, up and normal, rows of a (3, 3), in the body frame."""
    sign = -1 if sonar.side == "port" else 1
    cos, sin = np.cos(sonar.depression_rad), np.sin(sonar.depression_rad)
    return np.array([[1.0, 0, 0], [0, sign * sin, -cos], [0, sign * cos, sin]])


def row_centres(sonar: Sonar) -> NDArray[np.float64]:
    """Middle between the first and last receiver of each row, (row, 3). [m, body]"""
    return (sonar.element_position_m[:, 0] + sonar.element_position_m[:, -1]) / 2


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """Receivers on one straight line along the array: a row, or a single receiver that is out of its row."""

    row: int
    channels: slice
    centre_m: NDArray[np.float64]
    """(3,) [m, body]"""
    along_m: NDArray[np.float64]
    """(channel,) from the centre, forward."""


def receiver_lines(sonar: Sonar) -> list[Line]:
    """Return the lines that the receivers lie on: what the kernels take at once."""
    lines = []
    for row, (place, centre) in enumerate(zip(sonar.element_position_m, row_centres(sonar), strict=True)):
        if np.ptp(place[:, 1:], axis=0).max() < 1e-9:
            lines.append(Line(row, slice(0, len(place)), centre, place[:, 0] - centre[0]))
        else:
            lines += [Line(row, slice(k, k + 1), p, np.zeros(1)) for k, p in enumerate(place)]
    return lines


def ping_geometry(
    track: Track, sonar: Sonar, time_s: float, delay_stop_s: float, delay_start_s: float = 0.0
) -> PingGeometry:
    """Fit the receivers' way to the true motion over the delays from ``delay_start_s`` to ``delay_stop_s``."""
    centre_time = time_s + sonar.pulse_duration_s / 2
    nodes = np.cos(np.pi * (np.arange(_DEGREE + 1) + 0.5) / (_DEGREE + 1))
    half, mid = (delay_stop_s - delay_start_s) / 2, (delay_stop_s + delay_start_s) / 2
    axes = array_axes(sonar)
    # All times at once, the transmitter's last: a dozen small array operations a call cost more than the kernels' geometry.
    times = np.append(centre_time + delay_start_s + half * (1 + nodes), centre_time)
    place, turn = track.pose(times)
    centres = np.stack([line.centre_m for line in receiver_lines(sonar)])
    axis = np.stack([turn[:-1] @ axes[0], turn[:-1] @ axes[1]], axis=1).reshape(-1, 6)
    values = np.empty((len(centres), _DEGREE + 1, 9))
    values[:, :, :3] = place[:-1] + np.einsum("tij,lj->lti", turn[:-1], centres)
    values[:, :, 3:] = axis
    way = np.linalg.solve(np.vander(nodes, increasing=True), values)
    sent = place[-1] + turn[-1] @ sonar.transmit_position_m
    return PingGeometry(sent, axes @ turn[-1].T, way, mid, half)
