"""One side of the sonar: its prepared stages, and what it remembers from ping to ping."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ._lay_kernels import Readout
from .average import Accumulator, field_correlation
from .beamform import Beamformer
from .combine import Combiner
from .compress import Compressor
from .estimate.noise import NoiseState
from .lay import field_taps
from .level_nodes import level_delays
from .radiometry import Radiometer
from .records import Sonar
from .refraction import WaterColumn
from .row_weights import CombineSettings, RowPlan

__all__ = ["HISTORY", "SidePlan", "SideState"]

HISTORY = 16
"""Looks back that may share speckle."""


@dataclass(frozen=True, slots=True, eq=False)
class SidePlan:
    """The prepared stages of one side."""

    sonar: Sonar
    compressor: Compressor
    combiner: Combiner
    beamformer: Beamformer
    radiometer: Radiometer
    rows: RowPlan
    delay_s: NDArray[np.float64]
    """(node,) delays at which geometry and level are tabled."""
    steps: int
    """Of theirs in a block over which the adaptive rows learn."""
    readout: Readout
    overlap_step_m: float
    overlap: NDArray[np.float64]
    """Field correlation of two looks against their distance along the array, in equal steps from 0."""

    @classmethod
    def prepare(
        cls,
        sonar: Sonar,
        compressor: Compressor,
        beamformer: Beamformer,
        *,
        water: WaterColumn,
        absorption: float,
        rows: CombineSettings,
        altitude_m: float,
        steepest_rad: float,
    ) -> SidePlan:
        """Table what the stages after the beam former need.

        Absorption is one way, in dB/m; altitude and the steepest grazing angle bound what is seen.
        """
        speed = water.reference_m_s
        delay, steps = level_delays(
            sonar,
            compressor.first_delay_s,
            compressor.last_delay_s,
            sound_speed_m_s=speed,
            wavelength_m=beamformer.wavelength_m,
            altitude_m=altitude_m,
            steepest_rad=steepest_rad,
        )
        radiometer = Radiometer.prepare(
            sonar, compressor, beamformer, delay, sound_speed_m_s=speed, absorption_db_m=absorption
        )
        overlap_m = np.linspace(0, beamformer.frame.length_m / 2 * 1.02, 129)
        overlap = field_correlation(beamformer.frame.along_m, beamformer.shading, overlap_m)
        combiner = Combiner.prepare(sonar, compressor, sound_speed_m_s=water.beams_m_s)
        in_delay, in_direction = field_taps(compressor, beamformer)
        # Eight taps reach beyond either end, where the field is zero, as half way filters do.
        edge = 1.0 if in_delay.size == 2 * in_direction.size else 0.5
        readout = Readout(
            first_delay_s=beamformer.first_delay_s,
            first_sample=edge,
            last_sample=beamformer.n_sample * beamformer.upsampling - (3.0 if edge == 1.0 else 1.5),
            rate_hz=beamformer.sample_rate_hz,
            direction_first=float(beamformer.direction[0]),
            direction_step=float(beamformer.direction[1] - beamformer.direction[0]),
            last_delay_s=compressor.last_delay_s,
            delay_taps=in_delay,
            direction_taps=in_direction,
        )
        return cls(
            sonar=sonar,
            compressor=compressor,
            combiner=combiner,
            beamformer=beamformer,
            radiometer=radiometer,
            rows=RowPlan.prepare(
                rows, combiner.frame.offset_m.mean(axis=1), combiner.live, beamformer.wavelength_m
            ),
            delay_s=delay,
            steps=steps,
            readout=readout,
            overlap_step_m=float(overlap_m[1]),
            overlap=overlap,
        )


@dataclass(slots=True, eq=False)
class SideState:
    """What one side remembers from ping to ping."""

    accumulator: Accumulator | None = None
    noise: NoiseState = NoiseState()
    row_covariance: NDArray[np.complex128] | None = None
    """(block, row, row) of the rows aligned at the seabed, mean over the latest pings."""
    row_pings: int = 0
    """Pings in it."""
    history_m: NDArray[np.float64] = field(default_factory=lambda: np.full((HISTORY, 3), np.nan))
    """(16, 3) two-way phase centres of the latest looks in the strip frame, newest first. [m]"""
    line: NDArray[np.float32] | None = None
    """(3, column) along, power, noise of the last broadside line."""
    line_along_m: NDArray[np.float64] | None = None
    keep_sums: bool = False
    """Whether tiles come with the sums that they were made of."""
    left_out: NDArray[np.int64] = field(default_factory=lambda: np.empty((0, 2, 0), np.int64))
    """(ping, 2, column) rows that pings left out would have covered, as far as they are still open."""
