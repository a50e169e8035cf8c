"""Mosaic files and GeoTIFF as independent readers see them."""

from __future__ import annotations

import json
import warnings
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.records import Quality
from pingloom.io.geotiff import TILE, geo_tags, write_geotiff
from pingloom.io.mosaic import MosaicGrid, MosaicWriter, read_mosaic

EPSG = 32733


def grid(n_row: int = 300, n_column: int = 600) -> MosaicGrid:
    from pyproj import CRS

    crs = CRS.from_epsg(EPSG)
    return MosaicGrid(
        epsg=EPSG,
        west_m=412_000.0,
        north_m=6_100_000.5,
        cell_m=0.5,
        n_row=n_row,
        n_column=n_column,
        wkt=crs.to_wkt("WKT1_GDAL"),
        cf=crs.to_cf(),
    )


def layers(shape: tuple[int, int], seed: int = 0) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(seed)
    intensity = rng.exponential(size=shape).astype(np.float32)
    intensity[0, 0] = np.nan
    return {
        "intensity": intensity,
        "looks": np.full(shape, 7, np.float32),
        "noise_equivalent": np.full(shape, 0.1, np.float32),
        "coverage": np.full(shape, 9, np.uint16),
        "quality": np.where(np.isnan(intensity), Quality.NOT_SEEN, 0).astype(np.uint8),
        "strips": np.full(shape, 2, np.uint16),
    }


def write(path: Path, **given) -> dict[str, np.ndarray]:
    """A mosaic of which the middle blocks hold nothing; return its layers."""
    g = grid()
    whole = {
        name: np.full(
            (g.n_row, g.n_column), np.nan if v.dtype.kind == "f" and name != "looks" else 0, v.dtype
        )
        for name, v in layers((1, 1)).items()
    }
    whole["quality"][:] = Quality.NOT_SEEN
    settings = {"calibrated": True, "provenance": {"place": "søk"}, "title": "invented", "durable": False}
    with MosaicWriter(path, g, **settings | given) as file:
        for block in g.blocks():
            made = layers((block.n_row, block.n_column), seed=block.first_row + block.first_column)
            if block.first_column == 256:
                made["intensity"][:] = np.nan
            else:
                for name, values in made.items():
                    whole[name][block.slices] = values
            file.write(block, made)
    return whole


@pytest.mark.parametrize("engine", ["h5netcdf", "netcdf4"])
def test_xarray_reads_layers_coordinates_and_system(tmp_path, engine):
    import xarray

    whole = write(tmp_path / "a.nc")
    with warnings.catch_warnings():
        # A compiled reader built against an older numpy says so when it is imported.
        warnings.filterwarnings("ignore", message="numpy.ndarray size changed")
        data = xarray.open_dataset(tmp_path / "a.nc", engine=engine, decode_coords="all")
    with data:
        assert dict(data.sizes) == {"y": 300, "x": 600}
        for name in ("intensity", "looks", "coverage", "quality", "strips"):
            assert data[name].dims == ("y", "x")
            assert_array_equal(data[name].values, whole[name])
        lit = whole["intensity"] > 0
        assert_allclose(
            data.backscatter.values[lit], 10 * np.log10(whole["intensity"][lit]), rtol=1e-5, atol=1e-5
        )
        assert_allclose(data.noise_equivalent_backscatter.values[lit], -10, rtol=1e-6)
        assert_allclose(data.x.values, grid().x_m)
        assert_allclose(data.y.values, grid().y_m)
        assert data.x.attrs["standard_name"] == "projection_x_coordinate"
        assert data.attrs["Conventions"] == "CF-1.11"
        assert json.loads(data.attrs["provenance"]) == {"place": "søk"}
        assert data.crs.attrs["grid_mapping_name"] == "transverse_mercator"
        assert "crs" in data.coords


def test_a_map_reader_puts_cells_where_they_lie(tmp_path):
    import rasterio

    whole = write(tmp_path / "a.nc")
    with rasterio.open(f"netcdf:{tmp_path / 'a.nc'}:intensity") as image:
        assert image.crs.to_epsg() == EPSG
        assert_allclose(image.transform[:6], (0.5, 0, 412_000, 0, -0.5, 6_100_000.5))
        assert_array_equal(image.read(1), whole["intensity"])
        row, column = image.index(412_000 + 100.25, 6_100_000.5 - 20.25)
        assert (row, column) == (40, 200)


