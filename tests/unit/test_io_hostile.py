"""Damaged, foreign and malicious files: one clear line, no hang, no crash, nothing read from elsewhere."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import h5py
import numpy as np
import pytest

from pingloom.imaging.errors import DataError
from pingloom.io import safe_hdf5
from pingloom.io.recording import open_recording

from . import io_samples as samples

MISSING = [
    ("@pingloom_format", r"has no attribute pingloom_format; allowed: pingloom_format = 'recording'"),
    ("port@centre_frequency", r"/port/@centre_frequency is missing; allowed: a number \[Hz\]"),
    (
        "port/element_position",
        r"/port/element_position is missing; allowed: numbers of shape \(row, channel, 3\)",
    ),
    ("port/echo", r"/port/echo is missing; allowed: complex64"),
    ("port/ping_time", r"/port/ping_time is missing"),
    ("platform/roll", r"/platform/roll is missing; allowed: numbers of shape \(k\) \[rad\]"),
    ("water@sound_speed_indicative", "has no group 'water'"),
]


@pytest.mark.parametrize(("item", "words"), MISSING)
def test_what_is_missing_is_named(tmp_path, item, words):
    with pytest.raises(DataError, match=words):
        open_recording(samples.foreign(tmp_path / "a.h5", **{item: None}))


WRONG = [
    ("@pingloom_format", "product", "has pingloom_format 'product'"),
    ("@format_version", 2, "format_version 2.0; allowed: 1"),
    ("port@centre_frequency", "450 kHz", r"@centre_frequency is '450 kHz'; allowed: a number"),
    ("port@centre_frequency", [450e3, 1], r"@centre_frequency is of shape \(2,\); allowed: a number"),
    ("port@centre_frequency", -450e3, r"/port: sonar.centre_frequency_hz is -450000; allowed"),
    ("port@centre_frequency", h5py.Empty("f8"), "holds nothing"),
    ("port@transmit_size", [1.0], r"@transmit_size is of shape \(1,\); allowed: 2 numbers"),
    ("port@sample_interval", 1 / 20e3, "aliases"),
    ("port@echo_unit", "mV", "echo_unit is 'mV'; allowed: Pa, V, count"),
    ("port@serial_number", b"\xff\xfe", "serial_number isn't UTF-8"),
    ("port/element_position", np.zeros((1, 3, 3)), r"is of shape \(1, 3, 3\); allowed: \(1, 4, 3\)"),
    ("port/element_position", np.zeros((1, 4, 3)), "channels from aft to fore"),
    ("port/echo", np.zeros((5, 4, 50), "c8"), r"echo is complex64 of shape \(5, 4, 50\); allowed"),
    ("port/echo", np.zeros((5, 1, 4, 50), "f4"), r"echo is float32 of shape \(5, 1, 4, 50\); allowed"),
    ("port/ping_time", np.arange(5.0), "is of type float64; allowed: integer or unsigned"),
    ("port/ping_time", np.arange(4), r"of shape \(4,\); allowed: \(5\)"),
    ("port/ping_time", -np.arange(5), "has -4 in it"),
    ("port/pattern_receive_along", np.zeros((3, 2)), r"of shape \(3, 2\); allowed: \(2, any\)"),
    ("port/pattern_receive_along", np.zeros((2, 3)), "strictly increasing"),
    (
        "port/pattern_receive_along",
        np.array([[-40.0, 0.0, 40.0], [-9.0, 0.0, -9.0]]),
        "Turn degrees into radians",
    ),
    ("port/echo", {"data": [b"x"]}, "echo holds no plain values"),
    ("port/echo", {"shape": (2,), "dtype": h5py.vlen_dtype("f4")}, "holds no plain values"),
    ("port/element_ok", {"shape": (1, 4), "dtype": h5py.ref_dtype}, "holds no plain values"),
    ("port/element_ok/inner", np.zeros(3), "element_ok is no dataset"),
    ("water", np.zeros(3), "water is no group"),
]


@pytest.mark.parametrize(("item", "value", "words"), WRONG)
def test_what_is_wrong_is_named(tmp_path, item, value, words):
    if item == "water":
        path = samples.foreign(tmp_path / "a.h5", **{"water@sound_speed_indicative": None, "water": value})
    else:
        path = samples.foreign(tmp_path / "a.h5", **{item: value})
    with pytest.raises(DataError, match=words) as caught:
        open_recording(path)
    assert "\n" not in str(caught.value)


def test_a_platform_that_is_not_finite_is_refused(tmp_path):
    path = samples.foreign(tmp_path / "a.h5", **{"platform/north": np.full(5, np.nan)})
    with (
        open_recording(path) as recording,
        pytest.raises(DataError, match=r"/platform: platform.north_m is nan"),
    ):
        recording.platform()


def test_what_is_no_recording_is_refused(tmp_path):
    def refused(path: Path, words: str) -> None:
        with pytest.raises(DataError, match=words):
            open_recording(path)

    refused(tmp_path / "none.h5", "no such file")
    refused(tmp_path, "a folder without segments")
    (tmp_path / "empty.h5").touch()
    refused(tmp_path / "empty.h5", r"is empty \(0 bytes\)")
    (tmp_path / "picture.h5").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(100))
    refused(tmp_path / "picture.h5", "is not an HDF5 file .*PNG")
    (tmp_path / "text.h5").write_text("hello " * 1000)
    refused(tmp_path / "text.h5", "is not an HDF5 file .*hello")
    with h5py.File(tmp_path / "other.h5", "w") as file:
        file["x"] = np.zeros(3)
    refused(tmp_path / "other.h5", "has no attribute pingloom_format")
    os.mkfifo(tmp_path / "pipe.h5")
    refused(tmp_path / "pipe.h5", "is a pipe, socket or device")


def test_a_file_cut_short_is_refused_at_every_length(tmp_path):
    whole = samples.record(tmp_path / "a.h5").read_bytes()
    cut = tmp_path / "cut.h5"
    for n_byte in np.linspace(1, len(whole) - 1, 25).astype(int):
        cut.write_bytes(whole[:n_byte])
        with pytest.raises(DataError, match=r"is cut short|is damaged|is not an HDF5 file"):
            open_recording(cut)


def with_links(tmp_path: Path, kind: str) -> Path:
    secret = tmp_path / "secret.bin"
    secret.write_bytes(np.ones((5, 1, 4, 50), "c8").tobytes())
    path = samples.foreign(tmp_path / "a.h5", **{"port/echo": None})
    other = samples.foreign(tmp_path / "other.h5")
    with h5py.File(path, "r+") as file:
        if kind == "soft":
            file["port/echo"] = h5py.SoftLink("/port/ping_time")
        elif kind == "external":
            file["port/echo"] = h5py.ExternalLink(str(other), "/port/echo")
        elif kind == "storage":
            file.create_dataset(
                "port/echo", (5, 1, 4, 50), "c8", external=[(str(secret), 0, h5py.h5f.UNLIMITED)]
            )
        elif kind == "virtual":
            layout = h5py.VirtualLayout((5, 1, 4, 50), "c8")
            layout[...] = h5py.VirtualSource(str(other), "port/echo", (5, 1, 4, 50))
            file.create_virtual_dataset("port/echo", layout)
        elif kind == "group":
            del file["port"]
            file["port"] = h5py.ExternalLink(str(other), "/port")
    return path


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("soft", r"echo is a link to elsewhere \(SoftLink\)"),
        ("external", r"echo is a link to elsewhere \(ExternalLink\)"),
        ("group", r"port is a link to elsewhere \(ExternalLink\)"),
        ("storage", "keeps its values in other files"),
        ("virtual", "keeps its values in other files"),
    ],
)
def test_nothing_is_read_from_elsewhere(tmp_path, kind, words):
    with pytest.raises(DataError, match=words):
        open_recording(with_links(tmp_path, kind))


def test_a_file_that_would_swell_is_refused(tmp_path):
    zeros = {"shape": (500, 1, 4, 20_000), "dtype": "c8", "chunks": (10, 1, 4, 20_000), "compression": "gzip"}
    path = samples.foreign(tmp_path / "a.h5", n=500, **{"port/echo": zeros})
    with h5py.File(path, "r+") as file:
        for k in range(0, 500, 10):
            file["port/echo"][k : k + 10] = np.zeros((10, 1, 4, 20_000), "c8")
    with pytest.raises(DataError, match="declares 320000000 bytes but stores"):
        open_recording(path)
    huge = {"shape": (10**9, 1, 4, 50), "dtype": "c8", "chunks": (1, 1, 4, 50)}
    with pytest.raises(DataError, match="declares 1600000000000 bytes but stores 0"):
        open_recording(samples.foreign(tmp_path / "b.h5", **{"port/echo": huge}))
    chunks = {"shape": (1, 1, 4, 2**25), "dtype": "c8", "chunks": (1, 1, 4, 2**25)}
    with pytest.raises(DataError, match="declares"):
        open_recording(samples.foreign(tmp_path / "c.h5", **{"port/echo": chunks}))


def test_a_filter_that_must_be_loaded_is_refused(tmp_path):
    echo = {"data": np.zeros((5, 1, 4, 50), "c8"), "compression": "lzf"}
    with pytest.raises(DataError, match="needs filter 32000; allowed: none, deflate"):
        open_recording(samples.foreign(tmp_path / "a.h5", **{"port/echo": echo}))


def test_a_damaged_chunk_is_one_line_and_the_other_pings_are_read(tmp_path):
    echo = {
        "data": samples.ping("port", 0).echo[None, :1].repeat(5, 0),
        "chunks": (1, 1, 4, 50),
        "fletcher32": True,
    }
    path = samples.foreign(tmp_path / "a.h5", **{"port/echo": echo})
    with h5py.File(path) as file:
        chunk = file["port/echo"].id.get_chunk_info(2)
    with open(path, "r+b") as raw:
        raw.seek(chunk.byte_offset + 8)
        raw.write(b"\xaa\xbb")
    with open_recording(path) as recording:
        assert recording.ping("port", 1).number == 1
        with pytest.raises(DataError, match=r"/port/echo\[2\] is damaged"):
            recording.ping("port", 2)


def test_a_text_that_makes_the_library_loop_is_refused_in_time(tmp_path, monkeypatch):
    # A heap whose free-space object has size 0 sends the library round for ever when a text is read.
    path = samples.foreign(tmp_path / "a.h5")
    data = bytearray(path.read_bytes())
    heap = data.index(b"GCOL")
    data[heap + 16 : heap + 32] = bytes(16)
    path.write_bytes(data)
    monkeypatch.setattr(safe_hdf5, "TEXT_SECONDS", 3)
    with pytest.raises(DataError, match="a text of variable length that can't be read"):
        open_recording(path)


FUZZ = """
import sys, numpy as np
from pathlib import Path
from pingloom.imaging.errors import PingloomError
from pingloom.io import safe_hdf5
from pingloom.io.recording import open_recording
safe_hdf5.TEXT_SECONDS = 3
source, target, seed = Path(sys.argv[1]).read_bytes(), Path(sys.argv[2]), int(sys.argv[3])
rng = np.random.default_rng(seed)
refused = 0
for _ in range(int(sys.argv[4])):
    data = np.frombuffer(source, np.uint8).copy()
    kind = rng.integers(3)
    header = 6000 if kind == 0 else data.size   # mostly structure at the start
    for at in rng.integers(0, header, rng.choice([1, 2, 8, 64])):
        data[at] = rng.choice([0, 255, 127, 128, rng.integers(256)])
    if kind == 2:
        at = int(rng.integers(0, data.size)) // 512 * 512
        data[at : at + 512] = 0
    target.write_bytes(data.tobytes())
    try:
        with open_recording(target) as recording:
            recording.platform(), recording.water(), recording.title, recording.origin, recording.identity()
            for ping in recording.pings():
                ping.echo.sum()
    except PingloomError as error:
        assert "\\n" not in str(error), error
        refused += 1
