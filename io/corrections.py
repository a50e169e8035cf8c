"""The table of corrections: for each ping of each side what estimation says about it.

Layout, HDF5::

    /               attrs: pingloom_format "corrections", format_version 2, recording, settings, history
    /<side>         one group per array
      number        (n,) uint64: index of the ping in its recording, ascending
      ping_time     (n,) uint64: start of transmission [ns since 1970-01-01 UTC]
      altitude      (n,) [m], NaN: no opinion
      shift_along, shift_starboard [m], shift_heading [rad]   (n,) added to the believed pose
      look_weight   (n,) 0 to 1; 0 leaves the ping out
      reasons       (n,) int64, bits named by its attributes flag_masks and flag_meanings
      weighted      (n,) uint8: 1 where channel_weight says something
      channel_weight  (n, row, channel) complex64 (r, i)
      channel_delay   (n, row, channel) float64 [s] delay of each receiver's envelope, to be undone; positive: it is late.
                      The phase of a delay is in channel_weight. Absent where no receiver is delayed
      evidence/<name>   (n,) what the estimators measured, for people

Version 1 had no channel_delay; it is still read. Equal tables give equal bytes: fixed-length strings, no times, no
chance.
"""

from __future__ import annotations

import itertools
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.conventions import SIDES
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.records import Correction

from .hdf5_write import part_path, put_attributes, sync_file, sync_folder
from .safe_hdf5 import SafeFile, SafeGroup

__all__ = [
    "FORMAT",
    "FORMAT_VERSION",
    "Corrections",
    "SideCorrections",
    "read_corrections",
    "write_corrections",
]

