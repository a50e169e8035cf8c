"""One recording file that is made complete at once and then filled in place.

All datasets are contiguous and allocated when the file is made, so that its HDF5 structure never changes again:
a ping is a few writes at known offsets, and a process killed between any two of them leaves a file that every
reader opens. The commit mark (``sequence``, after ``checksum``) is written last.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import ArrayLike, NDArray

from pingloom.imaging.errors import DataError
from pingloom.imaging.records import Pattern, Sonar, Water

from . import layout
from .hdf5_write import part_path, put_attributes, sync_file, sync_folder
from .layout import Item
from .recording_segment import ping_checksum

__all__ = ["SegmentFile", "SegmentPlan"]

_COPY = 8 * 2**20
"""Bytes moved at a time when a file is rewritten."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SegmentPlan:
    """All that is known when a file is made."""

    sonars: Mapping[str, Sonar]
    water: Water
    attributes: Mapping[str, Any]
    """Of the root."""
    capacity: Mapping[str, int]
    """Pings a side."""
    platform_columns: tuple[Item, ...]
    platform_capacity: int
    platform_attributes: Mapping[str, Any]
    echo_dtype: np.dtype[Any]
    """complex64, or int16 pairs."""
    truth: Mapping[str, tuple[NDArray[Any], Mapping[str, Any]]] = field(default_factory=dict)

    def echo_shape(self, side: str) -> tuple[int, ...]:
        """Shape of one stored ping."""
        sonar = self.sonars[side]
        shape = (sonar.n_row, sonar.n_channel, sonar.n_sample)
        return shape if self.echo_dtype.kind == "c" else (*shape, 2)


class SegmentFile:
    """A recording file being filled. ``n_ping`` and ``n_row`` say how far."""

    def __init__(self, path: Path, plan: SegmentPlan) -> None:
        self.path = path
        self.plan = plan
        self.n_ping = dict.fromkeys(plan.sonars, 0)
        self.n_row = 0
        part = part_path(path)
        try:
            self._offsets = _make(part, plan)
            self._handle = os.open(part, os.O_RDWR)
            try:
                _allocate(self._handle, part)
                os.fsync(self._handle)
                os.replace(part, path)
                sync_folder(path.parent)
            except BaseException:
                os.close(self._handle)
                raise
        except BaseException:
            part.unlink(missing_ok=True)
            raise

    # ---- writing in place --------------------------------------------------------------------------------

    def _put(self, name: str, index: int, values: NDArray[Any]) -> None:
        offset = self._offsets[name]
        data = np.ascontiguousarray(values, values.dtype.newbyteorder("<")).reshape(-1).view(np.uint8).data
        at = offset + index * (len(data) if name.endswith("/echo") else values.itemsize)
        while len(data):
            n = os.pwrite(self._handle, data, at)
            data, at = data[n:], at + n

    def write_ping(
        self, side: str, time_ns: int, gain_db: float, echo: NDArray[Any], sequence: int, durable: bool
    ) -> None:
        """Write one ping into the next slot and mark it once the rest is safe."""
        slot = self.n_ping[side]
        self._put(f"{side}/echo", slot, echo)
        self._put(f"{side}/ping_time", slot, np.array(time_ns, np.uint64))
        self._put(f"{side}/receiver_gain", slot, np.array(gain_db, np.float64))
        self.sync(durable)
        checksum = ping_checksum(echo, time_ns, sequence)
        self._put(f"{side}/checksum", slot, np.array(checksum, np.uint32))
        self._put(f"{side}/sequence", slot, np.array(sequence, np.uint64))
        self.sync(durable)
        self.n_ping[side] = slot + 1

    def write_rows(self, columns: Mapping[str, ArrayLike], durable: bool) -> None:
        """Append platform rows, ``columns`` by their names in the file; the times, which mark them, come last."""
        time = np.atleast_1d(np.asarray(columns["time"], np.uint64))
        for item in self.plan.platform_columns:
            if item.name != "time" and item.name in columns:
                dtype = _platform_dtype(item)
                self._put(
                    f"platform/{item.name}", self.n_row, np.atleast_1d(np.asarray(columns[item.name], dtype))
                )
        self.sync(durable)
        self._put("platform/time", self.n_row, time)
        self.n_row += time.size

    def sync(self, durable: bool) -> None:
        """Wait for the disk, if that is wanted."""
        if durable:
            getattr(os, "fdatasync", os.fsync)(self._handle)

    # ---- ending ------------------------------------------------------------------------------------------

    def abandon(self) -> None:
        """Let go of the file as it is."""
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1

    def finish(
        self,
        *,
        columns_seen: set[str],
        platform_attributes: Mapping[str, Any],
        truth: Mapping[str, tuple[NDArray[Any], Mapping[str, Any]]],
        durable: bool,
        trim_rows: bool,
        closed: bool,
    ) -> None:
        """Close the file; if it isn't full, or something is to be added, rewrite it without the empty space.

        The rewritten file takes the name only when it is whole, so a kill meanwhile leaves the old one. With ``closed`` it
        says that the recording ends with it.
        """
        plan = replace(
            self.plan,
            capacity=dict(self.n_ping),
            platform_columns=tuple(
                i for i in self.plan.platform_columns if i.required or i.name in columns_seen
            ),
            platform_capacity=self.n_row,
            platform_attributes=platform_attributes,
            truth=truth,
        )
        if not self._needs_rewriting(plan, trim_rows):
            if closed:
                self._put("closed", 0, np.array(1, np.uint8))
            if durable:
                os.fsync(self._handle)
            self.abandon()
            return
        part = part_path(self.path)
        try:
            self._rewrite(part, plan, closed=closed)
            if durable:
                sync_file(part)
            os.replace(part, self.path)
            if durable:
                sync_folder(self.path.parent)
        finally:
            part.unlink(missing_ok=True)
            self.abandon()

    def _needs_rewriting(self, plan: SegmentPlan, trim_rows: bool) -> bool:
        old = self.plan
        if dict(old.capacity) != dict(plan.capacity) or dict(old.truth).keys() != dict(plan.truth).keys():
            return True
        if dict(old.platform_attributes) != dict(plan.platform_attributes):
            return True
        rows = (
            old.platform_capacity != plan.platform_capacity or old.platform_columns != plan.platform_columns
        )
        return trim_rows and rows

    def _rewrite(self, part: Path, plan: SegmentPlan, *, closed: bool) -> None:
        offsets = _make(part, plan)
        target = os.open(part, os.O_RDWR)
        try:
            for name, offset in offsets.items():
                _copy(self._handle, self._offsets[name], target, offset, _n_byte(name, plan))
            if closed:
                os.pwrite(target, b"\x01", offsets["closed"])
        finally:
            os.close(target)


