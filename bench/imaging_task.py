"""One recording being imaged: what every leg needs, and where its corrections come from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from pingloom import __version__
from pingloom.bench.correctors import Corrector, LiveCorrector, TableCorrector, planned_altitude
from pingloom.bench.legs import LegSettings, leg_name
from pingloom.imaging.chain import Chain, ChainSettings
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.estimate.settings import EstimateSettings
from pingloom.imaging.frames import Trajectory
from pingloom.io.checkpoint import fingerprint
from pingloom.io.corrections import Corrections
from pingloom.io.recording import Recording
from pingloom.io.settings import to_toml

__all__ = ["ImageSettings", "ImagingTask", "Part", "choose_corrector"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ImageSettings(EstimateSettings):
    """All that can be set about imaging a recording: the chain's stages, the estimators, and the cut into legs."""

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
    """Estimated before."""
    corrector: Corrector | None
    """Where corrections come from; None: there are none."""
    part: Part | None = None

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


def choose_corrector(
    settings: ChainSettings, trajectory: Trajectory, recording: Recording, corrections: Corrections | None
) -> tuple[Corrector | None, ChainSettings]:
    """Where corrections come from; and settings that know an altitude to plan with, if a table or echoes tell one."""
    if corrections is not None:
        if not set(corrections.sides) & set(recording.sides):
            raise DataError(
                f"the table of corrections holds {', '.join(sorted(corrections.sides))}, {recording.path} "
                f"{', '.join(sorted(recording.sides))}; allowed: corrections of this recording. Estimate them anew."
            )
        return TableCorrector(corrections), _with_altitude(settings, trajectory, recording, corrections)
    if not isinstance(settings, EstimateSettings) or not settings.estimate.any:
        return None, settings
    altitude = planned_altitude(recording, trajectory, settings)
    live = LiveCorrector.prepare(recording, settings, planned_altitude_m=altitude)
    if altitude is not None:
        settings = replace(settings, bottom=replace(settings.bottom, altitude_m=altitude))
    return live, settings


def _with_altitude(
    settings: ChainSettings, trajectory: Trajectory, recording: Recording, corrections: Corrections
) -> ChainSettings:
    """Where nothing else tells the altitude, the median of the estimated ones serves for planning."""
    bottom = settings.bottom
    told = (
        bottom.altitude_m or bottom.water_depth_m or recording.water().depth_m or trajectory.altitude_m.size
    )
    found = [row.altitude_m for own in corrections.sides.values() for row in own.rows]
    found = [altitude for altitude in found if np.isfinite(altitude)]
    if told or not found:
        return settings
    return replace(settings, bottom=replace(bottom, altitude_m=float(np.median(found))))
