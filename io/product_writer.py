"""Writing a product: tiles in, one CF gridded file out."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import h5py
import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.conventions import SIDES
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.records import Quality, Tile

from . import product_layout as layout
from .gridded import axis_scale, create_grid_file, decibel, grid_layer, json_text, take_name, unseen_value
from .hdf5_write import part_path, put_attributes
from .product_layout import CHUNK, Georeference
from .tile_spool import Spooled, TileSpool

__all__ = ["ProductWriter", "put_tile"]

_STORED = {
    "intensity": np.float32,
    "looks": np.float32,
    "coverage": np.uint16,
    "noise_equivalent": np.float32,
    "quality": np.uint8,
}
"""Layers of a tile, as they are kept."""


def put_tile(spool: TileSpool, tile: Tile) -> None:
    """Put a tile where a :class:`ProductWriter` that gets this spool later finds it."""
    arrays = {name: np.asarray(getattr(tile, name), dtype) for name, dtype in _STORED.items()}
    arrays |= {name: np.asarray(value) for name, value in tile.extra.items()}
    spool.write(tile.first_along, SIDES.index(tile.side), tile.first_across, arrays)


class ProductWriter:
    """Write one leg's product from finished tiles; use it in a ``with`` block.

    Tiles may come in any order and of both sides in turn; where two cover a pixel, the one with more looks
    holds. They wait in a nameless temporary file, since only the last one tells the extent of the grid; at the end the
    product is written block by block under a temporary name, so memory stays small however long the line, and
    takes its own name once it is whole. Equal tiles give equal bytes, however they were cut. When the block
    ends by an exception nothing stays.

    Parameters
    ----------
    path : str or path
        The file to make, normally ``.nc``.
    method : str
        How the image was formed.
    along_m, across_m : float
        Cell size; the centre of row k lies at ``(k + 0.5) * along_m``, of columns alike; columns below 0 are to port. [m]
    sides : sequence of str
        Of the arrays that the image was made from.
    strip_origin_north_m, strip_origin_east_m, strip_heading_rad : float
        Of the leg: (north, east) = origin + along (cos h, sin h) + across (-sin h, cos h).
    calibrated : bool
        Whether levels are absolute.
    settings : str
        TOML text that repeats the work.
    provenance : mapping
        Versions, identity of the recording, seed and the like; plain values that JSON can hold.
    georeference : Georeference, optional
        How the strip lies in a projected system.
    title : str
    attributes : mapping, optional
        Further attributes of the root: text and numbers.
    overwrite : bool
        Replace what is there.
    durable : bool
        Wait for the disk before the file takes its name.
    before_rename : callable, optional
        Called when the product is whole, just before it takes its name; what it raises leaves nothing behind.
    spool : TileSpool, optional
        Where tiles wait, and those of an interrupted run already do; by default a nameless temporary file. A
        named one stays when the product is written.

    Raises
    ------
    ParameterError
        If something is there already, or a value isn't allowed.
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        *,
        method: str,
        along_m: float,
        across_m: float,
        sides: Sequence[str],
        strip_origin_north_m: float,
        strip_origin_east_m: float,
        strip_heading_rad: float,
        calibrated: bool,
        settings: str,
        provenance: Mapping[str, Any],
        georeference: Georeference | None = None,
        title: str = "",
        attributes: Mapping[str, Any] | None = None,
        overwrite: bool = False,
        durable: bool = True,
        before_rename: Callable[[], None] | None = None,
        spool: TileSpool | None = None,
    ) -> None:
        self.path = Path(path)
        if self.path.exists() and not overwrite:
            raise ParameterError(
                f"{self.path} exists; allowed: a new name. Give another name or overwrite=True."
            )
        if not self.path.parent.is_dir():
            raise ParameterError(f"{self.path.parent} is no folder; allowed: an existing one. Make it first.")
        for name, value in (("along_m", along_m), ("across_m", across_m)):
            if not (np.isfinite(value) and value > 0):
                raise ParameterError(f"{name} is {value!r}; allowed: a length above 0.")
        self._sides = [side for side in SIDES if side in sides]
        if not self._sides or len(self._sides) != len(sides):
            raise ParameterError(f"sides is {list(sides)}; allowed: {', '.join(SIDES)}, each once.")
        self._along_m, self._across_m = float(along_m), float(across_m)
        self._calibrated = calibrated
        self._georeference = georeference
        self._attributes = {
            "Conventions": "CF-1.11",
            "pingloom_format": layout.FORMAT,
            "format_version": layout.FORMAT_VERSION,
            "title": title,
            "method": method,
            "sides": " ".join(self._sides),
            "strip_origin_north": float(strip_origin_north_m),
            "strip_origin_east": float(strip_origin_east_m),
            "strip_heading": float(strip_heading_rad),
            "cell_along": self._along_m,
            "cell_across": self._across_m,
            "calibrated": "yes" if calibrated else "no",
            "settings": settings,
            "provenance": json_text(provenance),
            **(attributes or {}),
        }
        self._durable = durable
        self._before_rename = before_rename
        self._spool = spool or TileSpool(self.path.parent)
        self._extra: dict[str, np.dtype[Any]] = {
            name: dtype
            for tile in self._spool.tiles
            for name, (dtype, _) in tile.layers.items()
            if name not in _STORED
        }
        self._closed = False

    def say(self, **attributes: Any) -> None:
        """Add attributes to the root that are known only at the end: text and numbers."""
        self._attributes.update(attributes)

    # ---- tiles in ----------------------------------------------------------------------------------------

    def write(self, tile: Tile) -> None:
        """Take one tile.

        Raises
        ------
        ParameterError
            If its side or the type of one of its further layers doesn't fit.
        """
        if self._closed:
            raise ParameterError(f"{self.path} is closed; allowed: writing before that. Make a new writer.")
        if tile.side not in self._sides:
            raise ParameterError(f"tile.side is {tile.side!r}; allowed here: {', '.join(self._sides)}.")
        for name, value in tile.extra.items():
            self._check_extra(name, np.asarray(value), tile.intensity.shape)
        put_tile(self._spool, tile)

    def _check_extra(self, name: str, value: NDArray[Any], shape: tuple[int, ...]) -> None:
        taken = {*layout.LAYERS, *_STORED, "along_track", "across_track", "strip"}
        if not name.isidentifier() or name in taken:
            raise ParameterError(
                f"tile.extra has '{name}'; allowed: plain names other than {', '.join(sorted(taken))}."
            )
        if value.dtype.kind not in "fiu" or value.shape != shape:
            raise ParameterError(
                f"tile.extra['{name}'] is {value.dtype} of shape {value.shape}; allowed: numbers of shape {shape}."
            )
        if self._extra.setdefault(name, value.dtype) != value.dtype:
            raise ParameterError(
                f"tile.extra['{name}'] is {value.dtype}; allowed: {self._extra[name]}, as in the first tile."
            )

    # ---- file out ----------------------------------------------------------------------------------------

    def close(self) -> None:
        """Write the product; closing twice does no harm.

        Raises
        ------
        DataError
            If there was no tile.
        """
        if self._closed:
            return
        self._closed = True
        part = part_path(self.path)
        try:
            tiles = [tile for tile in self._spool.tiles if tile.shape[0] and tile.shape[1]]
            if not tiles:
                raise DataError(f"no tile for {self.path}; allowed: one or more. No file was made.")
            self._spool.flush()
            # The order decides between tiles of equal looks; sorting makes it the same however they came.
            tiles.sort(key=lambda t: (t.first_along, t.order, t.first_across))
            with create_grid_file(self.path) as file:
                self._write_file(file, tiles)
            if self._before_rename is not None:
                self._before_rename()
            take_name(self.path, durable=self._durable)
        finally:
            part.unlink(missing_ok=True)
            self._spool.close()

    def _write_file(self, file: h5py.File, tiles: Sequence[Spooled]) -> None:
        first_along = min(t.first_along for t in tiles)
        first_across = min(t.first_across for t in tiles)
        shape = (
            max(t.first_along + t.shape[0] for t in tiles) - first_along,
            max(t.first_across + t.shape[1] for t in tiles) - first_across,
        )
        put_attributes(file, {**self._attributes, "first_along": first_along, "first_across": first_across})
        scales = (
            self._scale(file, "along_track", first_along, shape[0], self._along_m, "positive forward"),
            self._scale(
                file, "across_track", first_across, shape[1], self._across_m, "positive to starboard"
            ),
        )
        self._put_strip(file, first_along, first_across)
        names = {**layout.LAYERS, **{name: self._extra[name] for name in sorted(self._extra)}}
        layers = {
            name: grid_layer(
                file, name, dtype, scales, {"grid_mapping": "strip"}, calibrated=self._calibrated
            )
            for name, dtype in names.items()
        }
        by_block: dict[int, list[Spooled]] = defaultdict(list)
        for tile in tiles:
            start = tile.first_along - first_along
            for k in range(start // CHUNK, (start + tile.shape[0] - 1) // CHUNK + 1):
                by_block[k].append(tile)
        for k in range(-(-shape[0] // CHUNK)):
            rows = (k * CHUNK, min((k + 1) * CHUNK, shape[0]))
            block = self._block(by_block[k], first_along + rows[0], rows[1] - rows[0], first_across, shape[1])
            for name, values in _finished(block).items():
                layers[name][rows[0] : rows[1]] = values

    def _scale(
        self, file: h5py.File, name: str, first: int, n: int, step_m: float, positive: str
    ) -> h5py.Dataset:
        words = f"{name.replace('_', ' ')} in the strip, {positive}"
        values = (first + np.arange(n) + 0.5) * step_m
        return axis_scale(file, name, values, {"long_name": words, "units": "m"})

    def _put_strip(self, file: h5py.File, first_along: int, first_across: int) -> None:
        strip = file.create_dataset("strip", data=np.int32(0), track_times=False)
        where = self._georeference
        if where is None:
            put_attributes(strip, {"long_name": "strip frame of the leg, not tied to a projected system"})
            return
        corner = first_along * self._along_m, first_across * self._across_m
        put_attributes(
            strip,
            {
                **where.attributes(),
                "GeoTransform": where.geotransform(*corner, self._along_m, self._across_m),
            },
        )

    def _block(
        self, tiles: Sequence[Spooled], first_along: int, n_along: int, first_across: int, n_across: int
    ) -> dict[str, NDArray[Any]]:
        """Return rows of all layers, laid together from the tiles that reach into them."""
        dtypes = {**_STORED, **self._extra}
        block = {
            name: np.full((n_along, n_across), unseen_value(name, np.dtype(dtype)), dtype)
            for name, dtype in dtypes.items()
        }
        for tile in tiles:
            low = max(tile.first_along, first_along)
            high = min(tile.first_along + tile.shape[0], first_along + n_along)
            column = tile.first_across - first_across
            place = (slice(low - first_along, high - first_along), slice(column, column + tile.shape[1]))
            rows = self._spool.read(tile, low - tile.first_along, high - low)
            unseen = (block["quality"][place] & Quality.NOT_SEEN) != 0
            wins = unseen | (rows["looks"] > block["looks"][place])
            for name, values in rows.items():
                np.copyto(block[name][place], values, where=wins, casting="same_kind")
        return block

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type | None, error: BaseException | None, trace: TracebackType | None) -> None:
        if kind is None:
            self.close()
        else:
            self._closed = True
            self._spool.close()


def _finished(block: dict[str, NDArray[Any]]) -> dict[str, NDArray[Any]]:
    """Return the layers as stored: levels in decibels beside the linear ones."""
    block = dict(block)
    noise = block.pop("noise_equivalent")
    return {
        **block,
        "backscatter": decibel(block["intensity"]),
        "noise_equivalent_backscatter": decibel(noise),
    }
