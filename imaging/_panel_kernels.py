"""What holds for sixteen columns of the strip, a panel, while a look is laid: a column is one distance across track.

A pixel of a column lies ``s`` beyond the column's reference point, on the transmitter's broadside plane and the seabed.
Squared travels (times the reference speed; distances, where rays are straight) are quadratic in ``s``; the moving array's
place, way and axis are taken at the delay of the reference point and carried to the pixel's own delay by their
derivatives. How rays bend is tabled against horizontal distance: see ``refraction.py``. All places are counted from the transmitter, so that single
precision tells hundredths of a millimetre; no phase is made of them.
"""

from __future__ import annotations

from typing import NamedTuple

import numba
import numpy as np
from numpy.typing import NDArray

from ._lanes import (
    LANES,
    downward,
    highest,
    least,
    load,
    lowest,
    most,
    root,
    same,
    spread,
    store,
    store_whole,
    total,
    transpose,
    upward,
    whole,
)
from ._native import inverse_root

__all__ = [
    "ADDED",
    "NOISE_COLUMN",
    "N_CONSTANT",
    "N_NUMBER",
    "PIXEL",
    "SEEN",
    "Sight",
    "Strip",
    "place_row",
    "tabulate_panel",
    "tabulate_ping",
]

f32 = np.float32

# Columns of the table of motion (node, 16), three numbers to a vector.
_CENTRE, _WAY, _AXIS, _TURN, NOISE_COLUMN = 0, 3, 6, 9, 12
_NOISE_RISE = 13

# Rows of a panel's numbers, (number, 16).
_OFFSET, _SENT_SQUARE, _SENT_SLOPE, _BACK_SQUARE, _BACK_SLOPE, _CLOSING, _CLOSING_SLOPE = 0, 1, 2, 3, 4, 5, 6
_PATH, _PER_METRE, _SAMPLE, _COSINE, _COSINE_SLOPE, _DRIFT, _DRIFT_SLOPE = 7, 8, 9, 10, 11, 12, 13
_NOISE, _NOISE_SLOPE, _LOW, _HIGH, _CURVE, _LEAST_SENT = 14, 15, 16, 17, 18, 19
ADDED, SEEN = 20, 21
"""Pixels of the ping so far inside field and delays, and inside the delays."""
_AT, _PART, _DOPPLER, _RAW = 22, 23, 24, 25
_READ = _RAW + LANES
N_NUMBER = _READ + LANES
_NOWHERE = f32(1e9)
"""A row that the strip does not have."""


class Sight(NamedTuple):
    """Transmitter and moving array of one ping, in the strip frame."""

    transmitter_m: NDArray[np.float64]
    """(3,)"""
    transmit_axis: NDArray[np.float64]
    """(3,) along the array at transmission."""
    first_delay_s: float
    delay_step_s: float
    """Of the nodes of ``motion``."""
    motion: NDArray[np.float32]
    """(node, 16): the array's centre from the transmitter [m], its velocity over sound speed, its direction, the turn of
    that by a metre of path, noise as backscatter, its rise by a metre of path, and two of nothing."""
    plane: NDArray[np.float64]
    """(3,) depth of the seabed at the strip's origin [m], its growth per metre ahead and per metre to starboard."""
    sound_speed_m_s: float
    """That turns times into travels."""
    ray_step_m: float
    """Of the nodes of ``rays``."""
    rays: NDArray[np.float32]
    """(node, 16) against horizontal distance from 0: stretch, curve, level, down, and twelve of nothing."""
    doppler_m: float
    """Path by which a compressed echo comes early, per closing speed over sound speed one way; 0: not corrected."""


class Strip(NamedTuple):
    """The open rows of one side, and what of a ping reaches them."""

    side_sign: float
    along_m: float
    across_m: float
    n_column: int
    first_row: int
    past_row: int
    sector_sine: float
    steepest_sine: float


