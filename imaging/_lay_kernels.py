"""Loops that lay a look onto the strip grid. Arrays and numbers only; the stage has checked everything.

Sixteen columns, a panel, are laid side by side as one value (``_lanes.py``): what depends on a column alone stays in
registers while the loop goes along track. The sums of a panel lie row by row, all sums of a row together, so that they
stream; row slots form a ring.
"""

from __future__ import annotations

from typing import NamedTuple

import numba
import numpy as np
from numpy.typing import NDArray

from ._field_kernels import LEAD
from ._lanes import LANES, least, load, most, same, spread, store, store_whole, whole
from ._native import pick
from ._panel_kernels import (
    ADDED,
    N_CONSTANT,
    N_NUMBER,
    PIXEL,
    SEEN,
    Sight,
    Strip,
    place_row,
    tabulate_panel,
    tabulate_ping,
)
from ._sums import COUNT, NOISE_SUM, SQUARE, TOTAL, WEIGHT, WEIGHT_SQUARE
from ._wide import FOUR, sixteen_of_eight, sixteen_of_four
from .aligned import aligned_zeros

__all__ = ["Readout", "Weights", "Work", "lay_look"]

f32 = np.float32
_ROWS = 8
"""Rows of a panel that are placed, detected and added at a time: their numbers stay near."""

# Rows of the working memory.
_FIRST, _ACROSS, _ALONG = 0, 1, 2
_GAIN, _NOISE, _INSIDE = 0, 1, 2
_LEAST_GAIN = f32(1e-6)

# Numbers that hold for the whole ping, after those of ``_panel_kernels.py``.
(
    _LEAD,
    _FIRST_SAMPLE,
    _LAST_SAMPLE,
    _TOP_BEAM,
    _BEAM_ZERO,
    _PER_COSINE,
    _N_FRACTION,
    _N_NUMBER,
    _PER_BEAM,
) = range(N_CONSTANT, N_CONSTANT + 9)


class Readout(NamedTuple):
    """How the field is read: its sampling, and filters between samples and beams."""

    first_delay_s: float
    first_sample: float
    """What lies before it, or after the last one, is not read."""
    last_sample: float
    rate_hz: float
    direction_first: float
    direction_step: float
    last_delay_s: float
    delay_taps: NDArray[np.float32]
    """Flat (fraction, 8 or 16): four or eight taps, each twice, for real and imaginary part."""
    direction_taps: NDArray[np.float32]
    """Flat (fraction, 4)."""


class Weights(NamedTuple):
    """What a look counts."""

    gain: NDArray[np.float32]
    """(32,) relative gain at sixteen equally spaced directions over all beams but the last, and its rise to the next."""
    power: int
    floor: float
    """Gain below which a look counts less, where all others count alike (power 0)."""
    look: float
    shared: NDArray[np.float32]
    """(k,) what the look before, the one before that, ... add to this one's share in the sum of squared weights;
    sixteen at most."""


class Work(NamedTuple):
    """Working memory, reused from ping to ping."""

    constant: NDArray[np.float32]
    """(32,) of one ping."""
    shares: NDArray[np.float32]
    """(32,) a look's share in the sum of squared weights after 0 to 15 looks, and what more a sixteenth adds."""
    number: NDArray[np.float32]
    """(number, 16) of one panel."""
    place: NDArray[np.int32]
    """(3, 8 x 16) of eight rows of a panel: first number in the field, places of both filters."""
    value: NDArray[np.float32]
    """(3, 8 x 16) of the same: place among the directions of the gain, noise, 1 where the pixel counts."""

    @classmethod
    def allocate(cls) -> Work:
        """Set the memory aside."""
        return cls(
            np.zeros(N_CONSTANT + 9, np.float32),
            aligned_zeros(2 * LANES),
            aligned_zeros(N_NUMBER, LANES),
            aligned_zeros(3, _ROWS * LANES).view(np.int32),
            aligned_zeros(3, _ROWS * LANES),
        )


