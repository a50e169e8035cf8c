"""Synthetic strips whose content at every place of the map is known; all invented."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.records import Quality, Tile
from pingloom.io.product import Georeference, ProductWriter

EPSG = 32731
EAST_M, NORTH_M = 500_000.0, 8_800_000.0
"""A place of the map that strips lie around."""

Scene = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]

CELLS = {
    "wavelength_m": 1 / 300,
    "array_length_m": 0.6,
    "bandwidth_hz": 30e3,
    "sound_speed_m_s": 1500.0,
    "altitude_m": 6.0,
    "equivalent_cell_m": 2e-4,
}
PLAIN_SETTINGS = '[compress]\nwindow = "none"\n\n[beamform]\nshading = "uniform"\n'


def georeference(
    x_m: float = EAST_M, y_m: float = NORTH_M, heading_rad: float = 0.0, epsg: int = EPSG
) -> Georeference:
    """A strip that begins at a place of the map and goes off by a grid heading."""
    from pyproj import CRS

    crs = CRS.from_epsg(epsg)
    sine, cosine = float(np.sin(heading_rad)), float(np.cos(heading_rad))
    return Georeference(
        epsg=epsg,
        x_m=(x_m, sine, cosine),
        y_m=(y_m, cosine, -sine),
        wkt=crs.to_wkt("WKT1_GDAL"),
        cf=crs.to_cf(),
    )


def uniform(level: float) -> Scene:
    """A seabed of one level."""
    return lambda x, y: np.full(np.broadcast(x, y).shape, level)


def pattern(x_m: NDArray[np.float64], y_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """A seabed of slow waves of 5 m and more: what area averaging over decimetres leaves as it is."""
    u, v = x_m - EAST_M, y_m - NORTH_M
    return 1.0 + 0.5 * np.sin(2 * np.pi * u / 7) * np.cos(2 * np.pi * v / 5) + 0.2 * np.sin(u / 3 + v / 4)


def strip(
    path: Path,
    scene: Scene = pattern,
    *,
    place: Georeference | None = None,
    length_m: float = 30.0,
    reach_m: float = 20.0,
    gap_m: float = 2.0,
    along_m: float = 0.1,
    across_m: float = 0.05,
    sides: tuple[str, ...] = ("port", "starboard"),
    looks: float = 8.0,
    noise: float = 0.01,
    speckle: Callable[[tuple[int, int]], NDArray[np.float64]] | None = None,
    flags: int = 0,
    name: str = "",
    cells: dict[str, Any] | None = None,
    **given: Any,
) -> Path:
    """Write a product that shows ``scene`` at each pixel's centre, times ``speckle`` of mean 1."""
    place = place or georeference()
    n_row, n_column, n_gap = round(length_m / along_m), round(reach_m / across_m), round(gap_m / across_m)
    settings = {
        "method": "multilook",
        "along_m": along_m,
        "across_m": across_m,
        "sides": sides,
        "strip_origin_north_m": 0.0,
        "strip_origin_east_m": 0.0,
        "strip_heading_rad": 0.0,
        "calibrated": True,
        "settings": PLAIN_SETTINGS,
        "provenance": {
            "recording": {"sha256": name or path.name, "files": [{"name": "r.h5", "bytes": 9_000_000}]},
            "cells": {side: cells for side in sides} if cells else {},
        },
        "georeference": place,
        "title": f"invented {path.stem}",
        "durable": False,
        "overwrite": True,
    }
    with ProductWriter(path, **settings | given) as file:
        for side in sides:
            first = n_gap if side == "starboard" else -n_column
            shape = (n_row, n_column - n_gap)
            along = (np.arange(n_row) + 0.5)[:, None] * along_m
            across = (first + np.arange(shape[1]) + 0.5) * across_m
            x, y = (v[0] + v[1] * along + v[2] * across for v in (place.x_m, place.y_m))
            level = scene(x, y) * (1.0 if speckle is None else speckle(shape))
            file.write(
                Tile(
                    side=side,
                    first_along=0,
                    first_across=first,
                    intensity=level.astype(np.float32),
                    looks=np.full(shape, looks, np.float32),
                    coverage=np.full(shape, 11, np.uint16),
                    noise_equivalent=np.full(shape, noise, np.float32),
                    quality=np.full(shape, flags & ~Quality.NOT_SEEN, np.uint8),
                )
            )
    return path
