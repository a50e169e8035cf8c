"""Gain, phase and delay of each receiver, and which receivers are dead or noisy, from the seabed itself.

*Gain*: each receiver's power over range blocks, as a straight line against the receivers' median: slope and
intercept are its gain and its own noise.

*Phase*: neighbouring receivers hear partly the same speckle. What the phase of their product should be follows
from the patterns of transmitter and receivers at each range; what is left is the difference of their errors. Those
differences are solved together by least squares with a prior of independent errors, so that what no evidence
reaches stays as it was recorded.

*What can't be known*: a phase that grows linearly along the array looks like a seabed lit from elsewhere, and the
motion of the array between transmission and reception does make one. So a common slope is a free unknown of every
kind of evidence, and the solution has none: the array's mechanical positions are trusted for the direction in
which it looks. Rows get no common phase against each other, for the same reason in the vertical.

*Pieces*: next but one neighbours of a filled array share almost nothing, so a dead receiver cuts the array in
pieces. Phase centres that coincide in two successive pings, and strong single points, can tie them; where neither
has, the pieces' own mean phases stay as they were recorded and the pieces are said to be untied.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..compress import Compressor
from ..errors import ParameterError
from ..frames import ArrayFrame, array_frame
from ..radiometry import pattern_gain
from ..records import Sonar
from ._channel_links import Evidence, field_coherence, point_evidence, redundant_evidence

__all__ = ["ChannelCalibrator", "ChannelFix", "ChannelSettings", "ChannelState"]

_LAGS = (1, 2)
_NODES = 24
_DOUBT = 0.01
"""Error of the expected coherence of receivers that are not neighbours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelSettings:
    """How receivers are calibrated."""

    memory_pings: float = 96.0
    """Pings over which evidence is averaged."""
    least_pings: int = 8
    """Pings of evidence before anything is corrected."""
    prior_deg: float = 40.0
    """Standard deviation of receivers' phase errors that is thought possible. [deg]"""
    prior_db: float = 1.5
    """Of their gains. [dB]"""
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
        if not (self.prior_deg > 0 and self.prior_db > 0 and self.dead_db < 0):
            raise ParameterError(
                f"channel calibration: prior_deg, prior_db, dead_db are {self.prior_deg:g}, {self.prior_db:g}, "
                f"{self.dead_db:g}; allowed: above 0, above 0, below 0."
            )


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
    information: NDArray[np.float64]
    """(row, channel, channel) of the phases, from points and redundant phase centres."""
    pull: NDArray[np.float64]
    """(row, channel) the same information times the phases that it says. [rad]"""
    before: NDArray[np.complex64]
    """(row, channel, sample) the last ping, compressed; empty where there is none."""


