"""Operations and bytes of each stage for one ping and side, as functions of its sizes.

An operation is a real addition or multiplication of float32; one of float64 counts double, since half as many fit in a
vector; a root, a division, a comparison or a rounding counts as one. A transform of N points counts 5 N log2 N, whatever
it takes. Bytes are those that a stage has to move if its inner loops never miss: arrays read once, written once, tables
read once. Counted from the loops of this project's stages without what fills up vectors and blocks, so a stage that does
more than it must is not excused by its count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

__all__ = [
    "BeamPatch",
    "Count",
    "back_project",
    "beams",
    "between",
    "detection",
    "ground",
    "matched_filter",
    "simulator",
]

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

    @property
    def operations(self) -> float:
        """Of all kinds."""
        return self.transform + self.arithmetic

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


@dataclass(frozen=True, slots=True, kw_only=True)
class BeamPatch:
    """Sizes of some beams and samples that share tables."""

    n_beam: int
    n_sample: int
    n_table: int
    """Of delay and phase, each for one channel or more."""
    degree: int
    """Of the polynomial in the delay that focuses."""
    focus_side: int
    """Taps of its filters on either side."""
    n_product: int
    """Rows that a half beam is summed over: receivers, or sums and differences of mirrored ones, and their filtered
    forms, for E and for O together."""
    n_filtered: int
    """Of them, those that filters make."""
    steer_side: int
    """Taps of these filters on either side."""


def beams(patches: Sequence[BeamPatch], n_channel: int) -> Count:
    """Focus and steer to the complex field at the channels' own sampling rate.

    Focus, a channel and sample: sums, differences and products of the taps (``2 + degree * 2`` a part and tap), the
    polynomial (``2 * degree + 1`` a part), the turn (6), weights and folding (4). Steer, a sample: filters of mirrored
    taps (``3 * steer_side - 1`` a part) for each filtered row, and for each half beam products of real factors with real
    and imaginary parts (2 each), E + O and E - O (4). The focused samples stay in cache and don't count as moved.
    """
    arithmetic = moved = 0.0
    for p in patches:
        focus = 2 * p.focus_side * (2 + 2 * p.degree) + 2 * (2 * p.degree + 1) + 6 + 4
        filtered = 2 * p.n_filtered * (3 * p.steer_side - 1)
        arithmetic += p.n_sample * (n_channel * focus + filtered + p.n_beam / 2 * (4 * p.n_product + 4))
        moved += p.n_sample * (_COMPLEX64 * (n_channel + p.n_beam) + 3 * _FLOAT32 * p.n_table)
    return Count(transform=0.0, arithmetic=arithmetic, moved=moved)


def detection(n_value: int) -> Count:
    """Intensity of complex numbers that the stage before holds in registers."""
    return Count(transform=0.0, arithmetic=3 * n_value, moved=(_FLOAT32 - _COMPLEX64) * n_value)


def between(n_beam: int, n_sample: int, beam_taps: int, sample_taps: int) -> Count:
    """A field of so many beams from half as many, then twice as many samples from ``n_sample``; 0 taps where not.

    Symmetric real filters on real and imaginary parts, 3 operations for two taps and one less; the level, linear between
    nodes (4), on both parts (2). Moved: the field, less the steered beams that :func:`beams` wrote for this to read.
    """
    across = n_beam / 2 * n_sample * 2 * (1.5 * beam_taps - 1) if beam_taps else 0.0
    along = n_beam * n_sample * 2 * (1.5 * sample_taps - 1) if sample_taps else 0.0
    level = n_beam * n_sample * (4 + 2)
    more = (2 if sample_taps else 1) - (0.5 if beam_taps else 1)
    return Count(
        transform=0.0, arithmetic=across + along + level, moved=_COMPLEX64 * n_beam * n_sample * more
    )


def ground(n_pixel: int, n_beam: int, n_field_sample: int, n_tap: int) -> Count:
    """Place of each pixel (66), four beams' ``n_tap`` real taps on complex samples, detection (3), six sums with their
    weights (20).

    Reading: products and sums of four beams (14 a tap), products along delay (2) and their sums (2, less 2). Moved: the
    field once, and six sums of each pixel to and fro.
    """
    return Count(
        transform=0.0,
        arithmetic=n_pixel * (66 + 18 * n_tap - 2 + 3 + 20),
        moved=_COMPLEX64 * n_beam * n_field_sample + n_pixel * 2 * 6 * _FLOAT32,
    )


def simulator(n_scatterer: int, n_channel: int, n_fft: int, factor: int) -> Count:
    """Per scatterer and channel: path (11), phase (18), amplitude and turn (15), place (7), tap weights (22), four taps (16).

    Per scatterer besides: float64 path by way of the array's middle (about 300, and 30 at the transmitter), amplitudes at
    five places along the array and their powers (about 320). Then a transform of the fine grid and one back a channel.
    Moved: the five numbers of a scatterer in float64; what a block of them makes stays in cache; the grid read and written
    once.
    """
    pairs = n_scatterer * n_channel
    alone = n_scatterer * (2 * (300 + 30) + 320)
    return Count(
        transform=n_channel * (_transform(n_fft * factor) + _transform(n_fft)),
        arithmetic=pairs * (11 + 18 + 15 + 7 + 22 + 16) + alone + 6 * n_channel * n_fft,
        moved=5 * 8 * n_scatterer + 2 * _COMPLEX64 * n_channel * n_fft * factor,
    )


def back_project(n_pixel: int, n_channel: int, n_tap: int) -> Count:
    """Per pixel and channel: delay (30, float64), phase (30, float64), real taps on complex samples (4 a tap), turn (8).

    Moved: a point's place, delay and sum; the channels stay in cache.
    """
    pairs = n_pixel * n_channel
    return Count(
        transform=0.0, arithmetic=pairs * (2 * 60 + 4 * n_tap + 8), moved=n_pixel * (4 * 8 + _COMPLEX64)
    )
