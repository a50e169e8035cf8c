"""Timing of calls beside each other in one process.

Machines slow down and speed up in the course of a run, so a ratio is only taken between calls of the same round. What
counts is the time that the calling thread spent on its core: on a core of its own that is the time on the wall, and on
a shared one it leaves out the turns of other programs (though not the caches that they emptied). Everything timed this
way runs in one thread.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "PLACEMENTS",
    "Spread",
    "Times",
    "Watch",
    "allowed_cores",
    "clock",
    "joined",
    "measure",
    "pin",
    "quietest_core",
    "timed",
    "warm_allocator",
]

Candidate = Callable[[], float]
"""Does its work once and returns the seconds that count."""


@dataclass(frozen=True, slots=True)
class Spread:
    """Median and quartiles."""

    median: float
    low: float
    high: float

    @classmethod
    def of(cls, values) -> Spread:
        """Of at least one value."""
        median, low, high = np.percentile(values, (50, 25, 75))
        return cls(float(median), float(low), float(high))


@dataclass(frozen=True, slots=True, eq=False)
class Times:
    """Best time of each candidate in each round."""

    seconds: Mapping[str, NDArray[np.float64]]

    def of(self, name: str) -> Spread:
        """Of one candidate. [s]"""
        return Spread.of(self.seconds[name])

    def ratio(self, name: str, to: str) -> Spread:
        """One candidate's time over another's in the same round."""
        return Spread.of(self.seconds[name] / self.seconds[to])


PLACEMENTS = 3
"""How often what is timed is made anew, the earlier kept: where arrays lie in memory decides what they push out of the
caches, by a fifth of the time, and stays as it is as long as they live."""


def joined(parts: Sequence[Times]) -> Times:
    """The rounds of several measurements of the same candidates."""
    return Times({name: np.concatenate([part.seconds[name] for part in parts]) for name in parts[0].seconds})


clock = time.thread_time
"""Seconds of this thread on its core."""


def timed(call: Callable[[], object]) -> Candidate:
    """Make a candidate of a call that counts from its begin to its end."""

    def run() -> float:
        start = clock()
        call()
        return clock() - start

    return run


def warm_allocator() -> None:
    """Make the C library keep freed blocks: freeing a large one raises its threshold for returning memory."""
    for _ in range(2):
        np.ones(30 << 20, np.uint8)


def measure(candidates: Mapping[str, Candidate], *, rounds: int = 11, inner: int = 3) -> Times:
    """Time candidates round by round, each the best of ``inner`` within a round, after two calls that don't count."""
    warm_allocator()
    for call in candidates.values():
        call()
        call()
    seconds = {name: np.empty(rounds) for name in candidates}
    for k in range(rounds):
        for name, call in candidates.items():
            seconds[name][k] = min(call() for _ in range(inner))
    return Times(seconds)


class Watch:
    """Share of a core that this process got; below 0.97 something else ran beside it."""

    def __init__(self) -> None:
        self._wall = time.perf_counter()
        self._core = time.process_time()

    def share(self) -> float:
        """Since the beginning."""
        wall = time.perf_counter() - self._wall
        return (time.process_time() - self._core) / wall if wall > 0 else 1.0


def allowed_cores() -> list[int]:
    """Cores that this process may use; empty where that can't be told."""
    return sorted(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else []


def quietest_core() -> int | None:
    """Core, of those allowed, that gives this process the most just now; None where cores can't be chosen."""
    if not hasattr(os, "sched_setaffinity"):
        return None
    allowed = allowed_cores()
    best, most = allowed[-1], 0
    for core in allowed:
        os.sched_setaffinity(0, {core})
        done, stop = 0, time.perf_counter() + 0.06
        while time.perf_counter() < stop:
            done += 1
        if done > most:
            best, most = core, done
    os.sched_setaffinity(0, set(allowed))
    return best


def pin(cores) -> None:
    """Keep this process on some cores, where that can be said."""
    if hasattr(os, "sched_setaffinity") and cores:
        os.sched_setaffinity(0, set(cores))
