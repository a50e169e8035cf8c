"""A run for people: tables of lines, and figures."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from pingloom.bench.console import Report

__all__ = ["draw", "say"]


def say(report: Report, run: dict[str, Any]) -> None:
    """Print a run as tables."""
    _machine(report, run)
    _stages(report, run)
    _line(report, run["cost"])
    _overheads(report, run["cost"])
    _growth(report, run["growth"])
    _quality(report, run["quality"])


def _machine(report: Report, run: dict[str, Any]) -> None:
    machine, top = run["machine"], run["ceilings"]
    versions = ", ".join(f"{name} {run['versions'][name]}" for name in ("numpy", "scipy", "numba"))
    report.line(
        f"{machine['processor']}, {machine['cores']} cores; {versions}; commit {run['commit'] or 'unknown'}"
    )
    report.line(
        f"one thread on core {machine['core']}; {run['rounds']} rounds, best of 3 in each"
        + (
            " (a quick run: fewer rounds than the 11 that a ratio should rest on)"
            if run["rounds"] < 11
            else ""
        )
    )
    report.line(
        f"ceilings: transforms {top['fft_gflop_s']:.1f} Gflop/s ({top['fft_library']}), multiply-adds "
        f"{top['fma_gflop_s']:.0f} Gflop/s, second-level cache {top['l2_gb_s']:.0f} GB/s, memory "
        f"{top['memory_gb_s']:.0f} GB/s; {top['speed']:.2f} of the machine that the rivals' times are stated for"
    )
    report.line()


def _stages(report: Report, run: dict[str, Any]) -> None:
    rows, remarks = [], []
    for name, stage in run["stages"].items():
        verdict = "" if stage["right"] else " WRONG"
        rows.append(
            (
                name.replace("_", " "),
                f"{stage['median_us']:.0f}",
                _error(stage["error"]) + verdict,
                _error(stage["dim_error"]),
                f"{100 * stage['ceiling_fraction']:.0f} %",
                "",
                "",
            )
        )
        for key, rival in stage["rivals"].items():
            ratio = "-" if rival["ratio"] is None else f"{rival['ratio']:.2f}"
            spread = "-" if rival["ratio"] is None else "{:.2f}..{:.2f}".format(*rival["quartiles"])
            rows.append(
                (
                    f"  against {key.replace('_', ' ')}",
                    f"{rival['median_us']:.0f}",
                    _error(rival["error"]),
                    _error(rival["dim_error"]),
                    "",
                    ratio,
                    spread,
                )
            )
            if rival["flag"]:
                remarks.append(f"{rival['rival']}: {rival['flag']}")
        if stage["core_share"] < 0.97:
            remarks.append(
                f"{name}: this process got {100 * stage['core_share']:.0f} % of its core; others emptied its caches"
            )
        for heading, (missed, of) in stage.get("missed_pixels", {}).items():
            if missed:
                remarks.append(
                    f"{name}: {missed} of {of} pixels of the sector got no look at a heading of {heading} rad"
                )
        if "note" in stage:
            remarks.append(f"{name}: {stage['note']}")
    columns = ("stage", "median [us]", "error", "dim cells", "of ceiling", "times faster", "quartiles")
    report.table("one ping of one side against its rivals", columns, rows)
    for remark in remarks:
        report.line(f"  {remark}")
    report.line()


def _error(value: float | None) -> str:
    return "" if value is None else f"{value:.1e}"


def _line(report: Report, cost: dict[str, Any]) -> None:
    runs = [cost[name] for name in ("case_pixels", "own_pixels")]
    rows = []
    for stage in runs[0]["stage_ms"]:
        rows.append((stage, *(_spread(run["stage_ms"][stage]) for run in runs)))
    rows.append(("a whole ping", *(_spread(run["ping_ms"]) for run in runs)))
    rows.append(("beams formed", *(str(run["beams"]) for run in runs)))
    rows.append(("pixels of a look", *(str(run["pixels"]) for run in runs)))
    for key, label in (("one_side", "one side"), ("two_sides", "both sides, one core")):
        rows.append(
            (f"times real time at 11 Hz, {label}", *(f"{r['real_time_factor'][key]:.1f}" for r in runs))
        )
    names = [f"{100 * run['pixel_m'][0]:g} x {100 * run['pixel_m'][1]:g} cm" for run in runs]
    report.table("milliseconds a ping along a line (median, quartiles), by pixel", ("stage", *names), rows)
    report.line()


def _spread(values: list[float]) -> str:
    return f"{values[0]:.2f} ({values[1]:.2f}..{values[2]:.2f})"


def _overheads(report: Report, cost: dict[str, Any]) -> None:
    start, memory, second = cost["start_up"], cost["memory"], cost["second_core"]
    if second is not None:
        report.line(
            f"a thread a side on two cores: {_spread(second['gain'])} times as fast ({second['note']})"
        )
    report.line(f"peak memory of this process {memory['peak_of_process_mb']:.0f} MB")
    if memory["growth_mb"] is not None:
        report.line(
            f"over {memory['pings'][1]} pings instead of {memory['pings'][0]}: {memory['growth_mb']:+.1f} MB resident"
        )
    report.line(
        f"start-up: --help {start['help']['wall_s']:.2f} s, import of the imaging {start['import_imaging']['wall_s']:.2f} s, "
        f"plan {start['first_ping_compiled_before']['plan_s']:.2f} s, first ping "
        f"{start['first_ping_compiled_before']['first_s']:.2f} s"
    )
    compiling = start["first_ping_compiling"]
    if compiling is None:
        report.line("compilation: not measured in a quick run")
    else:
        report.line(f"compilation, once a machine: {compiling['plan_s'] + compiling['first_s']:.1f} s")
    report.line()


def _growth(report: Report, growth: dict[str, Any]) -> None:
    rows = []
    for axis, found in growth.items():
        reach = f"{found['size'][0]:.0f}..{found['size'][-1]:.0f}"
        for stage, data in found["stages"].items():
            times = "..".join(f"{data['median_us'][k]:.0f}" for k in (0, -1))
            rows.append((f"{stage.replace('_', ' ')} with {axis}", reach, times, f"{data['exponent']:.2f}"))
    report.table("growth: time is size to the power of", ("stage", "size", "median [us]", "exponent"), rows)
    report.line()


def _quality(report: Report, quality: list[dict[str, Any]]) -> None:
    rows = []
    for row in quality:
        unit = f" [{row['unit']}]" if row["unit"] else ""
        spread = f" ± {row['spread']:.2f}" if row["spread"] else ""
        rows.append(
            (
                row["quantity"] + unit,
                f"{row['measured']:.2f}{spread}",
                f"{row['predicted']:.2f}",
                f"± {row['allowed']:.2f}",
                "" if row["passed"] else "OFF",
            )
        )
    report.table(
        "image quality from simulated scenes", ("quantity", "measured", "predicted", "allowed", ""), rows
    )


def draw(run: dict[str, Any], path: Path) -> list[Path]:
    """Draw ratios, growth and number of looks; return the pictures."""
    from pingloom.bench.pictures import Chart, Curve, profile_picture

    commit = (run["commit"] or "unknown")[:10]
    caption = f"{run['machine']['processor']}, one core; commit {commit}; {run['rounds']} rounds."
    curves = []
    for axis, found in run["growth"].items():
        stage = "ping" if "ping" in found["stages"] else "beams"
        data = found["stages"][stage]
        size, took = np.array(found["size"]), np.array(data["median_us"])
        label = f"{stage} with {axis}: exponent {data['exponent']:.2f}"
        curves.append(Curve(label=label, x=np.log2(size / size[0]), y=np.log2(took / took[0]), points=True))
    growth = Chart(
        curves=curves,
        x_label="doublings of the size",
        y_label="doublings of the time",
        title="growth (both axes logarithmic)",
    )
    return [
        profile_picture(path, [growth, _ratio_chart(run), _looks_chart(run)], title="bench", caption=caption)
    ]


def _ratio_chart(run: dict[str, Any]) -> Any:
    from pingloom.bench.pictures import Chart, Curve

    names = list(run["stages"])
    curves = []
    for key in ("straightforward", "expert"):
        have = [
            (k, stage["rivals"][key])
            for k, stage in enumerate(run["stages"].values())
            if key in stage["rivals"] and stage["rivals"][key]["ratio"] is not None
        ]
        if have:
            x = np.array([k for k, _ in have], float)
            y = np.array([rival["ratio"] for _, rival in have])
            spread = np.array([(rival["quartiles"][1] - rival["quartiles"][0]) / 2 for _, rival in have])
            curves.append(Curve(label=key, x=x + 1, y=y, spread=spread, points=True))
    order = ", ".join(f"{k + 1} {name.replace('_', ' ')}" for k, name in enumerate(names))
    if not curves:
        curves = [Curve(label="no stage gave a right answer", x=[1.0], y=[np.nan], points=True)]
    return Chart(
        curves=curves,
        x_label=order,
        y_label="times faster than the rival",
        title="ratios",
        x_limits=(0.5, len(names) + 0.5),
        levels={"as fast": 1.0},
    )


def _looks_chart(run: dict[str, Any]) -> Any:
    from pingloom.bench.pictures import Chart, Curve

    rows = [row for row in run["quality"] if row["quantity"].startswith("number of looks at")]
    x = np.array([float(row["quantity"].split()[-2]) for row in rows])
    got, wanted, spread = (np.array([row[k] for row in rows]) for k in ("measured", "predicted", "spread"))
    return Chart(
        curves=[
            Curve(label="predicted", x=x, y=wanted),
            Curve(label="measured", x=x, y=got, spread=spread, points=True),
        ],
        x_label="distance across track [m]",
        y_label="equivalent number of looks",
        title="speckle",
    )
