"""``pingloom estimate`` on a recording that was spoilt in every way at once."""

from __future__ import annotations

import contextlib
import io
import json
import pickle
from dataclasses import replace
from pathlib import Path

import click
import h5py
import numpy as np
import pytest

from pingloom.bench.commands.estimate import command
from pingloom.bench.correctors import side_estimators
from pingloom.bench.imaging_run import ImageSettings
from pingloom.imaging.chain import Chain, ChainSettings
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.estimate.side import SideEstimator
from pingloom.imaging.frames import Trajectory
from pingloom.io.corrections import read_corrections
from pingloom.io.recording import open_recording
from pingloom.io.settings import apply
from tests.system.spoilt_line import DEAD, FRAME, JAMMED, NOISY, POINT_M, simulate_good, spoil


def run(*argv: object) -> dict:
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        command.main([*map(str, argv), "--json"], standalone_mode=False)
    return json.loads(out.getvalue())


@pytest.fixture(scope="module")
def good(tmp_path_factory) -> Path:
    return simulate_good(tmp_path_factory.mktemp("estimate"))


@pytest.fixture(scope="module")
def spoilt(good) -> Path:
    return spoil(good)


@pytest.fixture(scope="module")
def estimated(spoilt) -> tuple[Path, Path, dict]:
    table, folder = spoilt.with_name("c.h5"), spoilt.with_name("report")
    return table, folder, run(spoilt, "-o", table, "--report", folder)


def test_everything_that_was_spoilt_is_found(estimated) -> None:
    found = estimated[2]["sides"]["starboard"]
    assert found["receivers_left_out"] == [[0, DEAD], [0, NOISY]]
    assert found["left_out"] == 1
    assert found["reasons"]["interference"] == 1
    assert found["receiver_phase_rms_deg"] > 5 * found["receiver_phase_std_deg"]
    assert found["altitude_fixes"] >= 36
    assert abs(found["echo_less_given_altitude_mean_m"]) < 0.022
    # One ping left out breaks two pairs; the first has none before it; two steps are doubtful.
    assert found["looks_matched"] >= 33


def test_a_drift_does_not_pass_for_a_turn(estimated) -> None:
    """Steps of 25 mm along were once read as a turn of 14 mrad, which put the point 0.2 m off at 16 m."""
    turns = [r.shift_heading_rad for r in read_corrections(estimated[0]).sides["starboard"].rows]
    assert np.abs(turns).max() < 4e-3  # 1.8 mrad when this was written


def test_the_table_says_which_ping_and_why(estimated, spoilt) -> None:
    table = read_corrections(estimated[0])
    with open_recording(spoilt) as recording:
        for ping in recording.pings():
            row = table.row(ping.side, ping.number, ping.time_ns)
            assert (row.look_weight == 0) == (ping.number == JAMMED)
    bits = {name: bit for bit, name in table.reason_names.items()}
    assert table.row("starboard", JAMMED).reasons & bits["interference"]
    assert "n_ping" not in table.recording
    assert json.loads(table.recording)["pings"] == {"starboard": 40}


def peak_db(path: Path, table: Path | None) -> float:
    """Brightest pixel near the point."""
    with open_recording(path) as recording:
        trajectory = Trajectory.from_platform(recording.platform())
        chain = Chain.prepare(
            {"starboard": recording.sonar("starboard")}, recording.water(), trajectory, ChainSettings()
        )
        corrections = None if table is None else read_corrections(table)
        state, tiles = chain.start(FRAME), []
        for ping in recording.pings():
            row = None if corrections is None else corrections.row(ping.side, ping.number, ping.time_ns)
            state, new, _ = chain.step(state, ping, trajectory, row)
            tiles += new
        tiles += chain.finish(state, trajectory)[0]
    intensity = np.concatenate([t.intensity for t in tiles])
    along = (tiles[0].first_along + np.arange(intensity.shape[0]) + 0.5) * chain.grid.along_m
    across = (tiles[0].first_across + np.arange(intensity.shape[1]) + 0.5) * chain.grid.across_m
    near = np.ix_(np.abs(along - POINT_M[0]) < 0.6, np.abs(across - POINT_M[1]) < 0.4)
    return float(10 * np.log10(np.nanmax(intensity[near])))


def test_the_image_comes_back(good, spoilt, estimated) -> None:
    perfect, before, after = peak_db(good, None), peak_db(spoilt, None), peak_db(spoilt, estimated[0])
    assert perfect - before > 2.5
    assert perfect - after < 1.0


