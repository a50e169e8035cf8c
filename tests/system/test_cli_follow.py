"""``pingloom image --follow`` beside a process that still writes: the product is that of the finished recording."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pytest

from pingloom.bench.console import Ending, Interrupted
from pingloom.bench.following import follow_recording
from pingloom.bench.growing_recording import GrowingRecording
from pingloom.imaging.records import Ping, Water
from pingloom.io.recording import RecordingWriter, open_recording
from tests.system.conftest import say
from tests.system.spoilt_line import simulate_good, spoil
from tests.unit.line_samples import PIXELS, START_NS, echo, line, sonar, write_pose

QUICK = ("--no-estimate", "--no-picture", "--json", *(w for p in PIXELS for w in ("--set", p)))
PATIENT = ("--navigation-wait-s", 600)
"""A busy machine is no reason to lay a ping by an extrapolated pose."""
WRITER = Path(__file__).with_name("live_writer.py")


def go(writer: subprocess.Popen, *, wait: bool = True) -> None:
    """Let the writer write some pings, and wait until they are written."""
    if writer.stdin.closed:
        return
    try:
        writer.stdin.write("go\n")
        writer.stdin.flush()
    except BrokenPipeError:  # it has come to its end
        with suppress(BrokenPipeError):
            writer.stdin.close()
        return
    if wait:
        writer.stdout.readline()


@contextmanager
def writing(source: Path, target: Path, **options) -> Iterator[subprocess.Popen]:
    """A writer that writes some pings before each look; with ``burst`` 0 it writes on while they are read."""
    command = [sys.executable, WRITER, source, target, json.dumps(options)]
    writer = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    own = GrowingRecording.look
    free = options.get("burst") == 0

    def look(growing: GrowingRecording) -> None:
        go(writer, wait=not free)
        if free:
            writer.stdin.close()
        own(growing)

    try:
        assert writer.stdout.readline() == "ready\n"
        with patch.object(GrowingRecording, "look", look):
            yield writer
    finally:
        if writer.poll() is None:
            writer.kill()
        with suppress(BrokenPipeError):
            writer.stdin.close()
        writer.stdout.close()
        writer.wait()


def follow(recording: Path, folder: Path, *options: object) -> dict:
    """What was said of following; a recording that is never closed ends with ``--idle-s``."""
    said = say("image", recording, "-o", folder, "--follow", "--idle-s", 60, *PATIENT, *options)
    assert (said.code, said.err) == (0, "")
    return said.data["followed"] | {"run": said.data}


def same_as_afterwards(recording: Path, folder: Path, *options: object) -> None:
    after = folder.with_name("afterwards")
    said = say("image", recording, "-o", after, *options)
    assert (said.code, said.err) == (0, "")
    products = sorted(p.name for p in after.glob("*.nc"))
    assert sorted(p.name for p in folder.glob("*.nc")) == products
    for name in products:
        assert (folder / name).read_bytes() == (after / name).read_bytes(), name
    assert not [p.name for p in folder.iterdir() if p.name.startswith(".")]


@pytest.fixture(scope="module")
def both(tmp_path_factory) -> Path:
    """Sixty pings of both sides, a row of navigation at each, some metres of altitude and a swaying course."""
    sway = {"heading_rad": lambda k: 0.03 * np.sin(k / 7)}
    return line(tmp_path_factory.mktemp("both") / "r.h5", **sway)


def test_segments_that_appear_make_the_same_image(both, tmp_path) -> None:
    with writing(both, tmp_path / "rec", segment=17, burst=0, pace_s=0.02):
        told = follow(tmp_path / "rec", tmp_path / "o", *QUICK)
    assert len(list((tmp_path / "rec").glob("*.h5"))) == 4
    assert (told["imaged_again"], told["ended"]) == ("", "its writer closed it")
    assert told["pings_laid_as_they_came"] == 120
    assert told["pings_laid_with_extrapolated_navigation"] == 0
    same_as_afterwards(tmp_path / "rec", tmp_path / "o", *QUICK)
    run = json.loads((tmp_path / "o" / "run.json").read_text())["multilook"]
    assert set(run["followed"]["lag_s"]) == {"median", "share_95", "worst", "median_once_caught_up"}


def test_estimating_on_the_way_makes_the_same_image(tmp_path) -> None:
    spoilt = spoil(simulate_good(tmp_path))
    with writing(spoilt, tmp_path / "rec.h5", rows_behind=3, burst=3):
        told = follow(tmp_path / "rec.h5", tmp_path / "o", "--no-picture", "--json")
    assert told["imaged_again"] == ""
    assert told["run"]["left_out"] == {"rejected: interference": 1}
    same_as_afterwards(tmp_path / "rec.h5", tmp_path / "o", "--no-picture")


def test_pings_wait_for_navigation_that_lags(both, tmp_path) -> None:
    with writing(both, tmp_path / "rec.h5", rows_behind=31):
        told = follow(tmp_path / "rec.h5", tmp_path / "o", *QUICK, "--method", "broadside")
    assert (told["imaged_again"], told["pings_laid_with_extrapolated_navigation"]) == ("", 0)
    assert 0 < told["lag_s"]["median"] <= told["lag_s"]["share_95"] * 1.02 <= told["lag_s"]["worst"] * 1.04
    same_as_afterwards(tmp_path / "rec.h5", tmp_path / "o", *QUICK, "--method", "broadside")


def test_navigation_beyond_the_wait_is_extrapolated_counted_and_mended(both, tmp_path) -> None:
    with writing(both, tmp_path / "rec.h5", rows_behind=40):
        told = follow(tmp_path / "rec.h5", tmp_path / "o", *QUICK, "--navigation-wait-s", 0)
    assert told["pings_laid_with_extrapolated_navigation"] > 0
    assert "navigation around" in told["imaged_again"]
    same_as_afterwards(tmp_path / "rec.h5", tmp_path / "o", *QUICK)


def test_a_killed_writer_and_its_torn_ping_end_by_idleness(both, tmp_path) -> None:
    with writing(both, tmp_path / "rec.h5", stop_after=81, torn=True, end="kill"):
        told = follow(tmp_path / "rec.h5", tmp_path / "o", *QUICK, "--idle-s", 4)
    assert (told["imaged_again"], told["ended"]) == ("", "no new ping for 4 s")
    assert told["run"]["left_out"] == {"disagrees with its checksum": 1}
    assert told["pings_laid_as_they_came"] == 80
    same_as_afterwards(tmp_path / "rec.h5", tmp_path / "o", *QUICK)


def test_what_grew_before_is_caught_up_with(both, tmp_path) -> None:
    told = follow(both, tmp_path / "o", *QUICK)
    assert (told["pings_there_before"], told["lag_s"]["median"], told["imaged_again"]) == (120, None, "")
    same_as_afterwards(both, tmp_path / "o", *QUICK)


def zigzag(path: Path, turn_deg: float = 90.0) -> Path:
    """Two legs of 29 m, one product each."""
    own = sonar("starboard")
    course = np.where(np.arange(320) < 160, 0.0, np.deg2rad(turn_deg))
    steps = 0.18 * np.stack([np.cos(course), np.sin(course)])
    north, east = np.cumsum(steps, axis=1)
    given = {"origin_latitude_deg": 0.0, "origin_longitude_deg": 0.0, "title": "zigzag (invented)"}
    with RecordingWriter(
        path, sonars={"starboard": own}, water=Water(sound_speed_m_s=1500.0), capacity=320, **given
    ) as writer:
        for k in range(320):
            at = {"time_ns": START_NS + k * 100_000_000, "heading_rad": course[k], "altitude_m": 5.0}
            writer.write_pose(
                north_m=north[k], east_m=east[k], depth_m=3.0, pitch_rad=0.0, roll_rad=0.0, **at
            )
            writer.write_ping(
                Ping(side="starboard", number=k, time_ns=at["time_ns"], echo=echo(k % 7, "starboard", own))
            )
    return path


def test_a_turn_ends_laying_and_the_legs_are_imaged_at_the_end(tmp_path) -> None:
    source = zigzag(tmp_path / "r.h5")
    with writing(source, tmp_path / "rec.h5", burst=20):
        told = follow(tmp_path / "rec.h5", tmp_path / "o", *QUICK)
    assert "turned by more than 30 degrees" in told["imaged_again"]
    assert told["pings_laid_as_they_came"] == 0
    assert len(told["run"]["products"]) == 2
    same_as_afterwards(tmp_path / "rec.h5", tmp_path / "o", *QUICK)


def test_legs_that_bend_slowly_are_found_while_they_are_laid(tmp_path) -> None:
    """No heading leaves the first one by 30 degrees, but course and heading leave the leg's."""
    source = zigzag(tmp_path / "r.h5", turn_deg=20.0)
    with writing(source, tmp_path / "rec.h5", burst=20), patch("pingloom.bench.following._LEGS_S", 0.0):
        told = follow(tmp_path / "rec.h5", tmp_path / "o", *QUICK)
    assert "2 legs or more with turns" in told["imaged_again"]
    assert len(told["run"]["products"]) == 2
    same_as_afterwards(tmp_path / "rec.h5", tmp_path / "o", *QUICK)


