"""``pingloom estimate``: a recording in, a table of corrections out."""

from __future__ import annotations

from pathlib import Path

import click

from pingloom.bench.console import (
    CAUTIONS,
    Interruption,
    Report,
    common_options,
    progress,
    refuse_existing,
)

__all__ = ["command"]


@click.command(epilog="Example: pingloom estimate leg.h5 -o leg.corrections.h5 --report leg-report")
@click.argument("recording", type=click.Path(path_type=Path))
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    required=True,
    help="File for the table of corrections.",
)
@click.option(
    "--report",
    "folder",
    type=click.Path(path_type=Path),
    help="Folder for pictures and figures of before and after.",
)
@click.option("--settings", type=click.Path(path_type=Path), help="TOML file of settings.")
@click.option(
    "--set",
    "assignments",
    multiple=True,
    metavar="STAGE.NAME=VALUE",
    help="Change one setting; repeatable. estimate.motion=false leaves an estimator out.",
)
@click.option(
    "--list-settings",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=lambda c, p, v: _list(c, v),
    help="Print all settings with their defaults and stop.",
)
@click.option("--overwrite", is_flag=True, help="Replace the table and the report.")
@common_options
def command(recording, output, folder, settings, assignments, overwrite, as_json, quiet) -> None:
    """Estimate from the echoes of RECORDING what the recording does not know.

    For each ping: altitude from the seabed's first echo; gain, phase and health of each receiver; motion that the
    navigation missed, from the overlap of adjacent looks; whether the ping is fit for use, and why not. Each has its
    reasons in the table, which pingloom image --corrections applies.
    """
    from pingloom.bench.estimating import estimate_recording
    from pingloom.bench.imaging_run import ImageSettings
    from pingloom.io.settings import apply, read

    out = Report(as_json=as_json, quiet=quiet)
    chosen = read(settings, ImageSettings) if settings else ImageSettings()
    chosen = apply(chosen, assignments)
    if folder is not None:
        refuse_existing(folder, overwrite=overwrite)
    with Interruption() as stop, progress("pings", None, show=out.chatty) as advance:

        def on_ping(done: int, total: int) -> None:
            advance(1)
            stop.check()

        run = estimate_recording(
            recording, output, settings=chosen, overwrite=overwrite, on_ping=on_ping, before_rename=stop.check
        )
        lines, pictures = [], []
        if folder is not None:
            from pingloom.bench._estimate_report import write_report

            lines, pictures = write_report(recording, folder, run, chosen)
    out.data = {
        "corrections": str(output),
        "sides": run.summary,
        "cost_ms_per_ping": run.step_ms,
        "ping_interval_ms": 1e3 * run.interval_s,
        "wall_s": run.wall_s,
        "table": [[x.estimator, x.quantity, x.before, x.after, x.unit] for x in lines],
        "pictures": [str(p) for p in pictures],
    }
    _say(out, output, run, lines, pictures)
    out.finish()


def _say(out: Report, output: Path, run, lines, pictures) -> None:
    for side, found in run.summary.items():
        out.line(f"{output}, {side}: {found['pings']} pings, {found['left_out']} left out")
        for reason, n in found["reasons"].items():
            out.line(f"  {n} pings: {reason.replace('_', ' ')}")
        for reason, n in found["refusals"].items():
            out.line(f"  {n} looks not compared: {reason}")
        dead = found["receivers_left_out"]
        if dead:
            out.line("  receivers left out (row, channel): " + ", ".join(f"({r}, {c})" for r, c in dead))
        if found["receiver_pieces_untied"]:
            out.line(
                f"  {found['receiver_pieces_untied']} of {found['receiver_pieces']} pieces of the array are tied to the "
                "largest by nothing: their phases stay as recorded"
            )
    if lines:
        rows = [(x.estimator, x.quantity, f"{x.before:.4g}", f"{x.after:.4g}", x.unit) for x in lines]
        out.table("before and after", ("estimator", "quantity", "before", "after", "unit"), rows)
    rows = [(step, f"{ms:.2f}") for step, ms in run.step_ms.items()]
    rows.append(("all", f"{sum(run.step_ms.values()):.2f}"))
    out.table("median time per ping", ("step", "ms"), rows)
    for picture in pictures:
        out.line(str(picture))
    out.line(CAUTIONS[0])


def _list(context: click.Context, value: bool) -> None:
    if not value:
        return
    from pingloom.bench.imaging_run import ImageSettings
    from pingloom.io.settings import to_toml

    click.echo(to_toml(ImageSettings()))
    context.exit()
