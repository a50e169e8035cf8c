"""What every command promises: help with an example, JSON, quiet, and settings that do what they say."""

from __future__ import annotations

import hashlib
import json
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import h5py
import numpy as np
import pytest
from numpy.testing import assert_array_equal

from pingloom.bench import cli
from tests.system.conftest import PLAIN, Image, Said, Target, grid, say, targets

OPTIONS = {
    "demo": ["--output", "--overwrite"],
    "simulate": ["--output", "--seed", "--mode", "--threads", "--overwrite", "--list"],
    "validate": ["--all", "--most-pings"],
    "inspect": [],
    "image": [
        "--output",
        "--method",
        "--settings",
        "--set",
        "--list-settings",
        "--no-picture",
        "--overwrite",
    ],
    "measure": ["--patch", "--point", "--half", "--target", "--background", "--bands"],
    "export": ["--output", "--limits", "--page", "--overwrite"],
    "evidence": ["--section"],
}


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


# ---- help --------------------------------------------------------------------------------------------------


def test_help_names_all_commands():
    said = say("--help")
    assert said.code == 0
    assert said.err == ""
    for name in OPTIONS:
        assert re.search(rf"^  {name}\b", said.out, re.MULTILINE)


@pytest.mark.parametrize("command", cli.COMMANDS)
def test_each_help_has_an_example_and_names_its_options(command):
    said = say(command, "--help")
    assert said.code == 0
    assert f"Example: pingloom {command}" in said.out
    for option in [*OPTIONS.get(command, []), "--json", "--quiet"]:
        assert option in said.out


@pytest.mark.parametrize("command", cli.COMMANDS)
def test_each_example_is_a_command_line_that_is_understood(command):
    text = " ".join(say(command, "--help").out.split())
    argv = shlex.split(text.partition("Example: pingloom ")[2])
    context = cli.group.get_command(None, command).make_context(command, argv[1:], resilient_parsing=False)
    assert context.params


def test_version_is_told():
    said = say("--version")
    assert said.code == 0
    assert re.search(r"\d+\.\d+", said.out)


