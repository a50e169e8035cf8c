"""Polygons on the seabed: what lies inside one, and whether two overlap."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["inside", "is_simple", "overlap"]

Corners = Sequence[tuple[float, float]]


def inside(corners: Corners, x: ArrayLike, y: ArrayLike) -> NDArray[np.bool_]:
    """Whether places lie inside a simple polygon: a ray from them crosses its edges an odd number of times."""
    x, y = np.broadcast_arrays(np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64))
    found = np.zeros(x.shape, dtype=bool)
    for (xa, ya), (xb, yb) in _edges(corners):
        if ya != yb:
            found ^= ((ya > y) != (yb > y)) & (x < xa + (xb - xa) * (y - ya) / (yb - ya))
    return found


def _edges(corners: Corners) -> list[tuple[tuple[float, float], tuple[float, float]]]:
    return list(zip(corners, [*corners[1:], corners[0]], strict=True))


def _side(a, b, p) -> float:
    return (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0])


def _cross(first, second) -> bool:
    """Whether two edges cross within both; edges that only touch don't."""
    (a, b), (c, d) = first, second
    return _side(a, b, c) * _side(a, b, d) < 0 and _side(c, d, a) * _side(c, d, b) < 0


def is_simple(corners: Corners) -> bool:
    """Whether no two edges cross and there is an area."""
    edges = _edges(corners)
    area = sum(a[0] * b[1] - b[0] * a[1] for a, b in edges)
    return area != 0 and not any(_cross(e, f) for i, e in enumerate(edges) for f in edges[:i])


def overlap(first: Corners, second: Corners) -> bool:
    """Whether two simple polygons share an area; a common edge is none."""
    if any(_cross(e, f) for e in _edges(first) for f in _edges(second)):
        return True
    return _holds(first, second) or _holds(second, first)


def _holds(outer: Corners, inner: Corners) -> bool:
    """Whether a place well inside ``inner`` lies in ``outer``: its corners drawn a little inwards, and its middle."""
    points = np.array(inner, dtype=np.float64)
    probes = [*_probes(points)]
    x, y = np.array(probes).T
    return bool((inside(outer, x, y) & inside(inner, x, y)).any())


def _probes(points: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    """Midpoints of all pairs of corners and of the edges, drawn a little to either side."""
    size = np.ptp(points, axis=0).max()
    probes = []
    for i, a in enumerate(points):
        for b in points[:i]:
            along = b - a
            aside = np.array([-along[1], along[0]]) / max(np.hypot(*along), 1e-12) * size * 1e-6
            probes += [(a + b) / 2 + aside, (a + b) / 2 - aside]
    return probes
