"""What may be read from an HDF5 file, and the forms in which it may stand there."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.errors import DataError

__all__ = [
    "DEFLATE_RATIO",
    "LARGEST_RATIO",
    "agrees",
    "complex_from",
    "is_complex_pair",
    "storage_fault",
    "text_of",
]

LARGEST_RATIO = 200
"""A recording's dataset may declare this many times the bytes that it stores; noise compresses far less."""

DEFLATE_RATIO = 1100
"""More than deflate can pack: a product's layer that is unknown throughout comes near it."""


SMALL = 16 * 2**20
"""Datasets up to this size are harmless at any ratio. [byte]"""


LARGEST_CHUNK = 256 * 2**20
"""[byte]"""


_FILTERS = {h5py.h5z.FILTER_DEFLATE, h5py.h5z.FILTER_SHUFFLE, h5py.h5z.FILTER_FLETCHER32}


_PAIRS = (("r", "i"), ("real", "imag"), ("re", "im"))


def is_complex_pair(dtype: np.dtype[Any]) -> bool:
    """Whether a compound type is a real and an imaginary part of one floating type."""
    if dtype.names is None or tuple(n.lower() for n in dtype.names) not in _PAIRS:
        return False
    kinds = [dtype[n] for n in dtype.names]
    return kinds[0] == kinds[1] and kinds[0].kind == "f"


def complex_from(raw: NDArray[Any]) -> NDArray[np.complex64]:
    """Return complex64 of complex numbers, of pairs with named parts, or of a last axis (real, imaginary)."""
    if raw.dtype.names is not None:
        first, second = raw.dtype.names
        raw = np.stack([raw[first], raw[second]], axis=-1)
    elif raw.dtype.kind == "c":
        return raw.astype(np.complex64, copy=False)
    return np.ascontiguousarray(raw, np.float32).view(np.complex64)[..., 0]


def agrees(got: tuple[int, ...], wanted: Sequence[int | None]) -> bool:
    return len(got) == len(wanted) and all(w is None or g == w for g, w in zip(got, wanted, strict=True))


def storage_fault(data: h5py.Dataset, largest_ratio: int = LARGEST_RATIO) -> str:
    """Say what makes a dataset unfit to be read, or nothing."""
    dtype = data.dtype
    if data.shape is None or dtype.hasobject:
        return "holds no plain values; allowed: numbers of fixed size."
    plan = data.id.get_create_plist()
    if data.is_virtual or plan.get_external_count():
        return "keeps its values in other files; allowed: values in the file itself. Copy the data in."
    filters = {plan.get_filter(k)[0] for k in range(plan.get_nfilters())}
    if filters - _FILTERS:
        return (
            f"needs filter {sorted(filters - _FILTERS)[0]}; allowed: none, deflate (gzip), shuffle, fletcher32. "
            "Write it with one of these."
        )
    declared = math.prod(data.shape) * dtype.itemsize
    stored = data.id.get_storage_size()
    if declared > max(SMALL, largest_ratio * stored):
        return (
            f"declares {declared} bytes but stores {stored}; allowed: at most {largest_ratio} times what is stored. "
            "Trim it to what was written."
        )
    if data.chunks and math.prod(data.chunks) * dtype.itemsize > LARGEST_CHUNK:
        return f"has chunks of shape {data.chunks}; allowed: {LARGEST_CHUNK} bytes. Write smaller chunks."
    return ""


def text_of(value: Any, where: str) -> str:
    """Return a text attribute of any make: str, bytes, an array of one."""
    if isinstance(value, np.ndarray) and value.size == 1:
        value = value.reshape(-1)[0]
    if isinstance(value, (bytes, np.bytes_)):
        try:
            value = bytes(value).decode("utf-8")
        except UnicodeDecodeError as error:
            raise DataError(f"{where} isn't UTF-8; allowed: text in UTF-8.") from error
    if not isinstance(value, str):
        raise DataError(f"{where} holds several texts; allowed: one.")
    try:
        value.encode("utf-8")  # h5py hands undecodable bytes over as lone surrogates
    except UnicodeEncodeError as error:
        raise DataError(f"{where} isn't UTF-8; allowed: text in UTF-8.") from error
    return value.rstrip("\0")
