"""Inner loops of refraction: tables of what bent rays change, and the choice of a ping's scatterers by them.

A table belongs to one source (or receiver) and holds, at places of (target's depth, horizontal distance), how the ray
departs from the straight line of length r: in time, in direction at both ends, in amplitude. Departures are small and
smooth where the straight line itself is not. The time is met by cubics from its exact values and slopes (the ray's own
directions), which hold across a profile's kinks because kinks are places of the table and time has no kink in its slope.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from ._echo_kernels import sinc, way_at
from ._ray_kernels import COLUMNS, eigenrays_into, work_rows
from ._surface_kernels import answer
from .occlusion import hidden
from .relief import overlooked

__all__ = [
    "BENT_ROWS",
    "FIELDS",
    "TRUE_DEPTH",
    "bend_images",
    "drop_hidden_bent",
    "fill_table",
    "gradients",
    "refer_bent",
    "select_bent",
    "spread_exact_bent",
    "table_error",
]

FIELDS = 8
"""Of a table: departure of the time [m at the source's sound speed], its slopes over distance and depth, its twist;
height [m] by which the target seems lower from the source, and the source higher from the target, than they are;
logarithm of the amplitude over that of the straight line without absorption; curvature of the wave front at the source in
the vertical plane over that along the horizontal, less 1."""

BENT_ROWS = 14
"""Of the points: 0 to 8 as :mod:`pingloom.simulate._echo_kernels` takes them; true depth; depths at which the point sees
transmitter and array; the way out's part of the delay; modulus before the way back."""

TRUE_DEPTH = 9
"""North and east of the points themselves are those at which the transmitter sees them, rows 5 and 6."""

_STEEP_M = 1e-5  # least distance off the vertical at which rays are looked at

_exact = njit(nogil=True, cache=True, error_model="numpy")


@_exact
def _fields(ray, x, h, c_source, c_target, gradient, out):
    """Fill ``out`` (:data:`FIELDS`) from a ray to a target at horizontal distance x, h below the source.

    ``gradient``: of the sound speed just above and below the source.
    """
    r = math.sqrt(x * x + h * h)
    out[0] = c_source * ray[0] - r
    out[1] = c_source * ray[6] - x / r
    out[2] = c_source * math.sin(ray[2]) / c_target - h / r
    out[3] = c_source * ray[7] + x * h / (r * r * r)
    out[4] = x * math.tan(ray[1]) - h
    out[5] = x * math.tan(ray[2]) - h
    out[6] = math.log(r / ray[3]) - ray[4]
    out[7] = 0.0
    sine, cosine = math.sin(ray[1]), math.cos(ray[1])
    if abs(sine) > 1e-5 and cosine > 0.0:
        # Of the time's second derivative over distance, what is not the water's own change along the ray.
        own = ray[8] + gradient[1 if sine > 0.0 else 0] * cosine * cosine * sine / (c_source * c_source)
        out[7] = c_source * own / (sine * sine) * x / cosine - 1.0


@_exact
def gradients(depth, speed, z):
    """Gradients of the sound speed just above and just below z."""
    out = np.zeros(2)
    i = np.searchsorted(depth, z, side="left") - 1
    if 0 <= i < depth.size - 1:
        out[0] = (speed[i + 1] - speed[i]) / (depth[i + 1] - depth[i])
    i = np.searchsorted(depth, z, side="right") - 1
    if 0 <= i < depth.size - 1:
        out[1] = (speed[i + 1] - speed[i]) / (depth[i + 1] - depth[i])
    return out


@_exact
def fill_table(depth, speed, loss, source, node, step, rays, work, table):
    """Fill ``table`` (node, place, :data:`FIELDS`) for targets at the depths ``node`` and distances of ``step`` each.

    ``depth``, ``speed``, ``loss``: the column of water, :func:`eigenrays_into`; ``rays`` (place, COLUMNS) scratch.
    """
    place = np.arange(table.shape[1]) * step
    place[0] = _STEEP_M  # straight down, directions alone don't tell where the ray goes
    c_source, gradient = np.interp(source, depth, speed), gradients(depth, speed, source)
    for k in range(node.size):
        eigenrays_into(depth, speed, loss, source, node[k], place, work, rays)
        c_target = np.interp(node[k], depth, speed)
        for i in range(place.size):
            if math.isnan(rays[i, 0]):
                table[k, i, :] = math.nan
            else:
                _fields(rays[i], place[i], node[k] - source, c_source, c_target, gradient, table[k, i])


@_exact
def _cubic(a, b, da, db, u):
    """Hermite's cubic from values and slopes (per cell) at both ends."""
    d = b - a
    return a + u * (da + u * (3 * d - 2 * da - db + u * (da + db - 2 * d)))


@_exact
def _blend(x, z, step, node, table, middle, clear):
    """Read a table at distance x and depth z: state, time's departure, the last four fields.

    State 1: read; 0: in shadow; 2: beside the table, within ``clear`` of the source's own depth ``middle``, where rays are too
    varied for a table, or at the shadow's edge: to be solved outright.
    """
    i = int(x / step)
    if i > table.shape[1] - 3 or node.size < 3 or not node[0] <= z <= node[-1] or abs(z - middle) < clear:
        return 2, 0.0, 0.0, 0.0, 0.0, 0.0
    k = min(np.searchsorted(node, z, side="right") - 1, node.size - 2)
    m, left = k - k % 2, abs(i - 1)  # the fields are even in x
    # Shadow begins at some distance: what is farther is dark.
    dark, all_dark = False, True
    for j in range(m, m + 3):
        dark |= math.isnan(table[j, i + 2, 0])
        all_dark &= math.isnan(table[j, left, 0])
    if dark:
        return 0 if all_dark else 2, 0.0, 0.0, 0.0, 0.0, 0.0
    u, high = x / step - i, node[k + 1] - node[k]
    v = (z - node[k]) / high
    low = _cubic(table[k, i, 0], table[k, i + 1, 0], step * table[k, i, 1], step * table[k, i + 1, 1], u)
    slope = _cubic(table[k, i, 2], table[k, i + 1, 2], step * table[k, i, 3], step * table[k, i + 1, 3], u)
    k += 1
    top = _cubic(table[k, i, 0], table[k, i + 1, 0], step * table[k, i, 1], step * table[k, i + 1, 1], u)
    end = _cubic(table[k, i, 2], table[k, i + 1, 2], step * table[k, i, 3], step * table[k, i + 1, 3], u)
    # Cubics through four distances, parabolas through three depths.
    a, b = -u * (u - 1) * (u - 2) / 6, (u + 1) * (u - 1) * (u - 2) / 2
    c, d = -(u + 1) * u * (u - 2) / 2, (u + 1) * u * (u - 1) / 6
    w = (z - node[m]) / (node[m + 2] - node[m])
    seen = met = gain = curve = 0.0
    for j in range(3):
        h = (1 - w) * (1 - 2 * w) if j == 0 else (4 * w * (1 - w) if j == 1 else w * (2 * w - 1))
        n = m + j
        seen += h * (
            a * table[n, left, 4] + b * table[n, i, 4] + c * table[n, i + 1, 4] + d * table[n, i + 2, 4]
        )
        met += h * (
            a * table[n, left, 5] + b * table[n, i, 5] + c * table[n, i + 1, 5] + d * table[n, i + 2, 5]
        )
        gain += h * (
            a * table[n, left, 6] + b * table[n, i, 6] + c * table[n, i + 1, 6] + d * table[n, i + 2, 6]
        )
        curve += h * (
            a * table[n, left, 7] + b * table[n, i, 7] + c * table[n, i + 1, 7] + d * table[n, i + 2, 7]
        )
    return 1, _cubic(low, top, high * slope, high * end, v), seen, met, gain, curve


@_exact
def _solve(x, z, leg, scratch):
    """As :func:`_blend`, by the ray itself. ``scratch``: work, one distance, one ray, one set of fields."""
    depth, speed, loss, source = leg[0], leg[1], leg[2], leg[3]
    work, place, ray, fields = scratch
    place[0] = max(x, _STEEP_M)
    eigenrays_into(depth, speed, loss, source, z, place, work, ray)
    if math.isnan(ray[0, 0]):
        return 0, 0.0, 0.0, 0.0, 0.0, 0.0
    c_source, c_target = np.interp(source, depth, speed), np.interp(z, depth, speed)
    _fields(ray[0], place[0], z - source, c_source, c_target, leg[7], fields)
    return 1, fields[0], fields[4], fields[5], fields[6], fields[7]


@_exact
def _at_one_depth(z, step, node, table, middle, clear):
    """Cut a table to one depth, (place, 6): time's departure and its slope, the last four fields.

    Infinite: in shadow; NaN: not to be read.
    """
    out = np.empty((table.shape[1], 6))
    for i in range(table.shape[1] - 2):
        state, out[i, 0], out[i, 2], out[i, 3], out[i, 4], out[i, 5] = _blend(
            i * step, z, step, node, table, middle, clear
        )
        if state != 1:
            out[i, :] = math.inf if state == 0 else math.nan
            continue
        k = min(np.searchsorted(node, z, side="right") - 1, node.size - 2)
        high = node[k + 1] - node[k]
        v = (z - node[k]) / high
        out[i, 1] = _cubic(
            table[k, i, 1], table[k + 1, i, 1], high * table[k, i, 3], high * table[k + 1, i, 3], v
        )
    out[-2:] = math.nan
    return out


@_exact
def _glance(x, step, cut):
    """As :func:`_blend`, in what :func:`_at_one_depth` returned."""
    i = int(x / step)
    if i > cut.shape[0] - 3:
        return 2, 0.0, 0.0, 0.0, 0.0, 0.0
    left, u = abs(i - 1), x / step - i
    if not math.isfinite(cut[i + 2, 0]):
        return 0 if math.isinf(cut[left, 0]) else 2, 0.0, 0.0, 0.0, 0.0, 0.0
    time = _cubic(cut[i, 0], cut[i + 1, 0], step * cut[i, 1], step * cut[i + 1, 1], u)
    a, b = -u * (u - 1) * (u - 2) / 6, (u + 1) * (u - 1) * (u - 2) / 2
    c, d = -(u + 1) * u * (u - 2) / 2, (u + 1) * u * (u - 1) / 6
    seen = a * cut[left, 2] + b * cut[i, 2] + c * cut[i + 1, 2] + d * cut[i + 2, 2]
    met = a * cut[left, 3] + b * cut[i, 3] + c * cut[i + 1, 3] + d * cut[i + 2, 3]
    gain = a * cut[left, 4] + b * cut[i, 4] + c * cut[i + 1, 4] + d * cut[i + 2, 4]
    curve = a * cut[left, 5] + b * cut[i, 5] + c * cut[i + 1, 5] + d * cut[i + 2, 5]
    return 1, time, seen, met, gain, curve


@_exact
def table_error(leg, step, table, work, rays, worst):
    """Fill ``worst`` (5,) with the largest errors of what is read in the middle of the table's cells."""
    depth, speed, loss, source, node = leg[0], leg[1], leg[2], leg[3], leg[4]
    true = np.empty(FIELDS)
    place = (np.arange(table.shape[1] - 2) + 0.5) * step
    c_source, gradient = np.interp(source, depth, speed), gradients(depth, speed, source)
    worst[:] = 0.0
    for k in range(node.size - 1):
        z = 0.5 * (node[k] + node[k + 1])
        c_target = np.interp(z, depth, speed)
        eigenrays_into(depth, speed, loss, source, z, place, work, rays)
        for i in range(place.size):
            state, time, seen, met, gain, curve = _blend(place[i], z, step, node, table, source, leg[8])
            if state != 1:
                continue
            _fields(rays[i], place[i], z - source, c_source, c_target, gradient, true)
            worst[0] = max(worst[0], abs(time - true[0]))
            worst[1] = max(worst[1], abs(seen - true[4]))
            worst[2] = max(worst[2], abs(met - true[5]))
            worst[3] = max(worst[3], abs(gain - true[6]))
            worst[4] = max(worst[4], abs(curve - true[7]))


@_exact
def _nearer(ex, ey, x, up, along, curve, gradient, c):
    """Distance at which an array sees a point along the ray, over that above its own north and east; and itself.

    So far away that straight lines to there have the wave front's curvature along the array.

    Parameters
    ----------
    ex, ey, x, up
        Horizontal offset of the point and its length; how much lower it seems.
    curve, gradient, c
        As of :data:`FIELDS`; gradients and sound speed at the array.
    """
    far = math.sqrt(x * x + up * up)
    flat, steep = 1.0 / max(x, 1e-9), up / far
    forward, across = (ex * along[0] + ey * along[1]) * flat, (ey * along[0] - ex * along[1]) * flat
    ahead, aslant = forward * x / far + along[2] * steep, along[2] * x / far - forward * steep
    bow = across * across + aslant * aslant * (1.0 + curve)
    # The water's own change: along the ray, and the ray's bend.
    bow += gradient[1 if up > 0.0 else 0] * far / c * ahead * (2.0 * aslant * x / far + ahead * steep)
    ratio = min(max((1.0 - ahead * ahead) / bow, 0.5), 2.0) if bow > 0.0 else 1.0
    return ratio, ratio * far


@_exact
def bend_images(
    point, n, transmit, middle, along, sent_leg, sent_table, got_leg, got_table, step, raw
):  # fmt: skip
    """Let points that transmitter and array see in straight lines at their mirror images be seen along bent rays.

    In place: what :func:`_bounce_kernels.meet_by_ways` leaves in rows 0 to 7 becomes what :func:`select_bent` leaves. The
    last four rows are place and depth of the image in the array's way, and the modulus before the way back.
    """
    k = max(sent_leg[0].size, got_leg[0].size)
    scratch = np.empty((work_rows(), k + 2)), np.empty(1), np.empty((1, COLUMNS)), np.empty(FIELDS)
    c_sent = np.interp(sent_leg[3], sent_leg[0], sent_leg[1])
    c = np.interp(got_leg[3], got_leg[0], got_leg[1])
    for i in range(n):
        point[8, i], point[10, i], point[11, i] = 0.0, point[0, i], point[1, i]
        point[TRUE_DEPTH, i] = point[2, i]
        if raw:
            continue
        dx, dy, dz = point[5, i] - transmit[0], point[6, i] - transmit[1], point[7, i] - sent_leg[3]
        ex, ey, ez = point[0, i] - middle[0], point[1, i] - middle[1], point[2, i] - got_leg[3]
        xt, xg = math.sqrt(dx * dx + dy * dy), math.sqrt(ex * ex + ey * ey)
        state, late_t, higher_t, _, gain_t, _ = _blend(
            xt, point[7, i], step, sent_leg[4], sent_table, sent_leg[3], sent_leg[8]
        )
        if state == 2:
            state, late_t, higher_t, _, gain_t, _ = _solve(xt, point[7, i], sent_leg, scratch)
        more, late_g, higher_g, _, gain_g, curve = _blend(
            xg, point[2, i], step, got_leg[4], got_table, got_leg[3], got_leg[8]
        )
        if more == 2:
            more, late_g, higher_g, _, gain_g, curve = _solve(xg, point[2, i], got_leg, scratch)
        if state == 0 or more == 0:
            point[3, i], point[12, i], point[13, i] = 0.0, 0.0, 0.0
            continue
        rt, rg = math.sqrt(xt * xt + dz * dz), math.sqrt(xg * xg + ez * ez)
        down, up = dz + higher_t, ez + higher_g
        seen_t = math.sqrt(xt * xt + down * down)
        nearer, seen_g = _nearer(ex, ey, xg, up, along, curve, got_leg[7], c)
        point[0, i], point[1, i] = middle[0] + nearer * ex, middle[1] + nearer * ey
        point[2, i], point[7, i] = got_leg[3] + nearer * up, sent_leg[3] + down
        point[12, i] = (rt + late_t) / c_sent - seen_t / c
        point[13, i] = point[3, i] * seen_t / rt * math.exp(gain_t)
        point[8, i] = point[12, i] + (rg + late_g - seen_g) / c
        point[3, i] = point[13, i] * seen_g / rg * math.exp(gain_g)


@_exact
def refer_bent(point, n, row, middle, along, leg, table, step, c):
    """Let the points of :func:`select_bent` be seen from another middle, whose leg and table are given.

    ``row``: of their north, east below it: 5, or 10 for images. ``c``: sound speed that the echo's kernel computes with.
    """
    scratch = np.empty((work_rows(), leg[0].size + 2)), np.empty(1), np.empty((1, COLUMNS)), np.empty(FIELDS)
    own = np.interp(leg[3], leg[0], leg[1])
    level = n > 0 and point[TRUE_DEPTH, :n].min() == point[TRUE_DEPTH, :n].max()
    cut = np.empty((0, 6))
    if level:
        cut = _at_one_depth(leg[5] * point[TRUE_DEPTH, 0] + leg[6], step, leg[4], table, leg[3], leg[8])
    for i in range(n):
        ex, ey = point[row, i] - middle[0], point[row + 1, i] - middle[1]
        z = leg[5] * point[TRUE_DEPTH, i] + leg[6]
        ez, x = z - leg[3], math.sqrt(ex * ex + ey * ey)
        if level:
            state, late, higher, _, gain, curve = _glance(x, step, cut)
        else:
            state, late, higher, _, gain, curve = _blend(x, z, step, leg[4], table, leg[3], leg[8])
        if state == 2:
            state, late, higher, _, gain, curve = _solve(x, z, leg, scratch)
        if state == 0:  # just beyond this middle's last ray
            point[3, i] = 0.0
            continue
        up = ez + higher
        nearer, seen = _nearer(ex, ey, x, up, along, curve, leg[7], own)
        point[0, i], point[1, i] = middle[0] + nearer * ex, middle[1] + nearer * ey
        point[2, i] = leg[3] + nearer * up
        r = math.sqrt(x * x + ez * ez)
        point[3, i] = point[13, i] * seen / r * math.exp(gain)
        point[8, i] = point[12, i] + (r + late) / own - seen / c


@_exact
def select_bent(
    place, modulus, phase, normal, law, transmit, axes, middle, along, limits, sent_leg, sent_table, got_leg, got_table,
    step, raw, start, out,
):  # fmt: skip
    """Copy the scatterers that this ping meets into ``out`` from column ``start``; return the new end.

    As :func:`_surface_kernels.select_rough`, with directions and times of bent rays; a normal of zeros is a point that
    echoes all round.

    Parameters
    ----------
    along
        (3,) of the array in the middle of the listening time.
    limits
        Shortest and longest path [m at the array's sound speed], sine of the sector's half width, ratios of the array's
        sound speed to the fastest and the slowest.
    sent_leg, got_leg
        Of the ways from transmitter and array: column of water (three arrays), depth of that end, target depths of the
        table, sign and offset that take a point's depth to that of its image on this way (1 and 0 for none), gradients of
        the sound speed above and below that end, height above and below it that tables leave out.
    sent_table, got_table, step
        As of :func:`fill_table`; without places, every ray is solved outright.
    raw : bool
        Leave the losses out of the modulus.
    out
        (:data:`BENT_ROWS`, n), with one column to spare.
    """
    k = max(sent_leg[0].size, got_leg[0].size)
    scratch = np.empty((work_rows(), k + 2)), np.empty(1), np.empty((1, COLUMNS)), np.empty(FIELDS)
    shortest, longest, sine, fastest, slowest = limits
    level = place.shape[1] > 0 and place[2].min() == place[2].max()
    if level:
        sent_cut = _at_one_depth(
            sent_leg[5] * place[2, 0] + sent_leg[6], step, sent_leg[4], sent_table, sent_leg[3], sent_leg[8]
        )
        got_cut = _at_one_depth(
            got_leg[5] * place[2, 0] + got_leg[6], step, got_leg[4], got_table, got_leg[3], got_leg[8]
        )
    else:
        sent_cut = got_cut = np.empty((0, 6))
    c_sent = np.interp(sent_leg[3], sent_leg[0], sent_leg[1])
    c = np.interp(got_leg[3], got_leg[0], got_leg[1])
    each = normal.shape[1] > 1
    all_round = not each and normal[0, 0] == 0 and normal[1, 0] == 0 and normal[2, 0] == 0
    tilt = sine + abs(axes[0, 2])
    end = start
    for i in range(place.shape[1]):
        j = i if each else 0
        x, y, z = place[0, i], place[1, i], place[2, i]
        sent_z, got_z = sent_leg[5] * z + sent_leg[6], got_leg[5] * z + got_leg[6]
        dx, dy, dz = x - transmit[0], y - transmit[1], sent_z - sent_leg[3]
        ex, ey, ez = x - middle[0], y - middle[1], got_z - got_leg[3]
        rt, rg = math.sqrt(dx * dx + dy * dy + dz * dz), math.sqrt(ex * ex + ey * ey + ez * ez)
        if (rt + rg) * slowest < shortest or (rt + rg) * fastest > longest:
            continue
        if abs(dx * axes[0, 0] + dy * axes[0, 1]) > 1.5 * tilt * rt:  # far outside the sector
            continue
        xt, xg = math.sqrt(dx * dx + dy * dy), math.sqrt(ex * ex + ey * ey)
        if level:
            state, late_t, higher_t, lower_t, gain_t, _ = _glance(xt, step, sent_cut)
        else:
            state, late_t, higher_t, lower_t, gain_t, _ = _blend(
                xt, sent_z, step, sent_leg[4], sent_table, sent_leg[3], sent_leg[8]
            )
        if state == 2:
            state, late_t, higher_t, lower_t, gain_t, _ = _solve(xt, sent_z, sent_leg, scratch)
        if state == 0:
            continue
        if level:
            state, late_g, higher_g, lower_g, gain_g, curve = _glance(xg, step, got_cut)
        else:
            state, late_g, higher_g, lower_g, gain_g, curve = _blend(
                xg, got_z, step, got_leg[4], got_table, got_leg[3], got_leg[8]
            )
        if state == 2:
            state, late_g, higher_g, lower_g, gain_g, curve = _solve(xg, got_z, got_leg, scratch)
        if state == 0:
            continue
        path = c * ((rt + late_t) / c_sent + (rg + late_g) / c)
        if path < shortest or path > longest:
            continue
        down = dz + higher_t
        seen_t = math.sqrt(xt * xt + down * down)
        if dx * axes[2, 0] + dy * axes[2, 1] + down * axes[2, 2] <= 0:  # behind the baffle
            continue
        if abs(dx * axes[0, 0] + dy * axes[0, 1] + down * axes[0, 2]) > sine * seen_t:
            continue
        seen, fall, back = 1.0, dz + lower_t, ez + lower_g
        if not all_round:
            # Of a mirror image the ray comes up where that of the point itself comes down.
            cosine = -(dx * normal[0, j] + dy * normal[1, j] + sent_leg[5] * fall * normal[2, j])
            cosine /= math.sqrt(xt * xt + fall * fall)
            if cosine <= 0 or ex * normal[0, j] + ey * normal[1, j] + got_leg[5] * back * normal[2, j] >= 0:
                continue
            seen = answer(cosine, law)
            if seen <= 0:
                continue
        up = ez + higher_g
        nearer, seen_g = _nearer(ex, ey, xg, up, along, curve, got_leg[7], c)
        if not raw:
            # The echo's kernel spreads straight over the distances to where the point is seen, and absorbs nothing.
            seen *= seen_t / rt * math.exp(gain_t)
        if raw:
            out[0, end], out[1, end], out[2, end] = x, y, got_z
        else:
            out[0, end], out[1, end] = middle[0] + nearer * ex, middle[1] + nearer * ey
            out[2, end] = got_leg[3] + nearer * up
        out[13, end] = modulus[i] * seen
        out[3, end] = out[13, end] * (1.0 if raw else seen_g / rg * math.exp(gain_g))
        out[4, end] = phase[i]
        out[5, end], out[6, end], out[7, end] = x, y, sent_z if raw else sent_leg[3] + down
        out[8, end], out[TRUE_DEPTH, end] = 0.0 if raw else (path - seen_t - seen_g) / c, z
        out[10, end], out[11, end] = z - sent_leg[5] * fall, z - got_leg[5] * back
        out[12, end] = (rt + late_t) / c_sent - seen_t / c
        end += 1
    return end


@_exact
def drop_hidden_bent(out, start, end, transmit, middle, solid, relief):
    """As :func:`_surface_kernels.drop_hidden`, along the rays' directions at each point.

    A straight line in that direction leaves the ray by gradient * l^2 / 2 c after a distance l: 3 mm after 3 m at a
    gradient of 1/s. Towards the viewer's true place it would leave it with another slope at once.
    """
    kept = start
    for i in range(start, end):
        x, y, z, sent, got = out[5, i], out[6, i], out[TRUE_DEPTH, i], out[10, i], out[11, i]
        if hidden(x, y, z, transmit[0], transmit[1], sent, solid):
            continue
        if hidden(x, y, z, middle[0], middle[1], got, solid):
            continue
        if overlooked(x, y, z, transmit[0], transmit[1], sent, relief):
            continue
        if overlooked(x, y, z, middle[0], middle[1], got, relief):
            continue
        for k in range(out.shape[0]):
            out[k, kept] = out[k, i]
        kept += 1
    return kept


@_exact
def spread_exact_bent(
    point, n, transmit, axes, way, mid, half, numbers, element, beta, width, grid, sent_water, got_water
):  # fmt: skip
    """As :func:`_echo_kernels.spread_exact`, each path solved on its own along bent rays.

    ``sent_water``, ``got_water``: depths, sound speeds and absorption of the columns of water that the ways out and back
    go through. The sizes in ``numbers`` are over the wavelength at a sound speed of ``numbers[0]``.
    """
    nominal, f0, ta, tu, ra, ru, _, level, grid_start, per_second = numbers
    k = max(sent_water[0].size, got_water[0].size)
    work, place, ray, at = np.empty((work_rows(), k + 2)), np.empty(1), np.empty((1, COLUMNS)), np.empty(9)
    c_sent = np.interp(transmit[2], sent_water[0], sent_water[1])
    for i in range(n):
        px, py = point[0, i], point[1, i]
        dx, dy = point[5, i] - transmit[0], point[6, i] - transmit[1]
        place[0] = max(math.sqrt(dx * dx + dy * dy), _STEEP_M)
        eigenrays_into(
            sent_water[0], sent_water[1], sent_water[2], transmit[2], point[7, i], place, work, ray
        )
        if math.isnan(ray[0, 0]):
            continue
        out_s = ray[0, 0]
        flat, steep = math.cos(ray[0, 1]) / place[0], math.sin(ray[0, 1])
        scale = nominal / c_sent
        sent = sinc(ta * scale * ((dx * axes[0, 0] + dy * axes[0, 1]) * flat + steep * axes[0, 2]))
        sent *= sinc(tu * scale * ((dx * axes[1, 0] + dy * axes[1, 1]) * flat + steep * axes[1, 2]))
        sent *= level * point[3, i] * math.exp(-ray[0, 4]) / ray[0, 3]
        delay = 2 * out_s
        for m in range(element.shape[0]):
            ex, ey, z = 0.0, 0.0, 0.0
            for _ in range(8):
                way_at(way, (delay - mid) / half, at)
                ex, ey = px - at[0] - element[m] * at[3], py - at[1] - element[m] * at[4]
                z = at[2] + element[m] * at[5]
                place[0] = max(math.sqrt(ex * ex + ey * ey), _STEEP_M)
                eigenrays_into(got_water[0], got_water[1], got_water[2], z, point[2, i], place, work, ray)
                before = delay
                delay = out_s + ray[0, 0]
                if not abs(delay - before) >= 1e-15:
                    break
            if math.isnan(delay):
                delay = 2 * out_s
                continue
            flat, steep = math.cos(ray[0, 1]) / place[0], math.sin(ray[0, 1])
            scale = nominal / np.interp(z, got_water[0], got_water[1])
            got = sent * sinc(ra * scale * ((ex * at[3] + ey * at[4]) * flat + steep * at[5]))
            got *= sinc(ru * scale * ((ex * at[6] + ey * at[7]) * flat + steep * at[8]))
            got *= math.exp(-ray[0, 4]) / ray[0, 3]
            turn = 2 * math.pi * (point[4, i] - f0 * delay)
            value = complex(got * math.cos(turn), got * math.sin(turn))
            u = (delay - grid_start) * per_second
            first = math.ceil(u - width / 2)
            if first < 0 or first + width > grid.shape[1]:
                continue
            for j in range(width):
                v = 2 * (first + j - u) / width
                grid[m, first + j] += value * math.exp(beta * (math.sqrt(max(0.0, 1 - v * v)) - 1))
