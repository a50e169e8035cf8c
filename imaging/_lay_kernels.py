"""Loops that lay a field onto the strip grid. Arrays and numbers only; the stage has checked everything.

Accumulators are (column, row slot): a column is one distance across track, so that the numbers which depend on
it alone stay in registers while the loop runs along track. Row slots form a ring.
"""

from __future__ import annotations

import math

import numba
import numpy as np

__all__ = ["broadside_line", "lay_broadside", "lay_look", "level_field"]

f32 = np.float32


@numba.njit(nogil=True, cache=True, fastmath={"contract", "reassoc", "nsz"})
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
def _reach(point, tx, sent_m, delay_s, centre, sound_speed):
    """Delay at which the moving array receives a point, and the node below it; -1 where outside the table."""
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
        t = (sent_m + math.sqrt(square)) / sound_speed
    if t < delay_s[0] or t > delay_s[n - 1]:
        return t, -1
    return t, k


@numba.njit(nogil=True, cache=True, fastmath={"contract", "reassoc", "nsz"})
def _place(
    n,
    offset,
    along,
    sent_square,
    sent_slope,
    back_square,
    back_slope,
    closing,
    closing_slope,
    reference,
    speed,
    u_zero,
    u_slope,
    u_drift,
    u_drift_slope,
    base,
    rate,
    u_first,
    u_scale,
    node_at,
    node_rate,
    at_sample,
    at_beam,
    at_node,
):
    """Where in the field (sample, beam) and in the level tables (node) each pixel of a column lies."""
    for i in range(n):
        s = offset + f32(i) * along
        sent = np.sqrt(sent_square + s * (sent_slope + s))
        back = np.sqrt(back_square + s * (back_slope + s))
        near = (closing + s * closing_slope) / back
        dt = (sent + back - reference) / (speed + near)
        u = (u_zero + s * u_slope + dt * (u_drift + s * u_drift_slope)) / (back - near * dt)
        at_sample[i] = base + dt * rate
        at_beam[i] = (u - u_first) * u_scale
        at_node[i] = node_at + dt * node_rate


@numba.njit(nogil=True, cache=True, fastmath={"contract", "reassoc", "nsz"}, inline="always")
def _detect(field, taps, n_fraction, p, b, ip, ib):
    """Intensity of the field (beam, sample, 2) at a fractional sample p and beam b: four by four taps."""
    kp = int((p - f32(ip)) * f32(n_fraction) + f32(0.5))
    kb = int((b - f32(ib)) * f32(n_fraction) + f32(0.5))
    o = ip - 1
    r = ib - 1
    re = f32(0)
    im = f32(0)
    g0, g1, g2, g3 = taps[kb, 4], taps[kb, 5], taps[kb, 6], taps[kb, 7]
    for e in range(4):
        h = taps[kp, e]
        re += h * (
            g0 * field[r, o + e, 0]
            + g1 * field[r + 1, o + e, 0]
            + g2 * field[r + 2, o + e, 0]
            + g3 * field[r + 3, o + e, 0]
        )
        im += h * (
            g0 * field[r, o + e, 1]
            + g1 * field[r + 1, o + e, 1]
            + g2 * field[r + 2, o + e, 1]
            + g3 * field[r + 3, o + e, 1]
        )
    return re * re + im * im


@numba.njit(nogil=True, cache=True, fastmath={"contract", "reassoc", "nsz"})
def _accumulate(
    power,
    at_beam,
    at_node,
    noise_node,
    weight_table,
    inverse_gain_table,
    table_scale,
    look_weight,
    correlation,
    total,
    weight_sum,
    weight_square,
    noise_sum,
    count,
):
    """Add one column's intensities with their weights; negative ones mark pixels that no beam reached."""
    n_correlation = correlation.size - 1
    n_node = noise_node.size
    for i in range(power.size):
        if power[i] < f32(0):
            continue
        at = int(at_beam[i] * table_scale + f32(0.5))
        w = weight_table[at] * look_weight
        k = min(max(int(at_node[i]), 0), n_node - 2)
        noise = noise_node[k] + (at_node[i] - f32(k)) * (noise_node[k + 1] - noise_node[k])
        n_before = count[i]
        total[i] += w * power[i]
        weight_sum[i] += w
        weight_square[i] += w * w * correlation[min(n_before, n_correlation)]
        noise_sum[i] += w * noise * inverse_gain_table[at]
        count[i] = n_before + 1


