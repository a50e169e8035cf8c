"""Tiles for recognition programs: counts, places, statistics, index, folder."""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from pingloom.bench.tiling import export_tiles
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.records import Quality
from pingloom.io.product import read_product
from pingloom.io.tiles import CountMapping
from tests.unit.mosaic_samples import CELLS, EAST_M, EPSG, NORTH_M, georeference, strip, uniform

HEADING = 0.6


def image_of(path) -> np.ndarray:
    from PIL import Image

    with Image.open(path) as opened:
        return np.asarray(opened)


def table(path) -> list[dict[str, str]]:
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def exponential(shape):
    return np.random.default_rng(4).gamma(5, 0.2, size=shape)


@pytest.fixture(scope="module")
def product(tmp_path_factory):
    return strip(
        tmp_path_factory.mktemp("strip") / "a.nc",
        uniform(0.01),
        place=georeference(heading_rad=HEADING),
        speckle=exponential,
        looks=5.0,
        noise=1e-5,
        cells=CELLS,
        flags=Quality.FEW_LOOKS,
    )


@pytest.mark.parametrize("bits", [8, 16])
def test_counts_say_the_level_to_half_a_step(bits):
    mapping = CountMapping(low_db=-40, high_db=-10, bits=bits)
    level = np.linspace(-45, -5, 1001)
    counts = mapping.counts(10 ** (level / 10))
    assert counts.dtype == (np.uint8 if bits == 8 else np.uint16)
    assert (counts[0], counts[-1]) == (1, 2**bits - 1)
    inside = (level > -40) & (level < -10)
    assert_allclose(mapping.level_db(counts)[inside], level[inside], atol=mapping.step_db / 2 + 1e-9)
    assert mapping.step_db == pytest.approx(30 / (2**bits - 2))
    assert_array_equal(mapping.counts(np.array([np.nan, 0.0, -1.0])), [0, 1, 1])
    assert np.isnan(mapping.level_db(np.zeros(1, counts.dtype)))[0]


@pytest.mark.parametrize(("bits", "suffix"), [(8, ".png"), (16, ".png"), (8, ".tif"), (16, ".tif")])
def test_tiles_show_the_products_own_pixels(tmp_path, product, bits, suffix):
    import tifffile

    run = export_tiles(
        product, tmp_path / "t", size=128, overlap=32, bits=bits, mapping_db=(-30, -10), suffix=suffix
    )
    with read_product(product) as strip_file:
        level = strip_file.read("intensity")[::-1]  # forward up
    rows = table(tmp_path / "t" / "index.csv")
    assert len(rows) == run.n_tile == 3 * 8
    covered = np.zeros(level.shape, int)
    for entry in rows:
        path = tmp_path / "t" / entry["tile"]
        counts = image_of(path) if suffix == ".png" else tifffile.imread(path)
        assert counts.shape == (128, 128)
        r, c = int(entry["row"]), int(entry["column"])
        wanted = level[r : r + 128, c : c + 128]
        assert_array_equal(counts, CountMapping(low_db=-30, high_db=-10, bits=bits).counts(wanted))
        assert float(entry["seen_share"]) == pytest.approx(np.isfinite(wanted).mean(), abs=1e-5)
        covered[r : r + 128, c : c + 128] += 1
    assert covered.min() == 1
    assert covered.max() > 1
    # The last tile ends with the strip.
    assert max(int(e["row"]) for e in rows) == 300 - 128


