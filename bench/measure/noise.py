"""Signal to noise from a product's own noise layer, and level errors against a known backscatter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pingloom.imaging.errors import DataError, ParameterError

from ._checks import as_image, as_mask

__all__ = ["LevelError", "SignalToNoise", "level_error", "signal_to_noise"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalToNoise:
    """Mean echo over mean noise of a region."""

    signal_to_noise_db: float
    """Mean intensity over mean noise-equivalent; NaN if the mean intensity isn't positive. [dB]"""
    worst_db: float
    """The same of the worst across-track column that has pixels; NaN if its intensity isn't positive. [dB]"""
    below_noise_fraction: float
    """Part of the pixels whose intensity lies under their noise-equivalent."""
    n_pixel: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelError:
    """Measured over true level, block by block. [dB]"""

    bias_db: float
    """Of the mean over all blocks that count."""
    rms_db: float
    """Root mean square of the blocks' errors."""
    spread_db: float
    """Standard deviation of the blocks' errors; speckle alone gives about 4.34/sqrt(looks * cells a block)."""
    percentile_5_db: float
    median_db: float
    percentile_95_db: float
    n_block: int
    n_below_noise: int
    """Blocks with a mean that isn't positive: they have no level in dB and are left out of all but ``bias_db``."""


def signal_to_noise(
    intensity: ArrayLike, noise_equivalent: ArrayLike, *, mask: ArrayLike | None = None
) -> SignalToNoise:
    """Signal-to-noise ratio of a region.

    Parameters
    ----------
    intensity : array_like of float, shape (along, across)
        Linear backscatter with the noise already subtracted; NaN where not seen.
    noise_equivalent : array_like of float, shape (along, across)
        Linear backscatter whose echo equals the noise; NaN where unknown.
    mask : array_like of bool, shape (along, across), optional
        True inside the region; default: everywhere.

    Returns
    -------
    SignalToNoise

    Raises
    ------
    ParameterError
        If the shapes differ.
    DataError
        If no pixel is both seen and of known noise, or a noise-equivalent isn't positive.
    """
    signal, noise = _same_shape("intensity", intensity, "noise_equivalent", noise_equivalent)
    use = np.isfinite(signal) & np.isfinite(noise) & _region(mask, signal.shape)
    if not use.any():
        raise DataError(
            "no pixel is both seen and of known noise; allowed: some. Check the mask and the noise layer."
        )
    if (noise[use] <= 0).any():
        raise DataError(
            f"noise_equivalent is {noise[use].min():g} somewhere; allowed: above 0 and linear. Convert it from dB."
        )
    columns = use.any(axis=0)
    total_signal = np.where(use, signal, 0).sum(axis=0)[columns]
    total_noise = np.where(use, noise, 0).sum(axis=0)[columns]
    return SignalToNoise(
        signal_to_noise_db=_db(total_signal.sum() / total_noise.sum()),
        worst_db=_db(float(np.min(total_signal / total_noise))),
        below_noise_fraction=float(np.mean(signal[use] < noise[use])),
        n_pixel=int(use.sum()),
    )


def level_error(
    measured: ArrayLike,
    true: ArrayLike,
    *,
    block: tuple[int, int],
    mask: ArrayLike | None = None,
    least_fraction: float = 0.5,
) -> LevelError:
    """Compare an image with the true backscatter after averaging both over blocks.

    Single pixels speckle, and the mean of their dB lies below the dB of their mean; so intensity is averaged first.

    Parameters
    ----------
    measured, true : array_like of float, shape (along, across)
        Linear levels, NaN where unknown.
    block : tuple of int
        Pixels averaged along and across; each at least 1. Rows and columns left over at the end are not used.
    mask : array_like of bool, shape (along, across), optional
        True where pixels count.
    least_fraction : float
        A block counts if at least this part of its pixels does; above 0, at most 1.

    Returns
    -------
    LevelError

    Raises
    ------
    ParameterError
        If shapes differ, or ``block`` or ``least_fraction`` are out of range.
    DataError
        If no block counts, or a true level isn't positive.
    """
    image, truth = _same_shape("measured", measured, "true", true)
    if not all(int(b) == b and 1 <= b <= n for b, n in zip(block, image.shape, strict=True)):
        raise ParameterError(
            f"block is {block}; allowed: whole numbers from 1 to the image's shape {image.shape}."
        )
    if not 0 < least_fraction <= 1:
        raise ParameterError(f"least_fraction is {least_fraction:g}; allowed: above 0, at most 1.")
    use = np.isfinite(image) & np.isfinite(truth) & _region(mask, image.shape)
    if (truth[use] <= 0).any():
        raise DataError(
            f"true is {truth[use].min():g} somewhere; allowed: above 0 and linear. Convert it from dB."
        )
    count = _block_sum(use.astype(np.float64), block)
    counts = count >= least_fraction * block[0] * block[1]
    if not counts.any():
        raise DataError(
            "no block has enough seen pixels; allowed: some. Use smaller blocks or a lower least_fraction."
        )
    got = _block_sum(np.where(use, image, 0), block)[counts]
    wanted = _block_sum(np.where(use, truth, 0), block)[counts]
    error_db = 10 * np.log10((got / wanted)[got > 0]) if (got > 0).any() else np.full(1, np.nan)
    low, middle, high = np.percentile(error_db, (5, 50, 95))
    return LevelError(
        bias_db=_db(got.sum() / wanted.sum()),
        rms_db=float(np.sqrt(np.mean(error_db**2))),
        spread_db=float(np.std(error_db)),
        percentile_5_db=float(low),
        median_db=float(middle),
        percentile_95_db=float(high),
        n_block=int(counts.sum()),
        n_below_noise=int((got <= 0).sum()),
    )


def _same_shape(
    first_name: str, first: ArrayLike, second_name: str, second: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    one, two = as_image(first_name, first), as_image(second_name, second)
    if one.shape != two.shape:
        raise ParameterError(
            f"{second_name} has shape {two.shape}; allowed: that of {first_name}, {one.shape} (along, across)."
        )
    return one, two


def _region(mask: ArrayLike | None, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    return np.ones(shape, dtype=np.bool_) if mask is None else as_mask("mask", mask, shape)


def _block_sum(values: NDArray[np.float64], block: tuple[int, int]) -> NDArray[np.float64]:
    n, m = (size // int(b) for size, b in zip(values.shape, block, strict=True))
    whole = values[: n * int(block[0]), : m * int(block[1])]
    return whole.reshape(n, int(block[0]), m, int(block[1])).sum(axis=(1, 3))


def _db(ratio: float) -> float:
    return float(10 * np.log10(ratio)) if ratio > 0 else float("nan")
