"""The strip grid, and how a field is laid on it in one resampling.

Each pixel's own two-way delay (transmitter at transmission, moving array at reception) and direction cosine are
computed; the complex field is read there with short filters and detected at the pixel, so no intensity is
ever interpolated and none of its bandwidth is lost.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ._wide import EIGHT, FOUR
from .aligned import aligned_zeros
from .beamform import Beamformer
from .compress import Compressor
from .errors import ParameterError
from .interpolation import Spectrum, delay_taps

__all__ = [
    "Grid",
    "GridSettings",
    "choose_grid",
    "field_taps",
    "half_power_width",
    "pulse_width",
]

_FRACTIONS = 256

_MOST_PIXELS = 1e8
"""Pixels of all sums over the rows not finished yet: 1.9 GB a side."""

_PIXEL_PER_CELL = 0.38
"""Default pixel over the -3 dB width of the finest cell."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GridSettings:
    """The strip grid and what of a ping reaches it."""

    along_m: float | None = None
    """Pixel along track; default 0.38 of the finest cell in the swath, rounded down. [m]"""
    across_m: float | None = None
    """Pixel across track; default 0.38 of the finest cell in the swath, rounded down. [m]"""
    range_m: float | None = None
    """Farthest distance across track; default as far as whole echoes were recorded. [m]"""
    steepest_grazing_deg: float = 70.0
    """Nearer to straight down than this nothing is imaged. [deg]"""
    heading_deg: float | None = None
    """Planned heading of the leg; default the course over the first pings. [deg]"""
    heading_bound_deg: float = 5.0
    """How far a later ping's heading may fall behind before its rows count as finished. [deg]"""
    course_pings: int = 24
    """Pings whose course sets the leg's frame where no heading is planned."""
    tile_rows: int = 256
    """Rows of a tile."""

    def __post_init__(self) -> None:
        for name in ("along_m", "across_m", "range_m"):
            value = getattr(self, name)
            if value is not None and not 0 < value < 1e5:
                raise ParameterError(f"grid.{name} is {value:g}; allowed: above 0. Give a length in metres.")
        if self.heading_deg is not None and not -360 <= self.heading_deg <= 360:
            raise ParameterError(f"grid.heading_deg is {self.heading_deg:g}; allowed: -360 to 360.")
        if not 5 <= self.steepest_grazing_deg <= 89:
            raise ParameterError(
                f"grid.steepest_grazing_deg is {self.steepest_grazing_deg:g}; allowed: 5 to 89."
            )
        if not 0 <= self.heading_bound_deg <= 30:
            raise ParameterError(f"grid.heading_bound_deg is {self.heading_bound_deg:g}; allowed: 0 to 30.")
        if self.course_pings < 1:
            raise ParameterError(f"grid.course_pings is {self.course_pings}; allowed: 1 or more.")
        if not 1 <= self.tile_rows <= 8192:
            raise ParameterError(
                f"grid.tile_rows is {self.tile_rows}; allowed: 1 to 8192. They are held in memory."
            )


@dataclass(frozen=True, slots=True)
class Grid:
    """Pixels of one strip: centres at half-integer multiples of the steps, columns counted from the track."""

    along_m: float
    across_m: float
    n_column: int
    """Columns on each side."""


