"""One ping's rows into one line of channels: plainly, or with weights that turn down arrivals by way of the surface."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .geometry import PingGeometry
from .radiometry import Level
from .records import Correction
from .row_weights import RowWeights
from .side import SidePlan, SideState

__all__ = ["combine_rows", "weigh_rows"]

_BLOCKS_AROUND = 2
"""Blocks of range to either side that the adaptive form averages over."""


def combine_rows(
    plan: SidePlan,
    own: SideState,
    compressed: NDArray[np.float32],
    geometry: PingGeometry,
    level: Level,
    correction: Correction | None,
    out: NDArray[np.float32],
) -> tuple[NDArray[np.float32], Level]:
    """Channels (2, channel, sample) of compressed rows, in ``out`` or the only row where nothing is to be done to it.

    The level comes back with the noise that the rows' weights leave. ``own`` remembers what the adaptive form learns.
    """
    weight = None if correction is None else correction.channel_weight
    level = _with_fewer_channels(plan, level, weight)
    if correction is not None and correction.channel_delay_s is not None:
        plan.combiner.undo_delays(compressed, correction.channel_delay_s)
    if plan.sonar.n_row == 1 and weight is None:
        return compressed[:, 0], level
    delay = _delay(plan)
    sine_up = np.interp(delay, plan.delay_s, level.sine_up) if plan.sonar.n_row > 1 else delay
    rows = weigh_rows(plan, own, compressed, geometry, level, correction)
    if rows is None:
        plan.combiner.run(compressed, sine_up, weight, out)
        return out, level
    at_sample = _between_nodes(plan, delay, rows.weight)
    plan.combiner.run(compressed, sine_up, weight, out, at_sample, plan.rows.set_of_channel)
    return out, replace(level, noise=level.noise * rows.noise_gain)


def _with_fewer_channels(plan: SidePlan, level: Level, weight: NDArray[np.complex64] | None) -> Level:
    """The level of an array from which a calibration left channels out.

    The others' factors keep the shaded sum, so a point's amplitude; the same seabed is then heard by a beam with more in its
    sidelobes: power goes with the sum of squares. Noise is measured with the raised factors.
    """
    if weight is None:
        return level
    shading, live = plan.beamformer.shading, plan.combiner.live
    kept = (live & (weight != 0)).any(axis=0)
    if not kept.any() or (kept | ~live.any(axis=0)).all():
        return level
    raised = (shading.sum() / shading[kept].sum()) ** 2
    seabed = raised * np.sum(shading[kept] ** 2) / np.sum(shading**2)
    return replace(level, amplitude=level.amplitude / np.float32(np.sqrt(seabed)), noise=level.noise / raised)


def weigh_rows(
    plan: SidePlan,
    own: SideState,
    compressed: NDArray[np.float32],
    geometry: PingGeometry,
    level: Level,
    correction: Correction | None,
) -> RowWeights | None:
    """Weights of the rows at the plan's delays, None where they are averaged plainly."""
    mode = plan.rows.settings.rows
    if plan.sonar.n_row == 1 or mode == "plain":
        return None
    seen = np.isfinite(level.noise)
    if mode == "null":
        range_m = plan.radiometer.sound_speed_m_s * plan.delay_s / 2
        return plan.rows.from_geometry(geometry, range_m, level.sine_up, seen)
    delay = _delay(plan)
    block_s = plan.delay_s[plan.steps] - plan.delay_s[0]
    found = plan.combiner.covariance(
        compressed,
        np.interp(delay, plan.delay_s, level.sine_up),
        None if correction is None else correction.channel_weight,
        block_s * plan.compressor.sample_rate_hz,
        (plan.delay_s.size - 1) // plan.steps,
    )
    own.row_pings = min(own.row_pings + 1, plan.rows.settings.memory_pings)
    if own.row_covariance is None:
        own.row_covariance = found
    else:
        own.row_covariance = own.row_covariance + (found - own.row_covariance) / own.row_pings
    coarse = plan.rows.from_covariance(_around_nodes(own.row_covariance), seen[:: plan.steps])
    return _at_nodes(coarse, plan.steps)


def _delay(plan: SidePlan) -> NDArray[np.float64]:
    return plan.compressor.first_delay_s + np.arange(plan.compressor.n_out) / plan.compressor.sample_rate_hz


def _between_nodes(
    plan: SidePlan, delay_s: NDArray[np.float64], at_node: NDArray[np.complex128]
) -> NDArray[np.complex64]:
    """Weights (set, row, node) read linearly at delays; the sum over rows stays 1."""
    place = (delay_s - plan.delay_s[0]) / (plan.delay_s[1] - plan.delay_s[0])
    k = np.clip(place.astype(int), 0, plan.delay_s.size - 2)
    w = place - k
    return (at_node[..., k] * (1 - w) + at_node[..., k + 1] * w).astype(np.complex64)


def _at_nodes(coarse: RowWeights, steps: int) -> RowWeights:
    """Weights at blocks' ends, read linearly at all nodes; the sum over rows stays 1."""
    if steps == 1:
        return coarse
    n = coarse.noise_gain.size
    place = np.arange((n - 1) * steps + 1) / steps
    k = np.minimum(place.astype(int), n - 2)
    w = place - k
    return RowWeights(
        coarse.weight[..., k] * (1 - w) + coarse.weight[..., k + 1] * w,
        coarse.noise_gain[k] * (1 - w) + coarse.noise_gain[k + 1] * w,
    )


def _around_nodes(block: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Covariances (node, row, row) from those between the nodes, summed over the blocks around each."""
    total = np.concatenate([np.zeros_like(block[:1]), np.cumsum(block, axis=0)])
    n = block.shape[0]
    node = np.arange(n + 1)
    low, high = np.maximum(node - _BLOCKS_AROUND, 0), np.minimum(node + _BLOCKS_AROUND, n)
    return total[high] - total[low]
