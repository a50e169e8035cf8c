"""What the index says of a tile: level, speckle, looks, noise, quality."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pingloom.bench.measure.speckle import enl
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.records import Quality
from pingloom.io.product import Product
from pingloom.io.tiles import CountMapping

__all__ = ["recording_bytes", "short", "tile_facts"]


def tile_facts(layers: dict[str, NDArray[Any]], mapping: CountMapping) -> dict[str, float | None]:
    """Statistics of one tile.

    Parameters
    ----------
    layers : dict of ndarray, shape (row, column)
        ``intensity`` (NaN where not seen), ``looks``, ``noise``, ``coverage``, ``quality``; some pixel was seen.
    mapping : CountMapping
    """
    seen = np.isfinite(layers["intensity"])
    intensity = layers["intensity"][seen].astype(np.float64)
    counts = mapping.counts(intensity)
    noise = layers["noise"][seen]
    known = noise[np.isfinite(noise)]
    quality = layers["quality"][seen]
    return {
        "seen_share": short(seen.mean()),
        "level_db": _decibel(intensity.mean()),
        "speckle_contrast": short(intensity.std() / intensity.mean()) if intensity.mean() > 0 else None,
        "enl_measured": _measured_looks(layers["intensity"]),
        "looks_predicted": short(layers["looks"][seen].mean()),
        "pings": short(layers["coverage"][seen].mean()),
        "noise_equivalent_db": _decibel(known.mean()) if known.size else None,
        "clipped_low_share": short((counts == 1).mean()),
        "clipped_high_share": short((counts == mapping.largest).mean()),
        **{
            f"{name}_share": short(((quality & bit) != 0).mean())
            for bit, name in Quality.NAMES.items()
            if bit != Quality.NOT_SEEN
        },
    }


_PATCH = 256
"""Rows and columns of the middle of a tile on which looks are measured: more would only take longer."""


def _measured_looks(intensity: NDArray[Any]) -> float | None:
    """Mean squared over variance after a slow level is divided out; targets and shadows lower it."""
    rows, columns = (np.flatnonzero(np.isfinite(intensity).any(axis=k)) for k in (1, 0))
    patch = intensity[_middle(rows), _middle(columns)]
    if min(patch.shape) < 16:
        return None
    try:
        return short(enl(patch, trend_degree=(1, 1)).enl)
    except (DataError, ParameterError):
        return None


def _middle(index: NDArray[Any]) -> slice:
    spare = max(0, index.size - _PATCH) // 2
    return slice(int(index[0]) + spare, int(index[-1]) + 1 - spare)


def short(value: Any) -> float:
    """Six digits: enough for any statistic, and the same text everywhere."""
    return float(f"{float(value):.6g}")


def _decibel(level: Any) -> float | None:
    return short(10 * np.log10(level)) if level > 0 else None


def recording_bytes(product: Product) -> int | None:
    """Size of the recording that a product was made from, None where the product doesn't say. [byte]"""
    recording = product.provenance.get("recording")
    files = recording.get("files") if isinstance(recording, dict) else None
    try:
        return sum(int(f["bytes"]) for f in files) if files else None
    except (KeyError, TypeError, ValueError):
        return None
