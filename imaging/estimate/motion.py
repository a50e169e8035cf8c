"""What the navigation does not know: the motion left between adjacent pings, from their looks' overlap.

Each ping's look is laid on the strip grid by the chain itself, by the navigation alone. Adjacent looks share
speckle as far as their apertures overlap; where one pose is wrong against the other, its look lies shifted. The
shift is found by normalised cross-correlation of the square root of intensity, to a fraction of a pixel, within
the bounds of what the navigation may be wrong by.

A match knows its own standard deviation, from the number of cells, the correlation and the width that the
overlap leaves the peak; it may well be worse than the navigation. So each pair's shift is the mean of match and
navigation by their variances; how far the navigation strays from ping to ping is what it states, corrected by
what the matches show. Shifts add up from ping to ping and leak away, since in the long run the navigation is
right. Nothing is estimated from a pair whose overlap is too small, and a match that does not stand out of chance
is refused.

Phase errors of the receivers pass for a steady turn: where two looks share speckle, one receiver's phase meets that of
another, and a slope of the difference along the shared part turns one look against the other, every ping alike. How
large that may be follows from what the calibration states of its phases; it is estimated beside the steps as a turn
that keeps, and left out of the heading.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from .._sums import TOTAL, WEIGHT
from ..average import AverageSettings, field_correlation
from ..chain import Chain, ChainSettings
from ..errors import ParameterError
from ..frames import StripFrame, Trajectory
from ..records import Correction, Ping, Platform, Sonar, Water
from ._looks import Look, Match, evened, match_looks, refusal
from ._steps import StepTable, weighed

__all__ = [
    "Look",
    "Match",
    "MotionEstimator",
    "MotionFix",
    "MotionSettings",
    "MotionState",
    "look_settings",
    "match_looks",
]


_LATENCY_STD_S = 0.05
"""A latency known no better is not applied: a steady course says nothing of it."""
_SURE = 2.0
"""Stated deviations within which a latency counts for none; they are stated about one and a half times too large."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MotionSettings:
    """How residual motion is estimated."""

    largest_step_m: float = 0.12
    """Largest error of the navigation from ping to ping that the search must cover. [m]"""
    velocity_uncertainty_m_s: float | None = None
    """What is expected from ping to ping; default what the navigation states, else 0.05. [m/s]"""
    heading_uncertainty_rad: float | None = None
    """Default what the navigation states, else 1e-3. [rad]"""
    heading_time_s: float = 1.0
    """Time over which heading errors change; matches correct what follows from it. [s]"""
    largest_turn_rad: float = 0.005
    """Largest error of heading from ping to ping that is believed. [rad]"""
    leak_s: float = 120.0
    """Time after which an estimated shift is forgotten: the navigation's in the long run. [s]"""
    least_overlap: float = 0.2
    """Field correlation of adjacent looks below which nothing is estimated."""
    least_significance: float = 5.0
    """Peak over the standard deviation of chance matches."""
    bands: int = 4
    """Parts of the swath that are compared by themselves, to tell a turn from a shift."""
    memory_pings: float = 60.0
    """Pings over which the navigation's own uncertainty is learnt."""
    doubt_octaves: float = 4.0
    """Standard deviation of what is stated of the navigation's steps, in factors of two."""
    caution: float = 1.4
    """Factor on the matches' stated standard deviation."""
    most_contradiction: float = 0.2
    """Share of what the bands say, along and across, that may stray from what they say together."""

    def __post_init__(self) -> None:
        if not 0 < self.largest_step_m <= 2:
            raise ParameterError(f"motion.largest_step_m is {self.largest_step_m:g}; allowed: above 0 to 2.")
        if not 0 < self.largest_turn_rad <= 0.1 or not self.heading_time_s > 0:
            raise ParameterError(
                f"motion: largest_turn_rad, heading_time_s are {self.largest_turn_rad:g}, {self.heading_time_s:g}; "
                "allowed: above 0 to 0.1, above 0."
            )
        if not 0.1 <= self.doubt_octaves <= 10:
            raise ParameterError(f"motion.doubt_octaves is {self.doubt_octaves:g}; allowed: 0.1 to 10.")
        if not 0 < self.least_overlap < 1 or self.bands < 1 or self.caution < 1:
            raise ParameterError(
                f"motion: least_overlap, bands, caution are {self.least_overlap:g}, {self.bands}, {self.caution:g}; "
                "allowed: 0 to 1, 1 or more, 1 or more."
            )


