"""Figures of a run: ratios to the rivals, speckle, growth."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from pingloom.bench.pictures import Chart, Curve, profile_picture

__all__ = ["draw", "figure_paths"]


def figure_paths(path: Path) -> list[Path]:
    """Names of the figures beside a run's file."""
    return [path.with_name(f"{path.stem}{tail}.png") for tail in ("", "-growth")]


def draw(run: dict[str, Any], path: Path) -> list[Path]:
    """Draw the figures beside the run's file ``path``; return them."""
    commit = (run["commit"] or "unknown")[:10]
    caption = (
        f"{run['machine']['processor']}, one core where not said; commit {commit}; {run['rounds']} rounds."
    )
    first, second = figure_paths(path)
    shared = {"caption": caption, "height_px": 800}
    profile_picture(first, [_ratio_chart(run), _looks_chart(run)], title="speed and speckle", **shared)
    charts = [_ping_chart(run["growth"]), _stage_chart(run["growth"])]
    if "threads" in run["growth"]:
        charts.append(_thread_chart(run["growth"]["threads"], run["cost"]["second_core"]["cores_got"]))
    profile_picture(second, charts, title="growth of the time of one ping", width_px=2000, **shared)
    return [first, second]


_UNITS = {
    "channels": "channels",
    "samples": "samples",
    "beams": "beams",
    "looks": "looks (wider sector)",
    "pixels": "pixels of a look",
}


def _grown(found: dict[str, Any], name: str, label: str) -> Curve:
    data = found["stages"][name]
    spread = np.array([(high - low) / 2 for low, high in data["quartiles_us"]]) / 1e3
    return Curve(
        label=f"{label}: slope {data['exponent']:.2f}, last {data['last_exponent']:.2f}",
        x=np.array(found["size"]) / found["case"],
        y=np.array(data["median_us"]) / 1e3,
        spread=spread,
        points=True,
    )


def _log_chart(curves: list[Curve], title: str, proportional_ms: float) -> Chart:
    """Time against size over the case's, both logarithmic, with a line of what is proportional to the size."""
    x = np.concatenate([np.asarray(c.x) for c in curves])
    y = np.concatenate([np.asarray(c.y) for c in curves])
    span = np.array([x.min() / 1.2, x.max() * 1.2])
    line = Curve(label="in proportion: slope 1", x=span, y=proportional_ms * span)
    # Room above for what the colours mean.
    decades = np.log10(y.max() / y.min())
    return Chart(
        curves=[*curves, line],
        x_label="size over that of the case",
        y_label="time of one ping and side [ms]",
        title=title,
        x_limits=(span[0], span[1]),
        y_limits=(y.min() / 1.4, y.max() * 10 ** (0.7 * max(decades, 0.6))),
        logarithmic=True,
    )


def _ping_chart(growth: dict[str, Any]) -> Chart:
    curves = [
        _grown(found, "ping", _UNITS[axis])
        for axis, found in growth.items()
        if axis in _UNITS and "ping" in found["stages"]
    ]
    case = growth["channels"]
    at_case = case["stages"]["ping"]["median_us"][case["size"].index(case["case"])]
    return _log_chart(curves, "a whole ping", at_case / 1e3)


_STAGES = (
    ("matched_filter", "channels"),
    ("matched_filter", "samples"),
    ("beams", "channels"),
    ("beams", "samples"),
    ("beams", "beams"),
    ("ground", "pixels"),
)


def _stage_chart(growth: dict[str, Any]) -> Chart:
    curves = []
    for name, axis in _STAGES:
        found = growth.get(axis)
        if found is not None and name in found["stages"]:
            curve = _grown(found, name, f"{name.replace('_', ' ')}, {axis}")
            at_case = curve.y[found["size"].index(found["case"])]
            curves.append(replace(curve, y=curve.y / at_case, spread=curve.spread / at_case))
    return replace(_log_chart(curves, "its stages", 1.0), y_label="time over that of the case")


def _thread_chart(found: dict[str, Any], got: list[float]) -> Chart:
    data = found["stages"]["ping"]
    size, took = np.array(found["size"]), np.array(data["median_us"]) / 1e3
    spread = np.array([(high - low) / 2 for low, high in data["quartiles_us"]]) / 1e3
    return Chart(
        curves=[
            Curve(
                label=f"measured: {took[0] / took[-1]:.2f} times as fast",
                x=size,
                y=took,
                spread=spread,
                points=True,
            ),
            Curve(label="ideal: half the time", x=size, y=took[0] / size),
        ],
        x_label="threads, each a side",
        y_label="wall time of one ping and side [ms]",
        title=f"threads, which got {got[0]:.2f} and {got[1]:.2f} cores",
        x_limits=(0.5, 2.5),
        y_limits=(0.0, 1.5 * float((took + spread).max())),
    )


def _ratio_chart(run: dict[str, Any]) -> Chart:
    names = list(run["stages"])
    curves = []
    for key, shift in (("straightforward", -0.08), ("expert", 0.0), ("expert_accurate", 0.08)):
        have = [
            (k + shift, stage["rivals"][key])
            for k, stage in enumerate(run["stages"].values())
            if key in stage["rivals"] and stage["rivals"][key]["ratio"] is not None
        ]
        if have:
            x = np.array([k for k, _ in have], float)
            y = np.array([rival["ratio"] for _, rival in have])
            spread = np.array([(rival["quartiles"][1] - rival["quartiles"][0]) / 2 for _, rival in have])
            curves.append(Curve(label=key.replace("_", ", "), x=x + 1, y=y, spread=spread, points=True))
    order = ", ".join(f"{k + 1} {name.replace('_', ' ')}" for k, name in enumerate(names))
    if not curves:
        curves = [Curve(label="no stage gave a right answer", x=[1.0], y=[np.nan], points=True)]
    return Chart(
        curves=curves,
        x_label=order,
        y_label="times faster than the rival",
        title="ratios, with quartiles",
        x_limits=(0.5, len(names) + 0.5),
        levels={"as fast": 1.0},
    )


def _looks_chart(run: dict[str, Any]) -> Chart:
    rows = [
        row
        for row in run["quality"]
        if row["quantity"].startswith("number of looks at") and row["measured"] is not None
    ]
    if not rows:
        empty = Curve(label="not measured", x=[0.0], y=[np.nan], points=True)
        return Chart(
            curves=[empty], x_label="distance across track [m]", y_label="equivalent number of looks"
        )
    x = np.array([float(row["quantity"].split()[-2]) for row in rows])
    got, wanted, spread = (
        np.array([row[k] or 0.0 for row in rows]) for k in ("measured", "predicted", "spread")
    )
    return Chart(
        curves=[
            Curve(label="predicted", x=x, y=wanted),
            Curve(label="measured", x=x, y=got, spread=spread, points=True),
        ],
        x_label="distance across track [m]",
        y_label="equivalent number of looks",
        title="speckle",
    )
