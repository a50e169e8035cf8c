"""Echoes by way of a flat surface and a flat bottom: every leg of a path is straight towards a mirror image.

Unfolding a leg that meets the surface (depth 0) or the bottom (depth H) gives a straight line to the image of the
point in those mirrors; length, time and both ends' angles at the array are those of that line (method of images, e.g.
Brekhovskikh and Lysanov, Fundamentals of Ocean Acoustics, from memory). Straight rays: one sound speed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from .echo_sum import Pose, Sonar, Water, echoes

__all__ = ["grazing_angles", "image_of", "mirrored_echoes"]

# A leg, seen from the array outward: "" direct, "s" one bounce at the surface, "bs" first bottom, then surface.
Factor = Callable[[str, NDArray[np.float64]], NDArray[np.complex128]]


def image_of(points_m: NDArray[np.float64], leg: str, bottom_m: float) -> NDArray[np.float64]:
    """Where the array seems to see points (n, 3) along a leg: mirrored in the bounces, the last one first."""
    image = np.array(points_m, float)
    for bounce in reversed(leg):
        image[:, 2] = -image[:, 2] if bounce == "s" else 2 * bottom_m - image[:, 2]
    return image


def grazing_angles(array_m: NDArray[np.float64], image_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """Angle of each leg with the horizontal, (n,) [rad]: the same at every bounce, as surface and bottom are level."""
    ray = image_m - array_m
    return np.abs(np.arctan2(ray[:, 2], np.hypot(ray[:, 0], ray[:, 1])))


def mirrored_echoes(
    sonar: Sonar,
    pose: Pose,
    ping_time_s: NDArray,
    points_m: NDArray,
    amplitude: NDArray,
    water: Water,
    *,
    legs: Sequence[tuple[str, str]],
    bottom_m: float,
    factor: Factor,
    **options,
) -> NDArray[np.complex128]:
    """Sum the echoes over pairs of legs (out, back); ``options`` as for ``echoes``.

    ``factor(bounce, grazing_rad)`` is the amplitude that one bounce leaves, "s" or "b".
    """
    total = 0
    for out, back in legs:
        seen = [image_of(points_m, leg, bottom_m) for leg in (out, back)]
        weight = np.array(amplitude, complex)
        middle = pose(np.asarray(ping_time_s[0] + sonar.duration_s / 2))[:3]
        for leg, image in zip((out, back), seen, strict=True):
            angle = grazing_angles(middle, image)
            for bounce in leg:
                weight = weight * factor(bounce, angle)
        total = total + echoes(sonar, pose, ping_time_s, seen[0], weight, water, back_m=seen[1], **options)
    return total
