"""``pingloom simulate``: a scenario in, a recording and its truth out."""

from __future__ import annotations

import dataclasses
import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pingloom.bench.console import Report, common_options, progress, refuse_existing

if TYPE_CHECKING:
    from pingloom.simulate.scenario import Scenario

__all__ = ["command", "load_scenario", "record_scenario"]


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
@click.option("--overwrite", is_flag=True, help="Replace the recording.")
@click.option("--list", "list_presets", is_flag=True, help="List the presets and stop.")
@common_options
def command(scenario, output, seed, mode, threads, overwrite, list_presets, as_json, quiet) -> None:
    """Write the echoes that a sonar would record of SCENARIO, a TOML file or the name of a preset.

    The recording holds echoes, navigation and water as the vehicle would have written them, and the truth of the
    simulation in a group of its own, which imaging never reads. The same scenario and seed give the same bytes, for
    any number of threads.
    """
    report = Report(as_json=as_json, quiet=quiet)
    if list_presets:
        _list(report)
        return
    if scenario is None or output is None:
        raise click.UsageError("give SCENARIO and -o RECORDING, or --list.", click.get_current_context())
    chosen = load_scenario(scenario)
    if seed is not None:
        chosen = dataclasses.replace(chosen, seed=seed)
    begin = time.perf_counter()
    with progress("pings", chosen.vehicle.n_ping, show=report.chatty) as advance:
        record_scenario(
            chosen,
            output,
            mode=mode,
            threads=threads,
            overwrite=overwrite,
            on_ping=lambda i, n: advance(1),
        )
    took = time.perf_counter() - begin
    report.data = {
        "recording": str(output),
        "title": chosen.title,
        "seed": chosen.seed,
        "mode": mode,
        "pings": chosen.vehicle.n_ping,
        "sides": list(chosen.sonar.side_names),
        "bytes": output.stat().st_size,
        "seconds": round(took, 3),
    }
    sides = " and ".join(chosen.sonar.side_names)
    size_mb = output.stat().st_size / 1e6
    report.line(f"{output}: {chosen.vehicle.n_ping} pings, {sides}, {size_mb:.0f} MB in {took:.1f} s")
    report.line(f"next: pingloom image {output} -o images")
    report.finish()


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
    from pingloom.io.recording import RecordingWriter
    from pingloom.simulate import echoes

    with RecordingWriter(
        path,
        sonars=echoes.sonars(scenario),
        water=echoes.water(scenario),
        origin_latitude_deg=scenario.navigation.origin_latitude_deg,
        origin_longitude_deg=scenario.navigation.origin_longitude_deg,
        title=scenario.title,
        capacity=scenario.vehicle.n_ping,
        scenario=scenario.to_toml(),
        seed=scenario.seed,
        durable=False,
        keep_on_error=False,
    ) as writer:
        writer.write_platform(echoes.platform(scenario))
        names = ", ".join(t.name or t.kind for t in scenario.targets)
        for name, array in echoes.truth(scenario).items():
            if array.size:
                extra = {"names": names} if name == "target_position_m" else {}
                writer.write_truth(name, array, **extra)
        for ping, _ in pings:
            writer.write_ping(ping)
