"""Recordings: what is written comes back, in every form that the contract allows."""

from __future__ import annotations

import time
import zlib
from dataclasses import fields
from pathlib import Path

import h5py
import numpy as np
import pytest
from numpy.testing import assert_array_equal

from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.records import Pattern, Ping, Platform, Sonar, Water
from pingloom.io.recording import open_recording, ping_checksum

from . import io_samples as samples


def assert_same(got, wanted) -> None:
    """Compare two records field by field."""
    assert type(got) is type(wanted)
    for item in fields(wanted):
        a, b = getattr(got, item.name), getattr(wanted, item.name)
        if isinstance(b, (Sonar, Platform, Water, Pattern)):
            assert_same(a, b)
        elif isinstance(b, np.ndarray):
            assert a.dtype == b.dtype, item.name
            assert_array_equal(a, b, err_msg=item.name)
        else:
            assert a == b, item.name


@pytest.mark.parametrize("echo_dtype", ["complex64", "int16"])
@pytest.mark.parametrize("full", [False, True])
def test_every_item_that_is_written_comes_back(tmp_path, full, echo_dtype):
    path = samples.record(
        tmp_path / "a.h5",
        ("port", "starboard"),
        full=full,
        platform_full=full,
        echo_dtype=echo_dtype,
        scenario="title = 'x'\n" if full else None,
        seed=2**63 - 1 if full else None,
        history="made up",
    )
    with open_recording(path) as recording:
        assert recording.sides == ("port", "starboard")
        for side in recording.sides:
            assert_same(recording.sonar(side), samples.sonar(side, full=full))
            assert recording.n_ping(side) == 10
            for k in range(10):
                assert_same(recording.ping(side, k), samples.ping(side, k, gain_db=k / 2))
        assert_same(recording.platform(), samples.platform(full=full))
        assert_same(recording.water(), samples.water(full=full))
        assert recording.origin == (10.5, -20.25)
        assert recording.title == "invented line"
        assert recording.history == "made up"
        assert recording.scenario == ("title = 'x'\n" if full else None)
        assert recording.seed == (2**63 - 1 if full else None)
        assert recording.truth() == {}


def test_plain_h5py_reads_what_is_written(tmp_path):
    path = samples.record(tmp_path / "a.h5", n=7, full=True, platform_full=True)
    with h5py.File(path) as file:
        assert file.attrs["pingloom_format"] == b"recording"
        assert file["starboard/echo"].shape == (7, samples.N_ROW, samples.N_CHANNEL, samples.N_SAMPLE)
        assert file["starboard/echo"].dtype == np.complex64
        assert_array_equal(file["starboard/echo"][3], samples.ping("starboard", 3).echo)
        assert_array_equal(file["starboard/sequence"], np.arange(1, 8))
        assert file["starboard/ping_time"].dtype == np.uint64
        assert_array_equal(file["platform/time"], samples.platform(9).time_ns)
        kind = file["starboard/echo"].id.get_type()
        assert [kind.get_member_name(k) for k in range(2)] == [b"r", b"i"]
        for owner in (file, file["starboard"], file["platform"], file["water"]):
            for name in owner.attrs:
                text = h5py.h5a.open(owner.id, name.encode()).get_type()
                assert not (isinstance(text, h5py.h5t.TypeStringID) and text.is_variable_str()), name


def test_the_checksum_is_the_documented_one(tmp_path):
    for dtype in ("complex64", "int16"):
        path = samples.record(tmp_path / f"{dtype}.h5", echo_dtype=dtype)
        with h5py.File(path) as file:
            group = file["starboard"]
            raw = group["echo"][4].tobytes()
            tail = np.array([group["ping_time"][4], group["sequence"][4]], "<u8").tobytes()
            assert group["checksum"][4] == zlib.crc32(raw + tail)
            assert ping_checksum(raw, int(group["ping_time"][4]), 5) == group["checksum"][4]


