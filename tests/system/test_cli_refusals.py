"""A new user's mistakes: exit code 2 and one line that names the thing and the remedy, never a traceback."""

from __future__ import annotations

import resource
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pytest

from tests.system.conftest import grid, say

COARSE = grid(0.1, 0.05)
SIDE = "starboard"


@pytest.fixture
def target(tmp_path) -> Path:
    return tmp_path / "out"


def image(recording: Path, target: Path, *options: str):
    return say("image", recording, "-o", target, "--no-picture", *COARSE, *options)


def left_in(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir()) if folder.exists() else []


# ---- files that are something else -------------------------------------------------------------------------


def _png(path: Path) -> None:
    from PIL import Image

    Image.new("L", (8, 8)).save(path, format="PNG")


def _hdf5(path: Path) -> None:
    with h5py.File(path, "w") as file:
        file["x"] = np.arange(4)


def _cut(share: float) -> Callable[[Path, Path], None]:
    def make(path: Path, good: Path) -> None:
        whole = good.read_bytes()
        path.write_bytes(whole[: int(share * len(whole))])

    return make


FOREIGN = {
    "missing": (lambda path, good: None, "no such file"),
    "empty": (lambda path, good: path.touch(), "is empty"),
    "png": (lambda path, good: _png(path), "is not an HDF5 file"),
    "text": (lambda path, good: path.write_text("hello\n" * 100), "is not an HDF5 file"),
    "another-hdf5": (lambda path, good: _hdf5(path), "pingloom_format"),
    "cut-at-2-percent": (_cut(0.02), "is cut short"),
    "cut-at-half": (_cut(0.5), "is cut short"),
    "cut-at-the-end": (_cut(0.999), "is cut short"),
}


@pytest.mark.parametrize("kind", FOREIGN)
@pytest.mark.parametrize("command", ["image", "inspect", "validate", "measure", "export"])
def test_foreign_and_broken_files_are_named_with_what_is_wrong(
    command, kind, small, product, tmp_path, target
):
    make, words = FOREIGN[kind]
    path = tmp_path / "given.h5"
    make(path, product if command in ("measure", "export") else small)
    options = {
        "image": ("-o", target, "--no-picture"),
        "export": ("-o", tmp_path / "x.png"),
    }.get(command, ())
    said = say(command, path, *options)
    said.refused(str(path), words)
    if kind != "another-hdf5":
        assert "; allowed: " in said.err or ". Copy it again" in said.err
    assert not target.exists()
    assert not (tmp_path / "x.png").exists()


@pytest.mark.parametrize("command", ["measure", "export"])
def test_a_recording_is_no_product(command, small, tmp_path):
    options = ("-o", tmp_path / "x.png") if command == "export" else ()
    say(command, small, *options).refused(str(small), "'recording'", "'product'")


@pytest.mark.parametrize("command", ["image", "validate"])
def test_a_product_is_no_recording(command, product, target):
    options = ("-o", target) if command == "image" else ()
    say(command, product, *options).refused(str(product), "'product'", "'recording'")


@pytest.mark.parametrize("holds", ["nothing", "a text"])
def test_a_folder_without_segments_is_named(holds, tmp_path, target):
    folder = tmp_path / "line"
    folder.mkdir()
    if holds == "a text":
        (folder / "notes.txt").write_text("x")
    image(folder, target).refused(str(folder), "without segments", ".h5")


# ---- recordings with a fault -------------------------------------------------------------------------------


def put(item: str, index, value) -> Callable[[h5py.File], None]:
    def change(file: h5py.File) -> None:
        whole = file[item][...]
        whole[index] = value
        file[item][...] = whole

    return change


def replace(item: str, value=None) -> Callable[[h5py.File], None]:
    def change(file: h5py.File) -> None:
        del file[item]
        if value is not None:
            file[item] = value

    return change


def attribute(group: str, key: str, value=None) -> Callable[[h5py.File], None]:
    def change(file: h5py.File) -> None:
        if value is None:
            del file[group].attrs[key]
        else:
            file[group].attrs[key] = value

    return change


def spoilt(good: Path, path: Path, *changes: Callable[[h5py.File], None]) -> Path:
    shutil.copy(good, path)
    with h5py.File(path, "r+") as file:
        for change in changes:
            change(file)
    return path


