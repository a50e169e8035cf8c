"""Map projection helpers: zones, round trips, refusals. Single values stand in the evidence table."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pingloom.bench import georeference
from pingloom.imaging.errors import ParameterError


@pytest.mark.parametrize(
    ("latitude", "longitude", "epsg"),
    [(0, 0, 32631), (-1e-9, 3, 32731), (10, -180, 32601), (10, 179.9, 32660), (10, 180, 32601), (10, 359, 32630),
     (60, 2.9, 32631), (60, 3, 32632), (75, 8.9, 32631), (75, 9, 32633), (75, 33, 32637), (75, 42, 32638)],
)  # fmt: skip
def test_zones_follow_the_grid_with_its_widened_ones(latitude, longitude, epsg):
    # UTM zones are 6 degrees wide but for 32V and 31X to 37X: common practice, as the grid's own definition has it.
    assert georeference.utm_epsg(latitude, longitude) == epsg


def test_points_keep_their_distances_but_for_the_scale():
    north, east = np.array([0.0, 120.0, -80.0]), np.array([0.0, 50.0, 300.0])
    easting, northing = georeference.to_projected(42.0, -71.0, north, east)
    scale = georeference.grid_factors(42.0, -71.0).scale
    for i in (1, 2):
        on_grid = np.hypot(easting[i] - easting[0], northing[i] - northing[0])
        assert_allclose(
            on_grid, scale * np.hypot(north[i], east[i]), rtol=1e-6
        )  # the scale changes by 4e-9 a metre, 165 km off the meridian


def test_true_north_is_turned_by_the_convergence():
    easting, northing = georeference.to_projected(42.0, -71.0, [0.0, 50.0], 0.0)
    azimuth = np.arctan2(easting[1] - easting[0], northing[1] - northing[0])
    assert_allclose(azimuth, -georeference.grid_factors(42.0, -71.0).convergence_rad, atol=1e-6)
    assert abs(easting[1] - easting[0]) > 1.1  # left out, this would be the error over 50 m


def test_another_system_may_be_chosen():
    one = georeference.to_projected(42.0, -71.0, 0.0, 0.0, epsg=32619)
    other = georeference.to_projected(42.0, -71.0, 0.0, 0.0, epsg=32618)
    assert abs(one[0] - other[0]) > 1e5


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: georeference.utm_epsg(-71, 421), "longitude_deg is 421"),
        (lambda: georeference.utm_epsg(120, 5), "swapped with longitude"),
        (lambda: georeference.utm_epsg(85, 5), "Choose a polar system"),
    ],
)
def test_no_place_is_refused(call, message):
    with pytest.raises(ParameterError, match=message):
        call()
