"""Scatterers: chance, density and what boxes hide."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from pingloom.simulate._surface_kernels import drop_hidden
from pingloom.simulate.occlusion import hidden_points, in_the_way, solid_table
from pingloom.simulate.relief import Relief
from pingloom.simulate.scenario import Scenario, SeabedTable, SonarTable, Target, VehicleTable
from pingloom.simulate.scene import BLOCK_M, Seabed
from pingloom.simulate.targets import target_scatterers

SCENARIO = Scenario(
    seed=4,
    sonar=SonarTable(range_stop_m=20.0),
    vehicle=VehicleTable(altitude_m=6.0, heading_deg=50.0, start_east_m=30.0),
)


def flat(groups):
    """(along, across, modulus, phase) of all points of a block."""
    place = np.concatenate([g.place_m for g in groups], axis=1)
    heading = np.deg2rad(SCENARIO.vehicle.heading_deg)
    north, east = place[0], place[1] - 30.0
    along = np.cos(heading) * north + np.sin(heading) * east
    across = np.cos(heading) * east - np.sin(heading) * north
    return (
        along,
        across,
        *(np.concatenate([getattr(g, n) for g in groups]) for n in ("modulus", "phase_cycles")),
    )


def test_block_does_not_depend_on_what_was_made_before():
    one, other = Seabed.plan(SCENARIO, "starboard"), Seabed.plan(SCENARIO, "starboard")
    other.block(-3), other.block(8)
    for a, b in zip(one.block(7), other.block(7), strict=True):
        assert_array_equal(a.place_m, b.place_m)
        assert_array_equal(a.phase_cycles, b.phase_cycles)


@pytest.mark.parametrize("index", [-1, 0, 1])
def test_blocks_sides_and_seeds_differ(index):
    phases = [
        Seabed.plan(dataclasses.replace(SCENARIO, seed=seed), side).block(i)[0].phase_cycles[:50]
        for seed, side, i in (
            (4, "starboard", index),
            (4, "port", index),
            (5, "starboard", index),
            (4, "starboard", 9),
        )
    ]
    assert len({p.tobytes() for p in phases}) == 4


def test_blocks_join_without_gap_or_overlap():
    seabed = Seabed.plan(SCENARIO, "starboard")
    for index in (-1, 0, 5):
        along, across, _, _ = flat(seabed.block(index))
        assert (np.floor(along / BLOCK_M + 1e-9) == index).all()  # jitter of half a place stays in its block
        assert across.min() < 0 < 19 < across.max()


def test_port_is_the_mirror_side():
    assert flat(Seabed.plan(SCENARIO, "port").block(0))[1].mean() < 0


@pytest.mark.parametrize("placement", ["jittered", "random"])
@pytest.mark.parametrize("law", ["constant_modulus", "gaussian"])
def test_mean_backscatter_of_a_unit_area_is_lamberts_constant(law, placement):
    seabed = SeabedTable(law=law, placement=placement)
    plan = Seabed.plan(dataclasses.replace(SCENARIO, seabed=seabed), "starboard")
    _, across, modulus, _ = flat(plan.block(2))
    for low, high in ((3.0, 8.0), (8.0, 13.0), (13.0, 18.0)):
        power = modulus[(across > low) & (across < high)] ** 2
        # Thousands of points; only random placement and Gaussian moduli fluctuate, by about 1 / sqrt(n).
        assert_allclose(power.sum() / (BLOCK_M * (high - low)) / 10**-2.7, 1, atol=5 / np.sqrt(power.size))


@pytest.mark.parametrize("per_cell", [3.0, 6.0])
def test_density_follows_the_resolution_cell(per_cell):
    seabed = SeabedTable(per_cell=per_cell)
    _, across, _, _ = flat(Seabed.plan(dataclasses.replace(SCENARIO, seabed=seabed), "starboard").block(0))
    for ground in (8.0, 12.0, 16.0):
        slant = np.hypot(ground, 6.0)
        # -3 dB cell: 0.886 c / 2B along the ray, laid on the ground; 0.886 lambda R / L along track.
        cell = 0.886 * 1500 / 60e3 * slant / ground * 0.886 / 300 * slant / 0.6
        n = np.sum(abs(across - ground) < 0.5)
        assert_allclose(
            n * cell / BLOCK_M, per_cell, rtol=0.06
        )  # whole numbers of points in a band of a block


def box(**changes):
    fields = dict(kind="box", along_m=5.0, across_m=12.0, size_m=(1.0, 0.6, 0.5), orientation_deg=20.0)
    return Target(**{**fields, **changes})


def test_box_faces_carry_their_area():
    scenario = dataclasses.replace(SCENARIO, targets=(box(strength_db=-13.0),))
    faces = target_scatterers(scenario)
    area = [np.sum(f.modulus**2) / 10**-1.3 for f in faces]
    assert_allclose(area, [0.6, 0.3, 0.3, 0.5, 0.5], rtol=1e-12)  # top, ends, sides
    assert_allclose([np.linalg.norm(f.normal) for f in faces], 1)
    assert_allclose(faces[0].place_m[2], scenario.seabed_depth_m - 0.5)


def test_box_lies_where_it_was_put():
    scenario = dataclasses.replace(SCENARIO, targets=(box(),))
    top = target_scatterers(scenario)[0]
    north, east = scenario.world_place(5.0, 12.0)
    assert_allclose(top.place_m[:2].mean(axis=1), (north, east), atol=0.01)
    heading = np.deg2rad(50.0 + 20.0)  # of the leg and of the box
    reach = (top.place_m[0] - north) * np.cos(heading) + (top.place_m[1] - east) * np.sin(heading)
    assert 0.45 < reach.max() <= 0.5


def test_shadow_ends_where_the_ray_over_the_top_meets_the_seabed():
    # Heading 0, viewer at the origin of the leg, 6 m up; the box's far top edge at 12.3 m, 0.5 m up.
    scenario = dataclasses.replace(
        SCENARIO, vehicle=VehicleTable(altitude_m=6.0), targets=(box(along_m=0.0, orientation_deg=0.0),)
    )
    across = np.linspace(10, 16, 6001)
    place = np.stack([np.zeros_like(across), across, np.full_like(across, scenario.seabed_depth_m)])
    out = np.zeros(across.size, bool)
    hidden_points(place, np.array([0.0, 0.0, scenario.depth_m]), solid_table(scenario), out)
    edge = 12.3 * 6 / 5.5
    assert_array_equal(out, (across > 11.7) & (across < edge))


def test_shadow_is_as_wide_as_the_box_is_seen():
    scenario = dataclasses.replace(
        SCENARIO, vehicle=VehicleTable(altitude_m=6.0), targets=(box(along_m=0.0, orientation_deg=0.0),)
    )
    along = np.linspace(-1, 1, 4001)
    place = np.stack([along, np.full_like(along, 12.8), np.full_like(along, scenario.seabed_depth_m)])
    out = np.zeros(along.size, bool)
    hidden_points(place, np.array([0.0, 0.0, scenario.depth_m]), solid_table(scenario), out)
    # A ray to 12.8 m dips below the top at 11.73 m, inside the box; what matters is its place along there.
    near = 12.8 * 5.5 / 6
    assert_allclose(along[out].max(), 0.5 * 12.8 / near, atol=0.001)


def test_box_does_not_hide_its_own_front_and_hides_its_back():
    scenario = dataclasses.replace(
        SCENARIO, vehicle=VehicleTable(altitude_m=6.0), targets=(box(along_m=0.0, orientation_deg=0.0),)
    )
    top, _, _, back, front = target_scatterers(scenario)
    viewer = np.array([0.0, 0.0, scenario.depth_m])
    for face, expected in ((top, False), (front, False), (back, True)):
        out = np.zeros(face.modulus.size, bool)
        hidden_points(face.place_m, viewer, solid_table(scenario), out)
        assert (out == expected).all()


def test_box_that_hides_nothing_is_in_no_table():
    scenario = dataclasses.replace(SCENARIO, targets=(box(hides=False),))
    assert solid_table(scenario).shape[0] == 0


def test_solids_out_of_the_way_are_left_out_and_nothing_else_changes():
    rng = np.random.default_rng(11)
    places = rng.uniform([-7, 5], [7, 12], (12, 2))
    targets = tuple(
        box(along_m=a, across_m=b, orientation_deg=turn)
        for (a, b), turn in zip(places, rng.uniform(0, 180, 12), strict=True)
    )
    scenario = dataclasses.replace(SCENARIO, vehicle=VehicleTable(altitude_m=3.0), targets=targets)
    solid, relief = solid_table(scenario), Relief.of(scenario).table
    viewers = np.array([0.3, 0.1, scenario.depth_m]), np.array([-0.2, 0.0, scenario.depth_m + 0.05])
    dropped, left_out = 0, 0
    for _ in range(200):
        centre = rng.uniform([-9, 5], [9, 18])
        point = rng.uniform(-1, 1, (5, 60))
        point[:2] = centre[:, None] + point[:2] * rng.uniform(0.01, 1.5)
        point[2] = scenario.seabed_depth_m - rng.uniform(0, 0.6, 60)
        seen = np.ones(60, bool)
        for viewer in viewers:
            out = np.zeros(60, bool)
            hidden_points(point[:3], viewer, solid, out)
            seen &= ~out
        seen[:7] = True  # those before the group's start stay untouched
        expected = point[:, seen]
        left_out += solid.shape[0] - in_the_way(point[:2], 7, 60, *viewers, solid).shape[0]
        end = drop_hidden(point, 7, 60, *viewers, solid, relief)
        assert_array_equal(point[:, :end], expected)
        dropped += 60 - end
    assert dropped > 500
    assert left_out > 1000
    assert drop_hidden(point, 7, 7, *viewers, solid, relief) == 7
