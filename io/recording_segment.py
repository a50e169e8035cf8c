"""One recording file: its records, its marked pings, its platform rows."""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.conventions import SIDES
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.records import Pattern, Sonar, Water

from . import layout
from .layout import Item
from .safe_hdf5 import SafeFile, SafeGroup, complex_from, is_complex_pair

__all__ = [
    "LARGEST_PING",
    "PingTable",
    "Segment",
    "digest",
    "ping_checksum",
    "read_ping_table",
    "read_sonar",
    "read_water",
]

LARGEST_PING = 2**30
"""Echoes of one ping in a recording. [byte]"""


def ping_checksum(echo: NDArray[Any] | bytes, time_ns: int, sequence: int) -> int:
    """Return the CRC-32 that marks one ping as whole.

    It runs over the echo's bytes as the dataset stores them (in the order row, channel, sample, real before
    imaginary, each number little-endian), then ``ping_time`` as 8 bytes and ``sequence`` as 8 bytes, both unsigned and little-endian.
    The CRC is that of zlib and of IEEE 802.3 (polynomial 0x04C11DB7, reflected, start and end inverted).

    Parameters
    ----------
    echo : ndarray or bytes
        As stored: complex64 or int16 pairs.
    time_ns : int
        Start of transmission.
    sequence : int
        The ping's commit mark.
    """
    if isinstance(echo, np.ndarray):
        echo = np.ascontiguousarray(echo, echo.dtype.newbyteorder("<")).reshape(-1).view(np.uint8).data
    crc = zlib.crc32(echo)
    return zlib.crc32(int(time_ns).to_bytes(8, "little") + int(sequence).to_bytes(8, "little"), crc)


def digest(value: Any) -> str:
    """Return a SHA-256 of a record: equal for equal fields, on any machine."""
    total = hashlib.sha256()
    _feed(total, value)
    return total.hexdigest()


def _feed(total: Any, value: Any) -> None:
    if is_dataclass(value):
        for item in fields(value):
            total.update(item.name.encode())
            _feed(total, getattr(value, item.name))
    elif isinstance(value, np.ndarray):
        total.update(f"{value.dtype.str}{value.shape}".encode())
        total.update(np.ascontiguousarray(value).tobytes())
    else:
        total.update(f"{type(value).__name__}:{value!r};".encode())


def required(group: SafeGroup, item: Item, *, attribute: bool) -> DataError:
    """Return the refusal for a required item that isn't there."""
    kind = "attribute" if attribute else "dataset"
    sign = "@" if attribute else ""
    return DataError(f"{group.where(sign + item.name)} is missing; allowed: {item.allowed}. Add that {kind}.")


def read_attribute(group: SafeGroup, item: Item) -> Any:
    """Return one attribute by its layout item: float, array, text or None."""
    if item.kinds == "S":
        value: Any = group.attribute(item.name)
        if value is not None and not isinstance(value, str) and value.size == 1:
            value = str(value.reshape(-1)[0])  # a serial number may well be a number
    else:
        value = group.numbers(item.name, tuple(int(n) for n in item.shape))
        if value is not None and item.shape == ():
            value = float(value)
    if value is None and item.required:
        raise required(group, item, attribute=True)
    return value


def read_array(group: SafeGroup, item: Item, lengths: Mapping[str, int]) -> NDArray[Any] | None:
    """Return one dataset by its layout item; ``lengths`` are those of the named axes that are known."""
    shape = tuple(n if isinstance(n, int) else lengths.get(n) for n in item.shape)
    if "c" in item.kinds and group.has(item.name):
        return _complex_array(group, item)
    value = group.array(item.name, item.kinds, shape)
    if value is None and item.required:
        raise required(group, item, attribute=False)
    return value


def _complex_array(group: SafeGroup, item: Item) -> NDArray[np.complex64]:
    data = group.dataset(item.name)
    paired = data.dtype.kind in "fi" and data.ndim == len(item.shape) + 1 and data.shape[-1] == 2
    shape = (None,) * len(item.shape) + ((2,) if paired else ())
    values = group.array(item.name, item.kinds if paired else "cf", shape)
    return complex_from(values) if paired or values.dtype.kind == "c" else values.astype(np.complex64)


