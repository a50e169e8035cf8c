"""``pingloom export``: a product as a picture for people."""

from __future__ import annotations

from pathlib import Path

import click

from pingloom.bench.console import CAUTIONS, Report, common_options, refuse_existing

__all__ = ["command"]


@click.command(epilog="Example: pingloom export images/multilook.nc -o leg.png --limits -45 -20 --page 100")
@click.argument("product", type=click.Path(path_type=Path))
@click.option("-o", "--output", type=click.Path(path_type=Path), required=True, help="PNG file to write.")
@click.option("--limits", type=(float, float), metavar="BLACK WHITE", help="Levels of black and white. [dB]")
@click.option("--page", "page_m", type=float, help="At most so many metres of track on a page.")
@click.option("--overwrite", is_flag=True, help="Replace existing pictures.")
@common_options
def command(product, output, limits, page_m, overwrite, as_json, quiet) -> None:
    """Draw PRODUCT with axes, scale and colour bar; long lines take several pages."""
    from pingloom.bench.imaging_run import draw_product
    from pingloom.imaging.errors import ParameterError

    report = Report(as_json=as_json, quiet=quiet)
    if output.suffix.lower() != ".png":
        raise ParameterError(f"output is {output}; allowed: a name that ends in .png.")
    refuse_existing(output, overwrite=overwrite)
    refuse_existing(output.with_name(f"{output.stem}-page-01.png"), overwrite=overwrite)
    pages = draw_product(product, output, limits_db=limits, page_m=page_m)
    report.data = {"pictures": [str(p) for p in pages]}
    for page in pages:
        report.line(str(page))
    report.line(CAUTIONS[0])
    report.finish()
