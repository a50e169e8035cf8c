"""The table of a scenario that describes bubbles: at the arrays' faces for a while, or as a wake across the line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pingloom.imaging.errors import ParameterError

from ._checks import above_zero, within

__all__ = ["Bubbles"]

_OF_KIND = {"face": ("start_s", "stop_s", "loss_db"), "wake": ("along_m", "width_m", "loss_db_m")}


@dataclass(frozen=True, slots=True, kw_only=True)
class Bubbles:
    """Bubbles as attenuation; they don't echo.

    ``face``: a screen at all transducer faces from one time to another, passed by what is sent and what is received.
    ``wake``: a strip of bubbly water under the surface that the sound passes on its way.
    """

    kind: Literal["face", "wake"]
    """At the arrays' faces, or in the water."""
    start_s: float | None = None
    """From the first ping."""
    stop_s: float | None = None
    """From the first ping."""
    loss_db: float | None = None
    """Of the screen, on one passage."""
    edge_s: float = 0.1
    """In which the screen comes and goes, before and after its time."""
    along_m: float | None = None
    """Where the wake's middle line crosses the leg."""
    width_m: float | None = None
    """Across the wake."""
    orientation_deg: float = 90.0
    """Of the wake's middle line, clockwise from the leg."""
    depth_m: float | None = None
    """How deep the wake's bubbles reach; absent: to the seabed."""
    loss_db_m: float | None = None
    """In the wake, on each metre of the way."""

    def __post_init__(self) -> None:
        other = {"face": "wake", "wake": "face"}[self.kind]
        for name in _OF_KIND[self.kind]:
            if getattr(self, name) is None:
                raise ParameterError(f"bubbles of kind '{self.kind}' lack {name}. Add it.")
        for name in _OF_KIND[other]:
            if getattr(self, name) is not None:
                raise ParameterError(f"bubbles of kind '{self.kind}' can't have {name}. Leave it out.")
        above_zero("bubbles", self, "width_m", "edge_s", "depth_m")
        within("bubbles", self, 0, 100, "loss_db", "loss_db_m")
        within("bubbles", self, -360, 360, "orientation_deg")
        if self.kind == "face" and not self.start_s < self.stop_s:  # type: ignore[operator]
            raise ParameterError(
                f"bubbles.stop_s is {self.stop_s:g}; allowed: above start_s = {self.start_s:g}."
            )
