"""Loops that lay a field onto the strip grid. Arrays and numbers only; the stage has checked everything.

Accumulators are (column, row slot): a column is one distance across track, so that the numbers which depend on
it alone stay in registers while the loop runs along track. Row slots form a ring.
"""

from __future__ import annotations

import math

import numba
import numpy as np

from ._wide import field_power

__all__ = ["broadside_line", "lay_broadside", "lay_look", "level_field"]

f32 = np.float32
_FAST = {"contract", "reassoc", "nsz"}


@numba.njit(nogil=True, cache=True, fastmath=_FAST)
def level_field(field, amplitude, node_per_sample):
    """Multiply field (beam, sample, 2) in place by amplitude (node, beam) read linearly along delay."""
    n_beam, n = field.shape[:2]
    n_node = amplitude.shape[0]
    for b in range(n_beam):
        column = amplitude[:, b]
        beam = field[b]
        # Node by node, so that the inner loop is a straight line that vectorises.
        for i in range(n_node - 1):
            first = math.ceil(i / node_per_sample)
            last = min(n, math.ceil((i + 1) / node_per_sample))
            step = f32((column[i + 1] - column[i]) * node_per_sample)
            start = f32(column[i] + step * (first - i / node_per_sample))
            for s in range(first, last):
                g = start + step * f32(s - first)
                beam[s, 0] *= g
                beam[s, 1] *= g
        for s in range(math.ceil((n_node - 1) / node_per_sample), n):
            beam[s, 0] *= column[n_node - 1]
            beam[s, 1] *= column[n_node - 1]


@numba.njit(nogil=True, cache=True)
def _rays(ray_step, ray_factor, horizontal, factor):
    """Stretch, curve, level and down of the rays to a horizontal distance, into ``factor``."""
    at = horizontal / ray_step
    k = min(int(at), ray_factor.shape[1] - 2)
    w = at - k
    for i in range(4):
        factor[i] = ray_factor[i, k] + w * (ray_factor[i, k + 1] - ray_factor[i, k])


@numba.njit(nogil=True, cache=True)
def _reach(point, tx, sent_m, stretch, delay_s, centre, sound_speed):
    """Delay at which the moving array receives a point, and the node below it, the table's end where it lies outside.

    ``sent_m`` is the travel from the transmitter.
    """
    n = delay_s.size
    step = delay_s[1] - delay_s[0]
    t = 2 * sent_m / sound_speed
    k = 0
    for _ in range(4):
        at = (t - delay_s[0]) / step
        k = min(max(math.floor(at), 0), n - 2)
        w = at - k
        square = 0.0
        for d in range(3):
            c = centre[k, d] + w * (centre[k + 1, d] - centre[k, d])
            square += (point[d] - c) ** 2
        t = (sent_m + math.sqrt(stretch * square)) / sound_speed
    return t, k


# Numbers that hold for one column, in single precision: places in a small array, since so many arguments read badly.
_SENT_SQUARE, _SENT_SLOPE, _BACK_SQUARE, _BACK_SLOPE, _CLOSING, _CLOSING_SLOPE = 0, 1, 2, 3, 4, 5
_REFERENCE, _SPEED, _U_ZERO, _U_SLOPE, _U_DRIFT, _U_DRIFT_SLOPE = 6, 7, 8, 9, 10, 11
_SAMPLE_ZERO, _SAMPLE_RATE, _BEAM_ZERO, _BEAM_SCALE, _NOISE_ZERO, _NOISE_SLOPE = 12, 13, 14, 15, 16, 17
_LEAST_SENT, _CURVE = 18, 19
_N_NUMBER = 20


