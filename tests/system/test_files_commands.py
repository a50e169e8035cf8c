"""Commands on files: what they say, in lines and in JSON, and their exit codes."""

from __future__ import annotations

import json
import re
import textwrap
from inspect import cleandoc
from pathlib import Path
from types import SimpleNamespace

import h5py
import numpy as np
import pytest

from pingloom.bench.cli import main
from pingloom.imaging.records import Ping, Platform, Sonar, Tile, Water
from pingloom.io.product import ProductWriter
from pingloom.io.recording import RecordingWriter, open_recording

START_NS = 1_900_000_000_000_000_000


def sonar(side: str) -> Sonar:
    position = np.zeros((1, 8, 3))
    position[0, :, 0] = (np.arange(8) - 3.5) * 0.02
    return Sonar(
        side=side,
        frequency_start_hz=435e3,
        frequency_stop_hz=465e3,
        pulse_duration_s=1e-3,
        centre_frequency_hz=450e3,
        sample_interval_s=1 / 40e3,
        first_sample_delay_s=0,
        n_sample=400,
        transmit_position_m=(0, 0, 0),
        transmit_size_m=(0.03, 0.015),
        receive_size_m=(0.02, 0.015),
        depression_rad=0.4,
        element_position_m=position,
    )


def record(path: Path, sides: tuple[str, ...] = ("port", "starboard"), **given) -> Path:
    time_ns = START_NS + np.arange(20) * 50_000_000
    rng = np.random.default_rng(2)
    columns = {n: np.zeros(20) for n in ("east_m", "depth_m", "heading_rad", "pitch_rad", "roll_rad")}
    with RecordingWriter(
        path,
        sonars={side: sonar(side) for side in sides},
        water=Water(sound_speed_m_s=1500),
        origin_latitude_deg=1,
        origin_longitude_deg=2,
        title="invented line",
        capacity=20,
        durable=False,
        **given,
    ) as file:
        file.write_platform(
            Platform(time_ns=time_ns, north_m=0.1 * np.arange(20), altitude_m=np.full(20, 6), **columns)
        )
        for k in range(20):
            for side in sides:
                echo = rng.standard_normal((1, 8, 400, 2)).astype(np.float32).view(np.complex64)[..., 0]
                file.write_ping(Ping(side=side, number=k, time_ns=int(time_ns[k]), echo=echo))
    return path


def run(capsys: pytest.CaptureFixture[str], *argv: object) -> tuple[int, str, str]:
    code = main([str(a) for a in argv])
    out, err = capsys.readouterr()
    return code, out, err


def lines(capsys, path: Path, *more: str) -> tuple[int, dict[str, dict[str, str]]]:
    code, out, _ = run(capsys, "validate", path, "--json", *more)
    return code, {line["item"]: line for line in json.loads(out)["lines"]}


def test_a_good_recording_keeps_the_contract(tmp_path, capsys):
    code, out, err = run(capsys, "validate", record(tmp_path / "a.h5"))
    assert code == 0
    assert err == ""
    assert out.splitlines() == [out.strip()]
    assert "keeps the contract" in out
    assert " 0 doubtful, 0 wrong" in out
    code, out, _ = run(capsys, "validate", tmp_path / "a.h5", "--all")
    assert "ok        /port/@centre_frequency" in out
    assert "missing   /port/replica" in out
    assert run(capsys, "validate", tmp_path / "a.h5", "--quiet") == (0, "", "")


def test_a_folder_of_segments_is_checked_as_one(tmp_path, capsys):
    folder = record(tmp_path / "line", segment_folder=True)
    (folder / "segment-000001.h5").write_bytes((folder / "segment-000000.h5").read_bytes())
    with h5py.File(folder / "segment-000001.h5", "r+") as file:
        del file["port/element_position"]
    code, found = lines(capsys, folder)
    assert code == 1
    line = found["segment-000001.h5: /port/element_position"]
    assert line["found"] == "is missing"


def change(path: Path, item: str, value: object) -> None:
    with h5py.File(path, "r+") as file:
        place, sign, key = item.partition("@")
        if sign:
            if value is None:
                del file[place or "/"].attrs[key]
            else:
                file[place or "/"].attrs[key] = value
        elif isinstance(value, tuple):
            file[item][value[0]] = value[1]
        else:
            if item in file:
                del file[item]
            if value is not None:
                file[item] = value


