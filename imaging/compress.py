"""Pulse compression: correlate each receiver's echo with the pulse that was sent.

A unit echo of the recorded replica compresses to a peak of 1 at its two-way delay. Receivers' own delays are
undone and a sweep that does not lie around the oscillator is moved there, both in the same spectrum product.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from .errors import DataError, ParameterError
from .interpolation import Spectrum
from .records import Sonar
from .theory.windows import taper

__all__ = ["CompressSettings", "Compressor", "replica"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CompressSettings:
    """How pulses are compressed."""

    window: Literal["none", "hamming", "taylor"] = "hamming"
    """Weight on the replica in time: sidelobes against width (none -13 dB, hamming -40, taylor -35)."""

    def __post_init__(self) -> None:
        if self.window not in ("none", "hamming", "taylor"):
            raise ParameterError(f"compress.window is {self.window!r}; allowed: none, hamming, taylor.")


def replica(sonar: Sonar) -> NDArray[np.complex128]:
    """The transmitted pulse at baseband, sampled from the start of transmission, shape (n,)."""
    if sonar.replica is not None:
        return sonar.replica.astype(np.complex128)
    n = int(np.floor(sonar.pulse_duration_s / sonar.sample_interval_s * (1 + 1e-12))) + 1
    t = np.arange(n) * sonar.sample_interval_s
    slope = (sonar.frequency_stop_hz - sonar.frequency_start_hz) / sonar.pulse_duration_s
    return np.exp(
        2j * np.pi * ((sonar.frequency_start_hz - sonar.centre_frequency_hz) * t + slope * t**2 / 2)
    )


@dataclass(frozen=True, slots=True, eq=False)
class Compressor:
    """One side's pulse compression, planned once."""

    n_sample: int
    n_fft: int
    n_out: int
    """Samples of a compressed channel."""
    carrier_hz: float
    """Of the compressed data: the sweep's middle, to a spectral bin. [Hz]"""
    sample_rate_hz: float
    """Of the compressed data. [Hz]"""
    first_delay_s: float
    last_delay_s: float
    """Echoes that begin later are not wholly recorded. [s]"""
    band: float
    """Bandwidth over ``sample_rate_hz``."""
    unit_spectrum: NDArray[np.float64]
    """Amplitude of the compressed pulse at 65 frequencies across the band, peak 1."""
    equivalent_width_s: float
    """Integral of the compressed intensity of a unit echo. [s]"""
    noise_gain: float
    """Compressed noise power over the noise power of a raw sample, white noise."""
    gain: NDArray[np.float32] | None
    """(sample,) undoes the time-varied gain; None where there is none."""
    reference: NDArray[np.complex64]
    """(row or 1, channel or 1, n_fft) spectrum to multiply by; a single one serves equal receivers."""
    shift_bins: int
    oversampling: int

    @classmethod
    def prepare(cls, sonar: Sonar, settings: CompressSettings) -> Compressor:
        """Plan the compression: transform length, reference spectra, what the pulse becomes."""
        pulse = replica(sonar)
        weight = taper(settings.window, pulse.size)
        weighted = pulse * weight
        scale = np.vdot(weighted, pulse).real
        rate_hz = 1 / sonar.sample_interval_s
        # Linear, not circular: the correlation must not wrap into the first samples.
        n_fft = scipy.fft.next_fast_len(sonar.n_sample + pulse.size - 1)
        sent = scipy.fft.fft(pulse, n_fft)
        match = np.conj(scipy.fft.fft(weighted, n_fft)) / scale

        middle_hz = (sonar.frequency_start_hz + sonar.frequency_stop_hz) / 2
        bin_hz = rate_hz / n_fft
        shift_bins = round((middle_hz - sonar.centre_frequency_hz) / bin_hz)
        carrier_hz = sonar.centre_frequency_hz + shift_bins * bin_hz
        # Room between the band's edges is what short delay filters live on.
        oversampling = 1 if rate_hz >= 1.25 * sonar.bandwidth_hz else 2
        out_rate_hz = rate_hz * oversampling

        frequency_hz = scipy.fft.fftfreq(n_fft, sonar.sample_interval_s)
        product = np.abs(match * sent)
        # The response to a unit echo in the pulse's own coordinates: energy by Parseval's theorem.
        equivalent_s = float(np.mean(product**2)) * sonar.sample_interval_s
        around = frequency_hz - shift_bins * bin_hz
        around = (around + rate_hz / 2) % rate_hz - rate_hz / 2
        order = np.argsort(around)
        grid_hz = np.linspace(-0.5, 0.5, 65) * sonar.bandwidth_hz
        smooth = np.interp(grid_hz, around[order], product[order])

        reference = match[None, None, :]
        if sonar.element_delay_s is not None:
            turns = (frequency_hz + sonar.centre_frequency_hz) * sonar.element_delay_s[..., None]
            reference = reference * np.exp(2j * np.pi * turns)
        # Moving the oscillator by whole bins keeps its phase zero at the start of transmission.
        start = np.exp(-2j * np.pi * shift_bins * bin_hz * sonar.first_sample_delay_s)
        gain = None
        if sonar.time_varied_gain_db is not None:
            gain = (10 ** (-sonar.time_varied_gain_db / 20)).astype(np.float32)
            gain.flags.writeable = False
        reference = np.ascontiguousarray(reference * (start * oversampling), dtype=np.complex64)
        reference.flags.writeable = False
        last_s = sonar.first_sample_delay_s + (sonar.n_sample - pulse.size) * sonar.sample_interval_s
        if last_s <= sonar.first_sample_delay_s:
            raise DataError(
                f"echo has {sonar.n_sample} samples and the pulse {pulse.size}; allowed: echoes longer than the "
                "pulse. Record for longer or shorten the pulse."
            )
        return cls(
            n_sample=sonar.n_sample,
            n_fft=n_fft,
            n_out=sonar.n_sample * oversampling,
            carrier_hz=carrier_hz,
            sample_rate_hz=out_rate_hz,
            first_delay_s=sonar.first_sample_delay_s,
            last_delay_s=last_s,
            band=min(0.98, sonar.bandwidth_hz / out_rate_hz),
            unit_spectrum=smooth / smooth.max(),
            equivalent_width_s=equivalent_s,
            noise_gain=float(np.mean(np.abs(match) ** 2)),
            gain=gain,
            reference=reference,
            shift_bins=shift_bins,
            oversampling=oversampling,
        )

    @property
    def spectrum(self) -> Spectrum:
        """Amplitude of the compressed pulse across the band, for fitting delay filters."""
        unit, amplitude = np.linspace(-1, 1, self.unit_spectrum.size), self.unit_spectrum
        return lambda u: np.interp(u, unit, amplitude)

    def run(self, echo: NDArray[np.complex64]) -> NDArray[np.complex64]:
        """Compress one ping.

        Parameters
        ----------
        echo : ndarray of complex64, shape (row, channel, n_sample)

        Returns
        -------
        ndarray of complex64, shape (row, channel, n_out)
            Sample n belongs to the two-way delay ``first_delay_s + n / sample_rate_hz``.

        Raises
        ------
        DataError
            If the number of samples is not the planned one.
        """
        if echo.shape[-1] != self.n_sample:
            raise DataError(
                f"echo has {echo.shape[-1]} samples; this plan was made for {self.n_sample}. Prepare a new one."
            )
        if self.gain is not None:
            echo = echo * self.gain
        x = scipy.fft.fft(echo, self.n_fft, axis=-1, workers=1)
        x *= self.reference
        if self.shift_bins:
            x = np.roll(x, -self.shift_bins, axis=-1)
        if self.oversampling > 1:
            x = _widen(x, self.n_fft * self.oversampling)
        return scipy.fft.ifft(x, axis=-1, overwrite_x=True, workers=1)[..., : self.n_out]


def _widen(spectrum: NDArray[np.complex64], n: int) -> NDArray[np.complex64]:
    """Zero-pad a spectrum in its middle: band-limited interpolation in time."""
    m = spectrum.shape[-1]
    half = (m + 1) // 2
    wide = np.zeros((*spectrum.shape[:-1], n), spectrum.dtype)
    wide[..., :half] = spectrum[..., :half]
    wide[..., n - (m - half) :] = spectrum[..., half:]
    return wide
