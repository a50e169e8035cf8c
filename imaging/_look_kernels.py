"""Small tables of one look: the array's motion, the rays, the weights, and what it shares with the looks before it."""

from __future__ import annotations

import numba
import numpy as np

__all__ = ["share_speckle", "tabulate_gain", "tabulate_motion", "tabulate_rays"]

_NOISE = 12


@numba.njit(nogil=True, cache=True, error_model="numpy")
def tabulate_motion(
    transmitter, centre, velocity, axes, noise, noise_power, sound_speed, delay_step_s, motion
):
    """Fill the table of motion (node, 16) that ``_panel_kernels.Sight`` describes.

    ``noise`` (node,) is what a unit of noise power becomes, infinite where there is no seabed.
    """
    n = motion.shape[0]
    step = delay_step_s * sound_speed
    for k in range(n):
        for d in range(3):
            motion[k, d] = centre[k, d] - transmitter[d]
            motion[k, 3 + d] = velocity[k, d] / sound_speed
            motion[k, 6 + d] = axes[k, 0, d]
        motion[k, _NOISE] = noise[k] * noise_power if noise[k] < np.inf else 0.0
    for k in range(n):
        i = min(k, n - 2)
        for d in range(3):
            motion[k, 9 + d] = (axes[i + 1, 0, d] - axes[i, 0, d]) / step
        motion[k, _NOISE + 1] = (motion[i + 1, _NOISE] - motion[i, _NOISE]) / step


@numba.njit(nogil=True, cache=True)
def tabulate_rays(factor, rays):
    """Copy the factors (4, node) of the rays into their table (node, 16)."""
    for i in range(4):
        for k in range(rays.shape[0]):
            rays[k, i] = factor[i, k]


@numba.njit(nogil=True, cache=True)
def tabulate_gain(relative_gain, gain):
    """Fill the gain (32,) at sixteen equally spaced directions and its rise to the next from (u,) over the same span."""
    last, n = relative_gain.size - 1, gain.size // 2
    before = relative_gain[0]
    for i in range(n):
        at = (i + 1) * last / n
        k = min(int(at), last - 1)
        after = relative_gain[k] + (at - k) * (relative_gain[k + 1] - relative_gain[k])
        gain[i] = before
        gain[n + i] = after - before
        before = after


@numba.njit(nogil=True, cache=True, error_model="numpy")
def share_speckle(transmitter, centre, axis, overlap_step_m, overlap, history, shared):
    """Fill what each look before this one adds to its share in the sum of squared weights; return their number.

    Parameters
    ----------
    transmitter, centre, axis : (3,)
        Of this look; the two-way phase centre lies half way between the first two.
    overlap : (k,)
        Field correlation of two looks against their distance along the array, from 0, ``overlap_step_m`` apart.
    history : (n, 3)
        Phase centres of the looks before, newest first, NaN where there is none; this one is put in front.
    shared : (n,)
        Twice the squared correlations. Looks so far back that they share nothing are not counted.
    """
    n, last = history.shape[0], overlap.size - 1
    count = known = 0
    for i in range(n):
        apart = 0.0
        for d in range(3):
            apart += (history[i, d] - (transmitter[d] + centre[d]) / 2) * axis[d]
        if not abs(apart) < np.inf:
            continue
        at = min(abs(apart) / overlap_step_m, last - 1e-9)
        k = int(at)
        rho = overlap[k] + (at - k) * (overlap[k + 1] - overlap[k])
        shared[known] = 2 * rho * rho
        known += 1
        if rho != 0:
            count = known
    for i in range(n - 1, 0, -1):
        for d in range(3):
            history[i, d] = history[i - 1, d]
    for d in range(3):
        history[0, d] = (transmitter[d] + centre[d]) / 2
    return count
