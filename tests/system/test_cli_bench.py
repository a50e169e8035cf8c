"""``pingloom bench`` as a user meets it: one quick run, read again, drawn, held against an altered one."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from pingloom.bench import cli
from pingloom.bench.cost.figures import figure_paths
from pingloom.bench.cost.rivals import BANDS


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
    assert {"quality", "machine", "versions", "commit"} <= set(run)
    for stage in run["stages"].values():
        assert stage["right"]
        assert stage["median_us"] > 0
        assert stage["operations"] > 0
        assert stage["bytes"] > 0
        assert 0 < stage["error"] <= 1e-2
        assert 0 < stage["ceiling_fraction"] < 1.1
        rival = stage["rivals"]["straightforward"]
        low, high = rival["quartiles"]
        assert 0 < low <= rival["ratio"] <= high
        assert rival["median_us"] > 0
    # Every rival that is defined runs beside the stage that it rivals, under a name that says which.
    named = {name: set(stage["rivals"]) for name, stage in run["stages"].items()}
    assert named == {
        "matched_filter": {"straightforward", "expert"},
        "beams": {"straightforward", "straightforward_int32", "expert", "fast_inaccurate"},
        "ground": {"straightforward"},
        "ping": {"straightforward", "expert", "expert_accurate"},
        "simulator": {"straightforward", "expert"},
        "back_project": {"straightforward", "expert"},
    }
    behind = {rival["rival"] for stage in run["stages"].values() for rival in stage["rivals"].values()}
    assert behind == set(BANDS)
    assert run["stages"]["beams"]["rivals"]["expert"]["rival"] == "beams_expert"
    assert run["stages"]["ping"]["rivals"]["expert"]["rival"] == "ping_expert"
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
    assert {"channels", "samples", "beams", "looks", "pixels"} <= set(run["growth"])
    for axis in run["growth"].values():
        for stage in axis["stages"].values():
            assert (stage["last_exponent"] > 1.1) == bool(stage["why"])
    for path in figure_paths(run_file):
        assert path.read_bytes()[:4] == b"\x89PNG"


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
def test_a_stage_that_became_slower_is_told_by_name(run_file, tmp_path, capsys) -> None:
    run = json.loads(run_file.read_text())
    for rival in run["stages"]["ground"]["rivals"].values():
        rival.update(ratio=rival["ratio"] / 2, quartiles=[q / 2 for q in rival["quartiles"]])
    slower = tmp_path / "slower.json"
    slower.write_text(json.dumps(run))
    assert cli.main(["bench", "--run", str(slower), "--against", str(run_file)]) == 1
    said = capsys.readouterr().out
    assert "ground: times faster than straightforward" in said
    assert "1 of" in said
    # The other way round it became faster.
    assert cli.main(["bench", "--run", str(run_file), "--against", str(slower), "--quiet"]) == 0


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


@pytest.mark.parametrize(("name", "says"), [("bench.png", "bench.json"), ("none/x.json", "no folder")])
def test_an_output_that_cannot_be_written_is_refused_at_once(tmp_path, capsys, name, says) -> None:
    assert cli.main(["bench", "-o", str(tmp_path / name)]) == 2
    assert says in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
@pytest.mark.parametrize("stop", [signal.SIGINT, signal.SIGTERM], ids=["interrupted", "terminated"])
def test_an_interrupted_run_leaves_nothing(tmp_path, stop) -> None:
    place, output = tmp_path / "temporary", tmp_path / "run.json"
    place.mkdir()
    command = [sys.executable, "-c", "from pingloom.bench.cli import main; main()", "bench", "--quick", "-o"]
    with subprocess.Popen(
        [*command, str(output)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "TMPDIR": str(place)},
    ) as process:
        # Its first line comes from the timing process, which by then is at work.
        assert "ceilings" in process.stdout.readline()
        process.send_signal(stop)
        _, told = process.communicate(timeout=60)
    assert process.returncode == 130
    assert told.strip().startswith("pingloom: interrupted")
    assert list(place.iterdir()) == []
    assert not output.exists()


def test_a_timing_process_that_fails_is_told_in_one_line(monkeypatch, capsys) -> None:
    monkeypatch.setattr("sys.executable", "/bin/false")
    assert cli.main(["bench", "--quick", "--quiet"]) == 2
    assert capsys.readouterr().err == "pingloom: the timing process failed: it said nothing\n"


def test_a_given_run_takes_no_level(tmp_path, capsys) -> None:
    assert cli.main(["bench", "--quick", "--run", str(tmp_path / "x.json")]) == 2
    assert "leave --quick" in capsys.readouterr().err


def test_help_shows_an_example(capsys) -> None:
    assert cli.main(["bench", "--help"]) == 0
    assert "Example: pingloom bench --quick" in capsys.readouterr().out