def test_places_in_index_and_files_agree_with_the_strip(tmp_path, product):
    import pyproj
    import rasterio

    export_tiles(product, tmp_path / "t", size=100, suffix=".tif")
    about = json.loads((tmp_path / "t" / "tiles.json").read_text())
    assert about["epsg"] == EPSG
    shapes = json.loads((tmp_path / "t" / "index.geojson").read_text())["features"]
    to_map = pyproj.Transformer.from_crs(4326, EPSG, always_xy=True)
    for entry, shape in zip(about["tiles"], shapes, strict=True):
        a = entry["affine"]
        along = entry["along_max_m"] - 10 * 0.1
        across = entry["across_min_m"] + 40 * 0.05
        x = EAST_M + along * np.sin(HEADING) + across * np.cos(HEADING)
        y = NORTH_M + along * np.cos(HEADING) - across * np.sin(HEADING)
        assert_allclose((a[0] + a[1] * 40 + a[2] * 10, a[3] + a[4] * 40 + a[5] * 10), (x, y), atol=1e-6)
        with rasterio.open(tmp_path / "t" / entry["name"]) as file:
            assert file.crs.to_epsg() == EPSG
            t = file.transform
            assert_allclose((t.a * 40 + t.b * 10 + t.c, t.d * 40 + t.e * 10 + t.f), (x, y), atol=1e-6)
            assert file.nodata == 0
        ring = np.array(shape["geometry"]["coordinates"][0])
        assert_array_equal(ring[0], ring[-1])
        rx, ry = to_map.transform(*ring[:4].T)
        corners = [
            (a[0] + a[1] * c + a[2] * r, a[3] + a[4] * c + a[5] * r)
            for c, r in ((0, 100), (100, 100), (100, 0), (0, 0))
        ]
        assert_allclose(np.stack([rx, ry], -1), corners, atol=2e-4)  # nine decimals of a degree
        turn = np.sum(ring[:-1, 0] * ring[1:, 1] - ring[1:, 0] * ring[:-1, 1])
        assert turn > 0  # counterclockwise


def test_statistics_are_those_of_the_tile(tmp_path, product):
    run = export_tiles(product, tmp_path / "t", size=200, mapping_db=(-30, -10), masks=True)
    about = json.loads((tmp_path / "t" / "tiles.json").read_text())
    whole = [e for e in about["tiles"] if e["seen_share"] == 1]
    assert whole
    for entry in whole:
        # 40 000 independent pixels of 5 looks: half a per cent and 3 per cent.
        assert entry["level_db"] == pytest.approx(-20, abs=0.1)
        assert entry["speckle_contrast"] == pytest.approx(5**-0.5, rel=0.03)
        assert entry["enl_measured"] == pytest.approx(5, rel=0.06)
        assert (entry["looks_predicted"], entry["pings"]) == (5, 11)
        assert entry["noise_equivalent_db"] == pytest.approx(-50, abs=1e-4)
        assert (entry["few_looks_share"], entry["gap_filled_share"]) == (1, 0)
        mask = image_of(tmp_path / "t" / entry["name"].replace(".png", "-quality.png"))
        assert (mask == Quality.FEW_LOOKS).all()
    assert about["mapping"]["low_db"] == -30
    assert about["recording_bytes"] == run.recording_bytes == 9_000_000
    files = sum(p.stat().st_size for p in (tmp_path / "t").glob("*.png"))
    assert about["images_bytes"] == run.n_byte == files
    assert about["reduction"] == pytest.approx(9e6 / files)


def test_square_pixels_are_means_over_their_area(tmp_path, product):
    import tifffile

    # Far above the fluctuation, so that counts resolve the mean: 16 bits.
    run = export_tiles(
        product, tmp_path / "t", size=64, cell_m=0.2, bits=16, mapping_db=(-25, -15), suffix=".tif"
    )
    assert run.pixel_m == (0.2, 0.2)
    with read_product(product) as file:
        level = file.read("intensity")[::-1]
    means = level[:128, :256].reshape(64, 2, 64, 4).mean(axis=(1, 3))
    got = run.mapping.level_db(tifffile.imread(tmp_path / "t" / "tile-0000000-000000.tif"))
    assert_allclose(got, 10 * np.log10(means), atol=run.mapping.step_db)
    entry = json.loads((tmp_path / "t" / "tiles.json").read_text())["tiles"][0]
    # Averaging adds looks; how many, the test of mosaics measures.
    assert entry["looks_predicted"] > 5 * 1.5


