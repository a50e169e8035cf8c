"""Products: gridded images of the seabed, one file a leg.

Examples
--------
::

    with read_product("out/multilook.nc") as product:
        levels_db = product.read("backscatter", rows=slice(0, 500))
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import h5py
import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.errors import DataError, ParameterError, nearest_name

from . import product_layout as layout
from ._hdf5_checks import DEFLATE_RATIO
from .product_layout import Georeference
from .product_writer import ProductWriter
from .safe_hdf5 import SafeFile

__all__ = ["Georeference", "Product", "ProductWriter", "read_product"]

LARGEST_READ = 4 * 2**30
"""Of one window of one layer. [byte]"""
_NOT_LAYERS = ("along_track", "across_track", "strip")


def read_product(path: str | os.PathLike[str]) -> Product:
    """Open a product; its layers are read window by window, when asked for.

    Raises
    ------
    DataError
        If it is no product, or damaged, or against its layout.
    """
    return Product(Path(path))


class Product:
    """A product, open for reading; use it in a ``with`` block. Made by :func:`read_product`.

    Attributes
    ----------
    path : Path
    shape : tuple of int
        (along, across).
    along_track_m, across_track_m : ndarray of float64
        Centres of rows and columns in the strip. [m]
    along_m, across_m : float
        Cell size. [m]
    strip_origin_north_m, strip_origin_east_m, strip_heading_rad : float
        (north, east) = origin + along (cos h, sin h) + across (-sin h, cos h).
    layers : tuple of str
        Names for :meth:`read`.
    method, title, settings : str
    sides : tuple of str
    calibrated : bool
        Whether levels are absolute.
    provenance : dict
    attributes : dict
        All attributes of the root, as text, numbers and arrays.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._file = SafeFile(path, "a product", largest_ratio=DEFLATE_RATIO)
        try:
            self._read_header()
        except BaseException:
            self._file.close()
            raise

    def _read_header(self) -> None:
        root = self._file.root
        name = root.attribute("pingloom_format")
        if name != layout.FORMAT:
            got = "has no attribute pingloom_format" if name is None else f"has pingloom_format {name!r}"
            raise DataError(
                f"{self.path} {got}; allowed: pingloom_format = 'product'. Give a product's file."
            )
        if root.number("format_version") != layout.FORMAT_VERSION:
            raise DataError(
                f"{self.path} has format_version {root.number('format_version')}; allowed: {layout.FORMAT_VERSION}."
            )
        self.n_byte = self._file.n_byte
        self.along_track_m = self._coordinate("along_track")
        self.across_track_m = self._coordinate("across_track")
        self.shape = (self.along_track_m.size, self.across_track_m.size)
        self.along_m, self.across_m = self._number("cell_along"), self._number("cell_across")
        self.strip_origin_north_m = self._number("strip_origin_north")
        self.strip_origin_east_m = self._number("strip_origin_east")
        self.strip_heading_rad = self._number("strip_heading")
        self.method = root.text("method") or ""
        self.title = root.text("title") or ""
        self.sides = tuple((root.text("sides") or "").split())
        self.calibrated = root.text("calibrated") == "yes"
        self.settings = root.text("settings") or ""
        self.layers = tuple(n for n in root.names() if n not in _NOT_LAYERS)
        for required in layout.LAYERS:
            self._data(required)

    @property
    def attributes(self) -> dict[str, Any]:
        """All attributes of the root."""
        root = self._file.root
        found = {name: root.attribute(name) for name in root.attribute_names()}
        return {k: v.item() if isinstance(v, np.ndarray) and v.size == 1 else v for k, v in found.items()}

    @property
    def provenance(self) -> dict[str, Any]:
        """Versions, identity of the recording and the like."""
        try:
            found = json.loads(self._file.root.text("provenance") or "{}")
        except ValueError as error:
            raise DataError(f"{self.path}: /@provenance isn't JSON; allowed: a JSON object.") from error
        return found if isinstance(found, dict) else {}

    @property
    def georeference(self) -> Georeference | None:
        """How the strip lies in a projected system, None where nobody said."""
        root = self._file.root
        if not root.has("strip"):
            return None
        code, wkt = root.text("epsg_code", "strip"), root.text("spatial_ref", "strip")
        x, y = root.attribute("strip_to_x", "strip"), root.attribute("strip_to_y", "strip")
        miss = root.attribute("largest_residual", "strip")
        if code is None or wkt is None or x is None or y is None:
            return None
        names = [n for n in root.attribute_names("strip") if n not in _OWN_STRIP]
        cf = {n: root.attribute(n, "strip") for n in names}
        try:
            return Georeference(
                epsg=int(code.rpartition(":")[2]),
                x_m=tuple(np.ravel(x)),
                y_m=tuple(np.ravel(y)),
                wkt=wkt,
                cf={n: v if isinstance(v, str) else float(v) for n, v in cf.items() if np.size(v) == 1},
                residual_m=None if miss is None else float(miss),
            )
        except (TypeError, ValueError) as error:
            raise DataError(f"{self.path}: /strip isn't a georeference: {error}") from error

    def read(self, layer: str, rows: slice | None = None, columns: slice | None = None) -> NDArray[Any]:
        """Return a layer or a window of it, (along, across).

        Parameters
        ----------
        layer : str
            One of :attr:`layers`.
        rows, columns : slice, optional
            Of the grid, with a step of 1; by default all.

        Raises
        ------
        ParameterError
            If there is no such layer.
        DataError
            If it is damaged.
        """
        if layer not in self.layers:
            raise ParameterError(f"{self.path.name} has no layer '{layer}'{nearest_name(layer, self.layers)}")
        data = self._data(layer)
        window = tuple(
            slice(*(part or slice(None)).indices(n))
            for part, n in zip((rows, columns), self.shape, strict=True)
        )
        size = np.prod([max(0, w.stop - w.start) for w in window], dtype=object) * data.dtype.itemsize
        if size > LARGEST_READ:
            raise ParameterError(
                f"a window of {size} bytes of '{layer}' is asked for; allowed: {LARGEST_READ}. Read fewer rows at a time."
            )
        with self._file.root.guarding(layer):
            return data[window]

    def _data(self, layer: str) -> h5py.Dataset:
        root = self._file.root
        data = root.dataset(layer, self.shape)
        if data is None:
            raise DataError(f"{root.where(layer)} is missing; allowed: a layer of shape {self.shape}.")
        if data.dtype.kind not in "fiu":
            raise DataError(f"{root.where(layer)} is of type {data.dtype}; allowed: numbers.")
        return data

    def _coordinate(self, name: str) -> NDArray[np.float64]:
        root = self._file.root
        values = root.array(name, "fiu", (None,))
        if values is None:
            raise DataError(f"{root.where(name)} is missing; allowed: ascending coordinates [m].")
        values = values.astype(np.float64)
        if values.size < 1 or not np.isfinite(values).all() or np.any(np.diff(values) <= 0):
            raise DataError(f"{root.where(name)} doesn't ascend; allowed: ascending coordinates [m].")
        return values

    def _number(self, name: str) -> float:
        value = self._file.root.number(name)
        if value is None or not np.isfinite(value):
            raise DataError(f"{self._file.root.where('@' + name)} is {value}; allowed: a finite number.")
        return value

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()


_OWN_STRIP = (
    "spatial_ref",
    "epsg_code",
    "strip_to_x",
    "strip_to_y",
    "largest_residual",
    "comment",
    "GeoTransform",
)
