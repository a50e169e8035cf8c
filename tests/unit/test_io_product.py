"""Products: tiles in, a gridded file out that every reader places where it lies."""

from __future__ import annotations

import os
import tracemalloc
import warnings
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.records import Quality, Tile
from pingloom.io.product import Georeference, ProductWriter, read_product

ALONG_M, ACROSS_M = 0.1, 0.05
HEADING = 0.3


def tile(
    side: str, first_along: int, first_across: int, shape: tuple[int, int], seed: int = 0, **extra: Any
) -> Tile:
    rng = np.random.default_rng((seed, first_along + 1000, first_across + 10_000))
    return Tile(
        side=side,
        first_along=first_along,
        first_across=first_across,
        intensity=rng.exponential(size=shape).astype(np.float32),
        looks=np.full(shape, 8, np.float32),
        coverage=np.full(shape, 11, np.uint16),
        noise_equivalent=np.full(shape, 0.01, np.float32),
        quality=np.zeros(shape, np.uint8),
        extra=extra,
    )


def georeference() -> Georeference:
    from pyproj import CRS

    crs = CRS.from_epsg(32731)
    return Georeference(
        epsg=32731,
        x_m=(500_000.0, float(np.sin(HEADING)), float(np.cos(HEADING))),
        y_m=(8_800_000.0, float(np.cos(HEADING)), -float(np.sin(HEADING))),
        wkt=crs.to_wkt("WKT1_GDAL"),
        cf=crs.to_cf(),
        residual_m=0.0125,
    )


def writer(path: Path, **given: Any) -> ProductWriter:
    settings = {
        "method": "multilook",
        "along_m": ALONG_M,
        "across_m": ACROSS_M,
        "sides": ("port", "starboard"),
        "strip_origin_north_m": 12.5,
        "strip_origin_east_m": -3.25,
        "strip_heading_rad": HEADING,
        "calibrated": True,
        "settings": '[compress]\nwindow = "hamming"\n',
        "provenance": {"pingloom": "0.1.0", "recording": {"name": "søk.h5"}, "seed": 3},
        "georeference": georeference(),
        "title": "invented",
        "durable": False,
    }
    return ProductWriter(path, **settings | given)


TILES = [
    tile("starboard", -3, 2, (300, 40)),
    tile("port", 5, -42, (290, 40)),
    tile("starboard", 297, 4, (5, 40)),
]


def product(path: Path, tiles: list[Tile] = TILES, **given: Any) -> Path:
    with writer(path, **given) as file:
        for t in tiles:
            file.write(t)
    return path


def test_tiles_come_back_where_they_were_laid(tmp_path):
    with read_product(product(tmp_path / "a.nc")) as got:
        assert got.shape == (305, 86)
        assert_allclose(got.along_track_m, (np.arange(-3, 302) + 0.5) * ALONG_M, atol=1e-12)
        assert_allclose(got.across_track_m, (np.arange(-42, 44) + 0.5) * ACROSS_M, atol=1e-12)
        intensity = got.read("intensity")
        assert intensity.dtype == np.float32
        assert_array_equal(intensity[:300, 44:84], TILES[0].intensity)
        assert_array_equal(intensity[8:298, :40], TILES[1].intensity)
        assert_array_equal(intensity[300:, 46:86], TILES[2].intensity)
        seen = np.zeros(got.shape, bool)
        seen[:300, 44:84] = seen[8:298, :40] = seen[300:, 46:86] = True
        assert_array_equal(np.isfinite(intensity), seen)
        assert_array_equal(got.read("quality"), np.where(seen, 0, Quality.NOT_SEEN))
        assert_array_equal(got.read("coverage"), np.where(seen, 11, 0))
        assert_array_equal(got.read("looks"), np.where(seen, 8, 0))
        assert_allclose(got.read("backscatter")[seen], 10 * np.log10(intensity[seen]), rtol=1e-6)
        assert_allclose(got.read("noise_equivalent_backscatter")[seen], -20, rtol=1e-6)
        assert_array_equal(got.read("intensity", slice(250, 280), slice(40, -10)), intensity[250:280, 40:-10])
        assert (got.method, got.sides, got.calibrated) == ("multilook", ("port", "starboard"), True)
        assert (got.strip_origin_north_m, got.strip_origin_east_m, got.strip_heading_rad) == (
            12.5,
            -3.25,
            HEADING,
        )
        assert got.settings == '[compress]\nwindow = "hamming"\n'
        assert got.provenance["recording"] == {"name": "søk.h5"}
        assert got.georeference.x_m == georeference().x_m
        assert got.georeference.residual_m == 0.0125
        assert got.attributes["title"] == "invented"


