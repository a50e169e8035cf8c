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

from ..compress import Compressor, replica
from ..errors import ParameterError
from ..frames import ArrayFrame, array_frame, rotation
from ..radiometry import pattern_gain
from ..records import Sonar

__all__ = ["BottomFix", "BottomState", "BottomTrackSettings", "BottomTracker", "choose_altitude"]

_RHO_FIRST, _RHO_LAST, _RHO_STEP = 0.97, 8.0, 5e-4
"""Range over altitude at which the law is tabled."""
_LOOKS = 8.0
"""Receivers count as so many independent looks at most: a law is never exact."""
_TOLERANCE = 4.0
"""Factor by which the seabed's power may leave the law before that speaks against an altitude."""
_LEAST_GAIN_RATIO = 1e-6
"""Directions this far below the strongest return nothing that can be told from sidelobes."""


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
    sonar: Sonar
    frame: ArrayFrame
    wavelength_m: float
    range_m: NDArray[np.float64]
    """(sample,) half the path. [m]"""
    cell_m: float
    """Slant range cell, -3 dB. [m]"""
    blur_m: float
    """Integral width of a compressed pulse. [m]"""
    pulse: NDArray[np.float64]
    """(tap,) intensity of a compressed pulse, a quarter cell apart, sum 1."""
    pulse_samples: int
    sidelobes: float
    """Energy of a compressed pulse outside its main lobe, over all of it."""
    first: int
    """First sample after the transmission."""
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
        frame = array_frame(sonar)
        delay = compressor.first_delay_s + np.arange(compressor.n_out) / compressor.sample_rate_hz
        range_m = sound_speed_m_s * delay / 2
        # Up to a pulse's length after its end the transmission itself is compressed.
        blind = int(np.searchsorted(delay, sonar.pulse_duration_s * 0.6))
        nearest = int(np.searchsorted(range_m, 0.5 * settings.nearest_m))
        blur = compressor.equivalent_width_s * sound_speed_m_s / 2
        return cls(
            settings=settings,
            sonar=sonar,
            frame=frame,
            wavelength_m=sound_speed_m_s / compressor.carrier_hz,
            range_m=range_m[delay <= compressor.last_delay_s],
            cell_m=0.886 * blur,
            blur_m=blur,
            pulse=_pulse(compressor, 0.886 * blur / 4 * 2 / sound_speed_m_s),
            pulse_samples=int(np.ceil(sonar.pulse_duration_s * compressor.sample_rate_hz)),
            sidelobes=_sidelobe_energy(sonar, compressor),
            first=max(blind, nearest) if range_m[0] < settings.nearest_m else 0,
            half_baseline_m=(sonar.transmit_position_m + frame.centre_m) / 2,
        )

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
        given_altitude_m: float = float("nan"),
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
        given_altitude_m : float
            What the navigation says; NaN where it says nothing. It helps to choose among candidates when there is
            no track and is compared by :func:`choose_altitude`; it never enters the estimate.
        water_depth_m : float, optional
            Bounds the search: the seabed is not looked for much deeper.
        """
        turn = rotation(0.0, pitch_rad, roll_rad)
        lever = float((turn @ self.half_baseline_m)[2])
        state = _predicted(state, way_m, self.settings)
        power = self._power(compressed)
        law = self._law(turn, state.slope if state.n_fix >= self.settings.confirm_after else 0.0)
        window = self._window(state, depth_m + lever, given_altitude_m - lever, water_depth_m)
        if window[1] - window[0] < self.cell_m:
            return state, _declined("no range in which a seabed could lie")
        height, std, contrast = self._search(power, law, window, depth_m)
        if not np.isfinite(height):
            return self._missed(state, depth_m, contrast)
        return self._fixed(state, height + lever, std, contrast, depth_m)

    # ---- what a ping shows -------------------------------------------------------------------------------

    def _power(self, compressed: NDArray[np.complex64]) -> NDArray[np.float64]:
        """Median over receivers would be blind to speckle; their mean without the loudest tenth is robust."""
        live = compressed[self.sonar.live][:, : self.range_m.size]
        power = live.real.astype(np.float64) ** 2 + live.imag.astype(np.float64) ** 2
        level = np.median(power, axis=1)
        usual = np.median(level)
        alive = (level > usual / 30) & (level < usual * 30) if usual > 0 else level > 0
        return power[alive].mean(axis=0) if alive.any() else power.mean(axis=0)

    def _law(self, turn: NDArray[np.float64], slope: float) -> NDArray[np.float64]:
        """Echo power, integrated over range in units of the altitude, on the table of range over altitude."""
        along = np.sin(np.deg2rad(np.linspace(-12, 12, 25)))[:, None]
        theta = np.deg2rad(np.concatenate([np.linspace(-20, 20, 201), np.linspace(20.25, 83, 252)]))
        weight = np.gradient(theta)
        # Rows interleave (11 and 25 have no common divisor), or the table would be jagged where rows fall together.
        theta = theta + ((np.arange(25) * 11 % 25)[:, None] / 25 - 0.48) * weight
        sign = 1.0 if self.sonar.side == "starboard" else -1.0
        flat = np.sqrt(1 - along**2)
        ray = np.stack(np.broadcast_arrays(along, sign * flat * np.sin(theta), flat * np.cos(theta)), axis=-1)
        gain = self._gain(ray, turn)
        facing = (ray[..., 2] - slope * ray[..., 0]) / np.hypot(1.0, slope)
        rho = 1 / np.maximum((ray[..., 2] - slope * ray[..., 0]), 1e-3)
        # Lambert's cosine squared, over the cosine that turns solid angle into area, over range squared.
        echo = gain * np.maximum(facing, 0) / rho**2 * weight
        edge = np.arange(_RHO_FIRST, _RHO_LAST, _RHO_STEP)
        total, _ = np.histogram(rho, bins=edge, weights=echo)
        law = np.concatenate([[0.0], np.cumsum(total)])
        return law / max(law[-1], 1e-300)

    def _gain(self, ray: NDArray[np.float64], turn: NDArray[np.float64]) -> NDArray[np.float64]:
        sonar, wave = self.sonar, self.wavelength_m
        sine = ray @ (turn @ self.frame.axes.T)
        ends = (
            (sonar.pattern_transmit_along, sonar.transmit_size_m[0], 0),
            (sonar.pattern_transmit_vertical, sonar.transmit_size_m[1], 2),
            (sonar.pattern_receive_along, sonar.receive_size_m[0], 0),
            (sonar.pattern_receive_vertical, sonar.receive_size_m[1], 2),
        )
        gain = np.ones(ray.shape[:-1])
        for pattern, size, axis in ends:
            gain = gain * pattern_gain(pattern, float(size), wave, sine[..., axis])
        # Behind the array's face nothing is sent; a line's pattern alone does not know that.
        return np.where(sine[..., 1] > -0.5, np.maximum(gain, gain.max() * _LEAST_GAIN_RATIO), 0.0)

    def _window(
        self, state: BottomState, depth_m: float, given_m: float, water_depth_m: float | None
    ) -> tuple[float, float]:
        """Nearest and farthest height of the array over the seabed that is looked at."""
        low = max(self.settings.nearest_m, self.range_m[min(self.first, self.range_m.size - 1)])
        high = self.settings.farthest_m or 0.8 * self.range_m[-1]
        if water_depth_m is not None:
            high = min(high, 1.2 * max(water_depth_m - depth_m, 1.0) + 1.0)
        if state.is_locked:
            half = self.settings.window_m + 4 * np.sqrt(state.variance[0])
            middle = state.depth_m - depth_m
            return max(low, middle - half), min(high, middle + half)
        del given_m  # a given altitude never narrows the search: it may be what is wrong
        return low, high

    def _search(
        self,
        power: NDArray[np.float64],
        law: NDArray[np.float64],
        window: tuple[float, float],
        depth_m: float,
    ) -> tuple[float, float, float]:
        """Most likely height within the window, its standard deviation and contrast; NaN where none stands out."""
        range_m = self.range_m
        spacing = range_m[1] - range_m[0]
        a = max(self.first, int(np.searchsorted(range_m, window[0] - 2.0)))
        b = int(np.searchsorted(range_m, 1.35 * window[1] + 1.0))
        part = slice(a, max(min(b, range_m.size), a + 16))
        power, where = power[part], range_m[part]
        if power.size < 32:
            return np.nan, np.nan, 0.0
        quiet = _quiet(power, self.pulse_samples, self.sidelobes)
        ignore = self._surface(where, depth_m)
        coarse = np.arange(window[0], window[1], max(spacing, self.cell_m / 2))
        score = self._score(power, where, law, coarse, quiet, ignore)
        k = int(np.argmax(score))
        contrast = self._contrast(power, where, law, coarse[k], quiet)
        empty = self._score(power, where, law, np.array([1e9]), quiet, ignore)[0]
        stands_out = score[k] - empty > 4 * self.settings.clip
        if not stands_out or contrast < self.settings.contrast:
            return np.nan, np.nan, contrast
        height, std = self._refined(power, where, law, coarse[k], quiet)
        return height, float(np.hypot(std, 0.15 * self.cell_m)), contrast

    def _refined(self, power, where, law, height: float, quiet) -> tuple[float, float]:
        """Height and its standard deviation from the samples around the onset, with the pulse's own shape."""
        cell = self.cell_m
        candidate = height + np.arange(-24, 25) * cell / 12
        reach = max(8 * cell, 0.03 * height)
        local = np.abs(where - height - reach / 2 + 2 * cell) < reach / 2 + 2 * cell
        power, where, quiet = power[local], where[local], quiet[local]
        step = cell / 4
        half = self.pulse.size // 2
        rho = np.arange(law.size) * _RHO_STEP + _RHO_FIRST
        edge = where[:, None] + (np.arange(-half, half + 2) - 0.5) * step
        shape = np.diff(np.interp(edge / candidate[:, None, None], rho, law), axis=-1) @ self.pulse
        top = shape.max(axis=1, keepdims=True)
        heard = shape > 0.1 * np.maximum(top, 1e-300)
        share = np.where(heard, power / np.where(heard, shape, 1.0), 0.0)
        scale = share.sum(axis=1) / np.maximum(heard.sum(axis=1), 1)
        x = power / (quiet + scale[:, None] * shape)
        score = -(_LOOKS * np.minimum(x - 1 - np.log(np.maximum(x, 1e-12)), 4.0)).sum(axis=1)
        return _moments(candidate, score)

    def _surface(self, where: NDArray[np.float64], depth_m: float) -> NDArray[np.bool_]:
        """Samples at which the surface straight above may echo; they speak for no altitude."""
        return np.abs(where - depth_m) < 2 * self.cell_m + 0.05

    def _expected(
        self, where: NDArray[np.float64], law: NDArray[np.float64], height: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Mean echo power at each sample for each height, any scale; (height, sample)."""
        rho = np.arange(law.size) * _RHO_STEP + _RHO_FIRST
        half = self.blur_m / 2
        upper = np.interp((where + half) / height[:, None], rho, law)
        lower = np.interp((where - half) / height[:, None], rho, law)
        return (upper - lower) / self.blur_m

    def _score(self, power, where, law, height, quiet, ignore) -> NDArray[np.float64]:
        """Log likelihood of each height, against that of a perfect law, each sample's share clipped."""
        out = np.empty(height.size)
        for first in range(0, height.size, 64):
            some = height[first : first + 64]
            shape = self._expected(where, law, some)
            top = shape.max(axis=1, keepdims=True)
            heard = shape > 1e-3 * np.maximum(top, 1e-300)
            ratio = np.where(heard, power / np.where(heard, shape, 1.0), np.nan)
            scale = _row_median(ratio)
            mean = quiet + np.maximum(scale, 0)[:, None] * shape
            x = power / mean
            # A real seabed is no Lambert plane: within a factor nothing speaks against the law.
            x = x / np.clip(x, 1 / _TOLERANCE, _TOLERANCE)
            deviance = _LOOKS * (x - 1 - np.log(np.maximum(x, 1e-12)))
            beyond = where > _RHO_LAST * some[:, None]
            deviance = np.where(ignore | beyond, 0.0, np.minimum(deviance, self.settings.clip))
            out[first : first + 64] = -deviance.sum(axis=1)
        return out

    def _contrast(self, power, where, law, height: float, quiet) -> float:
        shape = self._expected(where, law, np.array([height]))[0]
        loud = shape > 0.25 * shape.max()
        return float(np.median(power[loud]) / quiet.min()) if loud.any() else 0.0

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


def _quiet(power: NDArray[np.float64], pulse_samples: int, sidelobes: float) -> NDArray[np.float64]:
    """What is heard where there is no seabed: the stillest stretch, or range sidelobes of what lies within a pulse."""
    n = power.size // 8
    blocks = power[: 8 * n].reshape(n, 8).mean(axis=1)
    calm = np.maximum.reduce([blocks[i : n - 2 + i] for i in range(3)]).min()
    total = np.concatenate([[0.0], np.cumsum(power)])
    k = np.arange(power.size)
    first, last = np.maximum(k - pulse_samples, 0), np.minimum(k + pulse_samples + 1, power.size)
    around = (total[last] - total[first]) / (last - first)
    return np.maximum(max(calm, 1e-300), sidelobes * around)


def _sidelobe_energy(sonar: Sonar, compressor: Compressor) -> float:
    pulse = replica(sonar)
    echo = np.zeros((*sonar.live.shape, sonar.n_sample), np.complex64)
    start = (sonar.n_sample - pulse.size) // 2
    gain = 1.0 if compressor.gain is None else compressor.gain[start : start + pulse.size]
    echo[..., start : start + pulse.size] = pulse / gain
    power = np.abs(compressor.run(echo)[0, 0]) ** 2
    reach = int(np.ceil(2 / (compressor.band)))
    peak = int(np.argmax(power))
    return float(1 - power[max(peak - reach, 0) : peak + reach + 1].sum() / power.sum())


def _row_median(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Median of each row's finite values; 0 where a row has none."""
    n = np.isfinite(values).sum(axis=1)
    order = np.sort(np.where(np.isfinite(values), values, np.inf), axis=1)
    at = np.maximum((n - 1) // 2, 0)
    return np.where(n > 0, order[np.arange(n.size), at], 0.0)


def _moments(height: NDArray[np.float64], score: NDArray[np.float64]) -> tuple[float, float]:
    """Mean and standard deviation of the likelihood: kinder than its maximum where it is uneven."""
    weight = np.exp(score - score.max())
    weight /= weight.sum()
    mean = float(weight @ height)
    return mean, float(np.sqrt(weight @ (height - mean) ** 2))


def _pulse(compressor: Compressor, step_s: float) -> NDArray[np.float64]:
    """Intensity of a compressed unit echo over two cells either way."""
    t = np.arange(-8, 9) * step_s
    f = np.linspace(-0.5, 0.5, compressor.unit_spectrum.size) * compressor.band * compressor.sample_rate_hz
    power = np.abs(np.exp(2j * np.pi * t[:, None] * f) @ compressor.unit_spectrum) ** 2
    return power / power.sum()


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
