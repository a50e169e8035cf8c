"""Running the chain over a recording: files in, products, pictures and timings out."""

from __future__ import annotations

import json
import os
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from pingloom import __version__
from pingloom.bench.console import as_json, refuse_existing
from pingloom.bench.georeference import grid_factors, to_projected, utm_epsg
from pingloom.bench.legs import Leg, LegSettings, leg_name, legs
from pingloom.imaging.chain import Chain, ChainSettings, Method, StepReport
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.frames import StripFrame, Trajectory
from pingloom.imaging.records import Correction, Ping
from pingloom.io.corrections import Corrections
from pingloom.io.product import Product, read_product
from pingloom.io.product_layout import Georeference
from pingloom.io.product_writer import ProductWriter
from pingloom.io.recording import Recording, open_recording
from pingloom.io.settings import to_toml

__all__ = ["ImageSettings", "ImagingRun", "StageTimes", "draw_product", "image_recording", "level_label"]


@dataclass(slots=True)
class StageTimes:
    """Wall time of each stage of each ping, outside the chain, which knows no clock."""

    seconds: dict[str, list[float]] = field(default_factory=dict)
    per_ping: list[float] = field(default_factory=list)
    _last: float = 0.0

    def begin(self) -> None:
        """A ping comes in."""
        self._last = time.perf_counter()

    def note(self, stage: str) -> None:
        """A stage has run."""
        now = time.perf_counter()
        self.seconds.setdefault(stage, []).append(now - self._last)
        self._last = now

    def median_ms(self) -> dict[str, float]:
        """Median of each stage. [ms]"""
        return {stage: 1e3 * float(np.median(s)) for stage, s in self.seconds.items()}

    def total_ms(self) -> float:
        """Median of a whole ping. [ms]"""
        if not self.seconds:
            return float("nan")
        n = min(len(s) for s in self.seconds.values())
        return 1e3 * float(np.median(np.sum([s[:n] for s in self.seconds.values()], axis=0)))


