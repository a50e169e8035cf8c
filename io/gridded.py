"""What products and mosaics share as gridded CF files: how layers are stored, and how they are read back.

A layer is chunked, packed by deflate and carries checksums; its axes are dimension scales; what a pixel holds that
nothing saw is its fill value. Reading is window by window.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import h5py
import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.errors import DataError, ParameterError, nearest_name
from pingloom.imaging.records import Quality

from .hdf5_write import part_path, put_attributes, sync_file, sync_folder
from .product_layout import CHUNK, LAYERS, layer_attributes
from .safe_hdf5 import SafeFile

__all__ = [
    "LARGEST_READ",
    "GridReader",
    "axis_scale",
    "create_grid_file",
    "decibel",
    "grid_layer",
    "json_text",
    "take_name",
    "unseen_value",
]

LARGEST_READ = 4 * 2**30
"""Of one window of one layer. [byte]"""


# ---- writing ---------------------------------------------------------------------------------------------


def create_grid_file(path: Path) -> h5py.File:
    """Begin a file under ``path``'s temporary name, in the forms that every reader of netCDF-4 knows."""
    return h5py.File(part_path(path), "w", libver=("v108", "v110"), track_order=True)


def take_name(path: Path, *, durable: bool) -> None:
    """Give a file that is whole its name."""
    part = part_path(path)
    if durable:
        sync_file(part)
    os.replace(part, path)
    if durable:
        sync_folder(path.parent)


def axis_scale(
    file: h5py.File, name: str, values: NDArray[np.float64], attributes: Mapping[str, Any]
) -> h5py.Dataset:
    """Write an axis."""
    data = file.create_dataset(name, data=values, track_times=False)
    data.make_scale(name)
    put_attributes(data, attributes)
    return data


def grid_layer(
    file: h5py.File,
    name: str,
    dtype: np.dtype[Any],
    scales: Sequence[h5py.Dataset],
    attributes: Mapping[str, Any],
    *,
    calibrated: bool,
) -> h5py.Dataset:
    """Begin a layer over two axes; ``attributes`` come beside and before what its name says of itself."""
    shape = tuple(scale.size for scale in scales)
    data = file.create_dataset(
        name,
        shape,
        dtype,
        chunks=tuple(min(CHUNK, n) for n in shape),
        compression="gzip",
        compression_opts=4,
        shuffle=True,
        fletcher32=True,
        fillvalue=unseen_value(name, dtype),
        track_times=False,
    )
    own = layer_attributes(name, calibrated=calibrated)
    if dtype.kind == "f" and name not in LAYERS:
        own["_FillValue"] = np.array([np.nan], dtype)
    put_attributes(data, own | dict(attributes))
    for axis, scale in enumerate(scales):
        data.dims[axis].attach_scale(scale)
    return data


def unseen_value(name: str, dtype: np.dtype[Any]) -> Any:
    """What an unseen pixel holds."""
    if name == "quality":
        return Quality.NOT_SEEN
    return np.nan if dtype.kind == "f" and name != "looks" else 0


def decibel(linear: NDArray[Any]) -> NDArray[np.float32]:
    """Return 10 log10; NaN where there is no positive level."""
    out = np.full(linear.shape, np.nan, np.float32)
    np.log10(linear, out=out, where=linear > 0, casting="same_kind")
    return 10 * out


def json_text(provenance: Mapping[str, Any]) -> str:
    """Return JSON that is the same each time.

    Raises
    ------
    ParameterError
        If something in it is no plain value.
    """
    try:
        return json.dumps(provenance, sort_keys=True, ensure_ascii=False, allow_nan=False)
    except (TypeError, ValueError) as error:
        raise ParameterError(
            f"provenance can't be written: {error}; allowed: text, finite numbers, lists and tables of them."
        ) from error


# ---- reading ---------------------------------------------------------------------------------------------


