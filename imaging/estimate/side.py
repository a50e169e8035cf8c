"""One side's estimators in their order: a ping and what is remembered in, a correction for that ping out.

The order is that of the chain: is the ping fit for use, where is the seabed, what are the receivers worth, how did the
vehicle move. Each estimator takes the ping and its own state and gives a new state; nothing else passes between them
than what is written here. A correction rests on its own ping and those before: it needs none that comes later, so it is
the same live and offline, and lags by nothing. It begins with what is known: the altitude after three fixes that
agree, the receivers after eight pings of evidence, the motion with the second look.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..beamform import channel_shading
from ..compress import CompressBuffer, Compressor
from ..conventions import SIDE_SIGN
from ..errors import DataError
from ..frames import StripFrame, Trajectory, array_frame, rotation
from ..records import Correction, Ping, Platform, Sonar, Water
from .bottom import BottomFix, BottomState, BottomTracker, choose_altitude
from .channels import ChannelCalibrator, ChannelFix, ChannelState
from .motion import MotionEstimator, MotionFix, MotionState
from .reasons import PingReason
from .reject import PingRejector, RejectState, Verdict
from .settings import EstimateSettings

__all__ = ["SideEstimator", "SideMemory", "Told"]

Clock = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class SideMemory:
    """What one side's estimators remember: written down, it restarts them exactly."""

    reject: RejectState
    bottom: BottomState
    channels: ChannelState
    motion: MotionState = field(default_factory=MotionState)
    where: tuple[float, float, float] | None = None
    """North, east [m] and heading [rad] at the last ping."""
    frame: StripFrame | None = None
    """Of the leg that the last ping belonged to."""


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """What the estimators said of one ping."""

    correction: Correction
    time_ns: int
    given_altitude_m: float
    verdict: Verdict | None
    bottom: BottomFix | None
    channels: ChannelFix | None
    motion: MotionFix | None

    def evidence(self) -> dict[str, float]:
        """Numbers for the table."""
        b, c, m, v = self.bottom, self.channels, self.motion, self.verdict
        match = m.match if m is not None and m.match is not None else None
        nan = float("nan")
        return {
            "given_altitude": self.given_altitude_m,
            "echo_altitude": nan if b is None else b.altitude_m,
            "echo_altitude_std": nan if b is None else b.std_m,
            "ping_altitude": nan if b is None else b.measured_m,
            "phase_std": nan if c is None or c.weight is None else float(np.mean(c.phase_std_rad[c.live])),
            "live_receivers": nan if c is None else float(c.live.sum()),
            "match_correlation": nan if match is None else match.correlation,
            "match_significance": nan if match is None else match.significance,
            "latency": nan if m is None else m.latency_s,
            "latency_std": nan if m is None or not np.isfinite(m.latency_std_s) else m.latency_std_s,
            "clipped_share": nan if v is None else v.clipped_share,
            "burst_db": nan if v is None else v.burst_db,
            "fade_db": nan if v is None else v.fade_db,
        }


