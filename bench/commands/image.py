"""``pingloom image``: a recording in, images out."""

from __future__ import annotations

import json
from dataclasses import fields, replace
from pathlib import Path

import click

from pingloom.bench.console import (
    CAUTIONS,
    Interrupted,
    Interruption,
    Report,
    common_options,
    progress,
    refuse_existing,
)

__all__ = ["command"]

_LONG = 400
"""Pings from which on the summary tells of pace and memory."""


@click.command(
    epilog="Example: pingloom image leg.h5 -o images --method multilook --set compress.window=taylor"
)
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("-o", "--output", type=click.Path(path_type=Path), required=True, help="Folder for the images.")
@click.option(
    "--method",
    type=click.Choice(["multilook", "broadside"]),
    default="multilook",
    show_default=True,
    help="Average the looks of many pings, or form one broadside beam a ping.",
)
@click.option("--settings", type=click.Path(path_type=Path), help="TOML file of settings.")
@click.option(
    "--set", "assignments", multiple=True, metavar="STAGE.NAME=VALUE", help="Change one setting; repeatable."
)
@click.option(
    "--list-settings",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=lambda c, p, v: _list(c, v),
    help="Print all settings with their defaults and stop.",
)
@click.option(
    "--corrections",
    type=click.Path(path_type=Path),
    help="Table that pingloom estimate made of this recording.",
)
@click.option(
    "--no-estimate",
    is_flag=True,
    help="Image the recording as it is; single estimators are left out by --set estimate.motion=false and the like.",
)
@click.option("--no-picture", is_flag=True, help="Leave out the PNG.")
@click.option("--overwrite", is_flag=True, help="Replace images of the same method.")
@click.option(
    "--checkpoint",
    "checkpoint_pings",
    type=click.IntRange(min=0),
    default=2000,
    show_default=True,
    metavar="PINGS",
    help="Write the state down every so many pings; 0: never.",
)
@click.option(
    "--resume",
    is_flag=True,
    help="Go on from the state that an interrupted run left in the folder; begin at the beginning without one.",
)
@click.option(
    "--part",
    metavar="K/N",
    help="Image the K-th of N equal parts of the pings; pingloom merge adds them up.",
)
@click.option(
    "--repeat",
    type=click.IntRange(1, 100_000),
    default=1,
    metavar="TIMES",
    help="Image the pings so many times over, each time further along: a stand-in for a line of hours.",
)
@common_options
def command(
    recording,
    output,
    method,
    settings,
    assignments,
    corrections,
    no_estimate,
    no_picture,
    overwrite,
    checkpoint_pings,
    resume,
    part,
    repeat,
    as_json,
    quiet,
) -> None:
    """Form seabed images from RECORDING, a file or a folder of segments.

    Leaves METHOD.nc, a further leg METHOD-02.nc and so on (CF netCDF: linear backscatter, its dB, looks, coverage, noise, quality), METHOD.png and
    run.json (times). Everything that the recording does not say has a default.

    Altitude, receivers' errors, residual motion and spoilt pings are estimated from the echoes on the way, unless
    --corrections brings a table of them.

    Pings are imaged in order of their time of transmission, port first where both sides sent at once, whatever their
    order in the file; of two of one side and time the first stored is taken. An interrupted run of more pings than
    --checkpoint leaves its state behind: the same command with --resume goes on, and the images are the same bytes.
    """
    from pingloom.bench.imaging_run import ImageSettings, image_recording
    from pingloom.bench.product_picture import draw_product
    from pingloom.imaging.estimate.settings import StepSettings
    from pingloom.io.corrections import read_corrections
    from pingloom.io.settings import apply, read

    report = Report(as_json=as_json, quiet=quiet)
    chosen = read(settings, ImageSettings) if settings else ImageSettings()
    chosen = apply(chosen, assignments)
    chosen_part = None if part is None else _part(part)
    if no_estimate:
        chosen = replace(chosen, estimate=StepSettings.none())
    picture = output / f"{method}.png"
    if not no_picture and part is None:
        refuse_existing(picture, overwrite=overwrite)
    with Interruption() as stop, progress("pings", None, show=report.chatty) as advance:
        seen = 0

        def on_ping(done: int, total: int) -> None:
            nonlocal seen
            advance(done - seen, total)
            seen = done
            stop.check()

        try:
            run = image_recording(
                recording,
                output,
                method=method,
                settings=chosen,
                overwrite=overwrite,
                on_ping=on_ping,
                before_rename=stop.check,
                corrections=None if corrections is None else read_corrections(corrections),
                checkpoint_pings=checkpoint_pings,
                resume=resume,
                repeat=repeat,
                part=chosen_part,
            )
        except Interrupted:
            if any(output.glob(f".{method}*.state")):
                raise Interrupted("the state was kept: go on with --resume.") from None
            raise
        stop.check()
        pages = []
        for product in () if no_picture else run.products:
            stop.check()
            pages += draw_product(product, product.with_suffix(".png"))
    report.data = {
        **run.as_dict(),
        "product": str(run.product),
        "products": [str(p) for p in run.products],
        "pictures": [str(p) for p in pages],
    }
    legs = f", {len(run.products)} legs" if len(run.products) > 1 else ""
    after = f", resumed after {run.resumed_after}" if run.resumed_after else ""
    report.line(f"{', '.join(map(str, run.products))}: {run.n_ping} pings{legs}{after}")
    for reason, n in run.left_out.items():
        report.line(f"{n} pings left out: {reason}")
    report.line(f"rays {run.rays}")
    if run.pulse_motion_cells > 0.1 and not run.simulated:
        report.line(
            f"motion within the pulse moves echoes by up to {run.pulse_motion_cells:.2g} cells: take it out with "
            "--set compress.motion_within_pulse=corrected."
        )
    for page in pages:
        report.line(str(page))
    stage_table(report, run)
    if run.n_ping >= _LONG:
        report.line(_steadiness(run))
    if run.late_pixels:
        report.line(f"{run.late_pixels} pixels came too late for their tile: raise grid.heading_bound_deg.")
    if run.uncovered_pixels:
        report.line(
            f"{run.uncovered_pixels} pixels of the sector had no beam: raise beamform.yaw_rate_bound_deg_s or "
            "speed_bound_m_s."
        )
    report.line(CAUTIONS[0])
    report.line(CAUTIONS[1])
    report.finish()


