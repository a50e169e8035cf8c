"""Mosaics of strips of known content: level, place, looks, seams, gaps, memory, bytes."""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import h5py
import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy import ndimage

from pingloom.bench._speckle_cells import SpeckleCells, averaging_gain
from pingloom.bench.measure.speckle import enl
from pingloom.bench.mosaic_files import listed, write_mosaic
from pingloom.bench.mosaic_levels import even_levels, strip_levels_db
from pingloom.bench.mosaic_plan import MosaicPlan, plan_mosaic
from pingloom.bench.mosaicking import mosaic_blocks
from pingloom.bench.seams import Seam, Tally
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.records import Quality
from tests.unit.mosaic_samples import CELLS, EAST_M, EPSG, NORTH_M, georeference, pattern, strip, uniform


def laid(plan: MosaicPlan, tally: Tally | None = None) -> dict[str, np.ndarray]:
    """The whole mosaic in memory."""
    shape = plan.grid.n_row, plan.grid.n_column
    out: dict[str, np.ndarray] = {"quality": np.full(shape, Quality.NOT_SEEN, np.uint8)}
    for block, layers in mosaic_blocks(plan, tally):
        for name, values in (layers or {}).items():
            fill = np.nan if values.dtype.kind == "f" else 0
            out.setdefault(name, np.full(shape, fill, values.dtype))[block.slices] = values
    return out


@pytest.mark.parametrize("heading_deg", [0.0, 33.0, 200.0])
@pytest.mark.parametrize("cell_m", [0.04, 0.25])
def test_a_cell_shows_the_seabed_at_its_place(tmp_path, heading_deg, cell_m):
    path = strip(tmp_path / "a.nc", place=georeference(heading_rad=np.deg2rad(heading_deg)), reach_m=12)
    plan = plan_mosaic([path], cell_m=cell_m)
    layers = laid(plan)
    seen = np.isfinite(layers["intensity"])
    wanted = pattern(plan.grid.x_m, plan.grid.y_m[:, None])
    # A pixel of 0.1 m stands for its centre: 0.05 m times the steepest slope of 0.7 a metre, and the curvature.
    assert np.abs(layers["intensity"] - wanted)[seen].max() < 0.05
    assert np.mean((layers["intensity"] - wanted)[seen]) == pytest.approx(0, abs=2e-3)
    assert seen.sum() * cell_m**2 == pytest.approx(2 * 30 * 10, rel=0.02)
    assert_array_equal(seen, layers["quality"] != Quality.NOT_SEEN)
    assert_array_equal(layers["strips"], seen.astype(int))
    assert_allclose(layers["noise_equivalent"][seen], 0.01, rtol=1e-5)
    assert_array_equal(layers["coverage"], np.where(seen, 11, 0))


def test_the_grid_lies_on_whole_multiples_of_the_cell(tmp_path):
    grid = plan_mosaic([strip(tmp_path / "a.nc")]).grid
    assert grid.cell_m == 0.1  # the longer side of a pixel
    assert_allclose(np.array([grid.west_m, grid.north_m]) / grid.cell_m % 1, 0, atol=1e-6)
    assert (grid.x_m[0], grid.y_m[-1]) == pytest.approx((EAST_M - 20 + 0.05, NORTH_M + 0.05))
    assert (np.diff(grid.y_m) < 0).all()


def test_overlaps_are_averaged_by_looks_and_the_seam_is_measured(tmp_path):
    one = strip(tmp_path / "one.nc", uniform(1.0), looks=6.0, gap_m=0.0)
    two = strip(tmp_path / "two.nc", uniform(2.0), looks=2.0, gap_m=0.0, place=georeference(EAST_M + 10))
    plan = plan_mosaic([one, two], cell_m=0.1)
    tally = Tally(plan.grid)
    layers = laid(plan, tally)
    both = layers["strips"] == 2
    assert both.sum() * 0.01 == pytest.approx(30 * 30, rel=0.01)
    assert_allclose(layers["intensity"][both], (6 * 1 + 2 * 2) / 8, rtol=1e-6)
    assert_allclose(layers["looks"][both], 8, rtol=1e-6)
    assert_array_equal(layers["coverage"][both], 22)
    alone = layers["strips"] == 1
    assert set(np.unique(layers["intensity"][alone])) == {1.0, 2.0}
    (seam,) = tally.seams()
    assert abs(seam.level_db) == pytest.approx(10 * np.log10(2), abs=1e-6)
    assert seam.spread_db == pytest.approx(0, abs=1e-5)
    assert seam.area_m2 == pytest.approx(both.sum() * 0.01)
    assert tally.overlap_cells == both.sum()


