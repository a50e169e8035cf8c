"""Tapers and what they do to a response: widths, sidelobes, losses.

A taper is a row of real weights on equal cells; its response is their Fourier transform, over an offset in
*bins*: cycles across the whole row. For a pulse of bandwidth B one bin is a delay of 1/B; for an array of
length L it is a direction sine of wavelength/L.

Harris, F. J. (1978), Proc. IEEE 66, 51-83, defines the figures of merit.
"""

from __future__ import annotations

from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pingloom.imaging.errors import ParameterError, nearest_name

from ._check import positive, real_weights

__all__ = [
    "HALF_POWER_DB",
    "TaperName",
    "coherent_gain",
    "half_power_width_bins",
    "noise_bandwidth_bins",
    "peak_sidelobe_db",
    "response_db",
    "scalloping_loss_db",
    "snr_loss_db",
    "taper",
    "taylor_line",
]

TaperName = Literal["none", "uniform", "triangle", "hann", "hamming", "blackman", "taylor"]

HALF_POWER_DB = 10 * float(np.log10(2))
"""3.0103: a width is the full width at half power."""


def taper(name: TaperName, n: int, *, sidelobe_db: float = 35.0, n_equal: int = 4) -> NDArray[np.float64]:
    """Weights of a continuous taper at the centres of ``n`` equal cells, largest value about 1.

    Parameters
    ----------
    name : str
        ``"none"`` and ``"uniform"`` are the same.
    n : int
        Number of cells.
    sidelobe_db : float
        Depth of the first sidelobes below the peak, positive; for ``"taylor"`` only. [dB]
    n_equal : int
        Number of nearly equal sidelobes; for ``"taylor"`` only.

    Returns
    -------
    ndarray of float64, shape (n,)

    Raises
    ------
    ParameterError
        If the name is unknown or a number is not positive.
    """
    positive(n=n, sidelobe_db=sidelobe_db, n_equal=n_equal)
    x = (np.arange(n) + 0.5) / n - 0.5  # -1/2..1/2
    if name in ("none", "uniform"):
        return np.ones(n)
    if name == "triangle":
        return 1 - 2 * np.abs(x)
    if name == "hann":
        return 0.5 + 0.5 * np.cos(2 * np.pi * x)
    if name == "hamming":
        return 0.54 + 0.46 * np.cos(2 * np.pi * x)
    if name == "blackman":
        return 0.42 + 0.5 * np.cos(2 * np.pi * x) + 0.08 * np.cos(4 * np.pi * x)
    if name == "taylor":
        weights = taylor_line(x, sidelobe_db, n_equal)
        return weights / weights.max()
    raise ParameterError(f"taper is {name!r}{nearest_name(name, get_args(TaperName))}.")


def taylor_line(x: NDArray[np.float64], sidelobe_db: float, n_equal: int) -> NDArray[np.float64]:
    """Taylor's weights at any places of a line source: nearly equal sidelobes, then a 1/u fall.

    Parameters
    ----------
    x : ndarray of float64
        Places, -0.5 to 0.5 of the line's length.
    sidelobe_db : float
        Depth of the first sidelobes below the peak, positive. [dB]
    n_equal : int
        Number of nearly equal sidelobes.

    Returns
    -------
    ndarray of float64
        Mean over the line 1.

    References
    ----------
    T. T. Taylor, "Design of line-source antennas for narrow beamwidth and low side lobes", IRE Trans. Antennas
    Propag. 3, 16-28 (1955). Agreement with SciPy's window is tested.
    """
    a = np.arccosh(10 ** (sidelobe_db / 20)) / np.pi
    dilation = n_equal**2 / (a**2 + (n_equal - 0.5) ** 2)
    weights = np.ones_like(x)
    orders = np.arange(1, n_equal)
    for m in orders:
        zeros = dilation * (a**2 + (orders - 0.5) ** 2)
        others = orders[orders != m]
        numerator = np.prod(1 - m**2 / zeros)
        coefficient = (-1.0) ** (m + 1) * numerator / (2 * np.prod(1 - m**2 / others**2))
        weights += 2 * coefficient * np.cos(2 * np.pi * m * x)
    return weights


def _response(weights: NDArray[np.float64], offset_bins: ArrayLike) -> Any:
    """Power response relative to its centre."""
    u = np.asarray(offset_bins, dtype=np.float64)
    n = weights.size
    position = (np.arange(n) - (n - 1) / 2) / n
    total = np.exp(2j * np.pi * np.multiply.outer(u, position)) @ weights
    return np.abs(total / weights.sum()) ** 2


def response_db(weights: ArrayLike, offset_bins: ArrayLike) -> Any:
    """Power response at an offset, relative to the centre. [dB]"""
    return 10 * np.log10(np.maximum(_response(real_weights("weights", weights), offset_bins), 1e-300))


def coherent_gain(weights: ArrayLike) -> float:
    """Mean weight: the amplitude of a matched echo."""
    return float(real_weights("weights", weights).mean())


def noise_bandwidth_bins(weights: ArrayLike) -> float:
    """Equivalent noise bandwidth n sum(w^2) / sum(w)^2; also the integral of the power response over offset. [bin]"""
    w = real_weights("weights", weights)
    return float(w.size * (w @ w) / w.sum() ** 2)


def snr_loss_db(weights: ArrayLike) -> float:
    """Loss of signal to white noise against uniform weights, positive. [dB]"""
    return float(10 * np.log10(noise_bandwidth_bins(weights)))


def half_power_width_bins(weights: ArrayLike, down_db: float = HALF_POWER_DB) -> float:
    """Full width of the power response ``down_db`` below its centre. [bin]

    Raises
    ------
    ParameterError
        If the response never falls that far, as that of one element.
    """
    w = real_weights("weights", weights)
    level = 10 ** (-float(positive(down_db=down_db)[0]) / 10)
    offsets = np.arange(0, w.size / 2 + 0.05, 0.05)
    below = np.flatnonzero(_response(w, offsets[:400]) < level)
    if below.size == 0:
        raise ParameterError(
            f"the response of {w.size} weights stays above -{down_db:g} dB; allowed: enough weights for a lobe."
        )
    low, high = offsets[below[0] - 1], offsets[below[0]]
    for _ in range(50):  # halves the interval down to rounding
        middle = (low + high) / 2
        low, high = (middle, high) if _response(w, middle) > level else (low, middle)
    return float(low + high)


def peak_sidelobe_db(weights: ArrayLike) -> float:
    """Highest sidelobe of the power response against its centre, negative. [dB]

    Raises
    ------
    ParameterError
        If there is no sidelobe, as with one or two weights.
    """
    w = real_weights("weights", weights)
    fine = 64  # points a bin: the parabola below then errs by less than 0.001 dB
    spectrum = np.abs(np.fft.rfft(w / w.sum(), fine * w.size)) ** 2
    rising = np.flatnonzero(np.diff(spectrum) > 0)
    if rising.size == 0 or rising[0] >= spectrum.size - 2:
        raise ParameterError(f"{w.size} weights have no sidelobe; allowed: 3 or more.")
    k = rising[0] + int(np.argmax(spectrum[rising[0] :]))
    if k == spectrum.size - 1:
        return float(10 * np.log10(spectrum[k]))
    before, peak, after = spectrum[k - 1 : k + 2]
    return float(10 * np.log10(peak + (before - after) ** 2 / (8 * (2 * peak - before - after))))


def scalloping_loss_db(weights: ArrayLike) -> float:
    """Loss half a bin off the centre, positive. [dB]"""
    return float(-response_db(weights, 0.5))
