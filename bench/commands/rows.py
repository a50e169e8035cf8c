"""``pingloom rows``: what combining the vertical rows does to multipath and shadows in very shallow water."""

from __future__ import annotations

from pathlib import Path

import click

from pingloom.bench.console import Report, common_options, refuse_existing

__all__ = ["command"]


@click.command(epilog="Example: pingloom rows -o rows.png")
@click.argument("scenario", required=False)
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Picture of before and after.")
@click.option(
    "--seeds",
    type=click.IntRange(1, 100),
    default=1,
    show_default=True,
    help="Seabeds and surfaces for multipath by range; with several its spread is said.",
)
@click.option("--overwrite", is_flag=True, help="Replace the picture.")
@common_options
def command(scenario, output, seeds, overwrite, as_json, quiet) -> None:
    """Compare ways of combining vertical rows where sound comes by way of the surface.

    SCENARIO, a TOML file or the name of a preset with several rows and multipath, is simulated with multipath and without;
    where none is given, a small invented scene. Says by slant range what multipath is left over the signal for one row and
    with combine.rows plain, null and adaptive, beside the ceiling that geometry and the transmitter's vertical pattern
    allow; and how dark each box's shadow is against the seabed beside it. No noise is simulated.
    """
    import numpy as np

    from pingloom.bench.commands.simulate import load_scenario
    from pingloom.bench.rows_picture import rows_picture
    from pingloom.bench.rows_report import MODES, rows_report
    from pingloom.bench.rows_scene import calm_shallows

    report = Report(as_json=as_json, quiet=quiet)
    if output is not None:
        refuse_existing(output, overwrite=overwrite)
    found = rows_report(calm_shallows() if scenario is None else load_scenario(scenario), seeds=seeds)
    shown = ("one row", *MODES, "ceiling")
    level = {name: 10 * np.log10(found.ratio[name]) for name in (*shown, "theory, one row")}
    report.table(
        f"{found.title}: multipath over signal [dB], bare seabed",
        ("slant range [m]", *shown),
        [
            (f"{a:.1f} to {b:.1f}", *(_level(level[name][k], found.spread_db.get(name), k) for name in shown))
            for k, (a, b) in enumerate(zip(found.edge_m[:-1], found.edge_m[1:], strict=True))
        ],
    )
    report.line(
        "  ceiling: what is sent by the surface and comes straight, by theory for a level array under a mirror; no receive rows "
        "tell it from the seabed. Where it adds in phase with its reverse, weights that learn from both can go below it; a rough "
        "surface's facets spread what is sent past the transmitter's nulls, and leave more"
    )
    if found.transmit_null_m:
        places = ", ".join(f"{x:.1f}" for x in found.transmit_null_m)
        report.line(
            f"  the transmitter's own null sweeps the ground about {places} m from the track: what is read there has leaked in"
        )
    if seeds > 1:
        report.line(f"  +-: standard deviation from one of {seeds} seabeds and surfaces to the next")
    names = ("no multipath", *MODES)
    report.table(
        "shadow over seabed [dB], +- one standard error",
        ("box", "at [m]", "no multipath", *(f"with, {mode}" for mode in MODES)),
        [
            (
                s.name,
                f"{s.ground_range_m:g}",
                *(f"{s.contrast_db[n]:+.1f} +- {s.standard_error_db[n]:.1f}" for n in names),
            )
            for s in found.shadows
        ],
    )
    report.table(
        "brightest line within the shadow over seabed [dB]: the box's late image, where it is heard",
        ("box", "at [m]", "no multipath", *(f"with, {mode}" for mode in MODES)),
        [
            (s.name, f"{s.ground_range_m:g}", *(f"{s.brightest_db[n]:+.1f}" for n in names))
            for s in found.shadows
        ],
    )
    if not found.shadows:
        report.line("  no box with a shadow and free seabed beside it within the run")
    report.data = {
        "title": found.title,
        "slant_range_edge_m": found.edge_m,
        "transmit_null_ground_m": list(found.transmit_null_m),
        "multipath_to_signal_db": {name.replace(", ", " ").replace(" ", "_"): v for name, v in level.items()},
        "spread_db": {name.replace(" ", "_"): v for name, v in found.spread_db.items()}
        if seeds > 1
        else None,
        "shadows": [
            {
                "box": s.name,
                "ground_range_m": s.ground_range_m,
                "contrast_db": {n.replace(" ", "_"): v for n, v in s.contrast_db.items()},
                "brightest_line_db": {n.replace(" ", "_"): v for n, v in s.brightest_db.items()},
                "standard_error_db": {n.replace(" ", "_"): v for n, v in s.standard_error_db.items()},
            }
            for s in found.shadows
        ],
    }
    if output is not None:
        rows_picture(output, found)
        report.line(str(output))
    report.finish()


def _level(level_db: float, spread_db, k: int) -> str:
    """A level, and its spread where there is one."""
    text = f"{level_db:+.1f}"
    return text if spread_db is None or spread_db[k] != spread_db[k] else f"{text} +- {spread_db[k]:.1f}"
