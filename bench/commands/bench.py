"""``pingloom bench``: speed beside rivals, cost, growth and image quality in one run, or two runs held together."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from pingloom.bench.console import Report, common_options, refuse_existing

__all__ = ["command"]


@click.command(epilog="Example: pingloom bench --quick -o bench.json")
@click.option("--quick", "level", flag_value="quick", help="Under a minute: fewer rounds, small scenes.")
@click.option("--full", "level", flag_value="full", help="Twice the rounds of the usual few minutes.")
@click.option(
    "--against",
    type=click.Path(path_type=Path),
    help="Compare with this earlier run (a file of -o); exit code 1 if something got worse by more than the noise of both.",
)
@click.option(
    "--run",
    "given",
    type=click.Path(path_type=Path),
    help="Show or compare this run (a file of -o) instead of making one.",
)
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    help="Write the run to this JSON file, two figures (ratios and speckle, growth) beside it.",
)
@click.option("--overwrite", is_flag=True, help="Replace the output.")
@common_options
def command(level, against, given, output, overwrite, as_json, quiet) -> int:
    """Time every stage against what others would write, on one core, after checking its answer.

    Each stage is first held against a float64 reference, cells 20 dB below the mean apart; then it takes turns with its
    rivals in one process. Besides: goals, ceilings of the core, cost of a line, real time, a second core, memory,
    start-up, growth with the sizes, and the quality of images of simulated scenes beside theory. What else runs on the
    machine is said, and makes ratios worse: measure on quiet cores. Exit code 1 if an answer is wrong, or anything is
    worse than in --against.
    """
    from pingloom.bench.cost.run_file import read_run

    report = Report(as_json=as_json, quiet=quiet)
    before = read_run(against) if against else None
    if given is not None and level is not None:
        raise click.UsageError(
            "--run takes a run as it is: leave --quick and --full out.", click.get_current_context()
        )
    if output is not None:
        _check_output(output, overwrite)
    if before is not None and given is None:
        _check_case(before)
    run = read_run(given) if given else measure_run(level or "default", report)
    report.data = run
    _say(report, run, output)
    bad = not all(stage["right"] for stage in run["stages"].values())
    if before is not None:
        bad = _compare(report, before, run) or bad
    report.finish()
    return 1 if bad else 0


def _check_case(before: dict[str, Any]) -> None:
    """Refuse before minutes are spent what could not be compared after them."""
    from dataclasses import asdict

    from pingloom.bench.cost.cases import Case
    from pingloom.bench.cost.compare import check_case

    check_case(before, asdict(Case()))


def _check_output(output: Path, overwrite: bool) -> None:
    """Refuse before minutes are spent what could not be written after them."""
    from pingloom.bench.cost.figures import figure_paths
    from pingloom.imaging.errors import ParameterError

    if output.suffix.lower() == ".png":
        raise ParameterError(
            f"{output} is where a figure would go; allowed: a name for the JSON file. Give -o {output.stem}.json."
        )
    if not output.parent.is_dir():
        raise ParameterError(f"{output.parent} is no folder; allowed: one that is there. Make it first.")
    if output.is_dir():
        raise ParameterError(f"{output} is a folder; allowed: a file. Give -o {output / 'bench.json'}.")
    for path in (output, *figure_paths(output)):
        refuse_existing(path, overwrite=overwrite)


def _say(report: Report, run: dict[str, Any], output: Path | None) -> None:
    from pingloom.bench.cost.figures import draw
    from pingloom.bench.cost.report import say
    from pingloom.bench.cost.run_file import write_run

    say(report, run)
    if output is not None:
        write_run(run, output)
        for path in [output, *draw(run, output)]:
            report.line(str(path))


def measure_run(level: str, report: Report) -> dict[str, Any]:
    """Make a run in a process of its own, whose libraries are held to one thread before they are loaded.

    All that it writes lies in one folder, which goes whatever becomes of the process.

    Raises
    ------
    PingloomError
        If the process fails.
    """
    from pingloom.imaging.errors import PingloomError

    threads = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")
    with tempfile.TemporaryDirectory(prefix="pingloom-bench-", ignore_cleanup_errors=True) as folder:
        path = Path(folder) / "run.json"
        told = []
        with (
            _ending_on_termination(),
            subprocess.Popen(
                [sys.executable, "-m", "pingloom.bench.cost", level, str(path)],
                env={**os.environ, **dict.fromkeys(threads, "1"), "TMPDIR": folder},
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                text=True,
            ) as process,
        ):
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


@contextmanager
def _ending_on_termination() -> Iterator[None]:
    """Take being terminated for Ctrl-C, so that the timing process and its folder go as well."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _compare(report: Report, before: dict[str, Any], run: dict[str, Any]) -> bool:
    """Say what changed; return whether something got worse."""
    from pingloom.bench.cost.compare import compare

    found = compare(before, run)
    rows = [
        (f.quantity, _figure(f.before), _figure(f.after), f"{f.noise:.2g}", "WORSE" if f.worse else "")
        for f in found.findings
    ]
    commits = [(r["commit"] or "unknown")[:10] for r in (before, run)]
    report.line()
    report.table(
        f"commit {commits[1]} against {commits[0]}", ("quantity", "before", "after", "noise", ""), rows
    )
    for note in found.notes:
        report.line(f"  {note}")
    report.line(f"{len(found.worse)} of {len(found.findings)} got worse by more than the noise")
    report.data = {
        **run,
        "against": {
            "commit": before["commit"],
            "worse": [f.quantity for f in found.worse],
            "findings": [f.as_dict() for f in found.findings],
            "notes": found.notes,
        },
    }
    return bool(found.worse)


def _figure(value: float | None) -> str:
    return "none" if value is None else f"{value:.3g}"
