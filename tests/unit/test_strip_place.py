"""A strip's straight axes against the projection itself, point by point."""

from __future__ import annotations

import numpy as np
import pytest

from pingloom.bench.strip_place import strip_georeference
from pingloom.imaging.frames import StripFrame

FRAME = StripFrame(250.0, -400.0, np.deg2rad(35.0))
LONGEST_M = 5000.0
FAR_M = 80.0


def projected(origin: tuple[float, float], along: np.ndarray, across: np.ndarray, epsg: int) -> np.ndarray:
    """Easting and northing by another way: geocentric coordinates of the tangent plane's geodesic, then PROJ."""
    import pyproj

    c, s = np.cos(FRAME.heading_rad), np.sin(FRAME.heading_rad)
    north, east = FRAME.north_m + along * c - across * s, FRAME.east_m + along * s + across * c
    line = f"+proj=aeqd +lat_0={origin[0]} +lon_0={origin[1]} +ellps=WGS84 +units=m"
    between = pyproj.Transformer.from_crs(pyproj.CRS.from_proj4(line), epsg, always_xy=True)
    return np.stack(between.transform(east, north))


@pytest.mark.parametrize("origin", [(61.0, 5.8), (-33.0, 151.2), (2.0, 9.0)])
def test_a_long_strip_lies_where_the_projection_says_within_its_stated_residual(origin):
    place = strip_georeference(*origin, FRAME, (-10.0, LONGEST_M), (-FAR_M, FAR_M))
    along = np.random.default_rng(1).uniform(-10, LONGEST_M, 400)
    across = np.random.default_rng(2).uniform(-FAR_M, FAR_M, 400)
    true = projected(origin, along, across, place.epsg)
    got = np.stack([v[0] + v[1] * along + v[2] * across for v in (place.x_m, place.y_m)])
    worst = np.hypot(*(got - true)).max()
    # Random places seldom hit the worst one, the strip's ends; PROJ's azimuthal equidistant and the geodesic agree to
    # a tenth of a millimetre here.
    assert 0.6 * place.residual_m - 2e-4 < worst < place.residual_m + 2e-4
    assert place.residual_m < 0.025


def test_a_map_from_the_first_hundred_metres_would_be_off_several_times_as_far():
    near = strip_georeference(61.0, 5.8, FRAME, (0.0, 100.0), (-FAR_M, FAR_M))
    whole = strip_georeference(61.0, 5.8, FRAME, (0.0, LONGEST_M), (-FAR_M, FAR_M))
    true = projected((61.0, 5.8), np.array([LONGEST_M]), np.array([0.0]), near.epsg)[:, 0]
    off = np.hypot(
        *(np.array([near.x_m[0] + near.x_m[1] * LONGEST_M, near.y_m[0] + near.y_m[1] * LONGEST_M]) - true)
    )
    assert off > 5 * whole.residual_m
    assert near.residual_m < 1e-4


def test_beyond_the_zones_there_is_no_place():
    assert strip_georeference(86.0, 0.0, FRAME, (0.0, 10.0), (-10.0, 10.0)) is None
