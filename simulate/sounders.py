"""Pulses of other sounders: when they come, how loud, and what they leave in a ping."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .listening import Listening, PingMoment, Stream, chance, direction_towards
from .noise_tables import Sounder
from .scenario import Scenario

__all__ = ["Sounders", "sounders"]

_EDGE = 0.1  # part of a pulse, at each end


@dataclass(frozen=True, slots=True, eq=False)
class _Heard:
    """One sounder as one side hears it."""

    number: int
    table: Sounder
    late_s: NDArray[np.float64]
    """(row, channel) after the array's centre."""


@dataclass(frozen=True, slots=True, eq=False)
class Sounders:
    """All sounders that one side hears."""

    seed: int
    listening: Listening
    delay_s: NDArray[np.float64]
    heard: tuple[_Heard, ...]

    def run(self, samples: NDArray[np.complex64], ping: PingMoment) -> None:
        """Add the pulses that fall into one ping's listening."""
        for one in self.heard:
            for pulse in self._met(one, ping.time_s):
                self._add(samples, one, pulse, ping.time_s)

    def arrivals(self, ping: PingMoment) -> list[tuple[int, float, float]]:
        """Return (sounder, delay [s], level [dB re 1 uPa rms]) of the pulses that touch a ping's record."""
        last = self.listening.sonar.first_sample_delay_s + self.listening.sonar.n_sample / (
            self.listening.sample_rate_hz
        )
        rows = []
        for one in self.heard:
            for pulse in self._met(one, ping.time_s):
                delay = one.table.first_s + pulse / one.table.ping_rate_hz - ping.time_s
                first = self.listening.sonar.first_sample_delay_s - one.table.pulse_duration_s
                if first < delay < last:
                    rows.append((one.number, delay, self._chance(one, pulse)[0]))
        return rows

    def _met(self, one: _Heard, time_s: float) -> range:
        table = one.table
        aside = float(np.abs(one.late_s).max())
        begin = time_s + self.delay_s[0] - table.pulse_duration_s - aside - table.first_s
        end = time_s + self.delay_s[-1] + aside - table.first_s
        first = max(0, int(np.ceil(begin * table.ping_rate_hz)))
        return range(first, int(np.floor(end * table.ping_rate_hz)) + 1)

    def _chance(self, one: _Heard, pulse: int) -> tuple[float, float]:
        """Level [dB] and phase [cycles] of a pulse: the same for both sides and whichever ping hears it."""
        rng = chance(self.seed, Stream.SOUNDER, one.number, pulse)
        level = one.table.level_db + one.table.level_rms_db * rng.standard_normal()
        return float(level), float(rng.random()) if one.table.phase == "random" else 0.0

    def _add(self, samples: NDArray[np.complex64], one: _Heard, pulse: int, time_s: float) -> None:
        table = one.table
        level_db, cycles = self._chance(one, pulse)
        start = table.first_s + pulse / table.ping_rate_hz - time_s + one.late_s
        rate, first = self.listening.sample_rate_hz, self.delay_s[0]
        low = max(0, int(np.floor((start.min() - first) * rate)))
        high = min(self.delay_s.size, int(np.ceil((start.max() + table.pulse_duration_s - first) * rate)) + 1)
        if low >= high:
            return
        delay = self.delay_s[low:high]
        since = delay - start[..., None]
        u = since / table.pulse_duration_s
        shape = np.sin(np.pi / 2 * np.clip(np.minimum(u, 1 - u) / _EDGE, 0, 1)) ** 2
        slope = table.sweep_hz / table.pulse_duration_s
        turn = (table.frequency_hz - table.sweep_hz / 2) * since + slope * since**2 / 2
        turn += cycles - self.listening.sonar.centre_frequency_hz * delay
        peak_pa = np.sqrt(2) * 1e-6 * 10 ** (level_db / 20)
        samples[..., low:high] += (peak_pa * shape * np.exp(2j * np.pi * turn)).astype(np.complex64)


def sounders(scenario: Scenario, listening: Listening) -> Sounders | None:
    """Return the sounders that one side hears."""
    heard = []
    for number, table in enumerate(scenario.noise.sounders):
        towards = direction_towards(table.from_deg, table.up_deg)
        if listening.hears(towards):
            late = listening.arrival_s(towards, scenario.sound_speed_m_s)
            heard.append(_Heard(number, table, late))
    return Sounders(scenario.seed, listening, listening.delay_s, tuple(heard)) if heard else None
