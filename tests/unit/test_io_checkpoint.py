"""States written down and read again: the same numbers, and refusal of anything damaged."""

from __future__ import annotations

import json

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from pingloom.imaging.average import Accumulator
from pingloom.imaging.chain import ChainState
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.estimate.noise import NoiseState
from pingloom.imaging.frames import StripFrame
from pingloom.imaging.lay import Grid
from pingloom.imaging.records import Ping
from pingloom.imaging.side import SideState
from pingloom.io.checkpoint import fingerprint, pack, read_checkpoint, unpack, write_checkpoint


def state() -> ChainState:
    rng = np.random.default_rng(3)
    accumulator = Accumulator.allocate(Grid(0.1, 0.05, 7), 12, -4)
    accumulator.usual[:] = rng.exponential(size=7)
    echo = (rng.normal(size=(1, 2, 5)) + 1j * rng.normal(size=(1, 2, 5))).astype(np.complex64)
    side = SideState(accumulator=accumulator, noise=NoiseState().updated(0.1 + 1e-17))
    side.history_m[0] = 1 / 3, np.pi, -0.0
    ping = Ping(side="port", number=4, time_ns=2**60 + 1, echo=echo)
    return ChainState(StripFrame(1e6 / 3, -2.5, 0.1), {"port": side}, [(ping, None)], 17)


def test_a_chains_state_comes_back_number_for_number(tmp_path):
    wrote = state()
    write_checkpoint(tmp_path / "s", {"of": wrote, "also": (1, "søk", float("nan"), None, np.float32(0.1))})
    read = read_checkpoint(tmp_path / "s")
    got = read["of"]
    assert fingerprint(got) == fingerprint(wrote)
    assert (got.frame, got.n_ping) == (wrote.frame, 17)
    assert_array_equal(got.sides["port"].accumulator.usual, wrote.sides["port"].accumulator.usual)
    assert got.sides["port"].noise == wrote.sides["port"].noise
    (ping, nothing) = got.pending[0]
    assert (ping.time_ns, nothing) == (2**60 + 1, None)
    assert_array_equal(ping.echo, wrote.pending[0][0].echo)
    # The work goes on in these arrays.
    got.sides["port"].accumulator.usual[:] = 1
    one, word, nan, nothing, number = read["also"]
    assert (one, word, nothing) == (1, "søk", None)
    assert np.isnan(nan)
    assert isinstance(number, np.float32)
    assert [p.name for p in tmp_path.iterdir()] == ["s"]


def test_a_fingerprint_tells_any_change():
    first, second = state(), state()
    assert fingerprint(first) == fingerprint(second)
    second.sides["port"].history_m[3, 1] = np.nextafter(0, 1)
    assert fingerprint(first) != fingerprint(second)
    assert fingerprint({"a": 1}) != fingerprint({"a": 1.0})
    assert fingerprint((1, 2)) != fingerprint([1, 2])


def test_every_damaged_byte_is_noticed(tmp_path):
    path = tmp_path / "s"
    write_checkpoint(path, state())
    whole = path.read_bytes()
    for at in [*range(0, len(whole), 97), len(whole) - 1]:
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 0x10]) + whole[at + 1 :])
        with pytest.raises(DataError, match="damaged or no checkpoint"):
            read_checkpoint(path)
    for n in (1, 15, 19, len(whole) // 2, len(whole) - 1):
        path.write_bytes(whole[:n])
        with pytest.raises(DataError, match="damaged or no checkpoint"):
            read_checkpoint(path)
    path.write_bytes(b"")
    with pytest.raises(DataError, match="is empty"):
        read_checkpoint(path)


@pytest.mark.parametrize(
    "name", ["os:system", "pingloom.imaging.records:SIDES", "pingloom.absent:Thing", "builtins:dict"]
)
def test_only_records_of_this_package_are_made(name):
    with pytest.raises(DataError, match="allowed: records of this version"):
        unpack({"record": name, "fields": {}}, [])


def test_what_is_neither_plain_nor_a_record_is_refused():
    for value in (object(), {"a": [lambda: 0]}, np.array(["text"])):
        with pytest.raises(ParameterError, match="can't be written down"):
            pack(value, [])


def test_plain_values_are_json():
    arrays = []
    plain = pack({"a": (1, [2.5, None]), 3: {"x"}}, arrays)
    assert arrays == []
    assert unpack(json.loads(json.dumps(plain)), arrays) == {"a": (1, [2.5, None]), 3: {"x"}}
