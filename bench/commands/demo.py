"""``pingloom demo``: the whole job on a small invented scene."""

from __future__ import annotations

import shlex
from dataclasses import asdict
from pathlib import Path

import click

from pingloom.bench.console import CAUTIONS, Interruption, Report, common_options

__all__ = ["command"]


@click.command(epilog="Example: pingloom demo -o demo")
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    default=Path("demo"),
    show_default=True,
    help="Folder to make.",
)
@click.option("--scenario", default="first_look", show_default=True, hidden=True)
@click.option("--overwrite", is_flag=True, help="Replace an earlier demonstration.")
@common_options
def command(output, scenario, overwrite, as_json, quiet) -> None:
    """Simulate a small scene, image it as broadside beam and as many looks, measure both.

    Leaves the recording, both products, their pictures and comparison.png with the two side by side in the same
    grey scale, and prints what was measured beside what theory predicts.
    """
    from pingloom.bench.commands.image import stage_table
    from pingloom.bench.commands.simulate import record_scenario
    from pingloom.bench.demo import run_demo
    from pingloom.imaging.errors import ParameterError
    from pingloom.simulate.presets import load_preset

    report = Report(as_json=as_json, quiet=quiet)
    if output.exists() and any(output.iterdir()) and not overwrite:
        raise ParameterError(
            f"{output} is not empty; allowed: a new folder. Give another with -o or add --overwrite."
        )
    output.mkdir(parents=True, exist_ok=True)
    with Interruption() as stop:

        def on_step(text: str) -> None:
            stop.check()
            report.line(f"... {text}")

        found = run_demo(
            load_preset(scenario),
            output,
            record=lambda s, path: record_scenario(
                s, path, overwrite=overwrite, on_ping=lambda done, total: stop.check()
            ),
            overwrite=overwrite,
            on_step=on_step,
            on_ping=lambda done, total: stop.check(),
        )
    report.line()
    rows = []
    for row in found.rows:
        spread = f" ± {row.spread:.2f}" if row.spread == row.spread else ""
        unit = f" [{row.unit}]" if row.unit else ""
        rows.append(
            (row.quantity + unit, f"{row.measured:.2f}{spread}", f"{row.predicted:.2f}", f"{row.ratio:.3f}")
        )
    report.table("", ("quantity", "measured", "predicted", "ratio"), rows)
    report.line("  (of decibels the ratio is that of the levels)")
    report.line()
    for run in found.runs.values():
        stage_table(report, run)
    report.line(
        f"  simulated {found.n_ping} pings in {found.simulate_s:.1f} s, compilation included; all in {found.total_s:.1f} s"
    )
    report.line()
    report.line(f"picture: {found.picture}")
    report.line()
    for caution in CAUTIONS:
        report.line(caution)
    report.line()
    report.line("Go on with:")
    q = shlex.quote
    for line in next_commands(q(str(output))):
        report.line(f"  {line}")
    report.data = {
        "recording": str(found.recording),
        "picture": str(found.picture),
        "table": [
            {**asdict(r), "spread": None if r.spread != r.spread else r.spread, "ratio": r.ratio}
            for r in found.rows
        ],
        "runs": {method: run.as_dict() for method, run in found.runs.items()},
        "simulate_s": found.simulate_s,
        "total_s": found.total_s,
        "cautions": list(CAUTIONS),
        "next": next_commands(q(str(output))),
    }
    report.finish()


def next_commands(folder: str) -> list[str]:
    """Three commands that work as printed after the demonstration."""
    return [
        f"pingloom measure {folder}/multilook.nc",
        f"pingloom image {folder}/recording.h5 -o {folder}/uniform --set beamform.shading=uniform",
        f"pingloom validate {folder}/recording.h5",
    ]
