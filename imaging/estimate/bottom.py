"""Altitude from the echoes: where the seabed's first return begins, tracked from ping to ping.

The power of one ping, averaged over receivers, is compared with what a plane seabed at each candidate altitude
would return: nothing but noise up to the perpendicular, then the law of patterns, Lambert scattering and
spreading. The whole onset counts, not one threshold crossing, and no single sample counts for much: fish and the
surface's echo are short. Where the vertical pattern misses the seabed straight below, the same law says how much
later the first audible return comes, and its flatness how badly that tells the altitude; then the tracker declines.

The first return of a slope comes from its perpendicular, nearer than straight below. Along track the slope is
known from the track itself and is part of the law; across track it can't be told from one side's onset: a slope
of angle a reads short by the factor cos a.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..compress import Compressor
from ..errors import ParameterError
from ..frames import rotation
from ..records import Sonar
from ._bottom_onset import OnsetSearch

__all__ = ["BottomFix", "BottomState", "BottomTrackSettings", "BottomTracker", "choose_altitude"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BottomTrackSettings:
    """How the seabed is searched for and followed."""

    nearest_m: float = 1.0
    """Smallest altitude of the array that is looked for. [m]"""
    farthest_m: float | None = None
    """Largest one; default 0.8 of the recorded range. [m]"""
    window_m: float = 0.6
    """Half of the window around the predicted seabed once it is followed. [m]"""
    clip: float = 6.0
    """Most that one sample may speak against an altitude, in units of log likelihood."""
    contrast: float = 3.0
    """Least ratio of the first seabed echo to what is heard before it."""
    lost_after: int = 12
    """Pings without a fix after which the whole range is searched again."""
    lock_after: int = 3
    """Fixes that must agree before they are believed."""
    roughness_m: float = 0.02
    """Standard deviation by which the seabed's depth wanders over one metre of way. [m]"""
    confirm_after: int = 8
    """Fixes in a row that overrule a given altitude."""

    def __post_init__(self) -> None:
        for name in ("nearest_m", "window_m", "clip", "roughness_m"):
            if not getattr(self, name) > 0:
                raise ParameterError(f"bottom tracking: {name} is {getattr(self, name):g}; allowed: above 0.")
        if self.contrast <= 1:
            raise ParameterError(f"bottom tracking: contrast is {self.contrast:g}; allowed: above 1.")


@dataclass(frozen=True, slots=True)
class BottomState:
    """The track: depth of the seabed below the vehicle and its slope along the way."""

    depth_m: float = float("nan")
    slope: float = 0.0
    variance: tuple[float, float, float] = (np.inf, 0.0, 0.0)
    """Of depth, of depth and slope together, of slope."""
    n_fix: int = 0
    """Fixes in a row, misses aside."""
    n_miss: int = 0
    n_disagree: int = 0
    """Pings in a row on which the track left a given altitude."""

    @property
    def is_locked(self) -> bool:
        """Whether there is a track."""
        return np.isfinite(self.depth_m)


@dataclass(frozen=True, slots=True)
class BottomFix:
    """What one ping says of the seabed."""

    altitude_m: float
    """Of the body origin, from the track; NaN: declined. [m]"""
    std_m: float
    """Of the track."""
    measured_m: float
    """Of the body origin, from this ping alone; NaN where it showed no seabed. [m]"""
    measured_std_m: float
    contrast: float
    """First seabed echo over what is heard before it."""
    reason: str = ""
    """Why it was declined, empty where it was not."""


