"""``pingloom bench``: speed beside rivals, cost, growth and image quality in one run, or two runs held together."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import click

from pingloom.bench.console import Report, common_options, refuse_existing

__all__ = ["command"]


@click.command(epilog="Example: pingloom bench --quick -o bench.json")
@click.option("--quick", "level", flag_value="quick", help="Under a minute: fewer rounds, a small scene.")
@click.option("--full", "level", flag_value="full", help="More rounds than the usual few minutes.")
@click.option(
    "--against", type=click.Path(path_type=Path), help="An earlier run; exit code 1 if something got worse."
)
@click.option("--run", "given", type=click.Path(path_type=Path), help="Take this run instead of making one.")
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    help="Write the run to this JSON file, figures beside it.",
)
@click.option("--overwrite", is_flag=True, help="Replace the output.")
@common_options
def command(level, against, given, output, overwrite, as_json, quiet) -> int:
    """Time every stage against what others would write, on one core, after checking its answer.

    Each stage is first held against a float64 reference, cells 20 dB below the mean apart; then it takes turns with its
    rivals in one process. Besides: cost of a line, real time, memory, start-up, growth with the sizes, and the quality
    of images of simulated scenes beside theory. Exit code 1 if an answer is wrong, or worse than in --against.
    """
    report = Report(as_json=as_json, quiet=quiet)
    before = read_run(against) if against else None
    if given is not None and level is not None:
        raise click.UsageError(
            "--run takes a run as it is: leave --quick and --full out.", click.get_current_context()
        )
    if output is not None:
        for path in (output, output.with_suffix(".png")):
            refuse_existing(path, overwrite=overwrite)
    run = read_run(given) if given else measure_run(level or "default", report)
    report.data = run
    _say(report, run, output)
    bad = not all(stage["right"] for stage in run["stages"].values())
    if before is not None:
        bad = _compare(report, before, run) or bad
    report.finish()
    return 1 if bad else 0


def _say(report: Report, run: dict[str, Any], output: Path | None) -> None:
    from pingloom.bench.cost.report import draw, say

    say(report, run)
    if output is not None:
        output.write_text(json.dumps(run, indent=1) + "\n", encoding="utf-8")
        for path in [output, *draw(run, output.with_suffix(".png"))]:
            report.line(str(path))


def measure_run(level: str, report: Report) -> dict[str, Any]:
    """Make a run in a process of its own, whose libraries are held to one thread before they are loaded.

    Raises
    ------
    PingloomError
        If the process fails.
    """
    from pingloom.imaging.errors import PingloomError

    threads = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")
    environment = {**os.environ, **dict.fromkeys(threads, "1")}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "run.json"
        told = []
        with subprocess.Popen(
            [sys.executable, "-m", "pingloom.bench.cost", level, str(path)],
            env=environment,
            stderr=subprocess.PIPE,
            text=True,
        ) as process:
            try:
                for line in process.stderr:
                    told.append(line.rstrip())
                    report.line(f"... {line.rstrip()}")
            except BaseException:
                process.kill()
                raise
        if process.returncode != 0:
            raise PingloomError(f"the timing process failed: {told[-1] if told else 'it said nothing'}")
        return json.loads(path.read_text(encoding="utf-8"))


def read_run(path: Path) -> dict[str, Any]:
    """Read a run.

    Raises
    ------
    DataError
        If the file is none.
    """
    from pingloom.imaging.errors import DataError

    remedy = "allowed: what pingloom bench -o wrote. Make one with: pingloom bench -o FILE"
    try:
        run = json.loads(path.read_text(encoding="utf-8"))
    except (json.JSONDecodeError, UnicodeDecodeError) as error:
        raise DataError(f"{path} is not JSON; {remedy}") from error
    wanted = ("stages", "quality", "cost", "growth", "ceilings", "machine", "versions", "rounds")
    missing = [name for name in wanted if not isinstance(run, dict) or name not in run]
    if missing or run.get("format") != 1:
        raise DataError(
            f"{path} is no run of this format (missing: {', '.join(missing) or 'format 1'}); {remedy}"
        )
    return run


def _compare(report: Report, before: dict[str, Any], run: dict[str, Any]) -> bool:
    """Say what changed; return whether something got worse."""
    from pingloom.bench.cost.compare import compare

    found = compare(before, run)
    worse = [f for f in found if f.worse]
    rows = [
        (f.quantity, f"{f.before:.3g}", f"{f.after:.3g}", f"{f.noise:.2g}", "WORSE" if f.worse else "")
        for f in found
    ]
    report.line()
    report.table("against the earlier run", ("quantity", "before", "after", "noise", ""), rows)
    report.line(f"{len(worse)} of {len(found)} got worse by more than the noise")
    report.data = {
        **run,
        "against": {"commit": before.get("commit"), "findings": [f.as_dict() for f in found]},
    }
    return bool(worse)
