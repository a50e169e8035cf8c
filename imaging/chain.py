"""The order of the work, once: one ping in, finished tiles out.

``Chain.prepare`` does all that is slow or can fail. ``step`` then takes pings in the order of their time; it only
computes. The state is plain arrays and small records, so that a restart from a saved state gives the same bytes.
Memory is bounded by the footprint of a ping's sector, not by the line.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from ._echo_kernels import is_finite
from .average import Accumulator
from .beamform import Beamformer, FieldBuffer
from .chain_settings import BottomSettings, ChainSettings, Method, WaterSettings
from .combining import combine_rows
from .compress import CompressBuffer, Compressor
from .errors import DataError, ParameterError
from .estimate.noise import measure_noise
from .estimate.reasons import PingReason
from .frames import StripFrame, Trajectory
from .geometry import PingGeometry, ping_geometry
from .lay import Grid, choose_grid
from .laying import Layer, footprint
from .left_out import missed_rows
from .leg_frame import leg_frame
from .open_rows import finished_tiles, make_room, rows_behind
from .planning import least_altitude
from .pulse_motion import pulse_motion_cells
from .radiometry import Level
from .ray_choice import choose_rays
from .records import Correction, Look, Ping, Sonar, Tile, Water
from .refraction import WaterColumn
from .seawater import absorption_db_m
from .side import SidePlan, SideState

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
    layer: Layer
    water: WaterColumn
    pulse_motion_cells: float
    """Largest shift in range by motion within the pulse, whether or not it is corrected. [-3 dB cells]"""
    absorption_db_m: float
    water_depth_m: float | None
    compress_buffers: Mapping[str, CompressBuffer]
    buffers: Mapping[str, FieldBuffer]
    channels: Mapping[str, NDArray[np.float32]]

    @classmethod
    def prepare(
        cls,
        sonars: Mapping[str, Sonar],
        water: Water,
        trajectory: Trajectory,
        settings: ChainSettings | None = None,
        method: Method = "multilook",
        line: Trajectory | None = None,
    ) -> Chain:
        """Plan all stages for the sides in ``sonars``.

        Parameters
        ----------
        trajectory : Trajectory
            Tells the altitude, which tells the nearest range and so the finest cell, and the speed at the array.
        line : Trajectory, optional
            Of the whole line where ``trajectory`` is that of its first pings: what asks for bent rays anywhere gets them.

        Raises
        ------
        ParameterError, DataError
            If a setting or the recording does not allow an image, with the remedy.
        """
        settings = settings or ChainSettings()
        if method not in ("multilook", "broadside"):
            raise ParameterError(f"method is {method!r}; allowed: multilook, broadside.")
        depth = settings.bottom.water_depth_m or water.depth_m
        altitude = settings.bottom.altitude_m or least_altitude(trajectory, depth)
        column = WaterColumn.prepare(
            water,
            along_ray_m_s=settings.water.sound_speed_m_s,
            at_array_m_s=settings.water.sound_speed_at_array_m_s,
            measured_m_s=trajectory.sound_speed_at_array_m_s,
            array_depth_m=float(np.median(trajectory.value[:, 2])),
            altitude_m=altitude,
        )
        speed = column.reference_m_s
        absorption = _absorption(settings.water, water, sonars)
        steepest = np.sin(np.deg2rad(settings.grid.steepest_grazing_deg))
        stages: dict[str, tuple[Compressor, Beamformer]] = {}
        for side, sonar in sonars.items():
            compressor = Compressor.prepare(sonar, settings.compress)
            beamformer = Beamformer.prepare(
                sonar,
                compressor,
                settings.beamform,
                sound_speed_m_s=column.beams_m_s,
                nearest_range_m=0.8 * altitude / steepest,
            )
            stages[side] = compressor, beamformer
        grid = choose_grid(settings.grid, list(stages.values()), sound_speed_m_s=speed, altitude_m=altitude)
        plans = {
            side: SidePlan.prepare(
                sonars[side],
                c,
                b,
                water=column,
                absorption=absorption,
                rows=settings.combine,
                altitude_m=altitude,
                steepest_rad=float(np.arcsin(steepest)),
            )
            for side, (c, b) in stages.items()
        }
        column = choose_rays(
            column,
            settings.water.rays,
            grid,
            settings.grid,
            list(stages.values()),
            trajectory,
            altitude_m=altitude,
            water_depth_m=depth,
            line=line,
        )
        return cls(
            method=method,
            settings=settings,
            grid=grid,
            sides=plans,
            layer=Layer.prepare(grid, settings.grid, settings.average, column, plans),
            water=column,
            pulse_motion_cells=max(
                pulse_motion_cells(sonars[side], c, b, line or trajectory, float(np.arcsin(steepest)))
                for side, (c, b) in stages.items()
            ),
            absorption_db_m=absorption,
            water_depth_m=depth,
            compress_buffers={side: p.compressor.allocate() for side, p in plans.items()},
            buffers={side: p.beamformer.allocate() for side, p in plans.items()},
            channels={
                side: np.zeros((2, p.sonar.n_channel, p.compressor.n_out), np.float32)
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
        return leg_frame(trajectory, ping_time_ns, self.settings.grid)

    def start(self, frame: StripFrame | None = None, *, keep_sums: bool = False) -> ChainState:
        """An empty state; without a frame the first pings wait until their course has set one.

        With ``keep_sums`` tiles come with the sums that they were made of, for whoever adds them to others'.
        """
        return ChainState(frame, {side: SideState(keep_sums=keep_sums) for side in self.sides})

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
        compressed = plan.compressor.run_planes(ping.echo, self.compress_buffers[ping.side])
        geometry, level, power = self._field(
            plan, own, ping, compressed, trajectory, frame, correction, _nothing
        )
        own.noise = own.noise.updated(power)
        low, high = footprint(geometry, self.grid, plan.beamformer.sector_half_rad)
        acc = own.accumulator = Accumulator.allocate(self.grid, high - low, low)
        self.layer.look(plan, own, ping, geometry, level, self.buffers[ping.side], 1.0)
        tile = acc.finish(high - low, ping.side, noise_known=own.noise.known)
        return Look(
            side=ping.side,
            number=ping.number,
            first_along=low,
            first_across=tile.first_across,
            intensity=tile.intensity + np.nan_to_num(tile.noise_equivalent),
            noise_equivalent=tile.noise_equivalent,
        )

    def prime(
        self,
        state: ChainState,
        ping: Ping,
        trajectory: Trajectory,
        correction: Correction | None = None,
        *,
        seen: bool,
    ) -> ChainState:
        """Take in a ping that another part of the line images: what is remembered of it is remembered, nothing is laid.

        Parameters
        ----------
        seen : bool
            Also count its look, without weight, where it falls: the looks after it know what they share with it. Needed
            of the last sixteen of a side; of those before only noise and rows are remembered.

        Raises
        ------
        DataError
            If the ping does not fit the plan.
        """
        self._check(ping)
        plan, own = self.sides[ping.side], state.sides[ping.side]
        compressed, reason = self._compressed(plan, ping, trajectory, correction)
        if reason:
            self._mark_left_out(plan, own, ping, trajectory, state.frame, correction)
            return state
        geometry, level, power = self._field(
            plan, own, ping, compressed, trajectory, state.frame, correction, _nothing, form=seen
        )
        own.noise = own.noise.updated(power)
        if seen:
            low, high = footprint(geometry, self.grid, plan.beamformer.sector_half_rad)
            make_room(own, ping.side, self.grid, self.settings.grid, low, high)
            self.layer.look(plan, own, ping, geometry, level, self.buffers[ping.side], 0.0)
            own.accumulator.forget_count()
        return state

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
                self.layer.end_line(self.sides[side], own)
            tiles += finished_tiles(own, side, self.settings.grid, np.iinfo(np.int64).max)
        return tiles, reports

    def bends_along(self, trajectory: Trajectory) -> bool:
        """Whether this plan would bend rays for a line: a line that was longer than known when it was planned."""
        depth, altitude = self.water_depth_m, self.settings.bottom.altitude_m
        return choose_rays(
            replace(self.water, exact=False),
            self.settings.water.rays,
            self.grid,
            self.settings.grid,
            [(side.compressor, side.beamformer) for side in self.sides.values()],
            trajectory,
            altitude_m=altitude or least_altitude(trajectory, depth),
            water_depth_m=depth,
        ).exact

    def with_pulse_motion(self, trajectory: Trajectory) -> Chain:
        """The same plan, told how far motion within the pulse moves echoes on a line that has gone on since."""
        steepest = float(np.deg2rad(self.settings.grid.steepest_grazing_deg))
        cells = [
            pulse_motion_cells(side.sonar, side.compressor, side.beamformer, trajectory, steepest)
            for side in self.sides.values()
        ]
        return replace(self, pulse_motion_cells=max(cells))

    @property
    def sound_speed_m_s(self) -> float:
        """Along the ray: what turns delays into ranges. [m/s]"""
        return self.water.reference_m_s

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
        note = observe or _nothing
        compressed, reason = self._compressed(plan, ping, trajectory, correction)
        note("matched filter")
        if reason:
            self._mark_left_out(plan, own, ping, trajectory, state.frame, correction)
            return [], StepReport(ping.side, ping.number, 0, 0, 0, np.nan, reason)
        geometry, level, power = self._field(
            plan, own, ping, compressed, trajectory, state.frame, correction, note
        )
        own.noise = own.noise.updated(power)
        buffer = self.buffers[ping.side]
        low, high = footprint(geometry, self.grid, plan.beamformer.sector_half_rad)
        tiles = make_room(own, ping.side, self.grid, self.settings.grid, low, high)
        lay = self.layer.look if self.method == "multilook" else self.layer.line
        weight = 1.0 if correction is None else correction.look_weight
        added, late, uncovered = lay(plan, own, ping, geometry, level, buffer, weight)
        note("ground and average")
        tiles += finished_tiles(
            own, ping.side, self.settings.grid, low - rows_behind(self.grid, self.settings.grid)
        )
        note("tiles")
        return tiles, StepReport(ping.side, ping.number, added, late, uncovered, geometry.altitude_m)

    def _geometry(
        self,
        plan: SidePlan,
        ping: Ping,
        trajectory: Trajectory,
        frame: StripFrame,
        correction: Correction | None,
    ) -> PingGeometry:
        altitude = self._altitude(ping, trajectory, correction)
        return ping_geometry(
            plan.sonar,
            plan.beamformer.frame,
            trajectory,
            frame,
            ping.time_ns,
            plan.delay_s,
            altitude,
            correction,
            slope=self._slope,
            water=self.water,
            measured_speed_m_s=trajectory.speed_at_array(trajectory.seconds(ping.time_ns)),
        )

    def _mark_left_out(
        self,
        plan: SidePlan,
        own: SideState,
        ping: Ping,
        trajectory: Trajectory,
        frame: StripFrame,
        correction: Correction | None,
    ) -> None:
        """Remember which pixels a ping would have seen that its correction rejects."""
        if correction is None or correction.look_weight > 0:
            return
        try:
            geometry = self._geometry(plan, ping, trajectory, frame, correction)
        except DataError:
            return  # without an altitude nobody knows
        beams = plan.beamformer
        half = beams.sector_half_rad
        if self.method == "broadside":
            half = 0.443 * beams.wavelength_m / beams.frame.length_m
        rows = missed_rows(geometry, self.grid, half)[None]
        own.left_out = np.concatenate([own.left_out.reshape(-1, *rows.shape[1:]), rows])

    def _field(
        self,
        plan: SidePlan,
        own: SideState,
        ping: Ping,
        compressed: NDArray[np.float32],
        trajectory: Trajectory,
        frame: StripFrame,
        correction: Correction | None,
        note: Observer,
        *,
        form: bool = True,
    ) -> tuple[PingGeometry, Level, float]:
        """Form the levelled field of one ping in its side's buffer; the noise power comes with it, gains undone.

        Without ``form`` all but the beams is done.
        """
        geometry = self._geometry(plan, ping, trajectory, frame, correction)
        level = plan.radiometer.run(geometry, ping.receiver_gain_db)
        note("geometry and level tables")
        channels, level = combine_rows(
            plan, own, compressed, geometry, level, correction, self.channels[ping.side]
        )
        power = measure_noise(
            ping.echo,
            channels,
            plan.combiner.live,
            plan.compressor,
            geometry,
            pulse_s=plan.sonar.pulse_duration_s,
            sound_speed_m_s=self.sound_speed_m_s,
            weight=None if correction is None else correction.channel_weight,
            work=self.compress_buffers[ping.side].part.reshape(-1),
        )
        note("rows and noise")
        if form:
            buffer = self.buffers[ping.side]
            plan.beamformer.run(channels, buffer, level.amplitude, plan.delay_s[1] - plan.delay_s[0])
            note("beams")
        return geometry, level, power / 10 ** (ping.receiver_gain_db / 10)

    def _compressed(
        self, plan: SidePlan, ping: Ping, trajectory: Trajectory, correction: Correction | None
    ) -> tuple[NDArray[np.float32] | None, str]:
        """Receivers (2, row, channel, sample) compressed, or why the ping is left out."""
        reason = self._reason_to_leave_out(plan, ping, trajectory, correction)
        if reason:
            return None, reason
        planes = plan.compressor.run_planes(ping.echo, self.compress_buffers[ping.side])
        if not is_finite(planes):
            return None, "echo holds samples that are not finite"
        return planes, ""

    def _reason_to_leave_out(
        self, plan: SidePlan, ping: Ping, trajectory: Trajectory, correction: Correction | None
    ) -> str:
        if correction is not None and correction.look_weight == 0:
            words = PingReason.words(correction.reasons & PingReason.LEAVES_OUT)
            return f"rejected: {', '.join(words).replace('_', ' ') or 'by its correction'}"
        begin = trajectory.seconds(ping.time_ns)
        if not trajectory.covers(begin, begin + plan.compressor.last_delay_s):
            return "no navigation at its time"
        # A look of nothing would darken its pixels as if the seabed had answered so.
        if ping.echo[0, 0, 0] == 0 and not ping.echo.any():
            return "echo is all zero"
        return ""

    @property
    def _slope(self) -> tuple[float, float]:
        bottom = self.settings.bottom
        along, across = bottom.slope_along_deg, bottom.slope_across_deg
        return math.tan(math.radians(along)), math.tan(math.radians(across))

    def _altitude(self, ping: Ping, trajectory: Trajectory, correction: Correction | None) -> float:
        if correction is not None and np.isfinite(correction.altitude_m):
            return correction.altitude_m
        if self.settings.bottom.altitude_m is not None:
            return self.settings.bottom.altitude_m
        half_pulse = self.sides[ping.side].sonar.pulse_duration_s / 2
        return trajectory.altitude(trajectory.seconds(ping.time_ns) + half_pulse, self.water_depth_m)


def _nothing(stage: str) -> None:
    """What is called after each stage where nobody observes."""


def _absorption(settings: WaterSettings, water: Water, sonars: Mapping[str, Sonar]) -> float:
    if settings.absorption_db_m is not None:
        return settings.absorption_db_m
    if water.absorption_db_m is not None:
        return water.absorption_db_m
    frequency = np.mean([s.centre_frequency_hz for s in sonars.values()])
    depth = (water.depth_m or 10.0) / 2
    return float(absorption_db_m(frequency, settings.temperature_c, settings.salinity, depth))
