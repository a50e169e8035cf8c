"""All of one side of a simulation that doesn't change from ping to ping."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.records import Sonar

from ._geometry import Line, receiver_lines
from ._taps import EXACT_FACTOR, FastTaps, exact_transform
from .bends import Bends
from .bounces import Bounces
from .bubbles import Wake, wakes
from .ground import Ground
from .instrument import absorption_db_m, replica
from .leakage import strayed
from .motion import Track
from .occlusion import solid_table
from .receive import Receiver, margin_samples
from .scenario import Scenario
from .scene import Scatterers, Seabed
from .sea_surface import SeaSurface
from .targets import Highlight, target_highlights, target_scatterers

__all__ = ["Mode", "SidePlan", "transform_length"]

Mode = Literal["fast", "reference"]

_SHORTEST = 3000  # points of a transform
_SPARE = 8  # samples beyond the longest path difference, at both ends


def transform_length(scenario: Scenario, sonar: Sonar) -> tuple[int, int]:
    """Points of the discrete Fourier transform of an echo, and samples of it before the first stored one.

    The lead holds the pulse and the longest path difference along the array, the tail the same again, so that no
    pulse wraps into the record. What does wrap are the tails of the band-limited interpolation of a pulse with abrupt
    ends: against an endless transform 1.4e-4 (many echoes) to 5e-4 (few) at 3000 points, falling with the square.
    An odd length leaves no bin at half the sampling rate, whose sign is undefined and which would cost 2e-3.
    """
    track = Track.of(scenario)
    speed = scenario.vehicle.speed_m_s + track.fastest("surge", "sway", "heave")
    listening_s = sonar.first_sample_delay_s + sonar.n_sample * sonar.sample_interval_s
    sent_m = np.stack([sonar.transmit_position_m, sonar.transmit_position_m * [1, -1, 1]])  # either side's
    sent_m = sent_m[: 1 if strayed(scenario, sonar) is None else 2, None, None]
    offset_m = np.linalg.norm(sonar.element_position_m - sent_m, axis=-1).max()
    difference_s = (2 * offset_m + 2 * speed * listening_s) / scenario.sound_speed_m_s
    lead = replica(sonar).size + int(np.ceil(difference_s / sonar.sample_interval_s)) + _SPARE
    lead += margin_samples(scenario, sonar.n_sample)
    return _odd_length(max(sonar.n_sample + 2 * lead, _SHORTEST)), lead


def _odd_length(least: int) -> int:
    """Smallest product of 3, 5 and 7 that is at least ``least``."""
    powers = (3**i * 5**j * 7**k for i in range(20) for j in range(14) for k in range(12))
    return min(n for n in powers if n >= least)


@dataclass(frozen=True, slots=True, eq=False)
class SidePlan:
    """All of one side that doesn't change from ping to ping."""

    sonar: Sonar
    ground: Ground
    seabed: Seabed | None
    targets: list[Scatterers]
    highlights: list[Highlight]
    solid: NDArray[np.float64]
    length: int
    lead: int
    numbers: tuple[float, ...]
    sector_sine: float
    response: NDArray[Any]
    factor: int
    taps: FastTaps | None
    lines: list[Line]
    wakes: Sequence[Wake]
    receiver: Receiver
    bounces: Bounces | None
    sea: SeaSurface | None
    sea_responses: tuple[NDArray[Any], ...]
    bends: Bends | None
    """Absent where one sound speed keeps rays straight."""

    @classmethod
    def of(
        cls,
        scenario: Scenario,
        sonar: Sonar,
        mode: Mode,
        gain: float = 1.0,
        like: SidePlan | None = None,
    ) -> SidePlan:
        """Plan a side; one that is ``like`` another has its pulse."""
        length, lead = transform_length(scenario, sonar)
        dt, wavelength = sonar.sample_interval_s, scenario.wavelength_m
        neper = absorption_db_m(scenario) * np.log(10) / 20
        level = np.sqrt(2) * 1e-6 * 10 ** (scenario.sonar.source_level_db / 20) * gain
        pulse = replica(sonar)
        spectrum = np.fft.fft(pulse, length)
        if mode == "reference":
            taps = None
        else:
            taps = FastTaps.plan(spectrum) if like is None else like.taps
        factor = EXACT_FACTOR if taps is None else taps.factor
        sizes = (*(sonar.transmit_size_m / wavelength), *(sonar.receive_size_m / wavelength))
        start = sonar.first_sample_delay_s - lead * dt
        numbers = (
            scenario.sound_speed_m_s,
            sonar.centre_frequency_hz,
            *sizes,
            neper,
            level,
            start,
            factor / dt,
        )
        ground = Ground.of(scenario)
        sector = scenario.seabed.sector_deg
        sine = min(1.0, 1 / sizes[0]) if sector is None else np.sin(np.deg2rad(sector) / 2)
        if taps is None:
            window, kind = exact_transform(np.fft.fftfreq(length) / factor), np.complex128
        else:
            window, kind = taps.transform, np.complex64
        sea, shifted = SeaSurface.plan(scenario), []
        for speed in () if sea is None else sea.speed_m_s:
            # A pulse that what echoes shifts by Doppler's 2 v f0 / c.
            cycles = 2 * speed / numbers[0] * numbers[1] * dt * np.arange(pulse.size)
            moved = np.fft.fft(pulse * np.exp(2j * np.pi * cycles), length)
            shifted.append((moved / window).astype(kind))
        targets = target_scatterers(scenario)
        return cls(
            sonar,
            ground,
            Seabed.plan(scenario, sonar.side, ground) if scenario.seabed.present else None,
            targets,
            target_highlights(scenario),
            solid_table(scenario),
            length,
            lead,
            tuple(float(v) for v in numbers),
            float(sine),
            (spectrum / window).astype(kind),
            factor,
            taps,
            receiver_lines(sonar),
            wakes(scenario),
            Receiver.of(scenario, sonar, absorption_db_m(scenario)),
            Bounces.plan(scenario),
            sea,
            tuple(shifted),
            Bends.plan(scenario, sonar, ground, targets, exact=taps is None),
        )

    def limits(self, late_s: float = 0.0, sound_speed_m_s: float | None = None) -> tuple[float, float]:
        """Shortest and longest path whose echo touches the record, which begins ``late_s`` after transmission. [m]"""
        c, dt = sound_speed_m_s or self.numbers[0], self.sonar.sample_interval_s
        first, margin = self.sonar.first_sample_delay_s, self.receiver.listening.margin
        early = replica(self.sonar).size + margin
        late = late_s + first
        return c * (late - early * dt), c * (late + (self.sonar.n_sample + margin + 1) * dt)
