"""Tiles of seabed fixed to the ground: the same for every leg and side, dense enough, and none left out."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from pingloom.simulate import echoes
from pingloom.simulate.cells import cell_m
from pingloom.simulate.ground import Ground
from pingloom.simulate.motion import Track
from pingloom.simulate.scenario import (
    Leg,
    Oscillation,
    Scenario,
    SeabedTable,
    SonarTable,
    VehicleTable,
    WaterTable,
)
from pingloom.simulate.tiles import TILE_M, Tiles

SCENARIO = Scenario(
    seed=4,
    sonar=SonarTable(n_channel=8, channel_pitch_m=0.05, range_stop_m=9.0, sides="both", array_forward_m=0.3),
    vehicle=VehicleTable(
        altitude_m=4.0,
        legs=(Leg(heading_deg=50, length_m=6), Leg(heading_deg=170, length_m=6), Leg(heading_deg=230, length_m=5)),
        turn_radius_m=3.0,
        start_east_m=30.0,
        current_m_s=0.3,
        current_to_deg=80.0,
        motion=(Oscillation(axis="pitch", amplitude_deg=3.0, period_s=3.0),),
    ),
    water=WaterTable(noise=False),
    seabed=SeabedTable(per_cell=2.0),
)  # fmt: skip


def tiles(scenario=SCENARIO, side="starboard"):
    return Tiles.plan(scenario, Ground.of(scenario), side, 0.12)


def test_both_sides_and_every_leg_see_the_same_points():
    port, starboard = tiles(side="port"), tiles()
    starboard.tile(-3, 8)
    for a, b in zip(
        (port.tile(2, -1).place_m, port.tile(2, -1).phase_cycles),
        (starboard.tile(2, -1).place_m, starboard.tile(2, -1).phase_cycles),
        strict=True,
    ):
        assert_array_equal(a, b)


def test_tiles_and_seeds_differ():
    keys = [(0, 0), (-1, 0), (0, -1), (1, 0), (-1, -1)]
    phases = {tiles().tile(*k).phase_cycles[:40].tobytes() for k in keys}
    other = tiles(dataclasses.replace(SCENARIO, seed=5)).tile(0, 0).phase_cycles[:40].tobytes()
    assert len(phases | {other}) == 6


@pytest.mark.parametrize("key", [(0, 0), (-4, 3), (5, -7)])
def test_points_fill_their_tile_with_its_backscatter(key):
    tile = tiles().tile(*key)
    heading = np.deg2rad(50.0)
    north, east = tile.place_m[0], tile.place_m[1] - 30.0
    along = np.cos(heading) * north + np.sin(heading) * east
    across = np.cos(heading) * east - np.sin(heading) * north
    for value, index in ((along, key[0]), (across, key[1])):
        assert (np.floor(value / TILE_M + 1e-9) == index).all()
        assert np.ptp(value) > 0.9
    assert_allclose(np.sum(tile.modulus**2), TILE_M**2 * 10**-2.7, rtol=1e-12)


@pytest.mark.parametrize("away", [1.0, 4.0, 7.0])
def test_every_cell_holds_the_points_that_were_asked_for_and_their_power_is_even(away):
    tile = tiles().tile(2, -int(away))  # to port of the first leg, which alone is near
    along, across = cell_m(SCENARIO, away - 0.5)
    density = tile.modulus.size / TILE_M**2
    assert density * along * across >= 2.0 * 0.9  # whole numbers of rows; the cell at the tile's middle
    heading = np.deg2rad(50.0)
    north, east = tile.place_m[0], tile.place_m[1] - 30.0
    a = np.cos(heading) * north + np.sin(heading) * east - 2
    b = np.cos(heading) * east - np.sin(heading) * north + int(away)
    counts = np.histogram2d(
        a, b, bins=[max(2, int(1 / along)), max(2, int(1 / across))], range=[[0, 1], [0, 1]]
    )[0]
    # Points strewn at random have a variance equal to their mean.
    assert counts.var() < 0.5 * counts.mean()


@pytest.mark.parametrize("seconds", [1.0, 5.5, 9.0])
@pytest.mark.parametrize("mode", ["reference"])
def test_no_point_that_a_ping_meets_is_left_out(seconds, mode, monkeypatch):
    number = round(seconds * SCENARIO.vehicle.ping_rate_hz)
    assert number < SCENARIO.vehicle.n_ping

    def echo():
        pings = echoes.simulate(SCENARIO, mode=mode, threads=1, first=number)
        both = [next(pings)[0].echo for _ in range(2)]
        pings.close()
        return both

    picked = echo()
    everything = {}

    def near(self, track, time_s):
        north, east, _ = track.position(time_s)
        heading = np.deg2rad(50.0)
        i = int(np.cos(heading) * north + np.sin(heading) * (east - 30.0))
        j = int(np.cos(heading) * (east - 30.0) - np.sin(heading) * north)
        for a in range(i - 11, i + 12):
            for b in range(j - 11, j + 12):
                if (a, b) not in everything:
                    everything[a, b] = self.tile(a, b)
        return list(everything.values())

    monkeypatch.setattr(Tiles, "near", near)
    for one, other in zip(picked, echo(), strict=True):
        # Beyond the inner margin the seabed ends by design: what is missing there is heard from 4.5 m, and for the
        # pulse's 1.5 m more. Later not one point is missing.
        late = one.shape[-1] * 3 // 4
        assert np.linalg.norm((one - other)[..., late:]) < 1e-6 * np.linalg.norm(other[..., late:])
        assert np.linalg.norm(one - other) < 0.05 * np.linalg.norm(other)


def test_memory_is_that_of_the_tiles_in_reach():
    here, track = tiles(), Track.of(SCENARIO)
    for time in np.linspace(0, SCENARIO.vehicle.duration_s, 12):
        kept = here.near(track, time)
        # A sector of 14 degrees, 9 m long, has 10 square metres; its rim adds a metre all round.
        assert 10 <= len(here.kept) < 80
        assert len(kept) == len(here.kept)