def _n_byte(name: str, plan: SegmentPlan) -> int:
    group, _, item = name.partition("/")
    if group == "closed":
        return 1
    if group == "platform":
        return plan.platform_capacity * 8
    size = {"checksum": 4, "echo": int(np.prod(plan.echo_shape(group))) * plan.echo_dtype.itemsize}
    return plan.capacity[group] * size.get(item, 8)


def _copy(source: int, at: int, target: int, to: int, n_byte: int) -> None:
    while n_byte:
        data = os.pread(source, min(n_byte, _COPY), at)
        if not data:
            raise DataError("the recording was cut short while it was closed; allowed: one writer at a time.")
        done = os.pwrite(target, data, to)
        at, to, n_byte = at + done, to + done, n_byte - done


def _allocate(handle: int, path: Path) -> None:
    """Claim the disk's space now: later writes can't run out of it."""
    if not hasattr(os, "posix_fallocate"):
        return
    size = os.fstat(handle).st_size
    try:
        os.posix_fallocate(handle, 0, size)
    except OSError as error:
        raise DataError(
            f"{path.parent} has no room for {size} bytes ({(error.strerror or '').lower()}); allowed: what is free. "
            "Give a smaller capacity or write segments into a folder."
        ) from error


def _platform_dtype(item: Item) -> np.dtype[Any]:
    return np.dtype({"time": "<u8", "status": "<i8"}.get(item.name, "<f8"))


# ---- the structure ---------------------------------------------------------------------------------------