@dataclass(frozen=True, slots=True, eq=False)
class ChannelFix:
    """What is believed of the receivers after a ping."""

    weight: NDArray[np.complex64] | None
    """(row, channel) factor on each receiver's echo; None while too little is known."""
    live: NDArray[np.bool_]
    """(row, channel)"""
    gain_db: NDArray[np.float64]
    """(row, channel) of the echo, against the median; NaN where dead."""
    phase_rad: NDArray[np.float64]
    """(row, channel) of the echo, without mean and slope."""
    phase_std_rad: NDArray[np.float64]
    """(row, channel)"""
    delay_s: NDArray[np.float64]
    """(row, channel) of the envelope, without mean and slope; a phase can't mend more than a tenth of 1/B."""
    n_piece: int
    """Stretches of receivers that are linked from neighbour to neighbour."""
    n_untied: int
    """Pieces that no evidence ties to the largest."""
    frozen: bool
    """Whether this ping was no evidence, so that nothing changed."""
    reason: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class ChannelCalibrator:
    """One side's calibration, planned once."""

    settings: ChannelSettings
    live: NDArray[np.bool_]
    frame: ArrayFrame
    shading: NDArray[np.float64]
    """(channel,) weights that beams will give: the level is kept for them."""
    wave_number: float
    sound_speed_m_s: float
    first_delay_s: float
    sample_rate_hz: float
    n_sample: int
    first: int
    """First sample after the transmission."""
    independent: float
    """Independent samples for one sample."""
    slope: float
    """Derivative of the pulse's normalised autocorrelation, one sample off its peak. [1/sample]"""
    bandwidth_hz: float
    node_m: NDArray[np.float64]
    coherence: NDArray[np.complex128]
    """(lag 0.., node, channel) expected product with the receiver ``lag`` further forward."""

    @classmethod
    def prepare(
        cls,
        sonar: Sonar,
        compressor: Compressor,
        *,
        sound_speed_m_s: float,
        shading: NDArray[np.float64] | None = None,
        settings: ChannelSettings | None = None,
    ) -> ChannelCalibrator:
        """Plan the calibration for one array.

        Parameters
        ----------
        shading : ndarray of float64, shape (channel,), optional
            Weights of the beams to come; default uniform.
        """
        settings = settings or ChannelSettings()
        frame = array_frame(sonar)
        wavelength = sound_speed_m_s / compressor.carrier_hz
        delay = compressor.first_delay_s + np.arange(compressor.n_out) / compressor.sample_rate_hz
        far = compressor.last_delay_s * sound_speed_m_s / 2
        node = np.geomspace(max(0.5, 0.03 * far), far, _NODES)
        table = field_coherence(
            sonar,
            frame,
            node,
            wavelength,
            max(_LAGS),
            lambda p, size, s: pattern_gain(p, size, wavelength, s),
        )
        return cls(
            settings=settings,
            live=sonar.live,
            frame=frame,
            shading=np.ones(frame.along_m.size) if shading is None else np.asarray(shading, np.float64),
            wave_number=2 * np.pi / wavelength,
            sound_speed_m_s=sound_speed_m_s,
            first_delay_s=compressor.first_delay_s,
            sample_rate_hz=compressor.sample_rate_hz,
            n_sample=int(np.searchsorted(delay, compressor.last_delay_s, side="right")),
            first=int(np.searchsorted(delay, sonar.pulse_duration_s * 1.2)),
            independent=compressor.band,
            slope=_autocorrelation_slope(compressor),
            bandwidth_hz=sonar.bandwidth_hz,
            node_m=node,
            coherence=table,
        )

    def start(self) -> ChannelState:
        """Nothing known."""
        shape, n = self.live.shape, len(_LAGS)
        return ChannelState(
            n_ping=0,
            line=np.zeros((*shape, 5)),
            link=np.zeros((n, *shape), np.complex128),
            shifted=np.zeros((2, *shape), np.complex128),
            seen=np.zeros((n, *shape)),
            shared=np.zeros((n, *shape)),
            information=np.zeros((*shape, shape[1])),
            pull=np.zeros(shape),
            before=np.zeros((*shape, 0), np.complex64),
        )

    def update(
        self,
        state: ChannelState,
        compressed: NDArray[np.complex64],
        *,
        altitude_m: float,
        way_m: float = float("nan"),
        usable: bool = True,
    ) -> tuple[ChannelState, ChannelFix]:
        """Take in one ping.

        Parameters
        ----------
        compressed : ndarray of complex64, shape (row, channel, sample)
        altitude_m : float
            Of the array: seabed is looked for beyond 1.2 times it. NaN: the evidence is poor.
        way_m : float
            Made good along the array since the last ping; NaN: not known. [m]
        usable : bool
            False for a rejected ping: nothing changes.
        """
        x = compressed[..., : self.n_sample]
        blocks = self._blocks(x, altitude_m) if usable and np.isfinite(altitude_m) else None
        if blocks is None:
            fix = self._fix(state, frozen=True)
            return replace(state, before=state.before[..., :0]), fix
        keep = 1 - 1 / self.settings.memory_pings
        state = self._accumulated(state, x, blocks, keep)
        believed = self._fix(state, frozen=False)
        evidence = self._points(x, blocks, believed)
        if self.settings.tie_redundant and believed.n_piece > self.live.shape[0]:
            evidence += self._redundant(state.before, x, blocks, believed, way_m)
        if evidence or state.information.any():
            state = _informed(state, evidence, keep)
            believed = self._fix(state, frozen=False)
        return replace(state, before=x.copy()), believed

    # ---- evidence ----------------------------------------------------------------------------------------

    def _blocks(self, x: NDArray[np.complex64], altitude_m: float) -> _Blocks | None:
        """Power over range blocks; None where too little seabed stands above the noise."""
        size = self.settings.block_samples
        n = (x.shape[-1] - self.first) // size
        if n < 4:
            return None
        part = x[..., self.first : self.first + n * size]
        power = (part.real.astype(np.float64) ** 2 + part.imag.astype(np.float64) ** 2).reshape(
            *x.shape[:2], n, size
        )
        power = power.mean(axis=-1)
        middle = self.first + (np.arange(n) + 0.5) * size
        range_m = (self.first_delay_s + middle / self.sample_rate_hz) * self.sound_speed_m_s / 2
        usual = np.median(power[self.live], axis=0)
        noise = usual.min()
        seabed = range_m > 1.2 * altitude_m
        good = seabed & (usual > (1 + self.settings.least_snr) * noise)
        if good.sum() < 4 or not noise > 0:
            return None
        return _Blocks(size, power, usual, float(noise), range_m, good)

    def _at(self, lag: int, range_m: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Expected product at ranges, (range, channel)."""
        table = self.coherence[lag]
        at = np.interp(range_m, self.node_m, np.arange(self.node_m.size))
        k = np.minimum(at.astype(int), self.node_m.size - 2)
        w = (at - k)[:, None]
        return (1 - w) * table[k] + w * table[k + 1]

    def _accumulated(self, state: ChannelState, x, blocks: _Blocks, keep: float) -> ChannelState:
        line = keep * state.line + self._line(blocks)
        link, seen, shared = (keep * a for a in (state.link, state.seen, state.shared))
        shifted = keep * state.shifted
        good = np.flatnonzero(blocks.good)
        inside = (self.first + good[:, None] * blocks.size + np.arange(blocks.size)).ravel()
        own = self._at(0, blocks.range_m[good]).real
        level = np.sqrt(blocks.power[..., good])
        for i, lag in enumerate(_LAGS):
            n = x.shape[1] - lag
            a, b = x[:, :-lag], x[:, lag:]
            norm = level[:, :-lag] * level[:, lag:]
            model = self._at(lag, blocks.range_m[good])[:, :n] / np.sqrt(own[:, :n] * own[:, lag:])
            turn = np.conj(model / np.maximum(np.abs(model), 1e-9)).T

            def product(shift: int, a=a, b=b, norm=norm, turn=turn) -> NDArray[np.complex128]:
                at = np.clip(inside + shift, 0, x.shape[-1] - 1)
                p = (np.conj(a[..., inside]) * b[..., at]).reshape(*a.shape[:2], good.size, blocks.size)
                mean = p.mean(axis=-1, dtype=np.complex128) / np.where(norm > 0, norm, 1.0)
                return (mean * turn).sum(axis=-1)

            n_independent = blocks.size * self.independent
            link[i, :, :n] += product(0) * n_independent
            seen[i, :, :n] += good.size * n_independent
            snr = blocks.usual[good] / blocks.noise - 1
            shared[i, :, :n] += (np.abs(model) * (snr / (1 + snr))[:, None]).sum(axis=0) * n_independent
            if lag == 1:
                shifted[0, :, :n] += product(1) * n_independent
                shifted[1, :, :n] += product(-1) * n_independent
        return replace(
            state, n_ping=state.n_ping + 1, line=line, link=link, seen=seen, shared=shared, shifted=shifted
        )

    def _line(self, blocks: _Blocks) -> NDArray[np.float64]:
        """Sums of power against the median's excess over noise, weighted by what speckle does to both."""
        own = self._at(0, blocks.range_m).real
        use = blocks.good | (blocks.usual < 2 * blocks.noise)
        expected = np.maximum(blocks.usual - blocks.noise, 0)[:, None] * own / np.median(own, axis=1)[:, None]
        weight = use / blocks.usual**2
        e, p, w = expected.T[None], blocks.power, weight[None, None]
        # In units of the noise, so that pings of any level count alike.
        e, p, w = e / blocks.noise, p / blocks.noise, w * blocks.noise**2
        parts = [w * e * e, w * e, w * np.ones_like(e), w * e * p, w * p]
        return np.stack([np.broadcast_to(a, p.shape).sum(axis=-1) for a in parts], axis=-1)

    def _points(self, x, blocks: _Blocks, fix: ChannelFix) -> list[tuple[int, Evidence]]:
        if fix.weight is None:
            return []
        sample_m = self.sound_speed_m_s / 2 / self.sample_rate_hz
        first_m = self.first_delay_s * self.sound_speed_m_s / 2
        start = self.first + int(np.argmax(blocks.good)) * blocks.size
        found = []
        for row in range(x.shape[0]):
            evidence = point_evidence(
                x[row], start, first_m, sample_m, fix.live[row], fix.phase_rad[row], self.frame.along_m,
                self.wave_number,
            )  # fmt: skip
            found += [(row, e) for e in evidence]
        return found

    def _redundant(
        self, before, x, blocks: _Blocks, fix: ChannelFix, way_m: float
    ) -> list[tuple[int, Evidence]]:
        if before.shape != x.shape or not np.isfinite(way_m) or fix.weight is None:
            return []
        good = np.flatnonzero(blocks.good)
        starts = self.first + good * blocks.size
        found = []
        for row in range(x.shape[0]):
            evidence = redundant_evidence(
                before[row], x[row], starts, blocks.size, self.independent, fix.live[row], fix.phase_rad[row],
                self.frame.along_m, way_m,
            )  # fmt: skip
            found += [(row, e) for e in evidence]
        return found

    # ---- belief ------------------------------------------------------------------------------------------

    def _fix(self, state: ChannelState, *, frozen: bool) -> ChannelFix:
        shape = self.live.shape
        if state.n_ping < self.settings.least_pings:
            nothing = np.zeros(shape)
            reason = "too little evidence yet"
            return ChannelFix(None, self.live, nothing, nothing, nothing, nothing, 0, 0, frozen, reason)
        gain, noise = self._gains(state)
        live = self._alive(state, gain, noise)
        usual = np.median(gain[live]) if live.any() else 1.0
        gain_db = np.where(live, 10 * np.log10(np.maximum(gain, 1e-12) / usual), np.nan)
        phase, std, delay = np.zeros(shape), np.zeros(shape), np.zeros(shape)
        n_piece = n_untied = 0
        for row in range(shape[0]):
            matrix, pull = self._normal(state, row, live[row])
            phase[row], std[row] = self._solved(matrix, pull, live[row])
            delay[row] = self._delays(state, row, live[row])
            pieces = self._pieces(state, row, live[row])
            n_piece += len(pieces)
            n_untied += self._untied(matrix, pieces)
        weight = self._weights(gain_db, phase, live)
        return ChannelFix(
            weight, live, gain_db, np.where(live, phase, 0.0), std, delay, n_piece, n_untied, frozen
        )

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

    def _normal(self, state: ChannelState, row: int, live) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Information on the phases of one row from all evidence, slopes eliminated, and its pull."""
        n = live.size
        along = self.frame.along_m
        total, pull = np.zeros((n, n)), np.zeros(n)
        design, angle, weight = [], [], []
        for i, lag in enumerate(_LAGS):
            for m in range(n - lag):
                z, seen = state.link[i, row, m], state.seen[i, row, m]
                if not (live[m] and live[m + lag]) or np.abs(z) ** 2 <= 16 * seen:
                    continue
                g = min(np.abs(z) / seen, 0.99)
                step = np.zeros(n)
                step[m], step[m + lag] = -1, 1
                design.append(step)
                angle.append(np.angle(z))
                noise = (1 - g**2) / (2 * seen * g**2)
                # Coherence beyond neighbours rests on the tails of patterns, which nobody knows to a hundredth.
                weight.append(1 / (noise + (0.0 if lag == 1 else (_DOUBT / g) ** 2)))
        if design:
            h, z, w = np.array(design), np.array(angle), np.array(weight)
            tilt = h @ along
            # Slopes of any size are allowed: take the common one out first, so that no phase wraps.
            z = np.angle(np.exp(1j * (z - tilt * _common_slope(z, tilt, w))))
            z = _unwrapped(h, z, w)
            part = (h.T * w) @ h
            lean = (h.T * w) @ tilt
            stiff = w @ tilt**2
            total += part - np.outer(lean, lean) / stiff
            pull += (h.T * w) @ z - lean * (tilt * w @ z) / stiff
        total += state.information[row]
        pull += state.pull[row]
        dead = ~live
        total[dead] = 0
        total[:, dead] = 0
        pull[dead] = 0
        return total, pull

    def _solved(self, matrix, pull, live) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        prior = np.eye(live.size) / np.deg2rad(self.settings.prior_deg) ** 2
        spread = np.linalg.inv(matrix + prior)
        phase = spread @ pull
        base = np.stack([np.ones(live.sum()), self.frame.along_m[live]], axis=1)
        phase[live] -= base @ np.linalg.lstsq(base, phase[live], rcond=None)[0]
        # What is known better than the prior; mean and slope are not errors.
        project = np.eye(live.sum()) - base @ np.linalg.pinv(base)
        own = project @ spread[np.ix_(live, live)] @ project
        std = np.zeros(live.size)
        std[live] = np.sqrt(np.maximum(np.diag(own), 0))
        return np.where(live, phase, 0.0), std

    def _delays(self, state: ChannelState, row: int, live) -> NDArray[np.float64]:
        """Delays from the asymmetry of neighbours' products in delay; steps summed along each piece."""
        zero = state.link[0, row, :-1]
        safe = np.where(np.abs(zero) > 0, zero, 1.0)
        skew = ((state.shifted[0, row, :-1] - state.shifted[1, row, :-1]) / safe).real
        step = np.where(live[:-1] & live[1:], skew / (-2 * self.slope), 0.0)
        delay = np.concatenate([[0.0], np.cumsum(step)]) / self.sample_rate_hz
        base = np.stack([np.ones(live.sum()), self.frame.along_m[live]], axis=1)
        delay[live] -= base @ np.linalg.lstsq(base, delay[live], rcond=None)[0]
        return np.where(live, delay, 0.0)

    def _pieces(self, state: ChannelState, row: int, live) -> list[NDArray[np.int64]]:
        linked = (np.abs(state.link[0, row, :-1]) ** 2 > 16 * state.seen[0, row, :-1]) & live[:-1] & live[1:]
        number = np.cumsum(np.concatenate([[0], (~linked).astype(int)]))
        groups = [np.flatnonzero((number == k) & live) for k in np.unique(number)]
        return [g for g in groups if g.size]

    def _untied(self, matrix, pieces) -> int:
        """Pieces whose step against the largest is known no better than to 15 degrees."""
        if len(pieces) < 2:
            return 0
        members = np.concatenate(pieces)
        main = max(pieces, key=len)
        loose = 0
        for piece in pieces:
            if piece is main:
                continue
            step = np.zeros(matrix.shape[0])
            step[piece] = 1.0
            both = np.concatenate([piece, main])
            base = np.stack([np.ones(both.size), self.frame.along_m[both]], axis=1)
            step[both] -= base @ np.linalg.lstsq(base, step[both], rcond=None)[0]
            # Other pieces may move freely with it: only information against them all counts.
            others = np.setdiff1d(members, both)
            known = step @ matrix @ step
            if others.size:
                lean = matrix[np.ix_(others, both)] @ step[both]
                rest = matrix[np.ix_(others, others)] + 1e-6 * np.eye(others.size)
                known -= lean @ np.linalg.solve(rest, lean)
            loose += int(known < 1 / np.deg2rad(15.0) ** 2)
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


@dataclass(frozen=True, slots=True, eq=False)
class _Blocks:
    size: int
    power: NDArray[np.float64]
    """(row, channel, block)"""
    usual: NDArray[np.float64]
    """(block,) median over live receivers."""
    noise: float
    range_m: NDArray[np.float64]
    good: NDArray[np.bool_]


def _informed(state: ChannelState, evidence: list[tuple[int, Evidence]], keep: float) -> ChannelState:
    information, pull = keep * state.information, keep * state.pull
    for row, e in evidence:
        information[row] += e.information
        pull[row] += e.pull
    return replace(state, information=information, pull=pull)


def _common_slope(angle, tilt, weight) -> float:
    """Slope that most differences share, found on the circle. [rad/m]"""
    pitch = np.median(np.abs(tilt))
    near = np.abs(tilt - pitch) < 0.2 * pitch
    return float(np.angle(np.sum((weight * np.exp(1j * angle))[near])) / pitch)


def _unwrapped(design, angle, weight) -> NDArray[np.float64]:
    """Differences of more than one step, turned by whole cycles to agree with those of one step."""
    reach = np.abs(design @ np.arange(design.shape[1]))
    near = reach <= 1.5
    if near.all() or not near.any():
        return angle
    h, w = design[near], weight[near]
    phase = np.linalg.lstsq(h * np.sqrt(w)[:, None], angle[near] * np.sqrt(w), rcond=None)[0]
    off = angle - design @ phase
    return np.where(near, angle, angle - 2 * np.pi * np.round(off / (2 * np.pi)))


def _autocorrelation_slope(compressor: Compressor) -> float:
    """Derivative of the compressed pulse's normalised autocorrelation at one sample. [1/sample]"""
    power = compressor.unit_spectrum**2
    turns = np.linspace(-0.5, 0.5, power.size) * compressor.band
    return float(np.sum(power * -2 * np.pi * turns * np.sin(2 * np.pi * turns)) / power.sum())
