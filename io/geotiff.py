"""GeoTIFF: an image of one band with its place on the ground in five tags.

The tags are those of OGC GeoTIFF 1.1 (19-008r4, 2019): 33550 and 33922 for north-up grids, 34264 for turned ones,
34735 for the projected system, and 42113, which most readers take for the value of unseen pixels.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pingloom.imaging.errors import ParameterError

from .hdf5_write import part_path, sync_file

__all__ = ["TILE", "geo_tags", "write_geotiff"]

TILE = 256
"""Rows and columns of a stored tile."""

_LARGEST_CLASSIC = 3.9e9
"""Beyond this many bytes offsets need 64 bits. [byte]"""


def geo_tags(affine: Sequence[float], epsg: int | None, nodata: float | None) -> list[tuple[Any, ...]]:
    """Return TIFF tags that say where an image lies.

    Parameters
    ----------
    affine : sequence of 6 float
        From (column, row) of pixel corners: x = a0 + a1 column + a2 row, y = a3 + a4 column + a5 row.
    epsg : int, optional
        Code of the projected system; None leaves the place out.
    nodata : float, optional
        Value of unseen pixels.

    Returns
    -------
    list of tuple
        As ``tifffile`` takes them in ``extratags``: code, type, count, value, once only.
    """
    tags: list[tuple[Any, ...]] = []
    if epsg is not None:
        a = [float(v) for v in affine]
        if len(a) != 6 or not np.isfinite(a).all():
            raise ParameterError(f"affine is {a}; allowed: 6 finite numbers.")
        if not 1024 <= epsg <= 32767:
            raise ParameterError(f"epsg is {epsg}; allowed here: 1024 to 32767, a projected system's code.")
        if a[2] == a[4] == 0 and a[1] > 0 > a[5]:
            tags.append((33550, "d", 3, (a[1], -a[5], 0.0), True))
            tags.append((33922, "d", 6, (0.0, 0.0, 0.0, a[0], a[3], 0.0), True))
        else:
            matrix = (a[1], a[2], 0.0, a[0], a[4], a[5], 0.0, a[3], *(0.0,) * 4, 0.0, 0.0, 0.0, 1.0)
            tags.append((34264, "d", 16, matrix, True))
        # Version 1.1, four keys: projected, pixels are areas, the system's code, lengths in metres.
        keys = (1, 1, 1, 4, 1024, 0, 1, 1, 1025, 0, 1, 1, 3072, 0, 1, epsg, 3076, 0, 1, 9001)
        tags.append((34735, "H", len(keys), keys, True))
    if nodata is not None:
        text = "nan" if np.isnan(nodata) else f"{nodata:g}"
        tags.append((42113, "s", 0, text, True))
    return tags


def write_geotiff(
    path: str | os.PathLike[str],
    image: ArrayLike | Iterable[NDArray[Any]],
    *,
    affine: Sequence[float],
    epsg: int | None,
    nodata: float | None = None,
    shape: tuple[int, int] | None = None,
    dtype: Any = None,
    about: Mapping[str, Any] | None = None,
    overwrite: bool = False,
) -> Path:
    """Write one band; equal input gives equal bytes.

    Parameters
    ----------
    path : str or path
    image : array_like of shape (row, column), or iterable of ndarray
        The whole image, or its tiles of ``TILE`` by ``TILE`` row by row, the last ones filled up: then ``shape`` and
        ``dtype`` are needed, and only one tile is in memory at a time.
    affine, epsg, nodata
        As for :func:`geo_tags`.
    about : mapping, optional
        What the image is, kept as JSON in its description.
    overwrite : bool
        Replace what is there.

    Raises
    ------
    ParameterError
        If something is there already, or a value isn't allowed.
    """
    import tifffile

    path = Path(path)
    if path.exists() and not overwrite:
        raise ParameterError(f"{path} exists; allowed: a new name. Give another name or overwrite=True.")
    if not path.parent.is_dir():
        raise ParameterError(f"{path.parent} is no folder; allowed: an existing one. Make it first.")
    streamed = shape is not None
    data = image if streamed else np.asarray(image)
    shape = tuple(shape) if streamed else data.shape
    dtype = np.dtype(dtype if streamed else data.dtype)
    if len(shape) != 2 or min(shape) < 1:
        raise ParameterError(f"image has shape {shape}; allowed: (row, column).")
    part = part_path(path)
    options: dict[str, Any] = {"tile": (TILE, TILE)} if streamed else {"rowsperstrip": 64}
    if streamed:
        options |= {"shape": shape, "dtype": dtype}
    try:
        large = np.prod(shape, dtype=np.float64) * dtype.itemsize > _LARGEST_CLASSIC
        with tifffile.TiffWriter(part, bigtiff=bool(large)) as file:
            file.write(
                data,
                photometric="minisblack",
                compression="zlib",
                metadata=None,
                # TIFF text is 7-bit.
                description=json.dumps(dict(about or {}), sort_keys=True, ensure_ascii=True),
                software="pingloom",
                extratags=geo_tags(affine, epsg, nodata),
                **options,
            )
        sync_file(part)
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)
    return path
