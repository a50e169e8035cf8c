"""How the time of the project's stages grows with the sizes that a designer may change."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import ours
from .cases import Case
from .timing import Candidate, measure, timed

__all__ = ["AXES", "exponent", "growth"]

AXES = {
    "channels": (8, 16, 32, 64),
    "samples": (800, 1600, 3200, 6400),
    "beams": (8, 16, 32, 64),
    "pixels": (0.4, 0.2, 0.1, 0.05),
}
"""Sizes of each axis; pixels are given by their size along track, and halved across track with it. [m]"""


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
        Axis to ``size`` (for pixels their number) and, by stage, ``median_us`` and the fitted ``exponent``.
    """
    found = {}
    for axis, sizes in AXES.items():
        on_step(f"growth with {axis}")
        found[axis] = _axis(axis, sizes[-sizes_each:], rounds)
    return found


def exponent(size: Sequence[float], seconds: Sequence[float]) -> float:
    """Slope of time against size, both as logarithms, by least squares."""
    return float(np.polyfit(np.log(size), np.log(seconds), 1)[0])


def _axis(axis: str, sizes: Sequence[float], rounds: int) -> dict[str, Any]:
    counted: list[float] = []
    medians: dict[str, list[float]] = {}
    for size in sizes:
        number, candidates = _candidates(axis, size)
        counted.append(float(number))
        times = measure(candidates, rounds=rounds)
        for stage in candidates:
            medians.setdefault(stage, []).append(times.of(stage).median * 1e6)
    stages = {
        stage: {"median_us": values, "exponent": exponent(counted, values)}
        for stage, values in medians.items()
    }
    return {"size": counted, "stages": stages}


def _candidates(axis: str, size: float) -> tuple[float, dict[str, Candidate]]:
    """Number that stands for the size, and the stages that grow with it."""
    if axis == "channels":
        # The array keeps its length, so the number of beams stays.
        base = Case()
        case = replace(base, n_channel=int(size), pitch_m=base.pitch_m * base.n_channel / size)
        return size, {**_filter(case), **_beams(case), **_whole(case)}
    if axis == "samples":
        case = Case()
        reach = case.sound_speed_m_s * size / case.sampling_hz / 2
        case = replace(case, n_sample=int(size), max_range_m=reach)
        return size, {**_filter(case), **_beams(case), **_whole(case)}
    if axis == "beams":
        return size, _beams(replace(Case(), n_beam=int(size)))
    case = replace(Case(), pixel_along_m=size, pixel_across_m=size / 2)
    chain = ours.CaseChain(case, _echo(case))
    return chain.step(), {"ground": chain.stage("ground and average"), "ping": timed(chain.step)}


def _echo(case: Case) -> NDArray[np.complex64]:
    """Noise: the time of no stage depends on the values."""
    pair = np.random.default_rng(3).standard_normal((case.n_channel, 2 * case.n_sample), dtype=np.float32)
    return pair.view(np.complex64)


def _filter(case: Case) -> dict[str, Candidate]:
    plan, echo = ours.compressor(case), _echo(case)[None]
    buffer = plan.allocate()
    return {"matched_filter": timed(lambda: plan.run_planes(echo, buffer))}


def _beams(case: Case) -> dict[str, Candidate]:
    (run, _), echo = ours.beams(case), _echo(case)
    parts = np.stack([echo.real, echo.imag])
    return {"beams": timed(lambda: run(parts))}


def _whole(case: Case) -> dict[str, Candidate]:
    return {"ping": timed(ours.CaseChain(case, _echo(case)).step)}
