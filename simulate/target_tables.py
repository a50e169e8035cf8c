"""What lies on the seabed, by kind, place and pose."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from pingloom.imaging.errors import ParameterError

from ._checks import above_zero, refuse, within

__all__ = ["LOSSLESS_DB", "Kind", "Target"]

Kind = Literal["point", "box", "sphere", "cylinder", "plate", "ring", "rope", "depression", "debris"]

LOSSLESS_DB = 10 * math.log10(1 / math.pi)
"""Lambert constant of a surface that scatters all it receives."""

_ROUND = ("sphere", "cylinder", "ring", "depression", "rope")
_TILTED = ("box", "cylinder", "plate")
_SHINY = ("sphere", "cylinder", "plate", "ring")


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """Something on the seabed: solid bodies, a rope, a pit or a field of debris.

    Give the place either as ``along_m`` and ``across_m`` (from the leg's nominal start, positive forward and to
    starboard) or as ``north_m`` and ``east_m``. A target turned by ``orientation_deg`` has its length clockwise from
    the leg's course in the first case, from north in the second.

    Sphere, cylinder, plate and ring have a smooth highlight at the published target strength beside the rough skin
    that the box has.
    """

    kind: Kind = "point"
    name: str = ""
    along_m: float | None = None
    across_m: float | None = None
    north_m: float | None = None
    east_m: float | None = None
    height_m: float = 0.0
    """Above the seabed: of the point, of a rope's path, or of a body's lowest part."""
    strength_db: float = 0.0
    """Point: target strength, dB re 1 m^2. Rope: of one metre. Bodies and debris: strength of a unit area of skin, dB."""
    size_m: tuple[float, float, float] = (1.0, 0.6, 0.5)
    """Box, plate: length, width, height. Cylinder: the first, its length. Debris: length and width of the field."""
    orientation_deg: float = 0.0
    hides: bool = True
    """Whether it hides what lies behind it."""
    radius_m: float | None = None
    """Sphere, cylinder, rope; ring: of its middle line; depression: of its rim."""
    tube_m: float | None = None
    """Ring: radius of its tube."""
    depth_m: float | None = None
    """Depression: of its middle below the seabed around it."""
    tilt_deg: float | None = None
    """Box, cylinder, plate: by how much the forward end of its length is raised; 90 stands a cylinder upright."""
    specular: bool | None = None
    """Sphere, cylinder, plate, ring, spheres and cylinders among debris: whether it has its highlight; absent: yes."""
    path_m: tuple[tuple[float, float, float], ...] | None = None
    """Rope: corners (ahead, aside, above) from its place, turned with it."""
    count: int | None = None
    """Debris: number of pieces."""
    piece_m: tuple[float, float] | None = None
    """Debris: smallest and largest size of a piece."""

    @property
    def label(self) -> str:
        """How messages call it."""
        return f"targets: '{self.name or self.kind}'"

    @property
    def shines(self) -> bool:
        """Whether it has a smooth highlight."""
        return self.kind in _SHINY and self.specular is not False

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
        above_zero("targets", self, "radius_m", "tube_m", "depth_m", "count")
        within("targets", self, -90, 90, "tilt_deg")
        self._check_kind()
        self._check_strength()

    def _check_kind(self) -> None:
        """Refuse what the kind needs and lacks, or has and can't use."""
        uses = {
            "radius_m": _ROUND,
            "tube_m": ("ring",),
            "depth_m": ("depression",),
            "path_m": ("rope",),
            "count": ("debris",),
            "piece_m": ("debris",),
        }
        for field, kinds in uses.items():
            given = getattr(self, field) is not None
            if given != (self.kind in kinds):
                verb = "can't use" if given else "lacks"
                raise ParameterError(
                    f"{self.label} of kind '{self.kind}' {verb} {field}; {field} belongs to {', '.join(kinds)}."
                )
        for field, kinds in (("tilt_deg", _TILTED), ("specular", (*_SHINY, "debris"))):
            if getattr(self, field) is not None and self.kind not in kinds:
                raise ParameterError(
                    f"{self.label} of kind '{self.kind}' can't use {field}; {field} belongs to {', '.join(kinds)}."
                )
        if self.kind == "ring" and self.tube_m >= self.radius_m:
            refuse(f"{self.label} tube_m", f"{self.tube_m:g}", f"below radius_m = {self.radius_m:g}")
        if self.kind == "depression" and self.depth_m * math.pi / 2 > self.radius_m * math.tan(
            math.radians(60)
        ):
            refuse(f"{self.label} depth_m", f"{self.depth_m:g}", "walls of at most 60 degrees", "Widen it.")
        if self.kind == "rope" and len(self.path_m) < 2:
            refuse(f"{self.label} path_m", f"{len(self.path_m)} corners", "at least 2")
        if self.kind == "debris" and not 0 < self.piece_m[0] <= self.piece_m[1]:
            refuse(f"{self.label} piece_m", list(self.piece_m), "a smallest and a largest size above 0")
        if self.kind == "debris" and self.count > 2000:
            refuse(f"{self.label} count", self.count, "at most 2000")

    def _check_strength(self) -> None:
        skin = self.kind not in ("point", "box", "rope", "depression")
        if skin and self.strength_db > LOSSLESS_DB:
            refuse(
                f"{self.label} strength_db",
                f"{self.strength_db:g}",
                f"at most {LOSSLESS_DB:.2f}, a skin that loses nothing",
                "A rough body has about -20; give it.",
            )
