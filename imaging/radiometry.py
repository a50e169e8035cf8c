"""Level: what turns the field's intensity into backscatter of the seabed, per unit area.

The sonar equation for a patch of seabed: source level, spreading and absorption both ways, patterns of
transmitter and receivers in the direction cosines of the moving array, insonified area. It is tabled on a few
delays and directions per ping and read linearly in between.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .beamform import Beamformer
from .compress import Compressor
from .geometry import PingGeometry
from .records import Pattern, Sonar

__all__ = ["Level", "Radiometer", "pattern_gain"]

_DIRECTIONS = 17
_LEAST_GAIN = 1e-4
"""Patterns are not trusted below -40 dB: levels there would be noise raised to the sky."""


def pattern_gain(
    pattern: Pattern | None, size_m: float, wavelength_m: float, sine: NDArray[np.float64]
) -> NDArray[np.float64]:
    """One-way intensity gain of an aperture against the sine of the angle from its normal.

    A table where the recording has one, else a uniform line's sinc^2.
    """
    if pattern is None:
        return np.sinc(size_m / wavelength_m * sine) ** 2
    angle = np.arcsin(np.clip(sine, -1, 1))
    return 10 ** (np.interp(angle, pattern.angle_rad, pattern.gain_db) / 10)


@dataclass(frozen=True, slots=True, eq=False)
class Level:
    """Level tables of one ping on (node, direction)."""

    direction: NDArray[np.float64]
    """(u,) direction cosines of the nodes."""
    amplitude: NDArray[np.float32]
    """(node, beam) factor on the field; its squared magnitude then is backscatter. 0 where there is no seabed."""
    noise: NDArray[np.float64]
    """(node,) backscatter that equals a unit noise power of a compressed channel, best direction; inf: no seabed."""
    relative_gain: NDArray[np.float64]
    """(u,) two-way gain of the patterns along the array, 1 at its best."""
    sine_up: NDArray[np.float64]
    """(node,) sine of the seabed's direction above the array normal, middle beam, as rows measure it with the beam
    former's sound speed; 0 where there is none."""


