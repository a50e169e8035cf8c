"""``pingloom budget``: formulas and images agree, and say so."""

from __future__ import annotations

import json

import pytest

from pingloom.bench.cli import main

SMALL = """
title = "a small sonar for its budget (invented)"
seed = 3
[sonar]
n_channel = 24
range_start_m = 8.0
range_stop_m = 22.0
depression_deg = 20.0
[vehicle]
ping_rate_hz = 12.0
speed_m_s = 1.6
altitude_m = 6.0
depth_m = 8.0
[water]
profile_depth_m = [0.0, 20.0]
profile_sound_speed_m_s = [1520.0, 1480.0]
absorption_db_m = 0.1
"""


@pytest.fixture(scope="module")
def said(tmp_path_factory) -> dict:
    folder = tmp_path_factory.mktemp("budget")
    (folder / "small.toml").write_text(SMALL)
    import contextlib
    import io

    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        code = main(["budget", str(folder / "small.toml"), "-o", str(folder / "b.png"), "--json"])
    return {"code": code, "picture": folder / "b.png", **json.loads(out.getvalue())}


def test_every_source_moves_the_image_as_its_formula_says(said) -> None:
    assert said["code"] == 0
    assert all(row["agrees"] for row in said["rows"])
    sources = {row["source"] for row in said["rows"]}
    assert {"altitude", "heading", "pitch", "roll", "refraction", "absorption", "source level"} <= sources
    assert len(said["rows"]) == 3 * len(sources)


def test_shifts_are_not_all_naught(said) -> None:
    for source, axis, least in (
        ("altitude", "across_m", 0.03),
        ("heading", "along_m", 0.03),
        ("navigation's clock", "along_m", 0.03),
        ("refraction", "across_m", 0.02),
        ("source level", "level_db", 0.9),
        ("absorption", "level_db", 0.1),
    ):
        rows = [row for row in said["rows"] if row["source"] == source]
        assert max(abs(row["imaged"][axis]) for row in rows) > least


def test_the_picture_is_a_png(said) -> None:
    assert said["picture"].read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


def test_legs_with_turns_are_refused_in_one_line(capsys) -> None:
    assert main(["budget", "harbour_approach"]) == 2
    assert "vehicle.legs" in capsys.readouterr().err