def test_a_dive_asks_for_another_plan(tmp_path) -> None:
    def lower(writer: RecordingWriter, k: int, heading_rad: float = 0.0) -> None:
        write_pose(writer, k, heading_rad, altitude_m=5.0 if k < 40 else 4.0)

    with patch("tests.unit.line_samples.write_pose", lower):
        source = line(tmp_path / "r.h5", sides=("port",))
    with writing(source, tmp_path / "rec.h5"):
        told = follow(tmp_path / "rec.h5", tmp_path / "o", "--no-estimate", "--no-picture", "--json")
    assert "lower altitude" in told["imaged_again"]
    assert told["pings_laid_as_they_came"] == 60
    same_as_afterwards(tmp_path / "rec.h5", tmp_path / "o", "--no-estimate", "--no-picture")


def start(recording: Path, folder: Path) -> subprocess.Popen:
    main = [sys.executable, "-c", "from pingloom.bench.cli import main; main()"]
    command = [*main, "image", recording, "-o", folder, "--follow", "--idle-s", "300", *QUICK]
    return subprocess.Popen(
        [str(c) for c in command], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def test_ctrl_c_finishes_the_product_from_what_was_heard(both, tmp_path) -> None:
    with writing(both, tmp_path / "rec.h5", stop_after=90, end="pause", burst=0) as writer:
        go(writer)
        process = start(tmp_path / "rec.h5", tmp_path / "o")
        while not (tmp_path / "o").exists():  # made once the first pings are planned with
            assert process.poll() is None
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=120)
        assert (process.returncode, err) == (0, "")
        assert json.loads(out)["followed"]["ended"] == "interrupted"
        assert json.loads(out)["pings"] == 90
        same_as_afterwards(tmp_path / "rec.h5", tmp_path / "o", *QUICK)