@dataclass(frozen=True, slots=True, eq=False)
class Radiometer:
    """One side's level, planned once."""

    sonar: Sonar
    wavelength_m: float
    sound_speed_m_s: float
    absorption_db_m: float
    source: float
    """Intensity of a unit target at 1 m in stored units: source level, sensitivity, scale."""
    cell: float
    """Equivalent range length times equivalent direction width. [m]"""
    direction: NDArray[np.float64]
    noise_gain: float
    to_beams: NDArray[np.float64]
    """(u, beam) spline interpolation from the nodes to the beams."""
    receive_along: NDArray[np.float64]
    """(node, u) gain of the receivers along the array, each seen from its own place."""
    transmit_apart_m: NDArray[np.float64]
    """(3,) transmitter from the array centre, on the array's axes. [m]"""

    @classmethod
    def prepare(
        cls,
        sonar: Sonar,
        compressor: Compressor,
        beamformer: Beamformer,
        delay_s: NDArray[np.float64],
        *,
        sound_speed_m_s: float,
        absorption_db_m: float,
    ) -> Radiometer:
        """Plan the level for the delays ``delay_s`` (node,)."""
        from scipy.interpolate import CubicSpline  # a slow import that planning alone needs

        direction = np.linspace(beamformer.direction[0], beamformer.direction[-1], _DIRECTIONS)
        range_m = np.maximum(sound_speed_m_s * delay_s / 2, 0.1)[:, None, None]
        x = beamformer.frame.along_m
        seen = direction[None, :, None] * range_m - x
        seen = seen / np.sqrt(range_m**2 - 2 * range_m * direction[None, :, None] * x + x**2)
        gain = pattern_gain(
            sonar.pattern_receive_along, float(sonar.receive_size_m[0]), beamformer.wavelength_m, seen
        )
        receive_along = np.maximum((np.sqrt(gain) @ beamformer.shading) ** 2, _LEAST_GAIN)
        apart = beamformer.frame.axes @ (sonar.transmit_position_m - beamformer.frame.centre_m)
        return cls(
            sonar=sonar,
            wavelength_m=beamformer.wavelength_m,
            sound_speed_m_s=sound_speed_m_s,
            absorption_db_m=absorption_db_m,
            source=_source_intensity(sonar),
            cell=sound_speed_m_s / 2 * compressor.equivalent_width_s * beamformer.equivalent_width,
            direction=direction,
            noise_gain=beamformer.noise_gain,
            to_beams=CubicSpline(direction, np.eye(direction.size))(beamformer.direction).T,
            receive_along=receive_along,
            transmit_apart_m=apart,
        )

    def run(self, geometry: PingGeometry, receiver_gain_db: float) -> Level:
        """Table the level of one ping.

        Parameters
        ----------
        geometry : PingGeometry
            With the delays that were planned.
        receiver_gain_db : float
            Already applied to the echo. [dB]
        """
        sonar, u = self.sonar, self.direction
        travel_m = np.maximum((self.sound_speed_m_s * geometry.delay_s + self.transmit_apart_m[1]) / 2, 0.05)
        range_m, area, bend, ratio = _bent(geometry, travel_m)
        straight = geometry.seabed_direction(range_m, u, bend)
        point = geometry.centre_m[:, None, :] + range_m[:, None, None] * straight
        sent = point - geometry.transmitter_m
        sent_m = np.linalg.norm(sent, axis=2)
        # Direction cosines that the array measures turn into true ones by the ratio of sound speeds.
        turned = ratio * bend[:, None, [0, 0, 1]]
        sent_sine = (sent * turned) @ geometry.transmit_axes.T / sent_m[..., None]
        up = np.einsum("kud,kd->ku", straight * turned, geometry.axes[:, 2])

        size_t, size_r = sonar.transmit_size_m, sonar.receive_size_m
        wave = self.wavelength_m
        along = self.receive_along * np.maximum(
            pattern_gain(sonar.pattern_transmit_along, size_t[0], wave, sent_sine[..., 0]), _LEAST_GAIN
        )
        vertical = pattern_gain(sonar.pattern_transmit_vertical, size_t[1], wave, sent_sine[..., 2])
        vertical = vertical * pattern_gain(sonar.pattern_receive_vertical, size_r[1], wave, up)
        # The cell of a delay and a direction is the inverse of their gradients' vector product on the seabed.
        across = np.cross(straight, geometry.axes[:, None, 0]) @ geometry.seabed_normal
        area = self.cell * (area * range_m)[:, None] / np.maximum(np.abs(across), 1e-2)
        spread = (sent_m * range_m[:, None]) ** -2.0
        absorbed = 10 ** (-self.absorption_db_m * (sent_m + range_m[:, None]) / 10)
        source = self.source * 10 ** (receiver_gain_db / 10)
        gain = source * along * np.maximum(vertical, _LEAST_GAIN) * spread * absorbed * area

        middle = u.size // 2
        seen = np.isfinite(gain)
        amplitude = np.where(seen, 1 / np.sqrt(np.where(seen, gain, 1.0)), 0.0)
        best = np.where(seen, gain, 0.0).max(axis=1)
        far = int(np.argmax(np.where(seen.all(axis=1), np.arange(seen.shape[0]), -1)))
        relative = np.where(seen[far], along[far], 0.0)
        noise = np.full(best.size, np.inf)
        np.divide(self.noise_gain, best, out=noise, where=best > 0)
        return Level(
            direction=u,
            amplitude=(amplitude @ self.to_beams).astype(np.float32),
            noise=noise,
            relative_gain=relative / max(relative.max(), 1e-30),
            sine_up=np.nan_to_num(up[:, middle] / ratio),
        )


def _bent(
    geometry: PingGeometry, travel_m: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], float]:
    """Straight range, area of a cell over its straight one, what bends directions (node, 2), and the speeds' ratio."""
    if geometry.rays is None:
        one = np.ones(travel_m.size)
        return travel_m, one, np.stack([one, one], axis=1), 1.0
    range_m, (_, curve, level, down) = geometry.rays.at_travel(travel_m)
    share = range_m / travel_m
    return (
        range_m,
        1 / (share**2 * curve * level),
        np.stack([level, down], axis=1) * share[:, None],
        (geometry.rays.array_speed_ratio),
    )


def _source_intensity(sonar: Sonar) -> float:
    """Stored intensity of the echo of a unit target at 1 m, without gains."""
    pascal = 1.0
    if sonar.source_level_db is not None:
        # Levels are of root mean square pressure; the analytic signal's peak is sqrt(2) of it.
        pascal = 2 * 1e-12 * 10 ** (sonar.source_level_db / 10)
    if sonar.echo_unit == "V" and sonar.receiver_sensitivity_db is not None:
        pascal *= 1e12 * 10 ** (sonar.receiver_sensitivity_db / 10)
    return pascal / sonar.echo_scale**2
