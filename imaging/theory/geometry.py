"""Slant to ground over a flat bottom, shadows, layover, coverage and ping rate. All derived."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from pingloom.imaging.errors import ParameterError

from ._check import not_negative, positive

__all__ = [
    "coverage_rate_m2_s",
    "grazing_rad",
    "ground_cell_m",
    "ground_range_m",
    "height_from_shadow_m",
    "layover_ground_range_m",
    "nadir_gap_m",
    "ping_advance_m",
    "ping_rate_ceiling_hz",
    "shadow_end_m",
    "shadow_length_m",
    "sound_speed_shift_m",
    "top_slant_range_m",
]


def ground_range_m(slant_range_m: ArrayLike, altitude_m: ArrayLike) -> Any:
    """Horizontal distance of a seabed point: sqrt(R^2 - h^2); NaN in the water column, R < h. [m]"""
    r, h = positive(slant_range_m=slant_range_m, altitude_m=altitude_m)
    square = (r - h) * (r + h)  # R^2 - h^2 without its cancellation
    return np.where(square >= 0, np.sqrt(np.maximum(square, 0)), np.nan)[()]


def grazing_rad(slant_range_m: ArrayLike, altitude_m: ArrayLike) -> Any:
    """Grazing angle: asin(h/R); NaN in the water column. [rad]"""
    _, h = positive(slant_range_m=slant_range_m, altitude_m=altitude_m)
    return np.arctan2(h, ground_range_m(slant_range_m, altitude_m))


def ground_cell_m(slant_cell_m: ArrayLike, slant_range_m: ArrayLike, altitude_m: ArrayLike) -> Any:
    """Extent on the ground of a slant-range cell: dR/cos(grazing). [m]"""
    (cell,) = positive(slant_cell_m=slant_cell_m)
    return cell / np.cos(grazing_rad(slant_range_m, altitude_m))


def _object(base_range: ArrayLike, altitude: ArrayLike, height: ArrayLike) -> tuple[Any, Any, Any]:
    x, h = positive(base_range_m=base_range, altitude_m=altitude)
    (top,) = not_negative(height_m=height)
    if np.any(top >= h):
        raise ParameterError(
            f"height_m is {np.max(top):g}; allowed: below altitude_m={np.min(h):g}, or the shadow has no end."
        )
    return x, h, top


def shadow_end_m(base_range_m: ArrayLike, altitude_m: ArrayLike, height_m: ArrayLike) -> Any:
    """Ground range at which the shadow of an object ends: x h/(h - height). [m]"""
    x, h, top = _object(base_range_m, altitude_m, height_m)
    return x * h / (h - top)


def shadow_length_m(base_range_m: ArrayLike, altitude_m: ArrayLike, height_m: ArrayLike) -> Any:
    """Length of that shadow on the ground: x height/(h - height). [m]"""
    x, h, top = _object(base_range_m, altitude_m, height_m)
    return x * top / (h - top)


def top_slant_range_m(base_range_m: ArrayLike, altitude_m: ArrayLike, height_m: ArrayLike) -> Any:
    """Slant range of the object's top. [m]"""
    x, h, top = _object(base_range_m, altitude_m, height_m)
    return np.hypot(x, h - top)


def height_from_shadow_m(altitude_m: ArrayLike, top_slant_m: ArrayLike, end_slant_m: ArrayLike) -> Any:
    """Height of an object from the slant ranges of its top and of its shadow's end. [m]"""
    h, top, end = positive(altitude_m=altitude_m, top_slant_m=top_slant_m, end_slant_m=end_slant_m)
    if np.any(end < top):
        raise ParameterError(
            f"end_slant_m is {np.min(end):g}; allowed: at least top_slant_m={np.max(top):g}: a shadow lies behind."
        )
    return h * (end - top) / end


def layover_ground_range_m(base_range_m: ArrayLike, altitude_m: ArrayLike, height_m: ArrayLike) -> Any:
    """Ground range at which a flat-bottom image draws the top of an object: nearer than its base. [m]"""
    return ground_range_m(top_slant_range_m(base_range_m, altitude_m, height_m), altitude_m)


def nadir_gap_m(altitude_m: ArrayLike, steepest_depression_rad: ArrayLike) -> Any:
    """Width under the vehicle that neither side images: 2 h/tan(depression). [m]"""
    h, steepest = positive(altitude_m=altitude_m, steepest_depression_rad=steepest_depression_rad)
    if np.any(steepest > np.pi / 2):
        raise ParameterError(
            f"steepest_depression_rad is {np.max(steepest):g}; allowed: up to pi/2. Use radians."
        )
    return 2 * h / np.tan(steepest)


def coverage_rate_m2_s(speed_m_s: ArrayLike, swath_end_m: ArrayLike, gap_m: ArrayLike = 0.0) -> Any:
    """Area imaged in a second on two sides: speed (2 swath end - gap). [m^2/s]

    Parameters
    ----------
    swath_end_m : array_like
        Outer end of each side's swath. [m]
    """
    v, end = positive(speed_m_s=speed_m_s, swath_end_m=swath_end_m)
    (gap,) = not_negative(gap_m=gap_m)
    return v * positive(imaged_width_m=2 * end - gap)[0]


def ping_rate_ceiling_hz(range_m: ArrayLike, sound_speed_m_s: ArrayLike = 1500.0) -> Any:
    """Highest ping rate at which a range is heard before the next ping: c/(2R). [Hz]"""
    r, c = positive(range_m=range_m, sound_speed_m_s=sound_speed_m_s)
    return c / (2 * r)


def ping_advance_m(speed_m_s: ArrayLike, ping_rate_hz: ArrayLike) -> Any:
    """Way along track from ping to ping. [m]"""
    (v,) = not_negative(speed_m_s=speed_m_s)
    return v / positive(ping_rate_hz=ping_rate_hz)[0]


def sound_speed_shift_m(
    range_m: ArrayLike, speed_error_m_s: ArrayLike, sound_speed_m_s: ArrayLike = 1500.0
) -> Any:
    """Shift of a target when the believed sound speed is too high by an error: R dc/c. [m]"""
    r, c = positive(range_m=range_m, sound_speed_m_s=sound_speed_m_s)
    return r * np.asarray(speed_error_m_s, dtype=np.float64) / c
