"""Rays in water whose sound speed changes with depth: straight-line thinking corrected.

Within a layer the sound speed is linear in depth, so a ray is an arc of a circle and everything about it has a
closed form. Two identities keep these forms exact where the textbook ones lose all digits (weak gradients):
an arc's chord points along the mean of its end directions, and its travel time is

    t = (2/|g|) asinh(|g| r / (2 sqrt(c0 c1)))

for a chord of length r between sound speeds c0 and c1. Angles are from the horizontal, positive towards the
target; everything is float64.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .errors import ParameterError

__all__ = [
    "Layers",
    "Ray",
    "arc_horizontal_m",
    "arc_radius_m",
    "arc_time_s",
    "eigenray",
    "layers_between",
    "layers_eigenray",
    "layers_horizontal_m",
    "layers_trace",
]


class Ray(NamedTuple):
    """A ray from source to target; the fields have the broadcast shape of what was asked."""

    launch_rad: Any
    """At the source, below the horizontal if the target is deeper, above it if shallower."""
    arrival_rad: Any
    """At the target, in the same sense: the grazing angle on a level seabed."""
    horizontal_m: Any
    time_s: Any


def _speeds(surface: ArrayLike, gradient: ArrayLike, drop: ArrayLike) -> tuple[Any, Any]:
    c0 = np.asarray(surface, dtype=np.float64)
    c1 = c0 + np.asarray(gradient, dtype=np.float64) * np.asarray(drop, dtype=np.float64)
    for name, c in (("sound_speed_m_s", c0), ("sound speed at the target", c1)):
        if not (np.isfinite(c) & (c > 0)).all():
            raise ParameterError(f"{name} is {np.min(c):g}; allowed: above 0. Check gradient_s and drop_m.")
    return c0, c1


def _arc_time(chord: Any, c0: Any, c1: Any, gradient: Any) -> Any:
    mean = np.sqrt(c0 * c1)
    z = np.abs(gradient) * chord / (2 * mean)
    # asinh(z)/z tends to 1: below 1e-4 its series is exact to rounding.
    small = z < 1e-4
    ratio = np.where(small, 1 - z**2 / 6, np.arcsinh(z) / np.where(small, 1.0, z))
    return chord / mean * ratio


def arc_time_s(
    sound_speed_m_s: ArrayLike, gradient_s: ArrayLike, drop_m: ArrayLike, horizontal_m: ArrayLike
) -> Any:
    """One-way travel time along the arc between two points.

    Parameters
    ----------
    sound_speed_m_s : array_like
        At the source. [m/s]
    gradient_s : array_like
        Change of sound speed per metre towards the target. [1/s]
    drop_m : array_like
        Vertical distance from source to target, not negative. [m]
    horizontal_m : array_like
        [m]

    Returns
    -------
    ndarray of float64
        [s]

    Raises
    ------
    ParameterError
        If a sound speed is not positive.
    """
    c0, c1 = _speeds(sound_speed_m_s, gradient_s, drop_m)
    return _arc_time(np.hypot(horizontal_m, drop_m), c0, c1, np.asarray(gradient_s, dtype=np.float64))[()]


def arc_horizontal_m(
    sound_speed_m_s: ArrayLike, gradient_s: ArrayLike, drop_m: ArrayLike, time_s: ArrayLike
) -> Any:
    """Horizontal distance of the target whose echo takes ``time_s`` one way; NaN before the vertical one. [m]

    The inverse of :func:`arc_time_s`; parameters as there.
    """
    c0, c1 = _speeds(sound_speed_m_s, gradient_s, drop_m)
    g, t = np.asarray(gradient_s, dtype=np.float64), np.asarray(time_s, dtype=np.float64)
    half = g * t / 2
    small = np.abs(half) < 1e-4
    ratio = np.where(small, 1 + half**2 / 6, np.sinh(half) / np.where(small, 1.0, half))
    chord = np.sqrt(c0 * c1) * t * ratio
    square = (chord - drop_m) * (chord + drop_m)
    # The vertical echo itself must not fall to rounding.
    return np.where(square >= -1e-14 * chord**2, np.sqrt(np.maximum(square, 0)), np.nan)[()]


def arc_radius_m(sound_speed_m_s: ArrayLike, gradient_s: ArrayLike, launch_rad: ArrayLike) -> Any:
    """Radius of a ray's circle: c0/(|g| cos(launch)); infinite without a gradient. [m]"""
    bend = np.abs(gradient_s) * np.cos(launch_rad)
    with np.errstate(divide="ignore"):
        return np.divide(sound_speed_m_s, bend)