@dataclass(frozen=True, slots=True, eq=False)
class BottomTracker:
    """One side's search for the seabed, planned once."""

    settings: BottomTrackSettings
    onset: OnsetSearch
    half_baseline_m: NDArray[np.float64]
    """(3,) body, middle between transmitter and receivers: ranges count from there. [m]"""

    @classmethod
    def prepare(
        cls,
        sonar: Sonar,
        compressor: Compressor,
        *,
        sound_speed_m_s: float,
        settings: BottomTrackSettings | None = None,
    ) -> BottomTracker:
        """Plan the search for one array."""
        settings = settings or BottomTrackSettings()
        onset = OnsetSearch.prepare(
            sonar,
            compressor,
            sound_speed_m_s=sound_speed_m_s,
            nearest_m=settings.nearest_m,
            clip=settings.clip,
            least_contrast=settings.contrast,
        )
        return cls(settings, onset, (sonar.transmit_position_m + onset.frame.centre_m) / 2)

    @property
    def cell_m(self) -> float:
        """Slant range cell, -3 dB. [m]"""
        return self.onset.cell_m

    def start(self) -> BottomState:
        """No track yet."""
        return BottomState()

    def update(
        self,
        state: BottomState,
        compressed: NDArray[np.complex64],
        *,
        depth_m: float,
        pitch_rad: float,
        roll_rad: float,
        way_m: float,
        water_depth_m: float | None = None,
    ) -> tuple[BottomState, BottomFix]:
        """Follow the seabed over one ping.

        Parameters
        ----------
        compressed : ndarray of complex64, shape (row, channel, sample)
            Compressed echoes.
        depth_m, pitch_rad, roll_rad : float
            Of the vehicle at transmission.
        way_m : float
            Made good since the last ping, along the heading. [m]
        water_depth_m : float, optional
            Bounds the search: the seabed is not looked for much deeper.
        """
        turn = rotation(0.0, pitch_rad, roll_rad)
        lever = float((turn @ self.half_baseline_m)[2])
        state = _predicted(state, way_m, self.settings)
        power = self.onset.power(compressed)
        law = self.onset.law(turn, state.slope if state.n_fix >= self.settings.confirm_after else 0.0)
        window = self._window(state, depth_m + lever, water_depth_m)
        if window[1] - window[0] < self.cell_m:
            return state, _declined("no range in which a seabed could lie")
        height, std, contrast = self.onset.search(power, law, window, depth_m)
        if not np.isfinite(height):
            return self._missed(state, depth_m, contrast)
        return self._fixed(state, height + lever, std, contrast, depth_m)

    def _window(self, state: BottomState, depth_m: float, water_depth_m: float | None) -> tuple[float, float]:
        """Nearest and farthest height of the array over the seabed that is looked at.

        A given altitude never narrows the search: it may be what is wrong.
        """
        range_m = self.onset.range_m
        low = max(self.settings.nearest_m, range_m[min(self.onset.first, range_m.size - 1)])
        high = self.settings.farthest_m or 0.8 * range_m[-1]
        if water_depth_m is not None:
            high = min(high, 1.2 * max(water_depth_m - depth_m, 1.0) + 1.0)
        if state.is_locked:
            half = self.settings.window_m + 4 * np.sqrt(state.variance[0])
            middle = state.depth_m - depth_m
            return max(low, middle - half), min(high, middle + half)
        return low, high

    # ---- the track ---------------------------------------------------------------------------------------

    def _missed(self, state: BottomState, depth_m: float, contrast: float) -> tuple[BottomState, BottomFix]:
        state = replace(state, n_miss=state.n_miss + 1)
        if state.n_miss > self.settings.lost_after or state.n_fix < self.settings.lock_after:
            return self.start(), BottomFix(np.nan, np.inf, np.nan, np.nan, contrast, "no seabed stands out")
        return state, self._result(state, np.nan, np.nan, contrast, depth_m)

    def _fixed(
        self, state: BottomState, altitude_m: float, std_m: float, contrast: float, depth_m: float
    ) -> tuple[BottomState, BottomFix]:
        seabed = depth_m + altitude_m
        if not state.is_locked:
            variance = (std_m**2 + self.cell_m**2, 0.0, np.tan(np.deg2rad(8.0)) ** 2)
            new = BottomState(depth_m=seabed, variance=variance, n_fix=1)
        else:
            off = seabed - state.depth_m
            gate = 4 * np.sqrt(state.variance[0] + std_m**2) + self.cell_m
            if abs(off) > gate:
                return self._missed(state, depth_m, contrast)
            new = _corrected(state, off, std_m**2)
        return new, self._result(new, altitude_m, std_m, contrast, depth_m)

    def _result(
        self, state: BottomState, measured_m: float, measured_std_m: float, contrast: float, depth_m: float
    ) -> BottomFix:
        std = float(np.sqrt(state.variance[0]))
        reason = ""
        if state.n_fix < self.settings.lock_after:
            reason = "too few fixes in a row yet"
        elif std > self.cell_m:
            reason = "the onset is too flat to tell the altitude to a range cell"
        altitude = np.nan if reason else state.depth_m - depth_m
        return BottomFix(altitude, std, measured_m, measured_std_m, contrast, reason)


def choose_altitude(
    state: BottomState,
    fix: BottomFix,
    given_altitude_m: float,
    settings: BottomTrackSettings | None = None,
) -> tuple[BottomState, float, bool]:
    """Which altitude goes into the correction, and whether it disagrees with the given one.

    The rule: an altitude from echoes is used wherever the track gives one and it lies within 0.5 m or a tenth of a
    given altitude, or none is given. Where it lies further off, the given altitude stays (the correction has no
    opinion) until ``confirm_after`` fixes in a row have said otherwise; from then on the echoes are believed. Both
    cases are marked as a disagreement.

    Returns
    -------
    state : BottomState
    altitude_m : float
        NaN for no opinion.
    disagrees : bool
    """
    settings = settings or BottomTrackSettings()
    if not np.isfinite(fix.altitude_m):
        return state, float("nan"), False
    if not np.isfinite(given_altitude_m) or abs(fix.altitude_m - given_altitude_m) <= max(
        0.5, 0.1 * given_altitude_m
    ):
        return replace(state, n_disagree=0), fix.altitude_m, False
    state = replace(state, n_disagree=state.n_disagree + 1)
    believed = state.n_disagree > settings.confirm_after
    return state, fix.altitude_m if believed else float("nan"), True


def _declined(reason: str) -> BottomFix:
    return BottomFix(np.nan, np.inf, np.nan, np.nan, 0.0, reason)


def _predicted(state: BottomState, way_m: float, settings: BottomTrackSettings) -> BottomState:
    if not state.is_locked:
        return state
    p, c, s = state.variance
    wander = settings.roughness_m**2 * max(abs(way_m), 1e-3)
    # A slope keeps for some metres: it wanders by 0.02 over one metre of way.
    variance = (
        p + 2 * way_m * c + way_m**2 * s + wander,
        c + way_m * s,
        s + 4e-4 * max(abs(way_m), 1e-3),
    )
    return replace(state, depth_m=state.depth_m + way_m * state.slope, variance=variance)


def _corrected(state: BottomState, off_m: float, variance: float) -> BottomState:
    p, c, s = state.variance
    gain, slope_gain = p / (p + variance), c / (p + variance)
    return replace(
        state,
        depth_m=state.depth_m + gain * off_m,
        slope=state.slope + slope_gain * off_m,
        variance=((1 - gain) * p, (1 - gain) * c, s - slope_gain * c),
        n_fix=state.n_fix + 1,
        n_miss=0,
    )
