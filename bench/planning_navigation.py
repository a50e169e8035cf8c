"""The navigation that a recording's imaging is planned with, the same for the image and for its corrections."""

from __future__ import annotations

import numpy as np

from pingloom.imaging.chain_settings import ChainSettings
from pingloom.imaging.frames import Trajectory
from pingloom.imaging.planning import planning_part
from pingloom.io.recording import Recording

__all__ = ["planning_navigation"]


def planning_navigation(recording: Recording, trajectory: Trajectory, settings: ChainSettings) -> Trajectory:
    """That of the first ``grid.course_pings`` pings, or all of it where the line asks for more than those tell."""
    times = np.sort(np.concatenate([recording.ping_time_ns(side) for side in recording.sides]))
    first = times[: settings.grid.course_pings]
    return planning_part(
        trajectory,
        *(trajectory.seconds(int(first[k])) for k in (0, -1)),
        altitude_m=settings.bottom.altitude_m,
        water_depth_m=settings.bottom.water_depth_m or recording.water().depth_m,
    )
