"""``pingloom rows``: weighted rows hear less of the surface than plain ones, and the command says by how much."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from pingloom.bench.commands.rows import command

SMALL = """
title = "a small scene for its rows (invented)"
seed = 5
[sonar]
n_row = 3
row_pitch_m = 0.004
n_channel = 6
channel_pitch_m = 0.025
transmit_vertical_m = 0.02
depression_deg = 12.0
range_stop_m = 24.0
[vehicle]
n_ping = 36
ping_rate_hz = 6.0
speed_m_s = 1.5
altitude_m = 3.5
[water]
depth_m = 5.5
absorption_db_m = 0.1
[seabed]
lambert_db = -25.0
per_cell = 1.0
[surface]
rms_m = 0.0
[multipath]
order = 1
[[targets]]
kind = "box"
name = "box"
along_m = 4.5
across_m = 12.5
size_m = [2.0, 0.5, 0.6]
strength_db = -20.0
"""


@pytest.fixture(scope="module")
def said(tmp_path_factory) -> dict:
    folder = tmp_path_factory.mktemp("rows")
    (folder / "small.toml").write_text(SMALL)
    result = CliRunner().invoke(
        command,
        [str(folder / "small.toml"), "-o", str(folder / "r.png"), "--json", "--seeds", "2"],
        catch_exceptions=False,
    )
    assert result.exit_code == 0
    return {"picture": folder / "r.png", **json.loads(result.output)}


def mean(said: dict, name: str) -> float:
    levels = said["multipath_to_signal_db"][name]
    return sum(10 ** (level / 10) for level in levels) / len(levels)


def test_weighted_rows_leave_less_multipath(said) -> None:
    far = {name: sum(v[-3:]) / 3 for name, v in said["multipath_to_signal_db"].items()}
    assert far["null"] < far["plain"] - 1.0
    assert far["adaptive"] < far["plain"] - 1.0
    assert mean(said, "plain") < mean(said, "one_row")
    assert abs(far["one_row"] - far["theory_one_row"]) < 2.0


def test_multipath_fills_the_shadow(said) -> None:
    (shadow,) = said["shadows"]
    assert shadow["contrast_db"]["no_multipath"] < shadow["contrast_db"]["plain"] - 2.0
    assert shadow["brightest_line_db"]["no_multipath"] < shadow["brightest_line_db"]["plain"] - 2.0
    assert shadow["brightest_line_db"]["null"] < shadow["brightest_line_db"]["plain"]


def test_several_seeds_say_their_spread_and_the_transmitters_null_is_named(said) -> None:
    assert all(0 < v < 6 for name in ("one_row", "null") for v in said["spread_db"][name])
    # A line of six wavelengths, 12 degrees down: its null 9.59 degrees lower reaches the ground 3.5 m down at 8.83 m.
    assert said["transmit_null_ground_m"] == pytest.approx([8.83], abs=0.02)


def test_the_picture_is_a_png(said) -> None:
    assert said["picture"].read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


@pytest.mark.parametrize(
    ("old", "new", "word"), [("n_row = 3", "n_row = 1", "n_row"), ("order = 1", "", "order")]
)
def test_nothing_to_compare_is_refused_in_one_line(tmp_path, capsys, old, new, word) -> None:
    from pingloom.bench.cli import main

    (tmp_path / "s.toml").write_text(SMALL.replace(old, new))
    assert main(["rows", str(tmp_path / "s.toml")]) == 2
    assert word in capsys.readouterr().err
