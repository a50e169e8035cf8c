"""Estimation over a recording: pings in, a table of corrections out.

The order is that of the chain: is the ping fit for use, where is the seabed, what are the receivers worth, how did the
vehicle move. Each estimator takes the ping and its own state and gives a new state; nothing else passes between them
than what is written here.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pingloom import __version__
from pingloom.bench.console import as_json, refuse_existing
from pingloom.bench.imaging_run import ImageSettings
from pingloom.bench.legs import Leg, leg_of, legs
from pingloom.imaging.beamform import channel_shading
from pingloom.imaging.compress import Compressor
from pingloom.imaging.conventions import SIDE_SIGN
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.estimate.bottom import (
    BottomFix,
    BottomState,
    BottomTracker,
    BottomTrackSettings,
    choose_altitude,
)
from pingloom.imaging.estimate.channels import ChannelCalibrator, ChannelFix, ChannelSettings, ChannelState
from pingloom.imaging.estimate.motion import MotionEstimator, MotionFix, MotionSettings, MotionState
from pingloom.imaging.estimate.reject import PingReason, PingRejector, RejectSettings, RejectState, Verdict
from pingloom.imaging.frames import StripFrame, Trajectory, array_frame, rotation
from pingloom.imaging.records import Correction, Ping, Platform, Sonar, Water
from pingloom.io.corrections import SideCorrections, write_corrections
from pingloom.io.recording import Recording, open_recording
from pingloom.io.settings import to_toml

__all__ = [
    "EstimateRun",
    "EstimateSettings",
    "SideEstimator",
    "SideMemory",
    "StepSettings",
    "Told",
    "estimate_recording",
    "side_estimators",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class StepSettings:
    """Which estimators run."""

    reject: bool = True
    bottom: bool = True
    channels: bool = True
    motion: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class EstimateSettings(ImageSettings):
    """All that can be set about estimation; the chain's own settings serve the looks that are compared."""

    steps: StepSettings = StepSettings()
    track: BottomTrackSettings = BottomTrackSettings()
    channels: ChannelSettings = ChannelSettings()
    motion: MotionSettings = MotionSettings()
    reject: RejectSettings = RejectSettings()


@dataclass(frozen=True, slots=True)
class SideMemory:
    """What one side's estimators remember: written down, it restarts them exactly."""

    reject: RejectState
    bottom: BottomState
    channels: ChannelState
    motion: MotionState = field(default_factory=MotionState)
    where: tuple[float, float, float] | None = None
    """North, east [m] and heading [rad] at the last ping."""
    leg: int | None = None


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


Clock = Callable[[str], None]


