"""``pingloom merge``: parts of a line, imaged apart, added up."""

from __future__ import annotations

from pathlib import Path

import click

from pingloom.bench.console import CAUTIONS, Report, common_options, refuse_existing

__all__ = ["command"]


@click.command(
    epilog="Example: pingloom merge images/multilook-part-1-of-2.nc images/multilook-part-2-of-2.nc -o images/multilook.nc"
)
@click.argument("parts", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="PART...")
@click.option("-o", "--output", type=click.Path(path_type=Path), required=True, help="Product to write: .nc.")
@click.option("--overwrite", is_flag=True, help="Replace what is there.")
@common_options
def command(parts, output, overwrite, as_json, quiet) -> None:
    """Add PARTs of one line, made by pingloom image --part, up to the product of the whole line.

    Each pixel's sums are added and its level, looks, noise, spread and flags made of them anew: up to single precision
    what one run over all pings makes. Parts must have been imaged with the same settings and corrections.
    """
    from pingloom.bench.merging import merge_parts
    from pingloom.imaging.errors import ParameterError

    report = Report(as_json=as_json, quiet=quiet)
    if output.suffix.lower() != ".nc":
        raise ParameterError(f"output is {output}; allowed: a name that ends in .nc.")
    refuse_existing(output, overwrite=overwrite)
    missing = merge_parts(parts, output, overwrite=overwrite)
    report.data = {"product": str(output), "parts": [str(p) for p in parts], "missing_parts": missing}
    report.line(f"{output}: {len(parts)} part{'s' if len(parts) > 1 else ''}")
    if missing:
        report.line(f"  not given: part {', '.join(map(str, missing))}; their pings are not in the image")
    report.line(CAUTIONS[0])
    report.line(CAUTIONS[1])
    report.finish()
