"""Finished tiles waiting on disk until the last one tells the extent of their grid."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.errors import DataError

__all__ = ["Spooled", "TileSpool"]


@dataclass(frozen=True, slots=True)
class Spooled:
    """Where a tile lies in the spool: for each layer its type and offset."""

    first_along: int
    order: int
    """Of its side."""
    first_across: int
    shape: tuple[int, int]
    layers: dict[str, tuple[np.dtype[Any], int]]


class TileSpool:
    """Tiles' layers as raw bytes, one after the other.

    Parameters
    ----------
    folder : Path
        Where the nameless temporary file lies that holds them: it vanishes with the process.
    path : Path, optional
        A named file instead, which outlives a crash so that the work can go on.
    mark : mapping, optional
        What :meth:`mark` returned earlier: go on from there; what was written to ``path`` afterwards is forgotten.

    Raises
    ------
    DataError
        If ``path`` is shorter than its mark says.
    """

    def __init__(self, folder: Path, path: Path | None = None, mark: Mapping[str, Any] | None = None) -> None:
        self.path = path
        self.tiles: list[Spooled] = []
        self._n_byte = 0
        if path is None:
            self._file = tempfile.TemporaryFile(dir=folder)
            return
        if mark is None:
            self._file = open(path, "w+b")
            return
        if not path.is_file() or path.stat().st_size < mark["bytes"]:
            raise DataError(
                f"{path} is gone or cut short; allowed: the file as the interrupted run left it. Image from the start."
            )
        self._file = open(path, "r+b")
        self._n_byte = int(mark["bytes"])
        self._file.truncate(self._n_byte)
        self._file.seek(self._n_byte)
        self.tiles = [_spooled(tile) for tile in mark["tiles"]]

    def write(
        self, first_along: int, order: int, first_across: int, layers: Mapping[str, NDArray[Any]]
    ) -> None:
        """Take one tile's layers, all of one shape."""
        places = {}
        for name, array in layers.items():
            places[name] = (array.dtype, self._n_byte)
            self._file.write(np.ascontiguousarray(array).reshape(-1).view(np.uint8).data)
            self._n_byte += array.nbytes
        shape = next(iter(layers.values())).shape
        self.tiles.append(Spooled(int(first_along), int(order), int(first_across), shape, places))

    def read(self, tile: Spooled, first: int, n: int) -> dict[str, NDArray[Any]]:
        """Return ``n`` rows of a tile from row ``first`` on; all that was written must be flushed."""
        found = {}
        for name, (dtype, offset) in tile.layers.items():
            stride = tile.shape[1] * dtype.itemsize
            raw = os.pread(self._file.fileno(), n * stride, offset + first * stride)
            found[name] = np.frombuffer(raw, dtype).reshape(n, tile.shape[1])
        return found

    def flush(self) -> None:
        """Make all that was written readable."""
        self._file.flush()

    def mark(self) -> dict[str, Any]:
        """Return plain values to go on from, once all that was written has reached the disk."""
        self._file.flush()
        os.fsync(self._file.fileno())
        return {"bytes": self._n_byte, "tiles": [_plain(tile) for tile in self.tiles]}

    def close(self) -> None:
        """Close; a named file stays where it is."""
        self._file.close()


def _plain(tile: Spooled) -> list[Any]:
    layers = [[name, dtype.str, offset] for name, (dtype, offset) in tile.layers.items()]
    return [tile.first_along, tile.order, tile.first_across, list(tile.shape), layers]


def _spooled(plain: list[Any]) -> Spooled:
    first_along, order, first_across, shape, layers = plain
    places = {name: (np.dtype(dtype), int(offset)) for name, dtype, offset in layers}
    return Spooled(first_along, order, first_across, tuple(shape), places)
