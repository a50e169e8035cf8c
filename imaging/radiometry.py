"""Level: what turns the field's intensity into backscatter of the seabed, per unit area.

The sonar equation for a patch of seabed: source level, spreading and absorption both ways, patterns of
transmitter and receivers in the direction cosines of the moving array, insonified area. It is tabled on a few
delays and directions per ping and read linearly in between.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from . import _level_kernels as kernels
from ._lanes import LANES
from .beamform import Beamformer
from .compress import Compressor
from .geometry import PingGeometry
from .records import Pattern, Sonar
from .refraction import RayTable

__all__ = ["LEAST_GAIN", "Level", "Radiometer", "pattern_gain"]

_DIRECTIONS = 17
LEAST_GAIN = 1e-4
"""Patterns are not trusted below -40 dB: levels there would be noise raised to the sky."""

_NEPER_PER_DB = math.log(10) / 10
"""Of intensity."""

_MOST_PATTERN_NODES = 1 << 15

_STRAIGHT = RayTable(1.0, np.ones((4, 1)), np.ones(1), np.ones(1), 1.0)
"""Travel and straight distance are the same."""


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

    sound_speed_m_s: float
    absorption_db_m: float
    source: float
    """Intensity of a unit target at 1 m in stored units: source level, sensitivity, scale."""
    cell: float
    """Equivalent range length times equivalent direction width. [m]"""
    direction: NDArray[np.float64]
    noise_gain: float
    n_beam: int
    to_beams: NDArray[np.float32]
    """(u * beams in whole vectors,) spline interpolation from the nodes to the beams."""
    receive_along: NDArray[np.float64]
    """(node, u) gain of the receivers along the array, each seen from its own place."""
    patterns: tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]
    """Amplitudes: transmitter along the array, transmitter and receivers upward, against the sine from -1 to 1."""
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
        direction = np.linspace(beamformer.direction[0], beamformer.direction[-1], _DIRECTIONS)
        range_m = np.maximum(sound_speed_m_s * delay_s / 2, 0.1)[:, None, None]
        x = beamformer.frame.along_m
        seen = direction[None, :, None] * range_m - x
        seen = seen / np.sqrt(range_m**2 - 2 * range_m * direction[None, :, None] * x + x**2)
        gain = pattern_gain(
            sonar.pattern_receive_along, float(sonar.receive_size_m[0]), beamformer.wavelength_m, seen
        )
        receive_along = np.maximum((np.sqrt(gain) @ beamformer.shading) ** 2, LEAST_GAIN)
        wavelength = beamformer.wavelength_m
        apart = beamformer.frame.axes @ (sonar.transmit_position_m - beamformer.frame.centre_m)
        return cls(
            sound_speed_m_s=sound_speed_m_s,
            absorption_db_m=absorption_db_m,
            source=_source_intensity(sonar),
            cell=sound_speed_m_s / 2 * compressor.equivalent_width_s * beamformer.equivalent_width,
            direction=direction,
            noise_gain=beamformer.noise_gain,
            n_beam=beamformer.direction.size,
            to_beams=_at_beams(direction, beamformer.direction),
            receive_along=receive_along,
            patterns=(
                _tabled(sonar.pattern_transmit_along, float(sonar.transmit_size_m[0]), wavelength),
                _tabled(sonar.pattern_transmit_vertical, float(sonar.transmit_size_m[1]), wavelength),
                _tabled(sonar.pattern_receive_vertical, float(sonar.receive_size_m[1]), wavelength),
            ),
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
        rays = geometry.rays or _STRAIGHT
        n_node = self.receive_along.shape[0]
        amplitude = np.empty((n_node, self.n_beam), np.float32)
        sine_up, noise, relative = np.empty(n_node), np.empty(n_node), np.empty(self.direction.size)
        kernels.tabulate_level(
            geometry.delay_s,
            self.sound_speed_m_s,
            float(self.transmit_apart_m[1]),
            rays.travel_m,
            rays.slant_m,
            rays.factor,
            rays.array_speed_ratio,
            self.direction,
            geometry.transmitter_m,
            geometry.transmit_axes,
            geometry.centre_m,
            geometry.axes,
            geometry.seabed_plane,
            float(geometry.side_sign),
            self.receive_along,
            *self.patterns,
            LEAST_GAIN,
            self.source * self.cell * 10 ** (receiver_gain_db / 10),
            self.absorption_db_m * _NEPER_PER_DB,
            self.noise_gain,
            self.to_beams,
            amplitude,
            noise,
            relative,
            sine_up,
        )
        return Level(
            direction=self.direction,
            amplitude=amplitude,
            noise=noise,
            relative_gain=relative,
            sine_up=sine_up,
        )


def _at_beams(node: NDArray[np.float64], beam: NDArray[np.float64]) -> NDArray[np.float32]:
    """What values at the nodes are multiplied by to be read at the beams; zeros fill the last vector."""
    from scipy.interpolate import CubicSpline  # a slow import that planning alone needs

    factor = np.zeros((node.size, -(-beam.size // LANES) * LANES), np.float32)
    factor[:, : beam.size] = CubicSpline(node, np.eye(node.size))(beam).T
    return factor.ravel()


def _tabled(pattern: Pattern | None, size_m: float, wavelength_m: float) -> NDArray[np.float64]:
    """A pattern's amplitude on equally spaced sines from -1 to 1, fine enough to be read linearly."""
    # 256 nodes for each lobe of a uniform aperture, or eight for each of a table's own intervals: within 1e-4.
    finest = wavelength_m / size_m / 256
    if pattern is not None:
        finest = (
            float(np.diff(np.sin(np.clip(pattern.angle_rad, -np.pi / 2, np.pi / 2))).clip(1e-9).min()) / 8
        )
    n = int(np.clip(2 / finest, 512, _MOST_PATTERN_NODES)) // 2 * 2 + 1
    return np.sqrt(pattern_gain(pattern, size_m, wavelength_m, np.linspace(-1, 1, n)))


def _source_intensity(sonar: Sonar) -> float:
    """Stored intensity of the echo of a unit target at 1 m, without gains."""
    pascal = 1.0
    if sonar.source_level_db is not None:
        # Levels are of root mean square pressure; the analytic signal's peak is sqrt(2) of it.
        pascal = 2 * 1e-12 * 10 ** (sonar.source_level_db / 10)
    if sonar.echo_unit == "V" and sonar.receiver_sensitivity_db is not None:
        pascal *= 1e12 * 10 ** (sonar.receiver_sensitivity_db / 10)
    return pascal / sonar.echo_scale**2