def test_both_sides_come_in_order_of_ping_time(tmp_path):
    path = samples.record(tmp_path / "a.h5", ("port", "starboard"), n=4, late_ns=samples.INTERVAL_NS // 2)
    with open_recording(path) as recording:
        got = [(p.side, p.number) for p in recording.pings()]
        assert got == [(side, k) for k in range(4) for side in ("starboard", "port")]
        assert [(p.side, p.number) for p in recording.pings(start=5)] == got[5:]
        assert [p.number for p in recording.pings("port", start=1)] == [1, 2, 3]
    together = samples.record(tmp_path / "b.h5", ("port", "starboard"), n=2)
    with open_recording(together) as recording:
        assert [p.side for p in recording.pings()] == ["port", "starboard"] * 2


def test_a_folder_of_segments_reads_as_one_recording(tmp_path):
    folder = samples.record(tmp_path / "line", ("port", "starboard"), n=10, segment_folder=True, capacity=4)
    assert sorted(p.name for p in folder.iterdir()) == [f"segment-{k:06d}.h5" for k in range(3)]
    with open_recording(folder) as recording:
        assert recording.n_ping("port") == 10
        assert [(p.number, p.side) for p in recording.pings()] == [
            (k, s) for k in range(10) for s in ("port", "starboard")
        ]
        for p in recording.pings():
            assert_array_equal(p.echo, samples.ping(p.side, p.number).echo)
        assert_array_equal(
            recording.ping_time_ns("port"), [samples.ping("port", k).time_ns for k in range(10)]
        )
        assert len(recording.segments) == 3
    with open_recording(folder / "segment-000001.h5") as segment:
        assert segment.n_ping("starboard") == 4


def test_platform_rows_of_all_segments_are_joined_sorted_and_single(tmp_path):
    folder = tmp_path / "line"
    with samples.writer(folder, segment_folder=True, capacity=2) as file:
        for k in range(6):
            file.write_pose(**pose(k))
            file.write_ping(samples.ping("starboard", k))
    # The last row of the first segment once more in the second, with another value: the first one holds.
    with h5py.File(folder / "segment-000001.h5", "r+") as second:
        second["platform/time"][0] = samples.START_NS + samples.INTERVAL_NS
    with open_recording(folder) as recording:
        got = recording.platform()
    assert_array_equal(got.north_m, [0, 1, 2, 4, 5])
    assert np.all(np.diff(got.time_ns.astype(np.int64)) > 0)


def pose(k: int, **more: float) -> dict[str, float]:
    zeros = dict.fromkeys(("east_m", "depth_m", "heading_rad", "pitch_rad", "roll_rad"), 0.0)
    return {"time_ns": samples.START_NS + k * samples.INTERVAL_NS, "north_m": float(k), **zeros, **more}


def test_a_full_file_and_a_trimmed_one_are_the_same_bytes(tmp_path):
    exact = samples.record(tmp_path / "exact.h5", n=5, capacity=5, platform_capacity=7)
    trimmed = samples.record(tmp_path / "trimmed.h5", n=5, capacity=50, platform_capacity=400)
    assert exact.read_bytes() == trimmed.read_bytes()


def test_equal_input_gives_equal_bytes_at_another_time(tmp_path):
    a = samples.record(tmp_path / "a.h5", ("port", "starboard"), full=True, platform_full=True, seed=3)
    time.sleep(1.1)  # HDF5's own time stamps count whole seconds
    b = samples.record(tmp_path / "b.h5", ("port", "starboard"), full=True, platform_full=True, seed=3)
    assert a.read_bytes() == b.read_bytes()
    with h5py.File(a) as file:
        # The time of the first row, one ping interval before START_NS.
        assert file.attrs["date_created"] == b"2030-03-17T17:46:39Z"


def test_rows_after_the_first_ping_may_bring_any_column(tmp_path):
    path = tmp_path / "a.h5"
    with samples.writer(path) as file:
        file.write_ping(samples.ping("starboard", 0))
        file.write_pose(**pose(0, altitude_m=6.0))
        file.write_pose(**pose(1))
    with h5py.File(path) as file:
        assert set(file["platform"]) == {
            *("time", "north", "east", "depth", "heading", "pitch", "roll"),
            "altitude",
        }
    with open_recording(path) as recording:
        assert_array_equal(recording.platform().altitude_m, [6.0, np.nan])


def test_truth_comes_back_with_what_is_said_about_it(tmp_path):
    path = tmp_path / "a.h5"
    with samples.writer(path) as file:
        file.write_truth("target_position", np.arange(6.0).reshape(2, 3), units="m", note="ø")
        file.write_platform(samples.platform())
        file.write_ping(samples.ping("starboard", 0))
        file.write_truth("field", np.array([1 + 2j], np.complex64), count=3)
    with open_recording(path) as recording:
        truth = recording.truth()
    assert set(truth) == {"target_position", "field"}
    assert_array_equal(truth["target_position"].array, np.arange(6.0).reshape(2, 3))
    assert truth["target_position"].attributes == {"units": "m", "note": "ø"}
    assert truth["field"].array.dtype == np.complex64
    assert truth["field"].attributes == {"count": 3}


def test_identity_tells_recordings_apart_wherever_they_lie(tmp_path):
    (tmp_path / "other").mkdir()
    here = samples.record(tmp_path / "a.h5")
    there = samples.record(tmp_path / "other" / "a.h5")
    differs = samples.record(tmp_path / "other" / "b.h5", n=9)
    identities = [open_recording(p).identity() for p in (here, there, differs)]
    assert identities[0] == identities[1]
    assert identities[0]["sha256"] != identities[2]["sha256"]
    assert identities[0]["files"] == [{"name": "a.h5", "bytes": here.stat().st_size}]


def test_a_follower_sees_pings_as_they_are_written(tmp_path):
    folder = tmp_path / "line"
    with samples.writer(folder, segment_folder=True, capacity=3) as file:
        file.write_pose(**pose(0))
        file.write_ping(samples.ping("starboard", 0))
        with open_recording(folder) as recording:
            for k in range(1, 8):
                assert recording.n_ping("starboard") == k
                assert_array_equal(
                    recording.ping("starboard", k - 1).echo, samples.ping("starboard", k - 1).echo
                )
                assert recording.platform().time_ns.size == k
                file.write_pose(**pose(k))
                file.write_ping(samples.ping("starboard", k))
                recording.refresh()
            file.close()
            recording.refresh()
            assert [p.number for p in recording.pings()] == list(range(8))


def test_a_ping_without_mark_or_with_a_wrong_checksum_does_not_exist(tmp_path):
    path = samples.record(tmp_path / "a.h5")
    with h5py.File(path, "r+") as file:
        file["starboard/sequence"][9] = 0
        damaged = file["starboard/echo"][4]
        damaged[0, 0, 0] += 1
        file["starboard/echo"][4] = damaged
    with open_recording(path) as recording:
        assert recording.n_ping("starboard") == 9
        assert [p.number for p in recording.pings()] == [0, 1, 2, 3, 5, 6, 7, 8]
        assert recording.n_rejected("starboard") == 1
        with pytest.raises(DataError, match=r"ping 4 of starboard disagrees with its checksum"):
            recording.ping("starboard", 4)
        assert recording.n_rejected("starboard") == 1


def test_a_recording_made_by_another_program_is_read_whole(tmp_path):
    path = samples.foreign(tmp_path / "a.h5")
    with open_recording(path) as recording:
        assert recording.sides == ("port",)
        assert recording.title == "from elsewhere"
        assert recording.n_ping("port") == 5
        assert recording.sonar("port").frequency_start_hz == 435e3
        assert_array_equal(recording.sonar("port").transmit_size_m, np.float32([0.03, 0.015]))
        assert recording.platform().altitude_m[0] == 6
        for p in recording.pings():
            assert_array_equal(p.echo, samples.ping("port", p.number).echo[:1])


ECHO = np.stack([samples.ping("port", k).echo[:1] for k in range(5)])
PAIRS = np.stack([ECHO.real, ECHO.imag], axis=-1)


@pytest.mark.parametrize(
    "echo",
    [
        ECHO.astype(np.complex128),
        ECHO.astype(">c8"),
        PAIRS.astype(np.int16),
        PAIRS.astype(">i2"),
        PAIRS.astype(np.float32),
        PAIRS.view([("real", "<f4"), ("imag", "<f4")])[..., 0],
        {"data": ECHO, "chunks": (1, 1, 4, 50), "compression": "gzip", "shuffle": True, "fletcher32": True},
        {"data": ECHO, "chunks": True, "maxshape": (None, 1, 4, 50)},
    ],
    ids=["c16", "big", "i2", "big i2", "f4 pairs", "named pairs", "compressed", "chunked"],
)
def test_echoes_are_read_in_every_form(tmp_path, echo):
    with open_recording(samples.foreign(tmp_path / "a.h5", **{"port/echo": echo})) as recording:
        for k in range(5):
            got = recording.ping("port", k).echo
            assert got.dtype == np.complex64
            assert got.dtype.isnative
            assert_array_equal(got, ECHO[k])


def test_a_file_that_this_process_has_open_already_is_read_too(tmp_path):
    path = samples.record(tmp_path / "a.h5")
    with h5py.File(path) as _, open_recording(path) as recording:
        assert recording.n_ping("starboard") == 10
    with h5py.File(path, "r+") as _, open_recording(path) as recording:
        assert recording.n_ping("starboard") == 10


def test_text_and_flags_are_read_in_every_form(tmp_path):
    path = samples.foreign(
        tmp_path / "a.h5",
        **{
            "port@echo_unit": np.array(["V"], h5py.string_dtype()),
            "port@serial_number": np.int16(12),
            "port/element_ok": np.array([[True, False, True, True]]),
            "platform/status": np.zeros(5, np.uint8),
        },
    )
    with open_recording(path) as recording:
        assert recording.sonar("port").echo_unit == "V"
        assert recording.sonar("port").serial_number == "12"
        assert_array_equal(recording.sonar("port").element_ok, [[True, False, True, True]])
        assert recording.platform().status.dtype == np.int64


# ---- the writer's refusals -----------------------------------------------------------------------------------


def test_nothing_is_overwritten_unasked(tmp_path):
    path = samples.record(tmp_path / "a.h5")
    before = path.read_bytes()
    with pytest.raises(ParameterError, match="exists; allowed: a new name"):
        samples.writer(path)
    assert path.read_bytes() == before
    samples.record(path, n=3, overwrite=True)
    assert open_recording(path).n_ping("starboard") == 3

    folder = samples.record(tmp_path / "line", n=9, segment_folder=True, capacity=2)
    with pytest.raises(ParameterError, match="exists; allowed: a new name"):
        samples.writer(folder, segment_folder=True)
    samples.record(folder, n=3, segment_folder=True, capacity=2, overwrite=True)
    assert open_recording(folder).n_ping("starboard") == 3
    (folder / "letter.txt").write_text("dear")
    with pytest.raises(ParameterError, match=r"holds letter.txt, which is no segment"):
        samples.writer(folder, segment_folder=True, overwrite=True)
    with pytest.raises(ParameterError, match="is a folder; allowed: a new name"):
        samples.writer(folder, overwrite=True)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"capacity": 0}, "capacity of starboard is 0; allowed: a whole number"),
        ({"capacity": {"port": 3}}, "capacity is given for port; allowed: starboard"),
        ({"echo_dtype": "int8"}, "echo_dtype is 'int8'; allowed: complex64, int16"),
        ({"sonars": {}}, "sonars is empty"),
        ({"sonars": {"port": samples.sonar("starboard")}}, "'port' with a sonar of side 'starboard'"),
        ({"platform_columns": ["altitude"]}, "platform_columns has 'altitude'; did you mean 'altitude_m'"),
        ({"origin_latitude_deg": 91.0}, "origin_latitude_deg is 91.0; allowed: -90 to 90"),
        ({"origin_longitude_deg": float("nan")}, "origin_longitude_deg is nan"),
    ],
)
def test_a_wrong_plan_is_refused(tmp_path, changes, words):
    with pytest.raises(ParameterError, match=words):
        samples.writer(tmp_path / "a.h5", **changes)
    assert list(tmp_path.iterdir()) == []


