"""Noise at the receivers in absolute units: one class for each kind, each with a stream of chance of its own.

A spectrum level NL (dB re 1 uPa^2/Hz, one-sided) gives complex samples of the analytic signal's peak amplitude a power
density of 2 * 10^(NL/10) uPa^2/Hz over the sampled band: the mean of ``|n|^2`` is twice the mean square pressure.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from pingloom.imaging import seawater

from .listening import Listening, PingMoment, Stream, chance, direction_towards
from .noise_field import heard_share, isotropic_coherence, patterned_coherence
from .scenario import Scenario
from .water_column import temperature_c

__all__ = [
    "DirectedNoise",
    "FlatNoise",
    "IsotropicNoise",
    "ShapedNoise",
    "Tones",
    "flat_noise",
    "noisy_receivers",
    "preamplifier_db",
    "preamplifier_noise",
    "self_noise",
    "self_noise_db",
    "share_db",
    "thermal_db",
    "thermal_noise",
    "tones",
    "wind_noise",
]

_BAND = 0.02  # relative width over which one coherence matrix serves: its argument is off by 1 % at the edges


def _gaussian(rng: np.random.Generator, shape: tuple[int, ...]) -> NDArray[np.complex64]:
    """Circular complex numbers whose real and imaginary parts have variance 1."""
    return rng.standard_normal((*shape[:-1], 2 * shape[-1]), dtype=np.float32).view(np.complex64)


def _amplitude(listening: Listening, level_db: NDArray[np.float64]) -> NDArray[np.float32]:
    """(sample,) factor on unit Gaussian spectra for a spectrum level at each frequency."""
    density = (
        10 ** (np.broadcast_to(level_db, listening.n) / 10) * 1e-12
    )  # half of 2 NL: each part carries one
    return np.sqrt(listening.n * listening.sample_rate_hz * density).astype(np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class FlatNoise:
    """White noise, independent between receivers, of one level."""

    listening: Listening
    part_rms_pa: np.float32
    """Of the real and of the imaginary part."""

    def run(self, samples: NDArray[np.complex64], ping: PingMoment) -> None:
        """Add one ping's noise; the record's does not depend on the margins."""
        rng = ping.chance(Stream.FLAT)
        for part in (self.listening.record(samples), *self.listening.margins(samples)):
            pair = rng.standard_normal(2 * part.size, dtype=np.float32) * self.part_rms_pa
            part += pair.view(np.complex64).reshape(part.shape)


@dataclass(frozen=True, slots=True, eq=False)
class ShapedNoise:
    """Noise of any spectrum, independent between receivers."""

    amplitude: NDArray[np.float32]
    stream: Stream
    chosen: NDArray[np.bool_] | None = None
    """(row, channel) receivers that have it; None: all."""

    def run(self, samples: NDArray[np.complex64], ping: PingMoment) -> None:
        """Add one ping's noise."""
        noise = _gaussian(ping.chance(self.stream), samples.shape)
        noise *= self.amplitude
        noise = scipy.fft.ifft(noise, axis=-1, workers=1, overwrite_x=True)
        if self.chosen is None:
            samples += noise
        else:
            samples[self.chosen] += noise[self.chosen]


