"""Two runs held against each other: what became worse by more than the noise of both."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

__all__ = ["Finding", "compare"]

_COST_MARGIN = 0.10
"""A time or ratio within a tenth is the same: code laid out elsewhere in memory alone does that."""
_QUALITY_SPREADS = 2.0
_QUALITY_MARGIN = 0.10
"""Share of what is allowed by which a measure that repeats exactly may still move."""
_MEMORY_MARGIN = 0.25


@dataclass(frozen=True, slots=True)
class Finding:
    """One number of both runs."""

    quantity: str
    kind: str
    """quality, cost or memory."""
    before: float
    after: float
    noise: float
    """How far it may be off before it counts as worse, in its own unit."""
    worse: bool

    def as_dict(self) -> dict[str, Any]:
        """For the report."""
        return asdict(self)


def compare(before: dict[str, Any], after: dict[str, Any]) -> list[Finding]:
    """Compare what both runs hold, the older first.

    Ratios to the rivals hold on any machine. Times and memory are only compared where processor and versions agree.
    Image quality is worse where it moved away from its prediction.
    """
    found = list(_ratios(before, after))
    if _same_machine(before, after):
        found += list(_times(before, after))
        found += list(_memory(before, after))
    found += list(_quality(before, after))
    return found


def _same_machine(before: dict[str, Any], after: dict[str, Any]) -> bool:
    names = ("processor", "architecture", "system")
    same = all(before["machine"].get(n) == after["machine"].get(n) for n in names)
    libraries = ("numpy", "scipy", "numba", "python")
    return same and all(before["versions"].get(n) == after["versions"].get(n) for n in libraries)


def _ratios(before: dict[str, Any], after: dict[str, Any]) -> Iterator[Finding]:
    for stage, old in before["stages"].items():
        new = after["stages"].get(stage)
        if new is None:
            continue
        if old["right"] and not new["right"]:
            yield Finding(f"{stage}: error", "quality", old["error"], new["error"], 0.0, True)
        for rival, was in old["rivals"].items():
            now = new["rivals"].get(rival)
            if now is None or was["ratio"] is None or now["ratio"] is None:
                continue
            if "void" in (was["flag"] + now["flag"]):
                continue
            half = (was["quartiles"][1] - was["quartiles"][0] + now["quartiles"][1] - now["quartiles"][0]) / 2
            noise = half + _COST_MARGIN * was["ratio"]
            worse = now["ratio"] < was["ratio"] - noise
            yield Finding(
                f"{stage}: times faster than {rival}", "cost", was["ratio"], now["ratio"], noise, worse
            )


def _times(before: dict[str, Any], after: dict[str, Any]) -> Iterator[Finding]:
    """Times of a line, scaled to the speed that the core had in each run."""
    speed = [run["ceilings"]["speed"] for run in (before, after)]
    for pixels in ("case_pixels", "own_pixels"):
        runs = [run["cost"][pixels] for run in (before, after)]
        rows = {"ping": [run["ping_ms"] for run in runs]}
        for stage, was in runs[0]["stage_ms"].items():
            if stage in runs[1]["stage_ms"] and was[0] > 0.1:
                rows[stage] = [was, runs[1]["stage_ms"][stage]]
        for stage, pair in rows.items():
            (old, low, high), (new, first, last) = (
                [v * s for v in spread] for spread, s in zip(pair, speed, strict=True)
            )
            noise = (high - low + last - first) / 2 + _COST_MARGIN * old
            yield Finding(
                f"{stage}, {pixels.replace('_', ' ')} [ms]", "cost", old, new, noise, new > old + noise
            )


def _memory(before: dict[str, Any], after: dict[str, Any]) -> Iterator[Finding]:
    old, new = (run["cost"]["memory"]["peak_of_process_mb"] for run in (before, after))
    noise = _MEMORY_MARGIN * old
    yield Finding("peak memory [MB]", "memory", old, new, noise, new > old + noise)


def _quality(before: dict[str, Any], after: dict[str, Any]) -> Iterator[Finding]:
    now = {row["quantity"]: row for row in after["quality"]}
    for was in before["quality"]:
        row = now.get(was["quantity"])
        if row is None:
            continue
        off = [abs(r["measured"] - r["predicted"]) for r in (was, row)]
        # Both scenes have the same seed, so their chance is the same too, unless the scene itself changed.
        noise = _QUALITY_SPREADS * max(was["spread"], row["spread"]) / 2 + _QUALITY_MARGIN * was["allowed"]
        worse = off[1] > off[0] + noise
        quantity = was["quantity"] + (f" [{was['unit']}]" if was["unit"] else "")
        yield Finding(quantity, "quality", was["measured"], row["measured"], noise, worse)
