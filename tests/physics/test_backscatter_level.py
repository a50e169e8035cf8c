"""Calibrated level of the image: points by their target strength, a seabed by its Lambert constant, rolling and in noise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pingloom.imaging.chain import Chain, ChainSettings
from pingloom.imaging.frames import StripFrame, Trajectory
from pingloom.imaging.lay import GridSettings
from pingloom.imaging.records import Correction
from pingloom.simulate import echoes
from pingloom.simulate.scenario import (
    Oscillation,
    Scenario,
    SeabedTable,
    SonarTable,
    Target,
    VehicleTable,
    WaterTable,
)

ALTITUDE_M, WAY_M = 6.0, 3.0
ROLL = (Oscillation(axis="roll", amplitude_deg=3.0, period_s=1.7),)
SCENE = Scenario(
    seed=11,
    sonar=SonarTable(n_channel=16, range_start_m=7.0, range_stop_m=27.0, source_level_db=195.0),
    vehicle=VehicleTable(n_ping=25, ping_rate_hz=12.0, speed_m_s=1.5, altitude_m=ALTITUDE_M, motion=ROLL),
    water=WaterTable(noise_db=45.0, absorption_db_m=0.12),
    seabed=SeabedTable(lambert_db=-24.0, per_cell=3.0),
)


def image(scenario: Scenario, pixel_m: tuple[float, float]):
    """The chain, its image in dB re 1 m2 per m2 (along, across), and the place of its pixels."""
    trajectory = Trajectory.from_platform(echoes.platform(scenario))
    settings = ChainSettings(grid=GridSettings(along_m=pixel_m[0], across_m=pixel_m[1], heading_deg=0.0))
    chain = Chain.prepare(echoes.sonars(scenario), echoes.water(scenario), trajectory, settings)
    state, tiles = chain.start(StripFrame(0.0, 0.0, 0.0)), []
    for ping, _ in echoes.simulate(scenario):
        state, new, _ = chain.step(state, ping, trajectory)
        tiles += new
    tiles += chain.finish(state, trajectory)[0]
    intensity = np.concatenate([t.intensity for t in tiles])
    along = (tiles[0].first_along + np.arange(intensity.shape[0]) + 0.5) * pixel_m[0]
    across = (np.arange(intensity.shape[1]) + 0.5) * pixel_m[1]
    return chain, intensity, along, across


def test_a_lambert_seabed_comes_back_within_a_decibel_over_the_swath() -> None:
    _, intensity, along, across = image(SCENE, (0.08, 0.03))
    inside = (along > 0.8) & (along < WAY_M - 0.8)
    slant = np.hypot(across, ALTITUDE_M)
    swath = (slant > 7.2) & (slant < 25.5) & (across > 3.5)
    level = 10 * np.log10(np.nanmean(intensity[inside][:, swath], axis=0))
    expected = -24.0 + 20 * np.log10(ALTITUDE_M / slant[swath])
    # Means over a metre of range, some hundred cells each: speckle scatters them by 0.2 dB.
    n = level.size // 33
    error = [10 * np.log10(np.mean(10 ** ((level - expected)[33 * k : 33 * (k + 1)] / 10))) for k in range(n)]
    assert np.mean(np.abs(error) < 1.0) >= 0.8
    assert abs(np.mean(error)) < 0.3


@pytest.mark.parametrize("swing", [(), ROLL])
def test_a_point_reads_its_strength_less_the_cell(swing: tuple) -> None:
    ranges = (10.0, 16.0, 22.0)
    points = tuple(Target(along_m=WAY_M / 2, across_m=x, strength_db=-12.0) for x in ranges)
    scenario = replace(
        SCENE,
        vehicle=replace(SCENE.vehicle, motion=swing),
        seabed=SeabedTable(present=False),
        water=replace(SCENE.water, noise=False, noise_db=None),
        targets=points,
    )
    chain, intensity, along, across = image(scenario, (0.03, 0.006))
    for x in ranges:
        near = intensity[:, np.abs(across - x) < 0.3][np.abs(along - WAY_M / 2) < 0.5]
        slant = np.hypot(x, ALTITUDE_M)
        cell = chain.sides["starboard"].radiometer.cell * slant**2 / x
        # A pixel stands up to half a step off the peak.
        assert 10 * np.log10(near.max()) == pytest.approx(-12.0 - 10 * np.log10(cell), abs=0.3)


@pytest.mark.parametrize("altitude_m", [2.5, 6.0])
def test_receivers_that_a_correction_leaves_out_read_as_those_the_sonar_lacks(altitude_m: float) -> None:
    """Seabed and noise alike; near the bottom noise is measured on raw samples, high above it on compressed ones."""
    scenario = replace(
        SCENE,
        sonar=replace(SCENE.sonar, range_start_m=1.0, range_stop_m=14.0, pulse_duration_s=1e-3),
        vehicle=replace(SCENE.vehicle, n_ping=6, altitude_m=altitude_m, motion=()),
        water=WaterTable(noise_db=70.0, absorption_db_m=0.12),
        seabed=SeabedTable(lambert_db=-24.0, per_cell=1.0),
    )
    dead = [2, 7, 11]
    ok = np.ones((1, 16), np.bool_)
    ok[0, dead] = False
    trajectory, sonars = Trajectory.from_platform(echoes.platform(scenario)), echoes.sonars(scenario)
    pings = [ping for ping, _ in echoes.simulate(scenario)]
    for ping in pings:
        ping.echo[:, dead] = 0
    lacking = {side: replace(sonar, element_ok=ok) for side, sonar in sonars.items()}
    found = []
    for described, left_out in ((lacking, False), (sonars, True)):
        chain = Chain.prepare(described, echoes.water(scenario), trajectory)
        shading = chain.sides["starboard"].beamformer.shading
        weight = (ok * (shading.sum() / shading[ok[0]].sum())).astype(np.complex64)
        state, tiles = chain.start(StripFrame(0.0, 0.0, 0.0)), []
        for ping in pings:
            fix = Correction(side=ping.side, number=ping.number, channel_weight=weight) if left_out else None
            state, new, _ = chain.step(state, ping, trajectory, fix)
            tiles += new
        tiles += chain.finish(state, trajectory)[0]
        found.append(
            [
                np.nanmean(np.concatenate([getattr(t, n) for t in tiles]))
                for n in ("intensity", "noise_equivalent")
            ]
        )
    # 0.05 dB; without a word to the level the seabed reads 1 dB high.
    assert np.array(found[1]) == pytest.approx(np.array(found[0]), rel=0.012)
