"""The order of the work, once: one ping in, finished tiles out.

``Chain.prepare`` does all that is slow or can fail. ``step`` then takes pings in the order of their time; it only
computes. The state is plain arrays and small records, so that a restart from a saved state gives the same bytes.
Memory is bounded by the footprint of a ping's sector, not by the line.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from . import _lay_kernels as kernels
from .average import (
    Accumulator,
    AverageSettings,
    correlation_sums,
    field_correlation,
    look_weights,
)
from .beamform import Beamformer, BeamformSettings, FieldBuffer
from .combine import Combiner
from .compress import Compressor, CompressSettings
from .errors import DataError, ParameterError
from .estimate.noise import NoiseState, measure_noise
from .frames import StripFrame, Trajectory
from .geometry import PingGeometry, ping_geometry
from .lay import Grid, GridSettings, choose_grid, field_taps
from .radiometry import Level, Radiometer
from .records import Correction, Look, Ping, Sonar, Tile, Water
from .seawater import absorption_db_m

__all__ = [
    "BottomSettings",
    "Chain",
    "ChainSettings",
    "ChainState",
    "Method",
    "SidePlan",
    "SideState",
    "StepReport",
    "WaterSettings",
]

Method = Literal["multilook", "broadside"]

_HISTORY = 16
"""Looks back that may share speckle."""
_TABLE = 257
"""Entries of the weight tables over direction cosine."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterSettings:
    """A belief about the water to lay over the recording's."""

    sound_speed_m_s: float | None = None
    absorption_db_m: float | None = None
    """One way. [dB/m]"""
    temperature_c: float = 10.0
    """For the absorption where the recording gives none. [deg C]"""
    salinity: float = 35.0
    """For the absorption where the recording gives none."""

    def __post_init__(self) -> None:
        for name, low, high in (
            ("sound_speed_m_s", 1300, 1800),
            ("absorption_db_m", 0, 10),
            ("temperature_c", -4, 60),
            ("salinity", 0, 60),
        ):
            value = getattr(self, name)
            if value is not None and not low <= value <= high:
                raise ParameterError(f"water.{name} is {value:g}; allowed: {low} to {high}.")


@dataclass(frozen=True, slots=True, kw_only=True)
class BottomSettings:
    """Where the seabed lies."""

    altitude_m: float | None = None
    """Of the body origin, in place of what the recording says. [m]"""
    water_depth_m: float | None = None
    """Of the seabed below the surface, in place of what the recording says; used where no altitude is known. [m]"""

    def __post_init__(self) -> None:
        for name in ("altitude_m", "water_depth_m"):
            value = getattr(self, name)
            if value is not None and not 0 < value < 12_000:
                raise ParameterError(f"bottom.{name} is {value:g}; allowed: above 0 to 12000.")


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainSettings:
    """All that can be set about the imaging, stage by stage."""

    compress: CompressSettings = CompressSettings()
    beamform: BeamformSettings = BeamformSettings()
    average: AverageSettings = AverageSettings()
    grid: GridSettings = GridSettings()
    water: WaterSettings = WaterSettings()
    bottom: BottomSettings = BottomSettings()


@dataclass(frozen=True, slots=True, eq=False)
class SidePlan:
    """The prepared stages of one side."""

    sonar: Sonar
    compressor: Compressor
    combiner: Combiner
    beamformer: Beamformer
    radiometer: Radiometer
    delay_s: NDArray[np.float64]
    """(node,) delays at which geometry and level are tabled."""
    taps: tuple[NDArray[np.float32], NDArray[np.float32]]
    overlap_m: NDArray[np.float64]
    overlap: NDArray[np.float64]
    """Field correlation of two looks against their distance along the array."""


@dataclass(slots=True, eq=False)
class SideState:
    """What one side remembers from ping to ping."""

    accumulator: Accumulator | None = None
    noise: NoiseState = NoiseState()
    history_m: NDArray[np.float64] = field(default_factory=lambda: np.full((_HISTORY, 3), np.nan))
    """(16, 3) two-way phase centres of the latest looks in the strip frame, newest first. [m]"""
    line: NDArray[np.float32] | None = None
    """(3, column) along, power, noise of the last broadside line."""
    line_along_m: NDArray[np.float64] | None = None


