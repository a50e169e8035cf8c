"""Ways between the sonar and a place by mirrors, unfolded: level surface at depth 0, level bottom at the water's depth.

A way is named by its bounces from the sonar outward, ``""`` direct, ``"S"`` by the surface, ``"BS"`` down, up and down.
Reflecting the world in each mirror makes it a straight line: from the sonar to the image of the place, or, reflected
back, from an image of the sonar to the place. Both are one line seen from its two ends. The simulator's kernels take the
scatterer's image, since then transmitter and receivers stay what they are, with their true motion, axes and patterns:
delays, launch and arrival angles and the Doppler of a moving array come out of the same formulas as for the direct way.
What happens at the scatterer (the surface's law, what stands before it) takes the sonar's image.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Way", "WayGeometry", "way_geometry", "ways"]


@dataclass(frozen=True, slots=True)
class Way:
    """A way between sonar and place, out or back.

    Parameters
    ----------
    bounces : str
        ``S`` and ``B`` in turn, from the sonar outward.
    sign, shift_m : float
        The image of a place at depth z, seen from the sonar, lies at ``sign * z + shift_m``.
    """

    bounces: str
    sign: float
    shift_m: float

    @classmethod
    def of(cls, bounces: str, water_depth_m: float) -> Way:
        """Unfold the way with the given bounces."""
        sign, shift = 1.0, 0.0
        for mirror in reversed(bounces):  # the place is reflected first in the mirror that it sees
            sign, shift = -sign, (0.0 if mirror == "S" else 2 * water_depth_m) - shift
        return cls(bounces, sign, shift)

    @property
    def n_surface(self) -> int:
        """Bounces off the surface."""
        return self.bounces.count("S")

    @property
    def n_bottom(self) -> int:
        """Bounces off the bottom."""
        return self.bounces.count("B")

    def image_of_place(self, depth_m: ArrayLike) -> NDArray[np.float64]:
        """Depth at which the sonar sees a place."""
        return self.sign * np.asarray(depth_m, dtype=np.float64) + self.shift_m

    def image_of_sonar(self, depth_m: ArrayLike) -> NDArray[np.float64]:
        """Depth at which a place sees the sonar: the reflections in reverse."""
        return self.sign * (np.asarray(depth_m, dtype=np.float64) - self.shift_m)


def ways(order: int, water_depth_m: float, *, to_seabed: bool) -> list[Way]:
    """Return the ways with up to ``order`` bounces, direct first; those to the seabed come down onto it."""
    found = [Way.of("", water_depth_m)]
    for n in range(1, order + 1):
        for last in "S" if to_seabed else "SB":
            other = "B" if last == "S" else "S"
            found.append(
                Way.of("".join(last if k % 2 == 0 else other for k in range(n))[::-1], water_depth_m)
            )
    return found


class WayGeometry(NamedTuple):
    """One way; angles to the horizontal."""

    length_m: NDArray[np.float64]
    launch_rad: NDArray[np.float64]
    """At the sonar, positive upward."""
    arrival_rad: NDArray[np.float64]
    """At the place, of where the sound comes from, positive from above."""
    grazing_rad: NDArray[np.float64]
    """At every bounce, positive."""
    bounce_m: NDArray[np.float64]
    """(bounce, ...) horizontal distance of each from the sonar."""


def way_geometry(
    way: Way,
    sonar_depth_m: ArrayLike,
    place_depth_m: ArrayLike,
    horizontal_m: ArrayLike,
    water_depth_m: float,
) -> WayGeometry:
    """Return length and angles of a way, and where it bounces.

    Parameters
    ----------
    sonar_depth_m, place_depth_m, horizontal_m : array_like of float64
        Broadcast against each other. [m]
    """
    sonar, place, x = np.broadcast_arrays(
        *(np.asarray(v, dtype=np.float64) for v in (sonar_depth_m, place_depth_m, horizontal_m))
    )
    down = way.image_of_place(place) - sonar
    length = np.hypot(x, down)
    angle = np.arctan2(down, x)
    first = sonar if way.bounces.startswith("S") else water_depth_m - sonar
    bounce = [x * (first + k * water_depth_m) / np.abs(down) for k in range(len(way.bounces))]
    return WayGeometry(
        length, -angle, way.sign * angle, np.abs(angle), np.array(bounce).reshape(-1, *x.shape)
    )
