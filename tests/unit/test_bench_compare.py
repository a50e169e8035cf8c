"""Two runs of the bench: read only where whole, compared with their noise."""

from __future__ import annotations

import copy
import json
import shutil
import subprocess

import pytest

from pingloom.bench.cost import run as run_module
from pingloom.bench.cost.compare import compare
from pingloom.bench.cost.run_file import FORMAT, read_run, write_run
from pingloom.bench.quality import QualityRow
from pingloom.imaging.errors import DataError


def a_run() -> dict:
    line = {
        "pixels": 100,
        "pixel_m": [0.1, 0.05],
        "beams": 60,
        "ping_ms": [4.0, 3.9, 4.1],
        "stage_ms": {"beams": [2.0, 1.9, 2.1], "tiles": [0.01, 0.0, 0.02]},
        "real_time_factor": {"one_side": 40.0, "two_sides": 20.0},
    }
    rival = {
        "median_us": 900.0,
        "ratio": 3.0,
        "quartiles": [2.9, 3.1],
        "goal": 4.0,
        "error": 1e-3,
        "dim_error": 0.1,
        "rival": "beams_expert",
        "flag": "",
    }
    stage = {
        "median_us": 300.0,
        "error": 1e-3,
        "dim_error": 0.02,
        "right": True,
        "operations": 1e6,
        "bytes": 1e6,
        "ceiling_us": 100.0,
        "ceiling_fraction": 0.3,
        "core_share": 1.0,
        "rivals": {"expert": rival},
        "within_ping": None,
    }
    rows = [
        QualityRow(quantity="looks", measured=9.0, predicted=8.6, unit="", spread=0.2, allowed=1.3),
        QualityRow(quantity="place", measured=0.1, predicted=0.0, unit="mm", spread=0.0, allowed=2.0),
    ]
    grown = {
        "median_us": [1.0, 2.0],
        "quartiles_us": [[0.9, 1.1], [1.9, 2.1]],
        "exponent": 1.0,
        "last_exponent": 1.0,
        "operations_exponent": 1.0,
        "why": "",
    }
    rates = ("fft_gflop_s", "fft_scipy_gflop_s", "fma_gflop_s", "product_gflop_s", "l2_gb_s", "memory_gb_s")
    return {
        "format": FORMAT,
        "level": "default",
        "rounds": 21,
        "case": {"n_channel": 32, "n_sample": 3200},
        "goals": [
            {"goal": "x", "way": "at least", "wanted": 1, "measured": 2.0, "unit": "s", "reached": True}
        ],
        "stages": {"beams": stage},
        "cost": {
            "case_pixels": line,
            "own_pixels": copy.deepcopy(line),
            "memory": {
                "peak_of_process_mb": 300.0,
                "imaging_process_mb": 200.0,
                "pings": [60, 600],
                "growth_mb": 0.0,
            },
            "second_core": None,
            "start_up": {
                "help": {"wall_s": 0.2, "cpu_s": 0.2},
                "import_imaging": {"wall_s": 1.0},
                "first_ping_compiled_before": {"plan_s": 0.2, "first_s": 0.2},
                "first_ping_compiling": None,
            },
        },
        "growth": {"channels": {"size": [16, 32], "case": 16, "stages": {"ping": grown}}},
        "quality": [row.as_dict() for row in rows],
        "ceilings": {
            **dict.fromkeys(rates, 1.0),
            "fft_library": "x",
            "fma_form": "x",
            "speed": 1.0,
            "doubts": [],
        },
        "machine": {"processor": "p", "architecture": "a", "system": "s", "cores": 2, "core": 0},
        "versions": {"pingloom": "0", "numpy": "1", "scipy": "1", "numba": "1", "python": "3"},
        "commit": None,
        "took_s": 1.0,
    }


def changed(change) -> dict:
    run = a_run()
    change(run)
    return run


def worse(change) -> list[str]:
    return [f.quantity for f in compare(a_run(), changed(change)).worse]


def notes(change) -> str:
    return "; ".join(compare(a_run(), changed(change)).notes)


def test_the_same_run_is_not_worse_and_its_quality_the_same_to_the_digit() -> None:
    found = compare(a_run(), a_run())
    assert found.worse == []
    assert found.notes == ["2 of 2 quality figures are the same to the printed digit"]


