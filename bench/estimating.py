"""Estimation over a recording: pings in, a table of corrections out."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from pingloom import __version__
from pingloom.bench.console import as_json, refuse_existing
from pingloom.bench.correctors import LiveCorrector, planned_altitude
from pingloom.bench.imaging_task import ImageSettings
from pingloom.bench.legs import Leg, leg_of
from pingloom.bench.ping_feed import PingFeed
from pingloom.bench.recording_legs import recording_legs
from pingloom.bench.run_report import StageTimes
from pingloom.imaging.errors import ParameterError
from pingloom.imaging.estimate.reasons import PingReason
from pingloom.imaging.estimate.side import SideMemory, Told
from pingloom.imaging.frames import Trajectory
from pingloom.io.corrections import write_corrections
from pingloom.io.recording import open_recording
from pingloom.io.settings import to_toml

__all__ = ["EstimateRun", "estimate_recording"]


@dataclass(frozen=True, slots=True, kw_only=True)
class EstimateRun:
    """What one run found and took."""

    told: dict[str, list[Told]]
    memory: dict[str, SideMemory]
    legs: list[Leg]
    planned_altitude_m: float | None
    step_ms: dict[str, float]
    """Median time of each estimator per ping."""
    wall_s: float
    interval_s: float
    summary: dict[str, Any]
    """Counts and figures by side."""


def estimate_recording(
    path: str | Path,
    output: str | Path,
    *,
    settings: ImageSettings | None = None,
    overwrite: bool = False,
    on_ping: Callable[[int, int], None] | None = None,
    before_rename: Callable[[], None] | None = None,
) -> EstimateRun:
    """Estimate a recording's corrections into ``output``.

    Parameters
    ----------
    on_ping : callable, optional
        Called with the number of pings done and their total.
    before_rename : callable, optional
        Called when the table is whole, before it takes its name.

    Raises
    ------
    ParameterError, DataError
        If the recording or a setting does not allow it; nothing stays under the final name then.
    """
    settings = settings or ImageSettings()
    output = Path(output)
    refuse_existing(output, overwrite=overwrite)
    start = time.perf_counter()
    with open_recording(path) as recording:
        total = sum(recording.n_ping(side) for side in recording.sides)
        if total == 0:
            raise ParameterError(
                f"{path} holds no ping; allowed: one or more. Was the recording cut off at once?"
            )
        trajectory = Trajectory.from_platform(recording.platform())
        altitude = planned_altitude(recording, trajectory, settings)
        live = LiveCorrector.prepare(recording, settings, planned_altitude_m=altitude, keep=True)
        found = recording_legs(recording, trajectory, settings)
        times = StageTimes()
        feed = PingFeed(recording)
        for ping in feed:
            times.begin()
            leg = leg_of(found, ping.time_ns)
            live.correction(ping, None if leg is None else found[leg].frame, times.note)
            if on_ping is not None:
                on_ping(feed.position, total)
        write_corrections(
            output,
            live.tables(),
            reason_names=PingReason.NAMES,
            recording=as_json(recording.identity()),
            settings=to_toml(settings),
            history=f"estimated by pingloom {__version__}",
            overwrite=overwrite,
            before_rename=before_rename,
        )
        gap = np.concatenate([np.diff(recording.ping_time_ns(s).astype(np.int64)) for s in recording.sides])
    return EstimateRun(
        told=live.told or {},
        memory=live.state.memory,
        legs=found,
        planned_altitude_m=altitude,
        step_ms=times.median_ms(),
        wall_s=time.perf_counter() - start,
        interval_s=float(np.median(gap)) * 1e-9 if gap.size else float("nan"),
        summary=live.summary(),
    )
