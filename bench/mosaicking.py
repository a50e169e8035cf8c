"""Strips of many legs on one north-up grid, block by block.

A cell of the grid is the plain mean of a strip's intensity over the cell's area: every pixel counts for the area
that it has in the cell. That keeps the mean level, uses all looks where cells are larger than pixels, and invents
nothing where they are smaller (interpolation would smooth the speckle and so fake looks). What one strip doesn't see,
such as the gap below its vehicle, comes from the others. Levels are left as they are unless the plan
evens them, strip by strip or distance by distance; the seams are measured either way.

Where strips overlap there is a choice. *looks*: averaged with their numbers of looks as weights, least speckle.
*aspect*: strips that look the same way (nearest of four quarter turns from the first strip's starboard side) are averaged
so, and the ways then count alike, however many strips looked each way: a shadow or a slope seen from one
side alone is not voted down by three strips from another. *best*: the strip with the most looks alone, so that shadows
and objects stay as one strip shows them.

The layer ``looks`` is the sum over strips of their looks times what averaging over the cell adds. That is
predicted from what the product says of its sonar; where it says nothing, averaging isn't counted.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.records import Quality
from pingloom.io.mosaic import Block
from pingloom.io.product import Product, read_product

from ._mosaic_kernels import N_BIT, average_cells, subdivisions
from .mosaic_plan import MosaicPlan, moved
from .seams import Tally

__all__ = ["mosaic_blocks"]

_LARGEST_WINDOW = 1_500_000
"""Pixels of a strip that are read at once."""
_MOST_OPEN = 16
_LEAST_SHARE = 0.5
"""Of a cell that a strip must have seen to count there."""


class _Shelf:
    """Products kept open, the one used longest ago closed first."""

    def __init__(self) -> None:
        self._open: dict[Path, Product] = {}

    def __getitem__(self, path: Path) -> Product:
        product = self._open.pop(path, None) or read_product(path)
        self._open[path] = product
        while len(self._open) > _MOST_OPEN:
            self._open.pop(next(iter(self._open))).close()
        return product

    def close(self) -> None:
        for product in self._open.values():
            product.close()
        self._open.clear()


def mosaic_blocks(
    plan: MosaicPlan, tally: Tally | None = None
) -> Iterator[tuple[Block, dict[str, NDArray[Any]] | None]]:
    """Yield the mosaic's blocks row by row.

    Parameters
    ----------
    plan : MosaicPlan
    tally : Tally, optional
        Is told all that is measured on the way: seams, gaps filled, a small picture.

    Yields
    ------
    block : Block
    layers : dict of ndarray, or None
        ``intensity``, ``looks``, ``noise_equivalent`` (linear), ``coverage``, ``quality``, ``strips``; None where no strip reaches.
    """
    shelf = _Shelf()
    side = _part_side(plan)
    try:
        for block in plan.grid.blocks():
            near = [k for k in range(len(plan.strips)) if _reaches(plan, k, block)]
            yield block, _block(plan, shelf, block, near, side, tally) if near else None
    finally:
        shelf.close()


def _part_side(plan: MosaicPlan) -> int:
    """Cells of a square whose window in the finest strip stays within the pixels to be read at once."""
    finest = min(s.pixel_m[0] * s.pixel_m[1] for s in plan.strips)
    side = np.sqrt(_LARGEST_WINDOW * finest / 2) / plan.grid.cell_m
    return int(max(1, min(256, 2 ** np.floor(np.log2(max(side, 1))))))


def _affine(plan: MosaicPlan, k: int, block: Block) -> NDArray[np.float64]:
    """(2, 3) strip pixel coordinates of cell coordinates within the block: a0 + a1 row + a2 column."""
    grid, strip = plan.grid, plan.strips[k]
    x = grid.west_m + grid.cell_m * block.first_column
    y = grid.north_m - grid.cell_m * block.first_row
    width, height = grid.cell_m * block.n_column, grid.cell_m * block.n_row
    # Through a block's corners: over its few metres the change between two projections is linear to micrometres.
    points = np.array([[x, y], [x, y - height], [x + width, y]])
    own = moved(points, grid.epsg, strip.place.epsg)
    pixel = strip.pixel_of(own[:, 0], own[:, 1])
    first = pixel[:, 0]
    return np.stack([first, (pixel[:, 1] - first) / block.n_row, (pixel[:, 2] - first) / block.n_column], 1)


def _window(
    plan: MosaicPlan, k: int, block: Block, affine: NDArray[np.float64]
) -> tuple[slice, slice] | None:
    """Rows and columns of the strip that the block may touch."""
    rows = np.array([0, 0, block.n_row, block.n_row])
    columns = np.array([0, block.n_column, 0, block.n_column])
    window = []
    for (a0, a1, a2), n in zip(affine, plan.strips[k].shape, strict=True):
        reach = a0 + a1 * rows + a2 * columns
        low, high = max(0, int(np.floor(reach.min()))), min(n, int(np.ceil(reach.max())) + 1)
        if low >= high:
            return None
        window.append(slice(low, high))
    return window[0], window[1]


def _reaches(plan: MosaicPlan, k: int, block: Block) -> bool:
    return _window(plan, k, block, _affine(plan, k, block)) is not None


def _block(
    plan: MosaicPlan, shelf: _Shelf, block: Block, near: Sequence[int], side: int, tally: Tally | None
) -> dict[str, NDArray[Any]]:
    layers = _empty((block.n_row, block.n_column))
    for row in range(0, block.n_row, side):
        for column in range(0, block.n_column, side):
            part = Block(
                block.first_row + row,
                block.first_column + column,
                min(side, block.n_row - row),
                min(side, block.n_column - column),
            )
            found = _part(plan, shelf, part, near, tally)
            at = slice(row, row + part.n_row), slice(column, column + part.n_column)
            for name, values in found.items():
                layers[name][at] = values
    return layers


def _empty(shape: tuple[int, int]) -> dict[str, NDArray[Any]]:
    return {
        "intensity": np.full(shape, np.nan, np.float32),
        "looks": np.zeros(shape, np.float32),
        "noise_equivalent": np.full(shape, np.nan, np.float32),
        "coverage": np.zeros(shape, np.uint16),
        "quality": np.full(shape, Quality.NOT_SEEN, np.uint8),
        "strips": np.zeros(shape, np.uint16),
    }


def _part(
    plan: MosaicPlan, shelf: _Shelf, part: Block, near: Sequence[int], tally: Tally | None
) -> dict[str, NDArray[Any]]:
    sums = _SUMS[plan.overlap]((part.n_row, part.n_column))
    images: dict[int, NDArray[np.float32]] = {}
    gaps: dict[int, NDArray[np.bool_]] = {}
    for k in near:
        affine = _affine(plan, k, part)
        window = _window(plan, k, part, affine)
        if window is None:
            continue
        across = plan.strips[k].edge_m[1] + plan.strips[k].pixel_m[1] * _at_centres(affine[1], part)
        cells = _averaged(plan, shelf, k, part, affine, window, across)
        sums.add(cells, np.interp(across, plan.strips[k].node_m, plan.gains[k]), _aspect(plan, k, across))
        if tally is not None:
            images[k] = np.where(cells.seen, cells.intensity, np.nan).astype(np.float32)
            along = _at_centres(affine[0], part)
            low, high = plan.strips[k].gap_m
            inside = (across > low) & (across < high) & (along >= 0) & (along < plan.strips[k].shape[0])
            gaps[k] = inside & ~cells.seen
    layers = sums.layers()
    if tally is not None:
        tally.take(part, layers, images, gaps)
    return layers


def _aspect(plan: MosaicPlan, k: int, across_m: NDArray[np.float64]) -> NDArray[np.int64]:
    """Which way strip ``k`` looks at each cell: quarter turns from the first strip's starboard side, 0 to 3."""
    first, own = (np.arctan2(s.place.x_m[1], s.place.y_m[1]) for s in (plan.strips[0], plan.strips[k]))
    return np.rint((own - first) / (np.pi / 2) + np.where(across_m > 0, 0, 2)).astype(np.int64) % 4