FAULTS = {
    "north-nan": (put("platform/north", 0, np.nan), ("/platform", "north", "nan", "finite")),
    "heading-nan": (put("platform/heading", 0, np.nan), ("/platform", "heading", "nan", "finite")),
    "roll-infinite": (put("platform/roll", 0, np.inf), ("/platform", "roll", "inf", "finite")),
    "no-altitude": (replace("platform/altitude"), ("altitude", "--set bottom.altitude_m=")),
    "altitude-nan": (put("platform/altitude", 0, np.nan), ("altitude", "--set bottom.altitude_m=")),
    "aliased": (attribute(SIDE, "sample_interval", 1 / 20e3), ("/starboard", "sample_interval", "aliases")),
    "elements": (
        replace(f"{SIDE}/element_position", np.zeros((4, 15, 3))),
        ("element_position", "(4, 15, 3)", "(4, 16, 3)"),
    ),
    "ping-times": (replace(f"{SIDE}/ping_time", np.arange(3, dtype="u8")), ("ping_time", "(3,)")),
    "echo-axes": (
        replace(f"{SIDE}/echo", np.zeros((1, 16, 100), "c8")),
        ("/starboard/echo", "(1, 16, 100)", "(ping, row, channel, sample)"),
    ),
    "echo-real": (
        replace(f"{SIDE}/echo", np.zeros((1, 4, 16, 100), "f4")),
        ("/starboard/echo", "float32", "complex64", "int16"),
    ),
    "no-echo": (replace(f"{SIDE}/echo"), ("/starboard/echo", "missing")),
    "no-side": (replace(SIDE), ("port", "starboard", "Add one")),
    "no-platform": (replace("platform"), ("platform", "Add it")),
    "no-water": (replace("water"), ("water", "Add it")),
    "platform-length": (replace("platform/north", np.zeros(4)), ("/platform/north", "(4,)")),
    "format-version": (attribute("/", "format_version", 99), ("format_version", "99", "allowed: 1")),
    "sound-speed": (attribute("water", "sound_speed_indicative", 150.0), ("sound_speed", "150", "1300")),
    "sound-speed-nan": (attribute("water", "sound_speed_indicative", np.nan), ("sound_speed", "nan")),
    "no-frequency": (attribute(SIDE, "centre_frequency"), ("centre_frequency", "missing")),
    "no-origin": (attribute("/", "origin_latitude"), ("origin_latitude", "missing", "Add")),
    "all-dead": (
        lambda file: file[SIDE].create_dataset("element_ok", data=np.zeros((4, 16), "u1")),
        ("element_ok", "receivers"),
    ),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_faulty_recording_is_refused_by_name(fault, small, tmp_path, target):
    change, words = FAULTS[fault]
    path = spoilt(small, tmp_path / "spoilt.h5", change)
    said = image(path, target)
    said.refused(*words)
    assert "allowed" in said.err
    assert left_in(target) == []


def test_no_pings_at_all_is_said(small, tmp_path, target):
    def empty(file: h5py.File) -> None:
        group = file[SIDE]
        for name in ("echo", "ping_time"):
            none = group[name][:0]
            del group[name]
            group[name] = none

    image(spoilt(small, tmp_path / "r.h5", empty), target).refused("holds no ping")


def test_navigation_that_is_nan_between_good_rows_is_refused(scene, tmp_path, target):
    good = scene("low-frequency-both-sides").path
    path = spoilt(good, tmp_path / "r.h5", put("platform/east", 50, np.nan))
    image(path, target).refused("/platform", "east", "(50,)")


def test_headings_in_degrees_are_refused_where_they_cannot_be(scene, tmp_path, target):
    good = scene("low-frequency-both-sides").path

    def degrees(file: h5py.File) -> None:
        file["platform/heading"][...] = np.degrees(file["platform/heading"][...])

    path = spoilt(good, tmp_path / "r.h5", degrees)
    image(path, target).refused("allowed")
    assert say("validate", path).code == 1


# Faults that a first reader met, each mended since.


def test_a_ping_with_nan_is_left_out_and_counted(scene, tmp_path, target):
    good = scene("low-frequency-both-sides").path
    assert image(good, tmp_path / "good").code == 0
    path = spoilt(good, tmp_path / "r.h5", put("port/echo", (5, 0, 0, 100), np.nan))
    said = image(path, target, "--json")
    assert said.code == 0
    shares = []
    for folder in (tmp_path / "good", target):
        with h5py.File(folder / "multilook.nc") as file:
            shares.append(np.isfinite(file["intensity"][...]).mean())
    assert sum(said.data["left_out"].values()) == 1
    assert shares[1] == pytest.approx(shares[0], rel=0.01)


def in_two_gigabytes(*argv: object) -> subprocess.CompletedProcess:
    """Run the command line in a process that may not eat the machine."""

    def bound() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (2 << 30, 2 << 30))
        resource.setrlimit(resource.RLIMIT_CPU, (10, 10))

    command = [sys.executable, "-c", "from pingloom.bench.cli import main; main()", *map(str, argv)]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, preexec_fn=bound)