def test_blocks_that_hold_nothing_take_no_room(tmp_path):
    import h5py

    write(tmp_path / "a.nc")
    with h5py.File(tmp_path / "a.nc") as file:
        assert file["intensity"].id.get_num_chunks() == 4  # of 6


def test_equal_blocks_give_equal_bytes(tmp_path):
    write(tmp_path / "a.nc")
    write(tmp_path / "b.nc")
    assert (tmp_path / "a.nc").read_bytes() == (tmp_path / "b.nc").read_bytes()


def test_an_interrupted_mosaic_leaves_nothing_and_the_old_one_stays(tmp_path):
    path = tmp_path / "a.nc"

    def stop(**given) -> None:
        with MosaicWriter(path, grid(), calibrated=True, provenance={}, **given):
            raise KeyError

    with pytest.raises(KeyError):
        stop()
    assert list(tmp_path.iterdir()) == []
    with (
        pytest.raises(DataError, match="no cell was seen"),
        MosaicWriter(path, grid(), calibrated=True, provenance={}),
    ):
        pass
    assert list(tmp_path.iterdir()) == []
    write(path)
    before = path.read_bytes()
    with pytest.raises(KeyError):
        stop(overwrite=True)
    with pytest.raises(ParameterError, match="exists; allowed: a new name"):
        stop()
    with pytest.raises(ParameterError, match="provenance can't be written"):
        MosaicWriter(path, grid(), calibrated=True, provenance={"x": np.zeros(2)}, overwrite=True)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["a.nc"]


# ---- GeoTIFF ---------------------------------------------------------------------------------------------

NORTH_UP = (412_000.0, 0.5, 0.0, 6_100_000.5, 0.0, -0.5)
TURNED = (412_000.0, 0.4, 0.3, 6_100_000.5, 0.3, -0.4)


@pytest.mark.parametrize("affine", [NORTH_UP, TURNED])
def test_a_map_reader_reads_geotiff(tmp_path, affine):
    import rasterio

    image = np.random.default_rng(1).normal(size=(70, 90)).astype(np.float32)
    image[3, 4] = np.nan
    write_geotiff(tmp_path / "a.tif", image, affine=affine, epsg=EPSG, nodata=np.nan, about={"place": "søk"})
    with rasterio.open(tmp_path / "a.tif") as file:
        assert file.crs.to_epsg() == EPSG
        assert_allclose(
            file.transform[:6], (affine[1], affine[2], affine[0], affine[4], affine[5], affine[3])
        )
        assert np.isnan(file.nodata)
        assert_array_equal(file.read(1), image)
        assert file.tags()["AREA_OR_POINT"] == "Area"
        assert json.loads(file.tags()["TIFFTAG_IMAGEDESCRIPTION"]) == {"place": "søk"}


def test_the_five_tags_are_there(tmp_path):
    import tifffile

    write_geotiff(tmp_path / "a.tif", np.zeros((4, 4), np.uint8), affine=NORTH_UP, epsg=EPSG, nodata=0)
    with tifffile.TiffFile(tmp_path / "a.tif") as file:
        tags = file.pages[0].tags
        assert tags[33550].value == (0.5, 0.5, 0.0)
        assert tags[33922].value == (0.0, 0.0, 0.0, 412_000.0, 6_100_000.5, 0.0)
        assert tags[34735].value[:4] == (1, 1, 1, 4)
        assert EPSG in tags[34735].value
        assert tags[42113].value == "0"
        assert tags[305].value == "pingloom"
        assert 306 not in tags  # no date