# Numbers that hold for the whole ping.
(
    PIXEL,
    _PER_PIXEL,
    _FIRST_X,
    _STEP_X,
    _HEIGHT,
    _TILT,
    _SLANT,
    _AHEAD_X,
    _AHEAD_Z,
    _ROW_ZERO,
    _SECTOR,
    _LAST_COLUMN,
    _FIRST_ROW,
    _PAST_ROW,
    _PER_NODE,
    _NODE_ZERO,
    _LAST_NODE,
    _PER_RAY,
    _LAST_RAY,
    _SAMPLES_PER_METRE,
    _SAMPLE_ZERO,
    _PER_STEEPEST,
    _EARLY,
) = range(23)
N_CONSTANT = 23


@numba.njit(nogil=True, cache=True, error_model="numpy")
def tabulate_ping(sight, strip, base_row, first_delay_s, rate_hz, constant):
    """Fill the numbers that hold for the whole ping; return whether its sector can be laid on columns at all.

    ``base_row`` is the one that rows are counted from.
    """
    axis, tx, plane = sight.transmit_axis, sight.transmitter_m, sight.plane
    tilt = plane[1]
    lean = axis[0] + tilt * axis[2]
    sine_square = strip.sector_sine**2
    wide = lean**2 - sine_square * (1 + tilt**2)
    constant[PIXEL] = strip.along_m
    constant[_PER_PIXEL] = 1 / strip.along_m
    constant[_FIRST_X] = 0.5 * strip.side_sign * strip.across_m - tx[1]
    constant[_STEP_X] = strip.side_sign * strip.across_m
    constant[_HEIGHT] = plane[0] + tilt * tx[0] + plane[2] * tx[1] - tx[2]
    constant[_TILT] = tilt
    constant[_SLANT] = plane[2]
    constant[_AHEAD_X] = -axis[1] / lean
    constant[_AHEAD_Z] = -axis[2] / lean
    constant[_ROW_ZERO] = (base_row + 0.5) * strip.along_m - tx[0]
    constant[_SECTOR] = sine_square / wide
    constant[_LAST_COLUMN] = strip.n_column - 1
    constant[_FIRST_ROW] = strip.first_row - base_row
    constant[_PAST_ROW] = strip.past_row - base_row
    constant[_PER_NODE] = 1 / (sight.delay_step_s * sight.sound_speed_m_s)
    constant[_NODE_ZERO] = -sight.first_delay_s / sight.delay_step_s
    constant[_LAST_NODE] = sight.motion.shape[0] - 2
    constant[_PER_RAY] = 1 / sight.ray_step_m
    constant[_LAST_RAY] = sight.rays.shape[0] - 2
    constant[_SAMPLES_PER_METRE] = rate_hz / sight.sound_speed_m_s
    constant[_SAMPLE_ZERO] = -first_delay_s * rate_hz
    constant[_PER_STEEPEST] = 1 / strip.steepest_sine
    constant[_EARLY] = sight.doppler_m
    return wide > 0


@numba.njit(nogil=True, cache=True, error_model="numpy", inline="always")
def _read(at, last, table, number, lanes, node):
    """Read a flat table (node, 16) at sixteen places between its nodes, into rows of the panel's numbers."""
    nothing = spread(f32(0))
    below = most(least(whole(at), spread(last)), nothing)
    store_whole(node, 0, nothing, below, LANES)
    store(lanes, _PART * LANES, at - below)
    for j in range(LANES):
        k = node[j]
        here = load(table, k)
        part = spread(number[_PART, j])
        store(lanes, (_RAW + j) * LANES, here + part * (load(table, k + LANES) - here))
    transpose(lanes, _RAW * LANES, LANES, lanes, _READ * LANES, LANES)