def test_a_seam_that_changes_along_the_overlap_has_a_spread(tmp_path):
    one = strip(tmp_path / "one.nc", uniform(1.0), gap_m=0.0, length_m=60)
    two = strip(tmp_path / "two.nc", lambda x, y: 10 ** ((y - NORTH_M - 30) / 100), gap_m=0.0, length_m=60)
    plan = plan_mosaic([one, two], cell_m=0.1)
    tally = Tally(plan.grid)
    laid(plan, tally)
    (seam,) = tally.seams()
    # 6 dB from end to end is 1.73 dB rms; blocks of 26 m average some of that.
    assert 1.0 < seam.spread_db < 1.8
    # Mean of 10^(u/100) from -30 to 30 m, in the file's order of strips.
    mean = (10**0.3 - 10**-0.3) / (0.6 * np.log(10))
    assert abs(seam.level_db) == pytest.approx(10 * np.log10(mean), abs=0.01)


def test_a_gap_under_one_vehicle_is_filled_by_another(tmp_path):
    one = strip(tmp_path / "one.nc", uniform(1.0), gap_m=3.0)
    two = strip(tmp_path / "two.nc", uniform(3.0), gap_m=3.0, place=georeference(EAST_M + 10))
    alone, pair = plan_mosaic([one], cell_m=0.1), plan_mosaic([one, two], cell_m=0.1)
    tally = Tally(alone.grid)
    reached = laid(alone, tally)["strips"].any(axis=0)
    assert_array_equal(reached, np.abs(alone.grid.x_m - EAST_M) > 3)
    assert (tally.gap_cells * 0.01, tally.filled_cells) == (pytest.approx(6 * 30, rel=0.01), 0)
    tally = Tally(pair.grid)
    layers = laid(pair, tally)
    assert tally.gap_cells * 0.01 == pytest.approx(2 * 6 * 30, rel=0.01)
    assert tally.filled_cells == tally.gap_cells
    gap = np.abs(pair.grid.x_m - EAST_M) < 2.9
    assert_allclose(layers["intensity"][5:-5][:, gap], 3.0)


def test_flags_stay_with_the_majority_of_looks(tmp_path):
    one = strip(tmp_path / "one.nc", uniform(1.0), looks=6.0, gap_m=0.0, flags=Quality.FEW_LOOKS)
    two = strip(tmp_path / "two.nc", uniform(1.0), looks=2.0, gap_m=0.0, flags=Quality.GAP_FILLED)
    layers = laid(plan_mosaic([one, two], cell_m=0.1))
    assert set(np.unique(layers["quality"])) <= {Quality.FEW_LOOKS, Quality.NOT_SEEN}


# ---- looks -----------------------------------------------------------------------------------------------


def speckle(looks: int, cell_px: tuple[float, float], seed: int):
    """Mean of looks, each the squared envelope of white noise through a square spectrum of 1/cell."""

    def make(shape: tuple[int, int]) -> np.ndarray:
        rng = np.random.default_rng(seed)
        total = np.zeros(shape)
        keep = [np.abs(np.fft.fftfreq(n)) < 0.5 / c for n, c in zip(shape, cell_px, strict=True)]
        for _ in range(looks):
            field = rng.normal(size=(*shape, 2)) @ (1, 1j)
            total += np.abs(np.fft.ifft2(np.fft.fft2(field) * keep[0][:, None] * keep[1])) ** 2
        return total / total.mean()

    return make


