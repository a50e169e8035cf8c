"""Where a ping's correction comes from while a recording is imaged: a table, or the estimators as the pings come in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np

from pingloom.bench.estimate_tally import Tally
from pingloom.bench.planning_navigation import planning_navigation
from pingloom.imaging.estimate.settings import EstimateSettings, StepSettings
from pingloom.imaging.estimate.side import SideEstimator, SideMemory, Told
from pingloom.imaging.frames import StripFrame, Trajectory
from pingloom.imaging.records import Correction, Ping
from pingloom.io.corrections import Corrections, SideCorrections
from pingloom.io.recording import Recording

__all__ = [
    "Corrector",
    "LiveCorrector",
    "TableCorrector",
    "first_altitude",
    "planned_altitude",
    "side_estimators",
]

_MOST_PINGS = 200
"""Pings that are looked at for a first altitude."""

Note = Callable[[str], None]


@dataclass(slots=True, eq=False)
class LiveState:
    """All that live estimation remembers: written down, it goes on as if nothing had been."""

    memory: dict[str, SideMemory]
    tally: dict[str, Tally]


class Corrector(Protocol):
    """What imaging asks before each ping."""

    def correction(self, ping: Ping, frame: StripFrame | None, note: Note) -> Correction | None:
        """What is to be corrected in this ping; ``frame`` is its leg's, None between legs."""

    def hears_from(self, position: int) -> int:
        """From which place in the order of pings it must hear them, to speak rightly from ``position`` on."""

    @property
    def state(self) -> LiveState | None:
        """What is to be written down with the chain's state."""

    def restore(self, state: LiveState | None) -> None:
        """Go on from a state that was written down."""

    def summary(self) -> dict[str, Any] | None:
        """Counts and figures by side of what was estimated; None where nothing was."""


@dataclass(frozen=True, slots=True)
class TableCorrector:
    """Corrections that were estimated before; pings without a row are imaged as they are."""

    table: Corrections

    def correction(self, ping: Ping, frame: StripFrame | None, note: Note) -> Correction | None:
        """The table's row."""
        if ping.side not in self.table.sides:
            return None
        return self.table.row(ping.side, ping.number, ping.time_ns)

    def hears_from(self, position: int) -> int:
        """A table knows each ping by itself."""
        return position

    @property
    def state(self) -> None:
        """A table remembers nothing."""

    def restore(self, state: LiveState | None) -> None:
        """Nothing to go on from."""

    def summary(self) -> None:
        """Nothing was estimated."""


@dataclass(slots=True, eq=False)
class LiveCorrector:
    """The estimators of all sides, and what they remember."""

    estimators: dict[str, SideEstimator]
    state: LiveState
    told: dict[str, list[Told]] | None = None
    """Everything that was said, where it is to be kept."""

    @classmethod
    def prepare(
        cls,
        recording: Recording,
        settings: EstimateSettings,
        *,
        planned_altitude_m: float | None = None,
        keep: bool = False,
    ) -> LiveCorrector:
        """Plan the estimators of an open recording."""
        estimators = side_estimators(recording, settings, planned_altitude_m)
        return cls(
            estimators,
            LiveState(
                memory={side: e.start() for side, e in estimators.items()},
                tally={side: Tally() for side in estimators},
            ),
            told={side: [] for side in estimators} if keep else None,
        )

    def correction(self, ping: Ping, frame: StripFrame | None, note: Note) -> Correction:
        """Estimate from this ping and what is remembered."""
        side, memory = ping.side, self.state.memory
        memory[side], told = self.estimators[side].step(memory[side], ping, frame, note)
        self.state.tally[side].add(told)
        if self.told is not None:
            self.told[side].append(told)
        return told.correction

    def hears_from(self, position: int) -> int:
        """Every ping may have taught something."""
        return 0

    def restore(self, state: LiveState | None) -> None:
        """Go on from a state that was written down."""
        if state is not None:
            self.state = state

    def summary(self) -> dict[str, Any]:
        """Counts and figures by side."""
        return {side: tally.as_dict() for side, tally in self.state.tally.items()}

    def tables(self) -> dict[str, SideCorrections]:
        """What was said, as a table of corrections."""
        return {side: _side_table(told) for side, told in (self.told or {}).items()}


def side_estimators(
    recording: Recording, settings: EstimateSettings, planned_altitude_m: float | None = None
) -> dict[str, SideEstimator]:
    """Plan the estimators of each side of an open recording."""
    platform = recording.platform()
    trajectory = Trajectory.from_platform(platform)
    planning = planning_navigation(recording, trajectory, settings)
    return {
        side: SideEstimator.prepare(
            recording.sonar(side),
            recording.water(),
            platform,
            trajectory,
            settings,
            planned_altitude_m=planned_altitude_m,
            planning=planning,
        )
        for side in recording.sides
    }


def first_altitude(recording: Recording, settings: EstimateSettings) -> float | None:
    """The first altitude that the echoes tell, to plan with where nothing else tells one; None where they don't. [m]"""
    some = replace(settings, estimate=StepSettings(channels=False, motion=False))
    estimators = side_estimators(recording, some)
    memory = {side: e.start() for side, e in estimators.items()}
    for k, ping in enumerate(recording.pings()):
        if k >= _MOST_PINGS:
            return None
        memory[ping.side], told = estimators[ping.side].step(memory[ping.side], ping, None)
        if told.bottom is not None and np.isfinite(told.bottom.altitude_m):
            # The plan need not hang on the last millimetre.
            return max(0.1, round(told.bottom.altitude_m, 1))
    return None


def planned_altitude(
    recording: Recording, trajectory: Trajectory, settings: EstimateSettings
) -> float | None:
    """From the first echoes, where settings, navigation and water depth give none; None where one of these does. [m]"""
    bottom = settings.bottom
    told = bottom.altitude_m or bottom.water_depth_m or recording.water().depth_m
    known = planning_navigation(recording, trajectory, settings).altitude_m.size
    if told or known or not settings.estimate.bottom:
        return None
    return first_altitude(recording, settings)


def _side_table(told: list[Told]) -> SideCorrections:
    order = sorted(told, key=lambda t: t.correction.number)
    columns = [t.evidence() for t in order]
    return SideCorrections(
        rows=[t.correction for t in order],
        time_ns=np.array([t.time_ns for t in order], np.uint64),
        evidence={name: np.array([c[name] for c in columns]) for name in (columns[0] if columns else {})},
    )
