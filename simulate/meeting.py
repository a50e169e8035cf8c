"""Which scatterers a ping meets, directly, along bent rays or by mirrors, and where it sees them."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from ._echo_kernels import select
from ._geometry import PingGeometry, array_axes
from ._surface_kernels import drop_hidden, select_rough
from .bending import BENT_ROWS, MODULUS_ROWS, TRUE_DEPTH, Bending, BentPing
from .bounces import Viewers
from .listening import Stream, chance
from .motion import Track
from .scenario import Scenario
from .scene import Scatterers
from .side_plan import SidePlan

__all__ = ["bent_view", "bounced", "gathered", "met"]

_CHUNK = 8192  # scatterers that are spread at a time: 0.3 MB


def middle_of(geometry: PingGeometry) -> NDArray[np.float64]:
    return np.ascontiguousarray(geometry.way[:, 0, :3].mean(axis=0))


def bent_view(plan: SidePlan, geometry: PingGeometry, bending: Bending | None) -> BentPing | None:
    if bending is None:
        return None
    along = np.ascontiguousarray(geometry.way[:, 0, 3:6].mean(axis=0))
    return bending.ping(geometry.transmit_m, middle_of(geometry), along)


def met(
    plan: SidePlan,
    geometry: PingGeometry,
    near: list[Scatterers],
    late_s: float = 0.0,
    bent: BentPing | None = None,
) -> Iterator[tuple[NDArray[np.float64], int]]:
    """Gather the scatterers that this ping meets and their number, a cacheful at a time.

    (5, n) as :func:`select` leaves them, or along bent rays (:data:`BENT_ROWS`, n).
    """
    viewers = geometry.transmit_m, middle_of(geometry)
    bright = [h.seen_from(*(bent.viewers(h.centre_m) if bent else viewers)) for h in plan.highlights]
    groups = [(s, plan.sector_sine) for s in near] + [(s, 2.0) for s in (*plan.targets, *bright)]
    return gathered(plan, geometry, groups, late_s, bent)


def gathered(plan, geometry, groups, late_s, bent=None, surface=False):
    middle = middle_of(geometry)
    viewers = geometry.transmit_m, middle
    n_row, most = BENT_ROWS if bent else 5, max((s.modulus.size for s, _ in groups), default=0)
    point = np.empty((n_row, _CHUNK + 1 + most))
    sent = (geometry.transmit_m, geometry.transmit_axes, middle)
    shortest, longest = plan.limits(late_s, bent.sound_speed_m_s if bent else None)
    n = 0
    for s, sine in groups:
        limits = (shortest, longest, sine)
        start, what = n, (s.place_m, s.modulus, s.phase_cycles)
        if bent:
            n = bent.select(s, geometry.transmit_axes, limits, n, point)
        elif s.normal.ndim == 1 and not s.law.size:
            n = select(*what, s.normal, *sent, limits, n, point)
        else:
            n = select_rough(*what, s.normal.reshape(3, -1), s.law, *sent, limits, n, point)
        if not surface and (plan.solid.shape[0] or not plan.ground.relief.plane):
            things = plan.solid, plan.ground.relief.table
            if bent:
                n = bent.drop_hidden(point, start, n, *things)
            else:
                n = drop_hidden(point, start, n, *viewers, *things)
        for wake in plan.wakes:
            place = point[[5, 6, TRUE_DEPTH], start:n] if bent else point[:3, start:n]
            factor = wake.factor(place, *viewers)
            for k in MODULUS_ROWS if bent else (3,):
                point[k, start:n] *= factor
        if n >= _CHUNK:
            yield point, n
            n = 0
    if n:
        yield point, n


def bounced(scenario: Scenario, arrival, geometry: PingGeometry, track: Track):
    """Gather the scatterers that a ping meets by mirrors, (8, n) and their number."""
    plan = arrival.plan
    middle = middle_of(geometry)
    face = track.rotation(arrival.time_s + geometry.mid_s) @ array_axes(plan.sonar)[2]
    viewers = Viewers(geometry.transmit_m, geometry.transmit_axes, middle, face)
    key = (arrival.number, int(plan.sonar.side == "starboard"), round(arrival.late_s * 1e6))
    for point, n in plan.bounces.met(
        [(s, plan.sector_sine) for s in arrival.near],
        [(s, 2.0) for s in plan.targets],
        plan.highlights,
        viewers,
        _wide_limits(plan, arrival.late_s),
        plan.solid,
        plan.ground.relief.table,
        chance(scenario.seed, Stream.FACETS, *key),
    ):
        for wake in plan.wakes:
            for viewer, rows in ((geometry.transmit_m, slice(5, 8)), (middle, slice(0, 3))):
                point[3, :n] *= np.exp(-wake.neper_m * wake.within_m(viewer, point[rows, :n]))
        yield point, n


def _wide_limits(plan: SidePlan, late_s: float) -> tuple[float, float]:
    """Path limits of what is gathered in straight lines; the kernels leave out what then comes too early or late."""
    if plan.bends is None:
        return plan.limits(late_s)
    slow, fast = plan.bends.speeds_m_s
    return plan.limits(late_s, slow)[0], plan.limits(late_s, fast)[1]
