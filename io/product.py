"""Products: gridded images of the seabed, one file a leg.

Examples
--------
::

    with read_product("out/multilook.nc") as product:
        levels_db = product.read("backscatter", rows=slice(0, 500))
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np

from pingloom.imaging.errors import DataError

from . import product_layout as layout
from ._hdf5_checks import DEFLATE_RATIO
from .gridded import GridReader
from .product_layout import Georeference
from .product_writer import ProductWriter

__all__ = ["Georeference", "Product", "ProductWriter", "read_product"]

_NOT_LAYERS = ("along_track", "across_track", "strip")


def read_product(path: str | os.PathLike[str]) -> Product:
    """Open a product; its layers are read window by window, when asked for.

    Raises
    ------
    DataError
        If it is no product, or damaged, or against its layout.
    """
    return Product(Path(path))


class Product(GridReader):
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
        super().__init__(path, "product", layout.FORMAT, layout.READABLE, largest_ratio=DEFLATE_RATIO)

    def _read_header(self) -> None:
        root = self._file.root
        self.along_track_m = self._coordinate("along_track")
        self.across_track_m = self._coordinate("across_track")
        self.shape = (self.along_track_m.size, self.across_track_m.size)
        self.along_m, self.across_m = self._number("cell_along"), self._number("cell_across")
        self.strip_origin_north_m = self._number("strip_origin_north")
        self.strip_origin_east_m = self._number("strip_origin_east")
        self.strip_heading_rad = self._number("strip_heading")
        self.method = root.text("method") or ""
        self.sides = tuple((root.text("sides") or "").split())
        self.settings = root.text("settings") or ""
        self.layers = tuple(n for n in root.names() if n not in _NOT_LAYERS)
        for required in layout.LAYERS:
            self._data(required)

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


_OWN_STRIP = (
    "spatial_ref",
    "epsg_code",
    "strip_to_x",
    "strip_to_y",
    "largest_residual",
    "comment",
    "GeoTransform",
)
