"""A contact cut out of a product, and the height that its shadow tells.

On a flat seabed the ray that grazes an object's top at slant range R_top meets the seabed at R_end, where the
shadow ends, so by similar triangles the height is altitude (R_end - R_top) / R_end. In the image the shadow begins
where the top is drawn. Ranges are counted across track from the strip's line, which the vehicle is taken to have
followed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pingloom.bench.measure.contrast import Region
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.theory.geometry import height_from_shadow_m
from pingloom.io.product import Product

__all__ = ["Contact", "Shadow", "cut_contact", "find_shadow", "known_altitude_m", "shadow_height_m"]

_DARK = 0.4
"""Of the seabed's level: below this the smoothed image may be shadow."""
_SMOOTH_PX = 5
"""Mean over so many pixels each way before dark pixels are looked for: a few resolution cells, to calm the speckle."""
_LEAST_PX = 30
"""Fewer dark pixels together are speckle."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Contact:
    """A crop around a contact."""

    side: str
    rows: slice
    columns: slice
    along_m: NDArray[np.float64]
    across_m: NDArray[np.float64]
    intensity: NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shadow:
    """Where a shadow lies; distances across track count from the track, positive on either side."""

    start_m: float
    """Where the object's top is drawn."""
    end_m: float
    along_m: tuple[float, float]
    """From where to where along track the shadow reaches."""
    found: bool
    """Whether it was found in the image, not marked by hand."""
    level_db: float | None
    """Mean level in the shadow against the seabed beside it; None for a marked one."""
    whole: bool
    """Whether its end lies within the crop."""

    @property
    def length_m(self) -> float:
        """On the seabed, across track. [m]"""
        return self.end_m - self.start_m


def known_altitude_m(product: Product, side: str) -> float | None:
    """Altitude that the product's provenance tells, None where it tells none."""
    cells = product.provenance.get("cells")
    cell = cells.get(side) if isinstance(cells, dict) else None
    value = cell.get("altitude_m") if isinstance(cell, dict) else None
    return float(value) if isinstance(value, int | float) and value > 0 else None


def cut_contact(product: Product, at_m: tuple[float, float], size_m: float) -> Contact:
    """Cut a square of the strip around a place.

    Parameters
    ----------
    at_m : tuple of float
        Along and across track. [m]
    size_m : float
        Side of the square, cut short where the strip ends. [m]

    Raises
    ------
    ParameterError
        If the place lies outside the image.
    """
    if not (np.isfinite(size_m) and 10 * max(product.along_m, product.across_m) <= size_m <= 500):
        least = 10 * max(product.along_m, product.across_m)
        raise ParameterError(f"size is {size_m:g} m; allowed: {least:.3g} to 500.")
    along, across = at_m
    inside = (
        product.along_track_m[0] <= along <= product.along_track_m[-1]
        and product.across_track_m[0] <= across <= product.across_track_m[-1]
    )
    if not inside:
        raise ParameterError(
            f"the place is {along:g} m along, {across:g} m across; allowed: {product.along_track_m[0]:.4g} to "
            f"{product.along_track_m[-1]:.4g} and {product.across_track_m[0]:.4g} to {product.across_track_m[-1]:.4g}."
        )
    region = Region.around(along, across, half_along_m=size_m / 2, half_across_m=size_m / 2)
    rows, columns = region.slices(product.along_track_m, product.across_track_m)
    image = product.read("intensity", rows, columns)
    if not np.isfinite(image).any():
        raise ParameterError(
            f"nothing was seen around {along:g} m along, {across:g} m across; allowed: seabed."
        )
    return Contact(
        side="port" if across < 0 else "starboard",
        rows=rows,
        columns=columns,
        along_m=product.along_track_m[rows],
        across_m=product.across_track_m[columns],
        intensity=image,
    )


def find_shadow(contact: Contact, at_m: tuple[float, float]) -> Shadow:
    """Find the shadow at or behind a place.

    The image is divided by the seabed's level at the same range, smoothed, and dark pixels are joined; of the
    patches within a quarter of the crop of the place, the largest is the shadow. Its ends are where the mean profile of its rows passes halfway
    between shadow and seabed.

    Raises
    ------
    DataError
        If there is no shadow.
    """
    from scipy import ndimage

    sign = -1.0 if contact.side == "port" else 1.0
    order = np.argsort(sign * contact.across_m)
    reach = sign * contact.across_m[order]
    beyond = reach > 0
    ratio = _against_seabed(contact.intensity[:, order[beyond]], contact.along_m, at_m[0])
    reach = reach[beyond]
    smooth = ndimage.uniform_filter(np.where(np.isfinite(ratio), ratio, 1.0), _SMOOTH_PX, mode="nearest")
    label, n = ndimage.label((smooth < _DARK) & np.isfinite(ratio))
    best = _nearest_large(label, n, contact.along_m, reach, (at_m[0], abs(at_m[1])))
    if best == 0:
        raise DataError(
            f"no shadow was found near {at_m[0]:g} m along, {at_m[1]:g} m across; allowed: a dark patch. "
            "Mark it with --shadow START END."
        )
    return _measured(label == best, ratio, contact.along_m, reach)