CASES = [
    ("port@centre_frequency", None, "/port/@centre_frequency", "wrong", "is missing"),
    ("port@centre_frequency", "x", "/port/@centre_frequency", "wrong", "is 'x'"),
    ("port@echo_unit", "mV", "/port", "wrong", "echo_unit is 'mV'"),
    ("port@sample_interval", 1e-4, "/port", "wrong", "aliases|sample_interval_s"),
    ("port/element_position", np.zeros((1, 8, 3))[:, ::-1], "/port", "wrong", "not increasing forward"),
    ("port/element_position", np.zeros((1, 7, 3)), "/port/element_position", "wrong", "of shape"),
    ("port@transmit_duration_nominal", 1.0, "/port window", "wrong", "0.01 s of samples for a pulse of 1 s"),
    ("port@receive_size", [0.2, 0.1], "/port receivers", "doubtful", "200 mm long at a pitch of 20 mm"),
    ("port/replica", np.ones(10, "c8"), "/port/replica", "doubtful", "0.00025 s long for a pulse"),
    ("port/ping_time", (7, START_NS), "/port/ping_time", "wrong", "ping 7 isn't later"),
    ("platform/heading", np.full(20, 45.0), "/platform/heading", "wrong", "up to 45 rad"),
    ("platform/altitude", np.full(20, -6.0), "/platform/altitude", "wrong", "-6 to -6 m"),
    ("platform/altitude", None, "altitude", "missing", "neither altitude nor water_depth"),
    ("platform/north", 100.0 * np.arange(20), "/platform speed", "doubtful", "2e\\+03 m/s"),
    ("platform/depth", np.full(20, -6.0), "/platform/depth", "doubtful", "-6 to -6 m"),
    ("platform/time", 10**9 + np.arange(20), "/platform for port", "wrong", "of the first ping"),
    ("platform/roll", None, "/platform/roll", "wrong", "is missing"),
    ("port/checksum", (3, 5), "/port/checksum", "wrong", "1 of 20 pings read disagree"),
    ("port@saturation_level", 0.1, "/port saturation", "doubtful", "of the samples at the limit"),
    ("water@sound_speed_indicative", 150.0, "/water", "wrong", "sound_speed_m_s is 150"),
    ("@origin_latitude", None, "/@origin_latitude", "wrong", "is missing"),
]


@pytest.mark.parametrize(("item", "value", "where", "status", "words"), CASES)
def test_each_fault_gets_a_line_with_what_is_allowed_and_what_to_do(
    tmp_path, capsys, item, value, where, status, words
):
    path = record(tmp_path / "a.h5")
    change(path, item, value)
    code, found = lines(capsys, path)
    line = found[where]
    assert line["status"] == status
    assert re.search(words, line["found"])
    assert line["allowed"]
    assert code == (1 if status == "wrong" else 0)
    assert str(path) not in line["found"]


def test_a_heading_counted_on_through_north_is_in_order(tmp_path, capsys):
    path = record(tmp_path / "a.h5")
    change(path, "platform/heading", np.linspace(6.2, 6.6, 20))
    assert lines(capsys, path)[1]["/platform/heading"]["status"] == "ok"


def test_silent_and_broken_echoes_are_noticed(tmp_path, capsys):
    path = record(tmp_path / "a.h5")
    with h5py.File(path, "r+") as file:
        echo = file["port/echo"][...]
        echo[:, 0, 2] = 0
        echo[4, 0, 0, 0] = np.nan
        file["port/echo"][...] = echo
        del file["port/checksum"]
    code, found = lines(capsys, path)
    assert code == 1
    assert found["/port receivers alive"]["status"] == "doubtful"
    assert "(0, 2)" in found["/port receivers alive"]["found"]
    assert "1 not finite, the first is 4" in found["/port/echo values"]["found"]
    change(path, "port/element_ok", np.array([[1, 1, 0, 1, 1, 1, 1, 1]]))
    assert lines(capsys, path)[1]["/port receivers alive"]["status"] == "ok"
    assert "5 pings read" in lines(capsys, path, "--most-pings", "5")[1]["/port/checksum"]["found"]


