"""Cutting a product into fixed-size tiles for recognition programs.

A tile shows the strip as the sonar saw it: forward up and starboard to the right, so shadows always fall away from
the track and nothing is mirrored. Pixels are the product's own unless square ones are asked for; those are the
mean intensity over their area.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pingloom import __version__
from pingloom.bench.console import CAUTIONS
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.records import Quality
from pingloom.io.product import Georeference, Product, read_product
from pingloom.io.tiles import CountMapping, TileFolder, TileRecord

from ._mosaic_kernels import average_cells, subdivisions
from ._speckle_cells import averaging_gain, speckle_cells
from .tile_facts import recording_bytes, tile_facts

__all__ = ["TileRun", "export_tiles", "usual_mapping"]

_LARGEST_WINDOW = 4_000_000
"""Pixels of the product that are read at once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TileRun:
    """What an export of tiles made."""

    folder: Path
    n_tile: int
    mapping: CountMapping
    pixel_m: tuple[float, float]
    n_byte: int
    """Of all images together."""
    recording_bytes: int | None
    """Of the recording that the product was made from, where the product says."""

    @property
    def reduction(self) -> float | None:
        """Bytes of the recording over bytes of the images."""
        return None if self.recording_bytes is None else self.recording_bytes / self.n_byte


@dataclass(frozen=True, slots=True, eq=False)
class _Raster:
    """Tile pixels over the strip: row 0 is farthest forward, column 0 farthest to port."""

    product: Product
    pixel_m: tuple[float, float]
    shape: tuple[int, int]
    resampled: bool

    @property
    def edge_m(self) -> tuple[float, float]:
        """Along track at the first row's upper edge, across track at the first column's left edge."""
        p = self.product
        return (
            float(p.along_track_m[-1]) + p.along_m / 2,
            float(p.across_track_m[0]) - p.across_m / 2,
        )


def export_tiles(
    path: Path,
    folder: Path,
    *,
    size: int,
    overlap: int = 0,
    bits: int = 8,
    mapping_db: tuple[float, float] | None = None,
    cell_m: float | None = None,
    suffix: str = ".png",
    masks: bool = False,
    overwrite: bool = False,
    advance: Callable[[int], None] | None = None,
) -> TileRun:
    """Cut a product into tiles.

    Parameters
    ----------
    path : Path
        A product.
    folder : Path
        To make.
    size, overlap : int
        Rows and columns of a tile, and how many it shares with its neighbour. [pixel]
    bits : int
        8 or 16.
    mapping_db : tuple of float, optional
        Levels of the counts 1 and the largest; default percentiles 0.5 and 99.8 of the strip. [dB]
    cell_m : float, optional
        Side of square pixels; default the product's own pixels. [m]
    suffix : str
        ``.png`` or ``.tif``.
    masks : bool
        Also write each tile's quality flags.
    advance : callable, optional
        Called with 1 after each tile position.

    Raises
    ------
    ParameterError, DataError
        If a value isn't allowed, the folder is there already, or nothing was seen.
    """
    _check(size, overlap, cell_m)
    with read_product(path) as product:
        mapping = CountMapping(
            bits=bits, **dict(zip(("low_db", "high_db"), mapping_db or usual_mapping(product), strict=True))
        )
        raster = _raster(product, cell_m)
        place = product.georeference
        about = _about(product, raster, mapping, size, overlap)
        recording = recording_bytes(product)
        writer = TileFolder(folder, about=about, epsg=place.epsg if place else None, overwrite=overwrite)
        with writer:
            n = 0
            for row, column in _positions(raster.shape, size, overlap):
                n += _one(writer, raster, place, mapping, row, column, size, suffix, masks)
                if advance is not None:
                    advance(1)
            writer.close(
                images_bytes=writer.n_byte,
                recording_bytes=recording,
                reduction=None if recording is None or not writer.n_byte else recording / writer.n_byte,
            )
    return TileRun(
        folder=Path(folder),
        n_tile=n,
        mapping=mapping,
        pixel_m=raster.pixel_m,
        n_byte=writer.n_byte,
        recording_bytes=recording,
    )


def _check(size: int, overlap: int, cell_m: float | None) -> None:
    if not 16 <= size <= 4096:
        raise ParameterError(f"tiles is {size}; allowed: 16 to 4096 pixels.")
    if not 0 <= overlap <= size // 2:
        raise ParameterError(f"overlap is {overlap}; allowed: 0 to half a tile, {size // 2}.")
    if cell_m is not None and not (np.isfinite(cell_m) and 1e-3 <= cell_m <= 100):
        raise ParameterError(f"cell is {cell_m:g} m; allowed: 0.001 to 100.")


