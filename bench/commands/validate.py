"""``pingloom validate``: a recording against the file contract, line by line."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict
from pathlib import Path

import click

from pingloom.bench.console import Report, common_options

__all__ = ["command"]


@click.command(epilog="Example: pingloom validate line.h5")
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--all", "show_all", is_flag=True, help="Print the lines that are in order too.")
@click.option(
    "--most-pings",
    type=click.IntRange(min=1),
    metavar="N",
    help="Read at most N pings of each side, evenly spread; by default all.",
)
@common_options
def command(recording: Path, show_all: bool, most_pings: int | None, as_json: bool, quiet: bool) -> int:
    """Check RECORDING, a file or a folder of segments, line by line against the file contract.

    Each line says what was found; where it isn't right, also what is allowed and what to do. Then the parts are
    held against each other: times, navigation, altitude, channels, levels, checksums. A doubtful line can be
    imaged but deserves a look. Exit code 1 if a line is wrong, 2 if it is no recording.
    """
    from pingloom.io.validate import validate_recording

    found = validate_recording(recording, most_pings=most_pings)
    count = Counter(line.status for line in found)
    report = Report(as_json=as_json, quiet=quiet)
    report.data = {
        "recording": str(recording),
        "valid": not count["wrong"],
        "count": {status: count[status] for status in ("ok", "missing", "doubtful", "wrong")},
        "lines": [asdict(line) for line in found],
    }
    width = max(len(line.item) for line in found)
    for line in found:
        if not show_all and line.status in ("ok", "missing"):
            continue
        report.line(f"{line.status:8}  {line.item:{width}}  {line.found or line.allowed}")
        if line.status in ("doubtful", "wrong"):
            report.line(f"{'':8}  {'':{width}}  allowed: {line.allowed}. {line.remedy}".rstrip())
    report.line(_summary(recording, count))
    report.finish()
    return 1 if count["wrong"] else 0


def _summary(recording: Path, count: Counter[str]) -> str:
    verdict = "does not keep the contract" if count["wrong"] else "keeps the contract"
    return (
        f"{recording.name} {verdict}: {count['ok']} lines ok, {count['missing']} optional ones missing, "
        f"{count['doubtful']} doubtful, {count['wrong']} wrong."
    )
