"""Running the chain over a recording file, and turning what it gives into arrays that can be compared.

The other tests of the imager take ``run`` and ``Strip`` from here; the tests at the end hold them to their word.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_array_equal
from numpy.typing import NDArray

from pingloom.imaging.average import AverageSettings
from pingloom.imaging.beamform import BeamformSettings
from pingloom.imaging.chain import BottomSettings, Chain, ChainSettings, StepReport, WaterSettings
from pingloom.imaging.compress import CompressSettings
from pingloom.imaging.frames import StripFrame, Trajectory
from pingloom.imaging.lay import GridSettings
from pingloom.imaging.records import Tile
from pingloom.io.recording import open_recording
from tests.reference import theory
from tests.reference.echo_sum import axes, departure, place
from tests.reference.scenes import Truth, one_ping


@dataclass(frozen=True, kw_only=True)
class Strip:
    """One side's tiles joined, with the coordinates of the pixels' centres."""

    chain: Chain
    frame: StripFrame
    side: str
    reports: list[StepReport]
    along_m: NDArray[np.float64]
    across_m: NDArray[np.float64]
    intensity: NDArray[np.float32]
    looks: NDArray[np.float32]
    coverage: NDArray[np.uint16]
    noise_equivalent: NDArray[np.float32]
    quality: NDArray[np.uint8]

    @property
    def pixel_m(self) -> tuple[float, float]:
        return self.chain.grid.along_m, self.chain.grid.across_m

    @property
    def with_noise(self) -> NDArray[np.float64]:
        """Intensity before the noise was subtracted."""
        return self.intensity.astype(np.float64) + np.nan_to_num(self.noise_equivalent)

    def world(self, along_m: NDArray, across_m: NDArray, depth_m: float) -> NDArray[np.float64]:
        """North, east, depth of places in the strip."""
        c, s = np.cos(self.frame.heading_rad), np.sin(self.frame.heading_rad)
        north = self.frame.north_m + along_m * c - across_m * s
        east = self.frame.east_m + along_m * s + across_m * c
        return np.stack(np.broadcast_arrays(north, east, depth_m), axis=-1)

    def strip(self, world_m: NDArray) -> tuple[float, float]:
        """Along and across of a place in the world."""
        c, s = np.cos(self.frame.heading_rad), np.sin(self.frame.heading_rad)
        n, e = world_m[0] - self.frame.north_m, world_m[1] - self.frame.east_m
        return float(n * c + e * s), float(-n * s + e * c)

    def window(self, along: tuple[float, float], across: tuple[float, float]) -> tuple[slice, slice]:
        """Slices of the pixels whose centres lie between these coordinates."""
        first = np.searchsorted(self.along_m, along)
        second = np.searchsorted(self.across_m, across)
        return slice(*first), slice(*second)


def settings(
    *, window: str = "none", shading: str = "uniform", weighting: str = "equalised", **more: Any
) -> ChainSettings:
    """Settings whose image theory and the reference imager can be asked for: no window, uniform shading."""
    beam = {k: more.pop(k) for k in ("sector_deg", "yaw_rate_bound_deg_s") if k in more}
    water = {"rays": more.pop("rays")} if "rays" in more else {}
    bottom = {"altitude_m": more.pop("altitude_m")} if "altitude_m" in more else {}
    return ChainSettings(
        compress=CompressSettings(window=window),
        beamform=BeamformSettings(shading=shading, **beam),
        average=AverageSettings(weighting=weighting),
        bottom=BottomSettings(**bottom),
        water=WaterSettings(**water),
        grid=GridSettings(**more),
    )


def join(tiles: list[Tile], chain: Chain, frame: StripFrame, reports: list[StepReport], side: str) -> Strip:
    """Lay one side's tiles after each other; they must follow without gap or overlap."""
    own = [t for t in tiles if t.side == side]
    edge = [t.first_along for t in own] + [own[-1].first_along + own[-1].intensity.shape[0]]
    assert [t.first_along + t.intensity.shape[0] for t in own] == edge[1:], "tiles leave gaps or overlap"
    layer = {
        name: np.concatenate([getattr(t, name) for t in own])
        for name in ("intensity", "looks", "coverage", "noise_equivalent", "quality")
    }
    n_along, n_across = layer["intensity"].shape
    return Strip(
        chain=chain,
        frame=frame,
        side=side,
        reports=[r for r in reports if r.side == side],
        along_m=(edge[0] + np.arange(n_along) + 0.5) * chain.grid.along_m,
        across_m=(own[0].first_across + np.arange(n_across) + 0.5) * chain.grid.across_m,
        **layer,
    )