@pytest.mark.parametrize("cell_m", [0.02, 0.2, 0.5])
def test_predicted_looks_are_those_measured_on_the_mosaic(tmp_path, cell_m):
    cells = CELLS | {"altitude_m": 0.001, "bandwidth_hz": 5e3}
    # At 20 m: 0.111 m along; 0.15 m across, at any range.
    along_px, across_px = 20 / 300 / 0.6 / 0.04, 0.15 / 0.04
    path = strip(
        tmp_path / "a.nc",
        uniform(1.0),
        place=georeference(heading_rad=0.5),
        length_m=24,
        reach_m=22,
        gap_m=18,
        along_m=0.04,
        across_m=0.04,
        looks=4.0,
        cells=cells,
        speckle=speckle(4, (along_px, across_px), seed=5),
    )
    plan = plan_mosaic([path], cell_m=cell_m)
    layers = laid(plan)
    x, y = np.meshgrid(plan.grid.x_m - EAST_M, plan.grid.y_m - NORTH_M)
    along, across = x * np.sin(0.5) + y * np.cos(0.5), x * np.cos(0.5) - y * np.sin(0.5)
    middle = (np.abs(np.abs(across) - 20) < 1.6) & (along > 0.5) & (along < 23.5)
    if cell_m == 0.02:
        middle &= (np.arange(x.shape[0])[:, None] % 3 == 0) & (np.arange(x.shape[1]) % 3 == 0)
    values = layers["intensity"][middle].astype(float)
    measured = values.mean() ** 2 / values.var()
    predicted = layers["looks"][middle].mean()
    # Cells within 1.6 m of 20 m differ in length by 8 %; about 1500 independent values.
    assert measured == pytest.approx(predicted, rel=0.12)
    assert (predicted > 4.0 * 1.5) == (cell_m > 0.1)


def square_spectrum(*bin_m: tuple[float, float]) -> SpeckleCells:
    return SpeckleCells.of_weights(np.array(bin_m).T, np.ones(256), np.ones(256))


def test_gain_is_one_over_the_mean_correlation_of_all_pairs():
    rng = np.random.default_rng(1)
    for side in (0.05, 0.2, 1.0):
        got = averaging_gain(square_spectrum((0.1, 0.05)), side, 0.4)[0]
        a, b = (rng.uniform(-side / 2, side / 2, (2, 400_000)) for _ in range(2))
        u, v = (a - b)[0], (a - b)[1]
        along, across = u * np.cos(0.4) - v * np.sin(0.4), u * np.sin(0.4) + v * np.cos(0.4)
        rho = np.sinc(along / 0.1) ** 2 * np.sinc(across / 0.05) ** 2
        # Four standard errors of 400 000 pairs; the quadrature errs by less.
        assert 1 / got == pytest.approx(rho.mean(), abs=4 * rho.std() / 632 + 0.01 * rho.mean())


def test_gain_is_one_for_small_cells_and_the_number_of_cells_for_large_ones():
    cells = square_spectrum((0.1, 0.05), (np.nan, 0.05))
    small, large = averaging_gain(cells, 1e-3), averaging_gain(cells, 4.0)
    assert small[0] == pytest.approx(1, abs=1e-3)
    # In the limit area over cell; tails of sinc^2 and the edge cost a few per cent.
    assert large[0] == pytest.approx(4 / 0.1 * 4 / 0.05, rel=0.05)
    assert (small[1], large[1]) == (1, 1)


def test_small_cells_invent_no_looks(tmp_path):
    path = strip(tmp_path / "a.nc", uniform(1.0), speckle=speckle(3, (3, 3), seed=2), along_m=0.05, gap_m=0.0)
    for cell_m in (0.05, 0.02):
        layers = laid(plan_mosaic([path], cell_m=cell_m))
        patch = layers["intensity"][20:220, 20:220]
        # 3 looks within the error of some 400 cells; smoothing by interpolation would show as 4 and more.
        assert enl(patch).enl == pytest.approx(3, rel=0.12)