def _against_seabed(
    image: NDArray[Any], along_m: NDArray[np.float64], at_along_m: float
) -> NDArray[np.float64]:
    """Level over the seabed's at the same range, which rows away from the place tell."""
    from scipy import ndimage

    quarter = (along_m[-1] - along_m[0]) / 4
    away = np.abs(along_m - at_along_m) > quarter
    rows = np.flatnonzero(away) if away.sum() >= 8 else np.arange(along_m.size)
    some = image[rows].astype(np.float64)
    seen = np.isfinite(some)
    count = seen.sum(axis=0)
    level = np.where(seen, some, 0).sum(axis=0) / np.maximum(count, 1)
    weight = (count > 0).astype(np.float64)
    width = max(3, image.shape[1] // 20)
    spread = ndimage.uniform_filter1d(weight, width, mode="nearest")
    level = ndimage.uniform_filter1d(level * weight, width, mode="nearest") / np.maximum(spread, 1e-9)
    return image / np.where(level > 0, level, np.nan)


def _nearest_large(
    label: NDArray[Any],
    n: int,
    along_m: NDArray[np.float64],
    reach_m: NDArray[np.float64],
    at_m: tuple[float, float],
) -> int:
    """The largest patch that comes near the place; 0 for none."""
    near = (along_m[-1] - along_m[0]) / 4
    best, most = 0, _LEAST_PX - 1
    for k in range(1, n + 1):
        rows, columns = np.nonzero(label == k)
        distance = np.hypot(along_m[rows] - at_m[0], reach_m[columns] - at_m[1]).min()
        if distance <= near and rows.size > most:
            best, most = k, rows.size
    return best


def _measured(
    patch: NDArray[np.bool_],
    ratio: NDArray[np.float64],
    along_m: NDArray[np.float64],
    reach_m: NDArray[np.float64],
) -> Shadow:
    width = patch.sum(axis=1)
    rows = np.flatnonzero(width >= 0.5 * width.max())
    profile = np.nanmean(np.where(np.isfinite(ratio[rows]), ratio[rows], 1.0), axis=0)
    columns = np.flatnonzero(patch[rows].mean(axis=0) >= 0.5)
    if columns.size < 3:
        raise DataError(
            "the dark patch is less than 3 pixels long; allowed: a longer one. Mark it with --shadow START END."
        )
    middle = slice(columns[columns.size // 4], columns[3 * columns.size // 4] + 1)
    floor = float(profile[middle].mean())
    half = (max(floor, 0.0) + 1) / 2
    start, _ = _crossing(profile, reach_m, columns[columns.size // 2], -1, half)
    end, whole = _crossing(profile, reach_m, columns[columns.size // 2], 1, half)
    return Shadow(
        start_m=start,
        end_m=end,
        along_m=(float(along_m[rows[0]]), float(along_m[rows[-1]])),
        found=True,
        level_db=float(10 * np.log10(max(floor, 1e-6))),
        whole=whole,
    )


def _crossing(
    profile: NDArray[np.float64], reach_m: NDArray[np.float64], k: int, step: int, level: float
) -> tuple[float, bool]:
    """Where the profile rises through a level, going outwards; and whether it does within the crop."""
    while 0 <= k + step < profile.size:
        if profile[k + step] >= level:
            part = (level - profile[k]) / (profile[k + step] - profile[k])
            return float(reach_m[k] + part * (reach_m[k + step] - reach_m[k])), True
        k += step
    return float(reach_m[k]), False


def shadow_height_m(shadow: Shadow, altitude_m: float, *, edge_error_m: float = 0.0) -> tuple[float, float]:
    """Height of the object and its uncertainty from that of the shadow's ends. [m]

    Parameters
    ----------
    altitude_m : float
        Of the array above the seabed; an error of it is one of the height in the same proportion. [m]
    edge_error_m : float
        One standard deviation of each end, across track. [m]

    Returns
    -------
    height, uncertainty : float
    """
    if not (np.isfinite(altitude_m) and 0 < altitude_m < 1e4):
        raise ParameterError(f"altitude is {altitude_m:g} m; allowed: above 0.")
    top, end = (float(np.hypot(x, altitude_m)) for x in (shadow.start_m, shadow.end_m))
    height = float(height_from_shadow_m(altitude_m, top, end))
    # d height = -altitude/R_end dR_top + altitude R_top/R_end^2 dR_end, and dR = dx x/R.
    by_top = altitude_m / end * shadow.start_m / top
    by_end = altitude_m * top / end**2 * shadow.end_m / end
    return height, float(np.hypot(by_top, by_end) * edge_error_m)