def _make(path: Path, plan: SegmentPlan) -> dict[str, int]:
    """Make the whole file, filled with nothing, and return the offset of each dataset that is to be filled."""
    with h5py.File(path, "w", libver=("earliest", "v110")) as file:
        put_attributes(file, plan.attributes)
        offsets: dict[str, int] = {}
        offsets["closed"] = _reserve(file, "closed", (1,), np.dtype("u1")).id.get_offset() or 0
        for side, sonar in plan.sonars.items():
            group = file.create_group(side)
            _put_sonar(group, sonar)
            _reserve_pings(group, side, plan, offsets)
        _reserve_platform(file.create_group("platform"), plan, offsets)
        _put_water(file.create_group("water"), plan.water)
        if plan.truth:
            truth = file.create_group("truth")
            for name, (array, attributes) in plan.truth.items():
                put_attributes(truth.create_dataset(name, data=array, track_times=False), attributes)
    return offsets


def _put_fields(group: h5py.Group, record: Any, items: tuple[Item, ...], *, as_attributes: bool) -> None:
    for item in items:
        value = getattr(record, item.field)
        if value is None or (item.field == "serial_number" and not value):
            continue
        if isinstance(value, Pattern):
            value = np.stack([value.angle_rad, value.gain_db])
        if as_attributes:
            put_attributes(group, {item.name: value})
        else:
            value = value.astype(np.int8) if value.dtype == bool else value
            data = group.create_dataset(item.name, data=value, track_times=False)
            put_attributes(data, {"units": item.unit or None})


def _put_sonar(group: h5py.Group, sonar: Sonar) -> None:
    _put_fields(group, sonar, layout.SONAR_ATTRIBUTES, as_attributes=True)
    _put_fields(group, sonar, layout.SONAR_ARRAYS + layout.PATTERNS, as_attributes=False)


def _put_water(group: h5py.Group, water: Water) -> None:
    _put_fields(group, water, layout.WATER_ATTRIBUTES, as_attributes=True)
    _put_fields(group, water, layout.WATER_ARRAYS, as_attributes=False)


def _reserve_pings(group: h5py.Group, side: str, plan: SegmentPlan, offsets: dict[str, int]) -> None:
    n = plan.capacity[side]
    dtypes = {"ping_time": "<u8", "receiver_gain": "<f8", "sequence": "<u8", "checksum": "<u4"}
    for item in layout.PING_COLUMNS:
        data = _reserve(group, item.name, (n,), np.dtype(dtypes[item.name]))
        put_attributes(data, {"units": item.unit or None})
        offsets[f"{side}/{item.name}"] = data.id.get_offset() or 0
    data = _reserve(group, "echo", (n, *plan.echo_shape(side)), plan.echo_dtype, filled=False)
    offsets[f"{side}/echo"] = data.id.get_offset() or 0


def _reserve_platform(group: h5py.Group, plan: SegmentPlan, offsets: dict[str, int]) -> None:
    put_attributes(group, plan.platform_attributes)
    for item in plan.platform_columns:
        dtype = _platform_dtype(item)
        data = _reserve(
            group,
            item.name,
            (plan.platform_capacity,),
            dtype,
            fill=None if item.required or dtype.kind != "f" else np.nan,
        )
        put_attributes(data, {"units": item.unit or None})
        offsets[f"platform/{item.name}"] = data.id.get_offset() or 0


def _reserve(
    group: h5py.Group,
    name: str,
    shape: tuple[int, ...],
    dtype: np.dtype[Any],
    *,
    fill: float | None = None,
    filled: bool = True,
) -> h5py.Dataset:
    """Make a contiguous dataset whose place in the file is settled at once."""
    plan = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
    plan.set_layout(h5py.h5d.CONTIGUOUS)
    plan.set_alloc_time(h5py.h5d.ALLOC_TIME_EARLY)
    plan.set_obj_track_times(False)
    if fill is not None:
        plan.set_fill_value(np.array(fill, dtype))
    # Echoes are the bulk: HDF5 needn't write zeros that the file system gives anyway.
    plan.set_fill_time(h5py.h5d.FILL_TIME_ALLOC if filled else h5py.h5d.FILL_TIME_NEVER)
    kind = h5py.h5t.py_create(dtype, logical=True)
    space = h5py.h5s.create_simple(shape)
    return h5py.Dataset(h5py.h5d.create(group.id, name.encode(), kind, space, plan))