# ---- place -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("latitude", "longitude"), [(60.0, 11.9), (-33.0, 17.9), (1.0, -30.0)])
def test_a_target_lies_where_the_geodesic_says_convergence_included(tmp_path, latitude, longitude):
    import pyproj

    from pingloom.bench.georeference import grid_factors, to_projected, utm_epsg
    from pingloom.io.product import Georeference

    heading, epsg = 0.7, utm_epsg(latitude, longitude)
    c, s = np.cos(heading), np.sin(heading)
    x, y = to_projected(latitude, longitude, 10 * np.array([0, c, -s]), 10 * np.array([0, s, c]), epsg)
    crs = pyproj.CRS.from_epsg(epsg)
    place = Georeference(
        epsg=epsg,
        x_m=(x[0], (x[1] - x[0]) / 10, (x[2] - x[0]) / 10),
        y_m=(y[0], (y[1] - y[0]) / 10, (y[2] - y[0]) / 10),
        wkt=crs.to_wkt("WKT1_GDAL"),
    )
    along, across = 47.03, 18.01
    wx, wy = (v[0] + v[1] * along + v[2] * across for v in (place.x_m, place.y_m))

    def target(px: np.ndarray, py: np.ndarray) -> np.ndarray:
        return 0.01 + np.exp(-(((px - wx) ** 2 + (py - wy) ** 2) / 0.1**2))

    path = strip(tmp_path / "a.nc", target, place=place, length_m=60, along_m=0.06, across_m=0.04)
    plan = plan_mosaic([path], cell_m=0.05)
    image = np.nan_to_num(laid(plan)["intensity"])
    row, column = ndimage.center_of_mass(np.where(image > 0.1, image, 0))
    got = plan.grid.west_m + (column + 0.5) * 0.05, plan.grid.north_m - (row + 0.5) * 0.05
    # The true place by the geodesic of distance and azimuth, by another road than the strip's affine.
    azimuth = np.degrees(heading + np.arctan2(across, along))
    lon, lat, _ = pyproj.Geod(ellps="WGS84").fwd(longitude, latitude, azimuth, np.hypot(along, across))
    true = pyproj.Transformer.from_crs("EPSG:4326", f"EPSG:{epsg}", always_xy=True).transform(lon, lat)
    assert_allclose(got, true, atol=0.5 * 0.05)
    factors = grid_factors(latitude, longitude, epsg)
    if latitude == 60.0:
        # Had convergence been forgotten, the target would lie two metres off.
        assert abs(factors.convergence_rad) * np.hypot(along, across) > 2


def test_another_zone_or_system_moves_every_cell_alike(tmp_path):
    import pyproj

    path = strip(tmp_path / "a.nc", place=georeference(EAST_M + 300_000, NORTH_M))
    plan = plan_mosaic([path], epsg=32732, cell_m=0.1)
    layers = laid(plan)
    seen = np.isfinite(layers["intensity"])
    back = pyproj.Transformer.from_crs(32732, EPSG, always_xy=True)
    x, y = back.transform(*np.meshgrid(plan.grid.x_m, plan.grid.y_m))
    # As in the test of place: half a pixel of 0.1 m on the steepest slope.
    assert np.abs(layers["intensity"] - pattern(x, y))[seen].max() < 0.06
    # 600 km from the zone's middle the scale is some 0.4 % larger.
    assert seen.sum() * 0.01 == pytest.approx(2 * 30 * 18, rel=0.02)


def test_strips_of_two_zones_meet(tmp_path):
    import pyproj

    there = pyproj.Transformer.from_crs(EPSG, 32732, always_xy=True)
    x, y = EAST_M + 326_000, NORTH_M
    ox, oy = there.transform(x, y)
    ax, ay = there.transform(x, y + 10)
    heading = np.arctan2(ax - ox, ay - oy)
    scale = np.hypot(ax - ox, ay - oy) / 10
    # The same strip of seabed, as the neighbouring zone describes it.
    place = georeference(ox, oy, heading, 32732)
    place = type(place)(
        epsg=32732,
        x_m=(ox, scale * np.sin(heading), scale * np.cos(heading)),
        y_m=(oy, scale * np.cos(heading), -scale * np.sin(heading)),
        wkt=place.wkt,
    )

    def bump(px: np.ndarray, py: np.ndarray) -> np.ndarray:
        return 0.1 + np.exp(-(((px - x - 8) ** 2 + (py - y - 12) ** 2) / 0.5**2))

    bx, by = there.transform(x + 8, y + 12)

    def other(px: np.ndarray, py: np.ndarray) -> np.ndarray:
        return 0.1 + np.exp(-(((px - bx) ** 2 + (py - by) ** 2) / (0.5 * scale) ** 2))

    one = strip(tmp_path / "one.nc", bump, place=georeference(x, y))
    two = strip(tmp_path / "two.nc", other, place=place)
    plan = plan_mosaic([one, two], cell_m=0.1)
    assert plan.grid.epsg == EPSG
    tally = Tally(plan.grid)
    image = np.nan_to_num(laid(plan, tally)["intensity"])
    alone = np.nanmax(laid(plan_mosaic([one], cell_m=0.1))["intensity"])
    row, column = ndimage.center_of_mass(np.where(image > 0.3, image - 0.1, 0))
    got = plan.grid.west_m + (column + 0.5) * 0.1, plan.grid.north_m - (row + 0.5) * 0.1
    assert_allclose(got, (x + 8, y + 12), atol=0.03)
    # Had one strip been misplaced by a cell, the peak of both would be lower and the seam not level.
    assert image.max() == pytest.approx(alone, rel=0.02)
    assert abs(tally.seams()[0].level_db) < 0.02