def choose_grid(
    settings: GridSettings,
    sides: list[tuple[Compressor, Beamformer]],
    *,
    sound_speed_m_s: float,
    altitude_m: float,
) -> Grid:
    """The grid that the settings say, else a round one with 2.6 pixels or more in the finest cell.

    That many are needed to measure widths and sidelobes on the image; two would hold its information.

    The finest cell is that of the nearest range imaged along track (cells grow with range) and of the slant range
    itself across track (cells on the ground are longer than on the slant).
    """
    nearest_m = altitude_m / np.sin(np.deg2rad(settings.steepest_grazing_deg))
    along = settings.along_m
    across = settings.across_m
    if along is None:
        cell = min(half_power_width(b) * nearest_m for _, b in sides)
        along = _round_down(_PIXEL_PER_CELL * cell)
    if across is None:
        cell = min(pulse_width(c) * sound_speed_m_s / 2 for c, _ in sides)
        across = _round_down(_PIXEL_PER_CELL * cell)
    reach = max(c.last_delay_s for c, _ in sides) * sound_speed_m_s / 2
    far = np.sqrt(max(reach**2 - altitude_m**2, 0.0))
    if settings.range_m is not None:
        far = min(far, settings.range_m)
    n_column = int(np.floor(far / across))
    if n_column < 1 <= far / 0.01:
        raise ParameterError(f"grid.across_m is {across:g}; allowed: less than the swath of {far:.3g} m.")
    if n_column < 1:
        raise ParameterError(
            f"the recorded echoes end at {reach:.3g} m slant range with {altitude_m:.3g} m of altitude: no seabed is "
            "seen; allowed: echoes that reach the seabed. Record for longer or correct the altitude."
        )
    half = max(b.sector_half_rad for _, b in sides)
    rows = (
        2 * far * (np.tan(half) + np.tan(np.deg2rad(settings.heading_bound_deg))) / along + settings.tile_rows
    )
    if rows * n_column > _MOST_PIXELS:
        raise ParameterError(
            f"grid.along_m={along:g} and grid.across_m={across:g} hold {rows * n_column:.2g} pixels in memory at a time; "
            f"allowed: {_MOST_PIXELS:.2g}. Take larger pixels or a smaller grid.range_m."
        )
    return Grid(float(along), float(across), n_column)


def _round_down(length_m: float) -> float:
    """The next smaller length with two significant digits."""
    digit = 10.0 ** (np.floor(np.log10(length_m)) - 1)
    return float(np.round(np.floor(length_m / digit * (1 + 1e-9)) * digit, 9))


def half_power_width(beamformer: Beamformer) -> float:
    """-3 dB width of a beam, in direction cosine, from the shading itself."""
    u = np.linspace(0, 2, 4001) * beamformer.wavelength_m / beamformer.frame.length_m
    x = beamformer.frame.along_m
    power = np.abs(np.exp(2j * np.pi * u[:, None] * x / beamformer.wavelength_m) @ beamformer.shading) ** 2
    return float(2 * u[np.argmax(power < 0.5)])


def pulse_width(compressor: Compressor) -> float:
    """-3 dB width of the compressed pulse, from its spectrum. [s]"""
    spectrum = compressor.unit_spectrum
    band_hz = compressor.band * compressor.sample_rate_hz
    f = np.linspace(-0.5, 0.5, spectrum.size) * band_hz
    t = np.linspace(0, 3, 3001) / band_hz
    power = np.abs(np.exp(2j * np.pi * t[:, None] * f) @ spectrum) ** 2
    return float(2 * t[np.argmax(power < power[0] / 2)])


def field_taps(
    compressor: Compressor, beamformer: Beamformer
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Filters that read the field between its samples and beams, flat.

    The first, (fraction, 8) or (fraction, 16), has each tap along delay twice, for the real and the imaginary part:
    four, or eight where the pulse fills more than half the field's band. The second is (fraction, 4).

    Along delay the band is the pulse's; along direction cosine it is the aperture's, weighted by its shading.
    """
    fraction = np.arange(_FRACTIONS + 1) / _FRACTIONS
    spacing = beamformer.direction[1] - beamformer.direction[0]
    top = 1 + compressor.band * compressor.sample_rate_hz / compressor.carrier_hz / 2
    aperture_band = spacing * beamformer.frame.length_m / beamformer.wavelength_m * top
    x, w = beamformer.frame.along_m, beamformer.shading
    half = beamformer.frame.length_m / 2

    def shading(u: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.maximum(np.interp(u * half, x, w / w.max()), 0.1)

    spectrum: Spectrum = compressor.spectrum
    in_delay = delay_taps(fraction, beamformer.band, FOUR if beamformer.band <= 0.5 else EIGHT, spectrum)
    in_direction = delay_taps(fraction, aperture_band, 4, shading)
    return _aligned(np.repeat(in_delay, 2, axis=1)), _aligned(in_direction)


def _aligned(taps: NDArray[np.float64]) -> NDArray[np.float32]:
    """Flat and single, each row within one cache line."""
    out = aligned_zeros(taps.size)
    out[:] = taps.ravel()
    return out
