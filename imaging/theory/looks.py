"""How many independent looks many pings are worth.

A look is one ping's receive array in focus on the pixel, detected. Two looks share the phase centres that their
arrays have in common, halfway between transmitter and receiver; the seabed's spectrum is white along them, so
the correlation of the two fields is the overlap of the arrays' weights at twice the displacement (derived;
simulation of scatterers agrees within 0.03).
"""

from __future__ import annotations

from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pingloom.imaging.errors import ParameterError, nearest_name

from ._check import not_negative, positive, real_weights

__all__ = [
    "LookWeighting",
    "available_looks",
    "continuous_looks",
    "effective_looks",
    "independent_displacement_m",
    "look_correlation",
    "looks_of_line",
    "overlap_correlation",
    "pings_of_line",
]

LookWeighting = Literal["equalised", "plain", "snr"]


def effective_looks(weights: ArrayLike, correlation: ArrayLike) -> float:
    """Equivalent number of looks of a weighted mean of correlated looks: (sum w)^2 / sum_ij w_i w_j |rho_ij|^2.

    Parameters
    ----------
    weights : array_like, shape (n,)
        Weight of each look times its expected intensity.
    correlation : array_like, shape (n, n)
        Complex correlation of the fields, 1 on the diagonal.

    Raises
    ------
    ParameterError
        If the shapes don't fit.
    """
    w = real_weights("weights", weights)
    rho = np.asarray(correlation)
    if rho.shape != (w.size, w.size):
        raise ParameterError(
            f"correlation has shape {rho.shape}; allowed: ({w.size}, {w.size}), as there are {w.size} weights. "
            "Give one row and column per look."
        )
    return float(w.sum() ** 2 / (w @ np.abs(rho) ** 2 @ w))


def overlap_correlation(overlap: float, n_look: int) -> NDArray[np.float64]:
    """Field correlation of looks whose neighbours share a fraction of their aperture: max(0, 1 - m(1 - overlap)).

    Returns
    -------
    ndarray of float64, shape (n_look, n_look)
    """
    if not 0 <= overlap <= 1:
        raise ParameterError(f"overlap is {overlap:g}; allowed: from 0 to 1. Give it as a fraction.")
    lag = np.abs(np.subtract.outer(np.arange(n_look), np.arange(n_look)))
    return np.maximum(0, 1 - lag * (1 - overlap))


def look_correlation(
    displacement_m: ArrayLike,
    receive_length_m: float,
    transmit_length_m: float = 0.0,
    weights: ArrayLike | None = None,
) -> Any:
    """Field correlation of two looks at one pixel against the vehicle's displacement along track.

    Parameters
    ----------
    displacement_m : array_like
        [m]
    receive_length_m : float
        Full length of the receive array: elements times pitch. [m]
    transmit_length_m : float
        Of a uniform transmitter in focus as well; 0 for one that is small beside the receive array. [m]
    weights : array_like, shape (n,), optional
        Shading of the receive elements, aft to fore; default uniform.

    Returns
    -------
    ndarray of float64, of the shape of ``displacement_m``
        For a small transmitter and uniform receivers max(0, 1 - 2d/L), independent from d = L/2 on; for equal
        uniform arrays the cubic B-spline of d/(L/2), independent from d = L on.
    """
    length = float(positive(receive_length_m=receive_length_m)[0])
    transmit = float(not_negative(transmit_length_m=transmit_length_m)[0])
    w = np.ones(1) if weights is None else real_weights("weights", weights)
    # Elements touch, so the taper is a staircase and its autocorrelation linear between multiples of the pitch.
    pitch = length / w.size
    knots = np.arange(-w.size, w.size + 1) * pitch
    values = np.concatenate([[0.0], np.correlate(w, w, "full"), [0.0]])
    lag = 2 * np.abs(np.asarray(displacement_m, dtype=np.float64))  # phase centres move, both ends do
    if transmit == 0:
        return np.interp(lag, knots, values, right=0.0) / (w @ w)
    smoothed = _smoothed_by_triangle(np.append(lag.ravel(), 0.0), knots, values, transmit)
    return np.clip(smoothed[:-1] / smoothed[-1], 0.0, 1.0).reshape(lag.shape)[()]


def _smoothed_by_triangle(
    at: NDArray[np.float64], knots: NDArray[np.float64], values: NDArray[np.float64], half_width: float
) -> NDArray[np.float64]:
    """Exact convolution of a linear interpolant with a triangle (autocorrelation of the transmitter's box).

    A triangle is the second difference of |x|/2, so the convolution is that of the interpolant's double integral,
    which is a sum of cubes at its kinks.
    """
    slope = np.concatenate([[0.0], np.diff(values) / np.diff(knots), [0.0]])
    kink = np.diff(slope)

    def double_integral(x: NDArray[np.float64]) -> Any:
        return np.abs(np.subtract.outer(x, knots)) ** 3 @ kink / 12

    return (
        double_integral(at + half_width) - 2 * double_integral(at) + double_integral(at - half_width)
    ) / half_width


def independent_displacement_m(receive_length_m: ArrayLike, transmit_length_m: ArrayLike = 0.0) -> Any:
    """Displacement from which looks share no phase centre: half the sum of the lengths. [m]"""
    (receive,) = positive(receive_length_m=receive_length_m)
    (transmit,) = not_negative(transmit_length_m=transmit_length_m)
    return (receive + transmit) / 2