@numba.njit(nogil=True, cache=True, error_model="numpy")
def tabulate_panel(panel, constant, motion, rays, number, lanes, node):
    """Fill one panel's numbers; return its rows, from one up to another, and how many of its pixels come too late.

    Columns beyond the strip get no pixels. ``lanes`` is ``number`` laid flat.
    """
    one, two = spread(f32(1)), spread(f32(2))
    for j in range(LANES):
        number[_AT, j] = panel * LANES + j
    column = load(lanes, _AT * LANES)
    x = column * spread(constant[_STEP_X]) + spread(constant[_FIRST_X])
    tilt = spread(constant[_TILT])
    level_z = spread(constant[_HEIGHT]) + spread(constant[_SLANT]) * x
    ahead = spread(constant[_AHEAD_X]) * x + spread(constant[_AHEAD_Z]) * level_z
    z = level_z + tilt * ahead
    horizontal_square = ahead * ahead + x * x
    straight_square = horizontal_square + z * z
    offset = spread(constant[_ROW_ZERO]) - ahead
    # Where the sector's edges cut a column: (s a)^2 = sine^2 |r|^2 along it, a quadratic in s.
    share = spread(constant[_SECTOR])
    middle = share * (ahead + tilt * z)
    reach = root(middle * middle + share * straight_square)
    per_row = spread(constant[_PER_PIXEL])
    # Pixels inside are those whose middle lies between both edges.
    low, past = (
        upward((middle - reach - offset) * per_row),
        downward((middle + reach - offset) * per_row) + one,
    )
    outside = one - same(least(column, spread(constant[_LAST_COLUMN])), column)
    low, past = low + outside * spread(_NOWHERE), past - outside * spread(_NOWHERE)
    first, last = spread(constant[_FIRST_ROW]), spread(constant[_PAST_ROW])
    begin, end = most(low, first), least(past, last)
    nothing = spread(f32(0))
    late = most(past - low, nothing) - most(end - begin, nothing)
    # A column without rows must not be taken for one with a single row.
    begin = begin + (one - same(least(begin, end - one), begin)) * spread(_NOWHERE)
    store(lanes, _LOW * LANES, begin)
    store(lanes, _HIGH * LANES, end - one)

    _read(
        root(horizontal_square) * spread(constant[_PER_RAY]), constant[_LAST_RAY], rays, number, lanes, node
    )
    stretch, curve = load(lanes, _READ * LANES), load(lanes, (_READ + 1) * LANES)
    level, down = load(lanes, (_READ + 2) * LANES), load(lanes, (_READ + 3) * LANES)
    sent_square = stretch * straight_square
    sent = root(sent_square)
    # The moving array receives the reference point after twice the way there, but for what it moves meanwhile and
    # stands off the transmitter: a step that the pixels take as well.
    path = two * sent
    at = path * spread(constant[_PER_NODE]) + spread(constant[_NODE_ZERO])
    _read(at, constant[_LAST_NODE], motion, number, lanes, node)
    d0 = ahead - load(lanes, (_READ + _CENTRE) * LANES)
    d1 = x - load(lanes, (_READ + _CENTRE + 1) * LANES)
    d2 = z - load(lanes, (_READ + _CENTRE + 2) * LANES)
    v0 = load(lanes, (_READ + _WAY) * LANES)
    v1 = load(lanes, (_READ + _WAY + 1) * LANES)
    v2 = load(lanes, (_READ + _WAY + 2) * LANES)
    a0 = load(lanes, (_READ + _AXIS) * LANES)
    a1 = load(lanes, (_READ + _AXIS + 1) * LANES)
    a2 = load(lanes, (_READ + _AXIS + 2) * LANES)
    t0 = load(lanes, (_READ + _TURN) * LANES)
    t1 = load(lanes, (_READ + _TURN + 1) * LANES)
    t2 = load(lanes, (_READ + _TURN + 2) * LANES)
    per_metre = spread(constant[_SAMPLES_PER_METRE])
    store(lanes, _OFFSET * LANES, offset)
    store(lanes, _DOPPLER * LANES, spread(constant[_EARLY]))
    store(lanes, _CURVE * LANES, curve * (one + tilt * tilt))
    store(lanes, _LEAST_SENT * LANES, root(stretch) * z * spread(constant[_PER_STEEPEST]))
    store(lanes, _SENT_SQUARE * LANES, sent_square)
    store(lanes, _SENT_SLOPE * LANES, two * curve * (ahead + tilt * z))
    store(lanes, _BACK_SQUARE * LANES, stretch * (d0 * d0 + d1 * d1 + d2 * d2))
    store(lanes, _BACK_SLOPE * LANES, two * curve * (d0 + tilt * d2))
    store(lanes, _CLOSING * LANES, d0 * v0 + d1 * v1 + d2 * v2)
    store(lanes, _CLOSING_SLOPE * LANES, v0 + tilt * v2)
    store(lanes, _PATH * LANES, path)
    store(lanes, _PER_METRE * LANES, per_metre)
    store(lanes, _SAMPLE * LANES, path * per_metre + spread(constant[_SAMPLE_ZERO]))
    store(lanes, _COSINE * LANES, level * (a0 * d0 + a1 * d1) + down * a2 * d2)
    store(lanes, _COSINE_SLOPE * LANES, level * a0 + tilt * down * a2)
    store(lanes, _DRIFT * LANES, t0 * d0 + t1 * d1 + t2 * d2 - (a0 * v0 + a1 * v1 + a2 * v2))
    store(lanes, _DRIFT_SLOPE * LANES, t0 + tilt * t2)
    store(lanes, _NOISE * LANES, load(lanes, (_READ + NOISE_COLUMN) * LANES))
    store(lanes, _NOISE_SLOPE * LANES, load(lanes, (_READ + _NOISE_RISE) * LANES))
    return int(lowest(begin)), int(highest(end)), int(total(late))


