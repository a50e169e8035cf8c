"""Mosaics: many strips on one north-up grid of a map projection, as a CF gridded file.

The grid is written block by block, so memory stays small however large the area; blocks that nothing reached take no
room in the file. Rows run from north to south, columns from west to east.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import h5py
import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.errors import DataError, ParameterError

from .gridded import GridReader, axis_scale, create_grid_file, decibel, grid_layer, json_text, take_name
from .hdf5_write import part_path, put_attributes
from .product_layout import CHUNK, LAYERS

__all__ = ["MOSAIC_LAYERS", "Block", "Mosaic", "MosaicGrid", "MosaicWriter", "read_mosaic"]

FORMAT = "mosaic"
"""Value of the root attribute ``pingloom_format``."""
FORMAT_VERSION = 1
_READABLE = (1,)

_LARGEST_RATIO = 10**7
"""What a layer may declare over what it stores: blocks that nothing reached take no room, and windows are bounded."""

MOSAIC_LAYERS: dict[str, np.dtype[Any]] = {**LAYERS, "strips": np.dtype("<u2")}
"""Variables of a mosaic, with their types: those of a product and how many strips a cell was averaged from."""


@dataclass(frozen=True, slots=True)
class Block:
    """A rectangle of a mosaic's cells."""

    first_row: int
    first_column: int
    n_row: int
    n_column: int

    @property
    def slices(self) -> tuple[slice, slice]:
        """Rows and columns in the grid."""
        return (
            slice(self.first_row, self.first_row + self.n_row),
            slice(self.first_column, self.first_column + self.n_column),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class MosaicGrid:
    """A north-up grid of square cells in a projected system.

    Parameters
    ----------
    epsg : int
    west_m, north_m : float
        Outer corner of the first cell, in the projection's eastings and northings. [m]
    cell_m : float
    n_row, n_column : int
    wkt : str
        The system as well-known text, in the older form that most readers know.
    cf : mapping
        The system as attributes of a CF grid mapping.
    """

    epsg: int
    west_m: float
    north_m: float
    cell_m: float
    n_row: int
    n_column: int
    wkt: str = ""
    cf: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not (np.isfinite(self.cell_m) and self.cell_m > 0):
            raise ParameterError(f"cell_m is {self.cell_m!r}; allowed: a length above 0.")
        if self.n_row < 1 or self.n_column < 1:
            raise ParameterError(f"the grid has {self.n_row} x {self.n_column} cells; allowed: one or more.")

    @property
    def x_m(self) -> NDArray[np.float64]:
        """Eastings of the columns' centres, ascending. [m]"""
        return self.west_m + (np.arange(self.n_column) + 0.5) * self.cell_m

    @property
    def y_m(self) -> NDArray[np.float64]:
        """Northings of the rows' centres, descending. [m]"""
        return self.north_m - (np.arange(self.n_row) + 0.5) * self.cell_m

    @property
    def geotransform(self) -> tuple[float, float, float, float, float, float]:
        """Six numbers that lead from (column, row) of cell corners to (x, y)."""
        return (self.west_m, self.cell_m, 0.0, self.north_m, 0.0, -self.cell_m)

    def blocks(self, size: int = CHUNK) -> Iterator[Block]:
        """Yield all blocks of ``size`` by ``size`` cells, row by row; the last ones may be smaller."""
        for row in range(0, self.n_row, size):
            for column in range(0, self.n_column, size):
                yield Block(row, column, min(size, self.n_row - row), min(size, self.n_column - column))


class MosaicWriter:
    """Write a mosaic block by block; use it in a ``with`` block.

    The file is made under a temporary name and takes its own once it is whole; when the block ends by an exception
    nothing stays. Equal blocks give equal bytes if they come in the same order.

    Parameters
    ----------
    path : str or path
    grid : MosaicGrid
    title : str
    calibrated : bool
        Whether levels are absolute.
    provenance : mapping
        Plain values that JSON can hold.
    attributes : mapping, optional
        Further attributes of the root: text and numbers.
    overwrite : bool
        Replace what is there.
    durable : bool
        Wait for the disk before the file takes its name.

    Raises
    ------
    ParameterError
        If something is there already, or a value isn't allowed.
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        grid: MosaicGrid,
        *,
        title: str = "",
        calibrated: bool,
        provenance: Mapping[str, Any],
        attributes: Mapping[str, Any] | None = None,
        overwrite: bool = False,
        durable: bool = True,
    ) -> None:
        self.path, self.grid = Path(path), grid
        if self.path.exists() and not overwrite:
            raise ParameterError(f"{self.path} exists; allowed: a new name. Give another or overwrite=True.")
        if not self.path.parent.is_dir():
            raise ParameterError(f"{self.path.parent} is no folder; allowed: an existing one. Make it first.")
        self._durable = durable
        self._n_block = 0
        self._part = part_path(self.path)
        root = {
            "Conventions": "CF-1.11",
            "pingloom_format": FORMAT,
            "format_version": FORMAT_VERSION,
            "title": title,
            "calibrated": "yes" if calibrated else "no",
            "cell": float(grid.cell_m),
            "provenance": json_text(provenance),
            **(attributes or {}),
        }
        self._file = create_grid_file(self.path)
        try:
            put_attributes(self._file, root)
            scales = (self._scale("y", grid.y_m, "north"), self._scale("x", grid.x_m, "east"))
            self._put_crs()
            self._layers = {
                name: grid_layer(
                    self._file,
                    name,
                    dtype,
                    scales,
                    _OWN_WORDS.get(name, {}) | {"grid_mapping": "crs"},
                    calibrated=calibrated,
                )
                for name, dtype in MOSAIC_LAYERS.items()
            }
        except BaseException:
            self._drop()
            raise

    def write(self, block: Block, layers: Mapping[str, NDArray[Any]]) -> None:
        """Write a block of all layers but ``backscatter``, which is made of the intensity.

        ``noise_equivalent`` is linear here. Blocks that nothing reached are left out.
        """
        if not np.isfinite(layers["intensity"]).any():
            return
        stored = {name: values for name, values in layers.items() if name != "noise_equivalent"}
        stored["backscatter"] = decibel(layers["intensity"])
        stored["noise_equivalent_backscatter"] = decibel(layers["noise_equivalent"])
        for name in MOSAIC_LAYERS:
            self._layers[name][block.slices] = stored[name]
        self._n_block += 1

    def close(self) -> None:
        """Give the file its name.

        Raises
        ------
        DataError
            If no block held anything.
        """
        if self._n_block == 0:
            self._drop()
            raise DataError(f"nothing to write to {self.path}: no cell was seen; allowed: one or more.")
        try:
            self._file.close()
            take_name(self.path, durable=self._durable)
        finally:
            self._part.unlink(missing_ok=True)

    def _drop(self) -> None:
        self._file.close()
        self._part.unlink(missing_ok=True)

    def _scale(self, name: str, values: NDArray[np.float64], word: str) -> h5py.Dataset:
        words = {
            "standard_name": f"projection_{name}_coordinate",
            "long_name": f"{word}ing of cell centres",
            "units": "m",
            "axis": name.upper(),
        }
        return axis_scale(self._file, name, values, words)

    def _put_crs(self) -> None:
        crs = self._file.create_dataset("crs", data=np.int32(0), track_times=False)
        cf = {k: v for k, v in self.grid.cf.items() if isinstance(v, (str, int, float))}
        put_attributes(
            crs,
            {
                **{k: float(v) if isinstance(v, int) else v for k, v in cf.items()},
                "spatial_ref": self.grid.wkt,
                "epsg_code": f"EPSG:{self.grid.epsg}",
                "GeoTransform": " ".join(repr(float(v)) for v in self.grid.geotransform),
            },
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type | None, error: BaseException | None, trace: TracebackType | None) -> None:
        if kind is None:
            self.close()
        else:
            self._drop()


_OWN_WORDS = {
    "looks": {
        "long_name": "effective number of independent looks, predicted: sum over strips, averaging over the cell included"
    },
    "coverage": {"long_name": "number of pings averaged, sum over strips"},
    "strips": {"long_name": "number of strips averaged", "units": "1"},
}


def read_mosaic(path: str | os.PathLike[str]) -> Mosaic:
    """Open a mosaic; its layers are read window by window, when asked for.

    Raises
    ------
    DataError
        If it is no mosaic, or damaged, or against its layout.
    """
    return Mosaic(Path(path))


class Mosaic(GridReader):
    """A mosaic, open for reading; use it in a ``with`` block. Made by :func:`read_mosaic`.

    Attributes
    ----------
    shape : tuple of int
        (row, column): rows from north to south, columns from west to east.
    x_m, y_m : ndarray of float64
        Eastings of columns and northings of rows, of cell centres. [m]
    cell_m : float
    epsg : int or None
    """

    def __init__(self, path: Path) -> None:
        super().__init__(path, "mosaic", FORMAT, _READABLE, largest_ratio=_LARGEST_RATIO)

    def _read_header(self) -> None:
        root = self._file.root
        self.x_m = self._coordinate("x")
        self.y_m = self._coordinate("y", sign=-1)
        self.shape = (self.y_m.size, self.x_m.size)
        self.cell_m = self._number("cell")
        code = (root.text("epsg_code", "crs") or "").rpartition(":")[2] if root.has("crs") else ""
        self.epsg = int(code) if code.isdigit() else None
        self.layers = tuple(n for n in root.names() if n not in ("x", "y", "crs"))
        for required in MOSAIC_LAYERS:
            self._data(required)