@numba.njit(nogil=True, cache=True)
def _column(
    point,
    tilt,
    sent_m,
    ray,
    t0,
    k,
    tx,
    delay_s,
    centre,
    velocity,
    axis,
    sound_speed,
    first_delay,
    rate,
    direction_first,
    direction_step,
    noise_node,
    number,
):
    """Work out one column's numbers from the moving array's tables at the delay of its reference point."""
    step = delay_s[1] - delay_s[0]
    w = (t0 - delay_s[k]) / step
    square = 0.0
    closing = 0.0
    u_zero = 0.0
    u_drift = 0.0
    back_slope = 0.0
    closing_slope = 0.0
    u_slope = 0.0
    u_drift_slope = 0.0
    for d in range(3):
        v = velocity[k, d] + w * (velocity[k + 1, d] - velocity[k, d])
        turn = (axis[k + 1, d] - axis[k, d]) / step
        a = axis[k, d] + w * step * turn
        b = point[d] - (centre[k, d] + w * (centre[k + 1, d] - centre[k, d]))
        bend = ray[3] if d == 2 else ray[2]
        # Along the column the seabed may rise or fall.
        ahead = tilt if d == 2 else (1.0 if d == 0 else 0.0)
        square += b * b
        closing += b * v
        u_zero += bend * a * b
        u_drift += turn * b - a * v
        back_slope += ahead * b
        closing_slope += ahead * v
        u_slope += ahead * bend * a
        u_drift_slope += ahead * turn
    number[_SENT_SQUARE] = sent_m * sent_m
    number[_SENT_SLOPE] = 2 * ray[1] * (point[0] - tx[0] + tilt * (point[2] - tx[2]))
    number[_BACK_SQUARE] = ray[0] * square
    number[_BACK_SLOPE] = 2 * ray[1] * back_slope
    number[_CLOSING] = closing
    number[_CLOSING_SLOPE] = closing_slope
    number[_CURVE] = ray[1] * (1 + tilt * tilt)
    number[_U_ZERO] = u_zero
    number[_U_SLOPE] = u_slope
    number[_U_DRIFT] = u_drift
    number[_U_DRIFT_SLOPE] = u_drift_slope
    number[_REFERENCE] = sound_speed * t0
    number[_SPEED] = sound_speed
    number[_SAMPLE_ZERO] = (t0 - first_delay) * rate
    number[_SAMPLE_RATE] = rate
    number[_BEAM_ZERO] = -direction_first / direction_step
    number[_BEAM_SCALE] = 1 / direction_step
    number[_NOISE_ZERO] = noise_node[k] + w * (noise_node[k + 1] - noise_node[k])
    number[_NOISE_SLOPE] = (noise_node[k + 1] - noise_node[k]) / step


@numba.njit(nogil=True, cache=True, fastmath=_FAST, error_model="numpy")
def _place(n, offset, along, ramp, number, at_sample, at_beam, noise):
    """Where in the field (sample, beam) each pixel of a column lies, and the noise there.

    ``ramp`` holds 0, 1, 2, ...; with Python's error model a division by zero would have to raise, which keeps
    LLVM from vectorising.
    """
    sent_square, sent_slope = number[_SENT_SQUARE], number[_SENT_SLOPE]
    back_square, back_slope = number[_BACK_SQUARE], number[_BACK_SLOPE]
    closing, closing_slope = number[_CLOSING], number[_CLOSING_SLOPE]
    reference, speed = number[_REFERENCE], number[_SPEED]
    u_zero, u_slope = number[_U_ZERO], number[_U_SLOPE]
    u_drift, u_drift_slope = number[_U_DRIFT], number[_U_DRIFT_SLOPE]
    sample_zero, sample_rate = number[_SAMPLE_ZERO], number[_SAMPLE_RATE]
    beam_zero, beam_scale = number[_BEAM_ZERO], number[_BEAM_SCALE]
    noise_zero, noise_slope = number[_NOISE_ZERO], number[_NOISE_SLOPE]
    least_sent, curve = number[_LEAST_SENT], number[_CURVE]
    for i in range(n):
        s = offset + ramp[i] * along
        sent = math.sqrt(sent_square + s * (sent_slope + curve * s))
        back = math.sqrt(back_square + s * (back_slope + curve * s))
        near = (closing + s * closing_slope) / back
        dt = (sent + back - reference) / (speed + near)
        u = (u_zero + s * u_slope + dt * (u_drift + s * u_drift_slope)) / (back - near * dt)
        # Steeper than what is imaged: a sample outside the field.
        at_sample[i] = sample_zero + dt * sample_rate if sent >= least_sent else f32(-1)
        at_beam[i] = beam_zero + u * beam_scale
        noise[i] = noise_zero + dt * noise_slope


