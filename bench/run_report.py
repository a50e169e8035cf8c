"""What a run of the imaging took and made: times of its stages, counts, and its entry in ``run.json``."""

from __future__ import annotations

import json
import os
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pingloom.bench.console import as_json
from pingloom.imaging.chain import StepReport

__all__ = ["Counts", "Followed", "ImagingRun", "StageTimes", "Times", "note_run"]

_SHORTEST_S, _LONGEST_S = 1e-7, 1e3
_BIN = np.log(1.01)
"""Natural logarithm of a bin's width: medians are told within half a per cent."""


class Times:
    """How often something took how long: bins of one per cent, so that memory stays the same however long the line."""

    def __init__(self) -> None:
        self._count: NDArray[np.int64] = np.zeros(
            int(np.log(_LONGEST_S / _SHORTEST_S) / _BIN) + 1, dtype=np.int64
        )

    def add(self, seconds: float) -> None:
        """One more."""
        at = int(np.log(max(seconds, _SHORTEST_S) / _SHORTEST_S) / _BIN)
        self._count[min(at, self._count.size - 1)] += 1

    @property
    def n(self) -> int:
        """How many there were."""
        return int(self._count.sum())

    def median_s(self) -> float:
        """The median, within half a per cent; NaN of none. [s]"""
        return self.share_s(0.5)

    def share_s(self, share: float) -> float:
        """The time that this share of them stays below, within half a per cent; NaN of none. [s]"""
        if self.n == 0:
            return float("nan")
        place = max(1, int(np.ceil(share * self.n)))
        at = int(np.searchsorted(np.cumsum(self._count), place))
        return float(_SHORTEST_S * np.exp((at + 0.5) * _BIN))


@dataclass(slots=True)
class StageTimes:
    """Wall time of each stage of each ping, outside the chain, which knows no clock."""

    stages: dict[str, Times] = field(default_factory=dict)
    pings: Times = field(default_factory=Times)
    tenths: list[Times] = field(default_factory=lambda: [Times() for _ in range(10)])
    """Of the pings of each tenth of the line: does it slow down?"""
    resident_mb: list[float | None] = field(default_factory=lambda: [None] * 10)
    """Memory of this process at the end of each tenth; None where the tenth was not run or nobody knows. [MB]"""
    _last: float = 0.0
    _ping: float = 0.0

    def begin(self) -> None:
        """A ping comes in."""
        self._last = time.perf_counter()
        self._ping = 0.0

    def note(self, stage: str) -> None:
        """A stage has run."""
        now = time.perf_counter()
        if stage not in self.stages:
            self.stages[stage] = Times()
        self.stages[stage].add(now - self._last)
        self._ping += now - self._last
        self._last = now

    def end_live(self) -> None:
        """A ping is through of a line whose length nobody knows."""
        if self._ping > 0:
            self.pings.add(self._ping)

    def end(self, done: int, total: int) -> None:
        """Ping ``done`` of ``total`` is through, from 1; one that was left out has no stages and doesn't count."""
        tenth = min(10 * (done - 1) // total, 9)
        if self._ping > 0:
            self.pings.add(self._ping)
            self.tenths[tenth].add(self._ping)
        if done == total or 10 * done // total > tenth:
            self.resident_mb[tenth] = resident_mb()

    def median_ms(self) -> dict[str, float]:
        """Median of each stage. [ms]"""
        return {stage: 1e3 * times.median_s() for stage, times in self.stages.items()}

    def total_ms(self) -> float:
        """Median of a whole ping. [ms]"""
        return 1e3 * self.pings.median_s()


def resident_mb() -> float | None:
    """Memory that this process holds now; None where the system doesn't tell. [MB]"""
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[1])
    except (OSError, ValueError, IndexError):
        return None
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


@dataclass(slots=True)
class Counts:
    """What became of the pings."""

    imaged: int = 0
    left_out: Counter[str] = field(default_factory=Counter)
    """By reason."""
    late_pixels: int = 0
    uncovered_pixels: int = 0

    def take(self, report: StepReport) -> None:
        """Count one ping."""
        if report.reason:
            self.left_out[report.reason] += 1
        else:
            self.imaged += 1
        self.late_pixels += report.late
        self.uncovered_pixels += report.uncovered

    def add(self, other: Counts) -> None:
        """Count what was counted elsewhere."""
        self.imaged += other.imaged
        self.left_out.update(other.left_out)
        self.late_pixels += other.late_pixels
        self.uncovered_pixels += other.uncovered_pixels