def test_a_ping_far_beyond_the_navigation_is_refused_or_left_out(scene, tmp_path, target):
    good = scene("low-frequency-both-sides").path
    path = spoilt(good, tmp_path / "r.h5", put("port/ping_time", 0, 5))
    done = in_two_gigabytes("image", path, "-o", target, "--no-picture", *COARSE)
    assert done.returncode in (0, 2)
    assert "Traceback" not in done.stderr


def test_a_grid_too_fine_for_any_memory_is_refused(small, target):
    done = in_two_gigabytes("image", small, "-o", target, "--no-picture", *grid(0.05, 1e-7))
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1


@pytest.mark.parametrize(
    "setting", ["absorption_db_m=nan", "absorption_db_m=-1", "temperature_c=900", "salinity=-5"]
)
def test_water_settings_have_bounds(setting, scene, target):
    good = scene("one-ping").path
    image(good, target, "--set", f"water.{setting}").refused(setting.split("=")[0])


def test_a_planned_heading_of_nan_is_refused_by_name(small, target):
    image(small, target, "--set", "grid.heading_deg=nan").refused("heading_deg")


@pytest.mark.parametrize("bands", [0, -1])
def test_bands_are_one_or_more(bands, product):
    say("measure", product, "--bands", bands).refused("--bands")


def test_an_altitude_that_is_all_nan_is_not_called_missing(small, tmp_path, target):
    path = spoilt(small, tmp_path / "r.h5", put("platform/altitude", 0, np.nan))
    assert "no altitude column" not in image(path, target).err


def test_a_refused_recording_leaves_no_folder(small, tmp_path, target):
    path = spoilt(small, tmp_path / "r.h5", attribute("/", "origin_latitude"))
    image(path, target).refused("origin_latitude")
    assert not target.exists()


@pytest.mark.parametrize("name", ["along_m", "across_m", "sound_speed_m_s", "altitude_m", "sector_deg"])
def test_all_settings_are_listed(name):
    assert name in say("image", "--list-settings").out


def test_no_command_is_said_briefly():
    said = say()
    said.refused()
    assert len(said.err) < 200


def test_an_output_that_is_a_file_is_refused_with_a_remedy(small, tmp_path):
    (tmp_path / "f").write_text("x")
    image(small, tmp_path / "f").refused(str(tmp_path / "f"), "allowed")


def test_a_picture_for_a_missing_folder_is_refused_by_the_name_given(product, tmp_path):
    said = say("export", product, "-o", tmp_path / "none" / "x.png")
    said.refused(str(tmp_path / "none"))
    assert ".part" not in said.err


def test_a_pixel_wider_than_the_swath_is_blamed_on_the_setting(small, target):
    said = say("image", small, "-o", target, "--no-picture", "--set", "grid.across_m=500")
    said.refused("across_m")


# ---- arguments and settings --------------------------------------------------------------------------------

ARGUMENTS = [
    (("imge",), ("'imge'", "'image'")),
    (("image",), ("RECORDING", "image --help")),
    (("image", "r.h5"), ("--output", "image --help")),
    (("image", "r.h5", "-o", "o", "--sett", "x=1"), ("--sett", "--set")),
    (("image", "r.h5", "-o", "o", "--method", "fast"), ("--method", "'multilook'", "'broadside'")),
    (("image", "r.h5", "s.h5", "-o", "o"), ("s.h5",)),
    (("inspect",), ("FILE", "inspect --help")),
    (("validate",), ("RECORDING", "validate --help")),
    (("validate", "r.h5", "--most-pings", "0"), ("--most-pings", "x>=1")),
    (("measure",), ("PRODUCT", "measure --help")),
    (("measure", "p.nc", "--patch", "1", "2", "3"), ("--patch", "4")),
    (("measure", "p.nc", "--point", "1", "x"), ("--point", "'x'")),
    (("export", "p.nc"), ("--output", "export --help")),
    (("evidence", "--section", "watter"), ("--section", "'absorption'")),
    (("evidence", "extra"), ("extra",)),
    (("simulate",), ("SCENARIO", "-o", "--list")),
    (("simulate", "first_lok", "-o", "a.h5"), ("'first_lok'", "'first_look'")),
    (("simulate", "none.toml", "-o", "a.h5"), ("none.toml", "no such file")),
    (("simulate", "first_look", "-o", "a.h5", "--mode", "slow"), ("--mode", "'fast'", "'reference'")),
    (("simulate", "first_look", "-o", "none/a.h5"), ("none", "Make it first")),
    (("demo", "extra"), ("extra",)),
]


