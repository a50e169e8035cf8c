"""Small helpers for writing HDF5 that comes out the same, byte for byte, each time."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from pingloom.imaging.errors import ParameterError

__all__ = ["LONGEST_TEXT", "part_path", "put_attributes", "sync_file", "sync_folder", "text_attribute"]

LONGEST_TEXT = 60_000
"""HDF5 keeps an attribute within 64 KiB in files that every reader opens. [byte]"""


def text_attribute(text: str, name: str) -> np.ndarray:
    """Return text as a fixed-length UTF-8 value: no reader can be hung by it, as it can by variable length."""
    data = text.encode("utf-8")
    if len(data) > LONGEST_TEXT:
        raise ParameterError(f"{name} has {len(data)} bytes; allowed: at most {LONGEST_TEXT}. Shorten it.")
    return np.array(data, h5py.string_dtype("utf-8", max(len(data), 1)))


def put_attributes(owner: h5py.Group | h5py.Dataset, attributes: Mapping[str, Any]) -> None:
    """Write attributes in the given order; None is left out, numbers become float64 or int64."""
    for name, value in attributes.items():
        if value is None:
            continue
        if isinstance(value, str):
            value = text_attribute(value, name)
        elif isinstance(value, (bool, np.bool_)):
            value = np.int8(value)
        elif isinstance(value, (int, np.integer)):
            value = np.int64(value) if -(2**63) <= value < 2**63 else np.uint64(value)
        elif isinstance(value, (float, np.floating)):
            value = np.float64(value)
        owner.attrs.create(name, value)


def part_path(path: Path) -> Path:
    """Return the temporary name under which ``path`` is made; no reader takes it for a finished file."""
    return path.with_name(f".{path.name}.part")


def sync_file(path: Path) -> None:
    """Return once the file's contents have reached the disk."""
    handle = os.open(path, os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_folder(path: Path) -> None:
    """Return once the names in a folder have reached the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