@numba.njit(nogil=True, cache=True, fastmath=_FAST)
def _address(
    n, n_beam, n_sample, last_sample, n_fraction, at_sample, at_beam, first, in_delay, in_direction, inside
):
    """Turn places into offsets in the flat field and rows of taps; places outside get the first and are marked."""
    top_sample = min(last_sample, f32(n_sample - 3))
    top_beam = f32(n_beam - 3)
    for i in range(n):
        p = at_sample[i]
        b = at_beam[i]
        good = (p >= f32(1)) & (p <= top_sample) & (b >= f32(1)) & (b <= top_beam)
        p = p if good else f32(1)
        b = b if good else f32(1)
        ip = np.int32(p)
        ib = np.int32(b)
        first[i] = ((ib - np.int32(1)) * np.int32(n_sample) + ip - np.int32(1)) * np.int32(2)
        in_delay[i] = np.int32((p - f32(ip)) * n_fraction + f32(0.5)) * np.int32(8)
        in_direction[i] = np.int32((b - f32(ib)) * n_fraction + f32(0.5)) * np.int32(4)
        inside[i] = f32(1) if good else f32(0)


@numba.njit(nogil=True, cache=True, fastmath=_FAST)
def _detect(n, flat, n_sample, delay_taps, direction_taps, first, in_delay, in_direction, power):
    """Intensity of the field at each pixel: four by four taps, squared magnitude."""
    for i in range(n):
        power[i] = field_power(
            flat, first[i], 2 * n_sample, direction_taps, in_direction[i], delay_taps, in_delay[i]
        )


@numba.njit(nogil=True, cache=True, fastmath=_FAST)
def _accumulate(
    power,
    inside,
    at_beam,
    noise,
    weights,
    table_scale,
    look_weight,
    correlation,
    total,
    weight_sum,
    weight_square,
    noise_sum,
    count,
):
    """Add one column's intensities with their weights; what lies outside the field adds nothing.

    ``weights`` (entry, 2): a look's weight and that weight over its relative gain, against the beam.
    """
    n_table = weights.shape[0]
    n_correlation = correlation.size - 1
    for i in range(power.size):
        at = min(max(int(at_beam[i] * table_scale + f32(0.5)), 0), n_table - 1)
        use = inside[i] * look_weight
        w = use * weights[at, 0]
        before = count[i]
        total[i] += w * power[i]
        weight_sum[i] += w
        weight_square[i] += w * w * correlation[min(before, n_correlation)]
        noise_sum[i] += use * noise[i] * weights[at, 1]
        count[i] = before + np.uint16(inside[i])


