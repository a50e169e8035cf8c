"""What is in a product or a mosaic, in figures that fit a screen."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from pingloom.bench.ping_counts import reasons_of
from pingloom.imaging.records import Quality
from pingloom.io.gridded import GridReader
from pingloom.io.mosaic import read_mosaic
from pingloom.io.product import read_product

__all__ = ["mosaic_facts", "product_facts"]

_BLOCK = 512
"""Rows and columns that are read at once."""


def product_facts(path: Path) -> dict[str, dict[str, Any]]:
    """Return what a product says of itself, and means over what was seen, by section."""
    with read_product(path) as product:
        where = product.georeference
        return {
            "product": {
                "title": product.title,
                "method": product.method,
                "sides": list(product.sides),
                "calibrated": product.calibrated,
                "bytes": product.n_byte,
                "layers": list(product.layers),
                **_ping_facts(product.attributes),
            },
            "grid": {
                "pixels_along_across": list(product.shape),
                "cell_m": [product.along_m, product.across_m],
                "along_m": [float(product.along_track_m[0]), float(product.along_track_m[-1])],
                "across_m": [float(product.across_track_m[0]), float(product.across_track_m[-1])],
                "strip_origin_m": [product.strip_origin_north_m, product.strip_origin_east_m],
                "strip_heading_deg": float(np.degrees(product.strip_heading_rad) % 360),
                "projected_system": f"EPSG:{where.epsg}" if where else "none",
                **(
                    {}
                    if where is None or where.residual_m is None
                    else {"georeference_residual_m": where.residual_m}
                ),
            },
            "content": _content(product) | _quality(product),
            "settings": {"text": product.settings},
            "provenance": product.provenance,
        }


def mosaic_facts(path: Path) -> dict[str, dict[str, Any]]:
    """Return what a mosaic says of itself, and means over what was seen, by section."""
    with read_mosaic(path) as mosaic:
        about, half = mosaic.provenance, mosaic.cell_m / 2
        strips = about.get("strips")
        names = (
            [str(s.get("file")) for s in strips if isinstance(s, dict)] if isinstance(strips, list) else []
        )
        return {
            "mosaic": {
                "title": mosaic.title,
                "calibrated": mosaic.calibrated,
                "bytes": mosaic.n_byte,
                "layers": list(mosaic.layers),
                "strips": names or strips,
                "resampling": str(mosaic.attributes.get("resampling", "")),
            },
            "grid": {
                "cells_rows_columns": list(mosaic.shape),
                "cell_m": mosaic.cell_m,
                "easting_m": [float(mosaic.x_m[0]) - half, float(mosaic.x_m[-1]) + half],
                "northing_m": [float(mosaic.y_m[-1]) - half, float(mosaic.y_m[0]) + half],
                "projected_system": f"EPSG:{mosaic.epsg}" if mosaic.epsg else "none",
            },
            "content": _content(mosaic, mosaic.cell_m**2),
            "provenance": {k: v for k, v in about.items() if k not in ("title", "strips")},
        }


def _ping_facts(attributes: dict[str, Any]) -> dict[str, Any]:
    """How many pings there were and why some were left out; empty for products that don't say."""
    if "pings" not in attributes:
        return {}
    facts = {"pings": int(attributes["pings"]), "pings_left_out": int(attributes.get("pings_left_out", 0))}
    return facts | {f"  {reason}": n for reason, n in reasons_of(attributes).items()}


def _quality(product: GridReader) -> dict[str, Any]:
    """Share of all pixels that each quality flag marks."""
    counts = np.zeros(8, np.int64)
    for row in range(0, product.shape[0], _BLOCK):
        for column in range(0, product.shape[1], _BLOCK):
            flags = product.read("quality", slice(row, row + _BLOCK), slice(column, column + _BLOCK))
            counts += [np.count_nonzero(flags & (1 << bit)) for bit in range(8)]
    n = product.shape[0] * product.shape[1]
    named = {bit: name for bit, name in enumerate(_names(product)) if name}
    return {f"share_{name}": counts[bit] / n for bit, name in named.items() if counts[bit]}


def _names(product: GridReader) -> list[str]:
    return [Quality.NAMES.get(1 << bit, "") for bit in range(8)]


def _content(grid: GridReader, cell_m2: float | None = None) -> dict[str, Any]:
    """Return means over the seen pixels, read block by block."""
    n_seen, looks, level, n_level, n_shared = 0, 0.0, 0.0, 0, 0
    for row in range(0, grid.shape[0], _BLOCK):
        for column in range(0, grid.shape[1], _BLOCK):
            window = slice(row, row + _BLOCK), slice(column, column + _BLOCK)
            seen = grid.read("coverage", *window) > 0
            if not seen.any():
                continue
            n_seen += int(seen.sum())
            looks += float(grid.read("looks", *window)[seen].sum(dtype=np.float64))
            intensity = grid.read("intensity", *window)
            good = np.isfinite(intensity)
            level += float(intensity[good].sum(dtype=np.float64))
            n_level += int(good.sum())
            if "strips" in grid.layers:
                n_shared += int((grid.read("strips", *window) > 1).sum())
    mean = level / n_level if n_level else float("nan")
    facts = {
        "seen_share": n_seen / (grid.shape[0] * grid.shape[1]),
        "mean_looks": looks / n_seen if n_seen else float("nan"),
        "mean_backscatter_db": float(10 * np.log10(mean)) if mean > 0 else float("nan"),
    }
    if cell_m2 is not None:
        facts |= {"seen_m2": n_seen * cell_m2, "seen_by_two_strips_or_more_m2": n_shared * cell_m2}
    return facts