@dataclass(frozen=True, slots=True, eq=False)
class MotionState:
    """The last look, the shift so far and what was learnt of the navigation; plain arrays."""

    look: Look | None = None
    error: NDArray[np.float64] = field(default_factory=lambda: np.zeros(3))
    """(3,) along, across [m], heading [rad]: belief less truth."""
    steps: StepTable = field(default_factory=StepTable.start)
    """What was learnt of the navigation's steps."""
    turn: NDArray[np.float64] = field(default_factory=lambda: np.zeros(3))
    """Steady turn that the receivers' phases feign [rad a ping], its variance, and its variance before any match."""
    latency: NDArray[np.float64] = field(default_factory=lambda: np.zeros(2))
    """Information on a constant latency, and its pull."""
    n_match: int = 0
    n_refused: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class MotionFix:
    """What is to be added to one ping's believed pose."""

    along_m: float
    """Along the heading. [m]"""
    starboard_m: float
    heading_rad: float
    match: Match | None
    latency_s: float
    """Of the navigation, positive: it is late; applied only where it is well known."""
    latency_std_s: float
    reason: str = ""


def look_settings(
    settings: ChainSettings, wavelength_m: float, length_m: float, far_m: float
) -> ChainSettings:
    """Settings of the chain that lays looks for matching: uniform shading (most overlap) and a coarser grid.

    Parameters
    ----------
    far_m : float
        Farthest range; a pixel along is four tenths of the cell at half of it. [m]
    """
    along = settings.grid.along_m
    grid = replace(
        settings.grid,
        along_m=max(along or 0.0, round(0.4 * 0.886 * wavelength_m / length_m * far_m / 2, 4)),
        tile_rows=1,  # nothing is finished here; a ring need not wait for tiles
    )
    return replace(
        settings,
        beamform=replace(settings.beamform, shading="uniform"),
        average=AverageSettings(weighting="equalised"),
        grid=grid,
    )


