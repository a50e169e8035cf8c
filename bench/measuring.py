"""What is measured on a product as a whole: number of looks by range, points, contrast of rectangles."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pingloom.bench.measure.contrast import Contrast, Region, contrast
from pingloom.bench.measure.noise import signal_to_noise
from pingloom.bench.measure.resolution import PointResponse, point_response
from pingloom.bench.measure.speckle import Enl, enl
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.records import Quality
from pingloom.io.product import Product

__all__ = [
    "PatchLooks",
    "looks_by_range",
    "measure_contrast",
    "measure_patch",
    "measure_point",
    "product_signal_to_noise_db",
    "trend_for",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class PatchLooks:
    """Number of looks of a rectangle, as measured and as the product predicts."""

    region: Region
    measured: Enl
    predicted: float
    """Mean of the product's layer ``looks``, less what its noise takes."""

    @property
    def ratio(self) -> float:
        """Measured over predicted."""
        return self.measured.enl / self.predicted


def _cut(product: Product, layer: str, region: Region) -> NDArray[np.float64]:
    rows, columns = region.slices(product.along_track_m, product.across_track_m)
    return product.read(layer, rows, columns).astype(np.float64)


def trend_for(region: Region) -> tuple[int, int]:
    """Degrees of the slow level that a patch of this size may hold: the seabed's law with range, a beam along."""
    across = region.across_max_m - region.across_min_m
    along = region.along_max_m - region.along_min_m
    return (1 if along > 1.0 else 0, 1 if across > 0.5 else 0)


def measure_patch(product: Product, region: Region, *, cell_pixels: float | None = None) -> PatchLooks:
    """Equivalent number of looks of a rectangle of plain seabed; its slow level is divided out.

    ``cell_pixels``: pixels in an independent cell, where they are known; else measured on the rectangle.
    """
    patch = _cut(product, "intensity", region)
    looks = _cut(product, "looks", region)
    return PatchLooks(
        region=region,
        measured=enl(patch, trend_degree=trend_for(region), cell_pixels=cell_pixels),
        predicted=_looks_in_noise(product, region, patch, looks),
    )


def _looks_in_noise(
    product: Product, region: Region, patch: NDArray[np.float64], looks: NDArray[np.float64]
) -> float:
    """What noise leaves of the layer ``looks``, since it is taken off the mean but not off what fluctuates.

    Of n looks of equal weight, whose noise over signal x is independent from look to look, each varies by (S + N)^2 and two
    share only the signal's part: 1/E = 1/L + ((1 + x)^2 - 1) / n. Looks of unequal weight count for fewer than n.
    The layer's mean where the noise is not known, NaN where nothing was seen.
    """
    seen = looks > 0
    if not seen.any():
        return float("nan")
    clear = float(looks[seen].mean())
    noise = 10 ** (_cut(product, "noise_equivalent_backscatter", region)[seen] / 10)
    signal = float(np.nanmean(patch))
    if not np.isfinite(noise).any() or not signal > 0:
        return clear
    ratio = float(np.nanmean(noise)) / signal
    n_look = float(_cut(product, "coverage", region)[seen].mean())
    return 1 / (1 / clear + ((1 + ratio) ** 2 - 1) / n_look)


def looks_by_range(
    product: Product, *, n_band: int = 6, block_along_m: float | None = None
) -> list[PatchLooks]:
    """Number of looks in bands of range: of all blocks in a band the one with the median ratio.

    Blocks with targets or shadows read low; the median over blocks is that of plain seabed as long as most of the
    line is plain.
    """
    out: list[PatchLooks] = []
    for side in product.sides:
        sign = -1 if side == "port" else 1
        reach = product.across_track_m * sign
        seen = reach[(reach > 0) & _seen_columns(product)]
        if seen.size < 32:
            continue
        edges = np.linspace(seen.min(), seen.max(), n_band + 1)
        for near, far in itertools.pairwise(edges):
            blocks = _blocks(product, sign, near, far, block_along_m)
            if blocks:
                out.append(sorted(blocks, key=lambda b: b.ratio)[len(blocks) // 2])
    return out


def _seen_columns(product: Product) -> NDArray[np.bool_]:
    middle = product.shape[0] // 2
    rows = slice(max(0, middle - 8), middle + 8)
    return (product.read("quality", rows, slice(None)) & Quality.NOT_SEEN == 0).any(axis=0)


def _blocks(product: Product, sign: int, near: float, far: float, length_m: float | None) -> list[PatchLooks]:
    along = product.along_track_m
    width = min(far - near, 2.0)
    length = length_m or max(1.5, 60 * product.along_m)
    middle = (near + far) / 2
    found = []
    for first in np.arange(along[0], along[-1] - length, length):
        a, b = sorted((sign * (middle - width / 2), sign * (middle + width / 2)))
        region = Region(along_min_m=first, along_max_m=first + length, across_min_m=a, across_max_m=b)
        quality = _cut(product, "quality", region).astype(int)
        if (quality & (Quality.NOT_SEEN | Quality.FEW_LOOKS)).any():
            continue
        try:
            found.append(measure_patch(product, region))
        except DataError:
            continue
    return found


def measure_point(
    product: Product, along_m: float, across_m: float, *, half_m: tuple[float, float]
) -> PointResponse:
    """Response to a point target near a place; ``half_m`` is half the patch along and across."""
    region = Region.around(along_m, across_m, half_along_m=half_m[0], half_across_m=half_m[1])
    rows, columns = region.slices(product.along_track_m, product.across_track_m)
    image = product.read("intensity", rows, columns)
    if np.isnan(image).any():
        raise ParameterError(
            f"the point at ({along_m:g}, {across_m:g}) m lies at the image's border; allowed: points with "
            f"{half_m[0]:g} x {half_m[1]:g} m of image around them."
        )
    return point_response(
        image,
        pixel_m=(product.along_m, product.across_m),
        origin_m=(float(product.along_track_m[rows][0]), float(product.across_track_m[columns][0])),
        near_m=(along_m, across_m),
        search_m=(half_m[0] / 2, half_m[1] / 2),
        half_size_m=half_m,
        background="corners",
    )


def measure_contrast(
    product: Product, region: Region, background: Region, *, cell_pixels: float | None = None
) -> Contrast:
    """Contrast of one rectangle against another; ``cell_pixels`` as for :func:`measure_patch`."""
    along = sorted((region.along_min_m, region.along_max_m, background.along_min_m, background.along_max_m))
    across = sorted(
        (region.across_min_m, region.across_max_m, background.across_min_m, background.across_max_m)
    )
    window = Region(
        along_min_m=along[0], along_max_m=along[-1], across_min_m=across[0], across_max_m=across[-1]
    )
    rows, columns = window.slices(product.along_track_m, product.across_track_m)
    a, x = product.along_track_m[rows], product.across_track_m[columns]
    image = product.read("intensity", rows, columns)
    outside = background.mask(a, x) & ~region.mask(a, x)
    return contrast(image, region=region.mask(a, x), background=outside, cell_pixels=cell_pixels)


def product_signal_to_noise_db(product: Product) -> float:
    """Mean seabed level over mean noise-equivalent level, whole image; NaN where the noise is unknown. [dB]"""
    step = max(1, product.shape[0] // 512)
    intensity = product.read("intensity")[::step]
    noise = 10 ** (product.read("noise_equivalent_backscatter")[::step].astype(np.float64) / 10)
    if not np.isfinite(noise).any():
        return float("nan")
    return float(signal_to_noise(intensity, noise).signal_to_noise_db)
