"""What is settled about a recording before its first ping is imaged: navigation, estimators, chain."""

from __future__ import annotations

from dataclasses import dataclass

from pingloom.bench.correctors import Corrector
from pingloom.bench.imaging_task import choose_corrector
from pingloom.bench.planning_navigation import planning_navigation
from pingloom.imaging.chain import Chain, ChainSettings, Method
from pingloom.imaging.frames import Trajectory
from pingloom.io.corrections import Corrections
from pingloom.io.recording import Recording

__all__ = ["ImagingPlan", "plan_imaging"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ImagingPlan:
    """All that is slow or can fail, done once."""

    trajectory: Trajectory
    planning: Trajectory
    """What of it was planned with."""
    settings: ChainSettings
    """With the altitude that the echoes told, where nothing else did."""
    corrector: Corrector | None
    chain: Chain


def plan_imaging(
    recording: Recording, settings: ChainSettings, method: Method, corrections: Corrections | None = None
) -> ImagingPlan:
    """Plan the imaging of a recording, whole or as far as it goes.

    Raises
    ------
    ParameterError, DataError
        If the recording or a setting does not allow an image.
    """
    trajectory = Trajectory.from_platform(recording.platform())
    planning = planning_navigation(recording, trajectory, settings)
    corrector, settings = choose_corrector(settings, trajectory, recording, corrections)
    sonars = {side: recording.sonar(side) for side in recording.sides}
    chain = Chain.prepare(sonars, recording.water(), planning, settings, method, line=trajectory)
    return ImagingPlan(
        trajectory=trajectory, planning=planning, settings=settings, corrector=corrector, chain=chain
    )
