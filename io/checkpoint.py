"""A state of the work written down, so that an interrupted run goes on as if nothing had been.

Layout: 8 bytes that tell the kind, the header's length as 8 bytes (little-endian), a header of JSON, the arrays' raw
bytes one after the other, and the CRC-32 of all that as 4 bytes. The file is written under another name, synced,
renamed over the last one, and the folder synced: at any instant there is one whole state or none.

:func:`pack` turns records, named tuples, containers, numbers, text and arrays into what JSON holds, arrays apart;
:func:`unpack` makes the same of it again, number for number. Only records of this package are made anew.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
import zlib
from collections import Counter
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.errors import DataError, ParameterError

from .hdf5_write import part_path, sync_folder
from .safe_hdf5 import require_regular

__all__ = ["fingerprint", "pack", "read_checkpoint", "unpack", "write_checkpoint"]

_KIND = b"pingloom"
_FORMAT_VERSION = 1
_PACKAGE = "pingloom."
_NUMBERS = "biufc"


# ---- values ----------------------------------------------------------------------------------------------


def pack(value: Any, arrays: list[NDArray[Any]]) -> Any:
    """Return plain values for JSON; arrays are appended to ``arrays`` and named by their place in it.

    Raises
    ------
    ParameterError
        If something in it is neither plain nor a record.
    """
    if value is None or (isinstance(value, (bool, int, float, str)) and type(value) in _PLAIN):
        return value
    if isinstance(value, np.ndarray) and value.dtype.kind in _NUMBERS:
        arrays.append(value)
        return {"array": len(arrays) - 1}
    if isinstance(value, np.generic) and value.dtype.kind in _NUMBERS:
        arrays.append(np.asarray(value))
        return {"number": len(arrays) - 1}
    if is_dataclass(value) and not isinstance(value, type):
        inside = {item.name: pack(getattr(value, item.name), arrays) for item in fields(value) if item.init}
        return {"record": _name(type(value)), "fields": inside}
    if isinstance(value, tuple):
        kind = {"named": _name(type(value))} if hasattr(value, "_fields") else {}
        return {**kind, "tuple": [pack(v, arrays) for v in value]}
    if isinstance(value, (list, set, frozenset)):
        kind = "list" if isinstance(value, list) else type(value).__name__
        return {kind: [pack(v, arrays) for v in (value if kind == "list" else sorted(value))]}
    if isinstance(value, Mapping):
        word = "counter" if isinstance(value, Counter) else "table"
        return {word: [[pack(k, arrays), pack(v, arrays)] for k, v in value.items()]}
    raise ParameterError(
        f"{type(value).__name__} can't be written down; allowed: records, arrays, plain values."
    )


_PLAIN = (bool, int, float, str)


def _name(kind: type) -> str:
    return f"{kind.__module__}:{kind.__qualname__}"


def unpack(plain: Any, arrays: list[NDArray[Any]]) -> Any:
    """Return what :func:`pack` was given; arrays are those in ``arrays`` themselves, tables are dicts or counters.

    Raises
    ------
    DataError
        If it wasn't made by :func:`pack`, or by another version of the program.
    """
    if not isinstance(plain, dict):
        return plain
    if "record" in plain:
        kind = _kind(plain["record"])
        return kind(**{name: unpack(v, arrays) for name, v in plain["fields"].items()})
    if "tuple" in plain:
        values = [unpack(v, arrays) for v in plain["tuple"]]
        return _kind(plain["named"])(*values) if "named" in plain else tuple(values)
    for word, make in (("list", list), ("set", set), ("frozenset", frozenset)):
        if word in plain:
            return make(unpack(v, arrays) for v in plain[word])
    for word, make in (("table", dict), ("counter", Counter)):
        if word in plain:
            return make({unpack(k, arrays): unpack(v, arrays) for k, v in plain[word]})
    if "array" in plain:
        return arrays[plain["array"]]
    if "number" in plain:
        return arrays[plain["number"]][()]
    raise DataError(
        "a checkpoint holds what this version doesn't know; allowed: its own. Image from the start."
    )


def _kind(name: str) -> type:
    """A record's type, of the modules that are loaded: nothing is imported on a file's word."""
    module, _, inside = name.partition(":")
    found: Any = sys.modules.get(module) if module.startswith(_PACKAGE) else None
    for part in inside.split("."):
        found = getattr(found, part, None)
    if not (isinstance(found, type) and (is_dataclass(found) or hasattr(found, "_fields"))):
        raise DataError(f"a checkpoint names {name}; allowed: records of this version. Image from the start.")
    return found


def fingerprint(value: Any) -> str:
    """Return a SHA-256 of anything that :func:`pack` takes: equal for equal content."""
    arrays: list[NDArray[Any]] = []
    total = hashlib.sha256(json.dumps(pack(value, arrays), sort_keys=True).encode())
    for array in arrays:
        total.update(f"{array.dtype.str}{array.shape}".encode())
        total.update(np.ascontiguousarray(array).tobytes())
    return total.hexdigest()


# ---- files -----------------------------------------------------------------------------------------------


def write_checkpoint(path: Path, value: Any) -> None:
    """Replace the state at ``path`` by another; a crash leaves one or the other, whole."""
    arrays: list[NDArray[Any]] = []
    content = pack(value, arrays)
    arrays = [np.asarray(array, array.dtype.newbyteorder("<"), order="C") for array in arrays]
    shapes = [[array.dtype.str, list(array.shape)] for array in arrays]
    header = json.dumps({"format_version": _FORMAT_VERSION, "content": content, "arrays": shapes}).encode()
    crc = 0
    part = part_path(path)
    with open(part, "wb") as file:
        for piece in (_KIND, len(header).to_bytes(8, "little"), header, *map(_bytes, arrays)):
            file.write(piece)
            crc = zlib.crc32(piece, crc)
        file.write(crc.to_bytes(4, "little"))
        file.flush()
        os.fsync(file.fileno())
    os.replace(part, path)
    sync_folder(path.parent)


def _bytes(array: NDArray[Any]) -> memoryview:
    return memoryview(array.reshape(-1).view(np.uint8)) if array.size else memoryview(b"")


def read_checkpoint(path: Path) -> Any:
    """Return the state at ``path``; its arrays may be written to.

    Raises
    ------
    DataError
        If it is no checkpoint, damaged, or another version's.
    """
    require_regular(path, "a checkpoint")
    raw = path.read_bytes()
    remedy = "Image from the start."
    if raw[:8] != _KIND or len(raw) < 20 or zlib.crc32(raw[:-4]) != int.from_bytes(raw[-4:], "little"):
        raise DataError(f"{path} is damaged or no checkpoint; allowed: one as it was written. {remedy}")
    begin = 16 + int.from_bytes(raw[8:16], "little")
    header = json.loads(raw[16:begin])
    if header["format_version"] != _FORMAT_VERSION:
        raise DataError(
            f"{path} has format_version {header['format_version']}; allowed: {_FORMAT_VERSION}. {remedy}"
        )
    arrays = []
    for name, shape in header["arrays"]:
        dtype = np.dtype(name)
        n_byte = int(np.prod(shape, dtype=np.int64)) * dtype.itemsize
        arrays.append(np.frombuffer(raw[begin : begin + n_byte], dtype).reshape(shape).copy())
        begin += n_byte
    return unpack(header["content"], arrays)
