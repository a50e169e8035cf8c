"""A mosaic from plan to files: gridded netCDF or GeoTIFF, and its picture."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pingloom import __version__
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.io.geotiff import TILE, write_geotiff
from pingloom.io.mosaic import MOSAIC_LAYERS, MosaicWriter, decibel

from .map_picture import Line, map_picture
from .mosaic_plan import MosaicPlan, moved
from .mosaicking import mosaic_blocks
from .seams import Tally

__all__ = ["RESAMPLING", "draw_mosaic", "mosaic_about", "write_mosaic", "write_mosaic_tiff"]

_CELL = "Each cell is the mean of a strip's intensity over the cell's area; "
RESAMPLING = {
    "looks": _CELL + "strips are averaged with their numbers of looks as weights.",
    "aspect": _CELL
    + "strips that look the same way (nearest of four quarter turns) are averaged with their numbers of looks "
    "as weights, and the ways count alike.",
    "best": _CELL + "where strips overlap, the one with the most looks holds.",
}
"""Said in the files, by what is done where strips overlap."""
_FLAT = " Each strip's mean level at each distance across track was brought to one common level."


def _resampling(plan: MosaicPlan) -> str:
    return RESAMPLING[plan.overlap] + ("" if plan.falls is None else _FLAT)


_COMMENT = "Not an all-clear for ordnance or obstructions; not for navigation. See the cautions of pingloom."

_LONGEST_LIST = 50_000

Advance = Callable[[int], None]


def write_mosaic(
    plan: MosaicPlan, path: Path, tally: Tally, *, overwrite: bool = False, advance: Advance | None = None
) -> None:
    """Write a mosaic as netCDF.

    Raises
    ------
    ParameterError, DataError
        If the file exists, or nothing was seen.
    """
    about = mosaic_about(plan)
    writer = MosaicWriter(
        path,
        plan.grid,
        title=about.pop("title"),
        calibrated=plan.calibrated,
        provenance=about,
        attributes={"comment": _COMMENT, "resampling": _resampling(plan)},
        overwrite=overwrite,
    )
    with writer:
        for block, layers in mosaic_blocks(plan, tally):
            if layers is not None:
                writer.write(block, layers)
            if advance is not None:
                advance(1)


def write_mosaic_tiff(
    plan: MosaicPlan,
    path: Path,
    tally: Tally,
    *,
    layer: str = "backscatter",
    overwrite: bool = False,
    advance: Advance | None = None,
) -> None:
    """Write one layer of a mosaic as GeoTIFF.

    Raises
    ------
    ParameterError, DataError
        If the file exists, there is no such layer, or nothing was seen.
    """
    if layer not in MOSAIC_LAYERS:
        raise ParameterError(f"layer is {layer!r}; allowed: {', '.join(MOSAIC_LAYERS)}.")
    dtype = MOSAIC_LAYERS[layer]
    fill = np.nan if dtype.kind == "f" else (1 if layer == "quality" else 0)

    def tiles() -> Iterator[NDArray[Any]]:
        for block, layers in mosaic_blocks(plan, tally):
            tile = np.full((TILE, TILE), fill, dtype)
            if layers is not None:
                tile[: block.n_row, : block.n_column] = _values(layers, layer)
            yield tile
            if advance is not None:
                advance(1)
        if tally.seen_cells == 0:
            raise DataError(f"nothing to write to {path}: no cell was seen; allowed: one or more.")

    write_geotiff(
        path,
        tiles(),
        shape=(plan.grid.n_row, plan.grid.n_column),
        dtype=dtype,
        affine=plan.grid.geotransform,
        epsg=plan.grid.epsg,
        nodata=fill,
        about={
            **mosaic_about(plan),
            "layer": layer,
            "resampling": _resampling(plan),
            "calibrated": plan.calibrated,
            "comment": _COMMENT,
        },
        overwrite=overwrite,
    )


def _values(layers: dict[str, NDArray[Any]], layer: str) -> NDArray[Any]:
    if layer == "backscatter":
        return decibel(layers["intensity"])
    if layer == "noise_equivalent_backscatter":
        return decibel(layers["noise_equivalent"])
    if layer == "looks":
        return np.where(np.isfinite(layers["intensity"]), layers["looks"], np.nan)
    return layers[layer]


def mosaic_about(plan: MosaicPlan) -> dict[str, Any]:
    """Return title, versions and where each strip came from, in at most some 50 kB."""
    n = len(plan.strips)
    title = plan.strips[0].title if n == 1 else f"mosaic of {n} strips ({plan.strips[0].method})"
    return {
        "title": title,
        "pingloom": __version__,
        "epsg": plan.grid.epsg,
        "cell_m": plan.grid.cell_m,
        "overlap": plan.overlap,
        **({} if plan.levels_db is None else {"levels_added_db": list(plan.levels_db)}),
        **({} if plan.falls is None else {"flattened": "level by distance across track"}),
        **listed([s.path.name for s in plan.strips], [s.recording for s in plan.strips]),
    }


def listed(files: Sequence[str], recordings: Sequence[Mapping[str, Any] | None]) -> dict[str, Any]:
    """Return strips and their recordings, each recording once.

    A file's header holds 60 kB of text: of a list too long for that only the count and a SHA-256 stay.
    """
    known: dict[str, Mapping[str, Any]] = {}
    strips = []
    for file, recording in zip(files, recordings, strict=True):
        sha = str(recording.get("sha256", "")) if recording else ""
        if recording and sha:
            known.setdefault(sha, recording)
        strips.append({"file": file, "recording": sha[:16]})
    out: dict[str, Any] = {"strips": strips, "recordings": [known[k] for k in sorted(known)]}
    text = json.dumps(out, sort_keys=True)
    if len(text) <= _LONGEST_LIST:
        return out
    return {"strips": len(strips), "strips_sha256": hashlib.sha256(text.encode()).hexdigest()}


def draw_mosaic(plan: MosaicPlan, tally: Tally, picture: Path) -> Path:
    """Draw the small picture that was kept while the mosaic was laid, with the strips' tracks."""
    image, y_m, x_m = tally.picture()
    unit = "seabed backscatter [dB re 1 m² per m²]" if plan.calibrated else "relative seabed backscatter [dB]"
    if plan.falls is not None:
        unit = "backscatter, mean level by distance taken out [dB]"
    n = len(plan.strips)
    return map_picture(
        picture,
        image,
        x_m=x_m,
        y_m=y_m,
        title=mosaic_about(plan)["title"],
        quantity=unit,
        system=f"EPSG:{plan.grid.epsg}, north up",
        lines=[_track(plan, k, str(k + 1) if 1 < n <= 40 else "") for k in range(n)],
        caption=f"{n} strip{'s' if n > 1 else ''}, cells of {plan.grid.cell_m:g} m; a dot marks each track's start.",
    )


def _track(plan: MosaicPlan, k: int, label: str) -> Line:
    strip = plan.strips[k]
    along = strip.edge_m[0] + np.array([0.0, strip.shape[0] * strip.pixel_m[0]])
    own = np.stack([v[0] + v[1] * along for v in (strip.place.x_m, strip.place.y_m)], -1)
    x, y = moved(own, strip.place.epsg, plan.grid.epsg).T
    return Line(x_m=(float(x[0]), float(x[1])), y_m=(float(y[0]), float(y[1])), label=label)
