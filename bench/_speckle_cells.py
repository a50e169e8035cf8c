"""What averaging over an area does to the number of looks, from what a product says of its sonar."""

from __future__ import annotations

import tomllib
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.theory.windows import noise_bandwidth_bins, taper
from pingloom.io.product import Product

__all__ = ["averaging_gain", "speckle_lengths_m"]

_SHADING_DB = 25.0
"""Sidelobes of the receivers' Taylor shading below the peak."""


def speckle_lengths_m(product: Product, across_m: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Integrals of the intensity's correlation along and across track. [m]

    Parameters
    ----------
    product : Product
        Its provenance tells of array and pulse, its settings of the weights.
    across_m : ndarray of float64, shape (n,)
        Distance across track, negative to port. [m]

    Returns
    -------
    ndarray of float64, shape (2, n), or None
        None where the product doesn't say.

    Notes
    -----
    A row of weights w makes speckle whose field has the spectrum w^2, so its intensity's correlation integrates
    to n sum(w^4) / sum(w^2)^2 bins; a bin is wavelength R/L along track and c/2B in slant range, 1/cos of the
    grazing angle longer on the ground. Derived.
    """
    cells = product.provenance.get("cells")
    if not isinstance(cells, dict) or not cells:
        return None
    try:
        settings = tomllib.loads(product.settings)
        window = taper(settings["compress"]["window"], 512)
        shading = taper(settings["beamform"]["shading"], 512, sidelobe_db=_SHADING_DB)
    except (tomllib.TOMLDecodeError, KeyError, TypeError, ValueError):
        return None
    bins = noise_bandwidth_bins(shading**2), noise_bandwidth_bins(window**2)
    out = np.full((2, across_m.size), np.nan)
    for side, sign in (("port", -1), ("starboard", 1)):
        cell = cells.get(side)
        chosen = across_m * sign > 0
        if not isinstance(cell, dict) or not chosen.any():
            continue
        try:
            out[:, chosen] = _lengths(cell, np.abs(across_m[chosen]), bins)
        except (KeyError, TypeError, ValueError, ZeroDivisionError):
            return None
    # No product is gridded coarser than half a cell; where no altitude is known, nadir would fall below that.
    out = np.maximum(out, 2 * np.array([[product.along_m], [product.across_m]]))
    return out if np.isfinite(out).any() else None


def _lengths(
    cell: dict[str, Any], ground_m: NDArray[np.float64], bins: tuple[float, float]
) -> NDArray[np.float64]:
    slant = np.hypot(ground_m, float(cell.get("altitude_m", 0.0)))
    along = bins[0] * float(cell["wavelength_m"]) * slant / float(cell["array_length_m"])
    across = bins[1] * float(cell["sound_speed_m_s"]) / (2 * float(cell["bandwidth_hz"]))
    return np.stack([along, across * slant / np.maximum(ground_m, 1e-6)])


def averaging_gain(
    lengths_m: NDArray[np.float64], side_m: float, turn_rad: float = 0.0
) -> NDArray[np.float64]:
    """How many times more looks the mean over a square has than a point of it.

    Parameters
    ----------
    lengths_m : ndarray of float64, shape (2, n)
        Integrals of the intensity's correlation along and across. [m]
    side_m : float
        Of the square. [m]
    turn_rad : float
        Of the square against along track.

    Returns
    -------
    ndarray of float64, shape (n,)
        1 or more; 1 where a length isn't known.

    Notes
    -----
    One over the mean of the correlation over all pairs of points of the square. The correlation is taken as
    Gaussian with the same integrals; that of a square spectrum, sinc^2, gives the same within 3 % (tested).
    """
    out = np.ones(lengths_m.shape[1])
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    for k in np.flatnonzero(np.isfinite(lengths_m).all(axis=0)):
        along, across = lengths_m[:, k]
        n = int(np.clip(np.ceil(8 * side_m / min(along, across)), 16, 400))
        step = (np.arange(n) + 0.5) / n
        u = np.concatenate([-step[::-1], step]) * side_m
        weight = (1 - np.abs(u) / side_m) / n
        first, second = np.meshgrid(u, u, indexing="ij")
        rho = np.exp(
            -np.pi * (((c * first - s * second) / along) ** 2 + ((s * first + c * second) / across) ** 2)
        )
        out[k] = 1 / (weight @ rho @ weight)
    return np.maximum(out, 1.0)
