"""What is in a table of corrections, in figures that fit a screen."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np

from pingloom.io.corrections import Corrections, SideCorrections, read_corrections

__all__ = ["correction_facts"]


def correction_facts(path: Path) -> dict[str, dict[str, Any]]:
    """Return what a table says, side by side: pings, those left out and why, and how much is corrected."""
    table = read_corrections(path)
    facts: dict[str, dict[str, Any]] = {
        "corrections": {"sides": list(table.sides), "history": table.history, "recording": _identity(table)}
    }
    for side, own in table.sides.items():
        facts[side] = _side(table, own)
    facts["settings"] = {"text": table.settings}
    return facts


def _identity(table: Corrections) -> str:
    try:
        known = json.loads(table.recording or "{}")
    except ValueError:
        return table.recording
    return str(known.get("sha256", table.recording)) if isinstance(known, dict) else table.recording


def _side(table: Corrections, own: SideCorrections) -> dict[str, Any]:
    rows = own.rows
    left_out = [row for row in rows if row.look_weight == 0]
    counts = Counter(
        name for row in rows for bit, name in sorted(table.reason_names.items()) if row.reasons & bit
    )
    altitude = np.array([row.altitude_m for row in rows])
    known = altitude[np.isfinite(altitude)]
    weighted = [row.channel_weight for row in rows if row.channel_weight is not None]
    facts: dict[str, Any] = {"pings": len(rows), "pings_left_out": len(left_out)}
    facts |= {f"  {name}": n for name, n in sorted(counts.items())}
    facts |= {
        "altitudes": int(known.size),
        "altitude_m": [float(known.min()), float(known.max())] if known.size else "none",
        "pings_with_weights": len(weighted),
        "receivers_left_out": int((weighted[-1] == 0).sum()) if weighted else 0,
        "pings_with_delays": sum(row.channel_delay_s is not None for row in rows),
    }
    for name in ("shift_along_m", "shift_starboard_m", "shift_heading_rad"):
        value = np.array([getattr(row, name) for row in rows])
        facts[f"{name}_rms"] = float(np.sqrt(np.mean(value**2))) if rows else float("nan")
    return facts