@dataclass(frozen=True, slots=True, eq=False)
class SideEstimator:
    """One side's estimators, planned once."""

    settings: EstimateSettings
    sonar: Sonar
    water: Water
    trajectory: Trajectory
    sound_speed_m_s: float
    compressor: Compressor
    buffer: CompressBuffer
    rejector: PingRejector
    tracker: BottomTracker
    calibrator: ChannelCalibrator
    looks: MotionEstimator | None
    """None where no altitude was known to plan with, or motion is not to be estimated."""

    @classmethod
    def prepare(
        cls,
        sonar: Sonar,
        water: Water,
        platform: Platform,
        trajectory: Trajectory,
        settings: EstimateSettings,
        *,
        planned_altitude_m: float | None = None,
        planning: Trajectory | None = None,
    ) -> SideEstimator:
        """Plan the estimators of one array.

        Parameters
        ----------
        planned_altitude_m : float, optional
            For the plan of the looks where settings, navigation and water depth give no altitude. [m]
        planning : Trajectory, optional
            What of the navigation is planned with; by default all.
        """
        speed = settings.water.sound_speed_m_s or water.sound_speed_m_s
        compressor = Compressor.prepare(sonar, settings.compress)
        shading = channel_shading(array_frame(sonar), sonar.live, settings.beamform.shading)
        return cls(
            settings=settings,
            sonar=sonar,
            water=water,
            trajectory=trajectory,
            sound_speed_m_s=speed,
            compressor=compressor,
            buffer=compressor.allocate(),
            rejector=PingRejector.prepare(sonar, compressor, platform, trajectory, settings.reject),
            tracker=BottomTracker.prepare(sonar, compressor, sound_speed_m_s=speed, settings=settings.track),
            calibrator=ChannelCalibrator.prepare(
                sonar, compressor, sound_speed_m_s=speed, shading=shading, settings=settings.channels
            ),
            looks=_looks(sonar, water, platform, trajectory, settings, planned_altitude_m, planning),
        )

    def with_navigation(self, platform: Platform, trajectory: Trajectory) -> SideEstimator:
        """The same plan with a navigation that has grown."""
        rejector = self.rejector.with_navigation(platform, trajectory)
        return replace(self, trajectory=trajectory, rejector=rejector)

    def start(self) -> SideMemory:
        """Nothing known."""
        return SideMemory(self.rejector.start(), self.tracker.start(), self.calibrator.start())

    def step(
        self,
        memory: SideMemory,
        ping: Ping,
        frame: StripFrame | None,
        note: Clock = lambda step: None,
    ) -> tuple[SideMemory, Told]:
        """Take in one ping.

        Parameters
        ----------
        frame : StripFrame or None
            Of the ping's leg; None between legs, where motion is not estimated.
        note : callable, optional
            Called with each estimator's name after it ran.
        """
        steps = self.settings.estimate
        pose = self.trajectory.pose(
            [self.trajectory.seconds(ping.time_ns) + self.sonar.pulse_duration_s / 2]
        )[0][0]
        given = self.given_altitude(ping)
        finite = np.isfinite(ping.echo.view(np.float32)).all()
        compressed = self.compressor.run(ping.echo if finite else np.zeros_like(ping.echo), self.buffer)
        note("matched filter")
        verdict = bottom = channels = motion = None
        altitude = given
        if steps.reject:
            # Only a seabed that was heard can fade; without a tracker the given altitude must do.
            at = memory.bottom.depth_m - pose[2] if steps.bottom else given
            state, verdict = self.rejector.update(memory.reject, ping, compressed, at, self.sound_speed_m_s)
            memory = replace(memory, reject=state)
            note("reject")
        fit = verdict.keep if verdict is not None else bool(finite)
        reasons = verdict.reasons if verdict is not None else 0
        chosen = float("nan")
        way = self._way(memory, pose)
        if steps.bottom:
            memory, bottom, chosen, bits = self._bottom(memory, compressed, pose, way, given, fit)
            reasons |= bits
            altitude = chosen if np.isfinite(chosen) else given
            note("bottom")
        if steps.channels:
            memory, channels, bits = self._channels(memory, compressed, pose, altitude, way, fit)
            reasons |= bits
            note("channels")
        row = Correction(
            side=ping.side,
            number=ping.number,
            altitude_m=chosen,
            channel_weight=None if channels is None else channels.weight,
            channel_delay_s=None if channels is None else channels.delay_undone_s,
            look_weight=1.0 if fit else 0.0,
        )
        if steps.motion:
            phases = None if channels is None else channels.phase_covariance
            memory, motion, bits = self._motion(memory, ping, frame, row, altitude, fit, phases)
            reasons |= bits
            row = replace(
                row,
                shift_along_m=motion.along_m,
                shift_starboard_m=motion.starboard_m,
                shift_heading_rad=motion.heading_rad,
            )
            note("motion")
        memory = replace(memory, where=(float(pose[0]), float(pose[1]), float(pose[3])))
        return memory, Told(
            replace(row, reasons=reasons), ping.time_ns, given, verdict, bottom, channels, motion
        )

    @property
    def water_depth_m(self) -> float | None:
        """Of the seabed below the surface: settings, else the recording. [m]"""
        return self.settings.bottom.water_depth_m or self.water.depth_m

    # ---- the estimators one by one -----------------------------------------------------------------------

    def given_altitude(self, ping: Ping) -> float:
        """Altitude of the body origin without its echoes: settings, navigation or water depth; NaN: none. [m]"""
        if self.settings.bottom.altitude_m is not None:
            return self.settings.bottom.altitude_m
        at = self.trajectory.seconds(ping.time_ns) + self.sonar.pulse_duration_s / 2
        try:
            return self.trajectory.altitude(at, self.water_depth_m)
        except DataError:
            return float("nan")

    def _way(self, memory: SideMemory, pose: NDArray[np.float64]) -> float:
        """Made good along the heading since the last ping; NaN where there is none. [m]"""
        if memory.where is None:
            return float("nan")
        north, east, heading = memory.where
        return float((pose[0] - north) * np.cos(heading) + (pose[1] - east) * np.sin(heading))

    def _bottom(
        self, memory, compressed, pose, way, given, fit
    ) -> tuple[SideMemory, BottomFix | None, float, int]:
        if not fit:
            return memory, None, float("nan"), 0
        state, fix = self.tracker.update(
            memory.bottom,
            compressed,
            depth_m=float(pose[2]),
            pitch_rad=float(pose[4]),
            roll_rad=float(pose[5]),
            way_m=way if np.isfinite(way) else 0.0,
            water_depth_m=self.water_depth_m,
        )
        state, chosen, disagrees = choose_altitude(state, fix, given, self.settings.track)
        bits = PingReason.ALTITUDE_DISAGREES if disagrees else 0
        if not np.isfinite(fix.altitude_m):
            bits |= PingReason.ALTITUDE_DECLINED
        return replace(memory, bottom=state), fix, chosen, bits

    def _channels(self, memory, compressed, pose, altitude, way, fit) -> tuple[SideMemory, ChannelFix, int]:
        turn = rotation(0.0, pose[4], pose[5])
        roll = float(pose[5]) * SIDE_SIGN[self.sonar.side]
        state, fix = self.calibrator.update(
            memory.channels,
            compressed,
            altitude_m=altitude - float((turn @ self.calibrator.frame.centre_m)[2]),
            tilt_rad=self.sonar.depression_rad + roll,
            way_m=way,
            usable=fit,
        )
        bits = PingReason.CHANNELS_FROZEN if fix.frozen else 0
        if fix.n_untied:
            bits |= PingReason.CHANNELS_UNTIED
        return replace(memory, channels=state), fix, bits

    def _motion(self, memory, ping, frame, row, altitude, fit, phases) -> tuple[SideMemory, MotionFix, int]:
        state = memory.motion
        if frame is None or self.looks is None:
            reason = "between the legs" if frame is None else "no altitude is known"
            nothing = MotionFix(0.0, 0.0, 0.0, None, 0.0, float("inf"), reason)
            state = replace(state, look=None)
            return replace(memory, motion=state, frame=frame), nothing, PingReason.MOTION_DECLINED
        if frame != memory.frame:
            # Another strip: looks of the last one can't be compared, and its shift ends with it.
            state = replace(state, look=None, error=np.zeros(3))
        usable = fit and np.isfinite(altitude)
        look = self.looks.lay(ping, self.trajectory, frame, row) if usable else None
        state, fix = self.looks.update(state, look, phases)
        declined = fix.reason and fix.reason != "no look before it"
        bits = PingReason.MOTION_DECLINED if declined else 0
        return replace(memory, motion=state, frame=frame), fix, bits


def _looks(
    sonar: Sonar,
    water: Water,
    platform: Platform,
    trajectory: Trajectory,
    settings: EstimateSettings,
    planned_altitude_m: float | None,
    planning: Trajectory | None,
) -> MotionEstimator | None:
    """The plan of the looks; the altitude that it is made for tells the nearest range and so the finest cell."""
    if not settings.estimate.motion:
        return None
    bottom: Any = settings.bottom
    depth = bottom.water_depth_m or water.depth_m
    known = (planning or trajectory).altitude_m.size
    if bottom.altitude_m is None and not known and depth is None:
        if planned_altitude_m is None:
            return None
        settings = replace(settings, bottom=replace(bottom, altitude_m=planned_altitude_m))
    return MotionEstimator.prepare(
        sonar,
        water,
        trajectory,
        platform,
        chain_settings=settings,
        settings=settings.motion,
        planning=planning,
    )