@numba.njit(nogil=True, cache=True, error_model="numpy", inline="always")
def place_row(row, lanes, along):
    """Where one row's pixels of a panel lie: sample, direction cosine, noise, and 1 where they are in the sector.

    ``row`` and ``along`` are sixteen times the same; ``lanes`` are the panel's numbers.
    """
    one = spread(f32(1))
    s = load(lanes, _OFFSET * LANES) + row * along
    curved = load(lanes, _CURVE * LANES) * s
    sent = load(lanes, _SENT_SQUARE * LANES) + s * (load(lanes, _SENT_SLOPE * LANES) + curved)
    sent = sent * inverse_root(sent)
    back = load(lanes, _BACK_SQUARE * LANES) + s * (load(lanes, _BACK_SLOPE * LANES) + curved)
    per_back = inverse_root(back)
    back = back * per_back
    near = (load(lanes, _CLOSING * LANES) + s * load(lanes, _CLOSING_SLOPE * LANES)) * per_back
    # Path beyond the reference point's, the array's way meanwhile taken into account.
    more = (sent + back - load(lanes, _PATH * LANES)) * (one - near)
    drift = load(lanes, _DRIFT * LANES) + s * load(lanes, _DRIFT_SLOPE * LANES)
    cosine = load(lanes, _COSINE * LANES) + s * load(lanes, _COSINE_SLOPE * LANES) + more * drift
    cosine = cosine * per_back * (one + near * more * per_back)
    # The peak of an echo that closes in comes early by its Doppler: each look has its own.
    peak = more - near * load(lanes, _DOPPLER * LANES)
    sample = load(lanes, _SAMPLE * LANES) + peak * load(lanes, _PER_METRE * LANES)
    noise = load(lanes, _NOISE * LANES) + more * load(lanes, _NOISE_SLOPE * LANES)
    high, low = load(lanes, _HIGH * LANES), load(lanes, _LOW * LANES)
    # Steeper than what is imaged is outside too.
    shallow = same(most(sent, load(lanes, _LEAST_SENT * LANES)), sent)
    inside = same(most(least(row, high), low), row) * shallow
    return sample, cosine, noise, inside
