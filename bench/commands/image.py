"""``pingloom image``: a recording in, images out."""

from __future__ import annotations

import json
from dataclasses import fields, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pingloom.bench._image_summary import say_estimated, say_followed
from pingloom.bench.console import (
    CAUTIONS,
    Ending,
    Interrupted,
    Interruption,
    Report,
    common_options,
    news_line,
    progress,
    refuse_existing,
)

if TYPE_CHECKING:
    from pingloom.bench.run_report import ImagingRun

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
@click.option(
    "--follow",
    is_flag=True,
    help="Image RECORDING while it is still being written; see above.",
)
@click.option(
    "--idle-s",
    type=float,
    metavar="SECONDS",
    help="With --follow: without a new ping for so long the recording has ended.  [default: 30]",
)
@click.option(
    "--navigation-wait-s",
    type=float,
    metavar="SECONDS",
    help="With --follow: so long a ping waits for the navigation around it.  [default: 5]",
)
@click.option(
    "--poll-s",
    type=float,
    metavar="SECONDS",
    help="With --follow: from one look at the files to the next.  [default: 0.1]",
)
@common_options
@click.pass_context
def command(
    context,
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
    follow,
    idle_s,
    navigation_wait_s,
    poll_s,
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

    With --follow RECORDING may still grow, or not be there yet. Each ping is laid once its turn has come and the
    navigation around it is there; the product is written when the recording is closed, when no new ping comes for
    --idle-s, or at the first Ctrl-C, which finishes it from what was heard (a second one leaves nothing). Its bytes are those that image makes of the
    finished recording: where something that came later asks for another image (a turn between two legs, a dive, late
    navigation), the recording is imaged once more at the end, and the summary says why. To see it, in two terminals:

    \b
        pingloom image leg -o images --follow --idle-s 10
        pingloom simulate first_look -o leg --real-time
    """
    from pingloom.bench.imaging_run import ImageSettings
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
    waits = {"idle_s": idle_s, "wait_s": navigation_wait_s, "poll_s": poll_s}
    waits = {name: value for name, value in waits.items() if value is not None}
    _refuse_mixed(context, follow=follow, waits=waits)
    with Ending() if follow else Interruption() as stop:
        if follow:
            run = _follow(report, stop, recording, output, method, chosen, overwrite, waits)
        else:
            run = _whole(
                report,
                stop,
                recording,
                output,
                method=method,
                settings=chosen,
                overwrite=overwrite,
                corrections=None if corrections is None else read_corrections(corrections),
                checkpoint_pings=checkpoint_pings,
                resume=resume,
                repeat=repeat,
                part=chosen_part,
            )
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
    if run.followed is not None:
        say_followed(report, run.followed)
    for reason, n in run.left_out.items():
        report.line(f"{n} pings left out: {reason}")
    say_estimated(report, run.estimated)
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
    if part is None:
        report.line(f"next: pingloom measure {run.product}, or pingloom export {run.product} -o map.tif")
    report.line(CAUTIONS[0])
    report.line(CAUTIONS[1])
    report.finish()


def _whole(report: Report, stop: Interruption, recording: Path, output: Path, **options) -> ImagingRun:
    """Image a recording that is complete."""
    from pingloom.bench.imaging_run import image_recording

    seen = 0
    with progress("pings", None, show=report.chatty) as advance:

        def on_ping(done: int, total: int) -> None:
            nonlocal seen
            advance(done - seen, total)
            seen = done
            stop.check()

        try:
            return image_recording(recording, output, on_ping=on_ping, before_rename=stop.check, **options)
        except Interrupted:
            if any(output.glob(f".{options['method']}*.state")):
                raise Interrupted("the state was kept: go on with --resume.") from None
            raise


def _follow(
    report: Report,
    stop: Ending,
    recording: Path,
    output: Path,
    method,
    settings,
    overwrite: bool,
    waits: dict,
) -> ImagingRun:
    """Image a recording that still grows."""
    from pingloom.bench.following import FollowSettings, News, follow_recording

    with news_line(show=report.chatty) as say:

        def on_news(news: News) -> None:
            lag = f", lag {news.lag_s:.2f} s" if news.lag_s == news.lag_s else ""
            doing = f"; {news.doing}" if news.doing else ""
            say(f"{news.heard} pings heard, {news.laid} laid{lag}{doing}")

        return follow_recording(
            recording,
            output,
            method=method,
            settings=settings,
            overwrite=overwrite,
            follow=FollowSettings(**waits),
            stop=lambda: stop.asked,
            check=stop.check,
            on_news=on_news,
        )


_NOT_FOLLOWED = {
    "part": "parts are cut from a recording that is complete",
    "repeat": "what grows can't be repeated",
    "corrections": "a table is made of a recording that is complete",
    "resume": "started again, --follow catches up from the recording itself",
    "checkpoint_pings": "started again, --follow catches up from the recording itself",
}
"""Options that can't be had together with --follow, and why."""


def _refuse_mixed(context: click.Context, *, follow: bool, waits: dict) -> None:
    if not follow:
        if waits:
            option = {"wait_s": "navigation-wait-s"}.get(name := next(iter(waits)), name.replace("_", "-"))
            raise click.UsageError(f"--{option} goes with --follow.", context)
        return
    for name, why in _NOT_FOLLOWED.items():
        if context.get_parameter_source(name) is not click.core.ParameterSource.DEFAULT:
            option = name.removesuffix("_pings")
            raise click.UsageError(f"--{option} can't go with --follow: {why}. Leave one out.", context)


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
