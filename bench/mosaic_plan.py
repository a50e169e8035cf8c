"""Which strips a mosaic is made of, and its grid: the strips' headers alone are read here."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.records import Quality
from pingloom.io.mosaic import MosaicGrid
from pingloom.io.product import Georeference, Product, read_product

from ._speckle_cells import SpeckleCells, averaging_gain, speckle_cells

__all__ = ["OVERLAPS", "MosaicPlan", "Overlap", "Strip", "moved", "plan_mosaic", "read_strip"]

Overlap = Literal["looks", "aspect", "best"]
OVERLAPS: tuple[Overlap, ...] = ("looks", "aspect", "best")

_MOST_CELLS = 20_000_000_000
_NODES = 48
"""Distances across track at which the gain of averaging is tabled."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strip:
    """One product: where its pixels lie and what is needed to read them."""

    path: Path
    title: str
    method: str
    calibrated: bool
    identity: str
    """Same for copies of the same product."""
    recording: Mapping[str, Any] | None
    """What tells the recording that it was imaged from, where the product says."""
    shape: tuple[int, int]
    pixel_m: tuple[float, float]
    """Along and across."""
    edge_m: tuple[float, float]
    """Outer edge of the first pixel, along and across."""
    place: Georeference
    gap_m: tuple[float, float]
    """Across track from where to where neither side sees the seabed; equal where there is no such gap."""
    node_m: NDArray[np.float64]
    speckle: SpeckleCells | None
    """At the nodes; None where the product doesn't tell its sonar."""

    def corners(self) -> NDArray[np.float64]:
        """(4, 2) eastings and northings of the outer corners in the strip's own system. [m]"""
        along = self.edge_m[0] + np.array([0, 1, 1, 0]) * self.shape[0] * self.pixel_m[0]
        across = self.edge_m[1] + np.array([0, 0, 1, 1]) * self.shape[1] * self.pixel_m[1]
        return np.stack([v[0] + v[1] * along + v[2] * across for v in (self.place.x_m, self.place.y_m)], -1)

    def pixel_of(self, x_m: NDArray[np.float64], y_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """(2, ...) row and column, 0 at the outer edge, of places in the strip's own system."""
        x, y = self.place.x_m, self.place.y_m
        inverse = np.linalg.inv([[x[1], x[2]], [y[1], y[2]]])
        strip = np.tensordot(inverse, np.stack([x_m - x[0], y_m - y[0]]), 1)
        edge, pixel = (np.reshape(v, (2,) + (1,) * np.ndim(x_m)) for v in (self.edge_m, self.pixel_m))
        return (strip - edge) / pixel


def read_strip(path: Path) -> Strip:
    """Read what planning needs to know of a product.

    Raises
    ------
    DataError
        If it is no product or isn't tied to a projected system.
    """
    with read_product(path) as product:
        place = product.georeference
        if place is None:
            raise DataError(
                f"{path} isn't tied to a projected system; allowed: products with a georeference. "
                "Give the recording's origin a latitude from -80 to 84 degrees and image it again."
            )
        across = product.across_track_m
        node = np.linspace(across[0], across[-1], _NODES) if across.size > 1 else across
        return Strip(
            path=Path(path),
            title=product.title,
            method=product.method,
            calibrated=product.calibrated,
            identity=_identity(product),
            recording=_recording(product),
            shape=product.shape,
            pixel_m=(product.along_m, product.across_m),
            edge_m=(
                float(product.along_track_m[0]) - product.along_m / 2,
                float(across[0]) - product.across_m / 2,
            ),
            place=place,
            gap_m=_nadir_gap(product),
            node_m=node,
            speckle=speckle_cells(product, node),
        )


def _identity(product: Product) -> str:
    known = (_recording(product) or {}).get("sha256")
    if not known:
        return str(product.path.resolve())
    frame = product.strip_origin_north_m, product.strip_origin_east_m, product.strip_heading_rad
    return f"{known} {product.method} {frame} {product.shape}"


def _recording(product: Product) -> Mapping[str, Any] | None:
    found = product.provenance.get("recording")
    return found if isinstance(found, dict) else None


def _nadir_gap(product: Product) -> tuple[float, float]:
    """Between the nearest columns that port and starboard see, medians over rows."""
    if set(product.sides) != {"port", "starboard"}:
        return (0.0, 0.0)
    across, inner = product.across_track_m, ([], [])
    for row in np.unique(np.linspace(0, product.shape[0] - 1, 24).astype(int)):
        seen = (product.read("quality", slice(row, row + 1))[0] & Quality.NOT_SEEN) == 0
        for k, chosen in enumerate((across[seen & (across < 0)], across[seen & (across > 0)])):
            if chosen.size:
                inner[k].append(chosen[-1] if k == 0 else chosen[0])
    if not inner[0] or not inner[1]:
        return (0.0, 0.0)
    half = product.across_m / 2
    return float(np.median(inner[0])) + half, float(np.median(inner[1])) - half


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MosaicPlan:
    """What goes where."""

    strips: tuple[Strip, ...]
    grid: MosaicGrid
    gains: tuple[NDArray[np.float64], ...] = field(repr=False)
    """For each strip (node,): looks of a cell over looks of a pixel."""
    overlap: Overlap = "looks"
    """What is done where strips overlap."""
    levels_db: tuple[float, ...] | None = None
    """Added to each strip; None: nothing. [dB]"""
    falls: tuple[tuple[NDArray[np.float64], NDArray[np.float64]], ...] | None = field(
        default=None, repr=False
    )
    """For each strip distances across track [m] and what is added there [dB]; None: nothing."""

    def gain(self, k: int, across_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Factor on the intensity of strip ``k`` at distances across track."""
        added = np.zeros(np.shape(across_m))
        if self.levels_db is not None:
            added += self.levels_db[k]
        if self.falls is not None:
            added += np.interp(across_m, *self.falls[k])
        return 10 ** (added / 10)

    @property
    def calibrated(self) -> bool:
        """Whether levels are absolute."""
        return self.strips[0].calibrated


def plan_mosaic(
    paths: Sequence[str | Path],
    *,
    epsg: int | None = None,
    cell_m: float | None = None,
    overlap: Overlap = "looks",
) -> MosaicPlan:
    """Choose the grid for some products.

    Parameters
    ----------
    paths : sequence of str or Path
        Products of one method; each once.
    epsg : int, optional
        Projected system in metres; default that of the first product, its UTM zone.
    cell_m : float, optional
        Default: the strips' largest pixel side, rounded up to 1, 2 or 5 times a power of ten. [m]
    overlap : {"looks", "aspect", "best"}
        Where strips overlap: average by looks, ways of looking alike, or the strip with most looks alone.

    Raises
    ------
    ParameterError
        If products don't go together or the grid would be unreasonable.
    DataError
        If a file is no product or has no georeference.
    """
    if not paths:
        raise ParameterError("no product was given; allowed: one or more.")
    if overlap not in OVERLAPS:
        raise ParameterError(f"overlap is {overlap!r}; allowed: {', '.join(OVERLAPS)}.")
    strips = [read_strip(Path(path)) for path in paths]
    code = strips[0].place.epsg if epsg is None else int(epsg)
    # Sums in an order that doesn't depend on the order of names on the command line.
    strips.sort(key=lambda s: (s.identity, str(s.path.name)))
    _check_together(strips)
    cell = _round_up(max(max(s.pixel_m) for s in strips)) if cell_m is None else float(cell_m)
    if not (np.isfinite(cell) and 1e-3 <= cell <= 1e4):
        raise ParameterError(f"cell is {cell:g} m; allowed: 0.001 to 10000.")
    grid = _grid(strips, code, cell)
    gains = [
        np.ones(s.node_m.size)
        if s.speckle is None
        else averaging_gain(s.speckle, grid.cell_m, np.arctan2(s.place.x_m[1], s.place.y_m[1]))
        for s in strips
    ]
    return MosaicPlan(strips=tuple(strips), grid=grid, gains=tuple(gains), overlap=overlap)


def _check_together(strips: Sequence[Strip]) -> None:
    first = strips[0]
    for k, strip in enumerate(strips[1:], 1):
        if strip.identity == strips[k - 1].identity:
            raise ParameterError(
                f"{strip.path} and {strips[k - 1].path} are the same strip; allowed: each once, or its looks would "
                "count twice. Leave one out."
            )
        if strip.method != first.method:
            raise ParameterError(
                f"{strip.path} was imaged by '{strip.method}', {first.path} by '{first.method}'; allowed: products of one "
                "method. Make a mosaic of each."
            )
        if strip.calibrated != first.calibrated:
            raise ParameterError(
                f"{strip.path} and {first.path} aren't both calibrated; allowed: only absolute or only relative "
                "levels. Make a mosaic of each."
            )


def _round_up(length_m: float) -> float:
    decade = 10.0 ** np.floor(np.log10(length_m))
    return float(next(m * decade for m in (1, 2, 5, 10) if m * decade >= length_m * (1 - 1e-9)))


@cache
def _transformer(source: int, target: int) -> Any:
    import pyproj

    return pyproj.Transformer.from_crs(source, target, always_xy=True)


def moved(points_m: NDArray[np.float64], source: int, target: int) -> NDArray[np.float64]:
    """Easting and northing (..., 2) of points of one projected system in another, both by EPSG code. [m]"""
    if source == target:
        return points_m
    return np.stack(_transformer(source, target).transform(points_m[..., 0], points_m[..., 1]), -1)


def _grid(strips: Sequence[Strip], epsg: int, cell_m: float) -> MosaicGrid:
    import pyproj

    try:
        crs = pyproj.CRS.from_epsg(epsg)
    except pyproj.exceptions.CRSError as error:
        raise ParameterError(f"epsg is {epsg}; allowed: a code of the EPSG register.") from error
    if not crs.is_projected or any(axis.unit_name != "metre" for axis in crs.axis_info):
        raise ParameterError(f"epsg is {epsg} ({crs.name}); allowed: projected systems in metres.")
    corners = np.concatenate([moved(s.corners(), s.place.epsg, epsg) for s in strips])
    if not np.isfinite(corners).all():
        raise ParameterError(
            f"epsg {epsg} doesn't reach where the strips lie; allowed: a system valid there."
        )
    # Whole multiples of the cell: mosaics of neighbouring areas fit together.
    west, south = np.floor(corners.min(axis=0) / cell_m + 1e-9)
    east, north = np.ceil(corners.max(axis=0) / cell_m - 1e-9)
    n_row, n_column = int(max(north - south, 1)), int(max(east - west, 1))
    if n_row * n_column > _MOST_CELLS:
        raise ParameterError(
            f"the grid would have {n_row} x {n_column} cells of {cell_m:g} m; allowed: {_MOST_CELLS:g} cells. "
            "Make the cell larger with --cell, or the area smaller."
        )
    return MosaicGrid(
        epsg=epsg,
        west_m=float(west * cell_m),
        north_m=float(north * cell_m),
        cell_m=cell_m,
        n_row=n_row,
        n_column=n_column,
        wkt=crs.to_wkt("WKT1_GDAL"),
        cf={k: v for k, v in crs.to_cf().items() if isinstance(v, str | int | float) and k != "crs_wkt"},
    )
