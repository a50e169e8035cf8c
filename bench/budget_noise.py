"""Noise in an error budget: the backscatter that equals it, by the sonar equation and as imaged from noise alone."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pingloom.bench.noise_spectra import spectrum_level_db
from pingloom.imaging.chain import Chain
from pingloom.simulate.scenario import InstrumentTable, Scenario

__all__ = ["NoiseRow", "heard_noise", "look_gain_db", "noise_by_formula_db", "noise_in_image_db"]

_UNIT_SOURCE_DB = 20 * np.log10(1e6 / np.sqrt(2))
"""Of an analytic amplitude of 1 Pa at 1 m."""
_SPOTS = 41
_AGREES_DB = 0.5
"""Speckle of the pieces that are averaged, some 0.1 dB, and what a filled line's equivalent widths leave."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseRow:
    """Noise at one range."""

    level_db: float
    """Spectrum level over the sweep. [dB re 1 uPa^2/Hz]"""
    range_m: float
    """On the ground. [m]"""
    predicted_db: float
    """Backscatter that equals the noise, uniform shading, no window, mean of the looks. [dB re 1 m2 per m2]"""
    found_db: float
    """The same, imaged from noise alone."""
    seabed_db: float | None
    """The scenario's seabed at that range where it follows Lambert's law. [dB]"""

    @property
    def agrees(self) -> bool:
        """Whether image and formula do."""
        return abs(self.found_db - self.predicted_db) <= _AGREES_DB

    @property
    def raises_db(self) -> float | None:
        """By which noise that is left in raises the seabed's level. [dB]"""
        if self.seabed_db is None:
            return None
        return float(10 * np.log10(1 + 10 ** ((self.predicted_db - self.seabed_db) / 10)))


def heard_noise(probe: Scenario, scenario: Scenario) -> tuple[Scenario, float] | None:
    """The budget's run without points and with the scenario's noise, and its spectrum level over the sweep; None: no noise.

    Tones and other sounders have no spectrum and are left out; the vehicle's own noise comes from all sides.
    """
    noise = dataclasses.replace(scenario.noise, tones=(), sounders=(), self_noise_from_deg=None)
    heard = dataclasses.replace(
        probe,
        targets=(),
        noise=noise,
        water=scenario.water,
        instrument=InstrumentTable(receiver_sensitivity_db=scenario.instrument.receiver_sensitivity_db),
    )
    level = spectrum_level_db(heard)
    return None if level is None else (heard, level)


def look_gain_db(
    scenario: Scenario, slant_m: float, along_m: NDArray[np.float64], half_m: float, half_rad: float
) -> float:
    """What evening out the patterns along the array does to noise: mean over looks, then along the track; 0 for broadside. [dB]

    Parameters
    ----------
    along_m : ndarray of float64, shape (ping,)
        Of the piece's middle from the array, half way between sending and hearing. [m]
    half_m : float
        Half of the piece's length along the track.
    half_rad : float
        Half of the imaged sector.
    """
    spot = np.linspace(-half_m, half_m, _SPOTS)[:, None] + along_m
    sine = spot / np.hypot(spot, slant_m)
    seen = np.abs(sine) <= np.sin(half_rad)
    sonar, wavelength = scenario.sonar, scenario.wavelength_m
    gain = np.ones_like(sine)
    for size in (sonar.transmit_along_m, sonar.element_along_m):
        gain *= np.sinc(size / wavelength * sine) ** 2
    looks = seen.sum(axis=1)
    mean = np.where(seen, 1 / gain, 0.0).sum(axis=1)[looks > 0] / looks[looks > 0]
    return float(10 * np.log10(mean.mean()))


def noise_by_formula_db(scenario: Scenario, level_db: float, raised_db: float, looks_db: float) -> float:
    """NL - SL - 10 log(T N) - 10 log(c/2B lambda/L) + spreading, absorption, patterns, ground + looks.

    Parameters
    ----------
    raised_db : float
        What raises an echo to backscatter: 40 log R + 2 alpha R less the vertical patterns and the ground's share of the cell.
    looks_db : float
        See :func:`look_gain_db`.
    """
    sonar = scenario.sonar
    receivers = sonar.n_channel * sonar.n_row
    length = sonar.n_channel * sonar.channel_pitch_m
    cell = scenario.sound_speed_m_s / (2 * abs(sonar.sweep_hz)) * scenario.wavelength_m / length
    heard = level_db - (sonar.source_level_db or _UNIT_SOURCE_DB)
    return float(
        heard - 10 * np.log10(sonar.pulse_duration_s * receivers) - 10 * np.log10(cell) + raised_db + looks_db
    )


def noise_in_image_db(
    image: NDArray[np.floating],
    origin: Sequence[int],
    chain: Chain,
    place_m: tuple[float, float],
    half_m: tuple[float, float],
) -> float:
    """Mean level around a place of an image (along, across), noise not subtracted. [dB]"""
    cuts = []
    for axis, pixel in enumerate((chain.grid.along_m, chain.grid.across_m)):
        at, half = place_m[axis] / pixel - 0.5 - origin[axis], half_m[axis] / pixel
        cuts.append(slice(max(0, round(at - half)), round(at + half) + 1))
    return float(10 * np.log10(np.nanmean(image[cuts[0], cuts[1]], dtype=np.float64)))