@dataclass(frozen=True, slots=True, eq=False)
class MotionEstimator:
    """One side's residual motion, planned once."""

    settings: MotionSettings
    side: str
    chain: Chain
    edge: NDArray[np.int64]
    """(band + 1,) first columns of the bands."""
    far_m: float
    """Middle of the farthest band: a turn moves what lies there most. [m]"""
    velocity_uncertainty_m_s: float
    heading_uncertainty_rad: float

    @classmethod
    def prepare(
        cls,
        sonar: Sonar,
        water: Water,
        trajectory: Trajectory,
        platform: Platform,
        *,
        chain_settings: ChainSettings | None = None,
        settings: MotionSettings | None = None,
        planning: Trajectory | None = None,
    ) -> MotionEstimator:
        """Plan the laying and matching of looks for one array.

        Parameters
        ----------
        platform : Platform
            For what the navigation states of its own uncertainty.
        chain_settings : ChainSettings, optional
            As for the image.
        planning : Trajectory, optional
            What of the navigation is planned with; by default all.
        """
        settings = settings or MotionSettings()
        base = chain_settings or ChainSettings()
        speed = base.water.sound_speed_m_s or water.sound_speed_m_s
        from ..frames import array_frame

        length = array_frame(sonar).length_m
        reach_s = sonar.first_sample_delay_s + sonar.n_sample * sonar.sample_interval_s
        far = base.grid.range_m or speed * reach_s / 2
        chosen = look_settings(base, speed / sonar.centre_frequency_hz, length, far)
        chain = Chain.prepare({sonar.side: sonar}, water, planning or trajectory, chosen, line=trajectory)
        # Nearer, cells are so small that a pixel undersamples them.
        first = int(0.3 * chain.grid.n_column)
        margin = int(np.ceil(2.5 * settings.largest_step_m / chain.grid.across_m)) + 3
        edge = np.linspace(first + margin, chain.grid.n_column - margin, settings.bands + 1).astype(np.int64)
        if edge[0] < 0 or np.any(np.diff(edge) < 16):
            raise ParameterError(
                f"motion: the swath has {chain.grid.n_column} columns; allowed: enough for {settings.bands} bands of 16 "
                "and the search. Give fewer bands."
            )
        velocity = settings.velocity_uncertainty_m_s or platform.velocity_uncertainty_m_s or 0.05
        heading = settings.heading_uncertainty_rad or platform.heading_uncertainty_rad or 1e-3
        far_m = float(edge[-2:].mean() * chain.grid.across_m)
        return cls(settings, sonar.side, chain, edge, far_m, velocity, heading)

    def start(self) -> MotionState:
        """No look yet."""
        return MotionState()

    def lay(
        self, ping: Ping, trajectory: Trajectory, frame: StripFrame, correction: Correction | None = None
    ) -> Look | None:
        """Lay one ping's look by the navigation alone; None for a ping that the chain leaves out.

        Parameters
        ----------
        frame : StripFrame
            Of the leg; looks of different legs can't be compared.
        correction : Correction, optional
            Its altitude and channel weights are used, its shifts are not.
        """
        if correction is not None:
            correction = replace(
                correction, shift_along_m=0.0, shift_starboard_m=0.0, shift_heading_rad=0.0, look_weight=1.0
            )
        chain = self.chain
        state, _, _ = chain.step(chain.start(frame), ping, trajectory, correction)
        own = state.sides[self.side]
        if own.accumulator is None:
            return None
        sums = own.accumulator
        first, past = max(sums.first_row, int(sums.touched[0])), min(sums.past_row, int(sums.touched[1]))
        read = sums.read(first, past - first)
        amplitude, seen = evened(*(np.array(read[k], order="C") for k in (TOTAL, WEIGHT)))
        time_s = trajectory.seconds(ping.time_ns) + chain.sides[self.side].sonar.pulse_duration_s / 2
        value, rate = trajectory.pose([time_s])
        turn = frame.matrix()
        return Look(
            first_row=first,
            amplitude=amplitude,
            seen=seen,
            where_m=own.history_m[0].copy(),
            heading_rad=float(value[0, 3] - frame.heading_rad),
            rate=np.array([*(turn @ rate[0, :3])[:2], rate[0, 3]]),
            time_s=float(time_s),
        )

    def update(
        self, state: MotionState, look: Look | None, phase_covariance: NDArray[np.float64] | None = None
    ) -> tuple[MotionState, MotionFix]:
        """Take in the look of one ping; None for a rejected ping, across which nothing is compared.

        Parameters
        ----------
        phase_covariance : ndarray of float64, shape (row * channel, row * channel), optional
            Of what is wrong with the receivers' phases; default nothing. [rad^2]
        """
        if look is None:
            return replace(state, look=None), self._row(state, None, None, "the ping was rejected")
        if state.look is None:
            return replace(state, look=look), self._row(state, look, None, "no look before it")
        gap = look.time_s - state.look.time_s
        variance = self._navigation_variance(state, gap)
        usual = 5 * np.sqrt(variance[:2].max() + (self.far_m**2 * variance[2]))
        match = self.compare(state.look, look, usual)
        if match.reason and usual < self.settings.largest_step_m:
            match = self.compare(state.look, look)
        error = state.error * np.exp(-max(gap, 0.0) / self.settings.leak_s)
        if (
            not match.reason
            and _contradiction(match, self.settings.caution, look.heading_rad)
            > self.settings.most_contradiction
        ):
            # Looks that share no speckle but single bright things and their sidelobes: each band says something else.
            match = replace(match, reason="the bands of the swath contradict each other: no even seabed")
        if match.reason:
            new = replace(state, look=look, error=error, n_refused=state.n_refused + 1)
            return new, self._row(new, look, match, match.reason)
        state = self._turning(state, look, phase_covariance)
        design, value, variance = _rows(match, self.settings.caution, look.heading_rad)
        turn, unsure, before = state.turn
        value = value - turn * design[:, 2]
        navigation = self._navigation_variance(state, gap)
        navigation[2] += unsure
        change = look.rate - state.look.rate
        full = np.diag(variance) + (design * navigation) @ design.T
        lean = -(design @ change)
        solved = np.linalg.solve(full, np.stack([lean, value], axis=1))
        state = replace(state, latency=state.latency + np.array([lean @ solved[:, 0], lean @ solved[:, 1]]))
        value = value + self._latency(state)[0] * (design @ change)
        table, step, feigned, unsure = state.steps.learn(
            design, value, variance, unsure, *self._stated(gap), keep=1 - 1 / self.settings.memory_pings
        )
        new = replace(
            state,
            look=look,
            error=error + step,
            steps=table,
            turn=np.array([turn + feigned, unsure, before]),
            n_match=state.n_match + 1,
        )
        return new, self._row(new, look, match, "")

    def compare(self, before: Look, look: Look, usual_step_m: float = np.inf) -> Match:
        """Shift of ``look`` against ``before``, or why there is none.

        Parameters
        ----------
        usual_step_m : float
            How far to search; the largest step bounds it. [m]
        """
        plan = self.chain.sides[self.side]
        way = abs(_way_m(before, look))
        frame = plan.beamformer.frame
        uniform = np.where(plan.beamformer.shading > 0, 1.0, 0.0)
        overlap = float(field_correlation(frame.along_m, uniform, np.array([way]))[0])
        if overlap < self.settings.least_overlap:
            return refusal(
                f"looks {1e3 * way:.0f} mm apart share {overlap:.2f} of their field: too little to compare"
            )
        grid = self.chain.grid
        reach_m = min(self.settings.largest_step_m, usual_step_m)
        widths = self._widths(overlap)
        # A wide peak must be seen on both sides, or it can't be placed.
        along_m = reach_m + 1.5 * float(widths[:, 2].max())
        # Along the array and across it; seen on the strip's rows and columns.
        c, s = abs(np.cos(look.heading_rad)), abs(np.sin(look.heading_rad))
        search = (
            int(np.ceil((c * along_m + s * reach_m) / grid.along_m)) + 1,
            min(
                int(np.ceil((s * along_m + c * reach_m) / grid.across_m)) + 2,
                grid.n_column - int(self.edge[-1]) - 1,
            ),
        )
        return match_looks(
            before,
            look,
            self.edge,
            search,
            (grid.along_m, grid.across_m),
            widths,
            reach_m,
            least_significance=self.settings.least_significance,
            sign=-1.0 if self.side == "port" else 1.0,
            heading_rad=look.heading_rad,
        )

    def _widths(self, overlap: float) -> NDArray[np.float64]:
        """(band, 4) second-derivative widths of a look's autocorrelation along and across, and of the match's."""
        plan, grid = self.chain.sides[self.side], self.chain.grid
        middle = (self.edge[:-1] + self.edge[1:]) / 2 * grid.across_m
        lobe = plan.beamformer.wavelength_m * middle / plan.beamformer.frame.length_m
        # sinc^2(x / lobe) falls as 1 - (pi x / lobe)^2 / 3.
        along = lobe * np.sqrt(3 / 2) / np.pi
        f = np.linspace(-0.5, 0.5, plan.compressor.unit_spectrum.size)
        power = plan.compressor.unit_spectrum**2
        spread = np.sqrt(np.sum(power * f**2) / power.sum()) * plan.sonar.bandwidth_hz
        across = np.full(middle.size, self.chain.sound_speed_m_s / 2 / (2 * np.pi * spread * np.sqrt(2)))
        return np.stack([along, across, along / overlap, across], axis=1)

    # ---- navigation and match together -------------------------------------------------------------------

    def _stated(self, gap_s: float) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
        """(3,) variances of steps that the navigation states, bounds of what is believed, doubt in what is stated."""
        step = self.velocity_uncertainty_m_s * gap_s
        share = -np.expm1(-abs(gap_s) / self.settings.heading_time_s)
        turn = self.heading_uncertainty_rad * np.sqrt(2 * share)
        stated = np.maximum(np.array([step, step, turn]) ** 2, 1e-14)
        reach, largest = self.settings.largest_step_m, self.settings.largest_turn_rad
        return stated, np.array([reach, reach, largest]) ** 2, self.settings.doubt_octaves

    def _navigation_variance(self, state: MotionState, gap_s: float) -> NDArray[np.float64]:
        """Of the navigation's error from ping to ping: what it states, corrected by what matches showed."""
        return state.steps.variance(*self._stated(gap_s))

    def _turning(
        self, state: MotionState, look: Look, phase_covariance: NDArray[np.float64] | None
    ) -> MotionState:
        """Carry the steady turn to this ping: phases better known feign less of it, and they wander.

        Of errors e1 and, with more evidence, e2 the covariance is the variance of e2, so e2 is e1 times the ratio of
        their variances and something independent.
        """
        if phase_covariance is None:
            return state
        beamformer = self.chain.sides[self.side].beamformer
        along = beamformer.frame.along_m
        lean = _slope_of_difference(along, 2 * _way_m(state.look, look))
        n_row = phase_covariance.shape[0] // along.size
        lean = np.tile(lean / n_row, n_row) * beamformer.wavelength_m / (2 * np.pi)
        now = float(lean @ phase_covariance @ lean)
        turn, unsure, before = state.turn
        if not before > 0:
            return replace(state, turn=np.array([0.0, now, now]))
        kept = min(now / before, 1 - 1 / self.settings.memory_pings)
        turned = np.array([kept * turn, kept**2 * unsure + max(now - kept**2 * before, 0.0), now])
        return replace(state, turn=turned)

    def _latency(self, state: MotionState) -> tuple[float, float]:
        """Latency that is applied, and its standard deviation.

        What lies within two deviations of none is none; beyond, it is taken the more wholly the surer it is, without
        a step (the non-negative garrote, Breiman 1995).
        """
        information, pull = state.latency
        if information <= 0:
            return 0.0, np.inf
        std = float(1 / np.sqrt(information))
        value = float(pull / information)
        if std >= _LATENCY_STD_S or value == 0:
            return 0.0, std
        return value * max(0.0, 1 - (_SURE * std / value) ** 2), std

    def _row(self, state: MotionState, look: Look | None, match: Match | None, reason: str) -> MotionFix:
        latency, std = self._latency(state)
        error = state.error.copy()
        if look is None:
            return MotionFix(0.0, 0.0, 0.0, match, latency, std, reason)
        error = error - latency * look.rate
        c, s = np.cos(look.heading_rad), np.sin(look.heading_rad)
        along, starboard = -(c * error[0] + s * error[1]), -(-s * error[0] + c * error[1])
        return MotionFix(float(along), float(starboard), float(-error[2]), match, latency, std, reason)