def stage_table(report: Report, run) -> None:
    """Print what each stage took."""
    rows = [(stage, f"{ms:.2f}") for stage, ms in run.stage_ms.items()]
    rows.append(("a whole ping", f"{run.ping_ms:.2f}"))
    report.table(f"{run.method}: median time per ping", ("stage", "ms"), rows)
    report.line(
        f"  real-time factor {run.real_time_factor:.1f} (ping interval {1e3 * run.interval_s:.1f} ms, "
        f"{run.n_side} side{'s' if run.n_side > 1 else ''}); first ping with planning and compilation "
        f"{run.first_ping_s:.1f} s"
    )


def _part(text: str):
    from pingloom.bench.imaging_task import Part
    from pingloom.imaging.errors import ParameterError

    number, _, of = text.partition("/")
    if not (number.isdigit() and of.isdigit()):
        raise ParameterError(f"part is {text!r}; allowed: 1/2, 2/2 and the like.")
    return Part(number=int(number), of=int(of))


def _steadiness(run) -> str:
    """Whether a long line was imaged at one pace and in one memory."""
    minutes, seconds = divmod(round(run.wall_s), 60)
    text = f"  all in {minutes}:{seconds:02d} min"
    told = [ms for ms in run.tenth_ms if ms == ms]
    if len(told) > 1:
        text += f"; a ping took {told[0]:.2f} ms in the first tenth, {told[-1]:.2f} ms in the last"
    held = [mb for mb in run.resident_mb if mb is not None]
    if len(held) > 1:
        text += f"; memory {held[0]:.0f} MB after the first tenth, {held[-1]:.0f} MB at the end"
    return text


def _list(context: click.Context, value: bool) -> None:
    if not value:
        return
    from pingloom.bench.imaging_run import ImageSettings
    from pingloom.io.settings import to_dict

    defaults = ImageSettings()
    for stage, values in to_dict(defaults).items():
        click.echo(f"[{stage}]")
        for item in fields(getattr(defaults, stage)):
            # TOML has no word for nothing; the reader takes "none" for it.
            value = values.get(item.name)
            click.echo(f"{item.name} = {json.dumps('none' if value is None else value)}")
        click.echo()
    context.exit()