def eigenray(
    sound_speed_m_s: ArrayLike, gradient_s: ArrayLike, drop_m: ArrayLike, horizontal_m: ArrayLike
) -> Ray:
    """Ray from a source to a target through one linear gradient, exact; parameters as :func:`arc_time_s`.

    The arc may pass a turning point: then the launch angle is negative for a positive drop.

    Raises
    ------
    ParameterError
        If a sound speed is not positive.
    """
    c0, c1 = _speeds(sound_speed_m_s, gradient_s, drop_m)
    g = np.asarray(gradient_s, dtype=np.float64)
    x, h = np.asarray(horizontal_m, dtype=np.float64), np.asarray(drop_m, dtype=np.float64)
    # The circle's centre lies at the depth of no sound speed; its horizontal offset times g:
    #     g xc = (g/2x)(x^2 + (c1^2 - c0^2)/g^2) = g x/2 + (c1 + c0) h/(2x)
    launch = np.arctan2(g * x**2 + (c1 + c0) * h, 2 * x * c0)
    arrival = np.arctan2(-g * x**2 + (c1 + c0) * h, 2 * x * c1)
    time = _arc_time(np.hypot(x, h), c0, c1, g)
    return Ray(launch[()], arrival[()], np.broadcast_to(x, np.shape(time))[()], time[()])


# --- layers ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layers:
    """The water between a source and a target, in the order of travel; sound speed is linear in each layer."""

    thickness_m: NDArray[np.float64]
    """(n,) above 0. [m]"""
    speed_in_m_s: NDArray[np.float64]
    """(n,) where the ray enters the layer. [m/s]"""
    speed_out_m_s: NDArray[np.float64]
    """(n,) where it leaves it. [m/s]"""

    def __post_init__(self) -> None:
        for name in ("thickness_m", "speed_in_m_s", "speed_out_m_s"):
            array = np.array(getattr(self, name), dtype=np.float64)
            array.flags.writeable = False
            object.__setattr__(self, name, array)
            if array.ndim != 1 or array.shape != np.shape(self.thickness_m) or array.size == 0:
                raise ParameterError(f"layers.{name} has shape {array.shape}; allowed: one value per layer.")
            if not (np.isfinite(array) & (array > 0)).all():
                raise ParameterError(f"layers.{name} has {array.min():g}; allowed: finite values above 0.")

    @property
    def drop_m(self) -> float:
        """Vertical distance from source to target. [m]"""
        return float(self.thickness_m.sum())

    @property
    def vertical_time_s(self) -> float:
        """One-way time straight down or up. [s]"""
        gradient = (self.speed_out_m_s - self.speed_in_m_s) / self.thickness_m
        return float(_arc_time(self.thickness_m, self.speed_in_m_s, self.speed_out_m_s, gradient).sum())

    @property
    def mean_speed_m_s(self) -> float:
        """Vertical distance over vertical time. [m/s]"""
        return self.drop_m / self.vertical_time_s


def layers_between(
    profile_depth_m: ArrayLike, profile_speed_m_s: ArrayLike, source_depth_m: float, target_depth_m: float
) -> Layers:
    """Cut a sound-speed profile to what lies between two depths; beyond its ends the end values hold.

    Parameters
    ----------
    profile_depth_m : array_like, shape (k,)
        Strictly increasing. [m]
    profile_speed_m_s : array_like, shape (k,)
        Linear in between. [m/s]
    source_depth_m, target_depth_m : float
        Different; the target may be the shallower one. [m]

    Raises
    ------
    ParameterError
        If the profile doesn't increase in depth, or the depths are equal.
    """
    depth = np.array(profile_depth_m, dtype=np.float64)
    speed = np.array(profile_speed_m_s, dtype=np.float64)
    if depth.ndim != 1 or depth.shape != speed.shape or depth.size == 0 or np.any(np.diff(depth) <= 0):
        raise ParameterError(
            f"profile has depths of shape {depth.shape} and speeds of shape {speed.shape}; allowed: two equal rows, "
            "depths strictly increasing. Sort the profile and drop repeated depths."
        )
    low, high = sorted((float(source_depth_m), float(target_depth_m)))
    if not low < high:
        raise ParameterError(
            f"source_depth_m and target_depth_m are both {low:g}; allowed: different depths."
        )
    edges = np.concatenate([[low], depth[(depth > low) & (depth < high)], [high]])
    if source_depth_m > target_depth_m:
        edges = edges[::-1]
    at_edge = np.interp(edges, depth, speed)
    return Layers(thickness_m=np.abs(np.diff(edges)), speed_in_m_s=at_edge[:-1], speed_out_m_s=at_edge[1:])


