"""HDF5 opened with suspicion: named items of one regular file, checked before they are read.

Files come from other programs, from disks that failed and, at worst, from someone who means harm. So only regular
files are opened; links are looked at before they are followed and only hard links are; a dataset must store its
values in this very file, plainly or through deflate, shuffle and fletcher32; what it declares may be at most
:data:`LARGEST_RATIO` times what is stored (small datasets aside); its type and shape are checked before its values are read. Nothing walks the tree.
The many exceptions that h5py raises on damage become one :class:`~pingloom.imaging.errors.DataError` of one line.

Damaged strings of variable length can make the HDF5 library loop for ever. Our own files have none; other
programs' attributes may, so these are first read by a child process with a time and memory limit, once a file.
"""

from __future__ import annotations

import math
import os
import stat
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import h5py
import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.errors import DataError, PingloomError

from ._hdf5_checks import LARGEST_RATIO, agrees, complex_from, is_complex_pair, storage_fault, text_of

__all__ = [
    "LARGEST_RATIO",
    "SafeFile",
    "SafeGroup",
    "complex_from",
    "is_complex_pair",
    "require_regular",
]

TEXT_SECONDS = 20
"""How long a child may take over a file's texts of variable length. [s]"""
LARGEST_ATTRIBUTE = 2**20
"""[byte]"""
LARGEST_ARRAY = 2**30
"""Of an array that is read as a whole, as opposed to ping by ping or window by window. [byte]"""

_DAMAGE = (
    OSError,
    RuntimeError,
    KeyError,
    ValueError,
    TypeError,
    AttributeError,
    IndexError,
    OverflowError,
    MemoryError,
    SystemError,
    NotImplementedError,
)
_COPY_AGAIN = "Copy it again from where it was made."


def require_regular(path: Path, what: str = "a file") -> os.stat_result:
    """Return the state of ``path``, which must be a regular file that isn't empty."""
    try:
        state = os.stat(path)
    except FileNotFoundError as error:
        raise DataError(f"{path}: no such file; allowed: {what}. Check the name.") from error
    except (OSError, ValueError) as error:
        raise DataError(f"{path} can't be looked at: {error}; allowed: {what}. Check the name.") from error
    if not stat.S_ISREG(state.st_mode):
        kind = "a folder" if stat.S_ISDIR(state.st_mode) else "a pipe, socket or device"
        raise DataError(f"{path} is {kind}; allowed: a regular file. Check the name.")
    if state.st_size == 0:
        raise DataError(f"{path} is empty (0 bytes); allowed: {what}. {_COPY_AGAIN}")
    return state


class SafeFile:
    """One HDF5 file, open for reading.

    Parameters
    ----------
    path : Path
        Of a regular file.
    what : str
        What it should be, for messages.

    Raises
    ------
    DataError
        If it isn't a regular file or not HDF5, or is cut short or damaged.
    """

    def __init__(self, path: Path, what: str = "a recording", *, largest_ratio: int = LARGEST_RATIO) -> None:
        self.path = Path(path)
        self.what = what
        self.largest_ratio = largest_ratio
        state = require_regular(self.path, what)
        self.n_byte = state.st_size
        self._text_is_safe = False
        try:
            self._file = _opened(self.path)
        except _DAMAGE as error:
            raise self._refusal(error) from error
        self.root = SafeGroup(self, self._file, "")

    def _refusal(self, error: BaseException) -> DataError:
        text = str(error)
        if isinstance(error, PermissionError):
            return DataError(
                f"{self.path} may not be read; allowed: {self.what} with read rights. Change its rights."
            )
        if "signature not found" in text:
            with open(self.path, "rb") as file:
                start = file.read(8)
            return DataError(
                f"{self.path} is not an HDF5 file (it starts with {start!r}); allowed: {self.what}. Check the name."
            )
        if "truncated" in text:
            return DataError(
                f"{self.path} is cut short: {self.n_byte} bytes are fewer than its header says; "
                f"allowed: {self.what}, whole. {_COPY_AGAIN}"
            )
        return DataError(
            f"{self.path} is damaged and can't be opened; allowed: {self.what}, whole. {_COPY_AGAIN}"
        )

    def close(self) -> None:
        """Close the file; closing twice does no harm."""
        try:
            self._file.close()
        except _DAMAGE:  # a damaged file may refuse even that, and nothing is lost: it was only read
            return

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    def check_text(self, item: str) -> None:
        """Let a child process read the file's texts of variable length, so that damage can't hang this one."""
        if self._text_is_safe:
            return
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        command = [
            sys.executable,
            "-P",
            str(Path(__file__).with_name("_text_probe.py")),
            os.fspath(self.path),
        ]
        try:
            done = subprocess.run(
                command,
                env=environment,
                capture_output=True,
                timeout=TEXT_SECONDS,
                stdin=subprocess.DEVNULL,
                check=False,
            )
            code = done.returncode
        except subprocess.TimeoutExpired:
            code = -1
        if code != 0:
            raise DataError(
                f"{self.path}: {item} is a text of variable length that can't be read; allowed: text, best of fixed "
                f"length. {_COPY_AGAIN}"
            )
        self._text_is_safe = True