@dataclass(frozen=True, slots=True, eq=False)
class IsotropicNoise:
    """Noise from all directions alike, of which near receivers share a part; see :mod:`noise_field`."""

    amplitude: NDArray[np.float32]
    bands: tuple[tuple[NDArray[np.intp], NDArray[np.float32]], ...]
    """Bins of the transform, and the factor (receiver, receiver) of their coherence matrix."""

    @classmethod
    def plan(
        cls, listening: Listening, level_db: NDArray[np.float64], speed_m_s: float, *, patterned: bool
    ) -> IsotropicNoise:
        """Factor the coherence of the receivers, band by band."""
        law = patterned_coherence if patterned else isotropic_coherence
        frequency = listening.frequency_hz
        n_band = int(np.ceil(listening.sample_rate_hz / (_BAND * listening.sonar.centre_frequency_hz)))
        bands = []
        for bins in np.array_split(np.argsort(frequency), n_band):
            coherence = law(listening.sonar, float(frequency[bins].mean()), speed_m_s)
            value, vector = np.linalg.eigh(coherence)
            # Close receivers make it nearly singular, and rounding may leave an eigenvalue below zero.
            bands.append((bins, (vector * np.sqrt(np.maximum(value, 0))).astype(np.float32)))
        return cls(_amplitude(listening, level_db), tuple(bands))

    def run(self, samples: NDArray[np.complex64], ping: PingMoment) -> None:
        """Add one ping's noise."""
        white = _gaussian(ping.chance(Stream.WIND), samples.shape)
        white *= self.amplitude
        flat = white.reshape(-1, samples.shape[-1])
        for bins, factor in self.bands:
            flat[:, bins] = factor @ flat[:, bins]
        samples += scipy.fft.ifft(white, axis=-1, workers=1, overwrite_x=True)


@dataclass(frozen=True, slots=True, eq=False)
class DirectedNoise:
    """Noise from one direction as a plane wave."""

    amplitude: NDArray[np.float32]
    turn: NDArray[np.complex64]
    """(row, channel, sample) phase of each receiver at each frequency."""

    def run(self, samples: NDArray[np.complex64], ping: PingMoment) -> None:
        """Add one ping's noise."""
        wave = _gaussian(ping.chance(Stream.SELF), samples.shape[-1:]) * self.amplitude
        samples += scipy.fft.ifft(wave * self.turn, axis=-1, workers=1, overwrite_x=True)


@dataclass(frozen=True, slots=True, eq=False)
class Tones:
    """Steady lines that go on from ping to ping."""

    delay_s: NDArray[np.float64]
    centre_hz: float
    frequency_hz: tuple[float, ...]
    weight: tuple[NDArray[np.complex128], ...]
    """(row, channel) amplitude and phase of each tone at each receiver. [Pa]"""

    def run(self, samples: NDArray[np.complex64], ping: PingMoment) -> None:
        """Add one ping's tones; the oscillator starts anew with each transmission, the tones don't."""
        for frequency, weight in zip(self.frequency_hz, self.weight, strict=True):
            begin = np.modf(frequency * ping.time_s)[0]
            wave = np.exp(2j * np.pi * (begin + (frequency - self.centre_hz) * self.delay_s))
            samples += (weight[..., None] * wave).astype(np.complex64)


# --- what a scenario asks for ----------------------------------------------------------------------------


def flat_noise(scenario: Scenario, listening: Listening) -> FlatNoise | None:
    """Return the flat noise of the water's table."""
    table = scenario.water
    if not table.noise or scenario.noise.thermal != "flat":
        return None
    level = table.noise_db
    if level is None:
        level = float(seawater.thermal_noise_db(scenario.sonar.centre_frequency_hz))
    rms = float(np.sqrt(2 * 10 ** (level / 10) * 1e-12 * scenario.sonar.sample_rate_hz))
    return FlatNoise(listening, np.float32(rms / np.sqrt(2)))