@pytest.mark.parametrize("command", ["validate", "inspect"])
def test_what_is_no_recording_is_one_line_and_exit_2(tmp_path, capsys, command):
    def refused(path: Path, words: str) -> None:
        code, out, err = run(capsys, command, path)
        assert (code, out) == (2, "")
        assert words in err
        assert err.startswith("pingloom: ")
        assert len(err.splitlines()) == 1

    refused(tmp_path / "none.h5", "no such file")
    (tmp_path / "empty.h5").touch()
    refused(tmp_path / "empty.h5", "is empty")
    (tmp_path / "text.h5").write_text("hello")
    refused(tmp_path / "text.h5", "is not an HDF5 file")
    with h5py.File(tmp_path / "other.h5", "w") as file:
        file["x"] = 1
    refused(tmp_path / "other.h5", "pingloom_format")


def test_inspect_tells_what_a_recording_is(tmp_path, capsys):
    path = record(tmp_path / "a.h5")
    code, out, _ = run(capsys, "inspect", path)
    assert code == 0
    assert "invented line" in out
    assert len(out.splitlines()) <= 45  # one screen, both sides together
    data = json.loads(run(capsys, "inspect", path, "--json")[1])
    assert data["kind"] == "recording"
    assert data["port"]["pings"] == 20
    assert data["platform"]["mean_speed_m_s"] == pytest.approx(2.0)
    assert data["platform"]["altitude_m"] == [6.0, 6.0]
    # c / 2B times the width of sin(x)/x at half power.
    assert data["port_cells"]["slant_cell_m"] == pytest.approx(0.886 * 1500 / 60e3)
    with open_recording(path) as recording:
        assert data["recording"]["sha256"] == recording.identity()["sha256"]
    folder = record(tmp_path / "line", segment_folder=True)
    assert json.loads(run(capsys, "inspect", folder, "--json")[1])["recording"]["files"] == 1


def test_inspect_tells_what_a_product_and_a_settings_file_are(tmp_path, capsys):
    shape = (30, 20)
    with ProductWriter(
        tmp_path / "a.nc",
        method="multilook",
        along_m=0.1,
        across_m=0.05,
        sides=("port",),
        strip_origin_north_m=1,
        strip_origin_east_m=2,
        strip_heading_rad=0.5,
        calibrated=False,
        settings='[compress]\nwindow = "none"\n',
        provenance={"seed": 4},
        durable=False,
    ) as file:
        file.write(
            Tile(
                side="port",
                first_along=0,
                first_across=-20,
                intensity=np.full(shape, 0.01, np.float32),
                looks=np.full(shape, 8, np.float32),
                coverage=np.full(shape, 3, np.uint16),
                noise_equivalent=np.full(shape, np.nan, np.float32),
                quality=np.zeros(shape, np.uint8),
            )
        )
    data = json.loads(run(capsys, "inspect", tmp_path / "a.nc", "--json")[1])
    assert data["kind"] == "product"
    assert data["content"] == {
        "seen_share": 1.0,
        "mean_looks": 8.0,
        "mean_backscatter_db": pytest.approx(-20, abs=1e-5),
    }
    assert data["provenance"] == {"seed": 4}
    assert "not an all-clear" in run(capsys, "inspect", tmp_path / "a.nc")[1]
    (tmp_path / "run.toml").write_text('title = "x"\n[compress]\nwindow = "none"\n')
    data = json.loads(run(capsys, "inspect", tmp_path / "run.toml", "--json")[1])
    assert data["kind"] == "settings"
    assert data["compress"] == {"window": "none"}


def test_the_writers_example_runs_and_keeps_the_contract(tmp_path, capsys, monkeypatch):
    text = cleandoc(RecordingWriter.__doc__ or "")
    code = textwrap.dedent(text[text.index("    import numpy") : text.index("Then ``pingloom validate")])
    names = ("time_ns", "north", "east", "depth", "heading_deg", "pitch_deg", "roll_deg", "altitude")
    rows = [
        SimpleNamespace(**dict.fromkeys(names, 1.0) | {"time_ns": START_NS + k * 10**8}) for k in range(5)
    ]
    rng = np.random.default_rng(1)
    pings = [(row.time_ns, rng.standard_normal((1, 32, 3200)) + 1j) for row in rows]
    monkeypatch.chdir(tmp_path)
    exec(code, {"my_navigation": rows, "my_pings": pings})
    assert run(capsys, "validate", "line.h5")[0] == 0
    with open_recording("line.h5") as recording:
        assert recording.n_ping("starboard") == 5


@pytest.mark.parametrize("command", ["validate", "inspect"])
def test_help_shows_an_example(capsys, command):
    code, out, _ = run(capsys, command, "--help")
    assert code == 0
    assert f"Example: pingloom {command} " in out
