"""The product of one leg: its writer, with all that the file says of itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pingloom import __version__
from pingloom.bench.imaging_task import ImagingTask
from pingloom.bench.legs import Leg, leg_name
from pingloom.bench.strip_place import strip_georeference
from pingloom.imaging.chain import ChainSettings
from pingloom.io.product_layout import Georeference
from pingloom.io.product_writer import ProductWriter
from pingloom.io.settings import to_toml
from pingloom.io.tile_spool import TileSpool

__all__ = ["leg_writer"]


def leg_writer(
    task: ImagingTask, k: int, leg: Leg, spool: TileSpool | None = None, *, overwrite: bool = False
) -> ProductWriter:
    """Make the writer of leg ``k``; ``spool`` holds the tiles that an interrupted run had finished."""
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
        settings=to_toml(_telling(task.settings)),
        provenance={
            "pingloom": __version__,
            "recording": recording.identity(),
            "recording_title": recording.title,
            "seed": recording.seed,
            "leg": {"first_time_ns": leg.first_time_ns, "last_time_ns": leg.last_time_ns},
            "rays": chain.water.reason,
            **({} if task.part is None else {"part": {"number": task.part.number, "of": task.part.of}}),
            "cells": {side: _cells(task, side, leg) for side in chain.sides},
        },
        georeference=_georeference(task, leg),
        title=f"{recording.title} ({leg_name(task.method, k)})",
        attributes={
            "comment": "Not an all-clear for ordnance or obstructions; not for navigation. See the cautions of pingloom."
        },
        overwrite=overwrite,
        before_rename=task.before_rename,
        spool=spool,
    )


def _cells(task: ImagingTask, side: str, leg: Leg) -> dict[str, float]:
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


def _telling(settings: ChainSettings) -> ChainSettings:
    """The settings without what changes no byte of the image: how rows are cut into tiles on the way."""
    rows = type(settings.grid)().tile_rows
    return replace(settings, grid=replace(settings.grid, tile_rows=rows))


def _georeference(task: ImagingTask, leg: Leg) -> Georeference | None:
    """Fitted over all that the leg's pings may see."""
    chain, trajectory = task.chain, task.trajectory
    ends = np.clip([trajectory.seconds(t) for t in leg[:2]], trajectory.time_s[0], trajectory.time_s[-1])
    along = leg.frame.to_strip(trajectory.pose(ends)[0][:, :3])[:, 0]
    far = chain.grid.n_column * chain.grid.across_m
    ahead = far * np.tan(max(side.beamformer.sector_half_rad for side in chain.sides.values()))
    return strip_georeference(
        *task.recording.origin,
        leg.frame,
        (float(along.min() - ahead), float(along.max() + ahead)),
        (-far, far),
    )
