"""Which rows of the strip are still open: room for a ping's footprint, tiles out when no later ping can reach them."""

from __future__ import annotations

import numpy as np

from .average import Accumulator
from .lay import Grid, GridSettings
from .left_out import flagged
from .records import Tile
from .side import SideState

__all__ = ["LARGEST_GAP_M", "finished_tiles", "make_room", "rows_behind"]

LARGEST_GAP_M = 3.0
"""Largest distance between broadside lines that is filled from the nearer of the two. [m]"""


def rows_behind(grid: Grid, settings: GridSettings) -> int:
    """Rows that a later, further turned ping may still reach behind this one's footprint."""
    far_m = grid.n_column * grid.across_m
    return int(np.ceil(far_m * np.tan(np.deg2rad(settings.heading_bound_deg)) / grid.along_m)) + 2


def make_room(
    own: SideState, side: str, grid: Grid, settings: GridSettings, low: int, high: int
) -> list[Tile]:
    """Make room in the ring for rows from ``low`` up to ``high``; a jump forward finishes all that was open."""
    behind = rows_behind(grid, settings)
    tiles: list[Tile] = []
    if own.accumulator is None:
        own.accumulator = Accumulator.allocate(
            grid, high - low + 2 * behind + settings.tile_rows, low - behind
        )
    acc = own.accumulator
    gap = int(np.ceil(LARGEST_GAP_M / grid.along_m))  # a broadside line may still be joined to the last one
    if low - behind > max(acc.touched[1], acc.first_row) + gap:
        tiles = finished_tiles(own, side, settings, low - behind)
        acc.restart(low - behind)
    if high > acc.past_row:
        own.accumulator = acc = acc.widened(high + behind)
    acc.touched[0] = min(acc.touched[0], max(low, acc.first_row))
    acc.touched[1] = max(acc.touched[1], high)
    return tiles


def finished_tiles(own: SideState, side: str, settings: GridSettings, safe_row: int) -> list[Tile]:
    """Finish all rows below ``safe_row``, a tile at a time; the last tile may be short."""
    acc, rows = own.accumulator, settings.tile_rows
    if acc is None:
        return []
    # Rows at the start that no look reached are no part of the image.
    acc.first_row = max(acc.first_row, min(int(acc.touched[0]), safe_row))
    acc.closed_row = max(acc.closed_row, safe_row)
    end = min(safe_row, int(acc.touched[1]), acc.past_row)
    last = safe_row >= acc.touched[1]
    tiles = []
    while end - acc.first_row >= (1 if last else rows):
        n = min(rows, end - acc.first_row)
        tile = acc.finish(n, side, noise_known=own.noise.known, keep_sums=own.keep_sums)
        tiles.append(flagged(tile, own.left_out))
    if own.left_out.size:
        own.left_out = own.left_out[own.left_out[:, 1].max(axis=1) > acc.first_row]
    return tiles