def test_a_wrong_ping_is_refused(tmp_path):
    with samples.writer(tmp_path / "a.h5", echo_dtype="int16", capacity=2) as file:
        file.write_ping(samples.ping("starboard", 0))
        with pytest.raises(ParameterError, match="'port'; allowed here: starboard"):
            file.write_ping(samples.ping("port", 1))
        with pytest.raises(ParameterError, match=r"shape \(row, channel, sample\) = \(2, 4, 49\); allowed"):
            file.write_ping(samples.ping("starboard", 1, n_sample=49))
        with pytest.raises(ParameterError, match="allowed: later times"):
            file.write_ping(samples.ping("starboard", 0))
        loud = Ping(
            side="starboard",
            number=1,
            time_ns=samples.START_NS + 1,
            echo=samples.ping("starboard", 1).echo * 1e4,
        )
        with pytest.raises(ParameterError, match=r"reaches .* allowed for int16: -32768 to 32767"):
            file.write_ping(loud)
        file.write_ping(samples.ping("starboard", 1))
        with pytest.raises(ParameterError, match="the starboard side is full at 2 pings"):
            file.write_ping(samples.ping("starboard", 2))
        file.write_platform(samples.platform())
    with pytest.raises(ParameterError, match="is closed"):
        file.write_ping(samples.ping("starboard", 2))
    with open_recording(tmp_path / "a.h5") as recording:
        assert [p.number for p in recording.pings()] == [0, 1]


