"""From the sums of evidence to what is believed of the receivers: who lives, gains, phases, delays, pieces, weights."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..compress import Compressor
from ..frames import ArrayFrame
from ._channel_records import LAGS, ChannelFix, ChannelSettings, ChannelState

__all__ = ["ChannelBelief"]

_DOUBT = 0.01
"""Error of the expected coherence of receivers that are not neighbours."""
_TIED_RAD = np.deg2rad(15.0)
"""A piece whose step against the largest is known no better is called untied."""
_LEAST_ALIVE = 0.6
"""Where fewer of the receivers would be left, it is the evidence that is not believed."""
_DELAY_HARM = 0.02
"""Delays of so many 1/B cost less than 0.02 dB of their receiver: they are left as they are."""


@dataclass(frozen=True, slots=True, eq=False)
class ChannelBelief:
    """One side's reading of the evidence, planned once."""

    settings: ChannelSettings
    live: NDArray[np.bool_]
    """(row, channel) receivers not known dead beforehand."""
    along_m: NDArray[np.float64]
    """(channel,)"""
    step: NDArray[np.float64]
    """(pair, channel) -1 and 1 at the two receivers of each pair, lag after lag."""
    reach: NDArray[np.int64]
    """(pair,) lag."""
    rise: NDArray[np.float64]
    """(row - 1,) phase between a row and the next for each radian that the seabed stands higher than believed."""
    shading: NDArray[np.float64]
    sample_rate_hz: float
    bandwidth_hz: float
    delay_grid: NDArray[np.float64]
    """(node,) delays, ascending. [samples]"""
    skew_grid: NDArray[np.float64]
    """(node,) log ratio of a pair's products one sample later and earlier, at each delay; ascending."""
    skew_noise: float
    """Variance of that log ratio times twice the independent samples and the coherence squared."""

    @classmethod
    def prepare(
        cls,
        frame: ArrayFrame,
        compressor: Compressor,
        *,
        live: NDArray[np.bool_],
        wave_number: float,
        bandwidth_hz: float,
        shading: NDArray[np.float64],
        settings: ChannelSettings,
    ) -> ChannelBelief:
        """Table what delays do to neighbours' products."""
        power = compressor.unit_spectrum**2
        turns = np.linspace(-0.5, 0.5, power.size) * compressor.band

        def correlation(shift: NDArray[np.float64]) -> NDArray[np.float64]:
            return np.cos(2 * np.pi * np.outer(shift, turns)) @ power / power.sum()

        grid = np.linspace(-1.5, 1.5, 301)
        later, earlier = correlation(1 - grid), correlation(1 + grid)
        usable = np.minimum(later, earlier) > 0.08
        one, two = correlation(np.array([1.0, 2.0]))
        up = frame.offset_m[..., 1].mean(axis=1)
        n = frame.along_m.size
        step = [np.eye(n - lag, n, lag) - np.eye(n - lag, n) for lag in LAGS]
        return cls(
            settings=settings,
            live=live,
            along_m=frame.along_m,
            step=np.concatenate(step),
            reach=np.concatenate([np.full(n - lag, lag) for lag in LAGS]),
            rise=wave_number * np.diff(up),
            shading=shading,
            sample_rate_hz=compressor.sample_rate_hz,
            bandwidth_hz=bandwidth_hz,
            delay_grid=grid[usable],
            skew_grid=np.log(later[usable] / earlier[usable]),
            skew_noise=float(2 * (1 - two) / one**2),
        )

    def fix(self, state: ChannelState, *, frozen: bool) -> ChannelFix:
        """What is believed after all evidence so far."""
        if state.n_ping < self.settings.least_pings:
            return self._nothing("too little evidence yet", frozen)
        gain, noise = self._gains(state)
        live = self._alive(state, gain, noise)
        if live.sum() < _LEAST_ALIVE * self.live.sum():
            return self._nothing("most receivers fit no seabed that all hear", frozen)
        usual = np.median(gain[live])
        gain_db = np.where(live, 10 * np.log10(np.maximum(gain, 1e-12) / usual), np.nan)
        matrix, pull = self._normal(state, live)
        phase, phase_std, covariance = self._solved(matrix, pull, live)
        delay, delay_std = self._delays(state, live)
        pieces = self._pieces(state, live)
        return ChannelFix(
            weight=self._weights(gain_db, phase, live),
            delay_undone_s=self._undone(delay, delay_std, live),
            live=live,
            gain_db=gain_db,
            phase_rad=phase,
            phase_std_rad=phase_std,
            phase_covariance=covariance,
            delay_s=delay,
            delay_std_s=delay_std,
            n_piece=len(pieces),
            n_untied=self._untied(matrix, pieces),
            frozen=frozen,
        )

    def _nothing(self, reason: str, frozen: bool) -> ChannelFix:
        nothing = np.zeros(self.live.shape)
        return ChannelFix(
            weight=None,
            delay_undone_s=None,
            live=self.live,
            gain_db=nothing,
            phase_rad=nothing,
            phase_std_rad=nothing,
            phase_covariance=np.deg2rad(self.settings.prior_deg) ** 2
            * np.diag(self.live.ravel().astype(float)),
            delay_s=nothing,
            delay_std_s=nothing,
            n_piece=0,
            n_untied=0,
            frozen=frozen,
            reason=reason,
        )

    # ---- gains, and who lives ----------------------------------------------------------------------------

    def _gains(self, state: ChannelState) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Power gain of the seabed's echo and own noise of each receiver, both against the median's."""
        ee, e, one, ep, p = np.moveaxis(state.line, -1, 0)
        det = ee * one - e * e
        safe = det > 1e-9 * np.maximum(ee * one, 1e-300)
        det = np.where(safe, det, 1.0)
        gain = np.where(safe, (one * ep - e * p) / det, ep / np.maximum(ee, 1e-300))
        noise = np.where(safe, (ee * p - e * ep) / det, 0.0)
        return gain, noise

    def _alive(self, state: ChannelState, gain, noise) -> NDArray[np.bool_]:
        usual = np.median(gain[self.live])
        live = self.live & np.isfinite(gain) & (gain > usual * 10 ** (self.settings.dead_db / 10))
        # The mean excess of the seabed over the noise, in units of the noise.
        excess = np.median(state.line[..., 0][self.live] / np.maximum(state.line[..., 1][self.live], 1e-300))
        live &= np.maximum(noise, 0) < np.maximum(0.3 * excess, 10.0) * np.maximum(gain, 1e-12) / usual
        return live & ~self._strangers(state, live)

    def _strangers(self, state: ChannelState, live: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Receivers that share nothing with any live neighbour though they should."""
        n = state.seen[0]
        expected = state.shared[0] / np.maximum(n, 1e-9)
        ratio = np.abs(state.link[0]) / np.maximum(n, 1e-9) / np.maximum(expected, 1e-9)
        pair = live[:, :-1] & live[:, 1:]
        enough = (n * expected**2)[:, :-1] > 50
        good = pair & enough & (ratio[:, :-1] > 0.35)
        tested, passed = np.zeros(live.shape, bool), np.zeros(live.shape, bool)
        for at in (slice(None, -1), slice(1, None)):
            tested[:, at] |= pair & enough
            passed[:, at] |= good
        return tested & ~passed

    # ---- phases ------------------------------------------------------------------------------------------

    def _normal(self, state: ChannelState, live) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Information on the phases of all receivers, row after row, from all evidence, and its pull."""
        n_row, n = live.shape
        total, pull = np.zeros((n_row * n, n_row * n)), np.zeros(n_row * n)
        for row in range(n_row):
            own = slice(row * n, (row + 1) * n)
            matrix, lean = self._row_normal(state, row, live[row])
            total[own, own] += matrix + state.information[row]
            pull[own] += lean + state.pull[row]
        matrix, lean = self._between_rows(state, live)
        total, pull = total + matrix, pull + lean
        dead = ~live.ravel()
        total[dead] = 0
        total[:, dead] = 0
        pull[dead] = 0
        return total, pull

    def _row_normal(self, state: ChannelState, row: int, live):
        """From the receivers of one row among themselves, with a slope of any size taken out."""
        n = live.size
        z = np.concatenate([state.link[i, row, : n - lag] for i, lag in enumerate(LAGS)])
        seen = np.concatenate([state.seen[i, row, : n - lag] for i, lag in enumerate(LAGS)])
        both = np.concatenate([live[: n - lag] & live[lag:] for lag in LAGS])
        use = both & (np.abs(z) ** 2 > 16 * seen)
        if not use.any():
            return np.zeros((n, n)), np.zeros(n)
        h, z, seen, reach = self.step[use], z[use], seen[use], self.reach[use]
        # Coherence beyond neighbours rests on the tails of patterns, which nobody knows to a hundredth.
        doubt = np.where(reach == 1, 0.0, (_DOUBT / _coherence(z, seen)) ** 2)
        w = 1 / (_phase_variance(z, seen) + doubt)
        tilt = h @ self.along_m
        # Slopes of any size are allowed: take the common one out first, so that no phase wraps.
        angle = np.angle(z)
        angle = np.angle(np.exp(1j * (angle - tilt * _common_slope(angle, tilt, w))))
        return _eliminated(h, _unwrapped(h, angle, w, reach), w, tilt, 0.0)

    def _between_rows(self, state: ChannelState, live):
        """From receivers above each other: the seabed's direction is known as well as roll and altitude are."""
        n_row, n = live.shape
        design, angle, weight, tilt = [], [], [], []
        for row in range(n_row - 1):
            both = live[row] & live[row + 1]
            z, seen = state.across[row], state.across_seen[row]
            both = both & (np.abs(z) ** 2 > 16 * seen)
            if not both.any():
                continue
            middle = np.angle(np.sum(z[both] / np.abs(z[both])))
            step = np.zeros((n, n_row * n))
            step[np.arange(n), row * n + np.arange(n)] = -1
            step[np.arange(n), (row + 1) * n + np.arange(n)] = 1
            design.append(step[both])
            angle.append(middle + np.angle(z[both] * np.exp(-1j * middle)))
            weight.append(1 / _phase_variance(z[both], seen[both]))
            tilt.append(np.full(both.sum(), self.rise[row]))
        if not design:
            return np.zeros((n_row * n, n_row * n)), np.zeros(n_row * n)
        doubt = np.deg2rad(self.settings.elevation_uncertainty_deg)
        parts = (np.concatenate(p) for p in (design, angle, weight, tilt))
        return _eliminated(*parts, 1 / max(doubt, 1e-6) ** 2)

    def _solved(self, matrix, pull, live) -> tuple[NDArray[np.float64], ...]:
        prior = np.eye(pull.size)
        if live.shape[0] > 1:
            # Receivers of a row share their electronics: a row as a whole may be as far off as one of them.
            row = np.repeat(np.arange(live.shape[0]), live.shape[1])
            prior = np.linalg.inv(prior + (row[:, None] == row))
        spread = np.linalg.inv(matrix + prior / np.deg2rad(self.settings.prior_deg) ** 2)
        return self._levelled(spread, pull, live)

    def _levelled(self, spread, pull, live) -> tuple[NDArray[np.float64], ...]:
        """Solution, its standard deviation and covariance, mean and slope of the live ones taken out: they are no errors."""
        flat = live.ravel()
        value, std = np.zeros(flat.size), np.zeros(flat.size)
        covariance = np.zeros((flat.size, flat.size))
        along = np.tile(self.along_m, live.shape[0])[flat]
        base = np.linalg.qr(np.stack([np.ones(along.size), along], axis=1))[0]
        project = np.eye(along.size) - base @ base.T
        value[flat] = project @ (spread @ pull)[flat]
        own = project @ spread[np.ix_(flat, flat)] @ project
        std[flat] = np.sqrt(np.maximum(np.diag(own), 0))
        covariance[np.ix_(flat, flat)] = own
        return value.reshape(live.shape), std.reshape(live.shape), covariance

    # ---- delays ------------------------------------------------------------------------------------------

    def _delays(self, state: ChannelState, live) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Delays from the asymmetry of neighbours' products in delay, one row at a time. [s]"""
        n_row, n = live.shape
        delay, std = np.zeros(live.shape), np.zeros(live.shape)
        slope = np.gradient(self.skew_grid, self.delay_grid)[self.delay_grid.size // 2]
        prior_samples = self.settings.prior_delay_cells / self.bandwidth_hz * self.sample_rate_hz
        for row in range(n_row):
            z, seen = state.link[0, row, :-1], state.seen[0, row, :-1]
            both = live[row, :-1] & live[row, 1:] & (np.abs(z) ** 2 > 16 * seen)
            turn = np.conj(z) / np.maximum(np.abs(z) ** 2, 1e-300)
            later, earlier = (np.maximum((s[row, :-1] * turn).real, 0.05) for s in state.shifted)
            step = np.interp(np.log(later / earlier), self.skew_grid, self.delay_grid)
            weight = 2 * seen * _coherence(z, np.maximum(seen, 1e-9)) ** 2 / self.skew_noise * slope**2
            weight = np.where(both, weight, 0.0)
            h = self.step[: n - 1]
            information = (h.T * weight) @ h + np.eye(n) / prior_samples**2
            pull = h.T @ (weight * step)
            value, own, _ = self._levelled(np.linalg.inv(information), pull, live[row : row + 1])
            delay[row], std[row] = value[0] / self.sample_rate_hz, own[0] / self.sample_rate_hz
        return delay, std

    def _undone(self, delay, std, live) -> NDArray[np.float64] | None:
        """Delays that are sure and do harm; None where there are none."""
        sure = live & (np.abs(delay) > 3 * std) & (np.abs(delay) * self.bandwidth_hz > _DELAY_HARM)
        return np.where(sure, delay, 0.0) if sure.any() else None

    # ---- pieces ------------------------------------------------------------------------------------------

    def _pieces(self, state: ChannelState, live) -> list[NDArray[np.int64]]:
        """Receivers that are linked from neighbour to neighbour; numbers count row after row."""
        n = live.shape[1]
        groups = []
        for row in range(live.shape[0]):
            z, seen = state.link[0, row, :-1], state.seen[0, row, :-1]
            linked = (np.abs(z) ** 2 > 16 * seen) & live[row, :-1] & live[row, 1:]
            number = np.cumsum(np.concatenate([[0], (~linked).astype(int)]))
            groups += [np.flatnonzero((number == k) & live[row]) + row * n for k in np.unique(number)]
        return [g for g in groups if g.size]

    def _untied(self, matrix, pieces) -> int:
        """Pieces whose step against the largest is known no better than to 15 degrees."""
        if len(pieces) < 2:
            return 0
        members = np.concatenate(pieces)
        along = np.resize(self.along_m, matrix.shape[0])
        main = max(pieces, key=len)
        loose = 0
        for piece in pieces:
            if piece is main:
                continue
            step = np.zeros(matrix.shape[0])
            step[piece] = 1.0
            both = np.concatenate([piece, main])
            base = np.stack([np.ones(both.size), along[both]], axis=1)
            step[both] -= base @ np.linalg.lstsq(base, step[both], rcond=None)[0]
            # Other pieces may move freely with it: only information against them all counts.
            others = np.setdiff1d(members, both)
            known = step @ matrix @ step
            if others.size:
                lean = matrix[np.ix_(others, both)] @ step[both]
                rest = matrix[np.ix_(others, others)] + 1e-6 * np.eye(others.size)
                known -= lean @ np.linalg.solve(rest, lean)
            loose += int(known < 1 / _TIED_RAD**2)
        return loose

    def _weights(self, gain_db, phase, live) -> NDArray[np.complex64]:
        """Inverse of each receiver's error; the shaded sum over live receivers keeps the level."""
        shrunk = np.nan_to_num(gain_db)
        weight = np.where(live, 10 ** (-shrunk / 20) * np.exp(-1j * phase), 0)
        planned, left = self.live.sum(axis=0), live.sum(axis=0)
        # Rows are averaged over those the sonar calls live.
        weight = weight * np.where(left > 0, planned / np.maximum(left, 1), 0.0)
        shading = self.shading * (planned > 0)
        kept = (shading * (left > 0)).sum()
        return (weight * (shading.sum() / max(kept, 1e-12))).astype(np.complex64)


def _coherence(z, seen) -> NDArray[np.float64]:
    return np.minimum(np.abs(z) / seen, 0.99)


def _phase_variance(z, seen) -> NDArray[np.float64]:
    """Of the phase of a mean product over ``seen`` independent samples (Cramer and Rao)."""
    g = _coherence(z, seen)
    return (1 - g**2) / (2 * seen * g**2)


def _eliminated(design, value, weight, nuisance, stiffness: float):
    """Normal matrix and pull with one nuisance of given prior information taken out."""
    left = design.T * weight
    lean = left @ nuisance
    stiff = weight @ nuisance**2 + stiffness
    matrix = left @ design - np.outer(lean, lean) / stiff
    return matrix, left @ value - lean * (nuisance * weight @ value) / stiff


def _common_slope(angle, tilt, weight) -> float:
    """Slope that most differences share, found on the circle. [rad/m]"""
    pitch = np.median(np.abs(tilt))
    near = np.abs(tilt - pitch) < 0.2 * pitch
    return float(np.angle(np.sum((weight * np.exp(1j * angle))[near])) / pitch)


def _unwrapped(design, angle, weight, reach) -> NDArray[np.float64]:
    """Differences of more than one step, turned by whole cycles to agree with those of one step."""
    near = reach == 1
    if near.all() or not near.any():
        return angle
    h, w = design[near], weight[near]
    phase = np.linalg.lstsq(h * np.sqrt(w)[:, None], angle[near] * np.sqrt(w), rcond=None)[0]
    off = angle - design @ phase
    return np.where(near, angle, angle - 2 * np.pi * np.round(off / (2 * np.pi)))
