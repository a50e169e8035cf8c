"""Contacts: shadows of known length on speckle, and the heights that they tell."""

from __future__ import annotations

import numpy as np
import pytest

from pingloom.bench.contact import Shadow, cut_contact, find_shadow, known_altitude_m, shadow_height_m
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.theory.geometry import shadow_end_m, top_slant_range_m
from pingloom.io.product import read_product
from tests.unit.mosaic_samples import CELLS, EAST_M, NORTH_M, strip, uniform

ALTITUDE = 6.0
AT = 12.0
"""Where the object stands along track. [m]"""


def edges(base_m: float, height_m: float) -> tuple[float, float]:
    """Where a thin upright object's top is drawn and its shadow ends, across track, by theory."""
    top = float(top_slant_range_m(base_m, ALTITUDE, height_m))
    return float(np.sqrt(top**2 - ALTITUDE**2)), float(shadow_end_m(base_m, ALTITUDE, height_m))


def scene(side: str, base_m: float, height_m: float, width_m: float = 1.2):
    """A bright line in front of a shadow, on a seabed that falls off with range."""
    sign = -1 if side == "port" else 1
    start, end = edges(base_m, height_m)

    def level(x, y):
        along, reach = y - NORTH_M, sign * (x - EAST_M)
        value = 0.02 / np.maximum(np.abs(reach), 1) ** 1.5
        beside = np.abs(along - AT) < width_m / 2
        value = np.where(beside & (reach > start - 0.15) & (reach <= start), value * 30, value)
        return np.where(beside & (reach > start) & (reach < end), value * 0.03, value)

    return level, start, end


def six_looks(shape):
    return np.random.default_rng(7).gamma(6, 1 / 6, size=shape)


def made(path, level, side="starboard", **given):
    return strip(
        path,
        level,
        along_m=0.05,
        across_m=0.03,
        gap_m=3.0,
        length_m=24,
        sides=(side,),
        speckle=six_looks,
        cells=CELLS,
        **given,
    )


@pytest.mark.parametrize("side", ["port", "starboard"])
@pytest.mark.parametrize(("base_m", "height_m"), [(8.0, 0.4), (13.0, 0.5), (14.0, 1.2)])
def test_a_shadow_tells_the_height_that_cast_it(tmp_path, side, base_m, height_m):
    level, start, end = scene(side, base_m, height_m)
    place = AT + 0.3, (-1 if side == "port" else 1) * (start - 0.1)
    with read_product(made(tmp_path / "a.nc", level, side)) as product:
        contact = cut_contact(product, place, 10.0)
        shadow = find_shadow(contact, place)
        assert known_altitude_m(product, side) == ALTITUDE
    assert contact.side == side
    assert shadow.whole
    assert shadow.found
    # A pixel is 0.03 m; the level at its edges swings with six looks over some 20 rows.
    assert (shadow.start_m, shadow.end_m) == (pytest.approx(start, abs=0.04), pytest.approx(end, abs=0.04))
    assert shadow.along_m[1] - shadow.along_m[0] == pytest.approx(1.2, abs=0.2)
    assert shadow.level_db == pytest.approx(10 * np.log10(0.03), abs=1)
    height, uncertainty = shadow_height_m(shadow, ALTITUDE, edge_error_m=0.03)
    assert height == pytest.approx(height_m, abs=3 * uncertainty)
    assert uncertainty < 0.02


def test_height_and_its_uncertainty_follow_the_edges():
    shadow = Shadow(start_m=14.0, end_m=15.5, along_m=(0, 1), found=False, level_db=None, whole=True)
    height, uncertainty = shadow_height_m(shadow, 6.0, edge_error_m=0.05)
    assert height == pytest.approx(6 * (np.hypot(15.5, 6) - np.hypot(14, 6)) / np.hypot(15.5, 6))
    rng = np.random.default_rng(1)
    start, end = 14 + 0.05 * rng.normal(size=20_000), 15.5 + 0.05 * rng.normal(size=20_000)
    spread = np.std(6 * (np.hypot(end, 6) - np.hypot(start, 6)) / np.hypot(end, 6))
    assert uncertainty == pytest.approx(spread, rel=0.03)  # 20 000 draws: 0.5 %; linearised
    with pytest.raises(ParameterError, match="altitude is 0 m; allowed: above 0"):
        shadow_height_m(shadow, 0.0)


def test_a_shadow_that_runs_out_of_the_crop_says_so(tmp_path):
    level, start, _ = scene("starboard", 12.0, 1.5)
    with read_product(made(tmp_path / "a.nc", level)) as product:
        shadow = find_shadow(cut_contact(product, (AT, start), 4.0), (AT, start))
    assert not shadow.whole


def test_plain_seabed_has_no_shadow(tmp_path):
    with read_product(made(tmp_path / "a.nc", uniform(0.01))) as product:
        with pytest.raises(DataError, match=r"no shadow was found near 12 m along, 12 m across.*--shadow"):
            find_shadow(cut_contact(product, (12.0, 12.0), 8.0), (12.0, 12.0))
        assert known_altitude_m(product, "port") is None


def test_the_shadow_of_another_object_far_off_is_not_taken(tmp_path):
    level, start, _ = scene("starboard", 8.0, 0.5)
    with read_product(made(tmp_path / "a.nc", level)) as product:
        with pytest.raises(DataError, match="no shadow was found"):
            find_shadow(cut_contact(product, (AT + 5, start + 5), 12.0), (AT + 5, start + 5))


def test_places_outside_the_image_are_refused(tmp_path):
    with read_product(made(tmp_path / "a.nc", uniform(0.01))) as product:
        with pytest.raises(ParameterError, match="the place is 99 m along, 12 m across; allowed: "):
            cut_contact(product, (99.0, 12.0), 8.0)
        with pytest.raises(ParameterError, match=r"size is 0\.1 m; allowed: "):
            cut_contact(product, (12.0, 12.0), 0.1)
