"""What is measured while a mosaic is laid: seams between strips, gaps filled, and a small picture of all."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pingloom.io.mosaic import Block, MosaicGrid

__all__ = ["Seam", "Tally"]

_LEAST_CELLS = 64
"""Of a part, for its level difference to count in the spread."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seam:
    """How two strips agree where both see the seabed."""

    first: int
    second: int
    """Indices of the strips."""
    cells: int
    area_m2: float
    level_db: float
    """Mean intensity of the second over that of the first, over the whole overlap; NaN where one isn't positive. [dB]"""
    spread_db: float
    """Standard deviation of that difference from place to place; NaN with fewer than two places. [dB]"""


class Tally:
    """Takes in a mosaic's parts as they are made; bounded memory.

    Parameters
    ----------
    grid : MosaicGrid
    picture_px : int
        Longer side of the small picture, at most.
    """

    def __init__(self, grid: MosaicGrid, picture_px: int = 1400) -> None:
        self.grid = grid
        self.step = max(1, -(-max(grid.n_row, grid.n_column) // picture_px))
        shape = -(-grid.n_row // self.step), -(-grid.n_column // self.step)
        self._total, self._count = np.zeros(shape), np.zeros(shape)
        self._pairs: dict[tuple[int, int], NDArray[np.float64]] = {}
        self.seen_cells = 0
        self.overlap_cells = 0
        self.gap_cells = 0
        self.filled_cells = 0
        self._looks = 0.0

    def take(
        self,
        part: Block,
        layers: Mapping[str, NDArray],
        images: Mapping[int, NDArray[np.float32]],
        gaps: Mapping[int, NDArray[np.bool_]],
    ) -> None:
        """Take one part: the mosaic's layers, each strip's own mean over the cells, each strip's gap below it."""
        seen = np.isfinite(layers["intensity"])
        self.seen_cells += int(seen.sum())
        self.overlap_cells += int((layers["strips"] > 1).sum())
        self._looks += float(layers["looks"].sum(dtype=np.float64))
        for gap in gaps.values():
            self.gap_cells += int(gap.sum())
            self.filled_cells += int((gap & seen).sum())
        for a, b in itertools.combinations(sorted(images), 2):
            self._pair(a, b, images[a], images[b])
        rows = (part.first_row + np.arange(part.n_row)) // self.step
        columns = (part.first_column + np.arange(part.n_column)) // self.step
        at = np.broadcast_arrays(rows[:, None], columns)
        np.add.at(self._total, (at[0][seen], at[1][seen]), layers["intensity"][seen].astype(np.float64))
        np.add.at(self._count, (at[0][seen], at[1][seen]), 1.0)

    def _pair(self, a: int, b: int, first: NDArray[np.float32], second: NDArray[np.float32]) -> None:
        both = np.isfinite(first) & np.isfinite(second)
        n = int(both.sum())
        if n == 0:
            return
        one, two = float(first[both].sum(dtype=np.float64)), float(second[both].sum(dtype=np.float64))
        sums = self._pairs.setdefault((a, b), np.zeros(7))
        sums[:3] += n, one, two
        if n >= _LEAST_CELLS and one > 0 and two > 0:
            level = 10 * np.log10(two / one)
            sums[3:] += n, n * level, n * level**2, 1

    @property
    def mean_looks(self) -> float:
        """Over the cells seen."""
        return self._looks / self.seen_cells if self.seen_cells else float("nan")

    def seams(self) -> list[Seam]:
        """Return all overlaps, by strip."""
        out = []
        for (a, b), (n, one, two, weight, first, second, places) in sorted(self._pairs.items()):
            mean = first / weight if weight else 0.0
            spread = np.sqrt(max(second / weight - mean**2, 0.0)) if places >= 2 else np.nan
            out.append(
                Seam(
                    first=a,
                    second=b,
                    cells=int(n),
                    area_m2=float(n * self.grid.cell_m**2),
                    level_db=float(10 * np.log10(two / one)) if one > 0 and two > 0 else float("nan"),
                    spread_db=float(spread),
                )
            )
        return out

    def picture(self) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Return a small image and its axes, north last.

        Returns
        -------
        intensity : ndarray of float64, shape (y, x)
            NaN where nothing was seen.
        y_m, x_m : ndarray of float64
            Ascending centres of its pixels. [m]
        """
        image = np.where(self._count > 0, self._total / np.maximum(self._count, 1), np.nan)
        pixel = self.step * self.grid.cell_m
        y = self.grid.north_m - (np.arange(image.shape[0]) + 0.5) * pixel
        x = self.grid.west_m + (np.arange(image.shape[1]) + 0.5) * pixel
        return image[::-1], y[::-1], x
