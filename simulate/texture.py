"""Reflectivity that varies from place to place, and what it leaves of the equivalent number of looks."""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import scipy.fft
from numpy.typing import ArrayLike, NDArray

from pingloom.imaging.errors import DataError, ParameterError, nearest_name

from .scenario import Scenario
from .seabed_tables import SeabedTable, Texture

__all__ = ["BUNDLED", "ChanceField", "PictureField", "expected_enl", "fields_of"]

BUNDLED = ("brick", "grass", "gravel")
"""Pictures that come with scikit-image, dedicated to the public (CC0)."""

_TEXTURE = 3  # stream of the seed, beside those of scene and noise
_PER_CORRELATION = 4  # nodes in the 1/e length of the Gaussian field
_MOST_NODES = 16_000_000
_SHARED = 2.87  # of points in a -3 dB cell: Campbell's theorem for a response sinc x sinc


def expected_enl(seabed: SeabedTable, looks: float) -> float:
    """Equivalent number of looks that averaging can reach on a textured seabed of points.

    ``1/ENL = (1 + 1/nu) (1 + 1/looks) - 1 + kappa / (2.87 per_cell)``: the texture's variance is common to all looks, as
    is the chance number and strength of the points in a cell. kappa is 2 for complex Gaussian and 1 for equal moduli
    at random places; on a jittered grid the places add next to nothing.

    Parameters
    ----------
    seabed : SeabedTable
    looks : float
        Equivalent number of looks without texture and with endlessly many points.
    """
    order = math.inf if seabed.texture is None or seabed.texture.order is None else seabed.texture.order
    kappa = (seabed.law == "gaussian") + (seabed.placement == "random")
    return 1 / ((1 + 1 / order) * (1 + 1 / looks) - 1 + kappa / (_SHARED * seabed.per_cell))


def fields_of(scenario: Scenario) -> tuple[ChanceField | PictureField, ...]:
    """Return the fields whose product is the scenario's texture.

    Raises
    ------
    DataError
        If a picture can't be read.
    ParameterError
        If a field would be too large.
    """
    texture, found = scenario.seabed.texture, []
    if texture is not None and texture.order is not None:
        found.append(ChanceField.of(scenario, texture))
    if texture is not None and texture.image is not None:
        found.append(PictureField.of(texture))
    return tuple(found)


@dataclass(frozen=True, slots=True, eq=False)
class ChanceField:
    """A gamma distributed field of mean one: a Gaussian field, bent. It repeats beyond the scene.

    Parameters
    ----------
    spline : ndarray of float64, shape (along, across)
        Cubic spline coefficients of the Gaussian field.
    start_m : tuple of float
        Place of its first node in the leg's frame.
    step_m : float
    gauss, gamma : ndarray of float64, shape (n,)
        The bend.
    """

    spline: NDArray[np.float64]
    start_m: tuple[float, float]
    step_m: float
    gauss: NDArray[np.float64]
    gamma: NDArray[np.float64]

    @classmethod
    def of(cls, scenario: Scenario, texture: Texture) -> ChanceField:
        """Draw the field of a scenario."""
        from scipy.ndimage import spline_filter

        gauss = np.linspace(-8, 8, 8193)
        gamma = _gamma_of_gauss(gauss, texture.order)
        length = texture.correlation_m / math.sqrt(-math.log(_bend_correlation(texture.order)))
        step = length / _PER_CORRELATION
        reach = scenario.sonar.range_stop_m + 3 * length
        track = scenario.vehicle.duration_s * scenario.vehicle.speed_m_s
        size = [math.ceil(v / step) for v in (track + 2 * reach, 2 * reach)]
        if size[0] * size[1] > _MOST_NODES:
            least = texture.correlation_m * math.sqrt(size[0] * size[1] / _MOST_NODES)
            raise ParameterError(
                f"seabed.texture.correlation_m is {texture.correlation_m:g}; allowed: at least {least:.2g} in a scene "
                "of this size. Shorten the range or the leg, or lengthen it."
            )
        shape = tuple(scipy.fft.next_fast_len(n, real=True) for n in size)
        rng = np.random.default_rng(np.random.SeedSequence(scenario.seed, spawn_key=(_TEXTURE,)))
        field = _correlated(rng.standard_normal(shape), length / step)
        return cls(spline_filter(field, mode="grid-wrap"), (-reach, -reach), step, gauss, gamma)

    def at(self, along_m: ArrayLike, across_m: ArrayLike) -> NDArray[np.float64]:
        """Reflectivity at places of the leg's frame, mean one."""
        from scipy.ndimage import map_coordinates

        along, across = np.broadcast_arrays(np.asarray(along_m), np.asarray(across_m))
        place = np.stack([along.ravel() - self.start_m[0], across.ravel() - self.start_m[1]]) / self.step_m
        value = map_coordinates(self.spline, place, order=3, mode="grid-wrap", prefilter=False)
        value = value.reshape(along.shape)
        return np.interp(value, self.gauss, self.gamma)


