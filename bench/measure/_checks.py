"""What all measures ask of their input, said in the same words."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pingloom.imaging.errors import DataError, ParameterError

Pair = tuple[float, float]


def as_image(name: str, values: ArrayLike) -> NDArray[np.float64]:
    """Return ``values`` as a float64 (along, across) array; infinities are refused, NaN means not seen."""
    image = np.asarray(values)
    if image.dtype.kind not in "fiub":
        raise ParameterError(
            f"{name} has type {image.dtype}; allowed: real intensities. Take |amplitude|^2 of complex data first."
        )
    image = image.astype(np.float64)
    if image.ndim != 2 or image.size == 0:
        raise ParameterError(
            f"{name} has shape {image.shape}; allowed: two axes (along, across), not empty. Select one layer."
        )
    if np.isinf(image).any():
        raise DataError(
            f"{name} holds infinities; allowed: finite intensities, NaN where not seen. Mask them as NaN."
        )
    return image


def usable(name: str, image: NDArray[np.float64], exclude: ArrayLike | None = None) -> NDArray[np.bool_]:
    """Return where ``image`` is seen and not excluded."""
    seen = np.isfinite(image)
    if exclude is None:
        return seen
    excluded = as_mask("exclude", exclude, image.shape)
    return seen & ~excluded


def as_mask(name: str, values: ArrayLike, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Return ``values`` as a boolean array of ``shape``."""
    mask = np.asarray(values)
    if mask.dtype != np.bool_ or mask.shape != shape:
        raise ParameterError(
            f"{name} is {mask.dtype} of shape {mask.shape}; allowed: bool of the image's shape {shape}. "
            "Build it with a comparison on the same grid."
        )
    return mask


def as_pair(name: str, values: Any, *, positive: bool = False) -> Pair:
    """Return ``values`` as two finite numbers (along, across)."""
    try:
        first, second = (float(v) for v in values)
    except (TypeError, ValueError) as error:
        raise ParameterError(f"{name} is {values!r}; allowed: two numbers (along, across).") from error
    if not np.isfinite([first, second]).all() or (positive and min(first, second) <= 0):
        allowed = "two numbers above 0" if positive else "two finite numbers"
        raise ParameterError(f"{name} is ({first:g}, {second:g}); allowed: {allowed} (along, across).")
    return first, second


def as_positive(name: str, value: float) -> float:
    """Return ``value`` as a finite number above 0."""
    number = float(value)
    if not (np.isfinite(number) and number > 0):
        raise ParameterError(f"{name} is {number:g}; allowed: a finite number above 0.")
    return number
