"""From local north and east to a map projection, by PROJ, with convergence and scale honoured.

North and east are metres on the local tangent plane of a geodetic origin, as the navigation gives them, on
WGS 84. Over the few kilometres of a survey line the plane and the ellipsoid differ by less than a millimetre
per kilometre squared; points are placed by the geodesic of their distance and azimuth.
"""

from __future__ import annotations

from functools import cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pingloom.imaging.errors import ParameterError

__all__ = ["GridFactors", "grid_factors", "to_geodetic", "to_projected", "utm_epsg"]


class GridFactors(NamedTuple):
    """How a projection's grid lies on the ground at one place."""

    convergence_rad: float
    """Grid azimuth is true azimuth minus this. [rad]"""
    scale: float
    """Grid distance over ground distance."""


def _degrees(latitude_deg: float, longitude_deg: float) -> tuple[float, float]:
    latitude, longitude = float(latitude_deg), float(longitude_deg)
    if not -90 <= latitude <= 90:
        raise ParameterError(
            f"latitude_deg is {latitude:g}; allowed: from -90 to 90. Is it swapped with longitude?"
        )
    if not -180 <= longitude <= 360:
        raise ParameterError(f"longitude_deg is {longitude:g}; allowed: from -180 to 360. Use degrees east.")
    return latitude, longitude


def utm_epsg(latitude_deg: float, longitude_deg: float) -> int:
    """EPSG code of the UTM zone of a place: 326zz north of the equator and on it, 327zz south.

    The grid's widened zones (32V; 31X, 33X, 35X, 37X) are honoured.

    Raises
    ------
    ParameterError
        If the place is no place, or beyond 84 degrees north or 80 south, where UTM ends.
    """
    latitude, longitude = _degrees(latitude_deg, longitude_deg)
    if not -80 <= latitude <= 84:
        raise ParameterError(
            f"latitude_deg is {latitude:g}; allowed for UTM: from -80 to 84. Choose a polar system."
        )
    east = (longitude + 180) % 360 - 180
    zone = int((east + 180) // 6) + 1
    if 56 <= latitude < 64 and 3 <= east < 12:
        zone = 32
    elif latitude >= 72 and 0 <= east < 42:
        zone = 31 + 2 * int(np.searchsorted([9, 21, 33], east, side="right"))
    return (32600 if latitude >= 0 else 32700) + zone


@cache
def _transformer(epsg: int) -> Any:
    import pyproj

    # always_xy: longitude first, whatever the register says of axis order.
    return pyproj.Transformer.from_crs(4326, epsg, always_xy=True)


@cache
def _ellipsoid() -> Any:
    import pyproj

    return pyproj.Geod(ellps="WGS84")


def to_geodetic(
    latitude_deg: float, longitude_deg: float, north_m: ArrayLike, east_m: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Latitude and longitude of points north and east of an origin. [deg]

    Parameters
    ----------
    latitude_deg, longitude_deg : float
        Of the origin. [deg]
    north_m, east_m : array_like
        From the origin, true north. [m]
    """
    latitude, longitude = _degrees(latitude_deg, longitude_deg)
    north, east = np.broadcast_arrays(np.asarray(north_m, np.float64), np.asarray(east_m, np.float64))
    distance, azimuth = np.hypot(north, east), np.degrees(np.arctan2(east, north))
    start = np.full(north.shape, longitude), np.full(north.shape, latitude)
    found_longitude, found_latitude, _ = _ellipsoid().fwd(*start, azimuth, distance)
    return np.asarray(found_latitude), np.asarray(found_longitude)


def to_projected(
    latitude_deg: float,
    longitude_deg: float,
    north_m: ArrayLike = 0.0,
    east_m: ArrayLike = 0.0,
    epsg: int | None = None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Easting and northing of points north and east of an origin. [m]

    Parameters
    ----------
    latitude_deg, longitude_deg : float
        Of the origin. [deg]
    north_m, east_m : array_like
        From the origin, true north. [m]
    epsg : int, optional
        Projected system; default the origin's UTM zone.

    Returns
    -------
    tuple of ndarray of float64
        Easting, northing.
    """
    latitude, longitude = to_geodetic(latitude_deg, longitude_deg, north_m, east_m)
    code = utm_epsg(latitude_deg, longitude_deg) if epsg is None else epsg
    easting, northing = _transformer(code).transform(longitude, latitude)
    return np.asarray(easting), np.asarray(northing)


def grid_factors(latitude_deg: float, longitude_deg: float, epsg: int | None = None) -> GridFactors:
    """Convergence and scale of a projection's grid at a place."""
    import pyproj

    latitude, longitude = _degrees(latitude_deg, longitude_deg)
    code = utm_epsg(latitude, longitude) if epsg is None else epsg
    factors = pyproj.Proj(code).get_factors(longitude, latitude)
    return GridFactors(
        convergence_rad=float(np.radians(factors.meridian_convergence)), scale=float(factors.meridional_scale)
    )