def _correlated(white: NDArray[np.float64], nodes: float) -> NDArray[np.float64]:
    """Filter white noise to unit variance and correlation exp(-(distance / nodes)^2), periodic."""
    fy, fx = np.fft.fftfreq(white.shape[0]), np.fft.rfftfreq(white.shape[1])
    spectrum = scipy.fft.rfft2(white)
    # Square root of the transform of exp(-(d / L)^2), which is exp(-(pi f L)^2).
    spectrum *= np.exp(-0.5 * (np.pi * nodes) ** 2 * fy[:, None] ** 2)
    spectrum *= np.exp(-0.5 * (np.pi * nodes) ** 2 * fx**2)
    whole = [np.exp(-((np.pi * nodes * np.fft.fftfreq(n)) ** 2)).mean() for n in white.shape]
    return scipy.fft.irfft2(spectrum, white.shape) / math.sqrt(whole[0] * whole[1])


def _gamma_of_gauss(gauss: NDArray[np.float64], order: float) -> NDArray[np.float64]:
    """Bend a standard normal variable to a gamma variable of mean one."""
    from scipy.special import gammainccinv, gammaincinv, ndtr

    low = gauss < 0  # each tail by its own small probability
    out = np.empty_like(gauss)
    out[low] = gammaincinv(order, ndtr(gauss[low]))
    out[~low] = gammainccinv(order, ndtr(-gauss[~low]))
    return out / order


def _bend_correlation(order: float) -> float:
    """Correlation of the Gaussian field at which that of the bent one is 1/e, by its Hermite series (Mehler)."""
    from scipy.optimize import brentq

    x = np.linspace(-8, 8, 8193)
    weight = np.exp(-(x**2) / 2) / math.sqrt(2 * math.pi) * (x[1] - x[0])
    value = _gamma_of_gauss(x, order) * weight
    power, before, now = [], np.zeros_like(x), np.ones_like(x)
    for k in range(1, 61):  # normalised Hermite polynomials by their recurrence
        before, now = now, (x * now - math.sqrt(k - 1) * before) / math.sqrt(k)
        power.append(np.sum(value * now) ** 2)
    power = np.array(power) / np.sum(power)
    k = np.arange(1, power.size + 1)
    return float(brentq(lambda r: np.sum(power * r**k) - math.exp(-1), 1e-6, 1 - 1e-6))


@dataclass(frozen=True, slots=True, eq=False)
class PictureField:
    """Reflectivity after a picture or array, mean one over it, mirrored beyond its edges.

    Parameters
    ----------
    value : ndarray of float64, shape (row, column)
        Rows to starboard, columns along the leg; the first pixel's centre is at the leg's start.
    pixel_m : float
    """

    value: NDArray[np.float64]
    pixel_m: float

    @classmethod
    def of(cls, texture: Texture) -> PictureField:
        """Read the picture that a texture names."""
        value = _read(texture.image)
        if texture.span_db is not None:
            low, high = value.min(), value.max()
            value = 10 ** (texture.span_db / 10 * (value - low) / max(high - low, 1e-300))
        if value.min() < 0 or not value.mean() > 0:
            raise DataError(
                f"{texture.image} has values below 0 or none above; allowed: reflectivities. Give span_db to scale them."
            )
        return cls(value / value.mean(), texture.pixel_m)

    def at(self, along_m: ArrayLike, across_m: ArrayLike) -> NDArray[np.float64]:
        """Reflectivity at places of the leg's frame."""
        from scipy.ndimage import map_coordinates

        across, along = np.broadcast_arrays(np.asarray(across_m), np.asarray(along_m))
        place = np.stack([across.ravel(), along.ravel()]).astype(np.float64) / self.pixel_m
        return map_coordinates(self.value, place, order=1, mode="mirror").reshape(along.shape)


def _read(name: str) -> NDArray[np.float64]:
    """Return a grey picture or array as float64, (row, column)."""
    if name in BUNDLED:
        from skimage import data

        return np.asarray(getattr(data, name)(), dtype=np.float64)
    path = Path(name)
    if not path.is_file():
        raise DataError(
            f"seabed.texture.image is {name!r}, no file; allowed: a file or a bundled picture{nearest_name(name, BUNDLED)}"
        )
    try:
        value = np.load(path, allow_pickle=False) if path.suffix == ".npy" else _picture(path)
    except (OSError, ValueError, SyntaxError) as error:
        raise DataError(f"{path} can't be read: {error}; allowed: a picture or an array in .npy.") from error
    if (
        value.ndim != 2
        or min(value.shape) < 2
        or value.dtype.kind not in "buif"
        or not np.isfinite(value).all()
    ):
        raise DataError(
            f"{path} has shape {value.shape} of {value.dtype}; allowed: two axes of at least 2 finite numbers."
        )
    return value.astype(np.float64)


def _picture(path: Path) -> NDArray[np.float64]:
    from skimage import color, io

    # Opened here: given a path, each reader that doesn't fit leaves the file open for the garbage collector.
    with path.open("rb") as file, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # readers that don't fit grumble before the next one is tried
        picture = io.imread(file)
    if picture.ndim == 3:
        picture = color.rgb2gray(picture[..., :3])
    return picture