FORMAT = "corrections"
"""Value of the root attribute ``pingloom_format``."""
FORMAT_VERSION = 2
_READABLE = (1, 2)
_COLUMNS = {
    "altitude": ("altitude_m", "m"),
    "shift_along": ("shift_along_m", "m"),
    "shift_starboard": ("shift_starboard_m", "m"),
    "shift_heading": ("shift_heading_rad", "rad"),
    "look_weight": ("look_weight", "1"),
}
"""Name in the file: field of the record, unit."""
_LARGEST_REASON = 2**62


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SideCorrections:
    """One side's rows, in order of ping number."""

    rows: Sequence[Correction]
    time_ns: NDArray[np.uint64]
    """(n,) start of each ping's transmission."""
    evidence: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    """(n,) each."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "rows", tuple(self.rows))
        number = [row.number for row in self.rows]
        if len({row.side for row in self.rows}) > 1 or any(a >= b for a, b in itertools.pairwise(number)):
            raise ParameterError(
                "corrections: rows are not of one side in ascending order of ping number; allowed: that order. Sort them."
            )
        time = np.array(self.time_ns, np.uint64)
        time.flags.writeable = False
        object.__setattr__(self, "time_ns", time)
        columns = {}
        for name, values in self.evidence.items():
            if not name.isidentifier():
                raise ParameterError(f"corrections: evidence is called {name!r}; allowed: plain names.")
            columns[name] = np.array(values, np.float64)
            columns[name].flags.writeable = False
        for name, column in {"time_ns": time, **columns}.items():
            if column.shape != (len(self.rows),):
                raise ParameterError(
                    f"corrections: {name} is of shape {column.shape}; allowed: ({len(self.rows)},), one for each row."
                )
        object.__setattr__(self, "evidence", MappingProxyType(columns))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Corrections:
    """A table as it was read."""

    sides: Mapping[str, SideCorrections]
    reason_names: Mapping[int, str]
    """Bit: its name."""
    recording: str = ""
    """What the table was estimated from, as text."""
    settings: str = ""
    history: str = ""

    def row(self, side: str, number: int, time_ns: int | None = None) -> Correction | None:
        """Return the correction of one ping, None where the table has none.

        Raises
        ------
        DataError
            If ``time_ns`` is given and the table's ping of that number was sent at another time.
        """
        own = self.sides.get(side)
        if own is None:
            return None
        k = _position(own, number)
        if k is None:
            return None
        if time_ns is not None and int(own.time_ns[k]) != time_ns:
            raise DataError(
                f"the corrections for ping {number} of {side} are of {int(own.time_ns[k])} ns, the ping was sent at "
                f"{time_ns} ns; allowed: corrections of this recording. Estimate them anew."
            )
        return own.rows[k]


def _position(own: SideCorrections, number: int) -> int | None:
    low, high = 0, len(own.rows)
    while low < high:
        middle = (low + high) // 2
        if own.rows[middle].number < number:
            low = middle + 1
        else:
            high = middle
    return low if low < len(own.rows) and own.rows[low].number == number else None


# ---- writing ---------------------------------------------------------------------------------------------


def write_corrections(
    path: str | Path,
    sides: Mapping[str, SideCorrections],
    *,
    reason_names: Mapping[int, str],
    recording: str = "",
    settings: str = "",
    history: str = "",
    overwrite: bool = False,
    durable: bool = True,
    before_rename: Callable[[], None] | None = None,
) -> None:
    """Write a table; it takes its name once it is whole.

    Parameters
    ----------
    reason_names : mapping of int to str
        Bits that reasons may have, and what they mean in a word.
    recording, settings, history : str
        Identity of the recording, settings of the estimators and how they were called.
    before_rename : callable, optional
        Called when the file is whole; what it raises leaves nothing behind.

    Raises
    ------
    ParameterError
        If something is there already, or sides and their rows disagree.
    """
    path = Path(path)
    if path.exists() and not overwrite:
        raise ParameterError(f"{path} exists; allowed: a new name. Give another name or overwrite=True.")
    if not path.parent.is_dir():
        raise ParameterError(f"{path.parent} is no folder; allowed: an existing one. Make it first.")
    unknown = set(sides) - set(SIDES)
    if unknown or not sides:
        raise ParameterError(
            f"corrections of sides {sorted(sides)}; allowed: one or both of {', '.join(SIDES)}."
        )
    part = part_path(path)
    try:
        with h5py.File(part, "w", libver=("v108", "v110"), track_order=True) as file:
            put_attributes(
                file,
                {
                    "pingloom_format": FORMAT,
                    "format_version": FORMAT_VERSION,
                    "recording": recording,
                    "settings": settings,
                    "history": history,
                },
            )
            for side in SIDES:
                if side in sides:
                    _write_side(file, side, sides[side], reason_names)
        if durable:
            sync_file(part)
        if before_rename is not None:
            before_rename()
        os.replace(part, path)
        if durable:
            sync_folder(path.parent)
    finally:
        part.unlink(missing_ok=True)


def _write_side(file: h5py.File, side: str, own: SideCorrections, names: Mapping[int, str]) -> None:
    if any(row.side != side for row in own.rows):
        raise ParameterError(f"corrections: rows of another side among those of {side}; allowed: its own.")
    group = file.create_group(side, track_order=True)
    _put(group, "number", np.array([r.number for r in own.rows], np.uint64), {})
    _put(group, "ping_time", own.time_ns, {"units": "ns since 1970-01-01 UTC"})
    for name, (attribute, unit) in _COLUMNS.items():
        values = np.array([getattr(r, attribute) for r in own.rows], np.float64)
        _put(group, name, values, {"units": unit})
    bits = sorted(names)
    _put(
        group,
        "reasons",
        np.array([r.reasons for r in own.rows], np.int64),
        {"flag_masks": np.array(bits, np.int64), "flag_meanings": " ".join(names[b] for b in bits)},
    )
    weight = _blocks(own.rows, "channel_weight", np.complex64, 1.0)
    _put(group, "weighted", np.array([r.channel_weight is not None for r in own.rows], np.uint8), {})
    _put(group, "channel_weight", weight, {"long_name": "factor on each receiver's echo"})
    delay = _blocks(own.rows, "channel_delay_s", np.float64, 0.0)
    if delay.any():
        words = {"long_name": "delay of each receiver's envelope, to be undone", "units": "s"}
        _put(group, "channel_delay", delay, words)
    evidence = group.create_group("evidence", track_order=True)
    for name in sorted(own.evidence):
        _put(evidence, name, own.evidence[name], {})


def _blocks(rows: Sequence[Correction], name: str, dtype: type, nothing: float) -> NDArray[Any]:
    """(n, row, channel) of what rows say of each receiver; (n, 0, 0) where none says anything."""
    values = [getattr(r, name) for r in rows]
    shapes = {v.shape for v in values if v is not None}
    if len(shapes) > 1:
        raise ParameterError(f"corrections: {name} of shapes {sorted(shapes)}; allowed: one shape.")
    empty = np.full(shapes.pop() if shapes else (0, 0), nothing, dtype)
    return np.array([empty if v is None else v for v in values], dtype).reshape(len(rows), *empty.shape)


def _put(group: h5py.Group, name: str, values: NDArray[Any], attributes: Mapping[str, Any]) -> None:
    storage: dict[str, Any] = {}
    if values.size:
        n = max(1, min(values.shape[0], 2**16 // max(1, values[0].size)))
        storage = dict(
            chunks=(n, *values.shape[1:]),
            compression="gzip",
            compression_opts=4,
            shuffle=True,
            fletcher32=True,
        )
    data = group.create_dataset(name, data=values, track_times=False, **storage)
    put_attributes(data, attributes)


# ---- reading ---------------------------------------------------------------------------------------------


def read_corrections(path: str | Path) -> Corrections:
    """Read a table, suspicious of everything in it.

    Raises
    ------
    DataError
        If the file is no table of corrections, is damaged, or holds a value that isn't allowed.
    """
    with SafeFile(Path(path), "a table of corrections") as file:
        root = file.root
        kind = root.text("pingloom_format")
        if kind != FORMAT:
            raise DataError(
                f"{root.where('@pingloom_format')} is {kind!r}; allowed: {FORMAT!r}. Make a table with pingloom estimate."
            )
        version = root.number("format_version")
        if version not in _READABLE:
            raise DataError(
                f"{root.where('@format_version')} is {version}; allowed: {' or '.join(map(str, _READABLE))}. "
                "Estimate it anew."
            )
        sides, names = {}, {}
        for side in SIDES:
            group = root.group(side)
            if group is not None:
                sides[side] = _read_side(group, side)
                names.update(_names(group))
        if not sides:
            raise DataError(f"{root.where()} has no side; allowed: {' or '.join(SIDES)}. Estimate it anew.")
        texts = {name: root.text(name) or "" for name in ("recording", "settings", "history")}
    return Corrections(sides=sides, reason_names=MappingProxyType(names), **texts)


def _names(group: SafeGroup) -> dict[int, str]:
    masks, words = group.attribute("flag_masks", "reasons"), group.text("flag_meanings", "reasons")
    if masks is None or words is None or isinstance(masks, str):
        return {}
    bits = [int(b) for b in np.ravel(masks)]
    meanings = words.split()
    if len(bits) != len(meanings):
        raise DataError(
            f"{group.where('reasons')} has {len(bits)} flag_masks and {len(meanings)} flag_meanings; allowed: as many."
        )
    return dict(zip(bits, meanings, strict=True))


def _read_side(group: SafeGroup, side: str) -> SideCorrections:
    number = _column(group, "number", "ui", None)
    n = number.size
    if np.any(number[1:] <= number[:-1]) or (n and (number[0] < 0 or number[-1] > 2**53)):
        raise DataError(
            f"{group.where('number')} doesn't ascend; allowed: ping numbers in order. Estimate it anew."
        )
    time = _column(group, "ping_time", "ui", n).astype(np.uint64)
    values = {name: _column(group, name, "f", n) for name in _COLUMNS}
    reasons = _column(group, "reasons", "iu", n)
    if n and (reasons.min() < 0 or reasons.max() > _LARGEST_REASON):
        raise DataError(
            f"{group.where('reasons')} has bits that no reason has; allowed: sums of its flag_masks."
        )
    weighted = _column(group, "weighted", "uib", n) != 0
    weight = group.array("channel_weight", "c", (n, None, None))
    if weight is None:
        raise DataError(f"{group.where('channel_weight')} is missing; allowed: a weight a receiver.")
    if not np.isfinite(weight[weighted]).all():
        raise DataError(
            f"{group.where('channel_weight')} isn't finite; allowed: finite factors. Estimate it anew."
        )
    delay = group.array("channel_delay", "f", (n, None, None))
    if delay is not None and not np.isfinite(delay).all():
        raise DataError(
            f"{group.where('channel_delay')} isn't finite; allowed: finite delays. Estimate it anew."
        )
    rows = []
    for k in range(n):
        fields = {field: float(values[name][k]) for name, (field, _) in _COLUMNS.items()}
        try:
            rows.append(
                Correction(
                    side=side,
                    number=int(number[k]),
                    channel_weight=weight[k] if weighted[k] else None,
                    channel_delay_s=None if delay is None or not delay[k].any() else delay[k],
                    reasons=int(reasons[k]),
                    **fields,
                )
            )
        except ParameterError as error:
            raise DataError(f"{group.where()}: row {k}: {error}") from error
    inner = group.group("evidence")
    names = inner.names() if inner is not None else []
    evidence = {name: _column(inner, name, "f", n) for name in names if name.isidentifier()}
    return SideCorrections(rows=rows, time_ns=time, evidence=evidence)


def _column(group: SafeGroup, name: str, kinds: str, n: int | None) -> NDArray[Any]:
    values = group.array(name, kinds, (n,))
    if values is None:
        raise DataError(f"{group.where(name)} is missing; allowed: a value a ping. Estimate the table anew.")
    return values