def test_a_wrong_row_is_refused(tmp_path):
    with samples.writer(tmp_path / "a.h5", platform_capacity=2) as file:
        file.write_pose(**pose(0))
        with pytest.raises(ParameterError, match="no column 'north'; did you mean 'north_m'"):
            file.write_pose(north=1)
        with pytest.raises(ParameterError, match="lacks depth_m"):
            file.write_pose(**{k: v for k, v in pose(1).items() if k != "depth_m"})
        with pytest.raises(ParameterError, match="allowed: later times"):
            file.write_pose(**pose(0))
        with pytest.raises(ParameterError, match="north_m is nan"):
            file.write_pose(**pose(1) | {"north_m": np.nan})
        with pytest.raises(ParameterError, match="comes in some rows only"):
            file.write_pose(**pose(1), speed_forward_m_s=1.0, speed_starboard_m_s=0.0, speed_down_m_s=0.0)
        file.write_pose(**pose(1))
        with pytest.raises(ParameterError, match="the platform has room for 2 rows"):
            file.write_pose(**pose(2))


def interrupted(path: Path, **given) -> None:
    with samples.writer(path, **given) as file:
        file.write_platform(samples.platform())
        file.write_ping(samples.ping("starboard", 0))
        raise KeyError


def test_a_writer_without_anything_to_write_leaves_nothing(tmp_path):
    with pytest.raises(DataError, match="nothing was written"), samples.writer(tmp_path / "a.h5"):
        pass
    with pytest.raises(KeyError):
        interrupted(tmp_path / "b.h5", keep_on_error=False)
    with pytest.raises(KeyError):
        interrupted(tmp_path / "c", keep_on_error=False, segment_folder=True)
    assert list(tmp_path.iterdir()) == []


def test_a_failing_program_keeps_what_it_recorded(tmp_path):
    with pytest.raises(KeyError):
        interrupted(tmp_path / "a.h5")
    assert open_recording(tmp_path / "a.h5").n_ping("starboard") == 1
    assert [p.name for p in tmp_path.iterdir()] == ["a.h5"]