def test_a_second_ctrl_c_leaves_nothing(both, tmp_path) -> None:
    """Two at once: the first is not answered yet when the second comes."""
    ending = Ending()
    with ending:
        signal.raise_signal(signal.SIGINT)
        ending.check()
        assert ending.asked
        signal.raise_signal(signal.SIGINT)
        with pytest.raises(Interrupted):
            follow_recording(both, tmp_path / "o", stop=lambda: ending.asked, check=ending.check)
        ending.wanted = False
    assert not (tmp_path / "o").exists()


def test_what_can_not_be_followed_is_refused(both, tmp_path) -> None:
    start = ("image", both, "-o", tmp_path / "o", "--follow")
    say(*start, "--part", "1/2").refused("--part", "--follow")
    say(*start, "--repeat", 2).refused("--repeat")
    say(*start, "--resume").refused("--resume", "catches up")
    say(*start, "--checkpoint", 50).refused("--checkpoint")
    say(*start, "--corrections", "c.h5").refused("--corrections")
    say(*start, "--idle-s", -1).refused("--idle-s", "allowed")
    say("image", both, "-o", tmp_path / "o", "--idle-s", 3).refused("--idle-s", "--follow")
    say("image", tmp_path / "no.h5", "-o", tmp_path / "o", "--follow", "--idle-s", 0.3).refused(
        "no.h5", "no such file"
    )
    assert not (tmp_path / "o").exists()


def test_a_recording_of_no_sides_ends_in_one_line(tmp_path) -> None:
    (tmp_path / "r.h5").write_bytes(b"no recording at all" * 100)
    said = say("image", tmp_path / "r.h5", "-o", tmp_path / "o", "--follow", "--idle-s", 0.3)
    said.refused("r.h5")
    with open_recording(line(tmp_path / "l.h5", n_ping=1)) as recording:
        assert recording.closed
