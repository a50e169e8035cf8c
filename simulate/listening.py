"""What a part of the instrument may know of a ping: its samples, its time, its own chance."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Protocol

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from pingloom.imaging.records import Sonar

from ._geometry import array_axes

__all__ = ["Effect", "Listening", "PingMoment", "Stream", "chance", "direction_towards", "margin_for"]

_SEARCH = 512  # margins tried for a length that transforms fast


class Stream(IntEnum):
    """Streams of the seed, beside those of scene and motion: no part draws from another's."""

    FLAT = 2
    THERMAL = 30
    WIND = 31
    SELF = 32
    TONE = 33
    SOUNDER = 34
    PREAMPLIFIER = 35
    NOISY = 36
    PICKUP = 37
    CLOCK = 38
    TRIGGER = 39
    PING_TIME = 40
    CHANNEL = 41
    RING = 42
    FACETS = 50
    SURFACE = 51


def chance(seed: int, stream: Stream, *key: int) -> np.random.Generator:
    """Return the generator of a stream; equal keys give equal draws, whatever was drawn elsewhere."""
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(int(stream), *key)))


@dataclass(frozen=True, slots=True)
class PingMoment:
    """One ping of one side."""

    seed: int
    side: str
    number: int
    time_s: float
    """Start of transmission, from the first ping."""

    def chance(self, stream: Stream, *more: int) -> np.random.Generator:
        """Return this ping's own generator of a stream."""
        return chance(self.seed, stream, self.number, int(self.side == "starboard"), *more)


@dataclass(frozen=True, slots=True, eq=False)
class Listening:
    """The samples of a ping: those of the record, with ``margin`` more at both ends for what smears them."""

    sonar: Sonar
    """As it really is."""
    margin: int

    @property
    def n(self) -> int:
        """Samples, margins included."""
        return self.sonar.n_sample + 2 * self.margin

    @property
    def shape(self) -> tuple[int, int, int]:
        """(row, channel, sample), margins included."""
        return (self.sonar.n_row, self.sonar.n_channel, self.n)

    @property
    def sample_rate_hz(self) -> float:
        """Complex samples a second."""
        return 1 / self.sonar.sample_interval_s

    @property
    def delay_s(self) -> NDArray[np.float64]:
        """(sample,) from the start of transmission."""
        step = np.arange(self.n) - self.margin
        return self.sonar.first_sample_delay_s + step * self.sonar.sample_interval_s

    @property
    def baseband_hz(self) -> NDArray[np.float64]:
        """(sample,) frequencies of the samples' discrete Fourier transform, from the oscillator's."""
        return np.fft.fftfreq(self.n, self.sonar.sample_interval_s)

    @property
    def frequency_hz(self) -> NDArray[np.float64]:
        """(sample,) the same in the water."""
        return self.sonar.centre_frequency_hz + self.baseband_hz

    def record(self, samples: NDArray[np.complex64]) -> NDArray[np.complex64]:
        """Return a view of the record's samples, (..., n_sample)."""
        return samples[..., self.margin : self.margin + self.sonar.n_sample]

    def margins(self, samples: NDArray[np.complex64]) -> list[NDArray[np.complex64]]:
        """Return views of the samples before and after the record; none without margins."""
        if not self.margin:
            return []
        return [samples[..., : self.margin], samples[..., self.margin + self.sonar.n_sample :]]

    def arrival_s(self, towards: NDArray[np.float64], sound_speed_m_s: float) -> NDArray[np.float64]:
        """(row, channel) by how much a plane wave reaches each receiver later than the array's centre.

        ``towards`` is the unit vector from the vehicle to the source, in the body frame.
        """
        place = self.sonar.element_position_m
        return -((place - place.mean(axis=(0, 1))) @ towards) / sound_speed_m_s

    def hears(self, towards: NDArray[np.float64]) -> bool:
        """Whether the array's face is turned to a direction; along the face counts."""
        return bool(array_axes(self.sonar)[2] @ towards > -1e-9)


class Effect(Protocol):
    """One thing that happens to a ping's samples."""

    def run(self, samples: NDArray[np.complex64], ping: PingMoment) -> None:
        """Change (row, channel, sample) in place."""


def direction_towards(from_deg: float, up_deg: float = 0.0) -> NDArray[np.float64]:
    """Unit vector to where a wave comes from: clockwise from the bow, above the horizontal; forward, starboard, down."""
    azimuth, up = np.deg2rad(from_deg), np.deg2rad(up_deg)
    return np.array([np.cos(azimuth) * np.cos(up), np.sin(azimuth) * np.cos(up), -np.sin(up)])


def margin_for(n_sample: int, least: int) -> int:
    """Smallest margin from ``least`` on whose samples transform fast; 0 stays 0."""
    if not least:
        return 0
    for margin in range(least, least + _SEARCH):
        n = n_sample + 2 * margin
        if scipy.fft.next_fast_len(n) == n:
            return margin
    return least
