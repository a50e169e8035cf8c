"""``pingloom export``: a product as a picture for people, a map for others' programs, or tiles for recognition."""

from __future__ import annotations

from pathlib import Path

import click

from pingloom.bench.console import CAUTIONS, Report, common_options, progress, refuse_existing

__all__ = ["command"]


@click.command(
    epilog="Example: pingloom export images/multilook.nc -o tiles --tiles 512 --overlap 64 --mapping -45 -15"
)
@click.argument("product", type=click.Path(path_type=Path))
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    required=True,
    help="What to write: a .png picture, a .tif map, or with --tiles a folder.",
)
@click.option(
    "--limits", type=(float, float), metavar="BLACK WHITE", help="Picture: levels of black and white. [dB]"
)
@click.option("--page", "page_m", type=float, help="Picture: at most so many metres of track on a page.")
@click.option(
    "--normalise",
    "normalise_m",
    type=float,
    metavar="M",
    help="Picture: show the level over the mean of M metres of track and one across around each pixel. [m]",
)
@click.option("--cell", "cell_m", type=float, metavar="M", help="Map, tiles: side of square pixels. [m]")
@click.option("--epsg", type=int, help="Map: projected system by EPSG code; default the product's own.")
@click.option("--layer", default=None, help="Map: layer to write; default backscatter.")
@click.option("--tiles", "tile_px", type=int, metavar="SIZE", help="Write tiles of SIZE by SIZE pixels.")
@click.option("--overlap", type=int, default=None, metavar="N", help="Tiles: pixels shared with a neighbour.")
@click.option(
    "--bits", type=click.Choice(["8", "16"]), default=None, help="Tiles: bits of a count; default 8."
)
@click.option(
    "--mapping",
    type=(float, float),
    metavar="LOW HIGH",
    help="Tiles: levels of count 1 and the largest; default percentiles 0.5 and 99.8. 0 is not seen. [dB]",
)
@click.option("--tiff", is_flag=True, help="Tiles: TIFF with georeference instead of PNG.")
@click.option("--masks", is_flag=True, help="Tiles: also the quality flags of each.")
@click.option("--overwrite", is_flag=True, help="Replace what is there.")
@common_options
def command(product, output, overwrite, as_json, quiet, **options) -> None:
    """Write PRODUCT as a picture (.png), as a north-up map (.tif) or as tiles (--tiles).

    Pictures have axes, scale and colour bar; long lines take several pages. Maps are GeoTIFF, resampled by the
    mean intensity over each cell. Tiles lie as the sonar saw them, forward up, with counts in a stated range of
    dB; an index (CSV, GeoJSON, JSON) holds place, speckle statistics, looks and quality of each.

    \b
    pingloom export images/multilook.nc -o leg.png --limits -45 -20 --page 100
    pingloom export images/multilook.nc -o leg.png --normalise 20
    pingloom export images/multilook.nc -o leg.tif --cell 0.1
    """
    report = Report(as_json=as_json, quiet=quiet)
    kind = _kind(output, options)
    _refuse_strangers(kind, options)
    {"picture": _picture, "map": _map, "tiles": _tiles}[kind](report, product, output, overwrite, options)
    report.line(CAUTIONS[0])
    report.line(CAUTIONS[1])
    report.finish()


_OPTIONS = {
    "picture": {"limits": "--limits", "page_m": "--page", "normalise_m": "--normalise"},
    "map": {"cell_m": "--cell", "epsg": "--epsg", "layer": "--layer"},
    "tiles": {
        "cell_m": "--cell",
        "tile_px": "--tiles",
        "overlap": "--overlap",
        "bits": "--bits",
        "mapping": "--mapping",
        "tiff": "--tiff",
        "masks": "--masks",
    },
}
"""Which options belong to what."""


def _kind(output: Path, options) -> str:
    from pingloom.imaging.errors import ParameterError

    if options["tile_px"] is not None:
        return "tiles"
    kinds = {".png": "picture", ".tif": "map", ".tiff": "map"}
    if output.suffix.lower() not in kinds:
        raise ParameterError(
            f"output is {output}; allowed: a name that ends in .png or .tif, or a folder with --tiles SIZE."
        )
    return kinds[output.suffix.lower()]