@pytest.mark.parametrize(("argv", "words"), ARGUMENTS, ids=lambda a: "-".join(a)[:40])
def test_wrong_arguments_are_named(argv, words, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    say(*argv).refused(*words)
    assert left_in(tmp_path) == []


SETTINGS = [
    ("compress.windw=none", ("'windw'", "'window'")),
    ("compres.window=none", ("'compres'", "'compress'")),
    ("compress.window=nonee", ("'nonee'", "'none'", "'hamming'", "'taylor'")),
    ("compress.window", ("compress.window", "table.name=value")),
    ("compress=none", ("compress", "[compress]")),
    ("grid.along_m=abc", ("along_m", "'abc'", "a number")),
    ("grid.along_m=-1", ("along_m", "-1", "above 0")),
    ("grid.along_m=nan", ("along_m", "nan", "above 0")),
    ("grid.tile_rows=1.5", ("tile_rows", "'1.5'", "whole number")),
    ("grid.steepest_grazing_deg=90", ("steepest_grazing_deg", "5 to 89")),
    ("bottom.altitude_m=-3", ("altitude_m", "-3", "above 0")),
    ("bottom.altitude_m=500", ("500", "20", "altitude")),
    ("water.sound_speed_m_s=15", ("sound_speed_m_s", "15", "1300 to 1800")),
    ("beamform.sector_deg=0", ("sector_deg", "above 0")),
    ("beamform.shading=x", ("shading", "'uniform'", "'taylor'")),
    ("average.weighting=best", ("weighting", "'equalised'", "'plain'", "'snr'")),
    ("average.equalising_floor_db=3", ("equalising_floor_db", "-40 to 0")),
]


@pytest.mark.parametrize(("assignment", "words"), SETTINGS, ids=lambda s: s if isinstance(s, str) else "")
def test_a_setting_that_is_not_allowed_is_named_with_what_is(assignment, words, small, target):
    image(small, target, "--set", assignment).refused(*words)
    assert not target.exists()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[compress]\nwindw = "none"\n', ("s.toml", "[compress]", "'windw'", "'window'")),
        ('[compres]\nwindow = "none"\n', ("s.toml", "'compres'", "'compress'")),
        ("[grid]\nalong_m = 'wide'\n", ("s.toml", "[grid]", "along_m", "a number")),
        ("compress = 3\n", ("s.toml", "compress", "[compress]")),
        ("compress = {\n", ("s.toml", "TOML", "line 1")),
        (b"\xff\xfe\x00", ("s.toml", "UTF-8")),
        (None, ("s.toml", "no such file")),
    ],
)
def test_a_settings_file_that_is_not_allowed_is_named(text, words, small, tmp_path, target):
    path = tmp_path / "s.toml"
    if text is not None:
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
    image(small, target, "--settings", path).refused(*words)
    assert not target.exists()


MEASURES = [
    (("--patch", "1", "1", "5", "6"), ("1 to 1", "increasing")),
    (("--patch", "2", "1", "5", "6"), ("2 to 1", "increasing")),
    (("--patch", "nan", "1", "5", "6"), ("nan", "finite")),
    (("--patch", "100", "101", "5", "6"), ("100 to 101", "Move or widen")),
    (("--point", "100", "12"), ("allowed: within",)),
    (("--point", "0", "12", "--half", "0", "0"), ("0 to 0", "increasing")),
    (("--target", "0", "1", "2", "3"), ("--target", "--background")),
]


@pytest.mark.parametrize(("options", "words"), MEASURES, ids=lambda o: "-".join(o)[:30])
def test_places_that_cannot_be_measured_are_named(options, words, product):
    say("measure", product, *options).refused(*words)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("-o", "x.jpg"), ("x.jpg", ".png")),
        (("-o", "x.png", "--limits", "-3", "-30"), ("limits", "ascending")),
        (("-o", "x.png", "--limits", "nan", "3"), ("limits", "nan")),
        (("-o", "x.png", "--page", "0"), ("page_m", "above 0")),
        (("-o", "x.png", "--page", "1e-9"), ("page", "999")),
    ],
)
def test_pictures_that_cannot_be_drawn_are_refused(options, words, product, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    say("export", product, *options).refused(*words)
    assert left_in(tmp_path) == []
