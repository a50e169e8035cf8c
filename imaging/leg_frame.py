"""The frame that a vehicle chooses for a leg after its first pings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .frames import StripFrame, Trajectory
from .lay import GridSettings

__all__ = ["leg_frame"]


def leg_frame(trajectory: Trajectory, ping_time_ns: Sequence[int], grid: GridSettings) -> StripFrame:
    """The leg's frame: its planned heading, else the course over the first pings, from where the first was sent.

    Parameters
    ----------
    ping_time_ns : sequence of int
        Times of the leg's first pings of all sides, in order; more than ``grid.course_pings`` do no harm.
    """
    times = list(ping_time_ns)[: grid.course_pings]
    frame = StripFrame.from_course(trajectory, *(trajectory.seconds(times[i]) for i in (0, -1)))
    if grid.heading_deg is None:
        return frame
    return StripFrame(frame.north_m, frame.east_m, float(np.deg2rad(grid.heading_deg) % (2 * np.pi)))
