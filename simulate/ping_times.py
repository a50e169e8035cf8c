"""When the sonar pings."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.conventions import NANOSECONDS_PER_SECOND

from .listening import Stream, chance
from .scenario import Scenario

__all__ = ["ping_times_ns", "recorded_times_ns", "seconds_from_start"]


def ping_times_ns(scenario: Scenario) -> NDArray[np.uint64]:
    """Return the starts of transmission, (ping,) nanoseconds since 1970-01-01 00:00:00Z."""
    step = np.rint(np.arange(scenario.vehicle.n_ping) * (1e9 / scenario.vehicle.ping_rate_hz))
    return np.uint64(scenario.vehicle.start_time_ns) + step.astype(np.uint64)


def recorded_times_ns(scenario: Scenario) -> NDArray[np.uint64]:
    """Return the times that the recording gives for them, (ping,)."""
    times, rms = ping_times_ns(scenario), scenario.instrument.timing.ping_time_rms_s
    if not rms:
        return times
    error_s = rms * chance(scenario.seed, Stream.PING_TIME).standard_normal(times.size)
    return (times.astype(np.int64) + np.rint(error_s * NANOSECONDS_PER_SECOND).astype(np.int64)).astype(
        np.uint64
    )


def seconds_from_start(scenario: Scenario, time_ns: NDArray[np.uint64]) -> NDArray[np.float64]:
    """Seconds from the first ping; before it negative."""
    since = time_ns.astype(np.int64) - np.int64(scenario.vehicle.start_time_ns)
    return since / NANOSECONDS_PER_SECOND