@dataclass(slots=True, eq=False)
class SideEstimator:
    """One side's estimators, planned once; only the plan of the looks waits for a first altitude."""

    settings: EstimateSettings
    sonar: Sonar
    water: Water
    platform: Platform
    trajectory: Trajectory
    found: list[Leg]
    sound_speed_m_s: float
    compressor: Compressor
    rejector: PingRejector
    tracker: BottomTracker
    calibrator: ChannelCalibrator
    looks: MotionEstimator | None = None

    @classmethod
    def prepare(
        cls,
        sonar: Sonar,
        water: Water,
        platform: Platform,
        trajectory: Trajectory,
        found: list[Leg],
        settings: EstimateSettings,
    ) -> SideEstimator:
        """Plan the estimators of one array."""
        speed = settings.water.sound_speed_m_s or water.sound_speed_m_s
        compressor = Compressor.prepare(sonar, settings.compress)
        shading = channel_shading(array_frame(sonar), sonar.live, settings.beamform.shading)
        return cls(
            settings=settings,
            sonar=sonar,
            water=water,
            platform=platform,
            trajectory=trajectory,
            found=found,
            sound_speed_m_s=speed,
            compressor=compressor,
            rejector=PingRejector.prepare(sonar, compressor, platform, trajectory, settings.reject),
            tracker=BottomTracker.prepare(sonar, compressor, sound_speed_m_s=speed, settings=settings.track),
            calibrator=ChannelCalibrator.prepare(
                sonar, compressor, sound_speed_m_s=speed, shading=shading, settings=settings.channels
            ),
        )

    def start(self) -> SideMemory:
        """Nothing known."""
        return SideMemory(self.rejector.start(), self.tracker.start(), self.calibrator.start())

    def step(
        self, memory: SideMemory, ping: Ping, note: Clock = lambda step: None
    ) -> tuple[SideMemory, Told]:
        """Take in one ping; ``note`` is called with each estimator's name after it ran."""
        steps = self.settings.steps
        pose = self.trajectory.pose(
            [self.trajectory.seconds(ping.time_ns) + self.sonar.pulse_duration_s / 2]
        )[0][0]
        given = self.given_altitude(ping)
        finite = np.isfinite(ping.echo.view(np.float32)).all()
        compressed = self.compressor.run(ping.echo if finite else np.zeros_like(ping.echo))
        note("matched filter")
        verdict = bottom = channels = motion = None
        altitude = given
        if steps.reject:
            at = memory.bottom.depth_m - pose[2] if memory.bottom.is_locked else given
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
            memory, motion, bits = self._motion(memory, ping, row, altitude, fit)
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

    # ---- the estimators one by one -----------------------------------------------------------------------

    def given_altitude(self, ping: Ping) -> float:
        """Altitude of the body origin without its echoes: settings, navigation or water depth; NaN: none. [m]"""
        if self.settings.bottom.altitude_m is not None:
            return self.settings.bottom.altitude_m
        at = self.trajectory.seconds(ping.time_ns) + self.sonar.pulse_duration_s / 2
        try:
            return self.trajectory.altitude(at, self.water.depth_m)
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
            water_depth_m=self.water.depth_m,
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

    def _motion(self, memory, ping, row, altitude, fit) -> tuple[SideMemory, MotionFix, int]:
        leg = leg_of(self.found, ping.time_ns)
        looks = self._looks(altitude)
        if leg is None or looks is None:
            reason = "between the legs" if leg is None else "no altitude is known"
            nothing = MotionFix(0.0, 0.0, 0.0, None, 0.0, float("inf"), reason)
            return (
                replace(memory, motion=replace(memory.motion, look=None), leg=leg),
                nothing,
                PingReason.MOTION_DECLINED,
            )
        state = memory.motion
        if leg != memory.leg:
            # Another strip: looks of the last one can't be compared, and its shift ends with it.
            state = replace(state, look=None, error=np.zeros(3))
        looks = replace(looks, frame=self.found[leg].frame)
        usable = fit and np.isfinite(altitude)
        look = looks.lay(ping, self.trajectory, row) if usable else None
        state, fix = looks.update(state, look)
        declined = fix.reason and fix.reason != "no look before it"
        bits = PingReason.MOTION_DECLINED if declined else 0
        return replace(memory, motion=state, leg=leg), fix, bits

    def _looks(self, altitude: float) -> MotionEstimator | None:
        """The plan of the looks, made when an altitude is first known."""
        if self.looks is None and self.found and np.isfinite(altitude):
            known = self.trajectory.altitude_m.size or self.water.depth_m is not None
            chosen: Any = self.settings
            if not known and chosen.bottom.altitude_m is None:
                chosen = replace(chosen, bottom=replace(chosen.bottom, altitude_m=round(altitude, 1)))
            self.looks = MotionEstimator.prepare(
                self.sonar,
                self.water,
                self.trajectory,
                self.platform,
                self.found[0].frame,
                chain_settings=chosen,
                settings=self.settings.motion,
            )
        return self.looks


# ---- a whole recording -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class EstimateRun:
    """What one run found and took."""

    told: dict[str, list[Told]]
    memory: dict[str, SideMemory]
    step_ms: dict[str, float]
    """Median time of each estimator per ping."""
    wall_s: float
    interval_s: float

    def summary(self) -> dict[str, Any]:
        """Counts and figures by side."""
        return {side: _summary(told) for side, told in self.told.items()}


def estimate_recording(
    path: str | Path,
    output: str | Path,
    *,
    settings: EstimateSettings | None = None,
    overwrite: bool = False,
    on_ping: Callable[[int, int], None] | None = None,
    before_rename: Callable[[], None] | None = None,
) -> EstimateRun:
    """Estimate a recording's corrections into ``output``.

    Parameters
    ----------
    on_ping : callable, optional
        Called with the number of pings done and their total.
    before_rename : callable, optional
        Called when the table is whole, before it takes its name.

    Raises
    ------
    ParameterError, DataError
        If the recording or a setting does not allow it; nothing stays under the final name then.
    """
    settings = settings or EstimateSettings()
    output = Path(output)
    refuse_existing(output, overwrite=overwrite)
    start = time.perf_counter()
    with open_recording(path) as recording:
        total = sum(recording.n_ping(side) for side in recording.sides)
        if total == 0:
            raise ParameterError(
                f"{path} holds no ping; allowed: one or more. Was the recording cut off at once?"
            )
        estimators = side_estimators(recording, settings)
        memory = {side: e.start() for side, e in estimators.items()}
        told: dict[str, list[Told]] = {side: [] for side in estimators}
        times = _Times()
        for done, ping in enumerate(recording.pings(), 1):
            times.begin()
            memory[ping.side], new = estimators[ping.side].step(memory[ping.side], ping, times.note)
            told[ping.side].append(new)
            if on_ping is not None:
                on_ping(done, total)
        write_corrections(
            output,
            {side: _side_table(rows) for side, rows in told.items()},
            reason_names=PingReason.NAMES,
            recording=as_json(recording.identity()),
            settings=to_toml(settings),
            history=f"estimated by pingloom {__version__}",
            overwrite=overwrite,
            before_rename=before_rename,
        )
        gaps = [np.diff(recording.ping_time_ns(s).astype(np.int64)) for s in recording.sides]
        gap = np.concatenate(gaps)
    return EstimateRun(
        told=told,
        memory=memory,
        step_ms=times.median_ms(),
        wall_s=time.perf_counter() - start,
        interval_s=float(np.median(gap)) * 1e-9 if gap.size else float("nan"),
    )


