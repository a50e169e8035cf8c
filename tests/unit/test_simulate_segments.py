"""Simulations as folders of segments: same data, same bytes after an interruption, readable meanwhile, in real time."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from pingloom.bench.cli import main
from pingloom.bench.simulation_files import Pace, record_segments
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.io.recording import open_recording
from pingloom.simulate import echoes
from pingloom.simulate.scenario import NavigationTable, Scenario, SonarTable, Target, VehicleTable

SMALL = Scenario(
    title="small",
    seed=3,
    sonar=SonarTable(n_channel=4, range_stop_m=9.0, sides="both"),
    vehicle=VehicleTable(altitude_m=5.0, n_ping=11, ping_rate_hz=10.0),
    targets=(Target(name="one", along_m=0.2, across_m=7.0),),
)
LOGGED = dataclasses.replace(
    SMALL, navigation=NavigationTable(rate_hz=25.0, clock_offset_s=0.2, heading_noise_deg=0.3, dropped=0.2)
)
SLOW = dataclasses.replace(SMALL, navigation=NavigationTable(rate_hz=1.5))


class Stop(Exception):
    pass


def content(folder):
    return {p.name: p.read_bytes() for p in sorted(folder.iterdir())}


def stop_after(n):
    calls = []

    def check():
        calls.append(1)
        if len(calls) > n:
            raise Stop

    return check


@pytest.mark.parametrize("scenario", [SMALL, LOGGED, SLOW], ids=["plain", "logged", "slow navigation"])
def test_folder_holds_the_pings_navigation_and_truth_of_the_scenario(scenario, tmp_path):
    run = record_segments(scenario, tmp_path / "line", seconds=0.3)
    assert (run.n_segment, run.n_made) == (4, 11)
    expected = {(p.side, p.number): p for p, _ in echoes.simulate(scenario)}
    nav = echoes.platform(scenario)
    with open_recording(tmp_path / "line") as recording:
        found = {(p.side, p.number): p for p in recording.pings()}
        belief = recording.platform()
        truth = recording.truth()
    assert found.keys() == expected.keys()
    for key, ping in found.items():
        assert_array_equal(ping.echo, expected[key].echo)
    assert_array_equal(belief.time_ns, nav.time_ns)
    assert_array_equal(belief.heading_rad, nav.heading_rad)
    assert belief.heading_uncertainty_rad == nav.heading_uncertainty_rad
    assert "position_m" in truth


@pytest.mark.parametrize("scenario", [SMALL, LOGGED, SLOW], ids=["plain", "logged", "slow navigation"])
@pytest.mark.parametrize("n_before", [0, 2, 3, 7, 10])
def test_resumed_run_gives_the_bytes_of_an_uninterrupted_one(n_before, scenario, tmp_path):
    record_segments(scenario, tmp_path / "whole", seconds=0.3)
    with pytest.raises(Stop):
        record_segments(scenario, tmp_path / "line", seconds=0.3, check=stop_after(n_before))
    run = record_segments(scenario, tmp_path / "line", seconds=0.3, resume=True)
    assert content(tmp_path / "line") == content(tmp_path / "whole")
    assert run.n_made >= 11 - n_before
    assert run.n_made <= 11 - 3 * max(0, (n_before - 1) // 3)


def test_resuming_after_a_kill_makes_the_unfinished_segment_anew(tmp_path):
    record_segments(SMALL, tmp_path / "whole", seconds=0.3)
    record_segments(SMALL, tmp_path / "line", seconds=0.3)
    (tmp_path / "line" / "segment-000003.h5").unlink()
    # A killed writer leaves a file that was never trimmed; torn bytes stand for it.
    (tmp_path / "line" / "segment-000002.h5").write_bytes(b"torn")
    run = record_segments(SMALL, tmp_path / "line", seconds=0.3, resume=True)
    assert run.n_made == 11 - 6
    assert content(tmp_path / "line") == content(tmp_path / "whole")


def test_resuming_what_was_never_begun_or_is_done_gives_the_same(tmp_path):
    record_segments(SMALL, tmp_path / "whole", seconds=0.3)
    record_segments(SMALL, tmp_path / "line", seconds=0.3, resume=True)
    assert content(tmp_path / "line") == content(tmp_path / "whole")
    assert record_segments(SMALL, tmp_path / "line", seconds=0.3, resume=True).n_made == 2
    assert content(tmp_path / "line") == content(tmp_path / "whole")


@pytest.mark.parametrize(
    ("scenario", "options"),
    [
        (dataclasses.replace(SMALL, seed=4), {}),
        (SMALL, {"mode": "reference"}),
        (SMALL, {"seconds": 0.4}),
    ],
)
def test_another_scenario_mode_or_length_is_not_mixed_in(scenario, options, tmp_path):
    record_segments(SMALL, tmp_path / "line", seconds=0.3)
    before = content(tmp_path / "line")
    with pytest.raises(DataError, match="came of another scenario, seed, mode or length"):
        record_segments(scenario, tmp_path / "line", **{"seconds": 0.3, **options}, resume=True)
    assert content(tmp_path / "line") == before


def test_what_is_there_is_kept_unless_told_otherwise(tmp_path):
    folder = tmp_path / "line"
    record_segments(SMALL, folder, seconds=0.3)
    with pytest.raises(ParameterError, match=r"exists; allowed: a new name.*--resume or --overwrite"):
        record_segments(SMALL, folder, seconds=0.3)
    record_segments(SMALL, folder, seconds=0.6, overwrite=True)
    assert len(content(folder)) == 2
    (folder / "notes.txt").write_text("mine")
    with pytest.raises(ParameterError, match=r"holds notes.txt; allowed: a folder of segments"):
        record_segments(SMALL, folder, seconds=0.3, overwrite=True)
    with pytest.raises(ParameterError, match=r"--segments is 0.01 s; allowed: at least 0.1 s, one ping"):
        record_segments(SMALL, tmp_path / "other", seconds=0.01)


def test_what_is_written_can_be_read_while_it_is_written(tmp_path):
    seen = []

    def check():
        if (tmp_path / "line").exists() and any((tmp_path / "line").iterdir()):
            with open_recording(tmp_path / "line") as recording:
                n = recording.n_ping("port")
                seen.append(n)
                if n:
                    # The navigation is there for every ping that is.
                    last = [p.time_ns for p in recording.pings()][-1]
                    assert recording.platform().time_ns[-1] >= last

    record_segments(SMALL, tmp_path / "line", seconds=0.3, check=check)
    assert seen == sorted(seen)
    assert {1, 4, 9} <= set(seen)


class Clock:
    def __init__(self, work_s):
        self.now, self.work_s, self.slept = 50.0, work_s, []

    def __call__(self):
        return self.now

    def sleep(self, seconds):
        self.slept.append(seconds)
        self.now += seconds


def test_real_time_writes_each_ping_when_it_was_heard_out(tmp_path):
    clock, written = Clock(0), []
    pace = Pace(clock, clock.sleep)
    real_wait = pace.wait

    def wait(due_s, check):
        real_wait(due_s, check)
        written.append(clock.now)

    pace.wait = wait
    run = record_segments(SMALL, tmp_path / "line", seconds=0.3, pace=pace)
    np.testing.assert_allclose(np.diff(written), 0.1, atol=1e-9)
    assert max(clock.slept) <= 0.1
    assert run.most_late_s < 1e-9
    record_segments(SMALL, tmp_path / "fast", seconds=0.3)
    assert content(tmp_path / "fast") == content(tmp_path / "line")


def test_lateness_is_told():
    clock = Clock(0)
    pace = Pace(clock, clock.sleep)
    pace.wait(0.0, lambda: None)
    clock.now += 1.5
    pace.wait(1.0, lambda: None)
    assert pace.most_late_s == pytest.approx(0.5)
    pace.wait(3.0, lambda: None)
    assert clock.now == pytest.approx(53.0)


def test_command_makes_segments_and_takes_them_up_again(tmp_path, capsys):
    scenario = tmp_path / "small.toml"
    scenario.write_text(SMALL.to_toml())
    arguments = ["simulate", str(scenario), "-o", str(tmp_path / "line"), "--segments", "0.3"]
    assert main([*arguments, "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert (said["segments"], said["pings_made_now"]) == (4, 11)
    assert said["bytes"] == sum(len(b) for b in content(tmp_path / "line").values())
    before = content(tmp_path / "line")
    assert main(arguments) == 2
    assert "--resume or --overwrite" in capsys.readouterr().err
    assert main([*arguments, "--resume", "--quiet"]) == 0
    assert content(tmp_path / "line") == before
    assert main([*arguments, "--resume", "--overwrite"]) == 2
    assert "--resume or --overwrite, not both" in capsys.readouterr().err


def test_command_keeps_real_time(tmp_path, capsys):
    import time

    scenario = tmp_path / "small.toml"
    scenario.write_text(SMALL.to_toml())
    begin = time.perf_counter()
    assert main(["simulate", str(scenario), "-o", str(tmp_path / "line"), "--real-time", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    # Ten intervals of 0.1 s; the first ping may have waited for the kernels.
    assert time.perf_counter() - begin >= 1.0
    assert said["segments"] == 1
    assert said["most_late_s"] >= 0