def test_help_loads_nothing_that_takes_long():
    probe = (
        "import sys; from pingloom.bench.cli import main; main(['image', '--help']); "
        "print([m for m in ('numpy', 'scipy', 'numba', 'h5py', 'matplotlib', 'pyproj') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, timeout=30)
    assert done.stdout.splitlines()[-1] == "[]"


# ---- JSON, quiet, overwrite --------------------------------------------------------------------------------


def call(command: str, small: Path, product: Path, folder: Path) -> list[object]:
    """A small piece of work for each command that needs little time."""
    return {
        "image": ["image", small, "-o", folder, "--no-picture", *grid(0.05, 0.02)],
        "inspect": ["inspect", small],
        "validate": ["validate", small],
        "measure": ["measure", product],
        "export": ["export", product, "-o", folder / "x.png"],
        "evidence": ["evidence", "--section", "pulse"],
        "simulate": ["simulate", "--list"],
    }[command]


KEYS = {
    "inspect": {"file", "kind", "recording", "platform", "starboard", "starboard_cells"},
    "validate": {"recording", "valid", "count", "lines"},
    "measure": {"signal_to_noise_db"},
    "export": {"pictures"},
    "evidence": {"rows", "ok", "failed", "not_run"},
    "simulate": {"presets"},
}


@pytest.mark.parametrize("command", KEYS)
def test_json_is_one_object_with_its_keys(command, small, product, tmp_path):
    said = say(*call(command, small, product, tmp_path), "--json")
    assert (said.code, said.err) == (0, "")
    assert set(said.data) >= KEYS[command]


@pytest.mark.parametrize("command", [*KEYS, "image"])
def test_quiet_prints_nothing(command, small, product, tmp_path):
    assert say(*call(command, small, product, tmp_path), "--quiet") == Said(0, "", "")


def test_json_of_an_image_tells_what_was_made(scene, tmp_path):
    path = scene("low-frequency-both-sides").path
    said = say("image", path, "-o", tmp_path, "--json", *grid(0.2, 0.05))
    assert (said.code, said.err) == (0, "")
    assert Path(said.data["product"]).name == "multilook.nc"
    assert [Path(p).name for p in said.data["pictures"]] == ["multilook.png"]
    assert said.data["pings"] == 66
    assert said.data["left_out"] == {}
    assert said.data["ping_median_ms"] > 0
    assert said.data["real_time_factor"] > 0
    assert set(said.data["stage_median_ms"]) >= {"matched filter", "beams", "ground and average"}
    run = json.loads((tmp_path / "run.json").read_text())
    assert run["multilook"]["pings"] == 66


def test_json_of_an_image_tells_where_the_product_is(scene, tmp_path):
    path = scene("low-frequency-both-sides").path
    said = say("image", path, "-o", tmp_path, "--no-picture", "--json", *grid(0.2, 0.1))
    assert Path(said.data["product"]) == tmp_path / "multilook.nc"


def test_json_of_a_single_ping_parses(small, tmp_path):
    # The interval between pings, and so the real-time factor, of a single ping is not a number.
    assert say("image", small, "-o", tmp_path, "--no-picture", *grid(0.05, 0.02), "--json").data["pings"] == 1


def test_run_json_is_json(small, tmp_path):
    def refuse(name: str) -> None:
        raise ValueError(name)

    assert say("image", small, "-o", tmp_path, "--no-picture", *grid(0.05, 0.02)).code == 0
    json.loads((tmp_path / "run.json").read_text(), parse_constant=refuse)


def test_json_of_a_point_without_sidelobes_parses(image):
    path = image("one-ping", *PLAIN).path
    said = say("measure", path, "--point", "-0.6", "12", "--half", "0.2", "0.15", "--json")
    assert said.data["points"][0]["width_across_m"] == pytest.approx(0.018, rel=0.05)


def test_a_product_without_noise_can_be_read_by_its_own_commands(image):
    assert say("inspect", image("reference-points", *PLAIN).path, "--quiet").code == 0


def test_measure_tells_widths_and_places_of_points(scene, image):
    product = image("everything-optional", *PLAIN)
    for target in targets(scene("everything-optional")):
        along, across = product.strip(target.world_m)
        options = "--point", along, across, "--half", 0.6, 0.25
        said = say("measure", product.path, *options, "--json")
        (point,) = said.data["points"]
        assert point["along_m"] == pytest.approx(along, abs=0.1 * target.along_width_m)
        assert point["across_m"] == pytest.approx(across, abs=0.1 * target.across_width_m)
        assert point["width_across_m"] == pytest.approx(target.across_width_m, rel=0.02)


def test_measure_tells_the_contrast_of_a_shadow(scene, image):
    truth = scene("shadow")
    product = image("shadow", *PLAIN)
    middle = float(product.strip(truth.pose(np.array(0.0))[:2])[0])
    box = "--target", middle - 0.13, middle + 0.13, 25.7, 27.0
    beside = "--background", middle + 0.5, middle + 1.1, 25.7, 27.2
    said = say("measure", product.path, *box, *beside, "--json")
    (contrast,) = said.data["contrasts"]
    assert contrast["ratio_db"] == pytest.approx(
        -12.5, abs=0.7
    )  # theory -12.9, with range sidelobes 0.4 less
    assert contrast["contrast_to_noise"] > 3.0


def test_export_draws_pages(product, tmp_path):
    said = say("export", product, "-o", tmp_path / "x.png", "--page", 1.5, "--json")
    assert said.code == 0
    pages = [Path(p) for p in said.data["pictures"]]
    assert len(pages) >= 2
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(p.name for p in pages)
    for page in pages:
        assert page.read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize("what", ["product", "picture"])
def test_an_image_is_only_replaced_when_told_to(what, scene, tmp_path):
    path = scene("low-frequency-both-sides").path
    work = ["image", path, "-o", tmp_path, *grid(0.2, 0.05)]
    if what == "product":
        work.append("--no-picture")
    assert say(*work).code == 0
    made = tmp_path / ("multilook.nc" if what == "product" else "multilook.png")
    if what == "picture":
        (tmp_path / "multilook.nc").unlink()
    before = digest(made)
    changed = [*work, "--set", "compress.window=none"]
    say(*changed).refused(str(made), "exists", "--overwrite")
    assert digest(made) == before
    assert say(*changed, "--overwrite").code == 0
    assert digest(made) != before


def test_another_method_may_stand_beside(scene, tmp_path):
    path = scene("low-frequency-both-sides").path
    work = "image", path, "-o", tmp_path, "--no-picture", *grid(0.2, 0.05)
    assert say(*work).code == 0
    assert say(*work, "--method", "broadside").code == 0
    assert set(json.loads((tmp_path / "run.json").read_text())) == {"multilook", "broadside"}


def test_a_normalised_picture_stands_beside_the_product_and_leaves_it_alone(product, tmp_path) -> None:
    before = product.read_bytes()
    said = say("export", product, "-o", tmp_path / "n.png", "--normalise", 5, "--json")
    assert said.code == 0
    assert (tmp_path / "n.png").stat().st_size > 1000
    assert product.read_bytes() == before
    say("export", product, "-o", tmp_path / "n.tif", "--normalise", 5).refused("--normalise", "picture")


def test_an_exported_picture_is_only_replaced_when_told_to(product, tmp_path):
    picture = tmp_path / "x.png"
    work = "export", product, "-o", picture
    assert say(*work).code == 0
    before = digest(picture)
    say(*work, "--limits", -60, 0).refused(str(picture), "exists", "--overwrite")
    assert digest(picture) == before
    assert say(*work, "--limits", -60, 0, "--overwrite").code == 0
    assert digest(picture) != before


def test_a_simulated_recording_is_only_replaced_when_told_to(small, tmp_path):
    path = tmp_path / "r.h5"
    path.write_bytes(small.read_bytes())
    say("simulate", "first_look", "-o", path).refused(str(path), "exists", "--overwrite")
    assert digest(path) == digest(small)


def test_the_same_command_twice_gives_the_same_bytes(scene, tmp_path):
    path = scene("everything-optional").path
    for name in ("a", "b"):
        assert say("image", path, "-o", tmp_path / name, *grid(0.08, 0.03)).code == 0
    for name in ("multilook.nc", "multilook.png"):
        assert digest(tmp_path / "a" / name) == digest(tmp_path / "b" / name)


# ---- settings ----------------------------------------------------------------------------------------------


def test_listed_settings_read_back_to_the_same_image(scene, tmp_path):
    path = scene("low-frequency-both-sides").path
    listed = say("image", "--list-settings")
    assert (listed.code, listed.err) == (0, "")
    (tmp_path / "s.toml").write_text(listed.out)
    work = "image", path, "--no-picture", *grid(0.2, 0.05)
    assert say(*work, "-o", tmp_path / "a").code == 0
    assert say(*work, "-o", tmp_path / "b", "--settings", tmp_path / "s.toml").code == 0
    assert digest(tmp_path / "a" / "multilook.nc") == digest(tmp_path / "b" / "multilook.nc")


def test_the_settings_in_a_product_make_it_again(scene, tmp_path):
    path = scene("low-frequency-both-sides").path
    options = (*PLAIN, *grid(0.2, 0.05), "--set", "bottom.altitude_m=11.5", "--set", "average.weighting=snr")
    assert say("image", path, "-o", tmp_path / "a", "--no-picture", *options).code == 0
    told = say("inspect", tmp_path / "a" / "multilook.nc", "--json").data["settings"]["text"]
    (tmp_path / "s.toml").write_text(told)
    again = "image", path, "-o", tmp_path / "b", "--no-picture", "--settings", tmp_path / "s.toml"
    assert say(*again).code == 0
    assert digest(tmp_path / "a" / "multilook.nc") == digest(tmp_path / "b" / "multilook.nc")


def test_a_setting_on_the_command_line_holds_over_the_file(scene, tmp_path):
    path = scene("low-frequency-both-sides").path
    (tmp_path / "s.toml").write_text('[compress]\nwindow = "none"\n[grid]\nalong_m = 0.4\nacross_m = 0.1\n')
    work = "image", path, "-o", tmp_path, "--no-picture", "--settings", tmp_path / "s.toml"
    assert say(*work, "--set", "grid.along_m=0.2").code == 0
    assert Image.read(tmp_path / "multilook.nc").pixel_m == pytest.approx((0.2, 0.1))


NEAR = grid(0.026, 0.0075, 27.0)  # the points at 15 and 25 m of the reference geometry


def placed(scene, image, *options: str) -> list[tuple[Target, np.ndarray, np.ndarray]]:
    """Targets within 27 m, their true places in the strip and those where the image has them."""
    product = image("reference-points", *PLAIN, *NEAR, *options)
    found = []
    for target in targets(scene("reference-points")):
        at = product.strip(target.world_m)
        if abs(at[1]) > 26:
            continue
        response = product.respond(at, (4 * target.along_width_m, 0.5))
        found.append((target, at, np.array([response.peak_along_m, response.peak_across_m])))
    assert len(found) == 2
    return found


@pytest.mark.parametrize("change_m_s", [-12.0, 10.0])
def test_another_sound_speed_moves_the_image_by_its_share_of_range(change_m_s, scene, image):
    for target, at, seen in placed(scene, image, "--set", f"water.sound_speed_m_s={1500 + change_m_s:g}"):
        slant = np.hypot(at[1], 6.0) * (1 + change_m_s / 1500)
        assert seen[1] == pytest.approx(np.sqrt(slant**2 - 36), abs=0.1 * target.across_width_m)
        assert abs(seen[1] - at[1]) > 4 * target.across_width_m
        assert seen[0] == pytest.approx(at[0], abs=0.1 * target.along_width_m)


@pytest.mark.parametrize("altitude_m", [5.7, 6.2])
def test_another_altitude_moves_the_image_as_geometry_says(altitude_m, scene, image):
    for target, at, seen in placed(scene, image, "--set", f"bottom.altitude_m={altitude_m:g}"):
        expected = np.sqrt(at[1] ** 2 + 36 - altitude_m**2)
        assert seen[1] == pytest.approx(expected, abs=0.1 * target.across_width_m)
        assert abs(expected - at[1]) > target.across_width_m
        assert seen[0] == pytest.approx(at[0], abs=0.1 * target.along_width_m)


def test_a_planned_heading_turns_the_strip_and_not_the_seabed(scene, image):
    truth = scene("reference-points")
    product = image("reference-points", *PLAIN, *NEAR, "--set", "grid.heading_deg=43")
    assert np.degrees(product.heading_rad) == pytest.approx(43)
    for target in targets(truth):
        at = product.strip(target.world_m)
        if abs(at[1]) < 26:
            response = product.respond(at, (4 * target.along_width_m, 9 * target.slant_width_m))
            assert response.peak_along_m == pytest.approx(at[0], abs=0.1 * target.along_width_m)
            assert response.peak_across_m == pytest.approx(at[1], abs=0.1 * target.across_width_m)


def test_a_narrower_sector_means_fewer_looks(scene, image):
    coarse = grid(0.1, 0.1, 27.0)
    count = []
    for options in (), ("--set", "beamform.sector_deg=3.02"):
        product = image("reference-points", *coarse, *options)
        middle = float(product.strip(scene("reference-points").target_m["starboard"][0])[0])
        count.append(product.cut("coverage", (middle - 0.3, middle + 0.3), (24.5, 25.5)).mean())
    # 25.7 m of slant, 0.886 x 3.33/28 rad, a ping each 164 mm; then half the angle.
    assert count[0] == pytest.approx(25.7 * 0.1055 / 0.1636, rel=0.04)
    assert count[1] == pytest.approx(count[0] / 2, rel=0.04)


def test_weighting_does_not_move_the_image(scene, image):
    reference = placed(scene, image)
    weighted = placed(scene, image, "--set", "average.weighting=snr")
    for (target, _, seen), (_, _, before) in zip(weighted, reference, strict=True):
        assert seen == pytest.approx(before, abs=0.05 * target.across_width_m)


def test_one_side_alone_images_as_with_the_other(scene, tmp_path):
    """A side of two is no different from a side alone: pixels to port don't know of starboard."""
    path = scene("low-frequency-both-sides").path
    alone = tmp_path / "port.h5"
    shutil.copy(path, alone)
    with h5py.File(alone, "r+") as file:
        del file["starboard"]
    for recording, folder in ((path, tmp_path / "two"), (alone, tmp_path / "one")):
        assert say("image", recording, "-o", folder, "--no-picture", *grid(0.2, 0.05)).code == 0
    both, one = (Image.read(tmp_path / name / "multilook.nc") for name in ("two", "one"))
    assert one.across_m.max() < 0
    columns = np.isin(both.across_m.round(6), one.across_m.round(6))
    rows = np.isin(both.along_m.round(6), one.along_m.round(6))
    assert_array_equal(both.intensity[np.ix_(rows, columns)], one.intensity)


# ---- the demonstration -------------------------------------------------------------------------------------


def test_the_demonstration_shows_what_theory_predicts_and_where_to_go_on(tmp_path):
    said = say("demo", "-o", tmp_path / "demo", "--json")
    assert (said.code, said.err) == (0, "")
    made = {p.name for p in (tmp_path / "demo").iterdir()}
    assert made >= {"recording.h5", "multilook.nc", "broadside.nc", "comparison.png", "run.json"}
    for row in said.data["table"]:
        # Looks of a small patch to three standard errors of 3 to 4 %, single points to 2 %; the level in a shadow of
        # few cells to three of its own, 0.9 dB (one look: 1.2). Seen: 2.0 dB below what is predicted.
        off_db = abs(10 * np.log10(row["ratio"]))
        assert off_db < (3.0 if row["quantity"].startswith("shadow over") else 0.5), row
    assert said.data["cautions"]
    # The commands that it offers work as printed; the imaging one was tried above on other recordings.
    for line in said.data["next"]:
        argv = shlex.split(line)[1:]
        if argv[0] != "image":
            assert say(*argv, "--quiet").code == 0, line
    say("demo", "-o", tmp_path / "demo").refused(str(tmp_path / "demo"), "--overwrite")
