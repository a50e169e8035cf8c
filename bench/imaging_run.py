"""Running the chain over a recording: files in, products and timings out."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from pingloom.bench.console import refuse_existing
from pingloom.bench.imaging_plan import plan_imaging
from pingloom.bench.imaging_task import ImageSettings, ImagingTask, Part
from pingloom.bench.leg_loop import LegLoop
from pingloom.bench.recording_legs import recording_legs
from pingloom.bench.repeated import Repeated
from pingloom.bench.resuming import Keeper
from pingloom.bench.run_report import Counts, Followed, ImagingRun, StageTimes, note_run
from pingloom.imaging.chain import Chain, ChainSettings, Method
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.frames import StripFrame, Trajectory
from pingloom.imaging.records import Ping
from pingloom.io.corrections import Corrections
from pingloom.io.recording import Recording, open_recording

__all__ = ["ImageSettings", "ImagingRun", "compile_chain", "image_opened", "image_recording", "report_run"]


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
    checkpoint_pings: int = 0,
    resume: bool = False,
    repeat: int = 1,
    part: Part | None = None,
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
        What was estimated for each ping; pings without a row are imaged as they are. Without a table the estimators
        that ``settings.estimate`` names run ping by ping; plain chain settings name none.
    checkpoint_pings : int
        Write the state down every so many pings; 0: never. An exception after the first state, from ``on_ping`` as
        well, leaves a state to go on from.
    resume : bool
        Go on from a state that an interrupted run left in the folder; the products' bytes are those of a run that was
        never interrupted.
    repeat : int
        Image the recording so many times over, each time further along: a stand-in for a line of hours.
    part : Part, optional
        Image this part of the pings alone, into ``<method>-part-1-of-2.nc`` and the like, on the whole line's grid and with
        the sums that :func:`~pingloom.bench.merging.merge_parts` adds up.

    Raises
    ------
    ParameterError, DataError
        If the recording or a setting does not allow an image; nothing stays under the final name then.
    """
    settings = settings or ImageSettings()
    if repeat != 1 and corrections is not None:
        raise ParameterError(
            "corrections belong to the pings of one pass; allowed: repeat without corrections."
        )
    if part is not None and method != "multilook":
        raise ParameterError(f"a part is asked of method {method!r}; allowed: multilook, whose looks add up.")
    folder = Path(folder)
    if folder.exists() and not folder.is_dir():
        raise ParameterError(f"{folder} is a file; allowed: a folder. Give another name.")
    if not resume and part is None:
        refuse_existing(folder / f"{method}.nc", overwrite=overwrite)
    with open_recording(path) as own:
        return image_opened(
            own if repeat == 1 else Repeated(own, repeat),
            folder,
            method=method,
            settings=settings,
            overwrite=overwrite,
            on_ping=on_ping,
            before_rename=before_rename,
            corrections=corrections,
            checkpoint_pings=checkpoint_pings,
            resume=resume,
            part=part,
        )


def image_opened(
    recording: Recording,
    folder: Path,
    *,
    method: Method,
    settings: ChainSettings,
    overwrite: bool,
    on_ping: Callable[[int, int], None] | None,
    before_rename: Callable[[], None] | None,
    corrections: Corrections | None = None,
    checkpoint_pings: int = 0,
    resume: bool = False,
    part: Part | None = None,
) -> ImagingRun:
    """Image an open recording as far as it was read; as :func:`image_recording`."""
    start = time.perf_counter()
    _ = recording.origin  # refused here if missing, before minutes are spent and a folder is made
    total = sum(recording.n_ping(side) for side in recording.sides)
    if total == 0:
        raise ParameterError(
            f"{recording.path} holds no ping; allowed: one or more. Was the recording cut off at once?"
        )
    planned = plan_imaging(recording, settings, method, corrections)
    compile_chain(planned.chain, next(recording.pings()), planned.trajectory)
    first_ping_s = time.perf_counter() - start
    task = ImagingTask(
        recording=recording,
        chain=planned.chain,
        trajectory=planned.trajectory,
        folder=folder,
        method=method,
        settings=planned.settings,
        overwrite=overwrite,
        before_rename=before_rename,
        corrections=corrections,
        part=part,
        corrector=planned.corrector,
    )
    plan = recording_legs(recording, planned.trajectory, planned.settings)
    targets = [task.target(k) for k in range(len(plan))]
    times = StageTimes()
    with Keeper(targets, every=checkpoint_pings, resume=resume, key=task.key) as keeper:
        _refuse_targets(targets, keeper, overwrite=overwrite)
        folder.mkdir(parents=True, exist_ok=True)
        resumed_after = 0 if keeper.saved is None else keeper.saved.position
        loop = LegLoop(task, plan, keeper, times, on_ping)
        counts = loop.run()
    run = report_run(
        task,
        [targets[k] for k in loop.made],
        counts,
        times,
        first_ping_s=first_ping_s,
        wall_s=time.perf_counter() - start,
        resumed_after=resumed_after,
    )
    note_run(folder / "run.json", run)
    return run


def report_run(
    task: ImagingTask,
    products: Sequence[Path],
    counts: Counts,
    times: StageTimes,
    *,
    first_ping_s: float,
    wall_s: float,
    resumed_after: int = 0,
    followed: Followed | None = None,
) -> ImagingRun:
    """What there is to say of a run once its products are written."""
    recording, chain = task.recording, task.chain
    corrected = task.settings.compress.motion_within_pulse == "corrected"
    return ImagingRun(
        method=task.method,
        products=tuple(products),
        n_ping=sum(recording.n_ping(side) for side in recording.sides),
        resumed_after=resumed_after,
        left_out=dict(counts.left_out),
        estimated=None if task.corrector is None else task.corrector.summary(),
        late_pixels=counts.late_pixels,
        uncovered_pixels=counts.uncovered_pixels,
        rays=chain.water.reason,
        pulse_motion_cells=0.0 if corrected else chain.pulse_motion_cells,
        simulated=recording.seed is not None,
        interval_s=_interval(recording),
        n_side=len(recording.sides),
        first_ping_s=first_ping_s,
        stage_ms=times.median_ms(),
        ping_ms=times.total_ms(),
        tenth_ms=[1e3 * t.median_s() for t in times.tenths],
        resident_mb=times.resident_mb,
        wall_s=wall_s,
        followed=followed,
    )


def _refuse_targets(targets: list[Path], keeper: Keeper, *, overwrite: bool) -> None:
    """Refuse to replace products, but for the one that an interrupted run may just have named."""
    first = 0 if keeper.saved is None else keeper.saved.leg
    for k, target in enumerate(targets):
        if k < first and not target.exists():
            raise DataError(
                f"{target} is gone, which the interrupted run had finished; allowed: going on with all that it made. "
                "Leave out --resume to begin afresh."
            )
        if k > first or (k == first and keeper.saved is None):
            refuse_existing(target, overwrite=overwrite)


def compile_chain(chain: Chain, ping: Ping, trajectory: Trajectory) -> None:
    """Run one ping for nothing: afterwards every kernel is compiled and every table touched."""
    state = chain.start(StripFrame.from_course(trajectory, *(2 * [trajectory.seconds(ping.time_ns)])))
    state, _, _ = chain.step(state, ping, trajectory)
    chain.finish(state, trajectory)


def _interval(recording: Recording) -> float:
    gaps = [np.diff(recording.ping_time_ns(side).astype(np.int64)) for side in recording.sides]
    gaps = [g for g in gaps if g.size]
    return float(np.median(np.concatenate(gaps))) * 1e-9 if gaps else float("nan")
