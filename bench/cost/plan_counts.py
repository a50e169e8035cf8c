"""Operations and bytes of the project's own plans, for one ping and side."""

from __future__ import annotations

from pingloom.imaging.beamform import Beamformer
from pingloom.imaging.side import SidePlan

from . import counts

__all__ = ["count_beams", "count_ground", "count_ping"]


def count_beams(plan: Beamformer, *, detect: bool) -> counts.Count:
    """Operations and bytes of a beam plan: steered beams detected, or the field that is laid."""
    patches = [
        counts.BeamPatch(
            n_beam=p.beams[1] - p.beams[0],
            n_sample=p.samples[1] - p.samples[0],
            n_table=p.table.shape[0],
            degree=p.taps.shape[0],
            focus_side=p.taps.shape[1] - 1,
            n_product=(2 if p.folded else 1) * int(p.used.sum()),
            n_filtered=(2 if p.folded else 1) * int(p.used[1:].sum()),
            steer_side=p.symmetric.shape[1],
        )
        for p in plan.patches
    ]
    count = counts.beams(patches, plan.frame.along_m.size)
    if detect:
        return count + counts.detection(plan.steered.size * plan.n_sample)
    taps = 2 * plan.between_beams.size, 2 * plan.between_samples.size
    return count + counts.between(plan.direction.size, plan.n_sample, *taps)


def count_ground(side: SidePlan, n_pixel: int) -> counts.Count:
    """Operations and bytes of laying a look of so many pixels."""
    plan, taps = side.beamformer, side.readout
    n_tap = taps.delay_taps.size * 4 // (2 * taps.direction_taps.size)
    return counts.ground(n_pixel, plan.direction.size, plan.n_sample * plan.upsampling, n_tap)


def count_ping(side: SidePlan, n_pixel: int) -> counts.Count:
    """Operations and bytes of the three large stages of one ping of one side; tables of a ping are not counted."""
    filtered = counts.matched_filter(side.sonar.n_channel, side.sonar.n_sample, side.compressor.n_fft)
    return filtered + count_beams(side.beamformer, detect=False) + count_ground(side, n_pixel)
