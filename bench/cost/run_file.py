"""The JSON file of a run: written whole or not at all, read only where everything in it is as it must be."""

from __future__ import annotations

import json
import math
import os
from pathlib import Path
from typing import Any

from pingloom.imaging.errors import DataError

__all__ = ["FORMAT", "read_run", "write_run"]

FORMAT = 2
"""Raised when something that is read takes another form."""

_LARGEST_BYTES = 50_000_000


class _Or:
    """A value of this form, or null."""

    def __init__(self, form: Any) -> None:
        self.form = form


class _Each:
    """An object whose values, under whatever names, have this form."""

    def __init__(self, form: Any) -> None:
        self.form = form


_SPREAD = [float]
_RIVAL = {
    "median_us": float,
    "ratio": _Or(float),
    "quartiles": _Or([float]),
    "goal": _Or(float),
    "error": _Or(float),
    "dim_error": _Or(float),
    "rival": str,
    "flag": str,
}
_STAGE = {
    "median_us": float,
    "error": float,
    "dim_error": _Or(float),
    "right": bool,
    "operations": float,
    "bytes": float,
    "ceiling_us": float,
    "ceiling_fraction": float,
    "core_share": float,
    "rivals": _Each(_RIVAL),
    "within_ping": _Or({"median_us": float}),
}
_LINE = {
    "pixels": float,
    "pixel_m": [float],
    "beams": float,
    "ping_ms": _SPREAD,
    "stage_ms": _Each(_SPREAD),
    "real_time_factor": {"one_side": float, "two_sides": float},
}
_COST = {
    "case_pixels": _LINE,
    "own_pixels": _LINE,
    "memory": {
        "peak_of_process_mb": float,
        "imaging_process_mb": float,
        "pings": [float],
        "growth_mb": _Or(float),
    },
    "second_core": _Or({"gain": _SPREAD, "wall_ms": [_SPREAD], "cores_got": [float], "note": str}),
    "start_up": {
        "help": {"wall_s": float, "cpu_s": float},
        "import_imaging": {"wall_s": float},
        "first_ping_compiled_before": {"plan_s": float, "first_s": float},
        "first_ping_compiling": _Or({"plan_s": float, "first_s": float}),
    },
}
_GROWN = {
    "median_us": [float],
    "quartiles_us": [_SPREAD],
    "exponent": float,
    "last_exponent": float,
    "operations_exponent": _Or(float),
    "why": str,
}
_QUALITY = {
    "quantity": str,
    "measured": _Or(float),
    "predicted": float,
    "unit": str,
    "spread": _Or(float),
    "allowed": float,
    "passed": bool,
}
_GOAL = {
    "goal": str,
    "way": str,
    "wanted": float,
    "measured": _Or(float),
    "unit": str,
    "reached": bool,
}
_CEILINGS = {
    "fft_gflop_s": float,
    "fft_library": str,
    "fft_scipy_gflop_s": float,
    "fma_gflop_s": float,
    "fma_form": str,
    "product_gflop_s": float,
    "l2_gb_s": float,
    "memory_gb_s": float,
    "speed": float,
    "doubts": [str],
}
_RUN = {
    "level": str,
    "rounds": float,
    "case": _Each(float),
    "goals": [_GOAL],
    "stages": _Each(_STAGE),
    "quality": [_QUALITY],
    "cost": _COST,
    "growth": _Each({"size": [float], "case": float, "stages": _Each(_GROWN)}),
    "ceilings": _CEILINGS,
    "machine": {"processor": str, "architecture": str, "system": str, "cores": float, "core": _Or(float)},
    "versions": {"pingloom": str, "python": str, "numpy": str, "scipy": str, "numba": str},
    "commit": _Or(str),
    "took_s": float,
}


def read_run(path: Path) -> dict[str, Any]:
    """Read a run.

    Raises
    ------
    DataError
        If the file is none, of another format, or lacks something.
    """
    remedy = "allowed: what pingloom bench -o wrote. Make one with: pingloom bench -o FILE"
    if not path.is_file() and path.exists():
        raise DataError(f"{path} is no file; {remedy}")
    if path.stat().st_size > _LARGEST_BYTES:
        raise DataError(f"{path} is too large for a run; {remedy}")
    try:
        run = json.loads(path.read_text(encoding="utf-8"))
    except (ValueError, RecursionError) as error:
        raise DataError(f"{path} is not JSON; {remedy}") from error
    if not isinstance(run, dict) or "format" not in run:
        raise DataError(f"{path} is no run: it lacks format; {remedy}")
    if run["format"] != FORMAT:
        raise DataError(f"{path} is a run of format {str(run['format'])[:20]}, this is {FORMAT}; {remedy}")
    odd = _odd(run, _RUN, "")
    if odd:
        more = f" and {len(odd) - 3} more" if len(odd) > 3 else ""
        raise DataError(f"{path} is a damaged run: {', '.join(odd[:3])}{more} missing or odd; {remedy}")
    return run


def write_run(run: dict[str, Any], path: Path) -> None:
    """Write a run; the name appears only when it is whole."""
    part = path.with_name(path.name + ".part")
    try:
        part.write_text(json.dumps(run, indent=1, allow_nan=False) + "\n", encoding="utf-8")
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)


def _odd(value: Any, form: Any, name: str) -> list[str]:
    """Dotted names of what does not have its form."""
    if isinstance(form, _Or):
        return [] if value is None else _odd(value, form.form, name)
    if isinstance(form, _Each):
        if not isinstance(value, dict) or not value:
            return [name]
        return [n for key, v in value.items() for n in _odd(v, form.form, f"{name}.{key}")]
    if isinstance(form, dict):
        if not isinstance(value, dict):
            return [name]
        inner = {key: f"{name}.{key}" if name else key for key in form}
        missing = [inner[key] for key in form if key not in value]
        present = [n for key in form if key in value for n in _odd(value[key], form[key], inner[key])]
        return missing + present
    if isinstance(form, list):
        if not isinstance(value, list):
            return [name]
        return [n for k, v in enumerate(value) for n in _odd(v, form[0], f"{name}[{k}]")]
    if form is float:
        number = isinstance(value, int | float) and not isinstance(value, bool)
        return [] if number and math.isfinite(value) else [name]
    return [] if isinstance(value, form) else [name]
