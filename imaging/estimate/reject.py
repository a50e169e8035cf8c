"""Pings that would spoil the image, and why: interference, clipping, bubbles, bad navigation, no echo.

Every test looks at powers averaged over receivers and hundreds of samples, whose speckle is a few percent, and
asks for factors: no bright or dark pixel decides, so the statistics of what is kept are those of all pings.

Raw echoes are compared with the running median of the pings before, block by block along delay; rejected pings
count in that median too, so that a receiver that always clips a little loses no image. A fade is compared with the pings
before that had none, so that a cloud of some seconds is left out to its end; one that lasts is a change of the seabed, and believed.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from ..compress import Compressor
from ..errors import ParameterError
from ..frames import Trajectory
from ..records import Ping, Platform, Sonar
from .reasons import PingReason

__all__ = ["PingRejector", "RejectSettings", "RejectState", "Verdict"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RejectSettings:
    """What a ping may show before it is left out."""

    clipped_share: float = 0.002
    """Largest share of samples at saturation."""
    burst_db: float = 9.0
    """Power of a block over the loudest of the pings before, at which it is a burst. [dB]"""
    burst_blocks: int = 1
    """Bursts that are allowed, minus one: so many and the ping is left out."""
    fade_db: float = 8.0
    """Median loss of the seabed's echo over range at which bubbles are believed. [dB]"""
    fade_pings: int = 45
    """Pings in a row that may be left out for a fade; then it is believed to be the seabed's."""
    memory_pings: int = 9
    """Pings whose median is the reference."""
    navigation_gap_s: float = 1.0
    """Largest distance in time to the nearest row of the navigation. [s]"""
    remembers_after: int = 3
    """Pings before anything is compared."""

    def __post_init__(self) -> None:
        if not 0 < self.clipped_share < 1 or self.burst_db < 6 or self.fade_db < 3:
            raise ParameterError(
                f"rejection: clipped_share, burst_db, fade_db are {self.clipped_share:g}, {self.burst_db:g}, "
                f"{self.fade_db:g}; allowed: 0 to 1, 6 or more, 3 or more: less would judge by speckle."
            )
        if self.fade_pings < 1:
            raise ParameterError(f"rejection: fade_pings is {self.fade_pings}; allowed: 1 or more.")
        if not 1 <= self.remembers_after <= self.memory_pings or self.burst_blocks < 1:
            raise ParameterError(
                f"rejection: remembers_after, memory_pings, burst_blocks are {self.remembers_after}, "
                f"{self.memory_pings}, {self.burst_blocks}; allowed: 1 to memory_pings, 1 or more."
            )


@dataclass(frozen=True, slots=True, eq=False)
class RejectState:
    """Levels of the last pings, newest last; gains undone."""

    level_db: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 0)))
    """(ping, block)"""
    clipped: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    """(ping,) shares of samples at saturation."""
    clear_db: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 0)))
    """(ping, block) levels of the last pings without a fade."""
    n_faded: int = 0
    """Pings in a row with one."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is thought of one ping."""

    reasons: int
    """Bits of :class:`PingReason`; 0: keep."""
    clipped_share: float
    burst_db: float
    """Loudest block over the loudest of the pings before, there and beside. [dB]"""
    fade_db: float
    """Median loss of the seabed's echo against the pings before. [dB]"""

    @property
    def keep(self) -> bool:
        """Whether the ping may go into the image."""
        return self.reasons == 0