@dataclass(frozen=True, slots=True, kw_only=True)
class Followed:
    """What following a growing recording was like."""

    heard: int
    """Pings laid while the recording grew."""
    at_start: int
    """Of these, pings that were there before it was followed: when they were written nobody knows."""
    lag: dict[str, float | None]
    """From when a ping was written, at the earliest, to when it was laid: median, 95 %, worst. [s]"""
    extrapolated: int
    """Pings laid although the navigation had not come within the wait."""
    ended: str
    """Why following ended."""
    again: str
    """Why the finished recording was imaged once more, empty where it was not."""
    final_s: float
    """From the end of following to the product. [s]"""

    def as_dict(self) -> dict[str, Any]:
        """For ``run.json``."""
        return {
            "pings_laid_as_they_came": self.heard,
            "pings_there_before": self.at_start,
            "lag_s": self.lag,
            "pings_laid_with_extrapolated_navigation": self.extrapolated,
            "ended": self.ended,
            "imaged_again": self.again,
            "from_end_to_product_s": self.final_s,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class ImagingRun:
    """What one run of the chain made and took."""

    method: str
    products: tuple[Path, ...]
    """One for each leg."""
    n_ping: int
    resumed_after: int
    """Pings that an interrupted run had done; times are of this run alone."""
    left_out: dict[str, int]
    """Pings left out, by reason."""
    estimated: dict[str, Any] | None
    """Counts and figures by side of what was estimated on the way; None where nothing was."""
    late_pixels: int
    uncovered_pixels: int
    rays: str
    """Straight or exact, and why."""
    pulse_motion_cells: float
    """Largest shift in range by motion within the pulse that was left in. [-3 dB cells]"""
    simulated: bool
    """Whether the recording is a simulated one, whose echoes follow the simple model."""
    interval_s: float
    """Median time from ping to ping of a side."""
    n_side: int
    first_ping_s: float
    """Planning, compilation and the first ping."""
    stage_ms: dict[str, float]
    ping_ms: float
    tenth_ms: list[float]
    """Median of a ping in each tenth of the line. [ms]"""
    resident_mb: list[float | None]
    """Memory at the end of each tenth. [MB]"""
    wall_s: float
    followed: Followed | None = None
    """Where the recording grew while it was imaged."""

    @property
    def product(self) -> Path:
        """Of the first leg."""
        return self.products[0]

    @property
    def real_time_factor(self) -> float:
        """Ping interval over the time that the pings of all sides take in it."""
        return self.interval_s / (self.n_side * self.ping_ms * 1e-3)

    def as_dict(self) -> dict[str, Any]:
        """For ``run.json``."""
        return {
            "products": [path.name for path in self.products],
            "pings": self.n_ping,
            "resumed_after_pings": self.resumed_after,
            "left_out": self.left_out,
            "estimated": self.estimated,
            "late_pixels": self.late_pixels,
            "uncovered_pixels": self.uncovered_pixels,
            "rays": self.rays,
            "pulse_motion_cells_left_in": self.pulse_motion_cells,
            "ping_interval_ms": 1e3 * self.interval_s,
            "first_ping_s_compilation_included": self.first_ping_s,
            "stage_median_ms": self.stage_ms,
            "ping_median_ms": self.ping_ms,
            "ping_median_ms_by_tenth_of_the_line": self.tenth_ms,
            "resident_mb_by_tenth_of_the_line": self.resident_mb,
            "real_time_factor": self.real_time_factor,
            "wall_s": self.wall_s,
            **({} if self.followed is None else {"followed": self.followed.as_dict()}),
        }


def note_run(path: Path, run: ImagingRun) -> None:
    """Add this run to ``run.json``, replacing an earlier one of the same method."""
    runs: dict[str, Any] = {}
    if path.exists():
        try:
            runs = json.loads(path.read_text())
        except ValueError:
            runs = {}
    runs[run.method] = run.as_dict()
    part = path.with_suffix(".json.part")
    part.write_text(as_json(runs) + "\n")
    os.replace(part, path)
