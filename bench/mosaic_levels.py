"""Evening the levels of a mosaic's strips by their seams."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .mosaic_plan import MosaicPlan
from .mosaicking import mosaic_blocks
from .seams import Seam, Tally

__all__ = ["even_levels", "strip_levels_db"]


def even_levels(plan: MosaicPlan) -> MosaicPlan:
    """Return the same plan with a level for each strip; the seams are measured in a pass of its own.

    One number a strip can't follow what differs by angle: strips see a place at different grazing angles, and a
    seabed's level falls with it. What is left is in the seams that are printed.
    """
    tally = Tally(plan.grid)
    for _ in mosaic_blocks(plan, tally):
        pass
    return replace(plan, levels_db=strip_levels_db(tally.seams(), len(plan.strips)))


def strip_levels_db(seams: list[Seam], n_strip: int) -> tuple[float, ...]:
    """Levels to add to the strips: least squares over the seams, each weighing by its area. [dB]

    Strips that hang together have levels of mean zero; one without a seam keeps its own.
    """
    known = [s for s in seams if np.isfinite(s.level_db)]
    if not known:
        return (0.0,) * n_strip
    matrix, wanted = np.zeros((len(known), n_strip)), np.zeros(len(known))
    for row, seam in enumerate(known):
        weight = np.sqrt(seam.area_m2)
        matrix[row, [seam.first, seam.second]] = -weight, weight
        wanted[row] = -weight * seam.level_db
    # Of all solutions the shortest: no common level is added to strips that hang together.
    found = np.linalg.lstsq(matrix, wanted, rcond=1e-9)[0]
    return tuple(float(np.round(v, 9)) for v in found)
