"""Loops of broadside lines: one beam of each ping, and the pixels between two pings' lines."""

from __future__ import annotations

import math

import numba
import numpy as np

from ._field_kernels import LEAD
from ._lanes import LANES
from ._panel_kernels import NOISE_COLUMN
from ._sums import COUNT, NOISE_SUM, SQUARE, TOTAL, WEIGHT, WEIGHT_SQUARE
from ._wide import FOUR, read_eight, read_four

__all__ = ["broadside_line", "lay_broadside"]

_FAST = {"contract", "reassoc", "nsz"}


@numba.njit(nogil=True, cache=True, fastmath=_FAST)
def broadside_line(
    field,
    readout,
    sight,
    sign,
    across_m,
    steepest_sine,
    along,
    power,
    noise,
):
    """Read the broadside beam of one ping: where it meets each column, its intensity and noise; NaN outside."""
    n_beam, wide = field.shape[:2]
    flat = field.reshape(-1)
    n_fraction = readout.direction_taps.size // 4 - 1
    n_tap = readout.delay_taps.size // (2 * (n_fraction + 1))
    lead = LEAD - (n_tap // 2 - 1)
    motion, speed = sight.motion, sight.sound_speed_m_s
    last = sight.motion.shape[0] - 1.000001
    first_s, step_s = sight.first_delay_s, sight.delay_step_s
    rays, plane = sight.rays, sight.plane
    last_ray = rays.shape[0] - 2
    # Depth of the seabed below the transmitter, and its growth.
    height = plane[0] + plane[1] * sight.transmitter_m[0] + plane[2] * sight.transmitter_m[1]
    height -= sight.transmitter_m[2]
    here = np.empty(9)
    early = sight.doppler_m / speed
    for q in range(along.size):
        along[q] = np.nan
        power[q] = np.nan
        noise[q] = np.nan
        x = sign * (q + 0.5) * across_m - sight.transmitter_m[1]
        ahead, sent, drop, near, t = 0.0, 0.0, 0.0, 0.0, first_s
        # The plane broadside of the array at reception, whose time depends on the point: fixed-point steps.
        for _ in range(4):
            at = min(max((t - first_s) / step_s, 0.0), last)
            k = int(at)
            for d in range(here.size):
                here[d] = motion[k, d] + (at - k) * (motion[k + 1, d] - motion[k, d])
            # Broadside is where the bent direction has no part along the array.
            beside = x - here[1]
            at = abs(beside) / sight.ray_step_m
            k = min(int(at), last_ray)
            level = rays[k, 2] + (at - k) * (rays[k + 1, 2] - rays[k, 2])
            down = rays[k, 3] + (at - k) * (rays[k + 1, 3] - rays[k, 3])
            below = height + plane[1] * here[0] + plane[2] * x - here[2]
            nx, ny, nz = level * here[6], level * here[7], down * here[8]
            beyond = -(ny * beside + nz * below) / (nx + nz * plane[1])
            ahead = here[0] + beyond
            drop = here[2] + below + plane[1] * beyond
            stretch = rays[k, 0] + (at - k) * (rays[k + 1, 0] - rays[k, 0])
            sent = math.sqrt(ahead**2 + x**2 + drop**2)
            back = math.sqrt(beyond**2 + beside**2 + (drop - here[2]) ** 2)
            t = math.sqrt(stretch) * (sent + back) / speed
            near = (beyond * here[3] + beside * here[4] + (drop - here[2]) * here[5]) / back
        if drop > steepest_sine * sent or t < first_s or t > readout.last_delay_s:
            continue
        p = (t - near * early - readout.first_delay_s) * readout.rate_hz
        b = -readout.direction_first / readout.direction_step
        ip = int(p)
        ib = int(b)
        if p < readout.first_sample or p > readout.last_sample or ib < 1 or ib > n_beam - 3:
            continue
        along[q] = sight.transmitter_m[0] + ahead
        in_delay = 2 * n_tap * int((p - ip) * n_fraction + 0.5)
        in_direction = 4 * int((b - ib) * n_fraction + 0.5)
        first = ((ib - 1) * wide + ip + lead) * 2
        across, along_taps = readout.direction_taps, readout.delay_taps
        if n_tap == FOUR:
            power[q] = read_four(flat, first, 2 * wide, across, in_direction, along_taps, in_delay)
        else:
            power[q] = read_eight(flat, first, 2 * wide, across, in_direction, along_taps, in_delay)
        at = min((t - first_s) / step_s, last)
        k = int(at)
        noise[q] = motion[k, NOISE_COLUMN] + (at - k) * (
            motion[k + 1, NOISE_COLUMN] - motion[k, NOISE_COLUMN]
        )


@numba.njit(nogil=True, cache=True)
def lay_broadside(
    old_along,
    old_power,
    old_noise,
    along,
    power,
    noise,
    along_m,
    gap_m,
    half_m,
    first_row,
    past_row,
    n_column,
    sums,
    filled,
):
    """Give each pixel between two broadside lines the value of the nearer one; return late pixels.

    ``sums`` (panel, row slot, sum, 16); ``filled`` (panel, row slot, 16) marks pixels further than ``half_m`` from either line. Gaps above ``gap_m`` stay open.
    """
    n_ring = sums.shape[1]
    late = 0
    for q in range(n_column):
        a = old_along[q]
        b = along[q]
        if not (abs(b - a) <= gap_m):
            # No neighbour to meet: each line then paints its own half beam only.
            continue
        low = math.ceil(min(a, b) / along_m - 0.5)
        high = math.ceil(max(a, b) / along_m - 0.5)
        for i in range(low, high):
            if i < first_row or i >= past_row:
                late += 1
                continue
            y = (i + 0.5) * along_m
            from_old = abs(y - a) <= abs(y - b)
            value = old_power[q] if from_old else power[q]
            j = i % n_ring
            panel, lane = q // LANES, q % LANES
            pixel = sums[panel, j]
            pixel[TOTAL, lane] = value
            pixel[SQUARE, lane] = value * value
            pixel[NOISE_SUM, lane] = old_noise[q] if from_old else noise[q]
            pixel[WEIGHT, lane] = 1
            pixel[WEIGHT_SQUARE, lane] = 1
            pixel[COUNT, lane] = 1
            filled[panel, j, lane] = min(abs(y - a), abs(y - b)) > half_m
    return late