@numba.njit(nogil=True, cache=True, error_model="numpy")
def _place(begin, n_row, stride, constant, number, place, value):
    """Where ``n_row`` rows of a panel lie in the field, counted from row ``begin``.

    What lies outside is sent to the nearest place inside, and counts nothing.
    """
    pitch = _ROWS * LANES
    nothing, one, half = spread(f32(0)), spread(f32(1)), spread(f32(0.5))
    along, lead = spread(constant[PIXEL]), spread(constant[_LEAD])
    first_sample, last_sample = spread(constant[_FIRST_SAMPLE]), spread(constant[_LAST_SAMPLE])
    top_beam, per_beam = spread(constant[_TOP_BEAM]), spread(constant[_PER_BEAM])
    beam_zero, per_cosine = spread(constant[_BEAM_ZERO]), spread(constant[_PER_COSINE])
    n_fraction, n_number = spread(constant[_N_FRACTION]), int(constant[_N_NUMBER])
    added, seen = load(number, ADDED * LANES), load(number, SEEN * LANES)
    for i in range(n_row):
        at = i * LANES
        sample, cosine, noise, inside = place_row(spread(f32(begin + i)), number, along)
        p = most(least(sample, last_sample), first_sample)
        inside = inside * same(p, sample)
        seen = seen + inside
        beam = beam_zero + cosine * per_cosine
        b = most(least(beam, top_beam), one)
        inside = inside * same(b, beam)
        added = added + inside
        below, before = whole(b), whole(p)
        # Four taps begin one beam before; those along delay as many samples as rows of the field begin earlier.
        sample = (before + lead) + (before + lead)
        store_whole(place, _FIRST * pitch + at, sample, below - one, stride)
        store_whole(place, _ACROSS * pitch + at, nothing, (b - below) * n_fraction + half, 4)
        store_whole(place, _ALONG * pitch + at, nothing, (p - before) * n_fraction + half, n_number)
        store(value, _GAIN * pitch + at, b * per_beam)
        store(value, _NOISE * pitch + at, noise)
        store(value, _INSIDE * pitch + at, inside)
    store(number, ADDED * LANES, added)
    store(number, SEEN * LANES, seen)


@numba.njit(nogil=True, cache=True)
def _tabulate_shares(shared, shares):
    """Fill a look's share in the sum of squared weights after 0 to 15 looks, and what more a sixteenth adds."""
    shares[0] = 1
    for k in range(1, LANES):
        shares[k] = shares[k - 1] + (shared[k - 1] if k <= shared.size else f32(0))
    shares[LANES] = shared[LANES - 1] if shared.size >= LANES else f32(0)


@numba.njit(nogil=True, cache=True, error_model="numpy", inline="always")
def weigh(at, gain, power, floor):
    """Weights, and weights over the gain, at sixteen places among the directions of the gain."""
    below = whole(at)
    here = pick(gain, 0, below) + (at - below) * pick(gain, LANES, below)
    one = spread(f32(1))
    if power == 0:
        per_gain = least(one / most(here, spread(_LEAST_GAIN)), one / floor)
        return least(here * (one / floor), one), per_gain
    if power == 1:
        return here, one
    return here * here, here


@numba.njit(nogil=True, cache=True, error_model="numpy")
def _accumulate(
    at,
    n_row,
    n_sum,
    intensity_of,
    flat,
    stride,
    across,
    along,
    gain,
    power,
    floor,
    look_weight,
    shares,
    place,
    value,
    sums,
):
    """Add ``n_row`` rows of a panel, with their weights, to consecutive rows of flat sums that begin at ``at``."""
    pitch = _ROWS * LANES
    look = spread(look_weight)
    for j in range(0, n_row * LANES, LANES):
        if intensity_of == FOUR:
            intensity = sixteen_of_four(flat, stride, across, along, place, j, pitch)
        else:
            intensity = sixteen_of_eight(flat, stride, across, along, place, j, pitch)
        inside = load(value, _INSIDE * pitch + j)
        use = inside * look
        weight, per_gain = weigh(load(value, _GAIN * pitch + j), gain, power, spread(floor))
        w = use * weight
        before = load(sums, at + COUNT * LANES)
        many = same(most(before, spread(f32(LANES))), before)
        share = pick(shares, 0, least(before, spread(f32(LANES - 1)))) + many * spread(shares[LANES])
        noise = use * per_gain * load(value, _NOISE * pitch + j)
        power_sum = w * intensity
        store(sums, at + TOTAL * LANES, load(sums, at + TOTAL * LANES) + power_sum)
        store(sums, at + SQUARE * LANES, load(sums, at + SQUARE * LANES) + power_sum * intensity)
        store(sums, at + WEIGHT * LANES, load(sums, at + WEIGHT * LANES) + w)
        store(sums, at + WEIGHT_SQUARE * LANES, load(sums, at + WEIGHT_SQUARE * LANES) + w * w * share)
        store(sums, at + NOISE_SUM * LANES, load(sums, at + NOISE_SUM * LANES) + noise)
        store(sums, at + COUNT * LANES, before + inside)
        at += n_sum * LANES