def test_a_level_without_echo_is_unknown_in_decibels(tmp_path):
    dark = tile("port", 0, -3, (2, 3))
    intensity = dark.intensity.copy()
    intensity[0] = 0, -1, np.nan
    shadow = Tile(**{f: getattr(dark, f) for f in Tile.__slots__} | {"intensity": intensity})
    with read_product(product(tmp_path / "a.nc", [shadow])) as got:
        assert np.isnan(got.read("backscatter")[0]).all()
        assert_array_equal(got.read("intensity")[0], intensity[0])


def test_of_two_tiles_on_a_pixel_the_one_with_more_looks_holds(tmp_path):
    few = tile("port", 0, 0, (4, 4), seed=1)
    many = tile("starboard", 0, 0, (4, 4), seed=2)
    many.looks[2:] = 9
    few.quality[0] = Quality.NOT_SEEN
    for k, tiles in enumerate(([few, many], [many, few])):
        with read_product(product(tmp_path / f"{k}.nc", tiles)) as got:
            image = got.read("intensity")
        assert_array_equal(image[0], many.intensity[0])
        assert_array_equal(image[1], few.intensity[1])
        assert_array_equal(image[2:], many.intensity[2:])


def test_equal_tiles_give_equal_bytes_however_they_were_cut_and_mixed(tmp_path):
    whole = product(tmp_path / "whole.nc").read_bytes()
    pieces = []
    for t in TILES:
        for k in range(0, t.intensity.shape[0], 37):
            cut = {
                n: getattr(t, n)[k : k + 37]
                for n in ("intensity", "looks", "coverage", "noise_equivalent", "quality")
            }
            pieces.append(
                Tile(side=t.side, first_along=t.first_along + k, first_across=t.first_across, **cut)
            )
    np.random.default_rng(1).shuffle(pieces)
    assert product(tmp_path / "cut.nc", pieces).read_bytes() == whole


def test_further_layers_are_kept(tmp_path):
    tiles = [tile("port", 0, -2, (2, 2), entropy=np.ones((2, 2))), tile("port", 2, -2, (2, 2))]
    with read_product(product(tmp_path / "a.nc", tiles)) as got:
        assert "entropy" in got.layers
        assert_array_equal(got.read("entropy"), [[1, 1], [1, 1], [np.nan, np.nan], [np.nan, np.nan]])


@pytest.mark.parametrize("engine", ["h5netcdf", "netcdf4"])
def test_xarray_reads_names_coordinates_and_attributes(tmp_path, engine):
    import xarray

    path = product(tmp_path / "a.nc")
    with warnings.catch_warnings():
        # A compiled reader built against an older numpy says so when it is imported.
        warnings.filterwarnings("ignore", message="numpy.ndarray size changed")
        data = xarray.open_dataset(path, engine=engine, decode_coords="all")
    with data, read_product(path) as got:
        assert dict(data.sizes) == {"along_track": 305, "across_track": 86}
        for layer in got.layers:
            assert data[layer].dims == ("along_track", "across_track")
            assert_array_equal(data[layer].values, got.read(layer))
        assert_array_equal(data.along_track.values, got.along_track_m)
        assert "strip" in data.coords
        assert data.backscatter.attrs["units"] == "dB re 1"
        assert data.attrs["Conventions"] == "CF-1.11"
        assert "søk.h5" in data.attrs["provenance"]
        assert data.quality.attrs["flag_meanings"].split()[0] == "not_seen"
        assert list(np.atleast_1d(data.quality.attrs["flag_masks"])) == [1, 2, 4, 8, 16, 32]
        assert data.strip.attrs["grid_mapping_name"] == "transverse_mercator"


def test_the_netcdf_library_reads_it(tmp_path):
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="numpy.ndarray size changed")
        import netCDF4

    with netCDF4.Dataset(product(tmp_path / "a.nc")) as data:
        assert data.data_model == "NETCDF4"
        assert data["intensity"].dimensions == ("along_track", "across_track")
        assert data["intensity"].grid_mapping == "strip"
        assert data["coverage"].dtype == np.uint16
        assert_array_equal(data["across_track"][:], np.sort(data["across_track"][:]))


def test_a_map_reader_puts_a_pixel_where_the_strip_says(tmp_path):
    import rasterio

    path = product(tmp_path / "a.nc")
    place = georeference()
    with rasterio.open(f"netcdf:{path}:intensity") as image, read_product(path) as got:
        assert image.crs.to_epsg() == 32731
        wanted, read = got.read("intensity"), image.read(1)
        for row, column in ((0, 60), (200, 10), (304, 85)):
            x, y = (
                p[0] + p[1] * got.along_track_m[row] + p[2] * got.across_track_m[column]
                for p in (place.x_m, place.y_m)
            )
            at = image.index(x, y)
            assert read[at] == wanted[row, column]
            # To a tenth of a cell: the reader works in float64 metres of seven digits.
            assert_allclose(image.xy(*at), (x, y), atol=0.1 * ACROSS_M)


