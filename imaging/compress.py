"""Pulse compression: correlate each receiver's echo with the pulse that was sent.

A unit echo of the recorded replica compresses to a peak of 1 at its two-way delay. Receivers' own delays are
undone and a sweep that does not lie around the oscillator is moved there on the way. Sixteen receivers share each
step of the transform (``_compress_kernels``); lengths are powers of two, or three, five or seven times one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from . import _compress_kernels as kernels
from ._lanes import LANES
from .aligned import aligned_zeros
from .errors import DataError, ParameterError
from .interpolation import Spectrum
from .records import Sonar
from .theory.windows import taper

__all__ = ["CompressBuffer", "CompressSettings", "Compressor", "doppler_coupling_s", "replica"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CompressSettings:
    """How pulses are compressed."""

    window: Literal["none", "hamming", "taylor"] = "hamming"
    """Weight on the replica in time: sidelobes against width (none -13 dB, hamming -40, taylor -35)."""
    motion_within_pulse: Literal["none", "corrected"] = "none"
    """A linear sweep's echo from a point that closes in is compressed early, by Doppler shift x duration / sweep. corrected: read
    there, each look by its own Doppler, as real echoes want it. none: for echoes of the simple model, whose geometry is that of
    the pulse's centre; pingloom's simulator makes such ones."""

    def __post_init__(self) -> None:
        if self.window not in ("none", "hamming", "taylor"):
            raise ParameterError(f"compress.window is {self.window!r}; allowed: none, hamming, taylor.")
        if self.motion_within_pulse not in ("none", "corrected"):
            raise ParameterError(
                f"compress.motion_within_pulse is {self.motion_within_pulse!r}; allowed: none, corrected."
            )


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


def doppler_coupling_s(sonar: Sonar) -> float:
    """Delay by which a linear sweep's compressed echo comes early, per relative Doppler shift: f T/B, signed as B. [s]

    A frequency f_d too high looks like the sweep f_d T/B later in itself.
    """
    middle_hz = (sonar.frequency_start_hz + sonar.frequency_stop_hz) / 2
    return middle_hz * sonar.pulse_duration_s / (sonar.frequency_stop_hz - sonar.frequency_start_hz)


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
    doppler_s: float
    """Delay by which compressed echoes come early per relative Doppler shift; 0 where that is not corrected. [s]"""
    gain: NDArray[np.float32] | None
    """(sample,) undoes the time-varied gain; None where there is none."""
    n_row: int
    n_channel: int
    oversampling: int
    stages: Stages
    factor: NDArray[np.float32]
    """(sample * 2,) complex factor on each raw sample, real and imaginary part in turn; empty where it is 1."""
    references: tuple[tuple[NDArray[np.float32], ...], ...]
    """(phase of the oversampling)(block of receivers) spectrum to multiply by, in the transform's own order:
    (n_fft * 2,) for equal receivers, (n_fft * 32,) for each its own."""

    @classmethod
    def prepare(cls, sonar: Sonar, settings: CompressSettings) -> Compressor:
        """Plan the compression: transform length, reference spectra, what the pulse becomes."""
        pulse = replica(sonar)
        weight = taper(settings.window, pulse.size)
        weighted = pulse * weight
        scale = np.vdot(weighted, pulse).real
        rate_hz = 1 / sonar.sample_interval_s
        # Linear, not circular: the correlation must not wrap into the first samples.
        n_fft = _transform_length(sonar.n_sample + pulse.size - 1)
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

        spectra = match[None, :]
        if sonar.element_delay_s is not None:
            turns = (frequency_hz + sonar.centre_frequency_hz) * sonar.element_delay_s.reshape(-1, 1)
            spectra = spectra * np.exp(2j * np.pi * turns)
        # Moving the oscillator by whole bins keeps its phase zero at the start of transmission.
        start = np.exp(-2j * np.pi * shift_bins * bin_hz * sonar.first_sample_delay_s)
        spectra = np.roll(spectra * start, -shift_bins, axis=-1)
        gain = None
        if sonar.time_varied_gain_db is not None:
            gain = (10 ** (-sonar.time_varied_gain_db / 20)).astype(np.float32)
            gain.flags.writeable = False
        last_s = sonar.first_sample_delay_s + (sonar.n_sample - pulse.size) * sonar.sample_interval_s
        if last_s <= sonar.first_sample_delay_s:
            raise DataError(
                f"echo has {sonar.n_sample} samples and the pulse {pulse.size}; allowed: echoes longer than the "
                "pulse. Record for longer or shorten the pulse."
            )
        stages = Stages.of(n_fft)
        # What lies half a sample later is a transform of its own, with the delay in its reference.
        later = [
            np.exp(2j * np.pi * scipy.fft.fftfreq(n_fft) * k / oversampling) for k in range(oversampling)
        ]
        n_receiver = sonar.n_row * sonar.n_channel
        references = tuple(_references(spectra * turn / n_fft, stages.order, n_receiver) for turn in later)
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
            doppler_s=doppler_coupling_s(sonar) if settings.motion_within_pulse == "corrected" else 0.0,
            gain=gain,
            n_row=sonar.n_row,
            n_channel=sonar.n_channel,
            oversampling=oversampling,
            stages=stages,
            factor=_factor(sonar.n_sample, shift_bins / n_fft, gain),
            references=references,
        )

    @property
    def spectrum(self) -> Spectrum:
        """Amplitude of the compressed pulse across the band, for fitting delay filters."""
        unit, amplitude = np.linspace(-1, 1, self.unit_spectrum.size), self.unit_spectrum
        return lambda u: np.interp(u, unit, amplitude)

    def allocate(self) -> CompressBuffer:
        """Buffers that :meth:`run_planes` writes into, reused from ping to ping.

        They begin on cache lines: a block that does not takes a fifth longer, and where memory happens to lie would decide.
        """
        return CompressBuffer(
            planes=aligned_zeros(2, self.n_row, self.n_channel, self.n_out),
            block=aligned_zeros(self.n_fft * 2 * LANES),
            part=aligned_zeros(2, self.n_row * self.n_channel * self.n_sample),
        )

    def run_planes(self, echo: NDArray[np.complex64], out: CompressBuffer) -> NDArray[np.float32]:
        """Compress one ping without allocating.

        Parameters
        ----------
        echo : ndarray of complex64, shape (row, channel, n_sample)
        out : CompressBuffer
            Of :meth:`allocate`.

        Returns
        -------
        ndarray of float32, shape (2, row, channel, n_out)
            ``out.planes``: real and imaginary parts. Sample n belongs to the two-way delay
            ``first_delay_s + n / sample_rate_hz``.

        Raises
        ------
        DataError
            If the shape is not the planned one.
        """
        wanted = (self.n_row, self.n_channel, self.n_sample)
        if echo.shape != wanted:
            raise DataError(
                f"echo has shape (row, channel, sample) = {echo.shape}; this plan was made for {wanted}. "
                "Prepare a new one."
            )
        raw = np.ascontiguousarray(echo, np.complex64).reshape(-1).view(np.float32)
        parts = out.planes.reshape(2, -1) if self.oversampling == 1 else out.part
        for k, references in enumerate(self.references):
            for b, reference in enumerate(references):
                self._run_block(raw, b * LANES, reference, out.block, parts)
            if self.oversampling > 1:
                out.planes[..., k :: self.oversampling] = out.part.reshape(2, *wanted)
        return out.planes

    def _run_block(self, raw, first: int, reference, block, parts) -> None:
        stages = self.stages
        n = min(LANES, self.n_row * self.n_channel - first)
        kernels.deal_in(raw, first, n, self.n_sample, block)
        if self.factor.size:
            kernels.scale_rows(block, self.factor)
        kernels.compress_block(
            block,
            stages.radix,
            stages.rest,
            stages.start,
            stages.table,
            reference,
            reference.size > 2 * self.n_fft,
        )
        kernels.deal_out(block, first, n, self.n_sample, parts[0], parts[1])

    def run(self, echo: NDArray[np.complex64], out: CompressBuffer | None = None) -> NDArray[np.complex64]:
        """Compress one ping to complex numbers (row, channel, n_out), a new array; see :meth:`run_planes`."""
        real, imag = self.run_planes(echo, out or self.allocate())
        compressed = np.empty(real.shape, np.complex64)
        compressed.real, compressed.imag = real, imag
        return compressed


@dataclass(slots=True, eq=False)
class CompressBuffer:
    """Working memory of one side's compression."""

    planes: NDArray[np.float32]
    """(2, row, channel, n_out) real and imaginary parts of the compressed ping."""
    block: NDArray[np.float32]
    part: NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Stages:
    """The stages of a transform: one of radix 7, 5, 3, 4 or 2 for each that the length needs, then radix 8."""

    radix: NDArray[np.int64]
    rest: NDArray[np.int64]
    """Points that a stage leaves to the next."""
    start: NDArray[np.int64]
    """Where a stage's twiddle factors begin in the table."""
    table: NDArray[np.float32]
    order: NDArray[np.int64]
    """(n,) the bin that stands at each place after the forward transform."""

    @classmethod
    def of(cls, n: int) -> Stages:
        """Plan the stages for ``n`` points."""
        odd = n // (n & -n)
        bits = (n // odd).bit_length() - 1
        radix = [r for r in (odd, 1 << bits % 3) if r > 1] + [8] * (bits // 3)
        rest, start, table = [], [], [np.zeros(0)]
        place, order, weight = np.arange(n), np.zeros(n, np.int64), 1
        left = n
        for r in radix:
            left //= r
            rest.append(left)
            start.append(sum(t.size for t in table))
            turn = np.exp(-2j * np.pi * np.arange(left)[:, None] * np.arange(1, r) / (r * left))
            table.append(np.stack([turn.real, turn.imag], axis=-1).ravel())
            order += place // left * weight
            place, weight = place % left, weight * r
        return cls(
            radix=np.array(radix),
            rest=np.array(rest),
            start=np.array(start),
            table=np.concatenate(table).astype(np.float32),
            order=order,
        )


def _transform_length(least: int) -> int:
    """Smallest length from 64 that is a power of two, or three, five or seven times one, and at least ``least``."""
    powers = [1 << k for k in range(6, 63)]
    return min(m * n for n in powers for m in (1, 3, 5, 7) if m * n >= least)


def _references(
    spectra: NDArray[np.complex128], order: NDArray[np.int64], n_receiver: int
) -> tuple[NDArray[np.float32], ...]:
    """Reference spectra (1 or receiver, bin) in the transform's order, block by block."""
    sorted_spectra = spectra[:, order]
    n_block = -(-n_receiver // LANES)
    if spectra.shape[0] == 1:
        one = np.stack([sorted_spectra[0].real, sorted_spectra[0].imag], axis=-1).astype(np.float32).ravel()
        one.flags.writeable = False
        return (one,) * n_block
    blocks = []
    for b in range(n_block):
        some = sorted_spectra[b * LANES : (b + 1) * LANES]
        lanes = np.zeros((order.size, 2, LANES), np.float32)
        lanes[:, 0, : some.shape[0]], lanes[:, 1, : some.shape[0]] = some.real.T, some.imag.T
        lanes.flags.writeable = False
        blocks.append(lanes.reshape(-1))
    return tuple(blocks)


def _factor(n_sample: int, turns_per_sample: float, gain: NDArray[np.float32] | None) -> NDArray[np.float32]:
    """What each raw sample is multiplied by: gain undone, oscillator moved."""
    if gain is None and not turns_per_sample:
        return np.zeros(0, np.float32)
    factor = np.exp(-2j * np.pi * turns_per_sample * np.arange(n_sample)) * (1 if gain is None else gain)
    return np.stack([factor.real, factor.imag], axis=-1).astype(np.float32).ravel()
