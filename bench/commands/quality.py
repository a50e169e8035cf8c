"""``pingloom quality``: what a correct chain shows, row by row."""

from __future__ import annotations

import click

from pingloom.bench.console import Report, common_options

__all__ = ["command"]


@click.command(epilog="Example: pingloom quality --seeds 6")
@click.option(
    "--seeds", type=click.IntRange(min=1), default=3, show_default=True, help="Speckle scenes of each kind."
)
@common_options
def command(seeds, as_json, quiet) -> int:
    """Simulate the reference geometry, image it, and print each figure beside theory and what is allowed.

    Places, widths, sidelobes and peaks of points; number of looks by range, by ping spacing and by weighting; correlation
    of looks; shadow; level while rolling. Exit code 1 if a figure is outside what is allowed.
    """
    from pingloom.bench.reference_rows import reference_rows

    report = Report(as_json=as_json, quiet=quiet)
    rows = list(reference_rows(seeds, lambda text: report.line(f"... {text}")))
    report.line()
    cells = []
    for row in rows:
        unit = f" [{row.unit}]" if row.unit else ""
        spread = f" ± {row.spread:.3f}" if row.spread else ""
        theory = "-" if row.theory != row.theory else f"{row.theory:.3f}"
        allowed = f"{row.low:.3f} .. {row.high:.3f}"
        verdict = "ok" if row.passed else "OUTSIDE"
        cells.append((row.quantity + unit, theory, f"{row.measured:.3f}{spread}", allowed, verdict))
    report.table("", ("quantity", "theory", "measured", "allowed", "verdict"), cells)
    bad = [row.quantity for row in rows if not row.passed]
    report.line(f"{len(rows) - len(bad)} of {len(rows)} within what is allowed, {seeds} seeds.")
    report.data = {
        "seeds": seeds,
        "rows": [
            {
                "quantity": r.quantity, "unit": r.unit, "theory": r.theory, "measured": r.measured, "spread": r.spread,
                "low": r.low, "high": r.high, "passed": r.passed,
            }
            for r in rows
        ],
    }  # fmt: skip
    report.finish()
    return 1 if bad else 0
