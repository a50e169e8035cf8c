"""Where a leg's strip lies in a projected system: the affine map that fits best over the whole strip."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pingloom.bench.georeference import grid_factors, to_projected, utm_epsg
from pingloom.imaging.frames import StripFrame
from pingloom.io.product_layout import Georeference

__all__ = ["strip_georeference"]

_NODES = 17
"""Points along and across that the map is fitted to and judged by."""


def strip_georeference(
    latitude_deg: float,
    longitude_deg: float,
    frame: StripFrame,
    along_m: tuple[float, float],
    across_m: tuple[float, float],
) -> Georeference | None:
    """The strip in the origin's UTM zone; None beyond the zones.

    Grid north turns and grid scale changes along a line. A map taken from the first hundred metres is off by
    half the square of the length times that change; the map of least squares over all of the strip by a sixth of
    that.
    The largest distance between map and projection is kept as its residual.

    Parameters
    ----------
    latitude_deg, longitude_deg : float
        Of the origin from which north and east count. [deg]
    along_m, across_m : tuple of float
        From where to where the strip reaches. [m]

    Raises
    ------
    ParameterError
        If the origin is no place.
    """
    import pyproj

    if not -80 <= latitude_deg <= 84:
        return None
    epsg = utm_epsg(latitude_deg, longitude_deg)
    grid_factors(latitude_deg, longitude_deg, epsg)  # refuses places where the projection is not valid
    along, across = np.meshgrid(np.linspace(*along_m, _NODES), np.linspace(*across_m, _NODES), indexing="ij")
    c, s = np.cos(frame.heading_rad), np.sin(frame.heading_rad)
    north = frame.north_m + along * c - across * s
    east = frame.east_m + along * s + across * c
    true = np.stack(to_projected(latitude_deg, longitude_deg, north, east, epsg))
    maps, residual = _affine(along, across, true)
    crs = pyproj.CRS.from_epsg(epsg)
    return Georeference(
        epsg=epsg,
        x_m=tuple(maps[0]),
        y_m=tuple(maps[1]),
        wkt=crs.to_wkt("WKT1_GDAL"),
        cf={k: v for k, v in crs.to_cf().items() if isinstance(v, str | int | float)},
        residual_m=residual,
    )


def _affine(
    along: NDArray[np.float64], across: NDArray[np.float64], true: NDArray[np.float64]
) -> tuple[NDArray[np.float64], float]:
    """(2, 3) origin, change along, change across, and the largest distance to ``true`` (2, ...)."""
    base = true.mean(axis=(1, 2))
    terms = np.stack([np.ones(along.size), along.ravel(), across.ravel()], axis=1)
    wanted = (true - base[:, None, None]).reshape(2, -1).T
    found = np.linalg.lstsq(terms, wanted, rcond=None)[0]
    residual = float(np.hypot(*(terms @ found - wanted).T).max())
    found[0] += base
    return found.T, residual
