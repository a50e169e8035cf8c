"""Errors of single receivers, drawn or given: what they do to a signal, and where the receivers really are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .listening import Stream, chance
from .scenario import Scenario

__all__ = ["ChannelErrors"]

_GAIN, _PHASE, _DELAY, _POSITION, _DEAD, _NOISY = range(6)  # each with draws of its own


@dataclass(frozen=True, slots=True, eq=False)
class ChannelErrors:
    """What is wrong with the receivers of one side; arrays are (row, channel)."""

    gain_db: NDArray[np.float64]
    phase_rad: NDArray[np.float64]
    delay_s: NDArray[np.float64]
    offset_m: NDArray[np.float64]
    """(row, channel, 3) true less nominal position: forward, starboard, down."""
    dead: NDArray[np.bool_]
    noisy: NDArray[np.bool_]

    @classmethod
    def of(cls, scenario: Scenario, side: str) -> ChannelErrors:
        """Draw or take over the errors of one side."""
        table, sonar = scenario.instrument.channels, scenario.sonar
        shape = (sonar.n_row, sonar.n_channel)
        starboard = int(side == "starboard")

        def error(what: int, given: tuple, rms: float, *more: int) -> NDArray[np.float64]:
            if given:
                return np.array(given, dtype=np.float64).reshape(*shape, *more)
            rng = chance(scenario.seed, Stream.CHANNEL, what, starboard)
            return rms * rng.standard_normal((*shape, *more))

        def some(what: int, given: tuple[int, ...], count: int) -> NDArray[np.bool_]:
            flags = np.zeros(shape[0] * shape[1], bool)
            if count:
                rng = chance(scenario.seed, Stream.CHANNEL, what, starboard)
                given = tuple(rng.choice(flags.size, count, replace=False))
            flags[list(given)] = True
            return flags.reshape(shape)

        offset = error(_POSITION, table.position_m, table.position_rms_m, 3)
        if table.position_m and side == "port":
            offset = offset * np.array([1.0, -1.0, 1.0])
        return cls(
            error(_GAIN, table.gain_db, table.gain_rms_db),
            np.deg2rad(error(_PHASE, table.phase_deg, table.phase_rms_deg)),
            error(_DELAY, table.delay_s, table.delay_rms_s),
            offset,
            some(_DEAD, table.dead, table.dead_count),
            some(_NOISY, table.noisy, table.noisy_count),
        )

    @property
    def response(self) -> NDArray[np.complex128]:
        """(row, channel) factor on each receiver's signal, without its delay; 0 where it is dead."""
        return np.where(self.dead, 0, 10 ** (self.gain_db / 20) * np.exp(1j * self.phase_rad))
