"""Lines with errors put into their navigation, the estimator run over them, and their point targets in the image."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from pingloom.bench.measure.resolution import point_response
from pingloom.imaging.chain import Chain, ChainSettings
from pingloom.imaging.estimate.motion import MotionEstimator, MotionFix, MotionSettings, MotionState
from pingloom.imaging.frames import StripFrame, Trajectory
from pingloom.imaging.records import Correction, Ping, Platform, Sonar, Water
from tests.physics.estimate_lines import simulate

SPEED = 1.8
FRAME = StripFrame(0.0, 0.0, 0.0)
FAR = dict(range_stop_m=30.0, depression_deg=15.0)
LONG = {"300 kHz": dict(n_channel=40, channel_pitch_m=0.016, transmit_along_m=0.04)}
AWAY_M = (17.0, 24.0)


@dataclass(frozen=True)
class Line:
    sonar: Sonar
    water: Water
    pings: list[Ping]
    yaw_deg: float

    @property
    def side(self) -> str:
        return self.sonar.side

    @property
    def middle_m(self) -> float:
        return len(self.pings) / 11 * SPEED / 2

    def platform(
        self, error_m: NDArray | None = None, late_s: float = 0.0, turn_rad: NDArray | None = None
    ) -> Platform:
        """Navigation with an error (ping, 2) along and across or of heading that holds through each ping; or late."""
        start = np.array([p.time_ns for p in self.pings], np.int64)
        time = np.stack([start, start + 60_000_000], axis=1).ravel()
        t = (time - start[0]) * 1e-9 - late_s
        error = np.zeros((t.size, 2)) if error_m is None else np.repeat(error_m, 2, axis=0)
        zero, swing = np.zeros(t.size), 2 * np.pi / 4
        yaw = np.deg2rad(self.yaw_deg)
        turn = np.zeros(t.size) if turn_rad is None else np.repeat(turn_rad, 2)
        return Platform(
            time_ns=time.astype(np.uint64),
            north_m=SPEED * t + error[:, 0],
            east_m=error[:, 1],
            depth_m=zero + 12,
            heading_rad=yaw * np.sin(swing * t) + turn,
            pitch_rad=zero,
            roll_rad=zero,
            altitude_m=zero + 6,
            speed_forward_m_s=SPEED * np.cos(yaw * np.sin(swing * t) + turn),
            speed_starboard_m_s=-SPEED * np.sin(yaw * np.sin(swing * t) + turn),
            speed_down_m_s=zero,
            heading_rate_rad_s=yaw * swing * np.cos(swing * t),
            pitch_rate_rad_s=zero,
            roll_rate_rad_s=zero,
        )


@cache
def line(name: str, seed: int, *, n_ping: int = 44, yaw_deg: float = 0.0, rate_hz: float = 11.0) -> Line:
    sign = -1 if name == "300 kHz" else 1
    targets = [
        dict(kind="point", along_m=n_ping / 11 * SPEED / 2, across_m=sign * y, strength_db=-18.0)
        for y in AWAY_M
    ]
    motion = [dict(axis="yaw", amplitude_deg=yaw_deg, period_s=4.0)] if yaw_deg else []
    made = simulate(
        name,
        seed,
        sonar=dict(FAR, **LONG.get(name, {})),
        vehicle=dict(
            n_ping=n_ping,
            altitude_m=6.0,
            depth_m=12.0,
            speed_m_s=SPEED,
            ping_rate_hz=rate_hz,
            motion=motion,
        ),
        water=dict(noise_db=45.0),
        seabed=dict(per_cell=4.0, law="gaussian", sector_deg=12.0),
        targets=targets,
    )
    return Line(made.sonar, made.water, list(made.pings), yaw_deg)


def estimate(
    made: Line, platform: Platform, settings: MotionSettings | None = None, pings: list[Ping] | None = None
) -> tuple[list[MotionFix], MotionState]:
    trajectory = Trajectory.from_platform(platform)
    estimator = MotionEstimator.prepare(made.sonar, made.water, trajectory, platform, settings=settings)
    state, fixes = estimator.start(), []
    for ping in pings or made.pings:
        state, fix = estimator.update(state, estimator.lay(ping, trajectory, FRAME))
        fixes.append(fix)
    return fixes, state


def walk(made: Line, seed: int, step_m: float) -> NDArray[np.float64]:
    return np.cumsum(step_m * np.random.default_rng(seed).standard_normal((len(made.pings), 2)), axis=0)


def local_rms(error_m: NDArray) -> NDArray[np.float64]:
    """Over 17 pings about their mean, (2,)."""
    parts = [error_m[i : i + 17] for i in range(error_m.shape[0] - 16)]
    return np.sqrt(np.mean([(p - p.mean(axis=0)) ** 2 for p in parts], axis=(0, 1)))


@dataclass(frozen=True)
class Seen:
    peak_db: float
    contrast_db: float
    along_m: float
    across_m: float


def image(made: Line, platform: Platform, fixes: list[MotionFix] | None = None) -> list[Seen]:
    """The line's point targets in the chain's image."""
    trajectory = Trajectory.from_platform(platform)
    chain = Chain.prepare({made.side: made.sonar}, made.water, trajectory, ChainSettings())
    state, tiles = chain.start(FRAME), []
    for k, ping in enumerate(made.pings):
        row = None if fixes is None else correction(made.side, k, fixes[k])
        state, new, _ = chain.step(state, ping, trajectory, row)
        tiles += new
    tiles += chain.finish(state, trajectory)[0]
    intensity = np.nan_to_num(np.concatenate([t.intensity for t in tiles])).astype(np.float64)
    grid = chain.grid
    along = (tiles[0].first_along + np.arange(intensity.shape[0]) + 0.5) * grid.along_m
    across = (tiles[0].first_across + np.arange(intensity.shape[1]) + 0.5) * grid.across_m
    sign = -1 if made.side == "port" else 1
    found = []
    for y in AWAY_M:
        place = (made.middle_m, sign * y)
        near = np.ix_(np.abs(along - place[0]) < 0.7, np.abs(across - place[1]) < 0.4)
        j, i = np.unravel_index(np.argmax(intensity[near]), intensity[near].shape)
        response = point_response(
            intensity,
            pixel_m=(grid.along_m, grid.across_m),
            origin_m=(along[0], across[0]),
            near_m=(along[near[0].ravel()[j]], across[near[1].ravel()[i]]),
            search_m=(0.1, 0.05),
            half_size_m=(0.8, 0.25),
        )
        around = np.abs(np.abs(across - place[1]) - 1.5) < 1.0
        seabed = intensity[np.ix_(np.abs(along - place[0]) < 1.5, around)].mean()
        peak = 10 * np.log10(response.peak)
        contrast = peak - 10 * np.log10(seabed)
        found.append(Seen(peak, contrast, response.peak_along_m, response.peak_across_m))
    return found


def correction(side: str, number: int, fix: MotionFix) -> Correction:
    return Correction(
        side=side,
        number=number,
        shift_along_m=fix.along_m,
        shift_starboard_m=fix.starboard_m,
        shift_heading_rad=fix.heading_rad,
    )