@dataclass(frozen=True, slots=True, kw_only=True)
class ImagingRun:
    """What one run of the chain made and took."""

    method: str
    products: tuple[Path, ...]
    """One for each leg."""
    n_ping: int
    left_out: dict[str, int]
    """Pings left out, by reason."""
    late_pixels: int
    uncovered_pixels: int
    interval_s: float
    """Median time from ping to ping of a side."""
    n_side: int
    first_ping_s: float
    """Planning, compilation and the first ping."""
    stage_ms: dict[str, float]
    ping_ms: float
    wall_s: float

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
            "left_out": self.left_out,
            "late_pixels": self.late_pixels,
            "uncovered_pixels": self.uncovered_pixels,
            "ping_interval_ms": 1e3 * self.interval_s,
            "first_ping_s_compilation_included": self.first_ping_s,
            "stage_median_ms": self.stage_ms,
            "ping_median_ms": self.ping_ms,
            "real_time_factor": self.real_time_factor,
            "wall_s": self.wall_s,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class ImageSettings(ChainSettings):
    """All that can be set about imaging a recording: the chain's stages, and how the recording is cut into legs."""

    legs: LegSettings = LegSettings()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Task:
    """One recording being imaged: what every leg needs."""

    recording: Recording
    chain: Chain
    trajectory: Trajectory
    folder: Path
    method: str
    settings: ChainSettings
    overwrite: bool
    before_rename: Callable[[], None] | None
    corrections: Corrections | None

    def correction(self, ping: Ping) -> Correction | None:
        """What was estimated for a ping."""
        if self.corrections is None or ping.side not in self.corrections.sides:
            return None
        return self.corrections.row(ping.side, ping.number, ping.time_ns)

    def target(self, k: int) -> Path:
        """Product of leg ``k``."""
        return self.folder / f"{leg_name(self.method, k)}.nc"


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
        settings = _with_altitude(settings, trajectory, recording, corrections)
        chain = Chain.prepare(sonars, recording.water(), trajectory, settings, method)
        _compile(chain, next(recording.pings()), trajectory)
        first_ping_s = time.perf_counter() - start
        task = _Task(
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
        plan = _legs(task)
        for k in range(len(plan)):
            refuse_existing(task.target(k), overwrite=overwrite)
        folder.mkdir(parents=True, exist_ok=True)
        times = StageTimes()
        reports = _image_legs(task, plan, times, on_ping, total)
        run = ImagingRun(
            method=method,
            products=tuple(task.target(k) for k in range(len(plan))),
            n_ping=total,
            left_out=dict(Counter(report.reason for report in reports if report.reason)),
            late_pixels=sum(r.late for r in reports),
            uncovered_pixels=sum(r.uncovered for r in reports),
            interval_s=_interval(recording),
            n_side=len(recording.sides),
            first_ping_s=first_ping_s,
            stage_ms=times.median_ms(),
            ping_ms=times.total_ms(),
            wall_s=time.perf_counter() - start,
        )
    _note_run(folder / "run.json", run)
    return run


def _with_altitude(
    settings: ChainSettings, trajectory: Trajectory, recording: Recording, corrections: Corrections | None
) -> ChainSettings:
    """Where nothing else tells the altitude, the median of the estimated ones serves for planning."""
    bottom = settings.bottom
    told = (
        bottom.altitude_m or bottom.water_depth_m or recording.water().depth_m or trajectory.altitude_m.size
    )
    if told or corrections is None:
        return settings
    found = [row.altitude_m for own in corrections.sides.values() for row in own.rows]
    found = [altitude for altitude in found if np.isfinite(altitude)]
    if not found:
        return settings
    return replace(settings, bottom=replace(bottom, altitude_m=float(np.median(found))))


def _legs(task: _Task) -> list[Leg]:
    """The recording's legs; one that holds all its pings where there are not two or more with a turn between."""
    recording, chain = task.recording, task.chain
    times = np.sort(np.concatenate([recording.ping_time_ns(side) for side in recording.sides])).astype(
        np.int64
    )
    whole = [Leg(int(times[0]), int(times[-1]), chain.leg_frame(task.trajectory, times.tolist()))]
    settings = getattr(task.settings, "legs", LegSettings(mode="whole"))
    # A planned heading speaks of one leg.
    if settings.mode == "whole" or (settings.mode == "found" and task.settings.grid.heading_deg is not None):
        return whole
    inside = [t for t in times if task.trajectory.covers(*(2 * [task.trajectory.seconds(int(t))]))]
    if not inside:
        return whole
    try:
        # The course of the whole leg: its first pings are still at the end of a turn.
        found = legs(task.trajectory, inside, settings)
    except DataError:
        if settings.mode == "planned":
            raise
        return whole
    # A single leg is imaged to its last ping: a vehicle that swings is no reason to leave the ends away.
    return found if len(found) > 1 or settings.mode == "planned" else whole


def _image_legs(
    task: _Task, plan: list[Leg], times: StageTimes, on_ping: Callable[[int, int], None] | None, total: int
) -> list[StepReport]:
    """Image leg after leg; what was sent in turns is counted and left."""
    reports: list[StepReport] = []
    pings, done = task.recording.pings(), 0
    ping: Ping | None = next(pings, None)
    for k, leg in enumerate(plan):
        own: list[StepReport] = []
        with _writer(task, k, leg) as writer:
            state = task.chain.start(leg.frame)
            while ping is not None and ping.time_ns <= leg.last_time_ns:
                if ping.time_ns < leg.first_time_ns:
                    reports.append(_between(ping))
                else:
                    times.begin()
                    state, tiles, new = task.chain.step(
                        state, ping, task.trajectory, task.correction(ping), observe=times.note
                    )
                    own += new
                    for tile in tiles:
                        writer.write(tile)
                done += 1
                if on_ping is not None:
                    on_ping(done, total)
                ping = next(pings, None)
            tiles, new = task.chain.finish(state, task.trajectory)
            for tile in tiles:
                writer.write(tile)
            own += new
            _refuse_empty(task, own)
        reports += own
    while ping is not None:
        reports.append(_between(ping))
        ping = next(pings, None)
    return reports


def _between(ping: Ping) -> StepReport:
    return StepReport(ping.side, ping.number, 0, 0, 0, float("nan"), "sent between the legs")


def _refuse_empty(task: _Task, reports: list[StepReport]) -> None:
    reasons = Counter(report.reason for report in reports if report.reason)
    if reasons.total() == len(reports):
        why = "; ".join(f"{n} pings: {reason}" for reason, n in reasons.items())
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


def _writer(task: _Task, k: int, leg: Leg) -> ProductWriter:
    recording, chain, frame = task.recording, task.chain, leg.frame
    return ProductWriter(
        task.target(k),
        method=task.method,
        along_m=chain.grid.along_m,
        across_m=chain.grid.across_m,
        sides=recording.sides,
        strip_origin_north_m=frame.north_m,
        strip_origin_east_m=frame.east_m,
        strip_heading_rad=frame.heading_rad,
        calibrated=all(recording.sonar(side).is_calibrated for side in recording.sides),
        settings=to_toml(task.settings),
        provenance={
            "pingloom": __version__,
            "recording": recording.identity(),
            "recording_title": recording.title,
            "seed": recording.seed,
            "leg": {"first_time_ns": leg.first_time_ns, "last_time_ns": leg.last_time_ns},
            "cells": {side: _cells(task, side, leg) for side in chain.sides},
        },
        georeference=_georeference(recording, frame),
        title=f"{recording.title} ({leg_name(task.method, k)})",
        attributes={
            "comment": "Not an all-clear for ordnance or obstructions; not for navigation. See the cautions of pingloom."
        },
        overwrite=task.overwrite,
        before_rename=task.before_rename,
    )


def _cells(task: _Task, side: str, leg: Leg) -> dict[str, float]:
    """What measures on the product need to know of the sonar."""
    chain, trajectory = task.chain, task.trajectory
    plan = chain.sides[side]
    middle = trajectory.seconds((leg.first_time_ns + leg.last_time_ns) // 2)
    altitude = chain.settings.bottom.altitude_m or trajectory.altitude(middle, chain.water_depth_m)
    return {
        "wavelength_m": plan.beamformer.wavelength_m,
        "array_length_m": plan.beamformer.frame.length_m,
        "bandwidth_hz": plan.sonar.bandwidth_hz,
        "sound_speed_m_s": chain.sound_speed_m_s,
        "altitude_m": float(altitude),
        "equivalent_cell_m": plan.radiometer.cell,
    }


def _georeference(recording: Recording, frame: StripFrame) -> Georeference | None:
    import pyproj

    latitude, longitude = recording.origin
    if not -80 <= latitude <= 84:
        return None
    epsg = utm_epsg(latitude, longitude)
    step = 100.0
    c, s = np.cos(frame.heading_rad), np.sin(frame.heading_rad)
    north = frame.north_m + step * np.array([0.0, c, -s])
    east = frame.east_m + step * np.array([0.0, s, c])
    x, y = to_projected(latitude, longitude, north, east, epsg)
    crs = pyproj.CRS.from_epsg(epsg)
    grid_factors(latitude, longitude, epsg)  # refuses places where the projection is not valid
    return Georeference(
        epsg=epsg,
        x_m=(float(x[0]), float(x[1] - x[0]) / step, float(x[2] - x[0]) / step),
        y_m=(float(y[0]), float(y[1] - y[0]) / step, float(y[2] - y[0]) / step),
        wkt=crs.to_wkt("WKT1_GDAL"),
        cf={k: v for k, v in crs.to_cf().items() if isinstance(v, str | int | float)},
    )


def _note_run(path: Path, run: ImagingRun) -> None:
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


def level_label(product: Product) -> str:
    """What a product's grey scale shows, with its unit."""
    if product.calibrated:
        return "seabed backscatter [dB re 1 m² per m²]"
    return "relative seabed backscatter [dB]"


def draw_product(
    path: Path, picture: Path, *, limits_db: tuple[float, float] | None = None, page_m=None
) -> list[Path]:
    """Draw a product as pages of PNG."""
    if not picture.parent.is_dir():
        raise ParameterError(f"{picture.parent} is no folder; allowed: an existing one. Make it first.")
    from pingloom.bench.pictures import strip_picture

    with read_product(path) as product:
        return strip_picture(
            picture,
            product.read("intensity"),
            along_m=product.along_track_m,
            across_m=product.across_track_m,
            title=product.title,
            quantity=level_label(product),
            limits_db=limits_db,
            page_m=page_m,
        )
