"""Running the chain over a recording: files in, products and timings out."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from pingloom.bench.console import refuse_existing
from pingloom.bench.imaging_task import ImageSettings, ImagingTask, plan_legs, with_altitude
from pingloom.bench.leg_product import leg_writer
from pingloom.bench.legs import Leg
from pingloom.bench.run_report import Counts, ImagingRun, StageTimes, note_run
from pingloom.imaging.chain import Chain, ChainSettings, Method, StepReport
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.frames import StripFrame, Trajectory
from pingloom.imaging.records import Ping, Tile
from pingloom.io.corrections import Corrections
from pingloom.io.product_writer import ProductWriter
from pingloom.io.recording import Recording, open_recording

__all__ = ["ImageSettings", "ImagingRun", "image_recording"]

_BETWEEN = "sent between the legs"


def image_recording(
    path: str | Path,
    folder: str | Path,
    *,
    method: Method = "multilook",
    settings: ChainSettings | None = None,
    overwrite: bool = False,
    on_ping: Callable[[int, int], None] | None = None,
    before_rename: Callable[[], None] | None = None,
    corrections: Corrections | None = None,
) -> ImagingRun:
    """Image a recording into ``folder/<method>.nc``, a second leg into ``<method>-02.nc``, and so on.

    Parameters
    ----------
    settings : ChainSettings or ImageSettings, optional
        Plain chain settings take the recording as one leg.
    on_ping : callable, optional
        Called with the number of pings done and their total.
    before_rename : callable, optional
        Called when a product is whole, before it takes its name; what it raises leaves nothing behind.
    corrections : Corrections, optional
        What was estimated for each ping; pings without a row are imaged as they are.

    Raises
    ------
    ParameterError, DataError
        If the recording or a setting does not allow an image; nothing stays under the final name then.
    """
    settings = settings or ImageSettings()
    folder = Path(folder)
    if folder.exists() and not folder.is_dir():
        raise ParameterError(f"{folder} is a file; allowed: a folder. Give another name.")
    refuse_existing(folder / f"{method}.nc", overwrite=overwrite)
    start = time.perf_counter()
    with open_recording(path) as recording:
        _ = recording.origin  # refused here if missing, before minutes are spent and a folder is made
        total = sum(recording.n_ping(side) for side in recording.sides)
        if total == 0:
            raise ParameterError(
                f"{path} holds no ping; allowed: one or more. Was the recording cut off at once?"
            )
        trajectory = Trajectory.from_platform(recording.platform())
        sonars = {side: recording.sonar(side) for side in recording.sides}
        settings = with_altitude(settings, trajectory, recording, corrections)
        chain = Chain.prepare(sonars, recording.water(), trajectory, settings, method)
        _compile(chain, next(recording.pings()), trajectory)
        first_ping_s = time.perf_counter() - start
        task = ImagingTask(
            recording=recording,
            chain=chain,
            trajectory=trajectory,
            folder=folder,
            method=method,
            settings=settings,
            overwrite=overwrite,
            before_rename=before_rename,
            corrections=corrections,
        )
        plan = plan_legs(task)
        for k in range(len(plan)):
            refuse_existing(task.target(k), overwrite=overwrite)
        folder.mkdir(parents=True, exist_ok=True)
        times = StageTimes()
        counts = _image_legs(task, plan, times, on_ping, total)
        run = ImagingRun(
            method=method,
            products=tuple(task.target(k) for k in range(len(plan))),
            n_ping=total,
            left_out=dict(counts.left_out),
            late_pixels=counts.late_pixels,
            uncovered_pixels=counts.uncovered_pixels,
            rays=chain.water.reason,
            interval_s=_interval(recording),
            n_side=len(recording.sides),
            first_ping_s=first_ping_s,
            stage_ms=times.median_ms(),
            ping_ms=times.total_ms(),
            wall_s=time.perf_counter() - start,
        )
    note_run(folder / "run.json", run)
    return run


def _image_legs(
    task: ImagingTask,
    plan: list[Leg],
    times: StageTimes,
    on_ping: Callable[[int, int], None] | None,
    total: int,
) -> Counts:
    """Image leg after leg; what was sent in turns is counted and left."""
    counts = Counts()
    pings, done = task.recording.pings(), 0
    ping: Ping | None = next(pings, None)
    for k, leg in enumerate(plan):
        own = Counts()
        with leg_writer(task, k, leg) as writer:
            state = task.chain.start(leg.frame)
            while ping is not None and ping.time_ns <= leg.last_time_ns:
                if ping.time_ns < leg.first_time_ns:
                    counts.left_out[_BETWEEN] += 1
                else:
                    times.begin()
                    state, tiles, reports = task.chain.step(
                        state, ping, task.trajectory, task.correction(ping), observe=times.note
                    )
                    times.end()
                    _keep(writer, tiles, reports, own)
                done += 1
                if on_ping is not None:
                    on_ping(done, total)
                ping = next(pings, None)
            _keep(writer, *task.chain.finish(state, task.trajectory), own)
            _refuse_empty(task, own)
        counts.add(own)
    while ping is not None:
        counts.left_out[_BETWEEN] += 1
        ping = next(pings, None)
    return counts


def _keep(writer: ProductWriter, tiles: list[Tile], reports: list[StepReport], counts: Counts) -> None:
    for tile in tiles:
        writer.write(tile)
    for report in reports:
        counts.take(report)


def _refuse_empty(task: ImagingTask, counts: Counts) -> None:
    if counts.imaged == 0:
        why = "; ".join(f"{n} pings: {reason}" for reason, n in counts.left_out.items())
        raise DataError(
            f"{task.recording.path}: no ping could be imaged ({why}); allowed: one or more good pings."
        )


def _compile(chain: Chain, ping: Ping, trajectory: Trajectory) -> None:
    """Run one ping for nothing: afterwards every kernel is compiled and every table touched."""
    state = chain.start(StripFrame.from_course(trajectory, *(2 * [trajectory.seconds(ping.time_ns)])))
    state, _, _ = chain.step(state, ping, trajectory)
    chain.finish(state, trajectory)


def _interval(recording: Recording) -> float:
    gaps = [np.diff(recording.ping_time_ns(side).astype(np.int64)) for side in recording.sides]
    gaps = [g for g in gaps if g.size]
    return float(np.median(np.concatenate(gaps))) * 1e-9 if gaps else float("nan")