def test_a_strip_smaller_than_a_tile_is_filled_up_as_not_seen(tmp_path):
    small = strip(tmp_path / "a.nc", uniform(0.1), length_m=3, reach_m=2, gap_m=0)
    export_tiles(small, tmp_path / "t", size=128)
    counts = image_of(tmp_path / "t" / "tile-0000000-000000.png")
    assert (counts[:30, :80] > 0).all()
    assert (counts[30:] == 0).all()
    assert (counts[:, 80:] == 0).all()


def test_equal_exports_give_equal_bytes(tmp_path, product):
    for name in "ab":
        export_tiles(product, tmp_path / name, size=256, masks=True)
    for path in (tmp_path / "a").iterdir():
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes(), path.name


def test_a_folder_is_replaced_only_if_it_holds_tiles_and_only_when_told(tmp_path, product):
    target = tmp_path / "t"
    target.mkdir()
    export_tiles(product, target, size=256)  # an empty folder is free
    before = sorted(p.name for p in target.iterdir())
    with pytest.raises(ParameterError, match="exists; allowed: a new name"):
        export_tiles(product, target, size=128)
    export_tiles(product, target, size=300, overwrite=True)
    assert sorted(p.name for p in target.iterdir()) != before
    mine = tmp_path / "mine"
    mine.mkdir()
    (mine / "letter.txt").write_text("dear")
    with pytest.raises(ParameterError, match="isn't what this command makes"):
        export_tiles(product, mine, size=256, overwrite=True)
    assert (mine / "letter.txt").read_text() == "dear"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["mine", "t"]


def test_what_can_not_be_cut_is_refused_and_leaves_nothing(tmp_path, product):
    target = tmp_path / "t"
    for given, words in (
        ({"size": 8}, "tiles is 8; allowed: 16 to 4096"),
        ({"size": 64, "overlap": 40}, "overlap is 40; allowed: 0 to half a tile, 32"),
        ({"size": 64, "mapping_db": (-10, -30)}, "mapping is -10 to -30 dB"),
        ({"size": 64, "cell_m": -1.0}, "cell is -1 m"),
    ):
        with pytest.raises(ParameterError, match=words):
            export_tiles(product, target, **given)
    dark = strip(tmp_path / "dark.nc", uniform(np.nan))
    with pytest.raises(DataError, match="no tile for"):
        export_tiles(dark, target, size=64, mapping_db=(-30, -10))
    with pytest.raises(DataError, match="no pixel stands above the noise"):
        export_tiles(dark, target, size=64)
    assert [p.name for p in tmp_path.iterdir()] == ["dark.nc"]


def test_tiles_without_a_place_have_no_geojson(tmp_path):
    lost = strip(tmp_path / "a.nc", uniform(0.1), length_m=6, reach_m=4)
    import h5py

    with h5py.File(lost, "r+") as file:
        for name in list(file["strip"].attrs):
            del file["strip"].attrs[name]
    export_tiles(lost, tmp_path / "t", size=64)
    assert not (tmp_path / "t" / "index.geojson").exists()
    (entry, *_) = table(tmp_path / "t" / "index.csv")
    assert entry["a0"] == entry["lon0"] == ""


def test_an_outline_across_the_date_line_is_cut_there():
    from pingloom.io.tiles import _outline

    whole = _outline([(10.0, 1.0), (11.0, 1.0), (11.0, 2.0), (10.0, 2.0)])
    assert whole["type"] == "Polygon"
    assert whole["coordinates"][0][0] == whole["coordinates"][0][-1] == [10.0, 1.0]
    cut = _outline([(179.0, -41.0), (-178.0, -41.0), (-178.0, -40.0), (179.0, -40.0)])
    assert cut["type"] == "MultiPolygon"
    areas = []
    for (ring,) in cut["coordinates"]:
        x, y = np.array(ring).T
        assert ring[0] == ring[-1]
        assert np.ptp(x) <= 2
        assert np.abs(x).max() == 180
        areas.append(0.5 * np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]))
    assert areas == pytest.approx([1.0, 2.0]), (
        "counterclockwise, one degree west of the line and two east of it"
    )
