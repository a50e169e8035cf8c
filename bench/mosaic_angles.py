"""Taking out of a mosaic's strips what their level does with distance across track.

A seabed's backscatter falls with the grazing angle, so a place seen from two legs has two levels, and where one leg's swath
ends a step stands on the map that is none of the seabed's. Each strip's and side's mean level at each distance, the
median over windows along the way so that objects and shadows don't count, is brought to the mean level of all strips.
What differs across track along a whole leg goes with it, be it the angle, a pattern badly known or the seabed itself.
Common practice for maps to look at; levels are then relative to the mean at each distance.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pingloom.io.product import read_product

from .mosaic_plan import MosaicPlan

__all__ = ["flatten_angles", "level_by_distance"]

_BIN_M = 0.25
_WINDOW_M = 1.0
_MOST_WINDOWS = 400
"""Of a strip, evenly spread: enough for its means however long it is."""
_LEAST_SEEN = 0.5
"""Of a window's pixels at a distance that must have been seen."""


def flatten_angles(plan: MosaicPlan) -> MosaicPlan:
    """Return the same plan with a level for each strip and distance across track."""
    found = [level_by_distance(s.path) for s in plan.strips]
    known = np.concatenate([level[np.isfinite(level)] for _, level in found])
    common = float(np.mean(known)) if known.size else 0.0
    return replace(plan, falls=tuple((at, _to(level, common)) for at, level in found))


def level_by_distance(path: Path) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean level of a product at distances across track.

    Returns
    -------
    across_m : ndarray of float64, shape (bin,)
        Ascending, port negative. [m]
    level_db : ndarray of float64, shape (bin,)
        NaN where nothing stands above the noise. [dB]
    """
    with read_product(path) as product:
        across = product.across_track_m
        width = max(_BIN_M, 4 * product.across_m)
        number = np.floor(across / width).astype(int)
        first, number = int(number[0]), number - int(number[0])
        n_bin, n_row = int(number[-1]) + 1, max(1, round(_WINDOW_M / product.along_m))
        starts = np.arange(0, max(product.shape[0] - n_row, 0) + 1, n_row)
        starts = starts[np.unique(np.linspace(0, starts.size - 1, _MOST_WINDOWS).astype(int))]
        mean = np.full((starts.size, n_bin), np.nan)
        room = np.bincount(number, minlength=n_bin) * n_row
        for k, start in enumerate(starts):
            part = product.read("intensity", slice(int(start), int(start) + n_row)).astype(np.float64)
            seen = np.isfinite(part)
            total = np.bincount(number, np.where(seen, part, 0.0).sum(axis=0), n_bin)
            count = np.bincount(number, seen.sum(axis=0), n_bin)
            mean[k] = np.where(count > _LEAST_SEEN * room, total / np.maximum(count, 1), np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        level = np.array([np.median(m[np.isfinite(m)]) if np.isfinite(m).any() else np.nan for m in mean.T])
        level = np.where(level > 0, 10 * np.log10(np.where(level > 0, level, 1.0)), np.nan)
    return (first + np.arange(n_bin) + 0.5) * width, level


def _to(level_db: NDArray[np.float64], common_db: float) -> NDArray[np.float64]:
    """What is to be added at each distance to come to the common level; beyond what is known, as at its end. [dB]"""
    known = np.flatnonzero(np.isfinite(level_db))
    if not known.size:
        return np.zeros(level_db.size)
    nearest = known[np.abs(np.arange(level_db.size)[:, None] - known).argmin(axis=1)]
    return common_db - level_db[nearest]