def _rows(
    match: Match, caution: float, heading_rad: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Equations for a step (along, across, turn) in the strip, of shifts along and across the array.

    A turn to starboard moves what lies to starboard astern. Against a current the array points away from the strip's
    axis; what it looks at lies straight off the array, so farther away than across the strip.
    """
    c, s = np.cos(heading_rad), np.sin(heading_rad)
    one, zero = np.ones_like(match.along_m), np.zeros_like(match.along_m)
    design = np.concatenate(
        [
            np.stack([c * one, s * one, -match.distance_m / c], axis=1),
            np.stack([-s * one, c * one, zero], axis=1),
        ]
    )
    value = np.concatenate([match.along_m, match.across_m])
    return design, value, (caution * np.concatenate([match.along_std_m, match.across_std_m])) ** 2


def _contradiction(match: Match, caution: float, heading_rad: float) -> float:
    """Share of the bands' equations that stray by three deviations and more from what the others say together."""
    design, value, variance = _rows(match, caution, heading_rad)
    if value.size <= 4:
        return 0.0
    off = value - design @ weighed(design, value, variance)
    return float(np.mean(np.abs(off) > 3 * np.sqrt(variance)))


def _way_m(before: Look, look: Look) -> float:
    """Made good along the array between two looks. [m]"""
    axis = np.array([np.cos(look.heading_rad), np.sin(look.heading_rad)])
    return float((look.where_m - before.where_m)[:2] @ axis)


def _slope_of_difference(along_m: NDArray[np.float64], shift_m: float) -> NDArray[np.float64]:
    """(channel,) weights that make of phases the slope of phase(x) less phase(x + shift) where both are. [1/m]"""
    node = np.linspace(along_m[0], along_m[-1] - abs(shift_m), 64)
    if node[-1] <= node[0]:
        return np.zeros(along_m.size)
    lean = (node - node.mean()) / np.sum((node - node.mean()) ** 2)
    unit = np.eye(along_m.size)
    difference = [np.interp(node, along_m, e) - np.interp(node + abs(shift_m), along_m, e) for e in unit]
    return np.array(difference) @ lean
