"""The table of corrections: round trip, equal bytes, refusals, damage."""

from __future__ import annotations

import contextlib
from pathlib import Path

import h5py
import numpy as np
import pytest

from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.estimate.reasons import PingReason
from pingloom.imaging.records import Correction
from pingloom.io.corrections import SideCorrections, read_corrections, write_corrections


def side(name: str = "starboard", n: int = 5) -> SideCorrections:
    rng = np.random.default_rng(3)
    rows = [
        Correction(
            side=name,
            number=2 * k,
            altitude_m=np.nan if k == 1 else 6 + 0.1 * k,
            channel_weight=None if k < 2 else rng.standard_normal((2, 3)) + 1j * rng.standard_normal((2, 3)),
            channel_delay_s=np.array([[0, 1e-6, 0], [0, 0, -2e-6]]) if k == 4 else None,
            shift_along_m=0.01 * k,
            shift_starboard_m=-0.02 * k,
            shift_heading_rad=1e-3 * k,
            look_weight=0.0 if k == 3 else 1.0,
            reasons=PingReason.CLIPPED if k == 3 else 0,
        )
        for k in range(n)
    ]
    time = np.uint64(10**18) + np.arange(n, dtype=np.uint64)
    return SideCorrections(rows=rows, time_ns=time, evidence={"match": np.linspace(0, 1, n)})


def write(path: Path, **more) -> Path:
    sides = more.pop("sides", {"starboard": side(), "port": side("port", 2)})
    write_corrections(path, sides, reason_names=PingReason.NAMES, recording="{}", history="test", **more)
    return path


def test_what_is_written_is_read(tmp_path) -> None:
    table = read_corrections(write(tmp_path / "c.h5"))
    assert set(table.sides) == {"port", "starboard"}
    for ours, theirs in zip(side().rows, table.sides["starboard"].rows, strict=True):
        for name in (
            "number",
            "shift_along_m",
            "shift_starboard_m",
            "shift_heading_rad",
            "look_weight",
            "reasons",
        ):
            assert getattr(ours, name) == getattr(theirs, name)
        np.testing.assert_equal(ours.altitude_m, theirs.altitude_m)
        np.testing.assert_array_equal(ours.channel_weight, theirs.channel_weight)
        np.testing.assert_array_equal(ours.channel_delay_s, theirs.channel_delay_s)
    np.testing.assert_array_equal(table.sides["starboard"].evidence["match"], side().evidence["match"])
    assert table.reason_names == PingReason.NAMES
    assert (table.recording, table.history) == ("{}", "test")


def test_a_table_of_the_first_version_is_read(tmp_path) -> None:
    path = write(tmp_path / "c.h5")
    with h5py.File(path, "r+") as file:
        file.attrs["format_version"] = 1
        del file["starboard/channel_delay"]
    assert read_corrections(path).row("starboard", 8).channel_delay_s is None


def test_a_row_is_found_by_number_and_checked_by_time(tmp_path) -> None:
    table = read_corrections(write(tmp_path / "c.h5"))
    assert table.row("starboard", 4).shift_along_m == pytest.approx(0.02)
    assert table.row("starboard", 3) is None
    assert table.row("port", 4) is None
    assert table.row("starboard", 4, 10**18 + 2) is not None
    with pytest.raises(DataError, match="Estimate them anew"):
        table.row("starboard", 4, 10**18 + 3)


def test_equal_tables_give_equal_bytes(tmp_path) -> None:
    assert write(tmp_path / "a.h5").read_bytes() == write(tmp_path / "b.h5").read_bytes()


def test_nothing_is_overwritten_unasked_and_nothing_half_stays(tmp_path) -> None:
    path = write(tmp_path / "c.h5")
    with pytest.raises(ParameterError, match="exists"):
        write(path)
    write(path, overwrite=True)

    def stop() -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write(tmp_path / "d.h5", before_rename=stop)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["c.h5"]


def test_an_empty_table_is_a_table(tmp_path) -> None:
    table = read_corrections(write(tmp_path / "c.h5", sides={"port": side("port", 0)}))
    assert table.sides["port"].rows == ()


@pytest.mark.parametrize(
    ("rows", "match"),
    [
        (lambda r: [r[1], r[0]], "ascending"),
        (lambda r: [r[0], r[0]], "ascending"),
        (lambda r: r[:1], r"\(2,\); allowed: \(1,\)"),
    ],
)
def test_rows_out_of_order_are_refused(rows, match) -> None:
    good = side(n=2)
    with pytest.raises(ParameterError, match=match):
        SideCorrections(rows=rows(list(good.rows)), time_ns=good.time_ns)


def spoil(path: Path, what: str) -> None:
    with h5py.File(path, "r+") as file:
        group = file["starboard"]
        if what == "kind":
            file.attrs["pingloom_format"] = np.bytes_("product")
        elif what == "version":
            file.attrs["format_version"] = 9
        elif what == "no side":
            del file["starboard"], file["port"]
        elif what == "missing":
            del group["reasons"]
        elif what == "order":
            group["number"][1] = 0
        elif what == "weight":
            group["look_weight"][0] = 2.0
        elif what == "shift":
            group["shift_along"][0] = np.nan
        elif what == "channels":
            group["channel_weight"][2] = np.nan
        elif what == "delays":
            group["channel_delay"][4] = np.inf
        elif what == "bits":
            group["reasons"][0] = -1
        elif what == "length":
            del group["altitude"]
            group["altitude"] = np.zeros(3)
        elif what == "link":
            del group["altitude"]
            group["altitude"] = h5py.ExternalLink("/etc/hostname", "/x")


@pytest.mark.parametrize(
    ("what", "match"),
    [
        ("kind", "'product'; allowed: 'corrections'"),
        ("version", "allowed: 1"),
        ("no side", "has no side"),
        ("missing", "reasons is missing"),
        ("order", "doesn't ascend"),
        ("weight", "look_weight is 2"),
        ("shift", "shift_along_m is nan"),
        ("channels", "isn't finite"),
        ("delays", "channel_delay isn't finite"),
        ("bits", "bits that no reason has"),
        ("length", r"of shape \(3,\)"),
        ("link", "link to elsewhere"),
    ],
)
def test_a_spoilt_table_is_refused_in_one_line(tmp_path, what, match) -> None:
    path = write(tmp_path / "c.h5")
    spoil(path, what)
    with pytest.raises(DataError, match=match) as caught:
        read_corrections(path)
    assert "\n" not in str(caught.value)


def test_damaged_bytes_are_refused_or_change_nothing_unseen(tmp_path) -> None:
    """Values are covered by checksums; what is not (attributes, gaps) may read, but never crash."""
    whole = write(tmp_path / "c.h5").read_bytes()
    rng = np.random.default_rng(0)
    read = 0
    for k in range(120):
        data = bytearray(whole)
        for at in rng.integers(0, len(data), 4):
            data[at] ^= 1 << int(rng.integers(8))
        path = tmp_path / f"{k}.h5"
        path.write_bytes(data[: int(rng.integers(100, len(data)))] if k % 4 == 0 else data)
        with contextlib.suppress(DataError):
            read_corrections(path)
            read += 1
    assert read < 120