@dataclass(frozen=True, slots=True, eq=False)
class PingRejector:
    """One side's judge, planned once."""

    settings: RejectSettings
    live: NDArray[np.bool_]
    saturation: float | None
    first: int
    """First sample after the transmission has died away."""
    block: int
    """Samples of a block: half a pulse."""
    pulse: int
    gain: NDArray[np.float32] | None
    compressor: Compressor
    bad_time_s: NDArray[np.float64]
    """Times of rows whose status is not good. [s]"""
    row_time_s: NDArray[np.float64]
    trajectory: Trajectory

    @classmethod
    def prepare(
        cls,
        sonar: Sonar,
        compressor: Compressor,
        platform: Platform,
        trajectory: Trajectory,
        settings: RejectSettings | None = None,
    ) -> PingRejector:
        """Plan the judgement of one array's pings."""
        settings = settings or RejectSettings()
        time_s, bad_s = _rows(platform, trajectory)
        pulse = max(8, round(sonar.pulse_duration_s / sonar.sample_interval_s))
        blind = (1.3 * sonar.pulse_duration_s - sonar.first_sample_delay_s) / sonar.sample_interval_s
        return cls(
            settings=settings,
            live=sonar.live,
            saturation=sonar.saturation_level,
            first=max(0, int(np.ceil(blind))),
            block=max(8, pulse // 2),
            pulse=pulse,
            gain=compressor.gain,
            compressor=compressor,
            bad_time_s=bad_s,
            row_time_s=time_s,
            trajectory=trajectory,
        )

    def with_navigation(self, platform: Platform, trajectory: Trajectory) -> PingRejector:
        """The same plan with a navigation that has grown."""
        time_s, bad_s = _rows(platform, trajectory)
        return replace(self, row_time_s=time_s, bad_time_s=bad_s, trajectory=trajectory)

    def start(self) -> RejectState:
        """Nothing heard yet."""
        return RejectState()

    def update(
        self,
        state: RejectState,
        ping: Ping,
        compressed: NDArray[np.complex64],
        altitude_m: float,
        sound_speed_m_s: float,
    ) -> tuple[RejectState, Verdict]:
        """Judge one ping.

        Parameters
        ----------
        compressed : ndarray of complex64, shape (row, channel, sample)
            Its compressed echoes: what is an echo of the pulse is short there.
        altitude_m : float
            Beyond it lies the seabed; NaN: nothing is said of bubbles. [m]
        """
        reasons = self._navigation(ping)
        echo = ping.echo[self.live]
        if not np.isfinite(echo.view(np.float32)).all() or not np.any(echo):
            return state, Verdict(reasons | PingReason.NO_ECHO, 0.0, 0.0, 0.0)
        clipped = self._clipped(echo)
        if clipped > max(
            self.settings.clipped_share, 4 * float(np.median(state.clipped)) if state.clipped.size else 0
        ):
            reasons |= PingReason.CLIPPED
        level = self._level(echo, ping.receiver_gain_db)
        burst = fade = 0.0
        if state.level_db.shape[0] >= self.settings.remembers_after and state.level_db.shape[1] == level.size:
            burst, foreign = self._bursts(state, level, compressed, ping.receiver_gain_db)
            fade = self._fade(state, level, altitude_m, sound_speed_m_s)
            if foreign >= self.settings.burst_blocks:
                reasons |= PingReason.INTERFERENCE
            if fade > self.settings.fade_db:
                reasons |= PingReason.BUBBLES
        kept = np.concatenate(
            [state.level_db.reshape(-1, level.size) if state.level_db.size else level[None][:0], level[None]]
        )
        memory = self.settings.memory_pings
        shares = np.append(state.clipped, clipped)
        clear, n_faded = state.clear_db, 0
        if not reasons & PingReason.BUBBLES:
            clear = np.concatenate(
                [clear.reshape(-1, level.size) if clear.size else level[None][:0], level[None]]
            )
        elif state.n_faded + 1 >= self.settings.fade_pings:
            clear = level[None]
        else:
            n_faded = state.n_faded + 1
        state = RejectState(kept[-memory:], shares[-memory:], clear[-memory:], n_faded)
        return state, Verdict(reasons, clipped, burst, fade)

    def _navigation(self, ping: Ping) -> int:
        at = self.trajectory.seconds(ping.time_ns)
        nearest = np.abs(self.row_time_s - at).min()
        if nearest > self.settings.navigation_gap_s:
            return PingReason.NAVIGATION
        # A row speaks for the time up to its neighbours: the ping's own interval is what counts.
        k = np.searchsorted(self.row_time_s, at)
        around = self.row_time_s[max(k - 1, 0) : k + 1]
        return PingReason.NAVIGATION if np.isin(around, self.bad_time_s).any() else 0

    def _clipped(self, echo: NDArray[np.complex64]) -> float:
        """Share of samples at saturation; 0 where samples beyond it show that the level stated is another one."""
        if self.saturation is None:
            return 0.0
        parts = np.abs(echo[:, self.first :].view(np.float32))
        if not parts.size or parts.max() > 1.001 * self.saturation:
            return 0.0
        return float(np.mean(parts >= 0.999 * self.saturation))

    def _level(self, echo: NDArray[np.complex64], gain_db: float) -> NDArray[np.float64]:
        """Mean power of each block over receivers, gains undone. [dB]"""
        if self.gain is not None:
            echo = echo * self.gain
        n = (echo.shape[1] - self.first) // self.block
        part = echo[:, self.first : self.first + n * self.block]
        power = part.real.astype(np.float64) ** 2 + part.imag.astype(np.float64) ** 2
        # Dead and noisy receivers must not decide: the middle half of them does.
        power = np.sort(power.reshape(echo.shape[0], n, self.block).mean(axis=2), axis=0)
        quarter = power.shape[0] // 4
        middle = power[quarter : power.shape[0] - quarter].mean(axis=0)
        return 10 * np.log10(np.maximum(middle, 1e-300)) - gain_db

    def _bursts(self, state: RejectState, level, compressed, gain_db: float) -> tuple[float, int]:
        """Loudest rise, and how many blocks rise by what is no echo of the pulse."""
        # What comes back after a fade is no burst.
        before = np.concatenate([state.level_db, state.clear_db.reshape(-1, level.size)]).max(axis=0)
        wide = np.maximum.reduce([before, np.r_[before[1:], before[-1]], np.r_[before[0], before[:-1]]])
        rise = level - wide
        loud = np.flatnonzero(rise > self.settings.burst_db)
        foreign = sum(self._foreign(compressed, int(k), level[k] + gain_db) for k in loud)
        return float(rise.max()), foreign

    def _foreign(self, compressed: NDArray[np.complex64], block: int, raw_db: float) -> bool:
        """Whether a burst stays as long once compressed: a target's echo would become a short peak.

        An echo's energy E in a pulse's length of raw samples makes a compressed peak of its full raw power; a foreign
        signal keeps its length, and its compressed power lies below by the pulse's time-bandwidth product. ``raw_db``
        has the receivers' gain in it, as the compressed samples have. [dB]
        """
        over = self.compressor.oversampling
        first = max((self.first + block * self.block - self.pulse) * over, 0)
        last = (self.first + (block + 1) * self.block) * over
        part = compressed[self.live][:, first:last]
        power = np.median(part.real.astype(np.float64) ** 2 + part.imag.astype(np.float64) ** 2, axis=0)
        return bool(power.max() < 0.25 * 10 ** (raw_db / 10))

    def _fade(self, state: RejectState, level, altitude_m: float, sound_speed_m_s: float) -> float:
        """Median loss over blocks in which the seabed was well above the quietest ones."""
        if not np.isfinite(altitude_m):
            return 0.0
        usual = np.median(state.clear_db, axis=0)
        delay = self.compressor.first_delay_s + (self.first + (np.arange(level.size) + 1) * self.block) * (
            self.compressor.oversampling / self.compressor.sample_rate_hz
        )
        beyond = delay * sound_speed_m_s / 2 > 1.2 * altitude_m
        seabed = np.flatnonzero(beyond & (usual > usual.min() + 10))
        # A seabed is heard without gaps up to where the noise begins; single things that come and go are no seabed.
        if seabed.size < 5 or seabed.size < 0.8 * (seabed[-1] - seabed[0] + 1):
            return 0.0
        return float(np.median(usual[seabed] - level[seabed]))


def _rows(platform: Platform, trajectory: Trajectory) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Times of the navigation's rows, and of those whose status is not good. [s]"""
    time_s = (platform.time_ns.astype(np.int64) - np.int64(trajectory.start_ns)) * 1e-9
    bad = np.zeros(time_s.size, bool) if platform.status is None else platform.status != 0
    return time_s, time_s[bad]