def _at_centres(affine: NDArray[np.float64], part: Block) -> NDArray[np.float64]:
    rows, columns = np.arange(part.n_row) + 0.5, np.arange(part.n_column) + 0.5
    return affine[0] + affine[1] * rows[:, None] + affine[2] * columns


@dataclass(frozen=True, slots=True, eq=False)
class _Cells:
    """A strip averaged over a part's cells."""

    seen: NDArray[np.bool_]
    intensity: NDArray[np.float64]
    looks: NDArray[np.float64]
    noise: NDArray[np.float64]
    """NaN where unknown."""
    coverage: NDArray[np.float64]
    flags: NDArray[np.uint8]


def _averaged(
    plan: MosaicPlan,
    shelf: _Shelf,
    k: int,
    part: Block,
    affine: NDArray[np.float64],
    window: tuple[slice, slice],
    across_m: NDArray[np.float64],
) -> _Cells:
    product, strip = shelf[plan.strips[k].path], plan.strips[k]
    read = {name: product.read(name, *window) for name in ("intensity", "looks", "coverage", "quality")}
    noise = product.read("noise_equivalent_backscatter", *window)
    to_row, to_column = affine.copy()
    to_row[0] -= window[0].start
    to_column[0] -= window[1].start
    shape = (part.n_row, part.n_column)
    share, known, total = np.zeros(shape), np.zeros(shape), np.zeros((4, *shape))
    flags = np.zeros(shape, np.uint8)
    average_cells(
        read["intensity"],
        read["looks"],
        10 ** (noise / np.float32(10)),
        read["coverage"],
        read["quality"],
        to_row,
        to_column,
        subdivisions(plan.grid.cell_m, strip.pixel_m),
        share,
        known,
        total,
        flags,
    )
    gain = plan.gain(k, across_m)
    noise = np.where(known > 0, gain * total[2], np.nan)
    return _Cells(share >= _LEAST_SHARE, gain * total[0], total[1], noise, total[3], flags)


