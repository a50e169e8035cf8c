"""Two runs held against each other: what became worse by more than the noise of both."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

from pingloom.imaging.errors import DataError

__all__ = ["Comparison", "Finding", "check_case", "compare"]

_COST_MARGIN = 0.10
"""A time or ratio within a tenth is the same: code laid out elsewhere in memory alone does that."""
_CROWDED_MARGIN = 0.25
"""The same where others had turns on the core of one of the runs: what they empty the caches of is no rival's fault."""
_FREE = 0.97
"""Share of a core from which a process had it to itself."""
_QUALITY_SPREADS = 2.0
_QUALITY_MARGIN = 0.10
"""Share of what is allowed by which a measure that repeats exactly may still move."""
_ERROR_MARGIN = 0.25
"""Share by which a stage's error may move: another processor rounds otherwise."""
_MEMORY_MARGIN = 0.25
_FLAT_MB = 5.0
_START_MARGIN = 0.5


@dataclass(frozen=True, slots=True)
class Finding:
    """One number of both runs."""

    quantity: str
    kind: str
    """quality, cost or memory."""
    before: float | None
    after: float | None
    """None where there is none: a stage, a rival or a measure that is gone, or no number."""
    noise: float
    """How far it may be off before it counts as worse, in its own unit."""
    worse: bool

    def as_dict(self) -> dict[str, Any]:
        """For the report."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Comparison:
    """What two runs say together."""

    findings: list[Finding]
    notes: list[str]
    """What was not compared, and why; which figures are the same to the digit."""

    @property
    def worse(self) -> list[Finding]:
        """What got worse by more than the noise."""
        return [f for f in self.findings if f.worse]


def compare(before: dict[str, Any], after: dict[str, Any]) -> Comparison:
    """Compare what both runs hold, the older first.

    Ratios to the rivals hold on any machine. Times and memory are only compared where processor and versions agree.
    Image quality is worse where it moved away from its prediction; quick runs image smaller scenes than others and are
    compared among themselves.

    Raises
    ------
    DataError
        If the runs were made of different cases.
    """
    check_case(before, after["case"])
    notes: list[str] = []
    found = [*_answers(before, after), *_ratios(before, after, notes)]
    differ = _differing(before, after)
    if differ:
        notes.append(f"times and memory are not compared: other {', '.join(differ)}")
    else:
        found += [*_times(before, after), *_memory(before, after), *_start_up(before, after)]
    quick = [run["level"] == "quick" for run in (before, after)]
    if quick[0] != quick[1]:
        notes.append("quality is not compared: a quick run images other scenes than a usual one")
    else:
        found += _quality(before, after)
        notes.append(_to_the_digit(before, after))
    for name, run in (("earlier", before), ("later", after)):
        share = min((stage["core_share"] for stage in run["stages"].values()), default=1.0)
        if share < _FREE:
            notes.append(
                f"the {name} run got {share:.2f} of its core: its ratios are taken to be a quarter off"
            )
        if run["rounds"] < 11:
            notes.append(f"the {name} run had {run['rounds']} rounds: ratios want 11 or more to rest on")
    return Comparison(found, notes)


def check_case(before: dict[str, Any], case: dict[str, float]) -> None:
    """Refuse a run that was made of another case than ``case``.

    Raises
    ------
    DataError
        If a size or setting differs.
    """
    names = sorted({*before["case"], *case})
    other = [name for name in names if before["case"].get(name) != case.get(name)]
    if other:
        raise DataError(
            f"the earlier run timed another case (differs in {', '.join(other[:4])}); allowed: two of one case. Make "
            "it again with: pingloom bench -o FILE"
        )


def _differing(before: dict[str, Any], after: dict[str, Any]) -> list[str]:
    """What of machine and libraries is not the same."""
    pairs = {name: (before["machine"], after["machine"]) for name in ("processor", "architecture", "system")}
    pairs |= {name: (before["versions"], after["versions"]) for name in ("numpy", "scipy", "numba", "python")}
    return [name for name, (a, b) in pairs.items() if a.get(name) != b.get(name)]


def _answers(before: dict[str, Any], after: dict[str, Any]) -> Iterator[Finding]:
    """Stages that are gone, wrong now, or further off than they were."""
    for stage, old in before["stages"].items():
        new = after["stages"].get(stage)
        if new is None:
            yield Finding(f"{stage}: gone", "quality", old["error"], None, 0.0, True)
            continue
        noise = _ERROR_MARGIN * old["error"]
        worse = (old["right"] and not new["right"]) or new["error"] > old["error"] + noise
        yield Finding(f"{stage}: error", "quality", old["error"], new["error"], noise, worse)
        if old["dim_error"] is not None and new["dim_error"] is not None:
            noise = _ERROR_MARGIN * old["dim_error"]
            worse = new["dim_error"] > old["dim_error"] + noise
            yield Finding(
                f"{stage}: error in dim cells", "quality", old["dim_error"], new["dim_error"], noise, worse
            )


def _ratios(before: dict[str, Any], after: dict[str, Any], notes: list[str]) -> Iterator[Finding]:
    for stage, old in before["stages"].items():
        new = after["stages"].get(stage)
        for rival, was in old["rivals"].items() if new is not None else ():
            quantity = f"{stage}: times faster than {rival}"
            now = new["rivals"].get(rival)
            if now is None:
                yield Finding(f"{quantity}, gone", "cost", was["ratio"], None, 0.0, True)
                continue
            if was["ratio"] is None or now["ratio"] is None:
                # The answer was wrong in one of them: that is said by itself.
                continue
            if "void" in (was["flag"] + now["flag"]):
                notes.append(f"{quantity} is not compared: the rival ran too slowly in one of the runs")
                continue
            half = (was["quartiles"][1] - was["quartiles"][0] + now["quartiles"][1] - now["quartiles"][0]) / 2
            noise = half + _margin(old, new) * was["ratio"]
            worse = now["ratio"] < was["ratio"] - noise
            yield Finding(quantity, "cost", was["ratio"], now["ratio"], noise, worse)


def _margin(old: dict[str, Any], new: dict[str, Any]) -> float:
    return _COST_MARGIN if min(old["core_share"], new["core_share"]) >= _FREE else _CROWDED_MARGIN


def _times(before: dict[str, Any], after: dict[str, Any]) -> Iterator[Finding]:
    """Times of a line, scaled to the speed that the core had in each run."""
    speed = [run["ceilings"]["speed"] for run in (before, after)]
    # Steps of the line have no share of their own: the whole ping's against its rivals stands for them.
    pings = [run["stages"].get("ping", {"core_share": 1.0}) for run in (before, after)]
    margin = _margin(*pings)
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
            # How a core's speed changed is known from a few kinds of work, of which memory's may have changed otherwise.
            faster = abs(speed[1] / speed[0] - 1) * old
            noise = (high - low + last - first) / 2 + margin * old + faster
            yield Finding(
                f"{stage}, {pixels.replace('_', ' ')} [ms]", "cost", old, new, noise, new > old + noise
            )


def _memory(before: dict[str, Any], after: dict[str, Any]) -> Iterator[Finding]:
    pair = [run["cost"]["memory"] for run in (before, after)]
    old, new = (memory["imaging_process_mb"] for memory in pair)
    noise = _MEMORY_MARGIN * old
    yield Finding("peak memory of a process that images [MB]", "memory", old, new, noise, new > old + noise)
    old, new = (memory["growth_mb"] for memory in pair)
    if old is not None and new is not None:
        worse = new > max(old, 0.0) + _FLAT_MB
        yield Finding("memory over a line ten times as long [MB]", "memory", old, new, _FLAT_MB, worse)


def _start_up(before: dict[str, Any], after: dict[str, Any]) -> Iterator[Finding]:
    old, new = (
        run["cost"]["start_up"]["help"]["cpu_s"] * run["ceilings"]["speed"] for run in (before, after)
    )
    noise = _START_MARGIN * old
    yield Finding("--help, processor time [s]", "cost", old, new, noise, new > old + noise)


def _quality(before: dict[str, Any], after: dict[str, Any]) -> Iterator[Finding]:
    now = {row["quantity"]: row for row in after["quality"]}
    for was in before["quality"]:
        quantity = was["quantity"] + (f" [{was['unit']}]" if was["unit"] else "")
        row = now.get(was["quantity"])
        if row is None or row["measured"] is None:
            # What could not be measured before may stay so.
            lost = row is None or was["measured"] is not None
            yield Finding(quantity, "quality", was["measured"], None, 0.0, lost)
            continue
        if was["measured"] is None:
            yield Finding(quantity, "quality", None, row["measured"], 0.0, False)
            continue
        off = [abs(r["measured"] - r["predicted"]) for r in (was, row)]
        # Both scenes have the same seed, so their chance is the same too, unless the scene itself changed.
        spread = max(was["spread"] or 0.0, row["spread"] or 0.0)
        noise = _QUALITY_SPREADS * spread / 2 + _QUALITY_MARGIN * was["allowed"]
        worse = off[1] > off[0] + noise
        yield Finding(quantity, "quality", was["measured"], row["measured"], noise, worse)


def _to_the_digit(before: dict[str, Any], after: dict[str, Any]) -> str:
    """How many quality figures print the same in both runs, and which do not."""
    now = {row["quantity"]: row["measured"] for row in after["quality"]}
    rows = [row for row in before["quality"] if row["quantity"] in now]
    moved = [row["quantity"] for row in rows if not _prints_same(row["measured"], now[row["quantity"]])]
    told = f"{len(rows) - len(moved)} of {len(rows)} quality figures are the same to the printed digit"
    return told + (f"; not: {', '.join(moved)}" if moved else "")


def _prints_same(a: float | None, b: float | None) -> bool:
    if a is None or b is None:
        return a is b
    return f"{a:.2f}" == f"{b:.2f}"
