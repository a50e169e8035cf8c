"""What leaves the workbench: maps, mosaics, tiles and contacts, from the command line to independent readers."""

from __future__ import annotations

import json
import tomllib
import warnings
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import ndimage

from tests.system.conftest import PLAIN, Said, say, targets
from tests.unit.mosaic_samples import CELLS, EAST_M, EPSG, NORTH_M, georeference, pattern, strip, uniform

ORIGIN_DEG = 12.5, -40.25
"""Latitude and longitude of the recordings' origin; its grid is turned by a quarter of a degree."""
ZONE = 32624


@pytest.fixture(scope="module")
def strips(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Three legs up, down and across an invented seabed of known levels, the third 1 dB too high."""
    folder = tmp_path_factory.mktemp("strips")
    loud = 10**0.1
    return [
        strip(folder / "up.nc", pattern, length_m=50),
        strip(folder / "down.nc", pattern, place=georeference(EAST_M + 12, NORTH_M + 50, np.pi), length_m=50),
        strip(
            folder / "across.nc",
            lambda x, y: loud * pattern(x, y),
            place=georeference(EAST_M - 15, NORTH_M + 25, np.pi / 2),
            length_m=45,
        ),
    ]


# ---- places ----------------------------------------------------------------------------------------------


def projected(world_m: np.ndarray) -> tuple[float, float]:
    """Easting and northing of a place north and east of the origin, by the geodesic of distance and azimuth."""
    import pyproj

    azimuth = np.degrees(np.arctan2(world_m[1], world_m[0]))
    distance = np.hypot(world_m[0], world_m[1])
    lon, lat, _ = pyproj.Geod(ellps="WGS84").fwd(ORIGIN_DEG[1], ORIGIN_DEG[0], azimuth, distance)
    return pyproj.Transformer.from_crs(4326, ZONE, always_xy=True).transform(lon, lat)


@pytest.mark.parametrize(
    ("name", "cell_m"),
    [("reference-points", 0.05), ("down-sweep-port-crab", 0.05), ("low-frequency-both-sides", 0.1)],
)
def test_a_target_lies_within_a_pixel_of_its_true_place_on_the_map(name, cell_m, scene, image, tmp_path):
    import rasterio

    truth = scene(name)
    product = image(name, *PLAIN)
    said = say(
        "export", product.path, "-o", tmp_path / "x.tif", "--cell", cell_m, "--layer", "intensity", "--json"
    )
    assert (said.code, said.err) == (0, "")
    assert said.data["epsg"] == ZONE
    with rasterio.open(tmp_path / "x.tif") as file:
        assert file.crs.to_epsg() == ZONE
        level = np.nan_to_num(file.read(1))
        for target in targets(truth):
            x, y = projected(target.world_m)
            row, column = file.index(x, y)
            half = int(np.ceil(0.4 / cell_m))
            cut = level[row - half : row + half + 1, column - half : column + half + 1]
            # The middle of what lies above half power.
            r, c = ndimage.center_of_mass(np.where(cut > cut.max() / 2, cut, 0))
            got = file.xy(row - half + r, column - half + c)
            assert_allclose(got, (x, y), atol=cell_m)


def test_convergence_matters_at_the_far_targets(scene):
    from pingloom.bench.georeference import grid_factors

    turn = abs(grid_factors(*ORIGIN_DEG, ZONE).convergence_rad)
    farthest = max(np.hypot(*t.world_m[:2]) for t in targets(scene("reference-points")))
    # Without it the test above would fail: four cells of 5 cm.
    assert turn * farthest > 4 * 0.05


# ---- mosaics ---------------------------------------------------------------------------------------------


def test_three_legs_become_one_map(strips, tmp_path):
    said = say("mosaic", *strips, "-o", tmp_path / "m.nc", "--cell", 0.2, "--json")
    assert (said.code, said.err) == (0, "")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["m.nc", "m.png"]
    data = said.data
    assert (data["epsg"], data["cell_m"]) == (EPSG, 0.2)
    assert data["gap_filled_m2"] == pytest.approx(data["gap_m2"], rel=0.3)
    assert data["gap_m2"] == pytest.approx((50 + 50 + 45) * 4, rel=0.05)
    names = [Path(p).name for p in data["strips"]]
    assert len(data["seams"]) == 3
    for seam in data["seams"]:
        pair = {names[seam["first"]], names[seam["second"]]}
        sign = 1 if names[seam["second"]] == "across.nc" else -1
        # Pixels stand for their centres: a per cent of level on this seabed.
        assert seam["level_db"] == pytest.approx(sign if "across.nc" in pair else 0, abs=0.05), pair
        assert (seam["spread_db"] or 0) < 0.1


def test_seams_are_evened_and_aspects_count_alike_on_request(strips, tmp_path):
    options = ("--cell", 0.5, "--even", "--overlap", "aspect", "--no-picture", "--json")
    said = say("mosaic", *strips, "-o", tmp_path / "m.nc", *options)
    assert (said.code, said.err) == (0, "")
    added = dict(zip((Path(p).name for p in said.data["strips"]), said.data["levels_added_db"], strict=True))
    # The strip across is 1 dB too high.
    assert added == pytest.approx({"up.nc": 1 / 3, "down.nc": 1 / 3, "across.nc": -2 / 3}, abs=0.05)
    assert all(abs(seam["level_db"]) < 0.05 for seam in said.data["seams"])
    about = say("inspect", tmp_path / "m.nc", "--json").data
    assert "the ways count alike" in about["mosaic"]["resampling"]
    assert (about["provenance"]["overlap"], len(about["provenance"]["levels_added_db"])) == ("aspect", 3)


def test_what_the_angle_does_is_taken_out_on_request(tmp_path):
    """Two antiparallel legs whose level falls by 8 dB over 20 m, and patches of 3 dB that are the seabed's."""

    def scene(middle_m: float):
        def level(x, y):
            fall = 10 ** (-0.04 * np.abs(x - EAST_M - middle_m))
            patch = np.where((np.abs(x - EAST_M - 6) < 1.5) & (np.abs(y - NORTH_M - 25) < 1.5), 2.0, 1.0)
            return 0.01 * fall * patch

        return level

    paths = [
        strip(tmp_path / "up.nc", scene(0), length_m=50),
        strip(
            tmp_path / "down.nc", scene(12), place=georeference(EAST_M + 12, NORTH_M + 50, np.pi), length_m=50
        ),
    ]
    options = ("--cell", 0.25, "--no-picture", "--json")
    plain = say("mosaic", *paths, "-o", tmp_path / "a.nc", *options)
    flat = say("mosaic", *paths, "-o", tmp_path / "b.nc", "--flatten", *options)
    assert (plain.code, flat.code, flat.err) == (0, 0, "")
    assert plain.data["seams"][0]["spread_db"] > 2.5
    assert flat.data["seams"][0]["spread_db"] < 0.15
    from pingloom.io.mosaic import read_mosaic

    with read_mosaic(tmp_path / "b.nc") as mosaic:
        level = 10 * np.log10(mosaic.read("intensity").astype(float))
        x, y = np.meshgrid(mosaic.x_m - EAST_M, mosaic.y_m - NORTH_M)
    assert np.nanstd(level[np.abs(y - 25) > 3]) < 0.15
    inside = (np.abs(x - 6) < 1) & (np.abs(y - 25) < 1)
    assert level[inside].mean() - np.nanmedian(level) == pytest.approx(3.0, abs=0.2)
    assert (
        "brought to one common level"
        in say("inspect", tmp_path / "b.nc", "--json").data["mosaic"]["resampling"]
    )


@pytest.mark.parametrize("engine", ["h5netcdf", "netcdf4"])
def test_a_mosaic_opens_in_other_programs(engine, strips, tmp_path):
    import rasterio
    import xarray

    assert say(
        "mosaic", *strips[:2], "-o", tmp_path / "m.nc", "--cell", 0.25, "--no-picture", "--quiet"
    ) == Said(0, "", "")
    assert say("mosaic", *strips[:2], "-o", tmp_path / "m.tif", "--cell", 0.25, "--no-picture").code == 0
    with warnings.catch_warnings():
        # A compiled reader built against an older numpy says so when it is imported.
        warnings.filterwarnings("ignore", message="numpy.ndarray size changed")
        data = xarray.open_dataset(tmp_path / "m.nc", engine=engine, decode_coords="all")
    with data:
        image = data.intensity.values
        x, y = data.x.values, data.y.values
    wanted = pattern(x, y[:, None])
    # Half a pixel of 0.1 m on the steepest slope of 0.7 a metre.
    assert np.nanmax(np.abs(image - wanted)) < 0.05
    with (
        rasterio.open(tmp_path / "m.tif") as file,
        rasterio.open(f"netcdf:{tmp_path / 'm.nc'}:backscatter") as same,
    ):
        assert file.shape == same.shape == image.shape
        assert_allclose(file.transform[:6], same.transform[:6], atol=1e-6)
        assert_allclose(file.read(1), same.read(1))
        assert_allclose(10 ** (file.read(1) / 10), image, rtol=1e-5)


def test_a_mosaic_says_seams_gaps_and_cautions_to_people(strips, tmp_path):
    said = say("mosaic", *strips, "-o", tmp_path / "m.nc", "--cell", 0.5)
    assert said.code == 0
    for words in (
        "EPSG:32731",
        "filled by other strips",
        "seams: level of one strip over the other",
        "not an all-clear",
    ):
        assert words in said.out
    assert "looks" in said.out


def test_inspect_tells_what_a_mosaic_is(strips, tmp_path):
    assert say("mosaic", *strips, "-o", tmp_path / "m.nc", "--cell", 0.5, "--no-picture").code == 0
    data = say("inspect", tmp_path / "m.nc", "--json").data
    assert data["kind"] == "mosaic"
    assert sorted(data["mosaic"]["strips"]) == ["across.nc", "down.nc", "up.nc"]
    assert (data["grid"]["cell_m"], data["grid"]["projected_system"]) == (0.5, f"EPSG:{EPSG}")
    rows, columns = data["grid"]["cells_rows_columns"]
    west, east = data["grid"]["easting_m"]
    south, north = data["grid"]["northing_m"]
    assert (east - west, north - south) == (columns * 0.5, rows * 0.5)
    # Two strips of 40 m by 50 m that overlap by 28 m, one of 45 m across both.
    assert data["content"]["seen_m2"] == pytest.approx(52 * 50, rel=0.1)
    assert data["content"]["seen_by_two_strips_or_more_m2"] > 28 * 46
    said = say("inspect", tmp_path / "m.nc")
    assert "not an all-clear" in said.out


def test_mosaics_are_the_same_twice_and_in_any_order(strips, tmp_path):
    for name, paths in (("a", strips), ("b", strips[::-1])):
        for suffix in (".nc", ".tif"):
            assert (
                say("mosaic", *paths, "-o", tmp_path / f"{name}{suffix}", "--cell", 0.5, "--overwrite").code
                == 0
            )
    for suffix in (".nc", ".tif", ".png"):
        assert (tmp_path / f"a{suffix}").read_bytes() == (tmp_path / f"b{suffix}").read_bytes()


def test_images_of_two_methods_make_no_mosaic(scene, image, tmp_path):
    many, one = (image("reference-points", *PLAIN, method=m).path for m in ("multilook", "broadside"))
    said = say("mosaic", many, one, "-o", tmp_path / "m.nc")
    said.refused("was imaged by '", "allowed: products of one method")
    assert list(tmp_path.iterdir()) == []


TWO_LEGS = """
title = "two legs and a turn (invented)"
seed = 4
[sonar]
sides = "both"
n_channel = 16
channel_pitch_m = 0.03
transmit_along_m = 0.04
centre_frequency_hz = 300e3
sweep_hz = 20e3
sample_rate_hz = 25e3
range_stop_m = 20.0
[vehicle]
ping_rate_hz = 8.0
speed_m_s = 2.0
altitude_m = 5.0
turn_radius_m = 5.0
current_m_s = 0.25
current_to_deg = 75.0
legs = [{ heading_deg = 340.0, length_m = 18.0, turn = "starboard" }, { heading_deg = 160.0, length_m = 18.0 }]
[navigation]
origin_latitude_deg = 61.0
origin_longitude_deg = 5.8
[water]
noise_db = 40.0
[seabed]
present = false
[[targets]]
name = "seen to starboard twice"
kind = "point"
north_m = 11.0
east_m = 1.5
strength_db = -10.0
"""


def test_a_recording_with_a_turn_becomes_two_strips_that_agree_about_a_target(tmp_path):
    import pyproj
    import rasterio

    (tmp_path / "two.toml").write_text(TWO_LEGS)
    assert say("simulate", tmp_path / "two.toml", "-o", tmp_path / "r.h5", "--quiet") == Said(0, "", "")
    said = say("image", tmp_path / "r.h5", "-o", tmp_path / "i", "--no-picture", "--json")
    assert said.code == 0
    products = [tmp_path / "i" / name for name in ("multilook.nc", "multilook-02.nc")]
    assert sorted((tmp_path / "i").glob("*.nc")) == sorted(products)
    azimuth, distance = np.degrees(np.arctan2(1.5, 11)), np.hypot(1.5, 11)
    lon, lat, _ = pyproj.Geod(ellps="WGS84").fwd(5.8, 61.0, azimuth, distance)
    # West of 6 degrees and yet in zone 32, as the register of the grid has it; turned by 2.8 degrees.
    true = pyproj.Transformer.from_crs(4326, 32632, always_xy=True).transform(lon, lat)
    for k, paths in enumerate((products[:1], products[1:], products)):
        target = tmp_path / f"{k}.tif"
        arguments = ("-o", target, "--cell", 0.05, "--layer", "intensity", "--no-picture", "--quiet")
        assert say("mosaic", *paths, *arguments) == Said(0, "", "")
        with rasterio.open(target) as file:
            level = np.nan_to_num(file.read(1))
            row, column = file.index(*true)
            cut = level[row - 12 : row + 13, column - 12 : column + 13]
            assert cut.max() == level.max()
            r, c = ndimage.center_of_mass(np.where(cut > cut.max() / 2, cut, 0))
            assert_allclose(file.xy(row - 12 + r, column - 12 + c), true, atol=0.05)


# ---- tiles and contacts ----------------------------------------------------------------------------------


def test_tiles_hold_the_reduction_and_can_be_read_back_in_decibel(scene, image, tmp_path):
    from PIL import Image

    product = image("reference-points", *PLAIN)
    arguments = ("--tiles", 256, "--overlap", 32, "--bits", 16, "--mapping", -60, 40)
    said = say("export", product.path, "-o", tmp_path / "t", *arguments, "--json")
    assert (said.code, said.err) == (0, "")
    assert said.data["recording_bytes"] == scene("reference-points").path.stat().st_size
    assert said.data["reduction"] == pytest.approx(said.data["recording_bytes"] / said.data["images_bytes"])
    about = json.loads((tmp_path / "t" / "tiles.json").read_text())
    m = about["mapping"]
    level = product.layer["backscatter"][::-1]
    for entry in about["tiles"][:6]:
        with Image.open(tmp_path / "t" / entry["name"]) as opened:
            counts = np.asarray(opened)
        wanted = level[entry["row"] : entry["row"] + 256, entry["column"] : entry["column"] + 256]
        inside = (wanted > -60) & (wanted < 40)
        got = m["low_db"] + (counts.astype(float) - 1) * m["step_db"]
        # Half a count, and float32 decibels.
        assert_allclose(got[inside], wanted[inside], atol=m["step_db"] / 2 + 1e-5)


@pytest.fixture(scope="module")
def box(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The image of a simulated leg past a box of half a metre on the port side, 6 m below the sonar."""
    from pingloom.simulate.presets import preset_text
    from pingloom.simulate.scenario import Scenario

    table = tomllib.loads(preset_text("first_look"))
    table["sonar"] |= {"sides": "port", "range_stop_m": 17.0}
    table["vehicle"] |= {"n_ping": 56, "heading_deg": 250.0}
    (target,) = (t for t in table["targets"] if t["kind"] == "box")
    table["targets"] = [target | {"along_m": 4.5, "across_m": -11.0}]
    folder = tmp_path_factory.mktemp("box")
    (folder / "box.toml").write_text(Scenario.from_dict(table).to_toml())
    assert say("simulate", folder / "box.toml", "-o", folder / "box.h5", "--quiet") == Said(0, "", "")
    assert say("image", folder / "box.h5", "-o", folder, "--no-picture", "--quiet") == Said(0, "", "")
    return folder / "multilook.nc"


def test_the_shadow_of_a_box_tells_its_height(box, tmp_path):
    arguments = ("--at", 4.5, -11, "--size", 6, "--altitude", 6, "-o", tmp_path / "c")
    said = say("contact", box, *arguments, "--json")
    assert (said.code, said.err) == (0, "")
    assert sorted(p.name for p in (tmp_path / "c").iterdir()) == ["contact.json", "contact.png", "crop.tif"]
    shadow = said.data["shadow"]
    assert (said.data["side"], shadow["found"], shadow["end_within_crop"]) == ("port", True, True)
    # The far upper edge of the box, 0.3 m behind its middle, casts the end; turned by 10 degrees it sweeps 0.17 m.
    assert shadow["end_across_m"] == pytest.approx((11 + 0.3) * 6 / 5.5, abs=0.1)
    assert shadow["width_along_m"] == pytest.approx(1.0, abs=0.15)
    # The vehicle heaves and sways by 3 cm; heave is a share of half a per cent.
    assert said.data["height_m"] == pytest.approx(0.5, abs=0.03)


def test_a_contact_without_altitude_has_no_height_and_says_how_to_get_it(strips, tmp_path):
    said = say("contact", strips[0], "--at", 10, 12, "--shadow", 12, 13, "-o", tmp_path / "c")
    assert said.code == 0
    assert "give --altitude" in said.out
    assert "all-clear" in said.out
    assert json.loads((tmp_path / "c" / "contact.json").read_text())["height_m"] is None


def test_a_marked_shadow_is_taken_as_it_is(strips, tmp_path):
    from pingloom.imaging.theory.geometry import height_from_shadow_m

    marked = ("--at", 10, -12, "--shadow", -12, -14, "--altitude", 5)
    said = say("contact", strips[0], *marked, "-o", tmp_path / "c", "--json")
    wanted = height_from_shadow_m(5.0, np.hypot(12, 5), np.hypot(14, 5))
    assert said.data["height_m"] == pytest.approx(wanted)
    assert (said.data["x_m"], said.data["y_m"]) == pytest.approx((EAST_M - 12, NORTH_M + 10))
    say("contact", strips[0], "--at", 10, -12, "--shadow", 12, 14, "-o", tmp_path / "d").refused(
        "on the contact's side"
    )


def test_plain_seabed_has_no_shadow_but_a_crop(tmp_path):
    import rasterio

    plain = strip(tmp_path / "a.nc", uniform(0.01), cells=CELLS)
    said = say("contact", plain, "--at", 10, 12, "-o", tmp_path / "c", "--json")
    assert (said.code, said.data["shadow"], said.data["height_m"]) == (0, None, None)
    assert "no shadow was found" in said.data["note"]
    with rasterio.open(tmp_path / "c" / "crop.tif") as file:
        assert file.read(1)[file.index(EAST_M + 12, NORTH_M + 10)] == pytest.approx(-20)


# ---- refusals --------------------------------------------------------------------------------------------


def commands(product: Path, folder: Path) -> dict[str, list[object]]:
    """Each delivery once, small."""
    return {
        "mosaic": ["mosaic", product, "-o", folder / "m.nc"],
        "mosaic-tif": ["mosaic", product, "-o", folder / "m.tif"],
        "map": ["export", product, "-o", folder / "x.tif"],
        "tiles": ["export", product, "-o", folder / "t", "--tiles", 128],
        "contact": ["contact", product, "--at", 10, 12, "-o", folder / "c"],
    }


@pytest.mark.parametrize("what", ["mosaic", "mosaic-tif", "map", "tiles", "contact"])
def test_nothing_is_replaced_unless_told_to(what, strips, tmp_path):
    argv = commands(strips[0], tmp_path)[what]
    assert say(*argv, "--quiet") == Said(0, "", "")
    before = {p: p.read_bytes() for p in sorted(tmp_path.rglob("*")) if p.is_file()}
    say(*argv).refused("exists; allowed: a new name", "--overwrite")
    assert {p: p.read_bytes() for p in sorted(tmp_path.rglob("*")) if p.is_file()} == before
    assert say(*argv, "--overwrite", "--quiet") == Said(0, "", "")
    # The same again, byte for byte, and nothing else beside it.
    assert {p: p.read_bytes() for p in sorted(tmp_path.rglob("*")) if p.is_file()} == before


@pytest.mark.parametrize("what", ["mosaic", "mosaic-tif", "map", "tiles", "contact"])
def test_what_is_no_product_is_refused_in_one_line_and_leaves_nothing(what, scene, tmp_path):
    for path in (tmp_path / "absent.nc", scene("one-ping").path):
        say(*commands(path, tmp_path)[what]).refused(path.name)
        assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("argv", "words"),
    [
        (["mosaic", "-o", "m.nc"], "PRODUCT"),
        (["mosaic", "P", "-o", "m.png"], "allowed: a name that ends in .nc, .tif"),
        (["mosaic", "P", "-o", "m.tif", "--layer", "loks"], "layer is 'loks'; allowed: intensity"),
        (["mosaic", "P", "-o", "m.nc", "--cell", "0"], "cell is 0 m"),
        (["mosaic", "P", "-o", "m.nc", "--epsg", "4326"], "allowed: projected systems in metres"),
        (["mosaic", "P", "P", "-o", "m.nc"], "are the same strip"),
        (["export", "P", "-o", "x.jpg"], "allowed: a name that ends in .png or .tif"),
        (["export", "P", "-o", "x.png", "--cell", "1"], "--cell is for map; this writes picture"),
        (["export", "P", "-o", "x.tif", "--masks"], "--masks is for tiles; this writes map"),
        (["export", "P", "-o", "t", "--tiles", "5"], "tiles is 5; allowed: 16 to 4096"),
        (["export", "P", "-o", "t", "--tiles", "64", "--bits", "12"], "12"),
        (["contact", "P", "--at", "999", "9", "-o", "c"], "the place is 999 m along"),
        (["contact", "P", "--at", "10", "12", "--altitude", "-6", "--shadow", "12", "13", "-o", "c"], "altitude is -6 m"),
        (["contact", "P", "-o", "c"], "--at"),
    ],
)  # fmt: skip
def test_a_wrong_command_line_is_refused_in_one_line(argv, words, strips, tmp_path):
    filled = [strips[0] if a == "P" else a for a in argv]
    at = filled.index("-o") + 1
    filled[at] = tmp_path / filled[at]
    say(*filled).refused(words)
    assert list(tmp_path.iterdir()) == []


def test_small_products_of_the_chain_can_be_delivered(product, tmp_path):
    for name, argv in commands(product, tmp_path).items():
        if name != "contact":
            assert say(*argv, "--quiet", "--overwrite") == Said(0, "", ""), name
