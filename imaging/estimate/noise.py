"""Noise power from the water column: what the receivers hear before the first seabed echo."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..compress import Compressor
from ..geometry import PingGeometry
from ._noise_kernels import quiet_median

__all__ = ["NoiseState", "measure_noise"]

_LEAST_SAMPLES = 32
_LOG_2 = math.log(2)
_MEMORY_PINGS = 64
_SURE_PINGS = 8
"""From so many on a single ping counts for no more than ``_MOST`` times the mean: another sounder's pulse in the water column
is no noise, and a real rise is still followed, doubling in some ninety pings."""
_MOST = 1.5
_FAR_BELOW = 0.25
"""A ping below this part of the mean starts it anew: what was heard before was no noise."""
_LOUDER = 1.5
"""First half of the window over its second at which the transmission is believed to ring on; chance makes 1.15 at most (five
standard deviations of 32 samples in 32 channels)."""


@dataclass(frozen=True, slots=True)
class NoiseState:
    """Running mean of the noise power of a compressed channel, gains undone."""

    power: float = 0.0
    n_ping: int = 0

    @property
    def known(self) -> bool:
        """Whether any ping had a water column to listen to."""
        return self.n_ping > 0

    def updated(self, power: float) -> NoiseState:
        """The mean with one more ping, forgetting those long past."""
        if not math.isfinite(power):
            return self
        if self.n_ping and not 0 < _FAR_BELOW * self.power < power:
            return self if power == 0 else NoiseState(power, 1)
        if self.n_ping >= _SURE_PINGS:
            power = min(power, _MOST * self.power)
        n = min(self.n_ping + 1, _MEMORY_PINGS)
        return NoiseState(self.power + (power - self.power) / n, n)


def measure_noise(
    echo: NDArray[np.complex64],
    channels: NDArray[np.float32],
    live: NDArray[np.bool_],
    compressor: Compressor,
    geometry: PingGeometry,
    *,
    pulse_s: float,
    sound_speed_m_s: float,
    weight: NDArray[np.complex64] | None = None,
    work: NDArray[np.float32] | None = None,
) -> float:
    """Noise power of a compressed channel in this ping; NaN where there is no water column to listen to.

    The compressed samples between the end of the transmission and one pulse before the bottom (where range
    sidelobes of the bottom begin) are used; where those are too few, the raw ones up to the bottom, scaled by what
    compression does to white noise. The median makes it robust against fish and other single echoes; as long as the
    first half of the window is the louder one, the transmission still rings in the receivers, and the second half is taken.

    Parameters
    ----------
    echo : ndarray of complex64, shape (row, channel, sample)
        Raw.
    channels : ndarray of float32, shape (2, channel, sample)
        Compressed and combined, real and imaginary parts.
    live : ndarray of bool, shape (row, channel)
    weight : ndarray of complex64, shape (row, channel), optional
        Factors that a calibration laid on the receivers; those with 0 are not heard.
    work : ndarray of float32, shape (n,), optional
        Working memory for a number of each channel and sample.
    """
    bottom_s = 0.95 * 2 * geometry.first_clearance_m / sound_speed_m_s
    heard = live if weight is None else live & (weight != 0)
    alive = heard[0] if live.shape[0] == 1 else heard.any(axis=0)
    quiet = _window(compressor, compressor.sample_rate_hz, pulse_s, bottom_s - pulse_s)
    if quiet.stop - quiet.start >= _LEAST_SAMPLES:
        return _mean_power(channels, alive, quiet, work)
    rate_hz = compressor.sample_rate_hz / compressor.oversampling
    quiet = _window(compressor, rate_hz, pulse_s, bottom_s)
    if quiet.stop - quiet.start < _LEAST_SAMPLES:
        return float("nan")
    raw = echo[:, :, quiet]
    if compressor.gain is not None:
        raw = raw * compressor.gain[quiet]
    left = alive.sum() / live.sum()
    if weight is not None:
        factor = np.sum(np.abs(weight) ** 2 * heard, axis=0) / np.maximum(live.sum(axis=0), 1) ** 2
        left = float(factor[alive].mean())
    raw = raw[heard]
    every = slice(0, raw.shape[-1])
    power = _mean_power(np.stack([raw.real, raw.imag]), np.ones(raw.shape[0], np.bool_), every, work)
    return power * compressor.noise_gain * left


def _window(compressor: Compressor, rate_hz: float, begin_s: float, end_s: float) -> slice:
    first = math.ceil((begin_s - compressor.first_delay_s) * rate_hz)
    last = math.floor((end_s - compressor.first_delay_s) * rate_hz)
    return slice(max(first, 0), max(last, 0))


def _mean_power(
    parts: NDArray[np.float32], wanted: NDArray[np.bool_], quiet: slice, work: NDArray[np.float32] | None
) -> float:
    """Mean of an exponential law from its median, once the transmission has died away; parts (2, row, sample)."""
    past = min(quiet.stop, parts.shape[2])
    room = parts.shape[1] * max(past - quiet.start, 0)
    if work is None or work.size < room:
        work = np.empty(room, np.float32)
    return quiet_median(parts, wanted, quiet.start, past, _LEAST_SAMPLES, _LOUDER, work) / _LOG_2
