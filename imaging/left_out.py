"""Where pings that were left out would have looked: it is marked in the quality of the rows that they miss in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .errors import DataError
from .geometry import PingGeometry
from .lay import Grid
from .records import Quality, Tile

__all__ = ["flagged", "missed_rows"]


def missed_rows(geometry: PingGeometry, grid: Grid, half_rad: float) -> NDArray[np.int64]:
    """Rows that the sector of a ping covers in each column, (2, column): first and past-last."""
    across = geometry.side_sign * (np.arange(grid.n_column) + 0.5) * grid.across_m
    low, high = _sector_reach(geometry, across, half_rad)
    return np.stack([np.ceil(low / grid.along_m - 0.5), np.floor(high / grid.along_m - 0.5) + 1]).astype(
        np.int64
    )


def flagged(tile: Tile, missed: NDArray[np.int64]) -> Tile:
    """The tile with the pixels marked at which pings are missing; ``missed`` is (ping, 2, column)."""
    if not missed.size:
        return tile
    if tile.side == "port":
        missed = missed[:, :, ::-1]
    row = tile.first_along + np.arange(tile.quality.shape[0])[:, None]
    quality = tile.quality.copy()
    for low, high in missed:
        quality[(row >= low) & (row < high)] |= Quality.PING_LEFT_OUT
    return replace(tile, quality=quality)


def _sector_reach(
    geometry: PingGeometry, across_m: NDArray[np.float64], half_rad: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where along the strip the sector begins and ends at each place across it. [m]"""
    tx, axis, plane = geometry.transmitter_m, geometry.transmit_axes[0], geometry.seabed_plane
    below = plane[0] + plane[1] * tx[0] + plane[2] * across_m - tx[2]
    lean = axis[0] + plane[1] * axis[2]
    ahead = -(axis[1] * (across_m - tx[1]) + axis[2] * below) / lean
    drop = below + plane[1] * ahead
    slant = np.sqrt(ahead**2 + (across_m - tx[1]) ** 2 + drop**2)
    sine = np.sin(half_rad)
    a = lean**2 - sine**2 * (1 + plane[1] ** 2)
    if a <= 0:
        raise DataError(
            "the array points within its sector of the leg's own direction; allowed: headings within about 80 degrees of the "
            "course. Plan the leg with --set grid.heading_deg."
        )
    b = sine**2 * (ahead + plane[1] * drop)
    root = np.sqrt(b**2 + a * sine**2 * slant**2)
    return tx[0] + ahead + (b - root) / a, tx[0] + ahead + (b + root) / a
