"""The table of a scenario that describes what the receivers hear besides echoes, in absolute units."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from ._checks import above_zero, refuse, within

__all__ = ["NoiseTable", "Sounder", "Tone"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tone:
    """A steady line in the vehicle's own noise: a motor's, a converter's."""

    frequency_hz: float
    """In the water, inside the sampled band."""
    level_db: float
    """dB re 1 uPa rms at a receiver's output."""
    from_deg: float | None = None
    """Direction that it comes from, clockwise from the bow; absent: a phase of its own in each receiver."""

    def __post_init__(self) -> None:
        above_zero("noise.tones", self, "frequency_hz")
        within("noise.tones", self, -50, 220, "level_db")
        within("noise.tones", self, -360, 360, "from_deg")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sounder:
    """Another sounder whose pulses arrive in the listening time as plane waves, at its own rate."""

    ping_rate_hz: float
    """Pulses a second."""
    frequency_hz: float
    """At the pulse's middle; the whole sweep lies inside the sampled band."""
    level_db: float
    """dB re 1 uPa rms during a pulse, at a receiver's output: its pattern included."""
    pulse_duration_s: float = 1e-3
    """With edges of a tenth at both ends, shaped by a cosine."""
    sweep_hz: float = 0.0
    """Width of its linear sweep; negative: from high to low."""
    first_s: float = 0.0
    """When the first pulse reaches the arrays, from the first ping."""
    level_rms_db: float = 0.0
    """Spread of the level from pulse to pulse, Gaussian in dB."""
    from_deg: float = 90.0
    """Direction that it comes from, clockwise from the bow. An array that is turned away from it hears nothing."""
    up_deg: float = 0.0
    """Of that direction, above the horizontal."""
    phase: Literal["random", "steady"] = "random"
    """Steady: each pulse starts with phase zero; random: anew for each pulse."""

    def __post_init__(self) -> None:
        above_zero("noise.sounders", self, "ping_rate_hz", "frequency_hz", "pulse_duration_s")
        within("noise.sounders", self, -50, 220, "level_db")
        within("noise.sounders", self, 0, 30, "level_rms_db")
        within("noise.sounders", self, -360, 360, "from_deg")
        within("noise.sounders", self, -90, 90, "up_deg")
        within("noise.sounders", self, 0, math.inf, "first_s")
        if self.pulse_duration_s * self.ping_rate_hz > 1:
            allowed = f"at most {1 / self.ping_rate_hz:.3g}, until the next pulse"
            refuse("noise.sounders.pulse_duration_s", f"{self.pulse_duration_s:g}", allowed)


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseTable:
    """Noise besides the flat one of the water's table; levels are spectrum levels, dB re 1 uPa^2/Hz.

    Powers add. What is absent is not there, except the thermal noise.
    """

    thermal: Literal["flat", "mellen", "equipartition", "off"] = "flat"
    """``flat``: as water.noise and water.noise_db say, white. ``mellen`` (1952) or ``equipartition`` (4 pi k T rho f^2 / c):
    with its slope over the band, independent between receivers."""
    wind_speed_m_s: float | None = None
    """Of the wind that makes the surface's noise (Coates' form, a fit for below about 100 kHz)."""
    wind_coherence: Literal["isotropic", "independent"] = "isotropic"
    """Between receivers a distance d apart: sin(kd)/(kd) of noise from all sides, or none."""
    directional: bool = False
    """Whether receivers hear wind and shaped thermal noise by their pattern, before a baffle; else their level and coherence
    are those of small receivers in the open, for which levels are published."""
    preamplifier_db: float | None = None
    """Of the preamplifier, as the pressure that would make it. White, independent between receivers."""
    preamplifier_nv: float | None = None
    """The same in nV/sqrt(Hz), where instrument.receiver_sensitivity_db holds."""
    self_noise_db: float | None = None
    """Of vehicle and flow, at the centre frequency."""
    self_noise_slope_db_octave: float = -6.0
    """Its change for each octave of frequency."""
    self_noise_from_deg: float | None = None
    """Direction that it comes from, clockwise from the bow, as a plane wave; absent: independent between receivers."""
    tones: tuple[Tone, ...] = ()
    sounders: tuple[Sounder, ...] = ()

    def __post_init__(self) -> None:
        within("noise", self, 0, 100, "wind_speed_m_s")
        within("noise", self, -50, 200, "preamplifier_db", "self_noise_db")
        above_zero("noise", self, "preamplifier_nv")
        within("noise", self, -40, 40, "self_noise_slope_db_octave")
        within("noise", self, -360, 360, "self_noise_from_deg")
        if self.preamplifier_db is not None and self.preamplifier_nv is not None:
            refuse(
                "noise.preamplifier_nv", f"{self.preamplifier_nv:g} beside preamplifier_db", "one of the two"
            )
