"""How the time of the project's stages grows with the sizes that a designer may change, beside their operations."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import counts, ours
from .cases import Case
from .plan_counts import count_beams, count_ground, count_ping
from .running import PING_RATE_HZ, SPEED_M_S
from .timing import Candidate, Spread, measure, timed

__all__ = ["AXES", "STEEP", "explain", "exponent", "growth", "with_threads"]

AXES = {
    "channels": (8, 16, 32, 64),
    "samples": (800, 1600, 3200, 6400),
    "beams": (8, 16, 32, 64),
    "looks": (1.5, 3.0, 6.0, 12.0),
    "pixels": (0.4, 0.2, 0.1, 0.05),
}
"""Sizes of each axis. Looks are given by the sector's width [deg], since each ping that has a pixel in its sector gives
it one; pixels by their size along track, halved across track with it. [m]"""

STEEP = 1.1
"""Exponent from which growth is not called linear any more: caches alone make a tenth."""

_LOOKS_AT_M = 25.0

_WHY = {
    (
        "ping",
        "samples",
    ): "more samples reach further out, where the sector is wider, so its pixels grow as the square",
    ("matched_filter", "samples"): "a transform's grow as n log n",
}


@dataclass(frozen=True, slots=True)
class _Timed:
    """A stage of one size."""

    candidate: Candidate
    count: counts.Count
    n_pixel: int = 0


def growth(
    *, rounds: int, sizes_each: int, on_step: Callable[[str], None] = lambda text: None
) -> dict[str, Any]:
    """Time stages over all axes.

    Parameters
    ----------
    sizes_each : int
        Of each axis only so many sizes, the largest ones.

    Returns
    -------
    dict
        Axis to ``size`` (pings that see a point 25 m off for looks, pixels of a look for pixels), ``case`` (the size that
        stages are timed with beside their rivals) and, by stage, ``median_us`` with ``quartiles_us``, its fitted
        ``exponent``, that of the last step alone, ``operations``, their exponent, and ``why`` where time grows faster
        than the size.
    """
    found = {}
    for axis, sizes in AXES.items():
        on_step(f"growth with {axis}")
        found[axis] = _axis(axis, sizes[-sizes_each:], rounds)
    return found


def with_threads(second_core: dict[str, Any] | None) -> dict[str, Any]:
    """Growth with threads, from what was measured of a second core: wall time a ping; empty where there is one core."""
    if second_core is None:
        return {}
    size, wall = [1.0, 2.0], second_core["wall_ms"]
    median = [1e3 * v[0] for v in wall]
    stage = {
        "median_us": median,
        "quartiles_us": [[1e3 * v[1], 1e3 * v[2]] for v in wall],
        "exponent": exponent(size, median),
        "last_exponent": exponent(size, median),
        "operations": None,
        "operations_exponent": None,
        "why": "",
    }
    return {"threads": {"size": size, "case": 1.0, "stages": {"ping": stage}}}


def exponent(size: Sequence[float], seconds: Sequence[float]) -> float:
    """Slope of time against size, both as logarithms, by least squares."""
    return float(np.polyfit(np.log(size), np.log(seconds), 1)[0])


def _axis(axis: str, sizes: Sequence[float], rounds: int) -> dict[str, Any]:
    made = [_stages(axis, size) for size in sizes]
    # Sizes take turns, so that a core that slows down in between bends no slope.
    candidates = {
        f"{k} {name}": c.candidate for k, (_, stages) in enumerate(made) for name, c in stages.items()
    }
    times = measure(candidates, rounds=rounds)
    counted = [float(number) for number, _ in made]
    found = {}
    for name in made[0][1]:
        took = [times.of(f"{k} {name}") for k in range(len(made))]
        counts_ = [stages[name].count for _, stages in made]
        found[name] = _stage(name, axis, counted, took, counts_)
    # The case's own size is the last but one.
    return {"size": counted, "case": counted[-2], "stages": found}


def _stage(
    name: str, axis: str, size: Sequence[float], took: Sequence[Spread], work: Sequence[counts.Count]
) -> dict[str, Any]:
    median, operations = [t.median for t in took], [float(w.operations) for w in work]
    last, last_work = exponent(size[-2:], median[-2:]), exponent(size[-2:], operations[-2:])
    return {
        "median_us": [v * 1e6 for v in median],
        "quartiles_us": [[t.low * 1e6, t.high * 1e6] for t in took],
        "exponent": exponent(size, median),
        "last_exponent": last,
        "operations": operations,
        "operations_exponent": exponent(size, operations),
        "why": explain((name, axis), last, last_work, [float(w.moved) for w in work[-2:]]),
    }


def explain(what: tuple[str, str], last: float, last_work: float, moved: Sequence[float]) -> str:
    """Say why a stage's time grew faster than the size of an axis over the last step; empty if it did not.

    ``last`` and ``last_work`` are the exponents of time and operations, ``moved`` the bytes before and after.
    """
    if last <= STEEP:
        return ""
    told = f"to the power of {last:.2f} at last, its operations {last_work:.2f}"
    if last_work > STEEP - 0.05 and what in _WHY:
        told += f" ({_WHY[what]})"
    if last > last_work + STEEP - 1:
        told += f"; it moves {moved[1] / 1e6:.1f} MB instead of {moved[0] / 1e6:.1f}, more than caches near the core hold"
    return told


def _stages(axis: str, size: float) -> tuple[float, dict[str, _Timed]]:
    """Number that stands for the size, and the stages that grow with it."""
    case = Case()
    if axis == "channels":
        # The array keeps its length, so the number of beams stays.
        case = replace(case, n_channel=int(size), pitch_m=case.pitch_m * case.n_channel / size)
        return size, {**_filter(case), **_beams(case), **_whole(case)}
    if axis == "samples":
        reach = case.sound_speed_m_s * size / case.sampling_hz / 2
        case = replace(case, n_sample=int(size), max_range_m=reach)
        return size, {**_filter(case), **_beams(case), **_whole(case)}
    if axis == "beams":
        return size, _beams(replace(case, n_beam=int(size)))
    if axis == "looks":
        case = replace(case, sector_rad=float(np.deg2rad(size)))
        seen_m = 2 * np.hypot(_LOOKS_AT_M, case.altitude_m) * np.tan(case.sector_rad / 2)
        return float(seen_m / (SPEED_M_S / PING_RATE_HZ)), _whole(case, ground=True)
    case = replace(case, pixel_along_m=size, pixel_across_m=size / 2)
    stages = _whole(case, ground=True)
    return stages["ground"].n_pixel, stages


def _echo(case: Case) -> NDArray[np.complex64]:
    """Noise: the time of no stage depends on the values."""
    pair = np.random.default_rng(3).standard_normal((case.n_channel, 2 * case.n_sample), dtype=np.float32)
    return pair.view(np.complex64)


def _filter(case: Case) -> dict[str, _Timed]:
    plan, echo = ours.compressor(case), _echo(case)[None]
    buffer = plan.allocate()
    count = counts.matched_filter(case.n_channel, case.n_sample, plan.n_fft)
    return {"matched_filter": _Timed(timed(lambda: plan.run_planes(echo, buffer)), count)}


def _beams(case: Case) -> dict[str, _Timed]:
    (run, plan), echo = ours.beams(case), _echo(case)
    parts = ours.parts(echo)
    return {"beams": _Timed(timed(lambda: run(parts)), count_beams(plan, detect=True))}


def _whole(case: Case, *, ground: bool = False) -> dict[str, _Timed]:
    """The chain; with ``ground`` also its last stage by itself."""
    chain = ours.CaseChain(case, _echo(case))
    n_pixel, side = chain.step(), chain.chain.sides["starboard"]
    stages = {"ping": _Timed(timed(chain.step), count_ping(side, n_pixel))}
    if ground:
        laid = _Timed(timed(chain.laying()), count_ground(side, n_pixel), n_pixel)
        stages = {"ground": laid, **stages}
    return stages
