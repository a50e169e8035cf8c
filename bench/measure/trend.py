"""A slowly varying mean level, and intensity divided by it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pingloom.imaging.errors import DataError, ParameterError

from ._checks import as_image, usable

__all__ = ["check_degree", "level_trend", "normalised"]


def level_trend(
    patch: ArrayLike, *, degree: tuple[int, int] = (1, 1), exclude: ArrayLike | None = None
) -> NDArray[np.float64]:
    """Fit a slowly varying mean level, the exponential of a polynomial in each axis.

    The fit maximises the likelihood of gamma-distributed intensities (log link), so a few bright pixels don't pull
    it as they would a fit to intensity, and the logarithm of speckle never enters. Negative intensities, as noise
    subtraction leaves them, are allowed.

    Parameters
    ----------
    patch : array_like of float, shape (along, across)
        Intensity, NaN where not seen.
    degree : tuple of int
        Degree along and across, each 0 to 8.
    exclude : array_like of bool, shape (along, across), optional
        True where a pixel must not count.

    Returns
    -------
    ndarray of float64, shape (along, across)
        Fitted mean intensity, also where the patch is NaN.

    Raises
    ------
    ParameterError
        If a degree is out of range.
    DataError
        If too few pixels are left, or their mean is not positive.
    """
    image = as_image("patch", patch)
    use = usable("patch", image, exclude)
    degree_along, degree_across = check_degree(degree)
    n_parameter = 1 + degree_along + degree_across
    if use.sum() < 10 * n_parameter:
        raise DataError(
            f"patch has {int(use.sum())} usable pixels; allowed: at least {10 * n_parameter} for a trend of "
            f"{n_parameter} parameters. Take a larger patch or a lower degree."
        )
    values = image[use]
    _positive_mean(values)
    basis = _basis(image.shape, (degree_along, degree_across))
    return np.exp(_fit_log_level(values, basis[:, use], basis))


def check_degree(degree: tuple[int, int]) -> tuple[int, int]:
    """Return ``degree`` as two whole numbers from 0 to 8, or raise ``ParameterError``."""
    along, across = degree
    if int(along) != along or int(across) != across or not (0 <= along <= 8 and 0 <= across <= 8):
        raise ParameterError(f"degree is {degree}; allowed: two whole numbers from 0 to 8 (along, across).")
    return int(along), int(across)


def _positive_mean(values: NDArray[np.float64]) -> float:
    mean = float(values.mean())
    if mean <= 0:
        raise DataError(
            f"patch has mean intensity {mean:g}; allowed: above 0. Take a patch where the echo exceeds the noise."
        )
    return mean


def _basis(shape: tuple[int, int], degree: tuple[int, int]) -> NDArray[np.float64]:
    """Return Legendre polynomials (parameter, along, across): the constant, then each axis alone."""
    layers = [np.ones(shape)]
    for axis in (0, 1):
        x = np.linspace(-1, 1, shape[axis]) if shape[axis] > 1 else np.zeros(1)
        for order in range(1, degree[axis] + 1):
            column = np.polynomial.legendre.Legendre.basis(order)(x)
            layers.append(np.broadcast_to(np.expand_dims(column, 1 - axis), shape))
    return np.array(layers)


def _fit_log_level(
    values: NDArray[np.float64], basis: NDArray[np.float64], everywhere: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Fisher scoring for a gamma law with log link: its weights are all one, so one inverse serves all steps."""
    coefficient = np.zeros(basis.shape[0])
    coefficient[0] = np.log(values.mean())
    inverse = np.linalg.pinv(basis @ basis.T)
    for _ in range(50):
        residual = values * np.exp(-np.tensordot(coefficient, basis, 1)) - 1
        step = inverse @ (basis @ residual)
        # A step above one neper overshoots where the first level is far off.
        coefficient = coefficient + step / max(1.0, float(np.abs(step).max()))
        if np.abs(step).max() < 1e-9:
            break
    return np.tensordot(coefficient, everywhere, 1)


def normalised(
    patch: ArrayLike, exclude: ArrayLike | None, degree: tuple[int, int]
) -> tuple[NDArray[np.float64], NDArray[np.bool_], float]:
    """Return intensity over its level less one (0 where unusable), where it is usable, and the mean intensity."""
    image = as_image("patch", patch)
    use = usable("patch", image, exclude)
    if use.sum() < 4:
        raise DataError(
            f"patch has {int(use.sum())} usable pixels; allowed: at least 4. Take a larger patch."
        )
    mean = _positive_mean(image[use])
    flat = tuple(check_degree(degree)) == (0, 0)
    level = mean if flat else level_trend(image, degree=degree, exclude=exclude)
    fluctuation = np.where(use, image / level - 1, 0.0)
    fluctuation[use] -= fluctuation[use].mean()
    if not np.any(fluctuation):
        raise DataError("patch is constant; allowed: intensities that vary. It holds no speckle to measure.")
    return fluctuation, use, mean
