"""The tables of a scenario that describe ways by surface and bottom, the sea surface itself, late and strayed echoes."""

from __future__ import annotations

from dataclasses import dataclass

from ._checks import above_zero, refuse, within

__all__ = ["MOST_BOUNCES", "MOST_PREVIOUS", "LeakageTable", "MultipathTable", "SurfaceTable"]

MOST_BOUNCES = 4
MOST_PREVIOUS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class MultipathTable:
    """Ways out and back by mirrors: surface and bottom, both level, and echoes of pings before.

    Every way out is combined with every way back. A bounce off the bottom keeps what a smooth fluid of the given density
    and sound speed reflects (Rayleigh), or loses ``bottom_loss_db``; what the bottom scatters out of it isn't returned.
    """

    order: int = 0
    """Most bounces on one way, out or back; 0: straight ways only, 1: the surface's, 2: by bottom and surface too."""
    diffuse: bool = True
    """Return what roughness takes out of a bounce off the surface as arrivals by its facets, new each ping."""
    bottom_loss_db: float | None = None
    """Of a bounce off the bottom; instead of the two ratios."""
    bottom_density_ratio: float = 1.85
    """Of the bottom over the water's; medium sand, from memory of handbooks."""
    bottom_speed_ratio: float = 1.15
    """The same of the sound speeds."""
    bottom_loss_db_wavelength: float = 0.5
    """Absorption inside the bottom, dB a wavelength; a few tenths to one in sand (common practice)."""
    previous_pings: int = 0
    """How many earlier pings' late echoes are heard: the seabed then reaches as far as they ask for."""

    def __post_init__(self) -> None:
        for name, most in (("order", MOST_BOUNCES), ("previous_pings", MOST_PREVIOUS)):
            if not 0 <= getattr(self, name) <= most:
                refuse(f"multipath.{name}", getattr(self, name), f"from 0 to {most}")
        within("multipath", self, 0, 120, "bottom_loss_db")
        within("multipath", self, 0, 20, "bottom_loss_db_wavelength")
        above_zero("multipath", self, "bottom_density_ratio", "bottom_speed_ratio")


@dataclass(frozen=True, slots=True, kw_only=True)
class SurfaceTable:
    """The sea surface: how rough it is for bounces, and its own echo where ``backscatter_db`` is given.

    A wind stands for what isn't given: heights and orbital speeds of Pierson and Moskowitz's spectrum (1964), a sea that
    has grown up, so too high for sheltered water; slopes of Cox and Munk (1954).
    """

    wind_m_s: float | None = None
    rms_m: float | None = None
    """Rms height about the mean surface; 0: a mirror."""
    slope_deg: float | None = None
    """Rms slope of the facets along one axis; the same along the other."""
    loss_db: float = 0.0
    """Of a bounce, by bubbles."""
    backscatter_db: float | None = None
    """The surface's own echo: that of unit area is 10^(backscatter_db/10) sin^2(grazing angle), for bubbles and the finest
    waves, plus that of the facets that face the sonar. Absent: no echo."""
    speed_m_s: float = 0.0
    """Of what echoes, along the line of sight towards the sonar."""
    speed_rms_m_s: float | None = None
    """Its spread from one place of the surface to the next."""
    bragg: bool = False
    """Half of what echoes comes and half goes, in addition, at the speed of the waves half as long as the sound's."""
    correlation_s: float | None = None
    """The echo's speckle decays as exp(-time/correlation_s); absent: wavelength/(4 pi speeds)."""
    per_cell: float = 2.0
    """Points in a -3 dB resolution cell."""

    def __post_init__(self) -> None:
        within("surface", self, 0, 30, "wind_m_s")
        within("surface", self, 0, 20, "rms_m")
        within("surface", self, 0, 45, "slope_deg")
        within("surface", self, 0, 60, "loss_db")
        within("surface", self, -100, 0, "backscatter_db")
        within("surface", self, -20, 20, "speed_m_s")
        within("surface", self, 0, 20, "speed_rms_m_s")
        above_zero("surface", self, "correlation_s", "per_cell")


@dataclass(frozen=True, slots=True, kw_only=True)
class LeakageTable:
    """What one side hears of the other."""

    acoustic_db: float | None = None
    """Response of a side's transmitter and of its receivers to the other side, each against its own side's mirrored
    direction. The other side's pulse comes at full strength where both sides ping."""
    electrical_db: float | None = None
    """The other side's signals in each channel's own."""
    electrical_phase_deg: float = 0.0

    def __post_init__(self) -> None:
        within("leakage", self, -160, 0, "acoustic_db", "electrical_db")
        within("leakage", self, -360, 360, "electrical_phase_deg")