class GridReader:
    """A gridded file, open for reading; use it in a ``with`` block."""

    path: Path
    shape: tuple[int, int]
    layers: tuple[str, ...]
    """Names for :meth:`read`."""

    def __init__(
        self, path: Path, what: str, form: str, versions: tuple[int, ...], *, largest_ratio: int
    ) -> None:
        self.path = path
        self._file = SafeFile(path, f"a {what}", largest_ratio=largest_ratio)
        self.n_byte = self._file.n_byte
        try:
            self._check_form(what, form, versions)
            self._read_header()
        except BaseException:
            self._file.close()
            raise

    def _check_form(self, what: str, form: str, versions: tuple[int, ...]) -> None:
        root = self._file.root
        name, version = root.attribute("pingloom_format"), root.number("format_version")
        if name != form:
            got = "has no attribute pingloom_format" if name is None else f"has pingloom_format {name!r}"
            raise DataError(f"{self.path} {got}; allowed: pingloom_format = '{form}'. Give a {what}'s file.")
        if version not in versions:
            allowed = " or ".join(map(str, versions))
            raise DataError(f"{self.path} has format_version {version}; allowed: {allowed}.")
        self.format_version = int(version)

    def _read_header(self) -> None:
        raise NotImplementedError

    @property
    def title(self) -> str:
        """What the file calls itself."""
        return self._file.root.text("title") or ""

    @property
    def calibrated(self) -> bool:
        """Whether levels are absolute."""
        return self._file.root.text("calibrated") == "yes"

    @property
    def attributes(self) -> dict[str, Any]:
        """All attributes of the root, as text, numbers and arrays."""
        root = self._file.root
        found = {name: root.attribute(name) for name in root.attribute_names()}
        return {k: v.item() if isinstance(v, np.ndarray) and v.size == 1 else v for k, v in found.items()}

    @property
    def provenance(self) -> dict[str, Any]:
        """Versions, identity of the recording and the like."""
        try:
            found = json.loads(self._file.root.text("provenance") or "{}")
        except ValueError as error:
            raise DataError(f"{self.path}: /@provenance isn't JSON; allowed: a JSON object.") from error
        return found if isinstance(found, dict) else {}

    def read(self, layer: str, rows: slice | None = None, columns: slice | None = None) -> NDArray[Any]:
        """Return a layer or a window of it.

        Parameters
        ----------
        layer : str
            One of :attr:`layers`.
        rows, columns : slice, optional
            Of the grid, with a step of 1; by default all.

        Raises
        ------
        ParameterError
            If there is no such layer.
        DataError
            If it is damaged.
        """
        if layer not in self.layers:
            raise ParameterError(f"{self.path.name} has no layer '{layer}'{nearest_name(layer, self.layers)}")
        data = self._data(layer)
        window = tuple(
            slice(*(part or slice(None)).indices(n))
            for part, n in zip((rows, columns), self.shape, strict=True)
        )
        size = np.prod([max(0, w.stop - w.start) for w in window], dtype=object) * data.dtype.itemsize
        if size > LARGEST_READ:
            raise ParameterError(
                f"a window of {size} bytes of '{layer}' is asked for; allowed: {LARGEST_READ}. Read fewer rows at a time."
            )
        with self._file.root.guarding(layer):
            return data[window]

    def _data(self, layer: str) -> h5py.Dataset:
        root = self._file.root
        data = root.dataset(layer, self.shape)
        if data is None:
            raise DataError(f"{root.where(layer)} is missing; allowed: a layer of shape {self.shape}.")
        if data.dtype.kind not in "fiu":
            raise DataError(f"{root.where(layer)} is of type {data.dtype}; allowed: numbers.")
        return data

    def _coordinate(self, name: str, *, sign: int = 1) -> NDArray[np.float64]:
        """An axis that ascends, or descends with ``sign`` -1."""
        root, word = self._file.root, "ascend" if sign > 0 else "descend"
        values = root.array(name, "fiu", (None,))
        if values is None:
            raise DataError(f"{root.where(name)} is missing; allowed: {word}ing coordinates [m].")
        values = values.astype(np.float64)
        if values.size < 1 or not np.isfinite(values).all() or np.any(sign * np.diff(values) <= 0):
            raise DataError(f"{root.where(name)} doesn't {word}; allowed: {word}ing coordinates [m].")
        return values

    def _number(self, name: str) -> float:
        value = self._file.root.number(name)
        if value is None or not np.isfinite(value):
            raise DataError(f"{self._file.root.where('@' + name)} is {value}; allowed: a finite number.")
        return value

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()