def run(
    path: Path,
    side: str,
    wanted: ChainSettings | None = None,
    *,
    method: str = "multilook",
    pings: slice = slice(None),
    frame: StripFrame | None = None,
    water_depth_m: float | None = None,
) -> Strip:
    """Image one side of a recording; a water depth may be laid over what the recording says."""
    with open_recording(path) as recording:
        trajectory = Trajectory.from_platform(recording.platform())
        water = recording.water()
        if water_depth_m is not None:
            water = replace(water, depth_m=water_depth_m)
        chain = Chain.prepare({side: recording.sonar(side)}, water, trajectory, wanted or settings(), method)
        state, tiles, reports = chain.start(frame), [], []
        for ping in list(recording.pings(side))[pings]:
            state, new, report = chain.step(state, ping, trajectory)
            tiles += new
            reports += report
        new, report = chain.finish(state, trajectory)
    return join(tiles + new, chain, state.frame, reports + report, side)


def cell_area(truth: Truth, side: str, points_m: NDArray) -> NDArray[np.float64]:
    """Area of the cell that each ping has at each point, (ping, ...): what turns unit scatterers into backscatter.

    c/2 times the integral of the compressed pulse over the cosine of grazing, by lambda R over the array's length,
    over the cosine of the azimuth; both widths integrals of a uniformly shaded, unwindowed response.
    """
    sonar = truth.sonars[side]
    # Along a ray the horizontal slowness stays that at the array, so the array's speed scales the cell either way.
    c = truth.water.sound_speed_m_s + truth.water.gradient_per_s * float(
        truth.pose(truth.ping_time_s[side])[2].mean()
    )
    along = sonar.element_position_m[0, :, 0]
    length = np.diff(along).mean() * along.size
    width = theory.range_equivalent_width(sonar, c) * c / sonar.middle_hz / length
    area = []
    for t in truth.ping_time_s[side] + sonar.duration_s / 2:
        now = np.array(t)
        centre = place(truth.pose, now, sonar.element_position_m.reshape(-1, 3).mean(axis=0))
        ray = points_m - centre
        level = np.hypot(ray[..., 0], ray[..., 1])
        leaving = departure(
            np.broadcast_to(centre, points_m.shape).T, np.asarray(points_m, float).T, truth.water
        ).T
        cosine = np.hypot(leaving[..., 0], leaving[..., 1])
        u = leaving @ axes(*truth.pose(now)[3:])[0]
        area.append(width * level / cosine**2 / np.sqrt(1 - (u / cosine) ** 2))
    return np.array(area)


def test_tiles_of_any_height_join_to_the_same_strip(tmp_path) -> None:
    truth = one_ping(tmp_path / "r.h5")
    grid = dict(along_m=0.05, across_m=0.05)
    whole = run(truth.path, "starboard", settings(**grid, tile_rows=500))
    parts = run(truth.path, "starboard", settings(**grid, tile_rows=7))
    # Rows at the ends may be cut off differently, by a whole tile's rest; where both are they hold the same bytes.
    same = np.isin(whole.along_m.round(6), parts.along_m.round(6))
    assert same.sum() == parts.along_m.size
    assert_array_equal(whole.intensity[same], parts.intensity)
    assert_array_equal(whole.coverage[same], parts.coverage)
    assert not whole.coverage[~same].any()


def test_strip_coordinates_turn_into_world_and_back(tmp_path) -> None:
    truth = one_ping(tmp_path / "r.h5")
    strip = run(truth.path, "starboard", settings(along_m=0.1, across_m=0.1))
    assert strip.strip(strip.world(3.0, 4.0, 20.0)) == pytest.approx((3.0, 4.0))
