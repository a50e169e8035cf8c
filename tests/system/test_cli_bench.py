"""``pingloom bench`` as a user meets it: one quick run, read again, drawn, held against an altered one."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pingloom.bench import cli


@pytest.fixture(autouse=True)
def _listed(monkeypatch) -> None:
    monkeypatch.setitem(cli.COMMANDS, "bench", "Time, cost and quality.")


@pytest.fixture(scope="module")
def run_file(tmp_path_factory) -> Path:
    """A quick run, half a minute of one core."""
    path = tmp_path_factory.mktemp("bench") / "run.json"
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(cli.COMMANDS, "bench", "Time, cost and quality.")
        assert cli.main(["bench", "--quick", "-o", str(path), "--quiet"]) == 0
    return path


@pytest.mark.slow
def test_a_quick_run_holds_every_stage_with_ratio_error_and_ceiling(run_file) -> None:
    run = json.loads(run_file.read_text())
    assert {"matched_filter", "beams", "ground", "ping", "simulator", "back_project"} <= set(run["stages"])
    for stage in run["stages"].values():
        assert stage["right"]
        assert 0 < stage["error"] <= 1e-2
        assert 0 < stage["ceiling_fraction"] < 1.1
        rival = stage["rivals"]["straightforward"]
        low, high = rival["quartiles"]
        assert 0 < low <= rival["ratio"] <= high
        assert rival["median_us"] > 0
    assert "expert" in run["stages"]["ping"]["rivals"]
    assert "dim_error" in run["stages"]["beams"]
    assert set(run["versions"]) >= {"pingloom", "numpy", "scipy", "numba", "python"}
    assert run["machine"]["threads"]["OPENBLAS_NUM_THREADS"] == "1"


@pytest.mark.slow
def test_a_quick_run_measures_quality_cost_and_growth(run_file) -> None:
    run = json.loads(run_file.read_text())
    kinds = " ".join(row["quantity"] for row in run["quality"])
    for kind in ("number of looks", "width along", "sidelobe across", "seabed level", "place along"):
        assert kind in kinds
    assert [row["quantity"] for row in run["quality"] if not row["passed"]] == []
    assert run["cost"]["case_pixels"]["real_time_factor"]["two_sides"] > 1
    # A line ten times as long needs no more memory but what a page or two of records takes.
    growth = run["cost"]["memory"]["growth_mb"]
    assert growth is None or growth < 5
    assert 0.5 < run["growth"]["channels"]["stages"]["beams"]["exponent"] < 1.5
    assert run_file.with_suffix(".png").read_bytes()[:4] == b"\x89PNG"


@pytest.mark.slow
def test_a_run_against_itself_is_not_worse_and_an_altered_one_is(run_file, tmp_path, capsys) -> None:
    again = ["bench", "--run", str(run_file), "--against", str(run_file)]
    assert cli.main(again) == 0
    assert "0 of" in capsys.readouterr().out
    run = json.loads(run_file.read_text())
    run["quality"][0]["measured"] += 10 * run["quality"][0]["allowed"]
    altered = tmp_path / "altered.json"
    altered.write_text(json.dumps(run))
    assert cli.main(["bench", "--run", str(altered), "--against", str(run_file), "--json"]) == 1
    said = json.loads(capsys.readouterr().out)
    assert [f["quantity"] for f in said["against"]["findings"] if f["worse"]] == [
        "point at 15 m: place along [mm]"
    ]


@pytest.mark.slow
def test_a_wrong_answer_is_no_result(run_file, tmp_path, capsys) -> None:
    run = json.loads(run_file.read_text())
    run["stages"]["beams"]["right"] = False
    for rival in run["stages"]["beams"]["rivals"].values():
        rival.update(ratio=None, quartiles=None)
    path = tmp_path / "wrong.json"
    path.write_text(json.dumps(run))
    assert cli.main(["bench", "--run", str(path)]) == 1
    assert "WRONG" in capsys.readouterr().out


@pytest.mark.parametrize("content", ["not json", "{}", "[]", '{"format": 1}'])
def test_a_file_that_is_no_run_is_refused_in_one_line(tmp_path, capsys, content) -> None:
    path = tmp_path / "x.json"
    path.write_text(content)
    assert cli.main(["bench", "--quick", "--against", str(path)]) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert "pingloom bench -o FILE" in error


def test_a_missing_run_is_refused(tmp_path, capsys) -> None:
    assert cli.main(["bench", "--against", str(tmp_path / "none.json")]) == 2
    assert "none.json" in capsys.readouterr().err


def test_an_existing_output_is_not_replaced(tmp_path, capsys) -> None:
    path = tmp_path / "x.json"
    path.write_text("{}")
    assert cli.main(["bench", "--quick", "-o", str(path)]) == 2
    assert "--overwrite" in capsys.readouterr().err
    assert path.read_text() == "{}"


def test_a_given_run_takes_no_level(tmp_path, capsys) -> None:
    assert cli.main(["bench", "--quick", "--run", str(tmp_path / "x.json")]) == 2
    assert "leave --quick" in capsys.readouterr().err


def test_help_shows_an_example(capsys) -> None:
    assert cli.main(["bench", "--help"]) == 0
    assert "Example: pingloom bench --quick" in capsys.readouterr().out
