"""Inner loops of refraction: the choice of a ping's scatterers along bent rays, and their exact sum."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from ._bend_tables import FIELDS, STEEP_M, at_one_depth, blend, glance, solve
from ._echo_kernels import sinc, way_at
from ._ray_kernels import COLUMNS, eigenrays_into, work_rows
from ._surface_kernels import answer
from .occlusion import hidden, in_the_way
from .relief import overlooked

__all__ = [
    "BENT_ROWS",
    "TRUE_DEPTH",
    "bend_images",
    "drop_hidden_bent",
    "refer_bent",
    "select_bent",
    "spread_exact_bent",
]

BENT_ROWS = 14
"""Of the points: 0 to 8 as :mod:`pingloom.simulate._echo_kernels` takes them; true depth; depths at which the point sees
transmitter and array; the way out's part of the delay; modulus before the way back."""

TRUE_DEPTH = 9
"""North and east of the points themselves are those at which the transmitter sees them, rows 5 and 6."""

_exact = njit(nogil=True, cache=True, error_model="numpy")


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
        state, late_t, higher_t, _, gain_t, _ = blend(
            xt, point[7, i], step, sent_leg[4], sent_table, sent_leg[3], sent_leg[8]
        )
        if state == 2:
            state, late_t, higher_t, _, gain_t, _ = solve(xt, point[7, i], sent_leg, scratch)
        more, late_g, higher_g, _, gain_g, curve = blend(
            xg, point[2, i], step, got_leg[4], got_table, got_leg[3], got_leg[8]
        )
        if more == 2:
            more, late_g, higher_g, _, gain_g, curve = solve(xg, point[2, i], got_leg, scratch)
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
        cut = at_one_depth(leg[5] * point[TRUE_DEPTH, 0] + leg[6], step, leg[4], table, leg[3], leg[8])
    for i in range(n):
        ex, ey = point[row, i] - middle[0], point[row + 1, i] - middle[1]
        z = leg[5] * point[TRUE_DEPTH, i] + leg[6]
        ez, x = z - leg[3], math.sqrt(ex * ex + ey * ey)
        if level:
            state, late, higher, _, gain, curve = glance(x, step, cut)
        else:
            state, late, higher, _, gain, curve = blend(x, z, step, leg[4], table, leg[3], leg[8])
        if state == 2:
            state, late, higher, _, gain, curve = solve(x, z, leg, scratch)
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
        sent_cut = at_one_depth(
            sent_leg[5] * place[2, 0] + sent_leg[6], step, sent_leg[4], sent_table, sent_leg[3], sent_leg[8]
        )
        got_cut = at_one_depth(
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
            state, late_t, higher_t, lower_t, gain_t, _ = glance(xt, step, sent_cut)
        else:
            state, late_t, higher_t, lower_t, gain_t, _ = blend(
                xt, sent_z, step, sent_leg[4], sent_table, sent_leg[3], sent_leg[8]
            )
        if state == 2:
            state, late_t, higher_t, lower_t, gain_t, _ = solve(xt, sent_z, sent_leg, scratch)
        if state == 0:
            continue
        if level:
            state, late_g, higher_g, lower_g, gain_g, curve = glance(xg, step, got_cut)
        else:
            state, late_g, higher_g, lower_g, gain_g, curve = blend(
                xg, got_z, step, got_leg[4], got_table, got_leg[3], got_leg[8]
            )
        if state == 2:
            state, late_g, higher_g, lower_g, gain_g, curve = solve(xg, got_z, got_leg, scratch)
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
    if end <= start:
        return end
    solid = in_the_way(out[5:7], start, end, transmit, middle, solid)
    if solid.shape[0] == 0 and relief.shape[0] == 1:
        return end
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
        place[0] = max(math.sqrt(dx * dx + dy * dy), STEEP_M)
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
                place[0] = max(math.sqrt(ex * ex + ey * ey), STEEP_M)
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
