"""Seabed and targets of a scenario."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pingloom.imaging.errors import ParameterError

from ._checks import above_zero, refuse, within

__all__ = ["SeabedTable", "Target"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SeabedTable:
    """A flat seabed that scatters by Lambert's law, made of points."""

    present: bool = True
    lambert_db: float = -27.0
    """Backscatter of unit area is 10^(lambert_db/10) sin^2(grazing angle)."""
    law: Literal["constant_modulus", "gaussian"] = "constant_modulus"
    """Of the points' amplitudes: equal modulus and random phase, or complex Gaussian."""
    placement: Literal["jittered", "random"] = "jittered"
    per_cell: float = 5.0
    """Points in a -3 dB resolution cell."""
    jitter: float = 0.5
    """Largest shift of a point within its place in the grid: 0 none, 1 anywhere in it."""
    cell_along_m: float | None = None
    """Along-track size of the cell; absent: that of the array, 0.886 wavelength range / length."""
    sector_deg: float | None = None
    """Full width, about broadside, of the seabed that a ping sees; absent: to the transmitter's first nulls."""
    inner_margin_m: float = 1.0
    """How far the seabed of one side reaches beyond the point below the vehicle."""

    def __post_init__(self) -> None:
        above_zero("seabed", self, "per_cell", "cell_along_m")
        within("seabed", self, 0, 1, "jitter")
        within("seabed", self, 0.1, 170, "sector_deg")
        within("seabed", self, 0, 1000, "inner_margin_m")


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """A point, or a box that stands on the seabed.

    Give the place either as ``along_m`` and ``across_m`` (from the leg's nominal start, positive forward and to
    starboard) or as ``north_m`` and ``east_m``. A box turned by ``orientation_deg`` has its length clockwise from
    the leg's course in the first case, from north in the second.
    """

    kind: Literal["point", "box"] = "point"
    name: str = ""
    along_m: float | None = None
    across_m: float | None = None
    north_m: float | None = None
    east_m: float | None = None
    height_m: float = 0.0
    """Above the seabed: of the point, or of the box's underside."""
    strength_db: float = 0.0
    """Point: target strength, dB re 1 m^2. Box: strength of a unit area of its faces, dB."""
    size_m: tuple[float, float, float] = (1.0, 0.6, 0.5)
    """Box: length, width, height."""
    orientation_deg: float = 0.0
    hides: bool = True
    """Box: whether it hides what lies behind it."""

    def __post_init__(self) -> None:
        leg = self.along_m is not None and self.across_m is not None
        world = self.north_m is not None and self.east_m is not None
        given = sum(v is not None for v in (self.along_m, self.across_m, self.north_m, self.east_m))
        if given != 2 or not (leg or world):
            raise ParameterError(
                f"targets: '{self.name or self.kind}' has no clear place; allowed: along_m with across_m, "
                "or north_m with east_m. Give one pair."
            )
        if min(self.size_m) <= 0:
            refuse("targets.size_m", list(self.size_m), "three lengths above 0")
        if self.height_m < 0:
            refuse(
                "targets.height_m",
                f"{self.height_m:g}",
                "at least 0",
                "Nothing echoes from below the seabed.",
            )
