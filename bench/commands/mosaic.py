"""``pingloom mosaic``: strips of many legs on one map."""

from __future__ import annotations

from pathlib import Path

import click

from pingloom.bench.console import CAUTIONS, Report, common_options, progress, refuse_existing

__all__ = ["command"]

_ENDS = (".nc", ".tif", ".tiff")


@click.command(
    epilog="Example: pingloom mosaic images/multilook.nc images/multilook-02.nc -o harbour.nc --cell 0.1"
)
@click.argument("products", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="PRODUCT...")
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), required=True, help="File to write: .nc or .tif."
)
@click.option("--epsg", type=int, help="Projected system by EPSG code; default the first product's UTM zone.")
@click.option(
    "--cell",
    "cell_m",
    type=float,
    metavar="M",
    help="Side of a cell; default the largest pixel side, rounded up to 1, 2 or 5. [m]",
)
@click.option(
    "--overlap",
    type=click.Choice(["looks", "aspect", "best"]),
    default="looks",
    show_default=True,
    help="Where strips overlap: average by looks; ways of looking alike; the strip with most looks alone.",
)
@click.option(
    "--even",
    is_flag=True,
    help="Add a level to each strip so that the seams' steps are least; takes two passes.",
)
@click.option(
    "--flatten",
    is_flag=True,
    help="Bring each strip's mean level at each distance across track to one common level.",
)
@click.option("--layer", default="backscatter", show_default=True, help="Layer of a .tif.")
@click.option("--no-picture", is_flag=True, help="Leave out the PNG.")
@click.option("--overwrite", is_flag=True, help="Replace what is there.")
@common_options
def command(
    products, output, epsg, cell_m, overlap, even, flatten, layer, no_picture, overwrite, as_json, quiet
) -> None:
    """Put the strips of all PRODUCTs on one north-up grid.

    A cell is the mean of a strip's intensity over its area, so cells larger than pixels gain looks. Where strips
    overlap they are averaged with their looks as weights; with --overlap aspect strips from each of four sides count alike, so
    that what shows from one side alone is not voted down; with best the strip with the most looks holds alone. Each
    fills what another leaves open under its vehicle. Levels aren't adjusted but with --even and with --flatten, which takes
    out what the grazing angle does, and all else that changes across track along a whole leg; the seams are measured and
    printed. Memory stays small however large the area.
    """
    from pingloom.bench.mosaic_angles import flatten_angles
    from pingloom.bench.mosaic_files import draw_mosaic, write_mosaic, write_mosaic_tiff
    from pingloom.bench.mosaic_levels import even_levels
    from pingloom.bench.mosaic_plan import plan_mosaic
    from pingloom.bench.seams import Tally
    from pingloom.imaging.errors import ParameterError

    report = Report(as_json=as_json, quiet=quiet)
    if output.suffix.lower() not in _ENDS:
        raise ParameterError(f"output is {output}; allowed: a name that ends in {', '.join(_ENDS)}.")
    picture = output.with_suffix(".png")
    refuse_existing(output, overwrite=overwrite)
    if not no_picture:
        refuse_existing(picture, overwrite=overwrite)
    plan = plan_mosaic(products, epsg=epsg, cell_m=cell_m, overlap=overlap)
    if flatten:
        plan = flatten_angles(plan)
    if even:
        plan = even_levels(plan)
    tally = Tally(plan.grid)
    with progress("blocks", sum(1 for _ in plan.grid.blocks()), show=report.chatty) as advance:
        if output.suffix.lower() == ".nc":
            write_mosaic(plan, output, tally, overwrite=overwrite, advance=advance)
        else:
            write_mosaic_tiff(plan, output, tally, layer=layer, overwrite=overwrite, advance=advance)
    pictures = [] if no_picture else [draw_mosaic(plan, tally, picture)]
    _say(report, plan, tally, output, pictures)
    report.finish()


def _say(report: Report, plan, tally, output: Path, pictures: list[Path]) -> None:
    grid, area = plan.grid, plan.grid.cell_m**2
    seams = tally.seams()
    report.data = {
        "mosaic": str(output),
        "pictures": [str(p) for p in pictures],
        "epsg": grid.epsg,
        "cell_m": grid.cell_m,
        "overlap": plan.overlap,
        "levels_added_db": plan.levels_db,
        "flattened": plan.falls is not None,
        "rows": grid.n_row,
        "columns": grid.n_column,
        "strips": [str(s.path) for s in plan.strips],
        "seen_m2": tally.seen_cells * area,
        "overlap_m2": tally.overlap_cells * area,
        "gap_m2": tally.gap_cells * area,
        "gap_filled_m2": tally.filled_cells * area,
        "mean_looks": _or_none(tally.mean_looks),
        "looks_gain_of_averaging_known": [s.speckle is not None for s in plan.strips],
        "seams": [
            {
                "first": s.first,
                "second": s.second,
                "area_m2": s.area_m2,
                "level_db": _or_none(s.level_db),
                "spread_db": _or_none(s.spread_db),
            }
            for s in seams
        ],
    }
    report.line(f"{output}: {grid.n_row} x {grid.n_column} cells of {grid.cell_m:g} m, EPSG:{grid.epsg}")
    for picture in pictures:
        report.line(str(picture))
    report.line(
        f"  seen {tally.seen_cells * area:.6g} m2, by two strips or more {tally.overlap_cells * area:.6g} m2; "
        f"mean looks {tally.mean_looks:.1f}"
    )
    if tally.gap_cells:
        report.line(
            f"  open under the vehicles {tally.gap_cells * area:.4g} m2, filled by other strips "
            f"{100 * tally.filled_cells / tally.gap_cells:.0f} %"
        )
    if any(s.speckle is None for s in plan.strips):
        report.line("  averaging over cells isn't counted in looks where a product doesn't tell its sonar")
    _say_seams(report, plan, seams)
    report.line(CAUTIONS[0])
    report.line(CAUTIONS[1])


def _say_seams(report: Report, plan, seams) -> None:
    if not seams:
        return
    for k, strip in enumerate(plan.strips):
        added = "" if plan.levels_db is None else f", {plan.levels_db[k]:+.2f} dB added"
        report.line(f"  strip {k + 1}: {strip.path}{added}")
    rows = [
        (
            f"{s.second + 1} over {s.first + 1}",
            f"{s.area_m2:.5g}",
            f"{s.level_db:+.2f}",
            "" if s.spread_db != s.spread_db else f"{s.spread_db:.2f}",
        )
        for s in seams
    ]
    columns = ("strips", "overlap [m2]", "level [dB]", "spread from place to place [dB]")
    report.table("seams: level of one strip over the other where both see the seabed", columns, rows)
    if plan.falls is None:
        report.line(
            "  the spread also holds what differs by angle: each strip sees a place at its own grazing angle "
            "(--flatten takes it out)"
        )


def _or_none(value: float) -> float | None:
    return None if value != value else value
