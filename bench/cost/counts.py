"""Operations and bytes of each stage for one ping and side, as functions of its sizes.

An operation is a real addition or multiplication; a transform of N points counts 5 N log2 N, whatever it takes. Bytes
are those that a stage has to move if its inner loops never miss: arrays read once, written once, tables read once.
Counted from the loops of this project's stages, so a stage that does more than it must is not excused by its count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

__all__ = ["Count", "back_project", "beams", "ground", "matched_filter", "simulator"]

_COMPLEX64 = 8
_FLOAT32 = 4


@dataclass(frozen=True, slots=True)
class Count:
    """What a stage has to do for one ping."""

    transform: float
    """Operations inside transforms."""
    arithmetic: float
    """All other operations."""
    moved: float
    """[bytes]"""

    def __add__(self, other: Count) -> Count:
        return Count(
            self.transform + other.transform, self.arithmetic + other.arithmetic, self.moved + other.moved
        )

    def least_seconds(self, fft_gflop_s: float, fma_gflop_s: float, gb_s: float) -> float:
        """Time at the machine's rates: transforms, then arithmetic or moving, whichever takes longer."""
        rest = max(self.arithmetic / fma_gflop_s, self.moved / gb_s)
        return (self.transform / fft_gflop_s + rest) * 1e-9


def _transform(n: int) -> float:
    return 5 * n * np.log2(n)


def matched_filter(n_channel: int, n_sample: int, n_fft: int) -> Count:
    """Two transforms and a complex product a channel; echo in, compressed channel out."""
    return Count(
        transform=2 * n_channel * _transform(n_fft),
        arithmetic=6 * n_channel * n_fft,
        moved=_COMPLEX64 * n_channel * 2 * n_sample + _COMPLEX64 * n_fft,
    )


def beams(
    patches: Sequence[tuple[int, int]],
    n_channel: int,
    focus_taps: int,
    steer_taps: int,
    doubling_taps: int = 0,
) -> Count:
    """Focus, steer and detect; ``patches`` are (beams, samples) that share one focus.

    Focus: real taps on complex samples (4 operations a tap), one complex phase (6). Steer: complex taps on complex
    samples (8 a tap). Then either detection (3) or, where the field is wanted at twice the sampling rate, a real filter
    of ``doubling_taps`` for the sample half way (4 a tap). The focused samples stay in cache and don't count as moved.
    """
    focused = n_channel * sum(samples for _, samples in patches)
    steered = sum(b * s for b, s in patches)
    after = 4 * doubling_taps if doubling_taps else 3
    return Count(
        transform=0.0,
        arithmetic=focused * (4 * focus_taps + 6) + steered * (n_channel * 8 * steer_taps + after),
        moved=focused * (_COMPLEX64 + _FLOAT32 * (focus_taps + 2))
        + steered * (_FLOAT32 if not doubling_taps else 2 * _COMPLEX64),
    )


def ground(n_pixel: int, n_beam: int, n_field_sample: int) -> Count:
    """Place of each pixel (42), sixteen real taps on complex samples (64), detection (3), four sums (9).

    Moved: the field once, and five accumulators of each pixel to and fro.
    """
    return Count(
        transform=0.0,
        arithmetic=n_pixel * (42 + 64 + 3 + 9),
        moved=_COMPLEX64 * n_beam * n_field_sample + n_pixel * 2 * (4 * _FLOAT32 + 2),
    )


def simulator(n_scatterer: int, n_channel: int, n_fft: int, factor: int) -> Count:
    """Per scatterer and channel: path (11), phase (22), amplitude (8), place (7), tap weights (20), four taps (16).

    Per scatterer besides: float64 path by way of the array's middle (about 260) and amplitudes at five places (about
    180). Then a transform of the fine grid and one back a channel. Moved: the scatterers' seventeen numbers per block
    live in cache; the grid is read and written once.
    """
    pairs = n_scatterer * n_channel
    return Count(
        transform=n_channel * (_transform(n_fft * factor) + _transform(n_fft)),
        arithmetic=pairs * (11 + 22 + 8 + 7 + 20 + 16) + n_scatterer * (260 + 180) + 6 * n_channel * n_fft,
        moved=5 * 8 * n_scatterer + 2 * _COMPLEX64 * n_channel * n_fft * factor,
    )


def back_project(n_pixel: int, n_channel: int, n_tap: int) -> Count:
    """Per pixel and channel: delay (30, float64), phase (30, float64), real taps on complex samples (4 a tap), turn (8).

    A float64 operation counts double: half as many fit in a vector.
    """
    pairs = n_pixel * n_channel
    return Count(
        transform=0.0, arithmetic=pairs * (2 * 60 + 4 * n_tap + 8), moved=n_pixel * (4 * 8 + _COMPLEX64)
    )
