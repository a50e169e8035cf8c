"""The seabed of a scenario: how it scatters, how it is uneven, and where its bottom changes."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Literal

from pingloom.imaging.errors import ParameterError

from ._checks import above_zero, refuse, within
from .target_tables import LOSSLESS_DB

__all__ = ["Patch", "Ripples", "SeabedTable", "Texture"]

_STEEPEST = math.tan(math.radians(35))  # sand slides beyond about 35 degrees (common practice)
_LOSSLESS_TEXT = f"at most {LOSSLESS_DB:.2f}, a surface that loses nothing"


@dataclass(frozen=True, slots=True, kw_only=True)
class Texture:
    """Reflectivity that varies from place to place around a mean of one: by chance, after a picture, or both.

    Texture by chance is gamma distributed, so that the amplitude of one look is K-distributed (E. Jakeman and
    P. N. Pusey, IEEE Trans. Antennas Propag. 24, 806, 1976). It is part of the seabed and common to all looks: it
    caps the equivalent number of looks of their average at the order.
    """

    order: float | None = None
    """Of the gamma law, the nu of the K-distribution: variance over squared mean of the reflectivity is its reciprocal."""
    correlation_m: float | None = None
    """Distance in which the correlation of the reflectivity falls to 1/e, the same in all directions."""
    image: str | None = None
    """``gravel``, ``grass`` or ``brick`` (bundled, CC0), or a file: a picture, taken as grey, or an array in ``.npy``."""
    pixel_m: float | None = None
    """Size of a pixel on the seabed. Columns run along the leg, rows to starboard; beyond its edges it is mirrored."""
    span_db: float | None = None
    """From the darkest to the brightest pixel; absent: reflectivity is proportional to the pixel's value."""

    def __post_init__(self) -> None:
        above_zero("seabed.texture", self, "order", "correlation_m", "pixel_m", "span_db")
        within("seabed.texture", self, 0.05, 1e6, "order")
        within("seabed.texture", self, 0.0, 60.0, "span_db")
        chance = (self.order, self.correlation_m)
        picture = (self.image, self.pixel_m)
        for pair, names in ((chance, "order and correlation_m"), (picture, "image and pixel_m")):
            if (pair[0] is None) != (pair[1] is None):
                raise ParameterError(
                    f"seabed.texture has one of {names}; allowed: both or none. Give the other."
                )
        if self.order is None and self.image is None:
            raise ParameterError(
                "seabed.texture is empty; allowed: order with correlation_m, or image with pixel_m."
            )
        if self.span_db is not None and self.image is None:
            raise ParameterError(
                "seabed.texture.span_db is given without image; allowed: with one. Leave it out."
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Ripples:
    """One train of sand ripples, ``height / 2 * cos(2 pi s / wavelength + phase)``, s from the leg's start."""

    wavelength_m: float
    height_m: float
    """From trough to crest."""
    direction_deg: float = 90.0
    """From crest to crest, clockwise from the leg's course: at 90 the crests run along the leg."""
    phase_deg: float = 0.0

    def __post_init__(self) -> None:
        above_zero("seabed.ripples", self, "wavelength_m", "height_m")
        if self.slope > _STEEPEST:
            most = _STEEPEST / math.pi * self.wavelength_m
            refuse(
                "seabed.ripples.height_m",
                f"{self.height_m:g}",
                f"at most {most:.3g} at this wavelength",
                "Sand slides beyond 35 degrees.",
            )

    @property
    def slope(self) -> float:
        """Tangent of the steepest flank."""
        return math.pi * self.height_m / self.wavelength_m


@dataclass(frozen=True, slots=True, kw_only=True)
class Patch:
    """A piece of seabed with a Lambert constant of its own: a rectangle or any simple polygon, in the leg's frame."""

    lambert_db: float
    name: str = ""
    along_m: tuple[float, float] | None = None
    """Rectangle: from and to, from the leg's nominal start."""
    across_m: tuple[float, float] | None = None
    """Rectangle: from and to, positive to starboard."""
    polygon_m: tuple[tuple[float, float], ...] | None = None
    """Corners (along, across) in order."""

    def __post_init__(self) -> None:
        label = f"seabed.patches: '{self.name or 'patch'}'"
        rectangle = self.along_m is not None and self.across_m is not None
        half = (self.along_m is None) != (self.across_m is None)
        if half or rectangle == (self.polygon_m is not None):
            raise ParameterError(
                f"{label} has no clear outline; allowed: along_m with across_m, or polygon_m. Give one."
            )
        if not rectangle and len(self.polygon_m) < 3:
            raise ParameterError(f"{label} has {len(self.polygon_m)} corners; allowed: at least 3.")
        if rectangle and not (self.along_m[0] < self.along_m[1] and self.across_m[0] < self.across_m[1]):
            raise ParameterError(f"{label} is empty; allowed: along_m and across_m that ascend.")
        if self.lambert_db > LOSSLESS_DB:
            refuse(f"{label} lambert_db", f"{self.lambert_db:g}", _LOSSLESS_TEXT)

    @property
    def corners_m(self) -> tuple[tuple[float, float], ...]:
        """(along, across) of the corners in order."""
        if self.polygon_m is not None:
            return self.polygon_m
        (a, b), (c, d) = self.along_m, self.across_m
        return ((a, c), (b, c), (b, d), (a, d))


@dataclass(frozen=True, slots=True, kw_only=True)
class SeabedTable:
    """A seabed made of points, which scatters by Lambert's law or by a table, flat unless told otherwise."""

    present: bool = True
    lambert_db: float = -27.0
    """Backscatter of unit area is 10^(lambert_db/10) sin^2(grazing angle)."""
    law: Literal["constant_modulus", "gaussian"] = "constant_modulus"
    """Of the points' amplitudes: equal modulus and random phase, or complex Gaussian."""
    placement: Literal["jittered", "random"] = "jittered"
    per_cell: float = 5.0
    """Points in a -3 dB resolution cell."""
    jitter: float = 0.5
    """Largest shift of a point within its place in the grid: 0 none, 1 anywhere in it. A more regular grid calms the speckle:
    at 0.5 and five points a cell the number of looks reads up to half too high."""
    cell_along_m: float | None = None
    """Along-track size of the cell; absent: that of the array, 0.886 wavelength range / length."""
    sector_deg: float | None = None
    """Full width, about broadside, of the seabed that a ping sees; absent: to the transmitter's first nulls."""
    inner_margin_m: float = 1.0
    """How far the seabed of one side reaches beyond the point below the vehicle."""
    grazing_deg: tuple[float, ...] | None = None
    """With ``grazing_db``, instead of Lambert's law: grazing angles, ascending from 0 to 90 at most."""
    grazing_db: tuple[float, ...] | None = None
    """Backscatter of unit area at those angles, joined by straight lines and level beyond the ends."""
    slope_along_deg: float | None = None
    """Positive: the seabed rises ahead. The scenario's altitude is that at the leg's nominal start."""
    slope_across_deg: float | None = None
    """Positive: the seabed rises to starboard."""
    texture: Texture | None = None
    ripples: tuple[Ripples, ...] | None = None
    patches: tuple[Patch, ...] | None = None

    def __post_init__(self) -> None:
        above_zero("seabed", self, "per_cell", "cell_along_m")
        within("seabed", self, 0, 1, "jitter")
        within("seabed", self, 0.1, 170, "sector_deg")
        within("seabed", self, 0, 1000, "inner_margin_m")
        within("seabed", self, -30, 30, "slope_along_deg", "slope_across_deg")
        self._check_table()

    def _check_table(self) -> None:
        angles, levels = self.grazing_deg, self.grazing_db
        if angles is None and levels is None:
            return
        if angles is None or levels is None or len(angles) != len(levels) or len(angles) < 2:
            raise ParameterError(
                "seabed.grazing_deg and grazing_db don't pair up; allowed: two lists of equal length, at least 2."
            )
        if angles[0] < 0 or angles[-1] > 90 or any(a >= b for a, b in itertools.pairwise(angles)):
            refuse("seabed.grazing_deg", list(angles), "ascending angles from 0 to 90")
        if max(levels) > 20:
            refuse("seabed.grazing_db", f"{max(levels):g} at most", "levels up to 20")
        if self.patches:
            raise ParameterError(
                "seabed.patches are given with grazing_deg; allowed: patches under Lambert's law. Leave one out."
            )
