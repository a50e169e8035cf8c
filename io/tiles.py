"""A folder of fixed-size image tiles for recognition programs, with an index in CSV, GeoJSON and JSON.

Everything is made in a temporary folder beside the final one and takes its name once it is whole. Equal input gives
equal bytes.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.errors import DataError, ParameterError

from .folders import FreshFolder, write_json
from .geotiff import write_geotiff

__all__ = ["INDEX", "CountMapping", "TileFolder", "TileRecord"]

INDEX = "tiles.json"
"""The file that tells a folder of tiles from any other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CountMapping:
    """From levels in dB to counts: 0 means not seen, 1 is ``low_db`` and below, the largest ``high_db`` and above.

    Level of a count: ``low_db + (count - 1) (high_db - low_db) / (largest - 1)``.
    """

    low_db: float
    high_db: float
    bits: int = 8

    def __post_init__(self) -> None:
        if self.bits not in (8, 16):
            raise ParameterError(f"bits is {self.bits}; allowed: 8, 16.")
        if not (np.isfinite([self.low_db, self.high_db]).all() and self.low_db < self.high_db):
            raise ParameterError(
                f"mapping is {self.low_db:g} to {self.high_db:g} dB; allowed: two ascending finite levels."
            )

    @property
    def largest(self) -> int:
        """Largest count."""
        return 2**self.bits - 1

    @property
    def step_db(self) -> float:
        """Between neighbouring counts. [dB]"""
        return (self.high_db - self.low_db) / (self.largest - 1)

    def counts(self, intensity: NDArray[Any]) -> NDArray[Any]:
        """Turn linear levels into counts; what is 0 or below counts as lowest, NaN as not seen."""
        seen = np.isfinite(intensity)
        level = np.full(intensity.shape, self.low_db, np.float64)
        np.log10(intensity, out=level, where=seen & (intensity > 0))
        level = np.where(seen & (intensity > 0), 10 * level, self.low_db)
        count = 1 + np.rint((np.clip(level, self.low_db, self.high_db) - self.low_db) / self.step_db)
        return np.where(seen, count, 0).astype(np.uint8 if self.bits == 8 else np.uint16)

    def level_db(self, counts: NDArray[Any]) -> NDArray[np.float64]:
        """Turn counts back into levels; NaN where not seen. [dB]"""
        return np.where(counts > 0, self.low_db + (counts.astype(np.float64) - 1) * self.step_db, np.nan)


@dataclass(frozen=True, slots=True, kw_only=True)
class TileRecord:
    """What the index says of one tile."""

    name: str
    affine: tuple[float, ...] | None
    """From (column, row) of pixel corners to (x, y); None where the strip isn't tied to a projected system."""
    ring_deg: Sequence[tuple[float, float]] | None
    """Longitude and latitude of the corners, counterclockwise, not closed. [deg]"""
    facts: Mapping[str, float | int | str | None] = field(default_factory=dict)
    """Further columns, the same for every tile."""


class TileFolder:
    """Write a folder of tiles; use it in a ``with`` block.

    Parameters
    ----------
    path : Path
        The folder to make.
    about : mapping
        What is the same for all tiles; plain values that JSON can hold.
    epsg : int, optional
        Projected system of the affines.
    overwrite : bool
        Replace a folder of tiles; any other folder is never replaced.

    Raises
    ------
    ParameterError
        If something else is there already.
    """

    def __init__(
        self, path: Path, *, about: Mapping[str, Any], epsg: int | None = None, overwrite: bool = False
    ) -> None:
        self.path = Path(path)
        self._folder = FreshFolder(self.path, INDEX, overwrite=overwrite)
        self._about, self._epsg = dict(about), epsg
        self._records: list[TileRecord] = []
        self.n_byte = 0

    def write_image(self, file_name: str, counts: NDArray[Any], record: TileRecord) -> None:
        """Write a tile's image as PNG or TIFF, by the name's ending; unsigned 8 or 16 bits, (row, column)."""
        path = self._folder.part / file_name
        text = {"tile": record.name, **{k: v for k, v in record.facts.items() if v is not None}}
        if path.suffix == ".png":
            _write_png(path, counts, text, record.affine, self._epsg)
        else:
            known = record.affine is not None
            write_geotiff(
                path,
                counts,
                affine=record.affine if known else (0, 1, 0, 0, 0, -1),
                epsg=self._epsg if known else None,
                nodata=0,
                about=text,
            )
        self.n_byte += path.stat().st_size

    def add(self, record: TileRecord) -> None:
        """Add a tile to the index."""
        self._records.append(record)

    def close(self, **further: Any) -> None:
        """Write the index and give the folder its name.

        Raises
        ------
        DataError
            If there is no tile.
        """
        if not self._records:
            raise DataError(f"no tile for {self.path}: nothing was seen; allowed: one or more.")
        _write_csv(self._folder.part / "index.csv", self._records)
        if all(r.ring_deg is not None for r in self._records):
            write_json(self._folder.part / "index.geojson", _geojson(self._records))
        write_json(
            self._folder.part / INDEX,
            {
                "pingloom_format": "tiles",
                "format_version": 1,
                **self._about,
                **further,
                "epsg": self._epsg,
                "tiles": [{"name": r.name, "affine": r.affine, **r.facts} for r in self._records],
            },
        )
        self._folder.commit()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self._folder.__exit__(kind, error, trace)