class _Sums:
    """Sums over strips, in float64."""

    def __init__(self, shape: tuple[int, int]) -> None:
        self.weighted, self.looks, self.noise = np.zeros((3, *shape))
        self.noise_looks, self.coverage = np.zeros((2, *shape))
        self.bit = np.zeros((N_BIT, *shape))
        self.strips = np.zeros(shape, np.uint16)

    def add(self, cells: _Cells, gain: NDArray[np.float64], aspect: NDArray[np.int64]) -> None:
        """Take one strip; ``aspect`` says which way it looks."""
        self._add(cells, np.where(cells.seen, np.maximum(cells.looks, 1e-3) * gain, 0.0))

    def _add(self, cells: _Cells, looks: NDArray[np.float64]) -> None:
        self.weighted += np.where(looks > 0, looks * np.nan_to_num(cells.intensity), 0.0)
        self.looks += looks
        used = looks > 0
        known = used & np.isfinite(cells.noise)
        self.noise += np.where(known, looks * np.nan_to_num(cells.noise), 0.0)
        self.noise_looks += np.where(known, looks, 0.0)
        self.coverage += np.where(used, cells.coverage, 0.0)
        for b in range(N_BIT):
            self.bit[b] += looks * ((cells.flags >> b) & 1)
        self.strips += used

    def layers(self) -> dict[str, NDArray[Any]]:
        out = _empty(self.looks.shape)
        seen = self.looks > 0
        safe = np.where(seen, self.looks, 1.0)
        out["intensity"][seen] = (self.weighted / safe)[seen]
        out["looks"][seen] = self.looks[seen]
        known = self.noise_looks > 0
        out["noise_equivalent"][known] = (self.noise / np.where(known, self.noise_looks, 1.0))[known]
        out["coverage"][seen] = np.minimum(np.rint(self.coverage[seen]), 65535)
        flags = np.zeros(seen.shape, np.uint8)
        for b in range(N_BIT):
            # A flag holds where more than half of the looks carry it.
            flags |= np.where(2 * self.bit[b] > self.looks, np.uint8(1 << b), np.uint8(0))
        out["quality"] = np.where(seen, flags, np.uint8(Quality.NOT_SEEN))
        out["strips"] = self.strips
        return out


class _Best(_Sums):
    """The strip with the most looks alone; of equal ones the first."""

    def add(self, cells: _Cells, gain: NDArray[np.float64], aspect: NDArray[np.int64]) -> None:
        looks = np.where(cells.seen, np.maximum(cells.looks, 1e-3) * gain, 0.0)
        better = looks > self.looks
        for sums in (self.weighted, self.looks, self.noise, self.noise_looks, self.coverage, self.strips):
            sums[better] = 0
        self.bit[:, better] = 0
        self._add(cells, np.where(better, looks, 0.0))


class _Aspects:
    """Sums for each way of looking, which count alike in the end."""

    def __init__(self, shape: tuple[int, int]) -> None:
        self._ways = [_Sums(shape) for _ in range(4)]
        self._shape = shape

    def add(self, cells: _Cells, gain: NDArray[np.float64], aspect: NDArray[np.int64]) -> None:
        """Take one strip; ``aspect`` says which way it looks."""
        looks = np.where(cells.seen, np.maximum(cells.looks, 1e-3) * gain, 0.0)
        for way, sums in enumerate(self._ways):
            sums._add(cells, np.where(aspect == way, looks, 0.0))

    def layers(self) -> dict[str, NDArray[Any]]:
        """The mean over the ways that saw a cell; its looks A^2 / sum(1 / N) of A ways, variances of means added."""
        all_ways = _Sums(self._shape)
        seen = [way.looks > 0 for way in self._ways]
        n_way = np.sum(seen, axis=0)
        inverse = sum(
            np.where(s, 1 / np.where(s, w.looks, 1.0), 0.0) for s, w in zip(seen, self._ways, strict=True)
        )
        looks = np.where(n_way > 0, n_way**2 / np.where(n_way > 0, inverse, 1.0), 0.0)
        for s, way in zip(seen, self._ways, strict=True):
            # Each way's weights are scaled to the same sum.
            share = np.where(s, looks / np.maximum(n_way, 1) / np.where(s, way.looks, 1.0), 0.0)
            for name in ("weighted", "looks", "noise", "noise_looks"):
                getattr(all_ways, name)[...] += share * getattr(way, name)
            all_ways.bit += share * way.bit
            all_ways.coverage += way.coverage
            all_ways.strips += way.strips
        return all_ways.layers()


_SUMS = {"looks": _Sums, "aspect": _Aspects, "best": _Best}