def thermal_db(scenario: Scenario, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Level of the thermal noise with its slope. [dB re 1 uPa^2/Hz]"""
    if scenario.noise.thermal == "mellen":
        return seawater.thermal_noise_db(frequency_hz)
    c = scenario.sound_speed_m_s
    return seawater.thermal_noise_first_principles_db(frequency_hz, temperature_c(scenario), speed_m_s=c)


def share_db(scenario: Scenario, listening: Listening) -> float:
    """What the receivers' pattern lets through of noise from all sides. [dB]"""
    if not scenario.noise.directional:
        return 0.0
    centre, c = listening.sonar.centre_frequency_hz, scenario.sound_speed_m_s
    return float(10 * np.log10(heard_share(listening.sonar, centre, c)))


def thermal_noise(scenario: Scenario, listening: Listening) -> ShapedNoise | None:
    """Return the thermal noise with its slope."""
    if scenario.noise.thermal not in ("mellen", "equipartition"):
        return None
    level = thermal_db(scenario, listening.frequency_hz) + share_db(scenario, listening)
    return ShapedNoise(_amplitude(listening, level), Stream.THERMAL)


def wind_noise(scenario: Scenario, listening: Listening) -> IsotropicNoise | ShapedNoise | None:
    """Return the noise of the surface."""
    table = scenario.noise
    if table.wind_speed_m_s is None:
        return None
    level = seawater.wind_noise_db(listening.frequency_hz, table.wind_speed_m_s)
    level = level + share_db(scenario, listening)
    if table.wind_coherence == "independent":
        return ShapedNoise(_amplitude(listening, level), Stream.WIND)
    speed = scenario.sound_speed_m_s
    return IsotropicNoise.plan(listening, level, speed, patterned=table.directional)


def self_noise_db(scenario: Scenario, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Level of the vehicle's own noise. [dB re 1 uPa^2/Hz]"""
    table = scenario.noise
    octaves = np.log2(frequency_hz / scenario.sonar.centre_frequency_hz)
    return table.self_noise_db + table.self_noise_slope_db_octave * octaves  # type: ignore[operator]


def self_noise(scenario: Scenario, listening: Listening) -> ShapedNoise | DirectedNoise | None:
    """Return the vehicle's own noise."""
    table = scenario.noise
    if table.self_noise_db is None:
        return None
    amplitude = _amplitude(listening, self_noise_db(scenario, listening.frequency_hz))
    if table.self_noise_from_deg is None:
        return ShapedNoise(amplitude, Stream.SELF)
    towards = direction_towards(table.self_noise_from_deg)
    if not listening.hears(towards):
        return None
    late = listening.arrival_s(towards, scenario.sound_speed_m_s)
    turn = np.exp(-2j * np.pi * listening.frequency_hz * late[..., None])
    return DirectedNoise(amplitude, turn.astype(np.complex64))


def tones(scenario: Scenario, listening: Listening) -> Tones | None:
    """Return the lines in the vehicle's noise that this side hears."""
    frequency, weight = [], []
    for number, tone in enumerate(scenario.noise.tones):
        if tone.from_deg is None:
            rng = chance(scenario.seed, Stream.TONE, number, int(listening.sonar.side == "starboard"))
            cycles = rng.random(listening.shape[:2])
        else:
            towards = direction_towards(tone.from_deg)
            if not listening.hears(towards):
                continue
            cycles = -tone.frequency_hz * listening.arrival_s(towards, scenario.sound_speed_m_s)
        peak_pa = np.sqrt(2) * 1e-6 * 10 ** (tone.level_db / 20)
        frequency.append(tone.frequency_hz)
        weight.append(peak_pa * np.exp(2j * np.pi * cycles))
    if not frequency:
        return None
    centre = listening.sonar.centre_frequency_hz
    return Tones(listening.delay_s, centre, tuple(frequency), tuple(weight))


def preamplifier_db(scenario: Scenario) -> float | None:
    """Level of the preamplifier's noise, as the pressure that would make it. [dB re 1 uPa^2/Hz]"""
    table = scenario.noise
    if table.preamplifier_nv is None:
        return table.preamplifier_db
    return 20 * np.log10(table.preamplifier_nv * 1e-9) - scenario.instrument.receiver_sensitivity_db


def preamplifier_noise(scenario: Scenario, listening: Listening) -> ShapedNoise | None:
    """Return the preamplifiers' noise."""
    level = preamplifier_db(scenario)
    return None if level is None else ShapedNoise(_amplitude(listening, level), Stream.PREAMPLIFIER)


def noisy_receivers(scenario: Scenario, listening: Listening, noisy: NDArray[np.bool_]) -> ShapedNoise | None:
    """Return what noisy receivers add."""
    if not noisy.any():
        return None
    level = np.float64(scenario.instrument.channels.noisy_db)
    return ShapedNoise(_amplitude(listening, level), Stream.NOISY, noisy)