def test_tiles_one_by_one_make_the_same_image(tmp_path):
    import tifffile

    image = np.random.default_rng(2).integers(0, 60_000, (300, 530)).astype(np.uint16)
    padded = np.zeros((512, 768), np.uint16)
    padded[:300, :530] = image
    tiles = (padded[r : r + TILE, c : c + TILE] for r in (0, 256) for c in (0, 256, 512))
    options = {"affine": NORTH_UP, "epsg": EPSG}
    write_geotiff(tmp_path / "a.tif", tiles, shape=(300, 530), dtype=np.uint16, **options)
    assert_array_equal(tifffile.imread(tmp_path / "a.tif"), image)
    write_geotiff(tmp_path / "b.tif", image, **options)
    write_geotiff(tmp_path / "c.tif", image, **options)
    assert_array_equal(tifffile.imread(tmp_path / "b.tif"), image)
    assert (tmp_path / "b.tif").read_bytes() == (tmp_path / "c.tif").read_bytes()


def test_a_geotiff_is_whole_or_not_there(tmp_path):
    def tiles():
        yield np.zeros((TILE, TILE), np.uint8)
        raise KeyError

    with pytest.raises(KeyError):
        write_geotiff(
            tmp_path / "a.tif", tiles(), shape=(300, 300), dtype=np.uint8, affine=NORTH_UP, epsg=EPSG
        )
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "a.tif").write_bytes(b"mine")
    with pytest.raises(ParameterError, match="exists; allowed: a new name"):
        write_geotiff(tmp_path / "a.tif", np.zeros((2, 2)), affine=NORTH_UP, epsg=EPSG)
    assert (tmp_path / "a.tif").read_bytes() == b"mine"
    with pytest.raises(ParameterError, match="is no folder"):
        write_geotiff(tmp_path / "b" / "a.tif", np.zeros((2, 2)), affine=NORTH_UP, epsg=EPSG)


def test_wrong_places_are_refused():
    with pytest.raises(ParameterError, match="epsg is 4; allowed here: 1024 to 32767"):
        geo_tags(NORTH_UP, 4, None)
    with pytest.raises(ParameterError, match="allowed: 6 finite numbers"):
        geo_tags((1, 2, 3), EPSG, None)
    assert geo_tags(NORTH_UP, None, None) == []
    with pytest.raises(ParameterError, match=r"image has shape \(3,\)"):
        write_geotiff("x.tif", np.zeros(3), affine=NORTH_UP, epsg=None)


def test_our_own_reader_gives_back_what_was_written_window_by_window(tmp_path):
    whole = write(tmp_path / "a.nc")
    with read_mosaic(tmp_path / "a.nc") as mosaic:
        assert (mosaic.shape, mosaic.cell_m, mosaic.epsg, mosaic.title) == ((300, 600), 0.5, EPSG, "invented")
        assert mosaic.calibrated
        assert mosaic.provenance == {"place": "søk"}
        assert (mosaic.x_m[0], mosaic.y_m[0]) == (412_000.25, 6_100_000.25)
        for name in ("intensity", "looks", "coverage", "quality", "strips"):
            assert_array_equal(mosaic.read(name), whole[name])
            window = slice(250, 290), slice(200, 560)
            assert_array_equal(mosaic.read(name, *window), whole[name][window])
        with pytest.raises(ParameterError, match="no layer 'loks'"):
            mosaic.read("loks")


def test_a_wide_mosaic_that_is_nearly_empty_may_be_read(tmp_path):
    wide = grid(20_000, 20_000)
    with MosaicWriter(tmp_path / "a.nc", wide, calibrated=True, provenance={}, durable=False) as file:
        block = next(wide.blocks())
        file.write(block, layers((256, 256)))
    with read_mosaic(tmp_path / "a.nc") as mosaic:
        assert np.isfinite(mosaic.read("intensity", slice(0, 300), slice(0, 300))).sum() == 256**2 - 1
        assert np.isnan(mosaic.read("intensity", slice(10_000, 10_100), slice(0, 100))).all()


def test_what_is_no_mosaic_is_refused(tmp_path):
    from tests.unit.mosaic_samples import strip

    product = strip(tmp_path / "p.nc", length_m=2.0, reach_m=3.0)
    with pytest.raises(
        DataError, match=r"has pingloom_format 'product'; allowed: pingloom_format = 'mosaic'"
    ):
        read_mosaic(product)