def test_noise_is_not_worse() -> None:
    def change(run) -> None:
        run["stages"]["beams"]["rivals"]["expert"]["ratio"] = 2.65
        run["cost"]["case_pixels"]["ping_ms"] = [4.4, 4.2, 4.9]
        run["quality"][0]["measured"] = 9.2
        run["cost"]["memory"]["imaging_process_mb"] = 230.0
        run["stages"]["beams"]["error"] = 1.1e-3

    assert worse(change) == []
    assert "1 of 2 quality figures are the same to the printed digit; not: looks" in notes(change)


def test_a_slower_stage_is_worse() -> None:
    def change(run) -> None:
        run["stages"]["beams"]["rivals"]["expert"].update(ratio=2.0, quartiles=[1.9, 2.1])
        run["cost"]["case_pixels"]["stage_ms"]["beams"] = [3.0, 2.9, 3.1]

    assert worse(change) == ["beams: times faster than expert", "beams, case pixels [ms]"]


def test_ratios_of_a_crowded_core_are_trusted_less_and_that_is_said() -> None:
    def change(run) -> None:
        run["stages"]["beams"]["rivals"]["expert"]["ratio"] = 2.3

    def crowded(run) -> None:
        change(run)
        run["stages"]["beams"]["core_share"] = 0.4

    assert len(worse(change)) == 1
    assert worse(crowded) == []
    assert "the later run got 0.40 of its core" in notes(crowded)


def test_a_slower_core_is_not_worse() -> None:
    def change(run) -> None:
        run["ceilings"]["speed"] = 0.5
        for pixels in ("case_pixels", "own_pixels"):
            run["cost"][pixels]["ping_ms"] = [8.0, 7.8, 8.2]
            run["cost"][pixels]["stage_ms"]["beams"] = [4.0, 3.8, 4.2]

    assert worse(change) == []


@pytest.mark.parametrize(("where", "name"), [("machine", "processor"), ("versions", "numba")])
def test_times_of_another_machine_are_not_compared_and_that_is_said(where, name) -> None:
    def change(run) -> None:
        run[where][name] = "another"
        run["cost"]["case_pixels"]["ping_ms"] = [40.0, 39.0, 41.0]

    assert worse(change) == []
    assert f"times and memory are not compared: other {name}" in notes(change)


def test_ratios_and_quality_of_another_machine_are_compared() -> None:
    def change(run) -> None:
        run["machine"]["processor"] = "another"
        run["stages"]["beams"]["rivals"]["expert"]["ratio"] = 1.0
        run["quality"][1]["measured"] = 1.0

    assert len(worse(change)) == 2


def test_a_ratio_to_a_void_rival_is_not_compared_and_that_is_said() -> None:
    def change(run) -> None:
        run["stages"]["beams"]["rivals"]["expert"].update(ratio=1.0, flag="void: 2 x its expected time")

    assert worse(change) == []
    assert "beams: times faster than expert is not compared" in notes(change)


def test_a_stage_that_turned_wrong_is_worse() -> None:
    def change(run) -> None:
        run["stages"]["beams"].update(right=False, error=0.2)
        run["stages"]["beams"]["rivals"]["expert"].update(ratio=None, quartiles=None)

    assert worse(change) == ["beams: error"]


def test_a_stage_whose_error_grew_is_worse_while_it_is_still_allowed() -> None:
    assert worse(lambda run: run["stages"]["beams"].update(error=2e-3)) == ["beams: error"]


def test_low_level_pixels_are_judged_apart() -> None:
    assert worse(lambda run: run["stages"]["beams"].update(dim_error=0.04)) == ["beams: error in dim cells"]


def test_what_is_gone_is_worse() -> None:
    assert worse(lambda run: run["stages"].clear()) == ["beams: gone"]
    assert worse(lambda run: run["stages"]["beams"]["rivals"].clear()) == [
        "beams: times faster than expert, gone"
    ]
    assert worse(lambda run: run["quality"].pop()) == ["place [mm]"]
    assert worse(lambda run: run["quality"][1].update(measured=None)) == ["place [mm]"]


def test_memory_and_start_up_are_compared() -> None:
    assert len(worse(lambda run: run["cost"]["memory"].update(imaging_process_mb=300.0))) == 1
    assert len(worse(lambda run: run["cost"]["memory"].update(growth_mb=9.0))) == 1
    assert len(worse(lambda run: run["cost"]["start_up"]["help"].update(cpu_s=0.5))) == 1


@pytest.mark.parametrize(("k", "value"), [(0, 9.9), (0, 7.3), (1, 0.4), (1, -0.4)])
def test_quality_further_from_its_prediction_is_worse(k, value) -> None:
    assert len(worse(lambda run: run["quality"][k].update(measured=value))) == 1


