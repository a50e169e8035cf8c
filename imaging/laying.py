"""One ping's field laid onto the open rows: many looks, or one broadside line."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from . import _lay_kernels as kernels
from . import _line_kernels as lines
from ._geometry_kernels import find_footprint
from ._lanes import LANES
from ._lay_kernels import Readout, Weights, Work
from ._panel_kernels import Sight, Strip
from .average import AverageSettings, correlation_sums, look_weights
from .beamform import FieldBuffer
from .errors import DataError
from .geometry import PingGeometry
from .lay import Grid, GridSettings
from .open_rows import LARGEST_GAP_M
from .radiometry import Level
from .records import Ping
from .side import SidePlan, SideState

__all__ = ["Layer", "footprint"]

_TABLE = 257
"""Entries of the weight tables over direction cosine."""


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """What lays fields onto the strip grid."""

    grid: Grid
    settings: GridSettings
    average: AverageSettings
    sound_speed_m_s: float
    work: Mapping[str, Work]
    """Working memory of each side."""

    @classmethod
    def prepare(
        cls,
        grid: Grid,
        settings: GridSettings,
        average: AverageSettings,
        sound_speed_m_s: float,
        sides: Iterable[str],
    ) -> Layer:
        """Set working memory aside for ``sides``."""
        work = {side: Work.allocate() for side in sides}
        return cls(grid, settings, average, sound_speed_m_s, work)

    def look(
        self,
        plan: SidePlan,
        own: SideState,
        ping: Ping,
        geometry: PingGeometry,
        level: Level,
        buffer: FieldBuffer,
        look_weight: float = 1.0,
    ) -> tuple[int, int, int]:
        """Add a look to the open rows; return pixels that got one, that came too late, that no beam covered."""
        acc, beams = own.accumulator, plan.beamformer
        u = np.linspace(beams.direction[0], beams.direction[-1], _TABLE)
        relative = np.interp(u, level.direction, level.relative_gain)
        weight = look_weights(relative, self.average)
        strip = Strip(
            side_sign=float(geometry.side_sign),
            along_m=self.grid.along_m,
            across_m=self.grid.across_m,
            n_column=self.grid.n_column,
            first_row=acc.first_row,
            past_row=acc.past_row,
            sector_sine=float(np.sin(beams.sector_half_rad)),
            steepest_sine=self._steepest_sine,
        )
        weights = Weights(
            table=np.stack([weight, weight / np.maximum(relative, 1e-6)], axis=1).astype(np.float32),
            look=float(look_weight),
            shared=_shared_speckle(plan, own, geometry),
        )
        sight = self._sight(own, ping, geometry, level)
        work = self.work[ping.side]
        return kernels.lay_look(buffer.field, _readout(plan), sight, strip, weights, work, acc.sums)

    @property
    def _steepest_sine(self) -> float:
        return float(np.sin(np.deg2rad(self.settings.steepest_grazing_deg)))

    def _sight(self, own: SideState, ping: Ping, geometry: PingGeometry, level: Level) -> Sight:
        speed = self.sound_speed_m_s
        noise = _noise_nodes(own, ping, level)
        path_step_m = (geometry.delay_s[1] - geometry.delay_s[0]) * speed
        motion = np.zeros((noise.size, LANES), np.float32)
        motion[:, 0:3] = geometry.centre_m - geometry.transmitter_m
        motion[:, 3:6] = geometry.velocity_m_s / speed
        motion[:, 6:9] = geometry.axes[:, 0]
        motion[:-1, 9:12] = np.diff(geometry.axes[:, 0], axis=0) / path_step_m
        motion[:, 12] = noise
        motion[:-1, 13] = np.diff(noise) / path_step_m
        motion[-1, [9, 10, 11, 13]] = motion[-2, [9, 10, 11, 13]]
        rays = np.zeros((geometry.rays.factor.shape[1], LANES), np.float32)
        rays[:, :4] = geometry.rays.factor.T
        return Sight(
            transmitter_m=geometry.transmitter_m,
            transmit_axis=geometry.transmit_axes[0],
            first_delay_s=float(geometry.delay_s[0]),
            delay_step_s=float(geometry.delay_s[1] - geometry.delay_s[0]),
            motion=motion,
            plane=geometry.seabed_plane,
            sound_speed_m_s=speed,
            ray_step_m=geometry.rays.step_m,
            rays=rays,
        )

    def line(
        self,
        plan: SidePlan,
        own: SideState,
        ping: Ping,
        geometry: PingGeometry,
        level: Level,
        buffer: FieldBuffer,
        look_weight: float = 1.0,
    ) -> tuple[int, int, int]:
        """Join this ping's broadside line to the last one; return what :meth:`look` returns."""
        n = self.grid.n_column
        along, line = np.empty(n), np.empty((2, n), np.float32)
        lines.broadside_line(
            buffer.field,
            _readout(plan),
            self._sight(own, ping, geometry, level),
            float(geometry.side_sign),
            self.grid.across_m,
            self._steepest_sine,
            along,
            line[0],
            line[1],
        )
        late = 0
        if own.line_along_m is None:
            late += self._paint(own, along - self._half_beam(plan, geometry.altitude_m), line, along, line)
        else:
            late += self._paint(own, own.line_along_m, own.line, along, line)
        own.line_along_m, own.line = along, line
        return int(np.isfinite(along).sum()), late, 0

    def _paint(self, own: SideState, old_along, old, along, new) -> int:
        acc = own.accumulator
        cell = self.grid.along_m
        # Beyond two broadside lines' distance of 3 m a gap is a gap: no ping is drawn out further.
        return lines.lay_broadside(
            old_along,
            old[0],
            old[1],
            along,
            new[0],
            new[1],
            cell,
            LARGEST_GAP_M,
            cell,
            acc.first_row,
            acc.past_row,
            self.grid.n_column,
            acc.sums,
            acc.filled,
        )

    def _half_beam(self, plan: SidePlan, altitude_m: float) -> NDArray[np.float64]:
        across = (np.arange(self.grid.n_column) + 0.5) * self.grid.across_m
        slant = np.hypot(across, altitude_m)
        return 0.443 * plan.beamformer.wavelength_m / plan.beamformer.frame.length_m * slant

    def end_line(self, plan: SidePlan, own: SideState) -> None:
        """Give the last broadside line the half beam beyond it."""
        half = self._half_beam(plan, 0.0)
        self._paint(own, own.line_along_m, own.line, own.line_along_m + half, own.line)


