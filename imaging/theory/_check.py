"""Refusals that the formulas share."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from pingloom.imaging.errors import ParameterError


def positive(**values: ArrayLike) -> list[Any]:
    """Return the values as float64 (scalars stay scalars), refusing what is not above 0 and finite."""
    return [_inside(name, value, 0.0, np.inf, open_low=True) for name, value in values.items()]


def not_negative(**values: ArrayLike) -> list[Any]:
    """Return the values as float64, refusing what is below 0 or not finite."""
    return [_inside(name, value, 0.0, np.inf, open_low=False) for name, value in values.items()]


def fraction(**values: ArrayLike) -> list[Any]:
    """Return the values as float64, refusing what is not between 0 and 1, both excluded."""
    return [_inside(name, value, 0.0, 1.0, open_low=True, open_high=True) for name, value in values.items()]


def _inside(
    name: str, value: ArrayLike, low: float, high: float, *, open_low: bool, open_high: bool = False
) -> Any:
    array = np.asarray(value, dtype=np.float64)
    good = np.isfinite(array) & ((array > low) if open_low else (array >= low)) & (array <= high)
    if open_high:
        good &= array < high
    if not good.all():
        got = array[~good].flat[0]
        allowed = f"{'above' if open_low else 'at least'} {low:g}"
        if np.isfinite(high):
            allowed += f" and {'below' if open_high else 'at most'} {high:g}"
        raise ParameterError(
            f"{name} is {got:g}; allowed: finite numbers {allowed}. Check the value and its unit."
        )
    return array[()]


def real_weights(name: str, weights: ArrayLike) -> Any:
    """Return a one-dimensional float64 copy, refusing what can't be a taper."""
    array = np.array(weights, dtype=np.float64)
    if array.ndim != 1 or array.size < 1 or not np.isfinite(array).all() or not array.sum() > 0:
        raise ParameterError(
            f"{name} has shape {array.shape} and sum {array.sum():g}; allowed: one axis of finite real weights "
            "with a sum above 0. Give one weight per element."
        )
    return array