def layers_trace(layers: Layers, launch_rad: ArrayLike) -> Ray:
    """Follow rays by their launch angle to the target's depth.

    Parameters
    ----------
    layers : Layers
    launch_rad : array_like
        Above 0, up to pi/2. [rad]

    Returns
    -------
    Ray
        NaN for a ray that turns back before it gets there.
    """
    launch = np.asarray(launch_rad, dtype=np.float64)
    if not ((launch > 0) & (launch <= np.pi / 2)).all():
        raise ParameterError(f"launch_rad is {np.min(launch):g}; allowed: above 0, up to pi/2. Use radians.")
    horizontal, time, sine = _trace(layers, np.sin(launch) ** 2)
    arrival = np.where(np.isfinite(horizontal), np.arcsin(sine), np.nan)
    return Ray(launch[()], arrival[()], horizontal[()], time[()])


def _trace(layers: Layers, sine_squared: NDArray[np.float64]) -> tuple[Any, Any, Any]:
    """Horizontal distance, time and sine at the target of rays given by the squared sine of their launch angle."""
    s2 = np.asarray(sine_squared, dtype=np.float64)
    c_source = layers.speed_in_m_s[0]
    horizontal, time = np.zeros(s2.shape), np.zeros(s2.shape)
    sine_out = np.sqrt(s2)
    for h, c_in, c_out in zip(layers.thickness_m, layers.speed_in_m_s, layers.speed_out_m_s, strict=True):
        sine_in = sine_out
        # sin^2 = 1 - (c/c_source)^2 cos^2(launch), written so that grazing rays keep their digits
        left = s2 - (1 - s2) * ((c_out - c_source) * (c_out + c_source) / c_source**2)
        sine_out = np.sqrt(np.where(left > 0, left, np.nan))
        cosine = np.sqrt(1 - s2) * (c_in + c_out) / c_source  # sum at both ends, by Snell
        along = h * cosine / (sine_in + sine_out)  # the chord points along the mean of the end directions
        horizontal = horizontal + along
        time = time + _arc_time(np.hypot(along, h), c_in, c_out, (c_out - c_in) / h)
    return horizontal, time, sine_out


def _find(layers: Layers, wanted: NDArray[np.float64], reached: Callable[[Any], Any]) -> NDArray[np.float64]:
    """Squared sine of the launch angle at which ``reached``, which falls with it, equals ``wanted``; else NaN.

    Halves the logarithm of the distance to the critical ray: near it all distances crowd.
    """
    fastest = max(layers.speed_in_m_s.max(), layers.speed_out_m_s.max())
    critical = 1 - (layers.speed_in_m_s[0] / fastest) ** 2
    low = np.full(wanted.shape, np.log(1e-13))
    high = np.full(wanted.shape, np.log(1 - critical))
    for _ in range(64):
        middle = (low + high) / 2
        value = reached(_trace(layers, np.minimum(critical + np.exp(middle), 1.0)))
        too_far = ~(value <= wanted)  # a ray that turns back (NaN) was launched too flat
        low, high = np.where(too_far, middle, low), np.where(too_far, high, middle)
    sine_squared = np.minimum(critical + np.exp(high), 1.0)
    farthest = reached(_trace(layers, np.minimum(critical + np.full(wanted.shape, 1e-13), 1.0)))
    return np.where(wanted <= np.where(np.isfinite(farthest), farthest, np.inf), sine_squared, np.nan)


def layers_eigenray(layers: Layers, horizontal_m: ArrayLike) -> Ray:
    """Ray that meets a target at a horizontal distance without turning back on its way.

    Parameters
    ----------
    layers : Layers
    horizontal_m : array_like
        Not negative. [m]

    Returns
    -------
    Ray
        NaN where no such ray exists: the target lies in the shade of a faster layer.

    Raises
    ------
    ParameterError
        If a distance is negative.
    """
    x = np.asarray(horizontal_m, dtype=np.float64)
    if not (x >= 0).all():
        raise ParameterError(f"horizontal_m is {np.min(x):g}; allowed: at least 0. Give a distance.")
    s2 = _find(layers, x, lambda ray: ray[0])
    horizontal, time, sine = _trace(layers, s2)
    return Ray(np.arcsin(np.sqrt(s2))[()], np.arcsin(sine)[()], horizontal[()], time[()])


def layers_horizontal_m(layers: Layers, time_s: ArrayLike) -> Any:
    """Horizontal distance of the target whose echo takes ``time_s`` one way.

    Parameters
    ----------
    layers : Layers
    time_s : array_like
        One-way times. [s]

    Returns
    -------
    ndarray of float64
        NaN before the vertical echo, and beyond the last ray that does not turn back. [m]
    """
    t = np.asarray(time_s, dtype=np.float64)
    horizontal = _trace(layers, _find(layers, t, lambda ray: ray[1]))[0]
    return np.where(t >= layers.vertical_time_s, horizontal, np.nan)[()]
