"""One recording being imaged: what every leg needs, and which legs there are."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from pingloom import __version__
from pingloom.bench.legs import Leg, LegSettings, leg_name, legs
from pingloom.imaging.chain import Chain, ChainSettings
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.frames import Trajectory
from pingloom.imaging.records import Correction, Ping
from pingloom.io.checkpoint import fingerprint
from pingloom.io.corrections import Corrections
from pingloom.io.recording import Recording
from pingloom.io.settings import to_toml

__all__ = ["ImageSettings", "ImagingTask", "Part", "plan_legs", "with_altitude"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ImageSettings(ChainSettings):
    """All that can be set about imaging a recording: the chain's stages, and how the recording is cut into legs."""

    legs: LegSettings = LegSettings()


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One of so many equal parts of a recording's pings, to be merged with the others."""

    number: int
    """From 1."""
    of: int

    def __post_init__(self) -> None:
        if not 1 <= self.number <= self.of <= 10_000:
            raise ParameterError(f"part is {self.number}/{self.of}; allowed: 1/N to N/N, N at most 10000.")

    def places(self, total: int) -> tuple[int, int]:
        """First and past-last place in the order of ``total`` pings."""
        return total * (self.number - 1) // self.of, total * self.number // self.of


@dataclass(frozen=True, slots=True, kw_only=True)
class ImagingTask:
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
    part: Part | None = None

    def correction(self, ping: Ping) -> Correction | None:
        """What was estimated for a ping."""
        if self.corrections is None or ping.side not in self.corrections.sides:
            return None
        return self.corrections.row(ping.side, ping.number, ping.time_ns)

    def key(self) -> str:
        """What tells this work from other work: equal where the products would be equal."""
        return fingerprint(
            [
                __version__,
                self.recording.identity(),
                self.method,
                to_toml(self.settings),
                self.corrections,
                self.part,
            ]
        )

    def target(self, k: int) -> Path:
        """Product of leg ``k``."""
        part = "" if self.part is None else f"-part-{self.part.number}-of-{self.part.of}"
        return self.folder / f"{leg_name(self.method, k)}{part}.nc"


def with_altitude(
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


def plan_legs(task: ImagingTask) -> list[Leg]:
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