def usual_mapping(product: Product) -> tuple[float, float]:
    """Levels that nearly all seabed lies between, from rows spread over the strip, rounded outwards to 1 dB. [dB]

    Raises
    ------
    DataError
        If nothing has a positive level.
    """
    rows = np.unique(np.linspace(0, product.shape[0] - 1, 48).astype(int))
    some = np.concatenate([product.read("backscatter", slice(r, r + 4)).ravel() for r in rows])
    some = some[np.isfinite(some)]
    if some.size == 0:
        raise DataError(f"{product.path}: no pixel stands above the noise; allowed: some. Give --mapping.")
    low, high = np.percentile(some, (0.5, 99.8))
    return float(np.floor(low)), float(max(np.ceil(high), np.floor(low) + 1))


def _raster(product: Product, cell_m: float | None) -> _Raster:
    if cell_m is None:
        return _Raster(product, (product.along_m, product.across_m), product.shape, False)
    extent = product.shape[0] * product.along_m, product.shape[1] * product.across_m
    shape = tuple(max(1, int(np.ceil(e / cell_m - 1e-9))) for e in extent)
    return _Raster(product, (cell_m, cell_m), shape, True)


def _positions(shape: tuple[int, int], size: int, overlap: int) -> Iterator[tuple[int, int]]:
    """First row and column of all tiles; the last ones are moved back so that they end with the strip."""
    starts = []
    for n in shape:
        last = max(0, n - size)
        starts.append([*range(0, last, size - overlap), last])
    for row in starts[0]:
        for column in starts[1]:
            yield row, column


def _one(
    writer: TileFolder,
    raster: _Raster,
    place: Georeference | None,
    mapping: CountMapping,
    row: int,
    column: int,
    size: int,
    suffix: str,
    masks: bool,
) -> int:
    """Write one tile; return 0 where nothing was seen."""
    layers = _cut(raster, row, column, size)
    seen = np.isfinite(layers["intensity"])
    if not seen.any():
        return 0
    name = f"tile-{row:07d}-{column:06d}"
    affine = None if place is None else _affine(raster, place, row, column)
    record = TileRecord(
        name=name + suffix,
        affine=affine,
        ring_deg=None if place is None else _ring(affine, place.epsg, size),
        facts={
            "row": row,
            "column": column,
            **_reach(raster, row, column, size),
            **tile_facts(layers, mapping),
        },
    )
    writer.write_image(name + suffix, mapping.counts(layers["intensity"]), record)
    if masks:
        writer.write_image(f"{name}-quality{suffix}", layers["quality"], record)
    writer.add(record)
    return 1


def _cut(raster: _Raster, row: int, column: int, size: int) -> dict[str, NDArray[Any]]:
    """Layers of one tile, filled up with unseen pixels where the strip is smaller."""
    out: dict[str, NDArray[Any]] = {
        "intensity": np.full((size, size), np.nan, np.float32),
        "looks": np.zeros((size, size), np.float32),
        "noise": np.full((size, size), np.nan, np.float32),
        "coverage": np.zeros((size, size), np.float32),
        "quality": np.full((size, size), Quality.NOT_SEEN, np.uint8),
    }
    rows, columns = min(size, raster.shape[0] - row), min(size, raster.shape[1] - column)
    part = (
        _averaged(raster, row, column, rows, columns)
        if raster.resampled
        else _own(raster, row, column, rows, columns)
    )
    for name, values in part.items():
        out[name][:rows, :columns] = values
    return out


def _own(raster: _Raster, row: int, column: int, rows: int, columns: int) -> dict[str, NDArray[Any]]:
    product = raster.product
    last = raster.shape[0] - row
    window = slice(last - rows, last), slice(column, column + columns)
    names = {"intensity": "intensity", "looks": "looks", "coverage": "coverage", "quality": "quality"}
    found = {ours: product.read(theirs, *window)[::-1] for ours, theirs in names.items()}
    noise = product.read("noise_equivalent_backscatter", *window)[::-1].astype(np.float64)
    return {**found, "noise": 10 ** (noise / 10)}


def _averaged(raster: _Raster, row: int, column: int, rows: int, columns: int) -> dict[str, NDArray[Any]]:
    """Means over square pixels, a band of rows at a time."""
    product, cell = raster.product, raster.pixel_m[0]
    width = columns * cell / product.across_m
    band = int(np.clip(_LARGEST_WINDOW / (width * cell / product.along_m), 1, rows))
    parts = [
        _band(raster, k, column, min(band, row + rows - k), columns) for k in range(row, row + rows, band)
    ]
    return {name: np.concatenate([p[name] for p in parts]) for name in parts[0]}