def echo_of(group: SafeGroup) -> h5py.Dataset:
    """Return the checked ``echo`` dataset: complex, or real numbers with a last axis of 2."""
    data = group.dataset("echo")
    allowed = "complex64 (ping, row, channel, sample), or int16 with a last axis of 2"
    if data is None:
        raise DataError(f"{group.where('echo')} is missing; allowed: {allowed}. Add that dataset.")
    is_complex = data.dtype.kind == "c" or is_complex_pair(data.dtype)
    is_pair = data.dtype.kind in "fi" and data.ndim == 5 and data.shape[-1] == 2
    if not (is_complex and data.ndim == 4) and not is_pair:
        raise DataError(
            f"{group.where('echo')} is {data.dtype} of shape {data.shape}; allowed: {allowed}. "
            "Put the axes in that order."
        )
    n_byte = int(np.prod(data.shape[1:], dtype=object)) * data.dtype.itemsize
    if n_byte > LARGEST_PING:
        raise DataError(f"{group.where('echo')} has {n_byte} bytes a ping; allowed: at most {LARGEST_PING}.")
    return data


def read_sonar(group: SafeGroup, side: str) -> Sonar:
    """Return the sonar that one side's group describes.

    Raises
    ------
    DataError
        If an item is missing, of the wrong type or shape, or outside what a sonar can be.
    """
    _, n_row, n_channel, n_sample = echo_of(group).shape[:4]
    lengths = {"row": n_row, "channel": n_channel, "sample": n_sample}
    given: dict[str, Any] = {i.field: read_attribute(group, i) for i in layout.SONAR_ATTRIBUTES}
    given |= {i.field: read_array(group, i, lengths) for i in layout.SONAR_ARRAYS}
    for item in layout.PATTERNS:
        table = read_array(group, item, {})
        if table is not None:
            given[item.field] = _built(
                group, Pattern, {"angle_rad": table[0], "gain_db": table[1]}, item.name
            )
    given = {name: value for name, value in given.items() if value is not None}
    return _built(group, Sonar, {"side": side, "n_sample": n_sample, **given})


def _built(group: SafeGroup, cls: Any, given: Mapping[str, Any], item: str = "") -> Any:
    try:
        return cls(**given)
    except ParameterError as error:
        raise DataError(f"{group.where(item)}: {error}") from error


def read_water(group: SafeGroup) -> Water:
    """Return the water that the group describes."""
    given: dict[str, Any] = {i.field: read_attribute(group, i) for i in layout.WATER_ATTRIBUTES}
    given |= {i.field: read_array(group, i, {}) for i in layout.WATER_ARRAYS}
    return _built(group, Water, {name: value for name, value in given.items() if value is not None})


@dataclass(frozen=True, slots=True, eq=False)
class PingTable:
    """The columns of one side's pings that exist, in stored order."""

    slot: NDArray[np.int64]
    """(ping,) index of each ping in the stored arrays."""
    time_ns: NDArray[np.uint64]
    receiver_gain_db: NDArray[np.float64]
    sequence: NDArray[np.uint64] | None
    checksum: NDArray[np.uint64] | None
    n_slot: int
    """Of the stored arrays, marked or not."""


def read_ping_table(group: SafeGroup) -> PingTable:
    """Return the columns of the pings that one side's group holds; unmarked pings are left out."""
    n_slot = echo_of(group).shape[0]
    columns: dict[str, Any] = {}
    # The commit mark is read first: whatever else belongs to a marked ping was written before its mark.
    for item in sorted(layout.PING_COLUMNS, key=lambda i: i.name != "sequence"):
        columns[item.name] = read_array(group, item, {"ping": n_slot})
    for name in ("ping_time", "sequence", "checksum"):
        if columns[name] is not None:
            columns[name] = _unsigned(group, name, columns[name])
    sequence = columns["sequence"]
    slot = np.arange(n_slot) if sequence is None else np.flatnonzero(sequence)
    gain = columns["receiver_gain"]
    return PingTable(
        slot=slot,
        time_ns=columns["ping_time"][slot],
        receiver_gain_db=np.zeros(slot.size) if gain is None else gain[slot].astype(np.float64),
        sequence=None if sequence is None else sequence[slot],
        checksum=None if columns["checksum"] is None else columns["checksum"][slot],
        n_slot=n_slot,
    )


def _unsigned(group: SafeGroup, name: str, values: NDArray[Any]) -> NDArray[np.uint64]:
    if values.dtype.kind == "i" and values.size and values.min() < 0:
        raise DataError(f"{group.where(name)} has {values.min()} in it; allowed: 0 and above.")
    return values.astype(np.uint64)


