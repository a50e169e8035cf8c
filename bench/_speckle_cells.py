"""What averaging over an area does to the number of looks, from what a product says of its sonar."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.theory.windows import taper
from pingloom.io.product import Product

__all__ = ["SpeckleCells", "averaging_gain", "speckle_cells"]

_SHADING_DB = 25.0
"""Sidelobes of the receivers' Taylor shading below the peak."""
_LAGS = np.linspace(0, 12, 1201)
"""At which correlations are tabled; beyond them they are below 1e-3. [bin]"""


@dataclass(frozen=True, slots=True, eq=False)
class SpeckleCells:
    """How intensity is correlated from place to place.

    A row of weights w makes speckle whose field has the spectrum w^2; the intensity's correlation is the squared
    modulus of that spectrum's transform, over a lag in bins: wavelength R/L along track and c/2B in slant range, 1/cos
    of the grazing angle longer on the ground. Derived.
    """

    bin_m: NDArray[np.float64]
    """(2, n) along and across track, for n distances; NaN where unknown. [m]"""
    along: NDArray[np.float64]
    """Correlation of intensity at ``_LAGS``."""
    across: NDArray[np.float64]

    @classmethod
    def of_weights(
        cls, bin_m: NDArray[np.float64], shading: NDArray[np.float64], window: NDArray[np.float64]
    ) -> SpeckleCells:
        """Table the correlation for weights of the array and of the pulse."""
        return cls(bin_m, _correlation(shading), _correlation(window))


def _correlation(weights: NDArray[np.float64]) -> NDArray[np.float64]:
    power = weights**2
    place = (np.arange(power.size) + 0.5) / power.size - 0.5
    return (np.cos(2 * np.pi * _LAGS[:, None] * place) @ power / power.sum()) ** 2


def speckle_cells(product: Product, across_m: NDArray[np.float64]) -> SpeckleCells | None:
    """What a product tells of its speckle.

    Parameters
    ----------
    product : Product
        Its provenance tells of array and pulse, its settings of the weights.
    across_m : ndarray of float64, shape (n,)
        Distance across track, negative to port. [m]

    Returns
    -------
    SpeckleCells or None
        None where the product doesn't say.
    """
    cells = product.provenance.get("cells")
    if not isinstance(cells, dict) or not cells:
        return None
    bin_m = np.full((2, across_m.size), np.nan)
    try:
        settings = tomllib.loads(product.settings)
        window = taper(settings["compress"]["window"], 256)
        shading = taper(settings["beamform"]["shading"], 256, sidelobe_db=_SHADING_DB)
        for side, sign in (("port", -1), ("starboard", 1)):
            chosen = across_m * sign > 0
            if side in cells:
                bin_m[:, chosen] = _bins(cells[side], np.abs(across_m[chosen]))
    except (tomllib.TOMLDecodeError, KeyError, TypeError, ValueError, ZeroDivisionError):
        return None
    if not np.isfinite(bin_m).any():
        return None
    # No product is gridded coarser than half a cell; where no altitude is known, nadir would fall below that.
    bin_m = np.maximum(bin_m, 2 * np.array([[product.along_m], [product.across_m]]))
    return SpeckleCells.of_weights(bin_m, shading, window)


def _bins(cell: dict[str, Any], ground_m: NDArray[np.float64]) -> NDArray[np.float64]:
    slant = np.hypot(ground_m, float(cell.get("altitude_m", 0.0)))
    along = float(cell["wavelength_m"]) * slant / float(cell["array_length_m"])
    across = float(cell["sound_speed_m_s"]) / (2 * float(cell["bandwidth_hz"]))
    return np.stack([along, across * slant / np.maximum(ground_m, 1e-6)])


def averaging_gain(cells: SpeckleCells, side_m: float, turn_rad: float = 0.0) -> NDArray[np.float64]:
    """How many times more looks the mean over a square has than a point of it.

    Parameters
    ----------
    cells : SpeckleCells
        For n distances.
    side_m : float
        Of the square. [m]
    turn_rad : float
        Of the square against along track.

    Returns
    -------
    ndarray of float64, shape (n,)
        One over the mean of the correlation over all pairs of points of the square: 1 or more; 1 where a bin isn't
        known.
    """
    out = np.ones(cells.bin_m.shape[1])
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    for k in np.flatnonzero(np.isfinite(cells.bin_m).all(axis=0)):
        along, across = cells.bin_m[:, k]
        n = int(np.clip(np.ceil(6 * side_m / min(along, across)), 12, 300))
        # Lags between two points of a square: each axis has the density of a triangle.
        lag = (np.arange(-n, n) + 0.5) / n * side_m
        weight = (1 - np.abs(lag) / side_m) / n
        # The correlation is the same for opposite lags: half of them will do.
        first, second = np.meshgrid(lag[n:], lag, indexing="ij")
        rho = np.interp(np.abs(c * first - s * second) / along, _LAGS, cells.along, right=0.0)
        rho *= np.interp(np.abs(s * first + c * second) / across, _LAGS, cells.across, right=0.0)
        out[k] = 1 / (2 * (weight[n:] @ rho @ weight))
    return np.maximum(out, 1.0)