def _band(raster: _Raster, row: int, column: int, rows: int, columns: int) -> dict[str, NDArray[Any]]:
    product, cell = raster.product, raster.pixel_m[0]
    first_along = float(product.along_track_m[0]) - product.along_m / 2
    top = (raster.edge_m[0] - row * cell - first_along) / product.along_m
    left = column * cell / product.across_m
    window = (
        _clipped(top - rows * cell / product.along_m, top, product.shape[0]),
        _clipped(left, left + columns * cell / product.across_m, product.shape[1]),
    )
    read = {n: product.read(n, *window) for n in ("intensity", "looks", "coverage", "quality")}
    noise = product.read("noise_equivalent_backscatter", *window)
    shape = (rows, columns)
    share, known, total = np.zeros(shape), np.zeros(shape), np.zeros((4, *shape))
    flags = np.zeros(shape, np.uint8)
    average_cells(
        read["intensity"],
        read["looks"],
        10 ** (noise / np.float32(10)),
        read["coverage"],
        read["quality"],
        np.array([top - window[0].start, -cell / product.along_m, 0.0]),
        np.array([left - window[1].start, 0.0, cell / product.across_m]),
        subdivisions(cell, (product.along_m, product.across_m)),
        share,
        known,
        total,
        flags,
    )
    seen = share >= 0.5
    return {
        "intensity": np.where(seen, total[0], np.nan),
        "looks": np.where(seen, total[1] * _gain(raster, column, columns), 0.0),
        "noise": np.where(seen & (known > 0), total[2], np.nan),
        "coverage": np.where(seen, total[3], 0.0),
        "quality": np.where(seen, flags, np.uint8(Quality.NOT_SEEN)),
    }


def _clipped(low: float, high: float, n: int) -> slice:
    first = int(np.clip(np.floor(low), 0, n - 1))
    return slice(first, int(np.clip(np.ceil(high), first + 1, n)))


def _gain(raster: _Raster, column: int, columns: int) -> NDArray[np.float64]:
    """(columns,) looks of a square pixel over looks of the product's."""
    left = raster.edge_m[1] + column * raster.pixel_m[1]
    node = np.linspace(left, left + columns * raster.pixel_m[1], 12)
    cells = speckle_cells(raster.product, node)
    if cells is None:
        return np.ones(columns)
    centre = left + (np.arange(columns) + 0.5) * raster.pixel_m[1]
    return np.interp(centre, node, averaging_gain(cells, raster.pixel_m[0]))


def _affine(raster: _Raster, place: Georeference, row: int, column: int) -> tuple[float, ...]:
    """From (column, row) of the tile's pixel corners to (x, y)."""
    along = raster.edge_m[0] - row * raster.pixel_m[0]
    across = raster.edge_m[1] + column * raster.pixel_m[1]
    return tuple(
        float(value)
        for v in (place.x_m, place.y_m)
        for value in (
            v[0] + v[1] * along + v[2] * across,
            v[2] * raster.pixel_m[1],
            -v[1] * raster.pixel_m[0],
        )
    )


def _ring(affine: tuple[float, ...], epsg: int, size: int) -> list[tuple[float, float]]:
    """Corners counterclockwise as seen from above: lower left, lower right, upper right, upper left."""
    import pyproj

    columns, rows = np.array([0, size, size, 0]), np.array([size, size, 0, 0])
    x = affine[0] + affine[1] * columns + affine[2] * rows
    y = affine[3] + affine[4] * columns + affine[5] * rows
    longitude, latitude = pyproj.Transformer.from_crs(epsg, 4326, always_xy=True).transform(x, y)
    # 9 decimals are a tenth of a millimetre.
    return [(round(float(a), 9), round(float(b), 9)) for a, b in zip(longitude, latitude, strict=True)]


def _reach(raster: _Raster, row: int, column: int, size: int) -> dict[str, float]:
    """Where the tile lies in the strip."""
    along = raster.edge_m[0] - np.array([row + size, row]) * raster.pixel_m[0]
    across = raster.edge_m[1] + np.array([column, column + size]) * raster.pixel_m[1]
    return {
        "along_min_m": round(float(along[0]), 4),
        "along_max_m": round(float(along[1]), 4),
        "across_min_m": round(float(across[0]), 4),
        "across_max_m": round(float(across[1]), 4),
    }


def _about(
    product: Product, raster: _Raster, mapping: CountMapping, size: int, overlap: int
) -> dict[str, Any]:
    return {
        "pingloom": __version__,
        "product": product.path.name,
        "title": product.title,
        "method": product.method,
        "calibrated": product.calibrated,
        "provenance": product.provenance,
        "orientation": "row 0 farthest forward, column 0 farthest to port: forward up, starboard right",
        "size_px": size,
        "overlap_px": overlap,
        "pixel_along_m": raster.pixel_m[0],
        "pixel_across_m": raster.pixel_m[1],
        "resampling": "mean intensity over each pixel's area"
        if raster.resampled
        else "none: the product's own pixels",
        "mapping": {
            "bits": mapping.bits,
            "low_db": mapping.low_db,
            "high_db": mapping.high_db,
            "step_db": mapping.step_db,
            "not_seen": 0,
            "level_db": "low_db + (count - 1) * step_db; counts 1 and the largest also hold what lies beyond",
        },
        "quality_flags": {str(bit): name for bit, name in Quality.NAMES.items()},
        "affine": "x = a0 + a1 column + a2 row, y = a3 + a4 column + a5 row, of pixel corners",
        "caution": CAUTIONS[0],
    }