def side_estimators(recording: Recording, settings: EstimateSettings) -> dict[str, SideEstimator]:
    """Plan the estimators of each side of an open recording."""
    platform = recording.platform()
    trajectory = Trajectory.from_platform(platform)
    found = _legs(recording, trajectory, settings)
    return {
        side: SideEstimator.prepare(
            recording.sonar(side), recording.water(), platform, trajectory, found, settings
        )
        for side in recording.sides
    }


def _legs(recording: Recording, trajectory: Trajectory, settings: EstimateSettings) -> list[Leg]:
    """The legs that imaging would cut, one where there is no turn."""

    def frame(trajectory: Trajectory, times_ns) -> StripFrame:
        times = list(times_ns)[: settings.grid.course_pings]
        course = StripFrame.from_course(trajectory, *(trajectory.seconds(times[i]) for i in (0, -1)))
        if settings.grid.heading_deg is None:
            return course
        return replace(course, heading_rad=float(np.deg2rad(settings.grid.heading_deg) % (2 * np.pi)))

    times = np.sort(np.concatenate([recording.ping_time_ns(s) for s in recording.sides])).astype(np.int64)
    whole = [Leg(int(times[0]), int(times[-1]), frame(trajectory, times.tolist()))]
    if settings.legs.mode == "whole":
        return whole
    inside = [int(t) for t in times if trajectory.covers(*(2 * [trajectory.seconds(int(t))]))]
    try:
        found = legs(trajectory, inside, settings.legs, frame)
    except DataError:
        return whole
    return found if len(found) > 1 or settings.legs.mode == "planned" else whole


def _side_table(told: list[Told]) -> SideCorrections:
    order = sorted(told, key=lambda t: t.correction.number)
    columns = [t.evidence() for t in order]
    return SideCorrections(
        rows=[t.correction for t in order],
        time_ns=np.array([t.time_ns for t in order], np.uint64),
        evidence={name: np.array([c[name] for c in columns]) for name in (columns[0] if columns else {})},
    )


@dataclass(slots=True)
class _Times:
    seconds: dict[str, list[float]] = field(default_factory=dict)
    _last: float = 0.0

    def begin(self) -> None:
        self._last = time.perf_counter()

    def note(self, step: str) -> None:
        now = time.perf_counter()
        self.seconds.setdefault(step, []).append(now - self._last)
        self._last = now

    def median_ms(self) -> dict[str, float]:
        return {step: 1e3 * float(np.median(s)) for step, s in self.seconds.items()}


def _summary(told: list[Told]) -> dict[str, Any]:
    words = Counter(w for t in told for w in PingReason.words(t.correction.reasons))
    fixes = [t.bottom for t in told if t.bottom is not None]
    off = [t.bottom.altitude_m - t.given_altitude_m for t in told if t.bottom is not None]
    off = np.array([x for x in off if np.isfinite(x)])
    channel = next((t.channels for t in reversed(told) if t.channels is not None), None)
    moved = [t.motion for t in told if t.motion is not None]
    last = moved[-1] if moved else None
    matched = [m for m in moved if m.match is not None and not m.match.reason]
    return {
        "pings": len(told),
        "left_out": sum(t.correction.look_weight == 0 for t in told),
        "reasons": dict(sorted(words.items())),
        "altitude_fixes": sum(np.isfinite(f.altitude_m) for f in fixes),
        "echo_less_given_altitude_mean_m": float(off.mean()) if off.size else None,
        "echo_less_given_altitude_rms_m": float(np.sqrt(np.mean(off**2))) if off.size else None,
        "receivers_left_out": [] if channel is None else np.argwhere(~channel.live).tolist(),
        "receiver_gain_rms_db": None if channel is None else float(np.nanstd(channel.gain_db)),
        "receiver_phase_rms_deg": None
        if channel is None
        else float(np.rad2deg(np.std(channel.phase_rad[channel.live]))),
        "receiver_phase_std_deg": None
        if channel is None or channel.weight is None
        else float(np.rad2deg(np.mean(channel.phase_std_rad[channel.live]))),
        "receiver_pieces": None if channel is None else channel.n_piece,
        "receiver_pieces_untied": None if channel is None else channel.n_untied,
        "looks_matched": len(matched),
        "look_correlation": float(np.mean([m.match.correlation for m in matched])) if matched else None,
        "shift_rms_m": [
            float(np.sqrt(np.mean([getattr(m, name) ** 2 for m in moved]))) if moved else None
            for name in ("along_m", "starboard_m")
        ],
        "latency_s": None if last is None else last.latency_s,
        "latency_std_s": None if last is None else last.latency_std_s,
        "refusals": dict(Counter(m.reason for m in moved if m.reason and m.reason != "no look before it")),
    }