def test_a_good_recording_is_left_as_it_is(good, tmp_path) -> None:
    table = tmp_path / "c.h5"
    said = run(good, "-o", table)
    assert said["sides"]["starboard"]["left_out"] == 0
    assert said["sides"]["starboard"]["receivers_left_out"] == []
    assert abs(peak_db(good, table) - peak_db(good, None)) < 0.1
    assert set(said["cost_ms_per_ping"]) == {"matched filter", "reject", "bottom", "channels", "motion"}


def test_the_report_draws_before_and_after(estimated) -> None:
    _, folder, said = estimated
    names = {p.name for p in folder.iterdir()}
    for step in ("bottom", "channels", "motion", "reject"):
        assert {f"starboard-{step}.png", f"starboard-image-{step}.png"} <= names
    assert {row[0] for row in said["table"]} == {"bottom", "channels", "motion", "reject", "all corrections"}
    shifts = {row[1]: row[2:4] for row in said["table"] if row[0] == "motion"}
    assert shifts["looks shifted, across, rms"][1] < 0.2 * shifts["looks shifted, across, rms"][0]
    written = json.loads((folder / "report.json").read_text())
    assert len(written["table"]) == len(said["table"])


def test_equal_work_gives_equal_bytes(spoilt, estimated, tmp_path) -> None:
    run(spoilt, "-o", tmp_path / "b.h5")
    assert estimated[0].read_bytes() == (tmp_path / "b.h5").read_bytes()


def fresh(path: Path) -> tuple[SideEstimator, list]:
    with open_recording(path) as recording:
        estimator = side_estimators(recording, ImageSettings())["starboard"]
        return estimator, [replace(p, echo=p.echo.copy()) for p in recording.pings()][:18]


def test_a_restart_from_the_memory_written_down_gives_the_same_rows(spoilt) -> None:
    estimator, pings = fresh(spoilt)
    memory, whole = estimator.start(), []
    for k, ping in enumerate(pings):
        if k == 9:
            saved = pickle.dumps(memory)
        memory, told = estimator.step(memory, ping, FRAME)
        whole.append(told)
    again, pings = fresh(spoilt)
    memory = pickle.loads(saved)
    for ping, before in zip(pings[9:], whole[9:], strict=True):
        memory, told = again.step(memory, ping, FRAME)
        a, b = told.correction, before.correction
        for name in ("shift_along_m", "shift_starboard_m", "shift_heading_rad", "look_weight", "reasons"):
            assert getattr(a, name) == getattr(b, name)
        np.testing.assert_equal(a.altitude_m, b.altitude_m)
        np.testing.assert_array_equal(a.channel_weight, b.channel_weight)


def test_an_altitude_unknown_to_the_recording_comes_from_its_echoes(good, tmp_path) -> None:
    path = tmp_path / "blind.h5"
    path.write_bytes(good.read_bytes())
    with h5py.File(path, "r+") as file:
        del file["platform/altitude"]
        del file["water"].attrs["water_depth"]
    said = run(path, "-o", tmp_path / "c.h5")
    assert said["sides"]["starboard"]["altitude_fixes"] >= 36
    rows = read_corrections(tmp_path / "c.h5").sides["starboard"].rows
    assert np.nanmedian([r.altitude_m for r in rows]) == pytest.approx(6.0, abs=0.022)
    assert said["sides"]["starboard"]["looks_matched"] > 30


def test_what_exists_is_not_overwritten_unasked(spoilt, estimated) -> None:
    with pytest.raises(ParameterError, match="exists"):
        run(spoilt, "-o", estimated[0])
    with pytest.raises(ParameterError, match="exists"):
        run(spoilt, "-o", spoilt.with_name("other.h5"), "--report", estimated[1])
    assert not spoilt.with_name("other.h5").exists()


def test_mistakes_are_said_in_one_line(spoilt, tmp_path) -> None:
    with pytest.raises(ParameterError, match="did you mean 'motion'"):
        run(spoilt, "-o", tmp_path / "c.h5", "--set", "motionn.bands=2")
    with pytest.raises(DataError, match="no such file"):
        run(tmp_path / "none.h5", "-o", tmp_path / "c.h5")
    with pytest.raises(click.UsageError):
        run(spoilt)


def test_all_settings_are_listed_and_read_back() -> None:
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        command.main(["--list-settings"], standalone_mode=False)
    assert "[motion]" in out.getvalue()
    assert apply(ImageSettings(), ["motion.bands=2"]).motion.bands == 2
