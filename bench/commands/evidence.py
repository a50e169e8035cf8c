"""``pingloom evidence``: published and independent values beside ours."""

from __future__ import annotations

import math
from collections import Counter

import click

from pingloom.bench import evidence
from pingloom.bench.console import Report, common_options, progress

__all__ = ["command"]


@click.command(epilog="Example: pingloom evidence --section absorption")
@click.option("--section", type=click.Choice(list(evidence.SECTIONS)), help="Only this section.")
@click.option("--summary", is_flag=True, help="One line a section.")
@common_options
def command(section: str | None, summary: bool, as_json: bool, quiet: bool) -> None:
    """Compute every value that a publication or an independent library gives, and compare.

    Each row names its source and the kind of evidence: published, library, computed (a simulation or an integral
    that does not use the formula), derived, memory (as a source is remembered), common practice. Exit code 1 if a
    row is outside its tolerance.
    """
    report = Report(as_json=as_json, quiet=quiet)
    rows = evidence.rows(section)
    with progress("evidence", len(rows), show=report.chatty) as advance:
        records = []
        for row in rows:
            records.append(_record(row))
            advance(1)
    if summary:
        _summary(report, records)
    else:
        _all(report, records)
    count = {verdict: sum(record["verdict"] == verdict for record in records) for verdict in ("ok", "FAILED")}
    not_run = len(records) - sum(count.values())
    report.line(
        f"\n{count['ok']} of {len(records)} values within tolerance, {count['FAILED']} failed"
        + (f", {not_run} not run for want of a library (pip install pingloom[test])." if not_run else ".")
    )
    report.data = {"rows": records, "ok": count["ok"], "failed": count["FAILED"], "not_run": not_run}
    report.finish()
    if count["FAILED"]:
        raise click.exceptions.Exit(1)


def _all(report: Report, records: list[dict[str, object]]) -> None:
    for name in dict.fromkeys(record["section"] for record in records):
        report.table(
            f"\n{name}",
            ["quantity", "source", "expected", "got", "verdict"],
            [_cells(record) for record in records if record["section"] == name],
        )


def _summary(report: Report, records: list[dict[str, object]]) -> None:
    """Print a line a section: how many values of which kinds, and the one that uses most of its tolerance."""
    lines = []
    for name in dict.fromkeys(record["section"] for record in records):
        chosen = [r for r in records if r["section"] == name]
        used = [(_used(r), r) for r in chosen if isinstance(r.get("tolerance"), float)]
        worst, of = max(used, key=lambda pair: pair[0], default=(math.nan, {"quantity": "-"}))
        kinds = Counter(str(r["kind"]) for r in chosen)
        good = sum(r["verdict"] == "ok" for r in chosen)
        lines.append(
            [
                str(name),
                f"{good} of {len(chosen)}",
                ", ".join(f"{n} {kind}" for kind, n in kinds.most_common()),
                f"{100 * worst:.0f} %",
                str(of["quantity"]),
            ]
        )
    report.table("", ["section", "within", "kinds of evidence", "tolerance used", "at most by"], lines)


def _used(record: dict[str, object]) -> float:
    """Deviation over tolerance."""
    got, expected, tolerance = record.get("got"), record.get("expected"), record["tolerance"]
    if not (isinstance(got, float) and isinstance(expected, float)) or not tolerance:
        return 0.0
    return abs(got - expected) / tolerance


def _record(row: evidence.Row) -> dict[str, object]:
    record: dict[str, object] = {
        "section": row.section,
        "quantity": row.quantity,
        "unit": row.unit,
        "source": row.source,
        "kind": row.kind,
        "tolerance_reason": row.reason,
    }
    if row.missing:
        return record | {"verdict": f"not run: needs {', '.join(row.missing)}"}
    outcome = row.run()
    return record | {
        "expected": _finite(outcome.expected),
        "got": _finite(outcome.got),
        "tolerance": outcome.allowed,
        "verdict": "ok" if outcome.passed else "FAILED",
    }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _cells(record: dict[str, object]) -> list[str]:
    unit = f" [{record['unit']}]" if record["unit"] else ""
    tolerance = record.get("tolerance")
    # One digit beyond the tolerance shows how near the value comes.
    digits = 3 if not isinstance(tolerance, float) else max(0, min(12, 1 - math.floor(math.log10(tolerance))))

    def number(value: object) -> str:
        return f"{value:.{digits}f}" if isinstance(value, float) else "-"

    return [
        f"{record['quantity']}{unit}",
        f"{record['source']} ({record['kind']})",
        number(record.get("expected")) + (f" +- {tolerance:.2g}" if isinstance(tolerance, float) else ""),
        number(record.get("got")),
        str(record["verdict"]),
    ]