def _refuse_strangers(kind: str, options) -> None:
    """An option that would do nothing is a mistake."""
    from pingloom.imaging.errors import ParameterError

    for other, names in _OPTIONS.items():
        for name, flag in names.items():
            if options[name] not in (None, False) and name not in _OPTIONS[kind]:
                raise ParameterError(f"{flag} is for {other}; this writes {kind}. Leave it out.")


def _picture(report: Report, product: Path, output: Path, overwrite: bool, options) -> None:
    from pingloom.bench.product_picture import draw_product

    refuse_existing(output, overwrite=overwrite)
    refuse_existing(output.with_name(f"{output.stem}-page-01.png"), overwrite=overwrite)
    pages = draw_product(
        product,
        output,
        limits_db=options["limits"],
        page_m=options["page_m"],
        normalise_m=options["normalise_m"],
    )
    report.data = {"pictures": [str(p) for p in pages]}
    for page in pages:
        report.line(str(page))


def _map(report: Report, product: Path, output: Path, overwrite: bool, options) -> None:
    from pingloom.bench.mosaic_files import write_mosaic_tiff
    from pingloom.bench.mosaic_plan import plan_mosaic
    from pingloom.bench.seams import Tally

    refuse_existing(output, overwrite=overwrite)
    plan = plan_mosaic([product], epsg=options["epsg"], cell_m=options["cell_m"])
    tally = Tally(plan.grid)
    layer = options["layer"] or "backscatter"
    write_mosaic_tiff(plan, output, tally, layer=layer, overwrite=overwrite)
    grid = plan.grid
    report.data = {
        "map": str(output),
        "layer": layer,
        "epsg": grid.epsg,
        "cell_m": grid.cell_m,
        "rows": grid.n_row,
        "columns": grid.n_column,
        "seen_m2": tally.seen_cells * grid.cell_m**2,
        "mean_looks": tally.mean_looks,
    }
    report.line(
        f"{output}: {layer}, {grid.n_row} x {grid.n_column} cells of {grid.cell_m:g} m, EPSG:{grid.epsg}"
    )
    report.line(f"  seen {tally.seen_cells * grid.cell_m**2:.6g} m2, mean looks {tally.mean_looks:.1f}")


def _tiles(report: Report, product: Path, output: Path, overwrite: bool, options) -> None:
    from pingloom.bench.tiling import export_tiles

    with progress("tiles", None, show=report.chatty) as advance:
        run = export_tiles(
            product,
            output,
            size=options["tile_px"],
            overlap=options["overlap"] or 0,
            bits=int(options["bits"] or 8),
            mapping_db=options["mapping"],
            cell_m=options["cell_m"],
            suffix=".tif" if options["tiff"] else ".png",
            masks=options["masks"],
            overwrite=overwrite,
            advance=advance,
        )
    m = run.mapping
    report.data = {
        "folder": str(run.folder),
        "tiles": run.n_tile,
        "pixel_m": list(run.pixel_m),
        "bits": m.bits,
        "low_db": m.low_db,
        "high_db": m.high_db,
        "images_bytes": run.n_byte,
        "recording_bytes": run.recording_bytes,
        "reduction": run.reduction,
    }
    report.line(
        f"{run.folder}: {run.n_tile} tiles of {options['tile_px']} x {options['tile_px']} pixels of "
        f"{run.pixel_m[0]:g} x {run.pixel_m[1]:g} m (along x across), index.csv, tiles.json"
    )
    report.line(
        f"  counts 1 to {m.largest}: {m.low_db:g} to {m.high_db:g} dB in steps of {m.step_db:.3g} dB; 0: not seen"
    )
    if run.reduction is not None:
        report.line(
            f"  {run.recording_bytes / 1e6:.3g} MB of recording became {run.n_byte / 1e6:.3g} MB of images: "
            f"{run.reduction:.3g} to 1"
        )
