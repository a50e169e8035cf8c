"""``pingloom simulate``: a scenario in, a recording and its truth out."""

from __future__ import annotations

import dataclasses
import os
import textwrap
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pingloom.bench.console import Interruption, Report, common_options, progress, refuse_existing

if TYPE_CHECKING:
    from pingloom.bench.simulation_files import SegmentsRun
    from pingloom.simulate.scenario import Scenario

__all__ = ["command", "load_scenario", "record_scenario"]

_SEGMENT_S = 30.0


@click.command(epilog="Example: pingloom simulate first_look -o first_look.h5")
@click.argument("scenario", required=False)
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Recording to write.")
@click.option("--seed", type=click.IntRange(min=0), help="Another seed than the scenario's.")
@click.option(
    "--mode",
    type=click.Choice(["fast", "reference"]),
    default="fast",
    show_default=True,
    help="Within 3e-4 or 1e-6 of the exact sum.",
)
@click.option("--threads", type=click.IntRange(min=1), help="Pings made at a time; by default one a core.")
@click.option(
    "--segments",
    type=click.FloatRange(min=0, min_open=True),
    metavar="SECONDS",
    help="Write a folder of segments this long, which can be read while they are written.",
)
@click.option(
    "--real-time",
    is_flag=True,
    help="Write each ping when the sonar would have heard it out; segments of 30 s unless told otherwise.",
)
@click.option("--resume", is_flag=True, help="Go on with an interrupted folder of segments.")
@click.option("--overwrite", is_flag=True, help="Replace the recording.")
@click.option("--list", "list_presets", is_flag=True, help="List the presets and stop.")
@click.option(
    "--explain", metavar="TABLE", help="Say what a table's keys mean and stop; 'all' for all tables."
)
@common_options
def command(
    scenario,
    output,
    seed,
    mode,
    threads,
    segments,
    real_time,
    resume,
    overwrite,
    list_presets,
    explain,
    as_json,
    quiet,
) -> None:
    """Write the echoes that a sonar would record of SCENARIO, a TOML file or the name of a preset.

    The recording holds echoes, navigation and water as the vehicle would have written them, and the truth of the
    simulation in a group of its own, which imaging never reads. The same scenario and seed give the same bytes, for
    any number of threads. With --segments or --real-time the recording is a folder that grows; after an interruption
    --resume goes on, and the bytes are those of a run without one.
    """
    report = Report(as_json=as_json, quiet=quiet)
    if list_presets:
        _list(report)
        return
    if explain is not None:
        _explain(report, explain)
        return
    if scenario is None or output is None:
        raise click.UsageError("give SCENARIO and -o RECORDING, or --list.", click.get_current_context())
    chosen = load_scenario(scenario)
    if seed is not None:
        chosen = dataclasses.replace(chosen, seed=seed)
    if resume and overwrite:
        raise click.UsageError("give --resume or --overwrite, not both.", click.get_current_context())
    begin = time.perf_counter()
    options = {"mode": mode, "threads": threads, "overwrite": overwrite}
    run = None
    if real_time:
        report.line(f"follow it from another terminal: pingloom image {output} -o images --follow")
    if segments is not None or real_time or resume:
        run = _live(report, chosen, output, segments or _SEGMENT_S, real_time, resume, options)
    else:
        with progress("pings", chosen.vehicle.n_ping, show=report.chatty) as advance:
            record_scenario(chosen, output, on_ping=lambda i, n: advance(1), **options)
    took = time.perf_counter() - begin
    n_byte = output.stat().st_size if run is None else run.n_byte
    report.data = {
        "recording": str(output),
        "title": chosen.title,
        "seed": chosen.seed,
        "mode": mode,
        "pings": chosen.vehicle.n_ping,
        "sides": list(chosen.sonar.side_names),
        "bytes": n_byte,
        "seconds": round(took, 3),
    }
    if run is not None:
        report.data |= {"segments": run.n_segment, "pings_made_now": run.n_made}
        report.data |= {"most_late_s": round(run.most_late_s, 3)} if real_time else {}
    sides = " and ".join(chosen.sonar.side_names)
    size_mb = n_byte / 1e6
    report.line(f"{output}: {chosen.vehicle.n_ping} pings, {sides}, {size_mb:.0f} MB in {took:.1f} s")
    if run is not None:
        late = f"; the latest ping came {run.most_late_s:.2f} s after its time" if real_time else ""
        report.line(f"{run.n_segment} segments, {run.n_made} pings made now{late}")
    report.line(f"next: pingloom image {output} -o images")
    report.finish()


