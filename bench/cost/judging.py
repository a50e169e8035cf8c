"""What a timed stage is held against: whether its answer is right, its ceiling, its rivals, its goal."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from . import rivals
from .ceilings import Ceilings
from .counts import Count
from .timing import Candidate, Spread, Times

__all__ = ["GOALS", "LIMITS", "Stage", "judge_rival", "judge_stage"]

LIMITS = {
    "matched_filter": (1e-6, None),
    "beams": (1e-2, 0.10),
    "ground": (1e-2, 0.10),
    "ping": (1e-2, 0.10),
    "simulator": (3e-4, None),
    "back_project": (1e-2, 0.10),
}
"""Largest relative rms error of a stage, and of the amplitude in dim cells: beyond, its time is no result."""

GOALS = {
    ("matched_filter", "expert"): 2.5,
    ("beams", "straightforward"): 15.0,
    ("beams", "expert"): 4.0,
    ("ground", "straightforward"): 8.0,
    ("ping", "straightforward"): 12.0,
    ("ping", "expert"): 3.0,
    ("simulator", "straightforward"): 15.0,
    ("back_project", "straightforward"): 12.0,
}
"""How many times faster than a rival a stage is meant to be."""

_RIVAL_ERROR = {
    "matched_filter_straightforward": 1e-12,
    "matched_filter_expert": 5e-7,
    "beams_straightforward": 5e-2,
    "beams_straightforward_int32": 5e-2,
    "beams_fast_inaccurate": 4e-2,
    "beams_expert": 6e-3,
    "ground_straightforward": 1e-6,
    "ping_straightforward": 5e-2,
    "ping_expert": 4e-2,
    "ping_expert_accurate": 6e-3,
    "simulate_straightforward": 6e-3,
    "simulate_plain_numba": 1e-3,
    "back_project_straightforward": 1.5e-2,
    "back_project_plain_numba": 1.5e-2,
}
"""About twice what each rival is known to be off; a rival beyond that is broken."""


@dataclass(slots=True)
class Stage:
    """One stage, its rivals by their name in the report, and what was found wrong with each answer."""

    own: Candidate
    error: float
    dim_error: float
    count: Count
    unit: str
    n_unit: int
    rivals: dict[str, tuple[str, Candidate]]
    rival_errors: dict[str, tuple[float, float]]
    extra: dict[str, Any] = field(default_factory=dict)
    within_ping: Candidate | None = None
    """The same within a whole ping, where what ran before has emptied the caches."""


def judge_stage(name: str, stage: Stage, times: Times, top: Ceilings, share: float) -> dict[str, Any]:
    """What the report holds of a stage that was timed; ``share`` is how much of its core the process got."""
    own = times.of("ours")
    limit, dim_limit = LIMITS[name]
    good = stage.error <= limit and (dim_limit is None or stage.dim_error <= dim_limit)
    others = {}
    for key, (rival, _) in stage.rivals.items():
        took, ratio = times.of(key), times.ratio(key, "ours")
        others[key] = {
            "median_us": took.median * 1e6,
            # A wrong answer has no speed.
            "ratio": ratio.median if good else None,
            "quartiles": [ratio.low, ratio.high] if good else None,
            "goal": GOALS.get((name, key)),
            "error": _number(stage.rival_errors[key][0]),
            "dim_error": _number(stage.rival_errors[key][1]),
            "rival": rival,
            "flag": judge_rival(rival, took, top.speed, stage.rival_errors[key][0]),
        }
    within = None
    if stage.within_ping is not None:
        took = times.of("within_ping")
        within = {
            "median_us": took.median * 1e6,
            "quartiles_us": [took.low * 1e6, took.high * 1e6],
            "ratios": {},
        }
        for key in stage.rivals if good else ():
            ratio = times.ratio(key, "within_ping")
            within["ratios"][key] = [ratio.median, ratio.low, ratio.high]
    least_s = stage.count.least_seconds(top.fft_gflop_s, top.fma_gflop_s, top.l2_gb_s)
    return {
        "median_us": own.median * 1e6,
        "quartiles_us": [own.low * 1e6, own.high * 1e6],
        "error": stage.error,
        "dim_error": _number(stage.dim_error),
        "right": bool(good),
        "operations": float(stage.count.operations),
        "transform_operations": float(stage.count.transform),
        "bytes": float(stage.count.moved),
        "ceiling_us": least_s * 1e6,
        "ceiling_fraction": float(least_s / own.median),
        "ns_per_unit": own.median * 1e9 / stage.n_unit,
        "unit": stage.unit,
        "core_share": share,
        "rivals": others,
        "within_ping": within,
        **stage.extra,
    }


def judge_rival(name: str, took: Spread, speed: float, error: float) -> str:
    """Say what is odd about a rival, empty if nothing.

    Its expected band is scaled by the core's measured speed; a tenth beyond either end passes. Half as slow again makes
    the ratio void, since a slow rival flatters.
    """
    if error > _RIVAL_ERROR[name]:
        return f"wrong: error {error:.1e}, expected below {_RIVAL_ERROR[name]:.1e}"
    low, high = (edge / speed for edge in rivals.BANDS[name])
    if took.median > 1.5 * high:
        return f"void: {took.median / high:.2f} x its expected time"
    if took.median > 1.1 * high:
        return f"slow: {took.median / high:.2f} x its expected time"
    if took.median < low / 1.1:
        return f"fast: {took.median / low:.2f} x its expected time"
    return ""


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