def _write_png(
    path: Path,
    counts: NDArray[Any],
    text: Mapping[str, Any],
    affine: Sequence[float] | None,
    epsg: int | None,
) -> None:
    from PIL import Image
    from PIL.PngImagePlugin import PngInfo

    info = PngInfo()
    said = {"about": text, "affine": affine, "epsg": epsg}
    info.add_text("pingloom", json.dumps(said, sort_keys=True, ensure_ascii=True))
    buffer = io.BytesIO()
    Image.fromarray(counts).save(buffer, format="png", pnginfo=info, compress_level=6)
    path.write_bytes(buffer.getvalue())


def _write_csv(path: Path, records: Sequence[TileRecord]) -> None:
    columns = ["tile", *records[0].facts]
    corners = [f"{c}{k}" for k in range(4) for c in ("lon", "lat")]
    affine = [f"a{k}" for k in range(6)]
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow([*columns, *affine, *corners])
        for r in records:
            ring = [""] * 8 if r.ring_deg is None else [repr(v) for point in r.ring_deg for v in point]
            six = [""] * 6 if r.affine is None else [repr(float(v)) for v in r.affine]
            facts = ["" if v is None else v for v in r.facts.values()]
            writer.writerow([r.name, *facts, *six, *ring])


def _geojson(records: Sequence[TileRecord]) -> dict[str, Any]:
    """RFC 7946: longitude before latitude on WGS 84, rings counterclockwise and closed, cut at the date line."""
    return {
        "type": "FeatureCollection",
        "features": [
            {
                "type": "Feature",
                "properties": {"tile": r.name, **r.facts},
                "geometry": _outline(r.ring_deg),
            }
            for r in records
        ],
    }


def _outline(ring_deg: Sequence[Sequence[float]]) -> dict[str, Any]:
    """A ring as a polygon; one that crosses the date line as one on either side of it (RFC 7946, 3.1.9)."""
    ring = [[float(v) for v in p] for p in ring_deg]
    longitude = [p[0] for p in ring]
    if max(longitude) - min(longitude) <= 180:
        return {"type": "Polygon", "coordinates": [[*ring, ring[0]]]}
    # Counted on beyond 180 degrees, cut there, and the farther part counted from -180 again.
    ring = [[p[0] % 360, p[1]] for p in ring]
    parts = []
    for sign, back in ((1, 0.0), (-1, 360.0)):
        cut = [[p[0] - back, p[1]] for p in _clipped(ring, sign)]
        parts.append([[*cut, cut[0]]])
    return {"type": "MultiPolygon", "coordinates": parts}


def _clipped(ring: Sequence[Sequence[float]], sign: int) -> list[list[float]]:
    """What of a convex ring lies west (1) or east (-1) of 180 degrees (Sutherland and Hodgman)."""
    out: list[list[float]] = []
    for p, q in zip(ring, [*ring[1:], ring[0]], strict=True):
        inside, next_inside = (sign * (v[0] - 180) <= 0 for v in (p, q))
        if inside:
            out.append(list(p))
        if inside != next_inside:
            share = (180 - p[0]) / (q[0] - p[0])
            out.append([180.0, p[1] + share * (q[1] - p[1])])
    return out