def read_platform_columns(group: SafeGroup) -> dict[str, NDArray[Any]]:
    """Return the platform's columns by field, without the empty rows at the end of a preallocated file.

    An optional column that is NaN throughout tells nothing and is left out.
    """
    time = _unsigned(group, "time", read_array(group, layout.PLATFORM_COLUMNS[0], {}))
    n_row = int(np.flatnonzero(time)[-1]) + 1 if time.any() else 0
    columns = {"time_ns": time[:n_row]}
    for item in layout.PLATFORM_COLUMNS[1:]:
        values = read_array(group, item, {"k": time.size})
        if values is None or (not item.required and n_row and np.isnan(values[:n_row]).all()):
            continue
        dtype = np.int64 if item.field == "status" else np.float64
        columns[item.field] = values[:n_row].astype(dtype)
    return columns


class Segment:
    """One recording file, read as far as its header, ping columns and platform; echoes are read on demand.

    Raises
    ------
    DataError
        If it is no recording, or damaged, or against the contract.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._file: SafeFile | None = None
        self._echoes: dict[str, h5py.Dataset] = {}
        try:
            self._read()
        finally:
            self.close()

    def _read(self) -> None:
        file = self._opened()
        self.n_byte = file.n_byte
        self.check_format(file.root)
        self.sides = tuple(side for side in SIDES if file.root.has(side))
        if not self.sides:
            raise DataError(
                f"{self.path} has neither group 'port' nor 'starboard'; allowed: one or both. Add one."
            )
        groups = {side: self._group(side) for side in self.sides}
        self.sonars = {side: read_sonar(group, side) for side, group in groups.items()}
        # Compared at each look at a growing folder.
        self.sonar_digest = {side: digest(sonar) for side, sonar in self.sonars.items()}
        self.tables = {side: read_ping_table(group) for side, group in groups.items()}
        platform = self._group("platform")
        self.platform_columns = read_platform_columns(platform)
        self.platform_attributes = {i.field: read_attribute(platform, i) for i in layout.PLATFORM_ATTRIBUTES}
        self.water = read_water(self._group("water"))
        mark = read_array(file.root, layout.CLOSED, {})
        self.closed = mark is not None and bool(mark[0])
        self.stores_integers = {side: echo_of(group).dtype.kind == "i" for side, group in groups.items()}

    @staticmethod
    def check_format(root: SafeGroup) -> None:
        """Refuse a file that doesn't call itself a recording of this version."""
        path = root.file.path
        name, version = root.attribute("pingloom_format"), root.number("format_version")
        if name != layout.FORMAT:
            got = "has no attribute pingloom_format" if name is None else f"has pingloom_format {name!r}"
            raise DataError(
                f"{path} {got}; allowed: pingloom_format = 'recording'. Give the file of a recording."
            )
        if version != layout.FORMAT_VERSION:
            raise DataError(f"{path} has format_version {version}; allowed: {layout.FORMAT_VERSION}.")

    def _opened(self) -> SafeFile:
        if self._file is None:
            self._file = SafeFile(self.path, "a recording")
        return self._file

    def _group(self, name: str) -> SafeGroup:
        group = self._opened().root.group(name)
        if group is None:
            raise DataError(f"{self.path} has no group '{name}'; allowed: that group. Add it.")
        return group

    @property
    def root(self) -> SafeGroup:
        """The file's root group."""
        return self._opened().root

    def close(self) -> None:
        """Close the file; it opens again on demand."""
        self._echoes = {}
        if self._file is not None:
            self._file.close()
            self._file = None

    def echo(self, side: str, i_ping: int) -> tuple[NDArray[np.complex64], bool]:
        """Return ping ``i_ping`` of the file as complex64 (row, channel, sample), and whether its checksum agrees."""
        table = self.tables[side]
        slot = int(table.slot[i_ping])
        group = self._group(side)
        if side not in self._echoes:
            self._echoes[side] = echo_of(group)
        with group.guarding(f"echo[{slot}]"):
            raw = self._echoes[side][slot]
        whole = True
        if table.checksum is not None:
            sequence = 0 if table.sequence is None else int(table.sequence[i_ping])
            whole = ping_checksum(raw, int(table.time_ns[i_ping]), sequence) == int(table.checksum[i_ping])
        return complex_from(raw), whole
