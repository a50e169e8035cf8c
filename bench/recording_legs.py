"""The legs that a recording is cut into, the same for the image and for its corrections."""

from __future__ import annotations

import numpy as np

from pingloom.bench.legs import Leg, LegSettings, legs
from pingloom.imaging.chain_settings import ChainSettings
from pingloom.imaging.errors import DataError
from pingloom.imaging.frames import Trajectory
from pingloom.imaging.leg_frame import leg_frame
from pingloom.io.recording import Recording

__all__ = ["recording_legs"]


def recording_legs(recording: Recording, trajectory: Trajectory, settings: ChainSettings) -> list[Leg]:
    """The recording's legs; one that holds all its pings where there are not two or more with a turn between.

    Settings that say nothing of legs take the recording as one.
    """
    times = np.sort(np.concatenate([recording.ping_time_ns(side) for side in recording.sides])).astype(
        np.int64
    )
    frame = leg_frame(trajectory, times.tolist(), settings.grid)
    whole = [Leg(int(times[0]), int(times[-1]), frame)]
    cut = getattr(settings, "legs", LegSettings(mode="whole"))
    # A planned heading speaks of one leg.
    if cut.mode == "whole" or (cut.mode == "found" and settings.grid.heading_deg is not None):
        return whole
    inside = [t for t in times if trajectory.covers(*(2 * [trajectory.seconds(int(t))]))]
    if not inside:
        return whole
    try:
        # The course of the whole leg: its first pings are still at the end of a turn.
        found = legs(trajectory, inside, cut)
    except DataError:
        if cut.mode == "planned":
            raise
        return whole
    # A single leg is imaged to its last ping: a vehicle that swings is no reason to leave the ends away.
    return found if len(found) > 1 or cut.mode == "planned" else whole
