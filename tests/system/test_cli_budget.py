"""``pingloom budget``: formulas and images agree, and say so."""

from __future__ import annotations

import json

import numpy as np
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


def test_noise_reads_as_the_sonar_equation_says(said) -> None:
    # Mellen's noise at 450 kHz, 38.1 dB, 24 receivers.
    assert [row["spectrum_level_db"] for row in said["noise"]] == pytest.approx(3 * [38.06], abs=0.02)
    assert len({row["ground_range_m"] for row in said["noise"]}) == 3
    for row in said["noise"]:
        assert row["agrees"]
        assert row["imaged_db"] == pytest.approx(row["predicted_db"], abs=0.5)
        raised = 10 ** (row["predicted_db"] / 10) + 10 ** (row["seabed_db"] / 10)
        assert row["left_in_raises_db"] == pytest.approx(10 * np.log10(raised) - row["seabed_db"], abs=1e-6)


LEGS = """
title = "two short legs in a current, three rows, port, over a slope (invented)"
[sonar]
sides = "port"
n_channel = 12
n_row = 3
range_stop_m = 18.0
[vehicle]
ping_rate_hz = 12.0
speed_m_s = 1.6
altitude_m = 5.0
turn_radius_m = 8.0
current_m_s = 0.3
current_to_deg = 100.0
[[vehicle.legs]]
length_m = 12.0
heading_deg = 30.0
[[vehicle.legs]]
length_m = 12.0
heading_deg = 120.0
[water]
noise = false
[seabed]
slope_across_deg = 2.0
"""


@pytest.mark.slow
def test_legs_are_taken_as_one_straight_run_and_no_noise_is_said_to_be_none(tmp_path, capsys) -> None:
    (tmp_path / "legs.toml").write_text(LEGS)
    assert main(["budget", str(tmp_path / "legs.toml")]) == 0
    said = capsys.readouterr().out
    assert "disagrees" not in said
    assert "the scenario has no noise" in said
