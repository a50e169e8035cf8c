"""Straight rays or bent ones: decided once for a recording, by what straight rays would do to its image."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from .beamform import Beamformer
from .compress import Compressor
from .errors import DataError
from .frames import Trajectory
from .lay import Grid, GridSettings, half_power_width, pulse_width
from .refraction import RayMode, WaterColumn

__all__ = ["choose_rays"]

_MARGIN = 1.2
"""Rays are tabled beyond the strip by this: a turned sector looks obliquely at its edge."""


def choose_rays(
    column: WaterColumn,
    mode: RayMode,
    grid: Grid,
    settings: GridSettings,
    sides: Sequence[tuple[Compressor, Beamformer]],
    trajectory: Trajectory,
    *,
    altitude_m: float,
    water_depth_m: float | None,
    line: Trajectory | None = None,
) -> WaterColumn:
    """Table rays over the strip and choose how they are traced; the choice says why in its ``reason``.

    Parameters
    ----------
    altitude_m : float
        Least or given one, where the trajectory knows none. [m]
    line : Trajectory, optional
        Of the whole line where ``trajectory`` is that of its first pings: where it asks for another choice it decides.

    Raises
    ------
    ParameterError
        If exact rays are asked for without a profile.
    """
    range_m = grid.n_column * grid.across_m
    nodes = np.linspace(0.0, _MARGIN * range_m, column.horizontal_m.size)
    column = replace(column, horizontal_m=nodes)
    chosen = _chosen(column, mode, grid, settings, sides, trajectory, altitude_m, water_depth_m)
    if line is None or column.profile_depth_m is None:
        return chosen
    whole = _chosen(column, mode, grid, settings, sides, line, altitude_m, water_depth_m)
    return chosen if chosen.exact == whole.exact else whole


def _chosen(
    column: WaterColumn,
    mode: RayMode,
    grid: Grid,
    settings: GridSettings,
    sides: Sequence[tuple[Compressor, Beamformer]],
    trajectory: Trajectory,
    altitude_m: float,
    water_depth_m: float | None,
) -> WaterColumn:
    range_m = grid.n_column * grid.across_m
    depth = trajectory.value[:, 2]
    # Depths as they occur, with the altitude of their time.
    rows = np.unique(np.argsort(depth)[np.linspace(0, depth.size - 1, 5).round().astype(int)])
    poses = []
    for row in rows:
        try:
            altitude = trajectory.altitude(float(trajectory.time_s[row]), water_depth_m)
        except DataError:
            altitude = altitude_m
        poses.append((float(depth[row]), altitude))
    return column.decided(
        mode,
        np.array(poses),
        range_m=range_m,
        cell_m=min(pulse_width(c) for c, _ in sides) * column.reference_m_s / 2,
        beam=min(half_power_width(b) for _, b in sides),
        steepest_rad=float(np.deg2rad(settings.steepest_grazing_deg)),
        pitch_rad=float(np.abs(trajectory.value[:, 4]).max()),
        half_sector_rad=max(b.sector_half_rad for _, b in sides),
    )
