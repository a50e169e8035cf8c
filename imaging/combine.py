"""Vertical rows and receivers' weights: from (row, channel) echoes to one line of channels.

Delays that a calibration found in receivers are undone first. Rows are aligned at the direction from which the seabed's echo arrives at each delay (it follows altitude, roll
and pitch), by delay and phase, and averaged over the live receivers of each channel.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from . import _combine_kernels as kernels
from .compress import Compressor
from .frames import ArrayFrame, array_frame
from .interpolation import delay_taps, tap_offsets
from .records import Sonar

__all__ = ["Combiner"]

_N_TAP = 6


@dataclass(frozen=True, slots=True, eq=False)
class Combiner:
    """One side's rows, planned once."""

    frame: ArrayFrame
    live: NDArray[np.bool_]
    """(row, channel)"""
    carrier_hz: float
    sample_rate_hz: float
    sound_speed_m_s: float
    taps: NDArray[np.float32]

    @classmethod
    def prepare(cls, sonar: Sonar, compressor: Compressor, *, sound_speed_m_s: float) -> Combiner:
        """Plan the alignment of rows."""
        taps = delay_taps(np.arange(257) / 256, compressor.band, _N_TAP, compressor.spectrum)
        return cls(
            array_frame(sonar),
            sonar.live,
            compressor.carrier_hz,
            compressor.sample_rate_hz,
            sound_speed_m_s,
            taps.astype(np.float32),
        )

    def undo_delays(self, compressed: NDArray[np.float32], channel_delay_s: NDArray[np.float64]) -> None:
        """Bring late receivers' envelopes forward, in place.

        Parameters
        ----------
        compressed : ndarray of float32, shape (2, row, channel, sample)
            Real and imaginary parts around the carrier: a delay moves the envelope and leaves the phase.
        channel_delay_s : ndarray of float64, shape (row, channel)
            0 for receivers to be left alone. [s]
        """
        scratch = np.empty(compressed.shape[-1], np.float32)
        for row, channel in np.argwhere((channel_delay_s != 0) & self.live):
            shift = channel_delay_s[row, channel] * self.sample_rate_hz
            whole = int(np.floor(shift))
            taps = self.taps[round((shift - whole) * 256)]
            for part in compressed[:, row, channel]:
                kernels.move_samples(part, whole + int(tap_offsets(_N_TAP)[0]), taps, scratch)

    def run(
        self,
        compressed: NDArray[np.float32],
        sine_up: NDArray[np.float64],
        channel_weight: NDArray[np.complex64] | None,
        out: NDArray[np.float32],
        row_weight: NDArray[np.complex64] | None = None,
        set_of_channel: NDArray[np.int64] | None = None,
    ) -> None:
        """Align and average the rows of one ping.

        Parameters
        ----------
        compressed : ndarray of float32, shape (2, row, channel, sample)
            Real and imaginary parts.
        sine_up : ndarray of float64, shape (sample,)
            Sine of the seabed's direction above the array normal, at each sample's delay.
        channel_weight : ndarray of complex64, shape (row, channel), or None
            Factor on each receiver's echo, from a calibration.
        out : ndarray of float32, shape (2, channel, sample)
        row_weight : ndarray of complex64, shape (set, row, sample), optional
            What aligned rows are multiplied by, of unit sum; default their mean.
        set_of_channel : ndarray of int64, shape (channel,), optional
            Which of the sets is each channel's.
        """
        n_row = compressed.shape[1]
        weight = self._receiver_weight(channel_weight)
        if n_row == 1:
            kernels.weigh_row(compressed, weight[0], out)
            return
        index, fraction, phase = self._alignment(sine_up)
        if row_weight is None or set_of_channel is None:
            weight = weight / np.maximum(self.live.sum(axis=0), 1).astype(np.float32)
            turn, kind = phase[None], np.zeros(weight.shape[1], np.int64)
        else:
            turn, kind = phase * row_weight, set_of_channel
        kernels.align_rows(compressed, index, fraction, turn, kind, self.taps, weight, out)

    def covariance(
        self,
        compressed: NDArray[np.float32],
        sine_up: NDArray[np.float64],
        channel_weight: NDArray[np.complex64] | None,
        block: float,
        n_block: int,
    ) -> NDArray[np.complex128]:
        """Products of the rows aligned at the seabed, summed over channels and blocks of samples.

        Parameters as for :meth:`run`; ``block`` is the length of each of ``n_block`` blocks in samples.

        Returns
        -------
        ndarray of complex128, shape (block, row, row)
        """
        n_row = compressed.shape[1]
        out = np.zeros((n_block, n_row, n_row), np.complex128)
        index, fraction, phase = self._alignment(sine_up)
        weight = self._receiver_weight(channel_weight)
        kernels.row_covariance(compressed, index, fraction, phase, self.taps, weight, block, out)
        return out

    def _receiver_weight(self, channel_weight: NDArray[np.complex64] | None) -> NDArray[np.complex64]:
        weight = self.live.astype(np.complex64)
        return weight if channel_weight is None else weight * channel_weight

    def _alignment(
        self, sine_up: NDArray[np.float64]
    ) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.complex64]]:
        """First sample, row of taps and phase (row, sample) that bring each row to the middle of the array."""
        offset = self.frame.offset_m.mean(axis=1)
        cosine = np.sqrt(np.maximum(0.0, 1 - sine_up**2))
        # A receiver nearer to the seabed hears it earlier by this path.
        nearer_m = offset[:, :1] * cosine + offset[:, 1:] * sine_up
        shift = -nearer_m / self.sound_speed_m_s * self.sample_rate_hz
        whole = np.floor(shift)
        fraction = np.rint((shift - whole) * 256).astype(np.int32)
        index = (np.arange(sine_up.size) + whole + tap_offsets(_N_TAP)[0]).astype(np.int32)
        turns = -nearer_m * (self.carrier_hz / self.sound_speed_m_s)
        return index, fraction, np.exp(2j * np.pi * turns).astype(np.complex64)
