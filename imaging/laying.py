"""One ping's field laid onto the open rows: many looks, or one broadside line."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from . import _lay_kernels as kernels
from . import _line_kernels as lines
from . import _look_kernels as tables
from ._geometry_kernels import find_footprint
from ._lanes import LANES
from ._lay_kernels import Weights
from ._panel_kernels import Sight, Strip
from .aligned import aligned_zeros
from .average import AverageSettings
from .beamform import FieldBuffer
from .errors import DataError
from .geometry import PingGeometry
from .lay import Grid, GridSettings
from .open_rows import LARGEST_GAP_M
from .radiometry import Level
from .records import Ping
from .refraction import WaterColumn
from .side import HISTORY, SidePlan, SideState

__all__ = ["Layer", "footprint"]


@dataclass(frozen=True, slots=True, eq=False)
class Work:
    """Working memory of one side, reused from ping to ping."""

    motion: NDArray[np.float32]
    """(node, 16): see :class:`Sight`."""
    rays: NDArray[np.float32]
    """(ray node, 16): see :class:`Sight`."""
    gain: NDArray[np.float32]
    """(32,): see :class:`Weights`."""
    shared: NDArray[np.float32]
    """(look before,): see :class:`Weights`."""
    pixels: kernels.Work


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
        water: WaterColumn,
        plans: Mapping[str, SidePlan],
    ) -> Layer:
        """Set working memory aside for all sides."""
        work = {
            side: Work(
                motion=aligned_zeros(plan.delay_s.size, LANES),
                rays=aligned_zeros(water.horizontal_m.size, LANES),
                gain=aligned_zeros(2 * LANES),
                shared=np.zeros(HISTORY, np.float32),
                pixels=kernels.Work.allocate(),
            )
            for side, plan in plans.items()
        }
        return cls(grid, settings, average, water.reference_m_s, work)

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
        acc, work = own.accumulator, self.work[ping.side]
        strip = Strip(
            side_sign=float(geometry.side_sign),
            along_m=self.grid.along_m,
            across_m=self.grid.across_m,
            n_column=self.grid.n_column,
            first_row=acc.open_row,
            past_row=acc.past_row,
            sector_sine=math.sin(plan.beamformer.sector_half_rad),
            steepest_sine=self._steepest_sine,
        )
        average = self.average
        tables.tabulate_gain(level.relative_gain, work.gain)
        middle = geometry.delay_s.size // 2
        n = tables.share_speckle(
            geometry.transmitter_m,
            geometry.centre_m[middle],
            geometry.axes[middle, 0],
            plan.overlap_step_m,
            plan.overlap,
            own.history_m,
            work.shared,
        )
        weights = Weights(
            gain=work.gain,
            power=average.power,
            floor=average.floor,
            look=float(look_weight),
            shared=work.shared[:n],
        )
        sight = self._sight(plan, own, ping, geometry, level)
        return kernels.lay_look(buffer.woven, acc.sums, *plan.readout, *sight, *strip, *weights, *work.pixels)

    @property
    def _steepest_sine(self) -> float:
        return math.sin(math.radians(self.settings.steepest_grazing_deg))

    def _sight(
        self, plan: SidePlan, own: SideState, ping: Ping, geometry: PingGeometry, level: Level
    ) -> Sight:
        work, step_s = self.work[ping.side], float(geometry.delay_s[1] - geometry.delay_s[0])
        power = own.noise.power * 10 ** (ping.receiver_gain_db / 10)
        tables.tabulate_motion(
            geometry.transmitter_m,
            geometry.centre_m,
            geometry.velocity_m_s,
            geometry.axes,
            level.noise,
            power,
            self.sound_speed_m_s,
            step_s,
            work.motion,
        )
        tables.tabulate_rays(geometry.rays.factor, work.rays)
        return Sight(
            transmitter_m=geometry.transmitter_m,
            transmit_axis=geometry.transmit_axes[0],
            first_delay_s=float(geometry.delay_s[0]),
            delay_step_s=step_s,
            motion=work.motion,
            plane=geometry.seabed_plane,
            sound_speed_m_s=self.sound_speed_m_s,
            ray_step_m=geometry.rays.step_m,
            rays=work.rays,
            doppler_m=2 * self.sound_speed_m_s * plan.compressor.doppler_s,
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
            buffer.woven,
            plan.readout,
            self._sight(plan, own, ping, geometry, level),
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
            acc.open_row,
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
        math.sin(half_rad),
    )
    if not low <= high:
        raise DataError(
            "the array points within its sector of the leg's own direction: not a side-looking leg; allowed: headings "
            "within about 80 degrees of the course. Plan the leg with --set grid.heading_deg."
        )
    return math.floor(low / grid.along_m) - 1, math.ceil(high / grid.along_m) + 1
