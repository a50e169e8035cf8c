"""A run for people: tables of lines."""

from __future__ import annotations

from typing import Any

from pingloom.bench.console import Report

__all__ = ["say"]


def say(report: Report, run: dict[str, Any]) -> None:
    """Print a run as tables."""
    _machine(report, run)
    _goals(report, run["goals"])
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
        f"ceilings: transforms {top['fft_gflop_s']:.1f} Gflop/s ({top['fft_library']}; SciPy {top['fft_scipy_gflop_s']:.1f}), "
        f"multiply-adds {top['fma_gflop_s']:.0f} Gflop/s ({top['fma_form']}; a matrix product "
        f"{top['product_gflop_s']:.0f}), second-level cache {top['l2_gb_s']:.0f} GB/s, memory {top['memory_gb_s']:.0f} "
        f"GB/s; {top['speed']:.2f} of the machine that the rivals' times are stated for"
    )
    for doubt in top["doubts"]:
        report.line(f"  DOUBTFUL ceiling: {doubt}")
    report.line()


def _goals(report: Report, goals: list[dict[str, Any]]) -> None:
    rows = []
    for row in goals:
        measured = "no result" if row["measured"] is None else f"{row['measured']:.3g}"
        wanted = f"{row['way']} {row['wanted']:g}"
        rows.append((row["goal"], measured, wanted, row["unit"], "reached" if row["reached"] else "MISSED"))
    report.table("goals", ("what", "measured", "wanted", "", ""), rows)
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
                f"{stage['operations'] / 1e6:.1f}",
                f"{stage['bytes'] / 1e6:.2f}",
                f"{100 * stage['ceiling_fraction']:.0f} %",
                "",
                "",
                "",
            )
        )
        if stage["ceiling_fraction"] > 1.05:
            remarks.append(f"{name}: faster than its ceiling, so ceiling or count is wrong")
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
                    "",
                    "",
                    ratio,
                    spread,
                    rival["flag"].split(":")[0],
                )
            )
            if rival["flag"]:
                remarks.append(f"{rival['rival']}: {rival['flag']}")
        for heading, (missed, of) in stage.get("missed_pixels", {}).items():
            if missed:
                remarks.append(
                    f"{name}: {missed} of {of} pixels of the sector got no look at a heading of {heading} rad"
                )
        within = stage["within_ping"]
        if within is not None:
            ratios = "; ".join(f"{_spread(v)} times faster than {key}" for key, v in within["ratios"].items())
            remarks.append(
                f"{name}: by itself as above; within a whole ping, whose beams have emptied the caches, "
                f"{within['median_us']:.0f} us, {ratios}"
            )
        if "note" in stage:
            remarks.append(f"{name}: {stage['note']}")
    columns = (
        "stage", "median [us]", "error", "dim cells", "Mops", "MB", "of ceiling", "times faster", "quartiles", "rival is"
    )  # fmt: skip
    report.table("one ping of one side against its rivals", columns, rows)
    report.line(
        "  Mops, MB: million operations and megabytes that a ping needs at least; their time at the ceilings over ours"
    )
    shares = [stage["core_share"] for stage in run["stages"].values()]
    if min(shares) < 0.97:
        remarks.append(
            f"this process got {100 * min(shares):.0f} to {100 * max(shares):.0f} % of its core: others took turns and "
            "emptied its caches"
        )
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
        got = " and ".join(f"{share:.2f}" for share in second["cores_got"])
        report.line(
            f"a thread a side on two cores: {_spread(second['gain'])} times as fast ({second['note']}; one thread and two "
            f"got {got} cores)"
        )
    report.line(
        f"peak memory of a process that images: {memory['imaging_process_mb']:.0f} MB (of this one, references and rivals "
        f"included: {memory['peak_of_process_mb']:.0f} MB)"
    )
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
    rows, remarks = [], []
    for axis, found in growth.items():
        reach = f"{found['size'][0]:.3g}..{found['size'][-1]:.6g}"
        for stage, data in found["stages"].items():
            times = "..".join(f"{data['median_us'][k]:.0f}" for k in (0, -1))
            work = data["operations_exponent"]
            name = f"{stage.replace('_', ' ')} with {axis}"
            rows.append(
                (
                    name,
                    reach,
                    times,
                    f"{data['exponent']:.2f}",
                    f"{data['last_exponent']:.2f}",
                    "" if work is None else f"{work:.2f}",
                )
            )
            if data["why"]:
                remarks.append(f"{name}: {data['why']}")
    columns = ("stage", "size", "median [us]", "exponent", "last step", "of operations")
    report.table("growth: time is size to the power of (1 is linear)", columns, rows)
    report.line(
        "  looks: pings that see a point 25 m off; pixels: of one look; threads: wall time, one or two"
    )
    for remark in remarks:
        report.line(f"  {remark}")
    report.line()


def _quality(report: Report, quality: list[dict[str, Any]]) -> None:
    rows = []
    for row in quality:
        unit = f" [{row['unit']}]" if row["unit"] else ""
        spread = f" ± {row['spread']:.2f}" if row["spread"] else ""
        measured = "none" if row["measured"] is None else f"{row['measured']:.2f}{spread}"
        rows.append(
            (
                row["quantity"] + unit,
                measured,
                f"{row['predicted']:.2f}",
                f"± {row['allowed']:.2f}",
                "" if row["passed"] else "OFF",
            )
        )
    report.table(
        "image quality from simulated scenes", ("quantity", "measured", "predicted", "allowed", ""), rows
    )
