"""What the calibration of receivers is told, remembers and says."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import ParameterError

__all__ = ["LAGS", "ChannelFix", "ChannelSettings", "ChannelState"]

LAGS = (1, 2)
"""Distances between receivers, in channels, whose products are summed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelSettings:
    """How receivers are calibrated."""

    memory_pings: float = 96.0
    """Pings over which evidence is averaged."""
    least_pings: int = 8
    """Pings of evidence before anything is corrected."""
    prior_deg: float = 40.0
    """Standard deviation of receivers' phase errors that is thought possible. [deg]"""
    prior_delay_cells: float = 0.15
    """Standard deviation of their delays that is thought possible. [1/bandwidth]"""
    elevation_uncertainty_deg: float = 0.3
    """Of the seabed's direction as roll and altitude give it: it bounds what is said of one row against the next. [deg]"""
    dead_db: float = -15.0
    """Receivers weaker than this against the median are dead. [dB]"""
    block_samples: int = 64
    """Length of a range block."""
    least_snr: float = 4.0
    """Blocks whose seabed stands less above the noise are no evidence."""
    tie_redundant: bool = True
    """Whether successive pings are compared where the array is in pieces."""

    def __post_init__(self) -> None:
        if self.memory_pings < 1 or self.least_pings < 1 or self.block_samples < 8:
            raise ParameterError(
                f"channel calibration: memory_pings, least_pings, block_samples are {self.memory_pings:g}, "
                f"{self.least_pings}, {self.block_samples}; allowed: 1, 1, 8 or more."
            )
        positive = ("prior_deg", "prior_delay_cells", "elevation_uncertainty_deg")
        for name in positive:
            if not getattr(self, name) > 0:
                raise ParameterError(
                    f"channel calibration: {name} is {getattr(self, name):g}; allowed: above 0."
                )
        if not self.dead_db < 0:
            raise ParameterError(f"channel calibration: dead_db is {self.dead_db:g}; allowed: below 0.")


@dataclass(frozen=True, slots=True, eq=False)
class ChannelState:
    """Sums over pings, the oldest forgotten; plain arrays."""

    n_ping: int
    line: NDArray[np.float64]
    """(row, channel, 5) sums of the straight line of power against the median."""
    link: NDArray[np.complex128]
    """(lag, row, channel) sums of normalised products with the receiver ``lag`` further forward."""
    shifted: NDArray[np.complex128]
    """(2, row, channel) the same for lag one, a sample later and earlier: they tell delays."""
    seen: NDArray[np.float64]
    """(lag, row, channel) independent samples behind ``link``."""
    shared: NDArray[np.float64]
    """(lag, row, channel) expected coherence, summed alike."""
    across: NDArray[np.complex128]
    """(row, channel) sums of normalised products with the receiver one row higher, aligned at the seabed's direction."""
    across_seen: NDArray[np.float64]
    """(row, channel) independent samples behind ``across``."""
    information: NDArray[np.float64]
    """(row, channel, channel) of the phases, from points and redundant phase centres."""
    pull: NDArray[np.float64]
    """(row, channel) the same information times the phases that it says. [rad]"""
    before: NDArray[np.complex64]
    """(row, channel, sample) the last ping, compressed; empty where there is none."""
    live: NDArray[np.bool_]
    """(row, channel) receivers believed alive after the last ping; none while too little is known."""
    phase_rad: NDArray[np.float64]
    """(row, channel) their phases as believed then."""
    n_piece: int
    """Stretches of receivers linked from neighbour to neighbour then."""


@dataclass(frozen=True, slots=True, eq=False)
class ChannelFix:
    """What is believed of the receivers after a ping."""

    weight: NDArray[np.complex64] | None
    """(row, channel) factor on each receiver's echo; None while too little is known."""
    delay_undone_s: NDArray[np.float64] | None
    """(row, channel) delays that the correction undoes, 0 where one is not sure or does no harm; None: nowhere."""
    live: NDArray[np.bool_]
    """(row, channel)"""
    gain_db: NDArray[np.float64]
    """(row, channel) of the echo, against the median; NaN where dead."""
    phase_rad: NDArray[np.float64]
    """(row, channel) of the echo, without mean and slope."""
    phase_std_rad: NDArray[np.float64]
    """(row, channel)"""
    phase_covariance: NDArray[np.float64]
    """(row * channel, row * channel) of what is wrong with the phases; while too little is known, what is thought
    possible. [rad^2]"""
    delay_s: NDArray[np.float64]
    """(row, channel) of the envelope, without each row's mean and slope: no phase can mend it."""
    delay_std_s: NDArray[np.float64]
    """(row, channel)"""
    n_piece: int
    """Stretches of receivers that are linked from neighbour to neighbour; each row has one or more."""
    n_untied: int
    """Pieces that no evidence ties to the largest."""
    frozen: bool
    """Whether this ping was no evidence, so that nothing changed."""
    reason: str = ""