def footprint(geometry: PingGeometry, grid: Grid, half_rad: float) -> tuple[int, int]:
    """Lowest and past-highest row that the sector of this ping may touch."""
    low, high = find_footprint(
        geometry.transmitter_m,
        geometry.transmit_axes[0],
        geometry.seabed_plane,
        float(geometry.side_sign),
        grid.n_column,
        grid.across_m,
        float(np.sin(half_rad)),
    )
    if not low <= high:
        raise DataError(
            "the array points within its sector of the leg's own direction: not a side-looking leg; allowed: headings "
            "within about 80 degrees of the course. Plan the leg with --set grid.heading_deg."
        )
    return int(np.floor(low / grid.along_m)) - 1, int(np.ceil(high / grid.along_m)) + 1


def _readout(plan: SidePlan) -> Readout:
    beams = plan.beamformer
    return Readout(
        first_delay_s=beams.first_delay_s,
        rate_hz=beams.sample_rate_hz,
        direction_first=float(beams.direction[0]),
        direction_step=float(beams.direction[1] - beams.direction[0]),
        last_delay_s=plan.compressor.last_delay_s,
        delay_taps=plan.taps[0],
        direction_taps=plan.taps[1],
    )


def _noise_nodes(own: SideState, ping: Ping, level: Level) -> NDArray[np.float64]:
    power = own.noise.power * 10 ** (ping.receiver_gain_db / 10)
    return np.where(np.isfinite(level.noise), level.noise, 0.0) * power


def _shared_speckle(plan: SidePlan, own: SideState, geometry: PingGeometry) -> NDArray[np.float32]:
    """What each look before this one adds to its share in the sum of squares; remembers where it was taken."""
    middle = geometry.delay_s.size // 2
    here = (geometry.transmitter_m + geometry.centre_m[middle]) / 2
    apart = (own.history_m - here) @ geometry.axes[middle, 0]
    known = np.isfinite(apart)
    rho = np.interp(np.abs(apart[known]), plan.overlap_m, plan.overlap)
    own.history_m[1:] = own.history_m[:-1].copy()
    own.history_m[0] = here
    more = np.diff(correlation_sums(rho))
    # Looks so far back that they share nothing need not be counted.
    return more[: np.flatnonzero(more).max(initial=-1) + 1].astype(np.float32)