class SafeGroup:
    """One group of a :class:`SafeFile`: attributes and datasets by name, each checked before it is read."""

    def __init__(self, file: SafeFile, group: h5py.Group, name: str) -> None:
        self.file = file
        self.name = name
        self._group = group

    def where(self, item: str = "") -> str:
        """Name an item of this group for messages."""
        inside = "/".join(part for part in (self.name, item) if part)
        return f"{self.file.path}: /{inside}"

    @contextmanager
    def guarding(self, item: str) -> Iterator[None]:
        """Turn what h5py raises on damage into one line."""
        try:
            yield
        except PingloomError:
            raise
        except _DAMAGE as error:
            reason = " ".join(str(error).split())[:120] or type(error).__name__
            raise DataError(
                f"{self.where(item)} is damaged ({reason}); allowed: readable HDF5. {_COPY_AGAIN}"
            ) from error

    # ---- links -------------------------------------------------------------------------------------------

    def _kind(self, name: str) -> type | None:
        """Return what ``name`` links to: h5py.Group, h5py.Dataset or None where there is nothing."""
        with self.guarding(name):
            link = self._group.get(name, getlink=True)
            if link is None:
                return None
            if type(link) is not h5py.HardLink:
                raise DataError(
                    f"{self.where(name)} is a link to elsewhere ({type(link).__name__}); allowed: an item of the file "
                    "itself. Copy the data in."
                )
            return self._group.get(name, getclass=True)

    def names(self, limit: int = 1000) -> list[str]:
        """Return the names of the first ``limit`` items."""
        found: list[str] = []
        with self.guarding(""):
            for name in self._group:
                if len(found) == limit:
                    break
                found.append(name)
        return found

    def has(self, name: str) -> bool:
        """Whether there is an item of that name."""
        return self._kind(name) is not None

    def group(self, name: str) -> SafeGroup | None:
        """Return the group of that name, None where there is none."""
        kind = self._kind(name)
        if kind is None:
            return None
        if kind is not h5py.Group:
            raise DataError(f"{self.where(name)} is no group; allowed: a group. Rename the item.")
        with self.guarding(name):
            return SafeGroup(self.file, self._group[name], f"{self.name}/{name}".strip("/"))

    # ---- attributes --------------------------------------------------------------------------------------

    def attribute_names(self, dataset: str | None = None, limit: int = 1000) -> list[str]:
        """Return the names of the attributes of this group, or of one of its datasets."""
        with self.guarding(dataset or ""):
            owner = self._group if dataset is None else self._checked(dataset)
            return [name for name, _ in zip(owner.attrs, range(limit), strict=False)]

    def attribute(self, name: str, dataset: str | None = None) -> NDArray[Any] | str | None:
        """Return an attribute as text or as an array of numbers; None where there is none.

        Parameters
        ----------
        name : str
            Of the attribute.
        dataset : str, optional
            The dataset of this group that carries it; by default the group itself.
        """
        item = f"{dataset}@{name}" if dataset else f"@{name}"
        with self.guarding(item):
            owner = self._group if dataset is None else self._checked(dataset)
            if not h5py.h5a.exists(owner.id, name.encode()):
                return None
            return self._attribute_value(owner, name, item)

    def _attribute_value(self, owner: Any, name: str, item: str) -> NDArray[Any] | str:
        handle = h5py.h5a.open(owner.id, name.encode())
        kind, shape, dtype = handle.get_type(), handle.shape, handle.dtype
        if shape is None:
            raise DataError(f"{self.where(item)} holds nothing; allowed: a value. Write one or leave it out.")
        if math.prod(shape) * max(dtype.itemsize, 1) > LARGEST_ATTRIBUTE:
            raise DataError(f"{self.where(item)} is of shape {shape}; allowed: {LARGEST_ATTRIBUTE} bytes.")
        if isinstance(kind, h5py.h5t.TypeStringID):
            if kind.is_variable_str():
                self.file.check_text(self.where(item).rpartition("/")[2])
            return text_of(owner.attrs[name], self.where(item))
        if dtype.hasobject or dtype.kind not in "biufc":
            raise DataError(f"{self.where(item)} is of type {dtype}; allowed: numbers or text.")
        value = np.zeros(shape, dtype)
        handle.read(value)
        return value

    def text(self, name: str, dataset: str | None = None) -> str | None:
        """Return an attribute that must be text, None where there is none."""
        value = self.attribute(name, dataset)
        if value is not None and not isinstance(value, str):
            raise DataError(f"{self.where('@' + name)} is {value.tolist()!r}; allowed: text.")
        return value

    def numbers(self, name: str, shape: tuple[int, ...] = ()) -> NDArray[np.float64] | None:
        """Return an attribute that must be real numbers of a shape; one number may be an array of one."""
        value = self.attribute(name)
        if value is None:
            return None
        wanted = "a number" if shape == () else f"{math.prod(shape)} numbers"
        if isinstance(value, str) or value.dtype.kind not in "biuf":
            got = repr(value) if isinstance(value, str) else f"of type {value.dtype}"
            raise DataError(
                f"{self.where('@' + name)} is {got}; allowed: {wanted}. Write it as floating point."
            )
        if value.size != math.prod(shape):
            raise DataError(f"{self.where('@' + name)} is of shape {value.shape}; allowed: {wanted}.")
        return value.reshape(shape).astype(np.float64)

    def number(self, name: str) -> float | None:
        """Return an attribute that must be one real number, None where there is none."""
        value = self.numbers(name)
        return None if value is None else float(value)

    # ---- datasets ----------------------------------------------------------------------------------------

    def dataset(self, name: str, shape: Sequence[int | None] | None = None) -> h5py.Dataset | None:
        """Return a dataset whose storage is safe to read, None where there is none.

        Parameters
        ----------
        name : str
            In this group.
        shape : sequence, optional
            Wanted lengths; None leaves an axis free.
        """
        with self.guarding(name):
            if self._kind(name) is None:
                return None
            data = self._checked(name)
        if shape is not None and not agrees(data.shape, shape):
            wanted = "(" + ", ".join("any" if n is None else str(n) for n in shape) + ")"
            raise DataError(f"{self.where(name)} is of shape {data.shape}; allowed: {wanted}.")
        return data

    def _checked(self, name: str) -> h5py.Dataset:
        if self._kind(name) is not h5py.Dataset:
            raise DataError(f"{self.where(name)} is no dataset; allowed: a dataset. Rename the item.")
        data = self._group[name]
        refusal = storage_fault(data, self.file.largest_ratio)
        if refusal:
            raise DataError(f"{self.where(name)} {refusal}")
        return data

    def array(self, name: str, kinds: str, shape: Sequence[int | None]) -> NDArray[Any] | None:
        """Return a whole dataset, None where there is none.

        Parameters
        ----------
        name : str
            In this group.
        kinds : str
            Allowed letters of numpy's ``dtype.kind``.
        shape : sequence
            Wanted lengths; None leaves an axis free.
        """
        data = self.dataset(name, shape)
        if data is None:
            return None
        is_pair = "c" in kinds and is_complex_pair(data.dtype)
        if data.dtype.kind not in kinds and not is_pair:
            words = {"f": "floating point", "u": "unsigned", "i": "integer", "b": "boolean", "c": "complex"}
            raise DataError(
                f"{self.where(name)} is of type {data.dtype}; allowed: {' or '.join(words[k] for k in kinds)}."
            )
        if data.size * data.dtype.itemsize > LARGEST_ARRAY:
            raise DataError(f"{self.where(name)} is of shape {data.shape}; allowed: {LARGEST_ARRAY} bytes.")
        with self.guarding(name):
            values = data[...]
        return complex_from(values) if is_pair else values


def _opened(path: Path) -> h5py.File:
    """Open without a lock: a recording may be read while it is written."""
    cache = 64 * 2**20  # holds chunks that span several pings
    try:
        return h5py.File(path, "r", locking=False, rdcc_nbytes=cache)
    except OSError as error:
        # Another part of this process has it open with locks, which the library wants to be the same for all.
        if "locking flag" not in str(error):
            raise
        return h5py.File(path, "r", rdcc_nbytes=cache)
