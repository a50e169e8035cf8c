"""``pingloom budget``: what each wrong belief does to place and level, by formula and as imaged."""

from __future__ import annotations

from pathlib import Path

import click

from pingloom.bench.console import Report, common_options, refuse_existing

__all__ = ["command"]


@click.command(epilog="Example: pingloom budget summer_thermocline -o budget.png")
@click.argument("scenario")
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), help="Picture of the farthest point, right and wrong."
)
@click.option("--overwrite", is_flag=True, help="Replace the picture.")
@common_options
def command(scenario, output, overwrite, as_json, quiet) -> None:
    """Work out the error budget of SCENARIO, a TOML file or the name of a preset.

    Unit points at three ranges are simulated once and imaged with one belief wrong at a time: altitude, sound speeds, heading,
    pitch, roll, clock, source level, absorption, bent rays. Each shift and change of level stands beside what a formula
    predicts; so does the backscatter that equals the noise, imaged from pings without a point. Legs are taken as one straight
    run. Ends with exit code 1 where image and formula disagree.
    """
    from pingloom.bench.budget import budget
    from pingloom.bench.budget_picture import budget_picture
    from pingloom.bench.commands.simulate import load_scenario

    report = Report(as_json=as_json, quiet=quiet)
    if output is not None:
        refuse_existing(output, overwrite=overwrite)
    found = budget(load_scenario(scenario))
    columns = ("source", "error", "range [m]", "along [mm]", "across [mm]", "level [dB]", "verdict")
    rows = []
    for row in found.rows:
        pairs = []
        for k, scale in enumerate((1e3, 1e3, 1.0)):
            digits = ".1f" if scale > 1 else ".3f"
            said = f"{scale * row.predicted[k] + 0.0:+{digits}}"
            pairs.append(said if row.found is None else f"{said} / {scale * row.found[k] + 0.0:+{digits}}")
        verdict = "not imaged" if row.found is None else "agrees" if row.agrees else "disagrees"
        rows.append((row.source, row.error, f"{row.range_m:g}", *pairs, verdict))
    report.table(f"{found.title}: predicted / imaged", columns, rows)
    report.line(
        f"  cell at the farthest point {1e3 * found.cell_m[0]:.0f} mm along, {1e3 * found.cell_m[1]:.1f} mm across on the "
        "ground; level: change of what the image reads, for one look (averaging smeared ones may take some tenths of a dB more)"
    )
    report.line(
        "  motion within the pulse is not in simulated echoes (simple model): real ones carry it, and "
        "compress.motion_within_pulse=corrected takes it out"
    )
    if found.noise:
        report.table(
            f"backscatter that equals the noise of {found.noise[0].level_db:.1f} dB re 1 uPa^2/Hz [dB re 1 m2 per m2]",
            ("range [m]", "predicted / imaged", "seabed", "left in, it raises the seabed by [dB]", "verdict"),
            [
                (
                    f"{row.range_m:g}",
                    f"{row.predicted_db:+.2f} / {row.found_db:+.2f}",
                    *(
                        ("no Lambert's law", "-")
                        if row.seabed_db is None
                        else (f"{row.seabed_db:+.1f}", f"{row.raises_db:.3f}")
                    ),
                    "agrees" if row.agrees else "disagrees",
                )
                for row in found.noise
            ],
        )
    else:
        report.line("  the scenario has no noise")
    report.data = {
        "title": found.title,
        "cell_m": list(found.cell_m),
        "rows": [
            {
                "source": row.source,
                "error": row.error,
                "ground_range_m": row.range_m,
                "predicted": _named(row.predicted),
                "imaged": None if row.found is None else _named(row.found),
                "agrees": row.agrees,
            }
            for row in found.rows
        ],
        "noise": [
            {
                "spectrum_level_db": row.level_db,
                "ground_range_m": row.range_m,
                "predicted_db": row.predicted_db,
                "imaged_db": row.found_db,
                "seabed_db": row.seabed_db,
                "left_in_raises_db": row.raises_db,
                "agrees": row.agrees,
            }
            for row in found.noise
        ],
    }
    if output is not None:
        budget_picture(output, found)
        report.line(str(output))
    report.finish()
    if not found.agrees:
        raise SystemExit(1)


def _named(three: tuple[float, float, float]) -> dict[str, float]:
    return dict(zip(("along_m", "across_m", "level_db"), map(float, three), strict=True))