print(refused)
"""


@pytest.mark.parametrize("make", ["ours", "foreign"])
def test_mutated_files_are_read_or_refused_in_one_line(tmp_path, make):
    # In a child, so that a crash or a hang of the library would be seen as such.
    n_file = 150 if make == "ours" else 20
    if make == "ours":
        path = samples.record(tmp_path / "a.h5", full=True, platform_full=True)
    else:
        path = samples.foreign(tmp_path / "a.h5")
    command = [
        sys.executable,
        "-W",
        "ignore",
        "-c",
        FUZZ,
        str(path),
        str(tmp_path / "m.h5"),
        "7",
        str(n_file),
    ]
    done = subprocess.run(command, capture_output=True, text=True, timeout=100, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    assert 0 < int(done.stdout) < n_file


def acknowledged_by(write_end: int, path: Path, segmented: bool) -> None:
    with samples.writer(
        path, ("port", "starboard"), capacity=7, segment_folder=segmented, durable=True, overwrite=True
    ) as file:
        for k in range(7 if not segmented else 10_000):
            file.write_pose(
                **dict.fromkeys(POSE, 0.0) | {"time_ns": samples.START_NS + k, "north_m": float(k)}
            )
            for side in ("port", "starboard"):
                file.write_ping(samples.ping(side, k))
                os.write(write_end, bytes([side == "port"]))


POSE = ("east_m", "depth_m", "heading_rad", "pitch_rad", "roll_rad", "north_m")


def kill_after(path: Path, seconds: float, segmented: bool) -> bytes:
    """Record in a child, kill it, return a byte for each ping that it knew to be written."""
    read_end, write_end = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            acknowledged_by(write_end, path, segmented)
            signal.pause()
        finally:
            os._exit(1)
    os.close(write_end)
    first = os.read(read_end, 1)
    signal.sigtimedwait([], seconds)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    with os.fdopen(read_end, "rb") as pipe:
        return first + pipe.read()


@pytest.mark.parametrize("segmented", [True, False])
def test_a_killed_writer_loses_no_ping_that_it_knew_to_be_written(tmp_path, segmented):
    rng = np.random.default_rng(5)
    total = 0
    for k, seconds in enumerate(rng.uniform(0.001, 0.15, 12)):
        path = tmp_path / f"{k}{'' if segmented else '.h5'}"
        known = kill_after(path, seconds, segmented)
        total += len(known)
        with open_recording(path) as recording:
            for side in ("port", "starboard"):
                n_known = known.count(side == "port")
                pings = list(recording.pings(side))
                assert n_known <= len(pings) <= n_known + 1
                assert recording.n_rejected(side) == 0
                assert recording.platform().time_ns.size >= len(pings)
                for ping in pings:
                    np.testing.assert_array_equal(ping.echo, samples.ping(side, ping.number).echo)
        for file in [path] if path.is_file() else sorted(path.glob("segment*")):
            with h5py.File(file) as plain:
                assert plain["port/echo"].shape[1:] == (samples.N_ROW, samples.N_CHANNEL, samples.N_SAMPLE)
    assert total > 24  # the kills did come in the middle of the work