# ---- bytes, memory, refusals -----------------------------------------------------------------------------


def written(paths: list[Path], target: Path, **given) -> bytes:
    plan = plan_mosaic(paths, **given)
    write_mosaic(plan, target, Tally(plan.grid), overwrite=True)
    return target.read_bytes()


def test_equal_strips_give_equal_bytes_in_any_order(tmp_path):
    paths = [
        strip(tmp_path / f"{k}.nc", place=georeference(EAST_M + 9 * k, NORTH_M, 0.3 * k), looks=3 + k)
        for k in range(3)
    ]
    first = written(paths, tmp_path / "m.nc", cell_m=0.2)
    assert written(paths[::-1], tmp_path / "m.nc", cell_m=0.2) == first


def test_memory_stays_small_however_large_the_area(tmp_path):
    def peak(n: int) -> int:
        paths = [
            strip(
                tmp_path / f"{n}-{k}.nc",
                uniform(1.0),
                place=georeference(EAST_M + 25 * (k % 8), NORTH_M + 25 * (k // 8)),
                along_m=0.2,
                across_m=0.2,
            )
            for k in range(n)
        ]
        plan = plan_mosaic(paths, cell_m=0.1)
        tracemalloc.start()
        write_mosaic(plan, tmp_path / "m.nc", Tally(plan.grid, picture_px=200), overwrite=True)
        size = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        (tmp_path / "m.nc").unlink()
        return size

    few, many = peak(8), peak(48)
    # Six times the area: what grows is axes, headers, seams; one layer of the whole area would be 13 MB alone.
    assert many < few + 3_000_000


def test_where_strips_came_from_fits_a_header_however_many_they_are():
    recordings = [
        {"name": f"line-{k // 3}", "sha256": f"{k // 3:064x}", "files": [{"bytes": 1}]} for k in range(1200)
    ]
    files = [f"survey-{k}.nc" for k in range(1200)]
    few = listed(files[:6], recordings[:6])
    assert [s["file"] for s in few["strips"]] == files[:6]
    assert [r["name"] for r in few["recordings"]] == ["line-0", "line-1"]
    many = listed(files, recordings)
    assert many["strips"] == 1200
    assert many != listed(files[::-1], recordings)
    assert listed(["a"], [None]) == {"strips": [{"file": "a", "recording": ""}], "recordings": []}


def test_strips_that_do_not_go_together_are_refused(tmp_path):
    one = strip(tmp_path / "one.nc")
    same = strip(tmp_path / "same.nc", name="one.nc")
    broad = strip(tmp_path / "broad.nc", method="broadside")
    loose = strip(tmp_path / "loose.nc", calibrated=False)
    for other, words in (
        (one, "are the same strip; allowed: each once"),
        (same, "are the same strip; allowed: each once"),
        (broad, "was imaged by '"),
        (loose, "aren't both calibrated"),
    ):
        with pytest.raises(ParameterError, match=words):
            plan_mosaic([one, other])
    with pytest.raises(ParameterError, match="no product was given"):
        plan_mosaic([])
    with pytest.raises(
        ParameterError, match=r"epsg is 4326 \(WGS 84\); allowed: projected systems in metres"
    ):
        plan_mosaic([one], epsg=4326)
    with pytest.raises(ParameterError, match="epsg is 1; allowed: a code of the EPSG register"):
        plan_mosaic([one], epsg=1)
    with pytest.raises(ParameterError, match=r"cell is 0 m; allowed: 0\.001 to 10000"):
        plan_mosaic([one], cell_m=0)
    far = strip(tmp_path / "far.nc", place=georeference(EAST_M + 1e5, NORTH_M + 1e5))
    with pytest.raises(ParameterError, match=r"the grid would have .* Make the cell larger"):
        plan_mosaic([one, far], cell_m=0.1)


def test_a_strip_without_place_and_one_without_echo_are_refused(tmp_path):
    lost = strip(tmp_path / "lost.nc")
    with h5py.File(lost, "r+") as file:
        for name in list(file["strip"].attrs):
            del file["strip"].attrs[name]
    with pytest.raises(DataError, match="isn't tied to a projected system"):
        plan_mosaic([lost])
    dark = strip(tmp_path / "dark.nc", uniform(np.nan))
    plan = plan_mosaic([dark])
    with pytest.raises(DataError, match="no cell was seen"):
        write_mosaic(plan, tmp_path / "m.nc", Tally(plan.grid))
    assert sorted(p.name for p in tmp_path.iterdir()) == ["dark.nc", "lost.nc"]


# ---- where strips overlap --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def three(tmp_path_factory) -> list[Path]:
    """Two strips northward and one westward over one place: levels 1, 2 and 7; looks 8, 4 and 6."""
    folder = tmp_path_factory.mktemp("three")
    return [
        strip(folder / "a.nc", uniform(1.0), looks=8.0, gap_m=0.0),
        strip(folder / "b.nc", uniform(2.0), looks=4.0, gap_m=0.0, place=georeference(EAST_M - 1.0)),
        strip(
            folder / "c.nc",
            uniform(7.0),
            looks=6.0,
            gap_m=0.0,
            place=georeference(EAST_M + 15.0, NORTH_M + 5.0, -np.pi / 2),
        ),
    ]


@pytest.mark.parametrize(
    ("overlap", "level", "looks", "n"),
    [
        ("looks", (8 * 1 + 4 * 2 + 6 * 7) / 18, 18.0, 3),
        # Two look the same way: (8 + 8) / 12 and 7 count alike, their variances of 1/12 and 1/6 over four.
        ("aspect", (16 / 12 + 7) / 2, 4 / (1 / 12 + 1 / 6), 3),
        ("best", 1.0, 8.0, 1),
    ],
)
def test_strips_that_overlap_count_as_was_asked(overlap, level, looks, n, three):
    plan = plan_mosaic(three, cell_m=0.2, overlap=overlap)
    x, y = EAST_M + 8.0, NORTH_M + 12.0
    row, column = int((plan.grid.north_m - y) / 0.2), int((x - plan.grid.west_m) / 0.2)
    for block, layers in mosaic_blocks(plan):
        i, j = row - block.first_row, column - block.first_column
        if 0 <= i < block.n_row and 0 <= j < block.n_column:
            found = {name: values[i, j] for name, values in layers.items()}
    assert found["strips"] == n
    assert found["intensity"] == pytest.approx(level, rel=1e-5)
    assert found["looks"] == pytest.approx(looks, rel=1e-5)
    assert found["noise_equivalent"] == pytest.approx(0.01, rel=1e-5)


def test_another_word_for_overlap_is_refused(three):
    with pytest.raises(ParameterError, match="overlap is 'first'; allowed: looks, aspect, best"):
        plan_mosaic(three, overlap="first")


def test_levels_are_evened_by_the_seams_and_their_mean_is_kept(three):
    even = even_levels(plan_mosaic(three, cell_m=0.2))
    levels = dict(zip([s.path.name for s in even.strips], even.levels_db, strict=True))
    assert sum(levels.values()) == pytest.approx(0, abs=1e-6)
    assert levels["a.nc"] - levels["b.nc"] == pytest.approx(10 * np.log10(2), abs=1e-4)
    assert levels["b.nc"] - levels["c.nc"] == pytest.approx(10 * np.log10(3.5), abs=1e-4)
    tally = Tally(even.grid)
    image = laid(even, tally)["intensity"]
    assert all(abs(seam.level_db) < 1e-4 for seam in tally.seams())
    # The levels' geometric mean holds everywhere.
    assert_allclose(image[np.isfinite(image)], 14 ** (1 / 3), rtol=1e-4)


def test_strips_that_meet_nobody_keep_their_level():
    seam = {"cells": 100, "spread_db": 0.0}
    pairs = [Seam(first=0, second=1, area_m2=5.0, level_db=2.0, **seam)]
    pairs.append(Seam(first=3, second=4, area_m2=5.0, level_db=-1.0, **seam))
    assert_allclose(strip_levels_db(pairs, 6), [1, -1, 0, -0.5, 0.5, 0], atol=1e-8)
    assert strip_levels_db([], 2) == (0.0, 0.0)