@numba.njit(nogil=True, cache=True, error_model="numpy")
def _lay(field, readout, sight, strip, weights, work, sums):
    """What :func:`lay_look` says, of the tuples themselves."""
    n_beam, wide = field.shape[:2]
    n_panel, n_ring, n_sum = sums.shape[:3]
    late = 0
    flat, flat_sums, stride = field.reshape(-1), sums.reshape(-1), 2 * wide
    number, place, value = work.number.reshape(-1), work.place.reshape(-1), work.value.reshape(-1)
    constant, look_weight = work.constant, f32(weights.look)
    motion, rays = sight.motion.reshape(-1), sight.rays.reshape(-1)
    gain, power, floor = weights.gain, weights.power, f32(weights.floor)
    # Rows are counted from one below the transmitter, so that single precision tells their places.
    base = int(sight.transmitter_m[0] / strip.along_m)
    if not tabulate_ping(sight, strip, base, readout.first_delay_s, readout.rate_hz, constant):
        return 0, late, 0
    last_sample = (readout.last_delay_s - readout.first_delay_s) * readout.rate_hz
    n_fraction = readout.direction_taps.size // 4
    n_tap = readout.delay_taps.size // (2 * n_fraction)
    constant[_LEAD] = LEAD - (n_tap // 2 - 1)
    constant[_FIRST_SAMPLE] = readout.first_sample
    constant[_LAST_SAMPLE] = min(last_sample, readout.last_sample)
    constant[_TOP_BEAM] = n_beam - 3
    constant[_BEAM_ZERO] = -readout.direction_first / readout.direction_step
    constant[_PER_COSINE] = 1 / readout.direction_step
    constant[_N_FRACTION] = n_fraction - 1
    constant[_N_NUMBER] = 2 * n_tap
    constant[_PER_BEAM] = LANES / (n_beam - 1)
    shares = work.shares
    _tabulate_shares(weights.shared, shares)
    work.number[ADDED] = 0
    work.number[SEEN] = 0
    for panel in range(n_panel):
        begin, end, too_late = tabulate_panel(
            panel, constant, motion, rays, work.number, number, work.place[0]
        )
        late += too_late
        slot = (base + begin) % n_ring
        while begin < end:
            n = min(end - begin, _ROWS, n_ring - slot)
            _place(begin, n, stride, constant, number, place, value)
            _accumulate(
                (panel * n_ring + slot) * n_sum * LANES,
                n,
                n_sum,
                n_tap,
                flat,
                stride,
                readout.direction_taps,
                readout.delay_taps,
                gain,
                power,
                floor,
                look_weight,
                shares,
                place,
                value,
                flat_sums,
            )
            begin += n
            slot = slot + n if slot + n < n_ring else 0
    added, seen = 0, 0
    for j in range(LANES):
        added += int(work.number[ADDED, j])
        seen += int(work.number[SEEN, j])
    return added, late, seen - added


@numba.njit(nogil=True, cache=True, error_model="numpy")
def lay_look(
    field,
    sums,
    first_delay_s,
    first_sample,
    last_sample,
    rate_hz,
    direction_first,
    direction_step,
    last_delay_s,
    delay_taps,
    direction_taps,
    transmitter_m,
    transmit_axis,
    first_node_s,
    delay_step_s,
    motion,
    plane,
    sound_speed_m_s,
    ray_step_m,
    rays,
    doppler_m,
    side_sign,
    along_m,
    across_m,
    n_column,
    first_row,
    past_row,
    sector_sine,
    steepest_sine,
    gain,
    power,
    floor,
    look,
    shared,
    constant,
    shares,
    number,
    place,
    value,
):
    """Add one ping's look to the sums (panel, row slot, sum, 16); return pixels added, late and uncovered.

    ``field`` (beam, row, 2) begins with ``LEAD`` zeros. The rest are the members of ``Readout``, ``Sight``, ``Strip``,
    ``Weights`` and ``Work`` in their order: handed over as tuples they would take three microseconds more a call.
    """
    readout = Readout(
        first_delay_s,
        first_sample,
        last_sample,
        rate_hz,
        direction_first,
        direction_step,
        last_delay_s,
        delay_taps,
        direction_taps,
    )
    sight = Sight(
        transmitter_m,
        transmit_axis,
        first_node_s,
        delay_step_s,
        motion,
        plane,
        sound_speed_m_s,
        ray_step_m,
        rays,
        doppler_m,
    )
    strip = Strip(side_sign, along_m, across_m, n_column, first_row, past_row, sector_sine, steepest_sine)
    weights = Weights(gain, power, floor, look, shared)
    work = Work(constant, shares, number, place, value)
    return _lay(field, readout, sight, strip, weights, work, sums)
