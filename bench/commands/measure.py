"""``pingloom measure``: speckle, resolution and contrast on a product."""

from __future__ import annotations

from pathlib import Path

import click

from pingloom.bench.console import Report, common_options

__all__ = ["command"]

_BOX = click.Tuple([float, float, float, float])


@click.command(
    epilog="Example: pingloom measure images/multilook.nc --point 4.5 11.0 --patch 2 4 16 19 "
    "--target 7.6 8.4 14.6 15.2 --background 5 7 14 15"
)
@click.argument("product", type=click.Path(path_type=Path))
@click.option(
    "--patch",
    "patches",
    type=_BOX,
    multiple=True,
    metavar="A0 A1 X0 X1",
    help="Plain seabed: number of looks. Along from, to, across from, to. [m] Repeatable.",
)
@click.option(
    "--point",
    "points",
    type=(float, float),
    multiple=True,
    metavar="A X",
    help="A point target: place, widths, sidelobes. [m] Repeatable.",
)
@click.option(
    "--half",
    type=(float, float),
    default=(1.2, 0.35),
    show_default=True,
    metavar="A X",
    help="Half the patch around a point. [m]",
)
@click.option(
    "--target",
    "targets",
    type=_BOX,
    multiple=True,
    metavar="A0 A1 X0 X1",
    help="A target or shadow: contrast against --background. [m] Repeatable.",
)
@click.option("--background", type=_BOX, metavar="A0 A1 X0 X1", help="The seabed beside targets. [m]")
@click.option(
    "--bands",
    type=click.IntRange(min=1),
    default=6,
    show_default=True,
    help="Bands of range for the number of looks of the whole image.",
)
@common_options
def command(product, patches, points, half, targets, background, bands, as_json, quiet) -> None:
    """Measure PRODUCT. Without options: number of looks by range and signal to noise of the whole image.

    Numbers of looks are measured on intensity and stand beside those that the product predicts for each pixel,
    less what its noise takes. A high number of looks alone is no proof of good registration: misplaced looks agree even less.
    """
    from pingloom.bench import measuring
    from pingloom.bench.measure.contrast import Region
    from pingloom.imaging.errors import ParameterError
    from pingloom.io.product import read_product

    report = Report(as_json=as_json, quiet=quiet)
    if targets and background is None:
        raise ParameterError("--target needs --background; allowed: both. Give a rectangle of plain seabed.")

    def region(box) -> Region:
        return Region(along_min_m=box[0], along_max_m=box[1], across_min_m=box[2], across_max_m=box[3])

    with read_product(product) as image:
        whole = not (patches or points or targets)
        looks = [measuring.measure_patch(image, region(b)) for b in patches]
        if whole:
            looks = measuring.looks_by_range(image, n_band=bands)
        responses = [measuring.measure_point(image, *p, half_m=half) for p in points]
        contrasts = [measuring.measure_contrast(image, region(t), region(background)) for t in targets]
        noise_db = measuring.product_signal_to_noise_db(image) if whole else float("nan")
    _looks(report, looks)
    _points(report, responses)
    _contrasts(report, targets, contrasts)
    if whole:
        report.data["signal_to_noise_db"] = None if noise_db != noise_db else noise_db
        report.line(f"signal to noise {noise_db:.1f} dB" if noise_db == noise_db else "noise unknown")
    report.finish()


def _looks(report: Report, looks) -> None:
    if not looks:
        return
    rows = []
    for p in looks:
        r = p.region
        rows.append(
            (
                f"{r.along_min_m:.1f}..{r.along_max_m:.1f}",
                f"{r.across_min_m:.1f}..{r.across_max_m:.1f}",
                f"{p.measured.enl:.2f} ± {p.measured.standard_error:.2f}",
                f"{p.predicted:.2f}",
                f"{p.ratio:.3f}",
                f"{p.measured.cells:.0f}",
            )
        )
    columns = ("along [m]", "across [m]", "looks measured", "predicted", "ratio", "cells")
    report.table("equivalent number of looks", columns, rows)
    report.data["looks"] = [
        {
            "along_m": [p.region.along_min_m, p.region.along_max_m],
            "across_m": [p.region.across_min_m, p.region.across_max_m],
            "enl": p.measured.enl,
            "standard_error": p.measured.standard_error,
            "predicted": p.predicted,
            "ratio": p.ratio,
            "cells": p.measured.cells,
        }
        for p in looks
    ]


def _points(report: Report, responses) -> None:
    if not responses:
        return
    rows = [
        (
            f"{r.peak_along_m:.3f}, {r.peak_across_m:.3f}",
            f"{1e3 * r.along.width_m:.1f}",
            f"{1e3 * r.across.width_m:.1f}",
            f"{r.along.peak_sidelobe_db:.1f}",
            f"{r.across.peak_sidelobe_db:.1f}",
            f"{r.along.integrated_sidelobe_db:.1f}",
            f"{r.across.integrated_sidelobe_db:.1f}",
        )
        for r in responses
    ]
    columns = (
        "peak along, across [m]",
        "width along [mm]",
        "across [mm]",
        "sidelobe along [dB]",
        "across [dB]",
        "integrated along [dB]",
        "across [dB]",
    )
    report.table("point targets (-3 dB widths on the ground, cuts through the peak)", columns, rows)
    report.data["points"] = [
        {
            "along_m": r.peak_along_m,
            "across_m": r.peak_across_m,
            "peak": r.peak,
            "width_along_m": r.along.width_m,
            "width_across_m": r.across.width_m,
            "peak_sidelobe_along_db": r.along.peak_sidelobe_db,
            "peak_sidelobe_across_db": r.across.peak_sidelobe_db,
            "integrated_sidelobe_along_db": r.along.integrated_sidelobe_db,
            "integrated_sidelobe_across_db": r.across.integrated_sidelobe_db,
        }
        for r in responses
    ]


def _contrasts(report: Report, targets, contrasts) -> None:
    if not contrasts:
        return
    rows = [
        (
            f"{t[0]:g}..{t[1]:g}, {t[2]:g}..{t[3]:g}",
            f"{c.ratio_db:.2f} ± {c.ratio_standard_error_db:.2f}",
            f"{c.contrast_to_noise:.2f} ± {c.contrast_to_noise_standard_error:.2f}",
        )
        for t, c in zip(targets, contrasts, strict=True)
    ]
    report.table(
        "contrast against the background", ("along, across [m]", "ratio [dB]", "contrast to noise"), rows
    )
    report.data["contrasts"] = [
        {
            "region": list(t),
            "ratio_db": None if c.ratio_db != c.ratio_db else c.ratio_db,
            "contrast_to_noise": c.contrast_to_noise,
        }
        for t, c in zip(targets, contrasts, strict=True)
    ]
