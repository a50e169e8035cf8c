"""What is wanted of speed and cost, beside what one run measured."""

from __future__ import annotations

from typing import Any

__all__ = ["goals"]

_REAL_TIME = 30.0
"""Both sides of the reference sonar at 11 pings a second, on one core, in this part of the time that they take."""
_HELP_S = 0.5
_FREE = 0.9
"""Share of a core that one thread must have got for two to be told."""
_FLAT_MB = 5.0
"""Growth of memory over a line ten times as long that is none: a page or two of records."""


def goals(stages: dict[str, Any], cost: dict[str, Any]) -> list[dict[str, Any]]:
    """Goal by goal: ``goal``, ``wanted`` and ``measured`` (None where there is no result), ``unit`` and ``reached``.

    A ratio counts only where our answer was right and the rival ran as it should.
    """
    found = []
    for name, stage in stages.items():
        for key, rival in stage["rivals"].items():
            if rival["goal"] is not None:
                sound = rival["flag"].split(":")[0] not in ("void", "wrong")
                ratio = rival["ratio"] if sound else None
                text = f"{name.replace('_', ' ')} against {key}"
                found.append(_at_least(text, rival["goal"], ratio, "times faster"))
    real_time = cost["case_pixels"]["real_time_factor"]["two_sides"]
    found.append(
        _at_least("both sides, one core, 10 x 5 cm pixels", _REAL_TIME, real_time, "times real time")
    )
    if cost["second_core"] is not None:
        # Where others had the cores already while one thread ran, two tell nothing.
        free = cost["second_core"]["cores_got"][0] >= _FREE
        gain = cost["second_core"]["gain"][1] if free else None
        found.append(_at_least("a thread a side on two cores, lower quartile", 1.0, gain, "times faster"))
    growth = cost["memory"]["growth_mb"]
    found.append(_at_most("memory over a line ten times as long", _FLAT_MB, growth, "MB more"))
    found.append(_at_most("--help", _HELP_S, cost["start_up"]["help"]["wall_s"], "s"))
    return found


def _at_least(goal: str, wanted: float, measured: float | None, unit: str) -> dict[str, Any]:
    return _row(goal, "at least", wanted, measured, unit, measured is not None and measured >= wanted)


def _at_most(goal: str, wanted: float, measured: float | None, unit: str) -> dict[str, Any]:
    return _row(goal, "at most", wanted, measured, unit, measured is not None and measured <= wanted)


def _row(
    goal: str, way: str, wanted: float, measured: float | None, unit: str, reached: bool
) -> dict[str, Any]:
    return {
        "goal": goal,
        "way": way,
        "wanted": wanted,
        "measured": measured,
        "unit": unit,
        "reached": bool(reached),
    }
