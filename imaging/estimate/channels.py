"""Gain, phase and delay of each receiver, and which receivers are dead or noisy, from the seabed itself.

*Gain*: each receiver's power over range blocks, as a straight line against the receivers' median: slope and
intercept are its gain and its own noise.

*Phase*: neighbouring receivers hear partly the same speckle. What the phase of their product should be follows
from the patterns of transmitter and receivers at each range; what is left is the difference of their errors. Those
differences are solved together by least squares with a prior of independent errors, so that what no evidence
reaches stays as it was recorded.

*Delay*: a receiver that is late answers its neighbour's echo a sample later more than a sample earlier. Only the
envelope's delay is meant; the phase that comes with it is in the phase.

*What can't be known*: a phase that grows linearly along the array looks like a seabed lit from elsewhere, and the
motion of the array between transmission and reception does make one. So a common slope is a free unknown of every
kind of evidence, and the solution has none: the array's mechanical positions are trusted for the direction in
which it looks. The same holds for delays, row by row.

*Rows*: receivers above each other hear the same seabed; their phases are compared at the direction in which
altitude and roll put it. An error of that direction looks like a phase that grows from row to row, so what is
said of rows against each other is as good as that direction is (``elevation_uncertainty_deg``), and a row ties the
pieces of the next.

*Pieces*: next but one neighbours of a filled array share almost nothing, so a dead receiver cuts the array in
pieces. Phase centres that coincide in two successive pings, and strong single points, can tie them; where neither
has, the pieces' own mean phases stay as they were recorded and the pieces are said to be untied.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..compress import Compressor
from ..frames import ArrayFrame, array_frame
from ..radiometry import pattern_gain
from ..records import Sonar
from ._channel_belief import ChannelBelief
from ._channel_links import Evidence, field_coherence, point_evidence, redundant_evidence
from ._channel_records import LAGS, ChannelFix, ChannelSettings, ChannelState

__all__ = ["ChannelCalibrator", "ChannelFix", "ChannelSettings", "ChannelState"]

_NODES = 24


@dataclass(frozen=True, slots=True, eq=False)
class ChannelCalibrator:
    """One side's calibration, planned once."""

    settings: ChannelSettings
    belief: ChannelBelief
    live: NDArray[np.bool_]
    frame: ArrayFrame
    wave_number: float
    sound_speed_m_s: float
    first_delay_s: float
    sample_rate_hz: float
    n_sample: int
    first: int
    """First sample after the transmission: the first block begins there."""
    independent: float
    """Independent samples for one sample."""
    range_m: NDArray[np.float64]
    """(block,) of the middle of each range block."""
    own: NDArray[np.float64]
    """(block, channel) expected power, mean 1 at each range."""
    strength: tuple[NDArray[np.float64], ...]
    """For each lag (block, channel - lag): expected coherence with the receiver that much further forward."""
    unturn: tuple[NDArray[np.complex128], ...]
    """The same: unit phasors that undo the expected phase."""

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
        n_sample = int(np.searchsorted(delay, compressor.last_delay_s, side="right"))
        first = int(np.searchsorted(delay, sonar.pulse_duration_s * 1.2))
        size = settings.block_samples
        middle = first + (np.arange(max(0, (n_sample - first) // size)) + 0.5) * size
        range_m = (compressor.first_delay_s + middle / compressor.sample_rate_hz) * sound_speed_m_s / 2
        far = compressor.last_delay_s * sound_speed_m_s / 2
        node = np.geomspace(max(0.5, 0.03 * far), far, _NODES)
        table = field_coherence(
            sonar,
            frame,
            node,
            wavelength,
            max(LAGS),
            lambda p, size, s: pattern_gain(p, size, wavelength, s),
        )
        table = _between_nodes(table, node, range_m)
        own = table[0].real
        n = frame.along_m.size
        models = [table[lag][:, : n - lag] / np.sqrt(own[:, : n - lag] * own[:, lag:]) for lag in LAGS]
        belief = ChannelBelief.prepare(
            frame,
            compressor,
            live=sonar.live,
            wave_number=2 * np.pi / wavelength,
            bandwidth_hz=sonar.bandwidth_hz,
            shading=np.ones(n) if shading is None else np.asarray(shading, np.float64),
            settings=settings,
        )
        return cls(
            settings=settings,
            belief=belief,
            live=sonar.live,
            frame=frame,
            wave_number=2 * np.pi / wavelength,
            sound_speed_m_s=sound_speed_m_s,
            first_delay_s=compressor.first_delay_s,
            sample_rate_hz=compressor.sample_rate_hz,
            n_sample=n_sample,
            first=first,
            independent=compressor.band,
            range_m=range_m,
            own=own,
            strength=tuple(np.abs(m) for m in models),
            unturn=tuple(np.conj(m) / np.maximum(np.abs(m), 1e-9) for m in models),
        )

    def start(self) -> ChannelState:
        """Nothing known."""
        shape, n = self.live.shape, len(LAGS)
        return ChannelState(
            n_ping=0,
            line=np.zeros((*shape, 5)),
            link=np.zeros((n, *shape), np.complex128),
            shifted=np.zeros((2, *shape), np.complex128),
            seen=np.zeros((n, *shape)),
            shared=np.zeros((n, *shape)),
            across=np.zeros(shape, np.complex128),
            across_seen=np.zeros(shape),
            information=np.zeros((*shape, shape[1])),
            pull=np.zeros(shape),
            before=np.zeros((*shape, 0), np.complex64),
            live=np.zeros(shape, bool),
            phase_rad=np.zeros(shape),
            n_piece=0,
        )

    def update(
        self,
        state: ChannelState,
        compressed: NDArray[np.complex64],
        *,
        altitude_m: float,
        tilt_rad: float = float("nan"),
        way_m: float = float("nan"),
        usable: bool = True,
    ) -> tuple[ChannelState, ChannelFix]:
        """Take in one ping.

        Parameters
        ----------
        compressed : ndarray of complex64, shape (row, channel, sample)
        altitude_m : float
            Of the array: seabed is looked for beyond 1.2 times it. NaN: the evidence is poor.
        tilt_rad : float
            Of the array's normal below the horizontal, roll included; NaN: rows are not compared.
        way_m : float
            Made good along the array since the last ping; NaN: not known. [m]
        usable : bool
            False for a rejected ping: nothing changes.
        """
        x = compressed[..., : self.n_sample]
        blocks = self._blocks(x, altitude_m) if usable and np.isfinite(altitude_m) else None
        if blocks is None:
            fix = self.belief.fix(state, frozen=True)
            return replace(state, before=state.before[..., :0]), fix
        keep = 1 - 1 / self.settings.memory_pings
        state = self._accumulated(state, x, blocks, keep)
        if x.shape[0] > 1 and np.isfinite(tilt_rad):
            state = self._rows_compared(state, x, blocks, altitude_m, tilt_rad, keep)
        if state.live.any():
            # Points and coinciding centres are read with what was believed before this ping.
            evidence = self._points(x, blocks, state)
            if self.settings.tie_redundant and state.n_piece > self.live.shape[0]:
                evidence += self._redundant(state.before, x, blocks, state, way_m)
            state = _informed(state, evidence, keep)
        believed = self.belief.fix(state, frozen=False)
        if believed.weight is not None:
            state = replace(state, live=believed.live, phase_rad=believed.phase_rad, n_piece=believed.n_piece)
        return replace(state, before=x.copy()), believed

    # ---- evidence ----------------------------------------------------------------------------------------

    def _blocks(self, x: NDArray[np.complex64], altitude_m: float) -> _Blocks | None:
        """Power over range blocks; None where too little seabed stands above the noise."""
        size, n = self.settings.block_samples, self.range_m.size
        if n < 4:
            return None
        part = x[..., self.first : self.first + n * size].view(np.float32).reshape(*x.shape[:2], n, 2 * size)
        power = np.einsum("rmks,rmks->rmk", part, part).astype(np.float64) / size
        usual = np.median(power[self.live], axis=0)
        noise = usual.min()
        seabed = self.range_m > 1.2 * altitude_m
        good = np.flatnonzero(seabed & (usual > (1 + self.settings.least_snr) * noise))
        # A sample more is read on either side of a block.
        good = good[(self.first + good * size > 0) & (self.first + (good + 1) * size < x.shape[-1])]
        if good.size < 4 or not noise > 0:
            return None
        # An even seabed is heard without gaps; single things on nothing are not what the model speaks of.
        if good.size < 0.7 * (good[-1] - good[0] + 1):
            return None
        return _Blocks(size, power, usual, float(noise), good)

    def _gathered(self, x: NDArray[np.complex64], blocks: _Blocks, shift: int) -> NDArray[np.complex64]:
        """Samples of the good blocks, ``shift`` samples later, (row, channel, good block, sample)."""
        n = self.range_m.size * blocks.size
        first = self.first + shift
        part = x[..., max(first, 0) : first + n]
        missing = n - part.shape[-1]
        if missing:
            around = (missing, 0) if first < 0 else (0, missing)
            part = np.pad(part, ((0, 0), (0, 0), around))
        return part.reshape(*x.shape[:2], -1, blocks.size)[:, :, blocks.good]

    def _accumulated(self, state: ChannelState, x, blocks: _Blocks, keep: float) -> ChannelState:
        line = keep * state.line + self._line(blocks)
        link, seen, shared = (keep * a for a in (state.link, state.seen, state.shared))
        shifted = keep * state.shifted
        good, n_independent = blocks.good, blocks.size * self.independent
        level = np.sqrt(blocks.power[..., good])
        here = self._gathered(x, blocks, 0)
        for i, lag in enumerate(LAGS):
            n = x.shape[1] - lag
            norm = blocks.size * level[:, :-lag] * level[:, lag:]
            turn = self.unturn[i][good].T * np.where(
                norm > 0, n_independent / np.where(norm > 0, norm, 1.0), 0.0
            )

            def product(b, lag=lag, turn=turn) -> NDArray[np.complex128]:
                return (np.einsum("rmks,rmks->rmk", np.conj(here[:, :-lag]), b[:, lag:]) * turn).sum(axis=-1)

            link[i, :, :n] += product(here)
            seen[i, :, :n] += good.size * n_independent
            snr = blocks.usual[good] / blocks.noise - 1
            shared[i, :, :n] += (self.strength[i][good] * (snr / (1 + snr))[:, None]).sum(
                axis=0
            ) * n_independent
            if lag == 1:
                shifted[0, :, :n] += product(self._gathered(x, blocks, 1))
                shifted[1, :, :n] += product(self._gathered(x, blocks, -1))
        return replace(
            state, n_ping=state.n_ping + 1, line=line, link=link, seen=seen, shared=shared, shifted=shifted
        )

    def _rows_compared(
        self, state: ChannelState, x, blocks: _Blocks, altitude_m: float, tilt_rad: float, keep: float
    ) -> ChannelState:
        """Add products of receivers above each other, each turned as if it stood at the array's centre."""
        across, seen = keep * state.across, keep * state.across_seen
        sample = self.first + blocks.good[:, None] * blocks.size + np.arange(blocks.size)
        range_m = (self.first_delay_s + sample / self.sample_rate_hz) * self.sound_speed_m_s / 2
        elevation = tilt_rad - np.arcsin(np.minimum(altitude_m / range_m, 1.0))
        offset = self.frame.offset_m.mean(axis=1)
        nearer_m = np.multiply.outer(offset[:, 0], np.cos(elevation))
        nearer_m += np.multiply.outer(offset[:, 1], np.sin(elevation))
        here = self._gathered(x, blocks, 0) * np.exp(-1j * self.wave_number * nearer_m)[:, None].astype(
            np.complex64
        )
        level = np.sqrt(blocks.power[..., blocks.good])
        norm = blocks.size * level[:-1] * level[1:]
        n_independent = blocks.size * self.independent
        product = np.einsum("rmks,rmks->rmk", np.conj(here[:-1]), here[1:]) / np.where(norm > 0, norm, 1.0)
        across[:-1] += product.sum(axis=-1) * n_independent
        seen[:-1] += blocks.good.size * n_independent
        return replace(state, across=across, across_seen=seen)

    def _line(self, blocks: _Blocks) -> NDArray[np.float64]:
        """Sums of power against the median's excess over noise, weighted by what speckle does to both."""
        use = blocks.usual < 2 * blocks.noise
        use[blocks.good] = True
        # In units of the noise, so that pings of any level count alike.
        usual, p = blocks.usual / blocks.noise, blocks.power / blocks.noise
        e = (np.maximum(usual - 1, 0)[:, None] * self.own / np.median(self.own, axis=1)[:, None]).T
        w = use / usual**2
        one = np.broadcast_to(w.sum(), p.shape[:2])
        ee, total = (np.broadcast_to(a, p.shape[:2]) for a in (e**2 @ w, e @ w))
        return np.stack([ee, total, one, np.einsum("mk,rmk->rm", w * e, p), p @ w], axis=-1)

    def _points(self, x, blocks: _Blocks, known: ChannelState) -> list[tuple[int, Evidence]]:
        sample_m = self.sound_speed_m_s / 2 / self.sample_rate_hz
        first_m = self.first_delay_s * self.sound_speed_m_s / 2
        start = self.first + int(blocks.good[0]) * blocks.size
        found = []
        for row in range(x.shape[0]):
            evidence = point_evidence(
                x[row], start, first_m, sample_m, known.live[row], known.phase_rad[row], self.frame.along_m,
                self.wave_number,
            )  # fmt: skip
            found += [(row, e) for e in evidence]
        return found

    def _redundant(
        self, before, x, blocks: _Blocks, known: ChannelState, way_m: float
    ) -> list[tuple[int, Evidence]]:
        if before.shape != x.shape or not np.isfinite(way_m):
            return []
        starts = self.first + blocks.good * blocks.size
        found = []
        for row in range(x.shape[0]):
            evidence = redundant_evidence(
                before[row], x[row], starts, blocks.size, self.independent, known.live[row], known.phase_rad[row],
                self.frame.along_m, way_m,
            )  # fmt: skip
            found += [(row, e) for e in evidence]
        return found


@dataclass(frozen=True, slots=True, eq=False)
class _Blocks:
    size: int
    power: NDArray[np.float64]
    """(row, channel, block)"""
    usual: NDArray[np.float64]
    """(block,) median over live receivers."""
    noise: float
    good: NDArray[np.int64]
    """Numbers of the blocks that show seabed well above the noise."""


def _informed(state: ChannelState, evidence: list[tuple[int, Evidence]], keep: float) -> ChannelState:
    information, pull = keep * state.information, keep * state.pull
    for row, e in evidence:
        information[row] += e.information
        pull[row] += e.pull
    return replace(state, information=information, pull=pull)


def _between_nodes(table, node, value) -> NDArray[np.complex128]:
    """Linear between the nodes of the second axis."""
    at = np.interp(value, node, np.arange(node.size))
    k = np.minimum(at.astype(int), node.size - 2)
    w = (at - k)[None, :, None]
    return (1 - w) * table[:, k] + w * table[:, k + 1]