@numba.njit(nogil=True, cache=True, fastmath={"contract", "reassoc", "nsz"})
def lay_look(
    field,
    first_delay,
    rate,
    direction_first,
    direction_step,
    taps,
    tx,
    tx_axis,
    delay_s,
    centre,
    velocity,
    axis,
    sound_speed,
    seabed,
    sign,
    across_m,
    along_m,
    first_row,
    past_row,
    sector_sine,
    steepest_sine,
    last_delay,
    noise_node,
    weight_table,
    inverse_gain_table,
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
    n_fraction = taps.shape[0] - 1
    n_table = weight_table.size
    step = delay_s[1] - delay_s[0]
    node_rate = 1 / step
    point = np.empty(3)
    point[2] = seabed
    longest = past_row - first_row
    at_sample = np.empty(longest, np.float32)
    at_beam = np.empty(longest, np.float32)
    at_node = np.empty(longest, np.float32)
    power = np.empty(longest, np.float32)
    added = 0
    late = 0
    uncovered = 0
    for q in range(n_column):
        x = sign * (q + 0.5) * across_m
        point[1] = x
        # The column's reference point lies on the transmitter's broadside plane.
        point[0] = tx[0] - (tx_axis[1] * (x - tx[1]) + tx_axis[2] * (seabed - tx[2])) / tx_axis[0]
        ax = point[0] - tx[0]
        ay = point[1] - tx[1]
        az = point[2] - tx[2]
        sent_m = math.sqrt(ax * ax + ay * ay + az * az)
        if az > steepest_sine * sent_m:
            continue
        t0, k = _reach(point, tx, sent_m, delay_s, centre, sound_speed)
        if k < 0:
            continue
        w = (t0 - delay_s[k]) * node_rate
        cx = centre[k, 0] + w * (centre[k + 1, 0] - centre[k, 0])
        cy = centre[k, 1] + w * (centre[k + 1, 1] - centre[k, 1])
        cz = centre[k, 2] + w * (centre[k + 1, 2] - centre[k, 2])
        vx = velocity[k, 0] + w * (velocity[k + 1, 0] - velocity[k, 0])
        vy = velocity[k, 1] + w * (velocity[k + 1, 1] - velocity[k, 1])
        vz = velocity[k, 2] + w * (velocity[k + 1, 2] - velocity[k, 2])
        px = (axis[k + 1, 0] - axis[k, 0]) * node_rate
        py = (axis[k + 1, 1] - axis[k, 1]) * node_rate
        pz = (axis[k + 1, 2] - axis[k, 2]) * node_rate
        nx = axis[k, 0] + w * step * px
        ny = axis[k, 1] + w * step * py
        nz = axis[k, 2] + w * step * pz
        bx = point[0] - cx
        by = point[1] - cy
        bz = point[2] - cz
        back_square = bx * bx + by * by + bz * bz

        # Where the sector's edges cut the column: (s a)^2 = sine^2 |r|^2 along it, a quadratic in s.
        qa = tx_axis[0] ** 2 - sector_sine**2
        if qa <= 0:
            continue
        qb = sector_sine**2 * ax
        root = math.sqrt(qb * qb + qa * sector_sine**2 * sent_m**2)
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

        # From here on offsets from the reference point: small numbers, so single precision is exact enough.
        sent_square = f32(sent_m * sent_m)
        sent_slope = f32(2 * ax)
        back_sq = f32(back_square)
        back_slope = f32(2 * bx)
        closing = f32(bx * vx + by * vy + bz * vz)
        vx_ = f32(vx)
        reference = f32(sound_speed * t0)
        speed = f32(sound_speed)
        u_zero = f32(nx * bx + ny * by + nz * bz)
        u_slope = f32(nx)
        u_drift = f32(px * bx + py * by + pz * bz - (nx * vx + ny * vy + nz * vz))
        u_drift_slope = f32(px)
        base = f32((t0 - first_delay) * rate)
        rate_ = f32(rate)
        last = f32((last_delay - first_delay) * rate)
        node_at = f32((t0 - delay_s[0]) * node_rate)
        node_rate_ = f32(node_rate)
        offset = f32((low + 0.5) * along_m - point[0])
        along_ = f32(along_m)
        u_first = f32(direction_first)
        u_scale = f32(1 / direction_step)
        table_scale = f32((n_table - 1) / (n_beam - 1))
        n = high - low
        _place(
            n,
            offset,
            along_,
            sent_square,
            sent_slope,
            back_sq,
            back_slope,
            closing,
            vx_,
            reference,
            speed,
            u_zero,
            u_slope,
            u_drift,
            u_drift_slope,
            base,
            rate_,
            u_first,
            u_scale,
            node_at,
            node_rate_,
            at_sample,
            at_beam,
            at_node,
        )
        for i in range(n):
            p = at_sample[i]
            b = at_beam[i]
            power[i] = f32(-1)
            ip = int(p)
            ib = int(b)
            if p < f32(1) or p > last or ip > n_sample - 3:
                continue
            if b < f32(1) or ib > n_beam - 3:
                uncovered += 1
                continue
            power[i] = _detect(field, taps, n_fraction, p, b, ip, ib)
            added += 1
        # The ring may wrap inside the column: at most two straight runs.
        slot = low % n_ring
        head = min(n, n_ring - slot)
        for run in range(2):
            first = 0 if run == 0 else head
            stop = head if run == 0 else n
            at = slot if run == 0 else 0
            if stop <= first:
                continue
            size = stop - first
            _accumulate(
                power[first:stop],
                at_beam[first:stop],
                at_node[first:stop],
                noise_node,
                weight_table,
                inverse_gain_table,
                table_scale,
                look_weight,
                correlation,
                total[q, at : at + size],
                weight_sum[q, at : at + size],
                weight_square[q, at : at + size],
                noise_sum[q, at : at + size],
                count[q, at : at + size],
            )
    return added, late, uncovered


@numba.njit(nogil=True, cache=True, fastmath={"contract", "reassoc", "nsz"})
def broadside_line(
    field,
    first_delay,
    rate,
    direction_first,
    direction_step,
    taps,
    tx,
    delay_s,
    centre,
    axis,
    sound_speed,
    seabed,
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
    n_fraction = taps.shape[0] - 1
    step = delay_s[1] - delay_s[0]
    point = np.empty(3)
    point[2] = seabed
    for q in range(along.size):
        along[q] = np.nan
        power[q] = np.nan
        noise[q] = np.nan
        x = sign * (q + 0.5) * across_m
        point[1] = x
        k = 0
        t = delay_s[0]
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
            point[0] = cx - (ny * (x - cy) + nz * (seabed - cz)) / nx
            sent = math.sqrt((point[0] - tx[0]) ** 2 + (x - tx[1]) ** 2 + (seabed - tx[2]) ** 2)
            back = math.sqrt((point[0] - cx) ** 2 + (x - cy) ** 2 + (seabed - cz) ** 2)
            t = (sent + back) / sound_speed
        if seabed - tx[2] > steepest_sine * sent or t < delay_s[0] or t > last_delay:
            continue
        p = (t - first_delay) * rate
        b = -direction_first / direction_step
        ip = int(p)
        ib = int(b)
        if ip < 1 or ip > n_sample - 3 or ib < 1 or ib > n_beam - 3:
            continue
        along[q] = point[0]
        power[q] = _detect(field, taps, n_fraction, f32(p), f32(b), ip, ib)
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
