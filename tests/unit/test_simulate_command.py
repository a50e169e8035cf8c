"""``pingloom simulate``: what it writes, refuses and leaves behind."""

from __future__ import annotations

import json

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from pingloom.bench.cli import main
from pingloom.bench.commands import simulate as command
from pingloom.io.recording import open_recording
from pingloom.simulate import echoes
from pingloom.simulate.scenario import Scenario, SonarTable, Target, VehicleTable

SMALL = Scenario(
    title="small",
    seed=3,
    sonar=SonarTable(n_channel=4, range_stop_m=9.0, sides="both"),
    vehicle=VehicleTable(altitude_m=5.0, n_ping=3),
    targets=(Target(name="one", along_m=0.2, across_m=7.0),),
)


@pytest.fixture
def scenario_file(tmp_path):
    path = tmp_path / "small.toml"
    path.write_text(SMALL.to_toml())
    return path


def test_recording_holds_the_echoes_of_the_scenario(scenario_file, tmp_path, capsys):
    path = tmp_path / "small.h5"
    assert main(["simulate", str(scenario_file), "-o", str(path), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert (said["pings"], said["sides"], said["seed"]) == (3, ["port", "starboard"], 3)
    expected = {(p.side, p.number): p for p, _ in echoes.simulate(SMALL)}
    with open_recording(path) as recording:
        found = {(p.side, p.number): p for p in recording.pings()}
    assert found.keys() == expected.keys()
    for key, ping in found.items():
        assert_array_equal(ping.echo, expected[key].echo)
        assert ping.time_ns == expected[key].time_ns


def test_same_seed_gives_the_same_file_and_another_seed_another(scenario_file, tmp_path):
    def made(name, *options):
        path = tmp_path / name
        assert main(["simulate", str(scenario_file), "-o", str(path), "--quiet", *options]) == 0
        return path.read_bytes()

    first = made("a.h5", "--threads", "1")
    assert made("b.h5", "--threads", "3") == first
    assert made("c.h5", "--seed", "4") != first


def test_existing_file_is_kept_unless_told_otherwise(scenario_file, tmp_path, capsys):
    path = tmp_path / "small.h5"
    path.write_text("mine")
    assert main(["simulate", str(scenario_file), "-o", str(path)]) == 2
    assert "exists; allowed: a new name" in capsys.readouterr().err
    assert path.read_text() == "mine"
    assert main(["simulate", str(scenario_file), "-o", str(path), "--overwrite", "--quiet"]) == 0
    assert path.stat().st_size > 10_000


def test_interrupted_run_leaves_nothing_and_keeps_the_old(tmp_path):
    path = tmp_path / "old.h5"
    path.write_text("mine")

    def stop(i, n):
        if i == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        command.record_scenario(SMALL, path, overwrite=True, on_ping=stop)
    assert [p.name for p in tmp_path.iterdir()] == ["old.h5"]
    assert path.read_text() == "mine"


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["nowhere.toml", "-o", "x.h5"], "nowhere.toml: no such file"),
        (["first_lok", "-o", "x.h5"], "no preset 'first_lok'; did you mean 'first_look'"),
        (["first_look"], "give SCENARIO and -o RECORDING"),
    ],
)
def test_mistakes_are_one_clear_line(arguments, message, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(["simulate", *arguments]) == 2
    said = capsys.readouterr().err
    assert message in said
    assert said.count("\n") == 1


def test_wrong_key_in_a_file_is_named(tmp_path, capsys):
    path = tmp_path / "bad.toml"
    path.write_text("[sonar]\nn_chanel = 8\n")
    assert main(["simulate", str(path), "-o", str(tmp_path / "x.h5")]) == 2
    assert "did you mean 'n_channel'" in capsys.readouterr().err


def test_list_shows_every_preset(capsys):
    assert main(["simulate", "--list", "--json"]) == 0
    names = [p["name"] for p in json.loads(capsys.readouterr().out)["presets"]]
    assert {"first_look", "reference"} <= set(names)


def test_truth_is_in_the_file_and_apart(scenario_file, tmp_path):
    import h5py

    path = tmp_path / "small.h5"
    assert main(["simulate", str(scenario_file), "-o", str(path), "--quiet"]) == 0
    with h5py.File(path) as file:
        truth = echoes.truth(SMALL)
        np.testing.assert_array_equal(file["truth/delay_port_s"], truth["delay_port_s"])
        assert file["truth/target_position_m"].shape == (1, 3)