def test_quality_nearer_to_its_prediction_is_not_worse() -> None:
    assert worse(lambda run: run["quality"][0].update(measured=8.6)) == []


def test_quality_of_a_quick_run_is_not_held_against_that_of_a_usual_one() -> None:
    def change(run) -> None:
        run.update(level="quick", rounds=5)
        run["quality"][1]["measured"] = 1.0

    assert worse(change) == []
    assert "quality is not compared" in notes(change)
    assert "the later run had 5 rounds" in notes(change)


def test_runs_of_different_cases_are_refused() -> None:
    with pytest.raises(DataError, match="another case"):
        compare(a_run(), changed(lambda run: run["case"].update(n_channel=64)))
    with pytest.raises(DataError, match="n_beam"):
        compare(a_run(), changed(lambda run: run["case"].update(n_beam=64)))


def test_a_run_is_written_and_read(tmp_path) -> None:
    write_run(a_run(), tmp_path / "run.json")
    assert read_run(tmp_path / "run.json") == a_run()
    assert [p.name for p in tmp_path.iterdir()] == ["run.json"]


def test_a_run_that_cannot_be_written_leaves_the_old_one(tmp_path) -> None:
    path = tmp_path / "run.json"
    write_run(a_run(), path)
    with pytest.raises(ValueError, match="JSON"):
        write_run(changed(lambda run: run.update(took_s=float("nan"))), path)
    assert read_run(path) == a_run()
    assert [p.name for p in tmp_path.iterdir()] == ["run.json"]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda run: run.update(format=1), "a run of format 1, this is"),
        (lambda run: run.pop("format"), "lacks format"),
        (lambda run: run.pop("case"), "case missing or odd"),
        (lambda run: run["cost"]["memory"].pop("growth_mb"), "cost.memory.growth_mb missing"),
        (lambda run: run["stages"]["beams"].pop("rivals"), "stages.beams.rivals missing"),
        (lambda run: run["stages"]["beams"]["rivals"]["expert"].update(ratio="3"), "expert.ratio missing"),
        (lambda run: run["quality"][1].update(measured=True), "quality[1].measured missing"),
        (lambda run: run["ceilings"].update(speed=float("inf")), "ceilings.speed missing"),
        (lambda run: run.update(stages={}), "stages missing"),
        (lambda run: run.update(growth=[]), "growth missing"),
        (lambda run: run["cost"].clear(), "and 2 more missing"),
    ],
)
def test_a_file_that_lacks_something_is_refused_by_name(tmp_path, change, says) -> None:
    path = tmp_path / "run.json"
    path.write_text(json.dumps(changed(change)))
    with pytest.raises(DataError) as caught:
        read_run(path)
    assert says in str(caught.value)
    assert "pingloom bench -o FILE" in str(caught.value)


@pytest.mark.parametrize("content", [b"", b"no", b"\xff\xfe", b"[" * 100_000, b"3", b"null"])
def test_a_file_that_is_no_json_object_is_refused(tmp_path, content) -> None:
    path = tmp_path / "run.json"
    path.write_bytes(content)
    with pytest.raises(DataError, match="pingloom bench -o FILE"):
        read_run(path)


def test_a_folder_is_refused(tmp_path) -> None:
    with pytest.raises(DataError, match="no file"):
        read_run(tmp_path)


@pytest.mark.skipif(shutil.which("git") is None, reason="git is not installed")
def test_the_commit_is_that_of_the_source_and_of_no_other_repository(tmp_path, monkeypatch) -> None:
    place = tmp_path / "installed" / "run.py"
    place.parent.mkdir()
    place.write_text("pass\n")

    def git(*words: str) -> None:
        name = ["-c", "user.name=nobody", "-c", "user.email=nobody@example.invalid"]
        subprocess.run(["git", "-C", str(tmp_path), *name, *words], check=True, capture_output=True)

    monkeypatch.setattr(run_module, "__file__", str(place))
    for name in ("GIT_DIR", "GIT_WORK_TREE", "GIT_INDEX_FILE"):
        monkeypatch.delenv(name, raising=False)
    assert run_module._commit() is None
    git("init", "-q")
    git("commit", "-q", "--allow-empty", "-m", "somebody else's")
    assert run_module._commit() is None
    git("add", ".")
    git("commit", "-q", "-m", "source")
    clean = run_module._commit()
    assert len(clean) == 40
    place.write_text("pass  # changed\n")
    assert run_module._commit() == clean + "+"