def _live(
    report: Report,
    scenario: Scenario,
    output: Path,
    seconds: float,
    real_time: bool,
    resume: bool,
    options: dict[str, Any],
) -> SegmentsRun:
    from pingloom.bench.simulation_files import Pace, record_segments

    with (
        Interruption() as interruption,
        progress("pings", scenario.vehicle.n_ping, show=report.chatty) as advance,
    ):
        before = 0

        def on_ping(done: int, total: int) -> None:
            nonlocal before
            advance(done - before)
            before = done

        return record_segments(
            scenario,
            output,
            seconds=seconds,
            resume=resume,
            pace=Pace() if real_time else None,
            on_ping=on_ping,
            check=interruption.check,
            **options,
        )


def _list(report: Report) -> None:
    from pingloom.simulate.presets import load_preset, preset_names

    rows = []
    for name in preset_names():
        scenario = load_preset(name)
        rows.append((name, str(scenario.vehicle.n_ping), f"{scenario.sonar.range_stop_m:g}", scenario.title))
    report.data = {"presets": [{"name": r[0], "title": r[3]} for r in rows]}
    report.line("preset: pings, range; what it is")
    width = max(len(r[0]) for r in rows)
    for name, pings, reach, title in rows:
        report.line(f"  {name:{width}}  {pings:>5} pings  {reach:>4} m  {title}")
    report.finish()


def _explain(report: Report, table: str) -> None:
    from pingloom.bench.scenario_keys import keys_of

    keys = keys_of(table)
    report.data = {"keys": [dataclasses.asdict(key) for key in keys]}
    heading = None
    for key in keys:
        if key.table != heading:
            heading = key.table
            report.line(f"\n{heading}" if heading else "at the top")
        report.line(f"  {key.name} = {key.default}  ({key.kind})")
        for line in textwrap.wrap(key.meaning, 100):
            report.line(f"      {line}")
    report.finish()


def load_scenario(name: str) -> Scenario:
    """Read a scenario from a file, or take the preset of that name.

    Raises
    ------
    ParameterError, DataError
        If there is neither, or a setting isn't allowed.
    """
    from pingloom.io import settings
    from pingloom.simulate.presets import load_preset, preset_names
    from pingloom.simulate.scenario import Scenario

    if name in preset_names() and not Path(name).exists():
        return load_preset(name)
    if name.endswith(".toml") or Path(name).exists():
        return settings.read(Path(name), Scenario)
    return load_preset(name)  # refuses, with the nearest preset


def record_scenario(
    scenario: Scenario,
    path: Path,
    *,
    mode: str = "fast",
    threads: int | None = None,
    overwrite: bool = False,
    on_ping: Callable[[int, int], None] | None = None,
) -> None:
    """Simulate a scenario into a recording, which appears under its name only when it is complete.

    Parameters
    ----------
    scenario : Scenario
    path : Path
        The recording, a file.
    mode, threads, on_ping
        As for :func:`pingloom.simulate.echoes.simulate`.
    overwrite : bool
        Replace a recording of that name, once the new one is complete.

    Raises
    ------
    ParameterError
        If ``path`` exists and ``overwrite`` is false, or is a folder.
    """
    from pingloom.imaging.errors import ParameterError
    from pingloom.simulate import echoes

    path = Path(path)
    refuse_existing(path, overwrite=overwrite)
    if path.is_dir():
        raise ParameterError(f"{path} is a folder; allowed: a file. Give another name.")
    partial = path.with_name(f".{path.name}.{os.getpid()}.partial")
    try:
        _write(scenario, partial, echoes.simulate(scenario, mode=mode, threads=threads, on_ping=on_ping))
        os.replace(partial, path)
    finally:
        partial.unlink(missing_ok=True)


def _write(scenario: Scenario, path: Path, pings) -> None:
    from pingloom.bench.simulation_files import new_writer, write_truth
    from pingloom.simulate import echoes

    with new_writer(scenario, path, capacity=scenario.vehicle.n_ping, keep_on_error=False) as writer:
        writer.write_platform(echoes.platform(scenario))
        write_truth(writer, scenario)
        for ping, _ in pings:
            writer.write_ping(ping)