def available_looks(
    range_m: ArrayLike, wavelength_m: ArrayLike, transmit_length_m: ArrayLike, receive_length_m: ArrayLike
) -> Any:
    """Independent looks while a point is in the transmitter's beam of wavelength/length: 2 wavelength R/(D L)."""
    r, wavelength, d, length = positive(
        range_m=range_m,
        wavelength_m=wavelength_m,
        transmit_length_m=transmit_length_m,
        receive_length_m=receive_length_m,
    )
    return 2 * wavelength * r / (d * length)


def continuous_looks(path_m: ArrayLike, receive_length_m: ArrayLike) -> Any:
    """Looks of a uniform receive array that is pinged without end over a path, equal weights.

    ``1 / (2 integral from 0 to 1 of (1 - x) rho(x path)^2 dx)`` with rho = 1 - 2d/L: for long paths near 3 path/L.
    """
    path, length = positive(path_m=path_m, receive_length_m=receive_length_m)
    a = 2 * path / length  # path in half arrays
    reach = np.minimum(1 / a, 1.0)
    # Integral of (1 - x)(1 - a x)^2 from 0 to reach, term by term.
    terms = reach - (1 + 2 * a) * reach**2 / 2 + (2 * a + a**2) * reach**3 / 3 - a**2 * reach**4 / 4
    return 1 / (2 * terms)


def pings_of_line(slant_range_m: ArrayLike, ping_spacing_m: ArrayLike, sector_rad: ArrayLike) -> Any:
    """Mean number of pings whose sector holds a pixel: 2 R tan(sector/2)/spacing."""
    r, spacing = positive(slant_range_m=slant_range_m, ping_spacing_m=ping_spacing_m)
    (sector,) = positive(sector_rad=sector_rad)
    return 2 * r * np.tan(sector / 2) / spacing


def looks_of_line(
    slant_range_m: float,
    ping_spacing_m: float,
    sector_rad: float,
    receive_length_m: float,
    *,
    weights: ArrayLike | None = None,
    weighting: LookWeighting = "equalised",
    wavelength_m: float | None = None,
    transmit_length_m: float = 0.0,
    element_length_m: float = 0.0,
    n_phase: int = 16,
) -> float:
    """Equivalent looks of a uniform seabed along a straight line at constant speed.

    Parameters
    ----------
    slant_range_m : float
        At closest approach. [m]
    ping_spacing_m : float
        [m]
    sector_rad : float
        Full processed sector: asin of along track over slant range at the transmitter. [rad]
    receive_length_m : float
        Elements times pitch. [m]
    weights : array_like, optional
        Receive shading.
    weighting : str
        ``"equalised"``: each look divided by its expected gain; ``"plain"``: not divided; ``"snr"``: multiplied
        once more by it. The last two need the wavelength and the lengths of transmitter and receive element.
    wavelength_m, transmit_length_m, element_length_m : float
        Of the along-track patterns, both uniform; 0 is a point. [m]
    n_phase : int
        Places of the pixel between two pings over which the variance is averaged.

    Returns
    -------
    float
        Mean^2 over mean variance: what a patch longer than the ping spacing shows.

    Raises
    ------
    ParameterError
        If no ping ever sees the pixel, or the weighting is unknown.
    """
    if weighting not in get_args(LookWeighting):
        raise ParameterError(f"weighting is {weighting!r}{nearest_name(weighting, get_args(LookWeighting))}.")
    n_mean = pings_of_line(slant_range_m, ping_spacing_m, sector_rad)
    half_path = n_mean * ping_spacing_m / 2
    inverse, seen = 0.0, 0
    for phase in (np.arange(n_phase) + 0.5) / n_phase:
        first, last = (
            np.ceil(-half_path / ping_spacing_m - phase),
            np.floor(half_path / ping_spacing_m - phase),
        )
        position = (np.arange(first, last + 1) + phase) * ping_spacing_m
        if position.size == 0:
            continue
        power = _look_power(position / np.hypot(position, slant_range_m), weighting, wavelength_m,
                            transmit_length_m, element_length_m)  # fmt: skip
        apart = np.subtract.outer(position, position)
        inverse += 1 / effective_looks(power, look_correlation(apart, receive_length_m, 0.0, weights))
        seen += 1
    if seen == 0:
        raise ParameterError(
            f"ping_spacing_m is {ping_spacing_m:g}; allowed: below {2 * half_path:g}, the path on which a pixel is "
            "in the sector. Ping faster or widen the sector."
        )
    return seen / inverse


def _look_power(
    sine: NDArray[np.float64],
    weighting: str,
    wavelength_m: float | None,
    transmit_length_m: float,
    element_length_m: float,
) -> NDArray[np.float64]:
    """Weight times expected intensity of looks at a direction sine."""
    if weighting == "equalised":
        return np.ones_like(sine)
    if wavelength_m is None:
        raise ParameterError(
            f"wavelength_m is missing; allowed: a length above 0 for {weighting!r} weighting."
        )
    gain = (
        np.sinc(transmit_length_m * sine / wavelength_m) ** 2
        * np.sinc(element_length_m * sine / wavelength_m) ** 2
    )
    return gain if weighting == "plain" else gain**2