@numba.njit(nogil=True, cache=True)
def lay_look(
    field,
    first_delay,
    rate,
    direction_first,
    direction_step,
    delay_taps,
    direction_taps,
    tx,
    tx_axis,
    delay_s,
    centre,
    velocity,
    axis,
    sound_speed,
    ray_step,
    ray_factor,
    plane,
    sign,
    across_m,
    along_m,
    first_row,
    past_row,
    sector_sine,
    steepest_sine,
    last_delay,
    noise_node,
    weights,
    look_weight,
    correlation,
    total,
    weight_sum,
    weight_square,
    noise_sum,
    count,
):
    """Add one ping's look to the accumulators (column, ring row); return pixels added, late and uncovered."""
    n_column, n_ring = total.shape
    n_beam, n_sample = field.shape[:2]
    flat = field.reshape(-1)
    n_fraction = f32(direction_taps.size // 4 - 1)
    table_scale = f32((weights.shape[0] - 1) / (n_beam - 1))
    last_sample = f32((last_delay - first_delay) * rate)
    longest = past_row - first_row
    number = np.empty(_N_NUMBER, np.float32)
    ramp = np.arange(longest).astype(np.float32)
    at_sample = np.empty(longest, np.float32)
    at_beam = np.empty(longest, np.float32)
    noise = np.empty(longest, np.float32)
    inside = np.empty(longest, np.float32)
    power = np.empty(longest, np.float32)
    first = np.empty(longest, np.int32)
    in_delay = np.empty(longest, np.int32)
    in_direction = np.empty(longest, np.int32)
    point = np.empty(3)
    ray = np.empty(4)
    tilt = plane[1]
    # Where the sector's edges cut a column: (s a)^2 = sine^2 |r|^2 along it, a quadratic in s.
    qa = (tx_axis[0] + tilt * tx_axis[2]) ** 2 - sector_sine**2 * (1 + tilt**2)
    added = 0
    late = 0
    seen = 0
    if qa <= 0:
        return added, late, 0
    for q in range(n_column):
        x = sign * (q + 0.5) * across_m
        point[1] = x
        # The column's reference point lies on the transmitter's broadside plane and on the seabed's.
        level = plane[0] + plane[2] * x
        point[0] = tx[0] - (tx_axis[1] * (x - tx[1]) + tx_axis[2] * (level + tilt * tx[0] - tx[2])) / (
            tx_axis[0] + tilt * tx_axis[2]
        )
        point[2] = level + tilt * point[0]
        ahead = point[0] - tx[0]
        drop = point[2] - tx[2]
        straight = math.sqrt(ahead**2 + (x - tx[1]) ** 2 + drop**2)
        _rays(ray_step, ray_factor, math.sqrt(ahead**2 + (x - tx[1]) ** 2), ray)
        sent_m = math.sqrt(ray[0]) * straight
        # The column's reference point may lie outside what is imaged, and pixels beside it inside: each is judged alone.
        t0, k = _reach(point, tx, sent_m, ray[0], delay_s, centre, sound_speed)
        qb = sector_sine**2 * (ahead + tilt * drop)
        root = math.sqrt(qb * qb + qa * sector_sine**2 * straight**2)
        low = math.ceil((point[0] + (qb - root) / qa) / along_m - 0.5)
        high = math.floor((point[0] + (qb + root) / qa) / along_m - 0.5) + 1
        if low < first_row:
            late += min(high, first_row) - low
            low = first_row
        if high > past_row:
            late += high - max(low, past_row)
            high = past_row
        if high <= low:
            continue
        n = high - low
        _column(
            point,
            tilt,
            sent_m,
            ray,
            t0,
            k,
            tx,
            delay_s,
            centre,
            velocity,
            axis,
            sound_speed,
            first_delay,
            rate,
            direction_first,
            direction_step,
            noise_node,
            number,
        )
        number[_LEAST_SENT] = math.sqrt(ray[0]) * drop / steepest_sine
        _place(
            n, f32((low + 0.5) * along_m - point[0]), f32(along_m), ramp, number, at_sample, at_beam, noise
        )
        _address(
            n,
            n_beam,
            n_sample,
            last_sample,
            n_fraction,
            at_sample,
            at_beam,
            first,
            in_delay,
            in_direction,
            inside,
        )
        _detect(n, flat, n_sample, delay_taps, direction_taps, first, in_delay, in_direction, power)
        for i in range(n):
            added += int(inside[i])
            seen += int((at_sample[i] >= f32(1)) & (at_sample[i] <= last_sample))
        # The ring may wrap inside the column: at most two straight runs.
        slot = low % n_ring
        head = min(n, n_ring - slot)
        for run in range(2):
            a = 0 if run == 0 else head
            b = head if run == 0 else n
            if b <= a:
                continue
            c = slot if run == 0 else 0
            d = c + b - a
            _accumulate(
                power[a:b],
                inside[a:b],
                at_beam[a:b],
                noise[a:b],
                weights,
                table_scale,
                look_weight,
                correlation,
                total[q, c:d],
                weight_sum[q, c:d],
                weight_square[q, c:d],
                noise_sum[q, c:d],
                count[q, c:d],
            )
    return added, late, max(seen - added, 0)


@numba.njit(nogil=True, cache=True, fastmath=_FAST)
def broadside_line(
    field,
    first_delay,
    rate,
    direction_first,
    direction_step,
    delay_taps,
    direction_taps,
    tx,
    delay_s,
    centre,
    axis,
    sound_speed,
    ray_step,
    ray_factor,
    plane,
    sign,
    across_m,
    steepest_sine,
    last_delay,
    noise_node,
    along,
    power,
    noise,
):
    """Read the broadside beam of one ping: where it meets each column, its intensity and noise; NaN outside."""
    n_beam, n_sample = field.shape[:2]
    flat = field.reshape(-1)
    n_fraction = direction_taps.size // 4 - 1
    step = delay_s[1] - delay_s[0]
    point = np.empty(3)
    ray = np.empty(4)
    for q in range(along.size):
        along[q] = np.nan
        power[q] = np.nan
        noise[q] = np.nan
        x = sign * (q + 0.5) * across_m
        point[1] = x
        k = 0
        t = delay_s[0]
        sent = 0.0
        drop = 0.0
        # The plane broadside of the array at reception, whose time depends on the point: fixed-point steps.
        for _ in range(4):
            at = min(max((t - delay_s[0]) / step, 0.0), delay_s.size - 1.000001)
            k = int(at)
            w = at - k
            cx = centre[k, 0] + w * (centre[k + 1, 0] - centre[k, 0])
            cy = centre[k, 1] + w * (centre[k + 1, 1] - centre[k, 1])
            cz = centre[k, 2] + w * (centre[k + 1, 2] - centre[k, 2])
            nx = axis[k, 0] + w * (axis[k + 1, 0] - axis[k, 0])
            ny = axis[k, 1] + w * (axis[k + 1, 1] - axis[k, 1])
            nz = axis[k, 2] + w * (axis[k + 1, 2] - axis[k, 2])
            # Broadside is where the bent direction has no part along the array.
            _rays(ray_step, ray_factor, abs(x - cy), ray)
            nx, ny, nz = ray[2] * nx, ray[2] * ny, ray[3] * nz
            below = plane[0] + plane[2] * x + plane[1] * cx - cz
            ahead = -(ny * (x - cy) + nz * below) / (nx + nz * plane[1])
            point[0] = cx + ahead
            point[2] = cz + below + plane[1] * ahead
            drop = point[2] - tx[2]
            sent = math.sqrt((point[0] - tx[0]) ** 2 + (x - tx[1]) ** 2 + drop**2)
            back = math.sqrt(ahead**2 + (x - cy) ** 2 + (point[2] - cz) ** 2)
            t = math.sqrt(ray[0]) * (sent + back) / sound_speed
        if drop > steepest_sine * sent or t < delay_s[0] or t > last_delay:
            continue
        p = (t - first_delay) * rate
        b = -direction_first / direction_step
        ip = int(p)
        ib = int(b)
        if ip < 1 or ip > n_sample - 3 or ib < 1 or ib > n_beam - 3:
            continue
        along[q] = point[0]
        in_delay = 8 * int((p - ip) * n_fraction + 0.5)
        in_direction = 4 * int((b - ib) * n_fraction + 0.5)
        first = ((ib - 1) * n_sample + ip - 1) * 2
        power[q] = field_power(flat, first, 2 * n_sample, direction_taps, in_direction, delay_taps, in_delay)
        at = min((t - delay_s[0]) / step, noise_node.size - 1.000001)
        k = int(at)
        noise[q] = noise_node[k] + (at - k) * (noise_node[k + 1] - noise_node[k])


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
    total,
    weight_sum,
    weight_square,
    noise_sum,
    count,
    filled,
):
    """Give each pixel between two broadside lines the value of the nearer one; return late pixels.

    ``filled`` marks pixels further than ``half_m`` from either line. Gaps above ``gap_m`` stay open.
    """
    n_column, n_ring = total.shape
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
            total[q, j] = value
            noise_sum[q, j] = old_noise[q] if from_old else noise[q]
            weight_sum[q, j] = 1
            weight_square[q, j] = 1
            count[q, j] = 1
            filled[q, j] = min(abs(y - a), abs(y - b)) > half_m
    return late