@dataclass(slots=True, eq=False)
class ChainState:
    """What the chain remembers from ping to ping."""

    frame: StripFrame | None
    sides: dict[str, SideState]
    pending: list[tuple[Ping, Correction | None]] = field(default_factory=list)
    """Pings that wait for the leg's frame."""
    n_ping: int = 0


@dataclass(frozen=True, slots=True)
class StepReport:
    """What became of one ping."""

    side: str
    number: int
    added: int
    """Pixels that got a look."""
    late: int
    """Pixels outside the rows still open: the heading fell further behind than its bound."""
    uncovered: int
    """Pixels of the sector that no beam covered: faster turn or way than the bounds."""
    altitude_m: float
    reason: str = ""
    """Why the ping was left out, empty where it was not."""


Observer = Callable[[str], None]


@dataclass(frozen=True, slots=True, eq=False)
class Chain:
    """The whole imaging, planned once for a recording."""

    method: Method
    settings: ChainSettings
    grid: Grid
    sides: Mapping[str, SidePlan]
    sound_speed_m_s: float
    absorption_db_m: float
    water_depth_m: float | None
    buffers: Mapping[str, FieldBuffer]
    channels: Mapping[str, NDArray[np.complex64]]

    @classmethod
    def prepare(
        cls,
        sonars: Mapping[str, Sonar],
        water: Water,
        trajectory: Trajectory,
        settings: ChainSettings | None = None,
        method: Method = "multilook",
    ) -> Chain:
        """Plan all stages for the sides in ``sonars``.

        Parameters
        ----------
        trajectory : Trajectory
            Only its smallest altitude is used here: it tells the nearest range and so the finest cell.

        Raises
        ------
        ParameterError, DataError
            If a setting or the recording does not allow an image, with the remedy.
        """
        settings = settings or ChainSettings()
        if method not in ("multilook", "broadside"):
            raise ParameterError(f"method is {method!r}; allowed: multilook, broadside.")
        speed = settings.water.sound_speed_m_s or water.sound_speed_m_s
        depth = settings.bottom.water_depth_m or water.depth_m
        altitude = settings.bottom.altitude_m or _least_altitude(trajectory, depth)
        absorption = _absorption(settings.water, water, sonars)
        steepest = np.sin(np.deg2rad(settings.grid.steepest_grazing_deg))
        stages: dict[str, tuple[Compressor, Beamformer]] = {}
        for side, sonar in sonars.items():
            compressor = Compressor.prepare(sonar, settings.compress)
            beamformer = Beamformer.prepare(
                sonar,
                compressor,
                settings.beamform,
                sound_speed_m_s=speed,
                nearest_range_m=0.8 * altitude / steepest,
            )
            stages[side] = compressor, beamformer
        grid = choose_grid(settings.grid, list(stages.values()), sound_speed_m_s=speed, altitude_m=altitude)
        plans = {side: _side_plan(sonars[side], c, b, speed, absorption) for side, (c, b) in stages.items()}
        return cls(
            method=method,
            settings=settings,
            grid=grid,
            sides=plans,
            sound_speed_m_s=speed,
            absorption_db_m=absorption,
            water_depth_m=depth,
            buffers={side: p.beamformer.allocate() for side, p in plans.items()},
            channels={
                side: np.zeros((p.sonar.n_channel, p.compressor.n_out), np.complex64)
                for side, p in plans.items()
            },
        )

    def leg_frame(self, trajectory: Trajectory, ping_time_ns: Sequence[int]) -> StripFrame:
        """The leg's frame: its planned heading, else the course over the first pings, from where the first was sent.

        Parameters
        ----------
        ping_time_ns : sequence of int
            Times of the leg's first pings of all sides, in order; more than ``grid.course_pings`` do no harm.
        """
        times = list(ping_time_ns)[: self.settings.grid.course_pings]
        frame = StripFrame.from_course(trajectory, *(trajectory.seconds(times[i]) for i in (0, -1)))
        if self.settings.grid.heading_deg is None:
            return frame
        heading = float(np.deg2rad(self.settings.grid.heading_deg) % (2 * np.pi))
        return StripFrame(frame.north_m, frame.east_m, heading)

    def start(self, frame: StripFrame | None = None) -> ChainState:
        """An empty state; without a frame the first pings wait until their course has set one."""
        return ChainState(frame, {side: SideState() for side in self.sides})

    def step(
        self,
        state: ChainState,
        ping: Ping,
        trajectory: Trajectory,
        correction: Correction | None = None,
        observe: Observer | None = None,
    ) -> tuple[ChainState, list[Tile], list[StepReport]]:
        """Take in one ping and hand out the tiles that no later ping can reach.

        ``state`` is used up: go on with the one returned. ``observe`` is called with a stage's name after it ran.

        Raises
        ------
        DataError
            If the ping does not fit the plan.
        """
        self._check(ping)
        state.n_ping += 1
        if state.frame is None:
            state.pending.append((ping, correction))
            if len(state.pending) < self.settings.grid.course_pings:
                return state, [], []
            return self._release(state, trajectory, observe)
        tiles, report = self._one(state, ping, trajectory, correction, observe)
        return state, tiles, [report]

    def look(
        self, ping: Ping, trajectory: Trajectory, frame: StripFrame, correction: Correction | None = None
    ) -> Look:
        """One ping's look by itself, equalised and on the strip grid: what estimators compare and teachers show.

        Raises
        ------
        DataError
            If the ping does not fit the plan.
        """
        self._check(ping)
        plan, own = self.sides[ping.side], SideState()
        geometry, level, power = self._field(plan, ping, trajectory, frame, correction, lambda stage: None)
        own.noise = own.noise.updated(power)
        low, high = _footprint(geometry, self.grid, plan.beamformer.sector_half_rad)
        acc = own.accumulator = Accumulator.allocate(self.grid, high - low, low)
        self._lay_look(plan, own, ping, geometry, level, self.buffers[ping.side], 1.0)
        tile = acc.finish(high - low, ping.side, noise_known=own.noise.known)
        return Look(
            side=ping.side,
            number=ping.number,
            first_along=low,
            first_across=tile.first_across,
            intensity=tile.intensity + np.nan_to_num(tile.noise_equivalent),
            noise_equivalent=tile.noise_equivalent,
        )

    def finish(
        self, state: ChainState, trajectory: Trajectory, observe: Observer | None = None
    ) -> tuple[list[Tile], list[StepReport]]:
        """Hand out all that is left at the end of the line."""
        tiles: list[Tile] = []
        reports: list[StepReport] = []
        if state.pending:
            state, tiles, reports = self._release(state, trajectory, observe)
        for side, own in state.sides.items():
            if own.line_along_m is not None and own.accumulator is not None:
                self._end_line(own, side)
            tiles += self._emit(own, side, np.iinfo(np.int64).max)
        return tiles, reports

    # The rest is the order of the stages.

    def _check(self, ping: Ping) -> None:
        if ping.side not in self.sides:
            raise DataError(f"ping {ping.number} is of side {ping.side}; planned: {', '.join(self.sides)}.")
        sonar = self.sides[ping.side].sonar
        wanted = (sonar.n_row, sonar.n_channel, sonar.n_sample)
        if ping.echo.shape != wanted:
            raise DataError(
                f"ping {ping.number}: echo has shape (row, channel, sample) = {ping.echo.shape}; this plan was made "
                f"for {wanted}."
            )

    def _release(
        self, state: ChainState, trajectory: Trajectory, observe: Observer | None
    ) -> tuple[ChainState, list[Tile], list[StepReport]]:
        """Set the frame from the waiting pings and image them."""
        waiting, state.pending = state.pending, []
        state.frame = self.leg_frame(trajectory, [ping.time_ns for ping, _ in waiting])
        tiles: list[Tile] = []
        reports: list[StepReport] = []
        for ping, correction in waiting:
            new, report = self._one(state, ping, trajectory, correction, observe)
            tiles += new
            reports.append(report)
        return state, tiles, reports

    def _one(
        self,
        state: ChainState,
        ping: Ping,
        trajectory: Trajectory,
        correction: Correction | None,
        observe: Observer | None,
    ) -> tuple[list[Tile], StepReport]:
        plan, own = self.sides[ping.side], state.sides[ping.side]
        reason = self._reason_to_leave_out(plan, ping, trajectory, correction)
        if reason:
            return [], StepReport(ping.side, ping.number, 0, 0, 0, np.nan, reason)
        note = observe or (lambda stage: None)
        geometry, level, power = self._field(plan, ping, trajectory, state.frame, correction, note)
        own.noise = own.noise.updated(power)
        buffer = self.buffers[ping.side]
        low, high = _footprint(geometry, self.grid, plan.beamformer.sector_half_rad)
        tiles = self._open(own, ping.side, low, high)
        lay = self._lay_look if self.method == "multilook" else self._lay_line
        weight = 1.0 if correction is None else correction.look_weight
        added, late, uncovered = lay(plan, own, ping, geometry, level, buffer, weight)
        note("ground and average")
        tiles += self._emit(own, ping.side, low - self._behind())
        note("tiles")
        return tiles, StepReport(ping.side, ping.number, added, late, uncovered, geometry.altitude_m)

    def _field(
        self,
        plan: SidePlan,
        ping: Ping,
        trajectory: Trajectory,
        frame: StripFrame,
        correction: Correction | None,
        note: Observer,
    ) -> tuple[PingGeometry, Level, float]:
        """Form the levelled field of one ping in its side's buffer; the noise power comes with it, gains undone."""
        altitude = self._altitude(ping, trajectory, correction)
        geometry = ping_geometry(
            plan.sonar,
            plan.beamformer.frame,
            trajectory,
            frame,
            ping.time_ns,
            plan.delay_s,
            altitude,
            correction,
        )
        level = plan.radiometer.run(geometry, ping.receiver_gain_db)
        note("geometry and level tables")
        compressed = plan.compressor.run(ping.echo)
        note("matched filter")
        channels = self.channels[ping.side]
        self._combine(plan, compressed, level, correction, channels)
        power = measure_noise(
            ping.echo,
            channels,
            plan.combiner.live,
            plan.compressor,
            geometry,
            pulse_s=plan.sonar.pulse_duration_s,
            sound_speed_m_s=self.sound_speed_m_s,
        )
        note("rows and noise")
        buffer = self.buffers[ping.side]
        plan.beamformer.run(channels, buffer)
        note("beams")
        step = plan.delay_s[1] - plan.delay_s[0]
        kernels.level_field(buffer.field, level.amplitude, 1 / (step * plan.beamformer.sample_rate_hz))
        note("level")
        return geometry, level, power / 10 ** (ping.receiver_gain_db / 10)

    def _reason_to_leave_out(
        self, plan: SidePlan, ping: Ping, trajectory: Trajectory, correction: Correction | None
    ) -> str:
        if correction is not None and correction.look_weight == 0:
            return "rejected by its correction"
        begin = trajectory.seconds(ping.time_ns)
        if not trajectory.covers(begin, begin + plan.compressor.last_delay_s):
            return "no navigation at its time"
        # One sum finds any sample that is not finite.
        if not np.isfinite(ping.echo.view(np.float32).sum(dtype=np.float64)):
            return "echo holds samples that are not finite"
        return ""

    def _altitude(self, ping: Ping, trajectory: Trajectory, correction: Correction | None) -> float:
        if correction is not None and np.isfinite(correction.altitude_m):
            return correction.altitude_m
        if self.settings.bottom.altitude_m is not None:
            return self.settings.bottom.altitude_m
        half_pulse = self.sides[ping.side].sonar.pulse_duration_s / 2
        return trajectory.altitude(trajectory.seconds(ping.time_ns) + half_pulse, self.water_depth_m)

    def _combine(self, plan, compressed, level: Level, correction, out) -> None:
        delay = (
            plan.compressor.first_delay_s + np.arange(plan.compressor.n_out) / plan.compressor.sample_rate_hz
        )
        sine_up = np.interp(delay, plan.delay_s, level.sine_up) if plan.sonar.n_row > 1 else delay
        weight = None if correction is None else correction.channel_weight
        plan.combiner.run(compressed, sine_up, weight, out)

    def _behind(self) -> int:
        """Rows that a later, further turned ping may still reach behind this one's footprint."""
        far = self.grid.n_column * self.grid.across_m
        return (
            int(np.ceil(far * np.tan(np.deg2rad(self.settings.grid.heading_bound_deg)) / self.grid.along_m))
            + 2
        )

    def _open(self, own: SideState, side: str, low: int, high: int) -> list[Tile]:
        """Make room in the ring for rows up to ``high``; a jump forward finishes all that was open."""
        behind = self._behind()
        tiles: list[Tile] = []
        if own.accumulator is None:
            ring = high - low + 2 * behind + self.settings.grid.tile_rows
            own.accumulator = Accumulator.allocate(self.grid, ring, low - behind)
        acc = own.accumulator
        gap = int(
            np.ceil(_LARGEST_GAP_M / self.grid.along_m)
        )  # a broadside line may still be joined to the last one
        if low - behind > max(acc.touched[1], acc.first_row) + gap:
            tiles = self._emit(own, side, low - behind)
            acc.restart(low - behind)
        if high > acc.past_row:
            own.accumulator = acc = acc.widened(high + behind)
        acc.touched[0] = min(acc.touched[0], max(low, acc.first_row))
        acc.touched[1] = max(acc.touched[1], high)
        return tiles

    def _noise_nodes(self, own: SideState, ping: Ping, level: Level) -> NDArray[np.float32]:
        power = own.noise.power * 10 ** (ping.receiver_gain_db / 10)
        return (np.where(np.isfinite(level.noise), level.noise, 0.0) * power).astype(np.float32)

    def _correlation(self, plan: SidePlan, own: SideState, geometry: PingGeometry) -> NDArray[np.float32]:
        """What this look shares with those before it; remembers where it was taken."""
        middle = geometry.delay_s.size // 2
        here = (geometry.transmitter_m + geometry.centre_m[middle]) / 2
        apart = (own.history_m - here) @ geometry.axes[middle, 0]
        known = np.isfinite(apart)
        rho = np.interp(np.abs(apart[known]), plan.overlap_m, plan.overlap)
        own.history_m[1:] = own.history_m[:-1].copy()
        own.history_m[0] = here
        return correlation_sums(rho).astype(np.float32)

    def _lay_look(self, plan, own, ping, geometry, level, buffer, look_weight) -> tuple[int, int, int]:
        acc, beams = own.accumulator, plan.beamformer
        u = np.linspace(beams.direction[0], beams.direction[-1], _TABLE)
        relative = np.interp(u, level.direction, level.relative_gain)
        weight = look_weights(relative, self.settings.average)
        return kernels.lay_look(
            buffer.field,
            beams.first_delay_s,
            beams.sample_rate_hz,
            beams.direction[0],
            beams.direction[1] - beams.direction[0],
            *plan.taps,
            geometry.transmitter_m,
            geometry.transmit_axes[0],
            geometry.delay_s,
            geometry.centre_m,
            geometry.velocity_m_s,
            np.ascontiguousarray(geometry.axes[:, 0]),
            self.sound_speed_m_s,
            geometry.seabed_m,
            float(geometry.side_sign),
            self.grid.across_m,
            self.grid.along_m,
            acc.first_row,
            acc.past_row,
            float(np.sin(beams.sector_half_rad)),
            float(np.sin(np.deg2rad(self.settings.grid.steepest_grazing_deg))),
            plan.compressor.last_delay_s,
            self._noise_nodes(own, ping, level),
            np.stack([weight, weight / np.maximum(relative, 1e-6)], axis=1).astype(np.float32),
            np.float32(look_weight),
            self._correlation(plan, own, geometry),
            acc.total,
            acc.weight,
            acc.weight_square,
            acc.noise,
            acc.count,
        )

    def _lay_line(self, plan, own, ping, geometry, level, buffer, look_weight) -> tuple[int, int, int]:
        beams, n = plan.beamformer, self.grid.n_column
        along, line = np.empty(n), np.empty((2, n), np.float32)
        kernels.broadside_line(
            buffer.field,
            beams.first_delay_s,
            beams.sample_rate_hz,
            beams.direction[0],
            beams.direction[1] - beams.direction[0],
            *plan.taps,
            geometry.transmitter_m,
            geometry.delay_s,
            geometry.centre_m,
            np.ascontiguousarray(geometry.axes[:, 0]),
            self.sound_speed_m_s,
            geometry.seabed_m,
            float(geometry.side_sign),
            self.grid.across_m,
            float(np.sin(np.deg2rad(self.settings.grid.steepest_grazing_deg))),
            plan.compressor.last_delay_s,
            self._noise_nodes(own, ping, level),
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
        return kernels.lay_broadside(
            old_along,
            old[0],
            old[1],
            along,
            new[0],
            new[1],
            cell,
            _LARGEST_GAP_M,
            cell,
            acc.first_row,
            acc.past_row,
            acc.total,
            acc.weight,
            acc.weight_square,
            acc.noise,
            acc.count,
            acc.filled,
        )

    def _half_beam(self, plan: SidePlan, altitude_m: float) -> NDArray[np.float64]:
        across = (np.arange(self.grid.n_column) + 0.5) * self.grid.across_m
        slant = np.hypot(across, altitude_m)
        return 0.443 * plan.beamformer.wavelength_m / plan.beamformer.frame.length_m * slant

    def _end_line(self, own: SideState, side: str) -> None:
        """Give the last broadside line the half beam beyond it."""
        half = self._half_beam(self.sides[side], 0.0)
        self._paint(own, own.line_along_m, own.line, own.line_along_m + half, own.line)

    def _emit(self, own: SideState, side: str, safe_row: int) -> list[Tile]:
        """Finish all rows below ``safe_row``, a tile at a time; the last tile may be short."""
        acc, rows = own.accumulator, self.settings.grid.tile_rows
        if acc is None:
            return []
        # Rows at the start that no look reached are no part of the image.
        acc.first_row = max(acc.first_row, min(int(acc.touched[0]), safe_row))
        end = min(safe_row, int(acc.touched[1]), acc.past_row)
        last = safe_row >= acc.touched[1]
        tiles = []
        while end - acc.first_row >= (1 if last else rows):
            n = min(rows, end - acc.first_row)
            tiles.append(acc.finish(n, side, noise_known=own.noise.known))
        return tiles


_LARGEST_GAP_M = 3.0
"""Largest distance between broadside lines that is filled from the nearer of the two. [m]"""


def _side_plan(
    sonar: Sonar, compressor: Compressor, beamformer: Beamformer, speed: float, absorption: float
) -> SidePlan:
    length_s = compressor.last_delay_s - compressor.first_delay_s
    n_node = int(np.clip(length_s * speed / 2 / 0.75, 48, 256))
    delay = np.linspace(compressor.first_delay_s, compressor.last_delay_s, n_node)
    radiometer = Radiometer.prepare(
        sonar, compressor, beamformer, delay, sound_speed_m_s=speed, absorption_db_m=absorption
    )
    overlap_m = np.linspace(0, beamformer.frame.length_m / 2 * 1.02, 129)
    overlap = field_correlation(beamformer.frame.along_m, beamformer.shading, overlap_m)
    return SidePlan(
        sonar=sonar,
        compressor=compressor,
        combiner=Combiner.prepare(sonar, compressor, sound_speed_m_s=speed),
        beamformer=beamformer,
        radiometer=radiometer,
        delay_s=delay,
        taps=field_taps(compressor, beamformer),
        overlap_m=overlap_m,
        overlap=overlap,
    )


def _least_altitude(trajectory: Trajectory, water_depth_m: float | None) -> float:
    if trajectory.altitude_m.size:
        return float(trajectory.altitude_m.min())
    deepest = float(trajectory.time_s[np.argmax(trajectory.value[:, 2])])
    return trajectory.altitude(deepest, water_depth_m)


def _absorption(settings: WaterSettings, water: Water, sonars: Mapping[str, Sonar]) -> float:
    if settings.absorption_db_m is not None:
        return settings.absorption_db_m
    if water.absorption_db_m is not None:
        return water.absorption_db_m
    frequency = np.mean([s.centre_frequency_hz for s in sonars.values()])
    depth = (water.depth_m or 10.0) / 2
    return float(absorption_db_m(frequency, settings.temperature_c, settings.salinity, depth))


def _footprint(geometry: PingGeometry, grid: Grid, half_rad: float) -> tuple[int, int]:
    """Lowest and past-highest row that the sector of this ping may touch."""
    tx, axis = geometry.transmitter_m, geometry.transmit_axes[0]
    across = geometry.side_sign * np.linspace(0.5, grid.n_column - 0.5, 5) * grid.across_m
    ahead = -(axis[1] * (across - tx[1]) + axis[2] * (geometry.seabed_m - tx[2])) / axis[0]
    slant = np.sqrt(ahead**2 + (across - tx[1]) ** 2 + (geometry.seabed_m - tx[2]) ** 2)
    sine = np.sin(half_rad)
    a = axis[0] ** 2 - sine**2
    if a <= 0:
        raise DataError(
            "the array points within its sector of the leg's own direction: not a side-looking leg; allowed: headings "
            "within about 80 degrees of the course. Plan the leg with --set grid.heading_deg."
        )
    b = sine**2 * ahead
    root = np.sqrt(b**2 + a * sine**2 * slant**2)
    low = tx[0] + ahead + (b - root) / a
    high = tx[0] + ahead + (b + root) / a
    return int(np.floor(low.min() / grid.along_m)) - 1, int(np.ceil(high.max() / grid.along_m)) + 1
