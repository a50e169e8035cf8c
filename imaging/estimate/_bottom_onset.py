"""What one ping shows of the seabed: its power against what a plane seabed at each altitude would return."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..compress import Compressor, replica
from ..frames import ArrayFrame, array_frame
from ..radiometry import pattern_gain
from ..records import Sonar

__all__ = ["OnsetSearch"]

_RHO_FIRST, _RHO_LAST, _RHO_STEP = 0.97, 8.0, 5e-4
"""Range over altitude at which the law is tabled."""
_LOOKS = 8.0
"""Receivers count as so many independent looks at most: a law is never exact."""
_TOLERANCE = 4.0
"""Factor by which the seabed's power may leave the law before that speaks against an altitude."""
_LEAST_GAIN_RATIO = 1e-6
"""Directions this far below the strongest return nothing that can be told from sidelobes."""


@dataclass(frozen=True, slots=True, eq=False)
class OnsetSearch:
    """One side's search for the first seabed echo in a ping, planned once."""

    clip: float
    """Most that one sample may speak against an altitude, in units of log likelihood."""
    least_contrast: float
    """Least ratio of the first seabed echo to what is heard before it."""
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

    @classmethod
    def prepare(
        cls,
        sonar: Sonar,
        compressor: Compressor,
        *,
        sound_speed_m_s: float,
        nearest_m: float,
        clip: float,
        least_contrast: float,
    ) -> OnsetSearch:
        """Plan the search for one array; ``nearest_m`` is the smallest altitude that is looked for. [m]"""
        delay = compressor.first_delay_s + np.arange(compressor.n_out) / compressor.sample_rate_hz
        range_m = sound_speed_m_s * delay / 2
        # Up to a pulse's length after its end the transmission itself is compressed.
        blind = int(np.searchsorted(delay, sonar.pulse_duration_s * 0.6))
        nearest = int(np.searchsorted(range_m, 0.5 * nearest_m))
        blur = compressor.equivalent_width_s * sound_speed_m_s / 2
        return cls(
            clip=clip,
            least_contrast=least_contrast,
            sonar=sonar,
            frame=array_frame(sonar),
            wavelength_m=sound_speed_m_s / compressor.carrier_hz,
            range_m=range_m[delay <= compressor.last_delay_s],
            cell_m=0.886 * blur,
            blur_m=blur,
            pulse=_pulse(compressor, 0.886 * blur / 4 * 2 / sound_speed_m_s),
            pulse_samples=int(np.ceil(sonar.pulse_duration_s * compressor.sample_rate_hz)),
            sidelobes=_sidelobe_energy(sonar, compressor),
            first=max(blind, nearest) if range_m[0] < nearest_m else 0,
        )

    def power(self, compressed: NDArray[np.complex64]) -> NDArray[np.float64]:
        """Median over receivers would be blind to speckle; their mean without the loudest tenth is robust."""
        live = compressed[self.sonar.live][:, : self.range_m.size]
        power = live.real.astype(np.float64) ** 2 + live.imag.astype(np.float64) ** 2
        level = np.median(power, axis=1)
        usual = np.median(level)
        alive = (level > usual / 30) & (level < usual * 30) if usual > 0 else level > 0
        return power[alive].mean(axis=0) if alive.any() else power.mean(axis=0)

    def law(self, turn: NDArray[np.float64], slope: float) -> NDArray[np.float64]:
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

    def search(
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
        stands_out = score[k] - empty > 4 * self.clip
        if not stands_out or contrast < self.least_contrast:
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
            deviance = np.where(ignore | beyond, 0.0, np.minimum(deviance, self.clip))
            out[first : first + 64] = -deviance.sum(axis=1)
        return out

    def _contrast(self, power, where, law, height: float, quiet) -> float:
        shape = self._expected(where, law, np.array([height]))[0]
        loud = shape > 0.25 * shape.max()
        return float(np.median(power[loud]) / quiet.min()) if loud.any() else 0.0


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