def test_an_uncalibrated_level_is_said_to_be_relative(tmp_path):
    with h5py.File(product(tmp_path / "a.nc", calibrated=False, georeference=None)) as file:
        assert file["backscatter"].attrs["units"] == b"dB re unknown level"
        assert file["intensity"].attrs["units"] == b"relative"
    with read_product(tmp_path / "a.nc") as got:
        assert not got.calibrated
        assert got.georeference is None


def failing(path: Path) -> None:
    with writer(path) as file:
        file.write(TILES[0])
        raise KeyError


def test_an_interrupted_product_leaves_nothing_and_the_old_one_stays(tmp_path):
    with pytest.raises(KeyError):
        failing(tmp_path / "a.nc")
    with pytest.raises(DataError, match="no tile"), writer(tmp_path / "a.nc"):
        pass
    assert list(tmp_path.iterdir()) == []
    before = product(tmp_path / "a.nc").read_bytes()
    with pytest.raises(ParameterError, match="exists; allowed: a new name"):
        writer(tmp_path / "a.nc")
    with pytest.raises(DataError, match="no tile"), writer(tmp_path / "a.nc", overwrite=True):
        pass
    assert (tmp_path / "a.nc").read_bytes() == before


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"along_m": 0.0}, "along_m is 0.0; allowed: a length above 0"),
        ({"sides": ("left",)}, r"sides is \['left'\]; allowed: port, starboard"),
        ({"provenance": {"x": np.zeros(2)}}, "provenance can't be written"),
        ({"provenance": {"x": float("nan")}}, "provenance can't be written"),
    ],
)
def test_a_wrong_plan_is_refused(tmp_path, given, words):
    with pytest.raises(ParameterError, match=words):
        writer(tmp_path / "a.nc", **given)
    with pytest.raises(ParameterError, match="settings has 70000 bytes; allowed: at most 60000"):
        product(tmp_path / "a.nc", settings="x" * 70_000)
    assert list(tmp_path.iterdir()) == []


def test_a_wrong_tile_is_refused(tmp_path):
    with writer(tmp_path / "a.nc", sides=("port",)) as file:
        with pytest.raises(ParameterError, match="'starboard'; allowed here: port"):
            file.write(TILES[0])
        with pytest.raises(ParameterError, match="'intensity'; allowed: plain names other than"):
            file.write(tile("port", 0, 0, (2, 2), intensity=np.zeros((2, 2))))
        with pytest.raises(ParameterError, match=r"of shape \(3, 2\); allowed: numbers of shape \(2, 2\)"):
            file.write(tile("port", 0, 0, (2, 2), entropy=np.zeros((3, 2))))
        file.write(tile("port", 0, 0, (2, 2)))


def test_memory_stays_small_however_long_the_line(tmp_path):
    def peak(n_tile: int) -> int:
        tracemalloc.start()
        with writer(tmp_path / f"{n_tile}.nc") as file:
            for k in range(n_tile):
                file.write(tile("port", 64 * k, -200, (64, 200)))
        size = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return size

    # Blocks of 256 rows: a line eight times as long needs no more than its list of tiles and coordinates.
    short, long = peak(8), peak(64)
    assert long < short + 500_000


def test_what_is_no_product_is_refused(tmp_path):
    def refused(words: str, path: Path = tmp_path / "a.nc") -> None:
        with pytest.raises(DataError, match=words):
            read_product(path)

    refused("no such file")
    os.mkfifo(tmp_path / "pipe")
    refused("is a pipe", tmp_path / "pipe")
    path = product(tmp_path / "a.nc")
    whole = path.read_bytes()
    for n in (0, 1, 100, len(whole) // 2, len(whole) - 1):
        path.write_bytes(whole[:n])
        refused("empty|not an HDF5 file|cut short|damaged")
    for item, words in (("looks", "/looks is missing"), ("along_track", "/along_track is missing")):
        path.write_bytes(whole)
        with h5py.File(path, "r+") as file:
            file.move(item, f"other_{item}")
        refused(words)
    path.write_bytes(whole)
    with h5py.File(path, "r+") as file:
        file.attrs["pingloom_format"] = np.bytes_("recording")
    refused("has pingloom_format 'recording'; allowed: pingloom_format = 'product'")


def test_a_damaged_block_is_noticed(tmp_path):
    path = product(tmp_path / "a.nc")
    with h5py.File(path) as file:
        chunk = file["intensity"].id.get_chunk_info(0)
    with open(path, "r+b") as raw:
        raw.seek(chunk.byte_offset + 50)
        raw.write(b"\xaa\xbb\xcc")
    with read_product(path) as got:
        assert got.read("looks").shape == got.shape
        with pytest.raises(DataError, match=r"/intensity is damaged"):
            got.read("intensity")
        with pytest.raises(ParameterError, match="no layer 'intensty'; did you mean 'intensity'"):
            got.read("intensty")
