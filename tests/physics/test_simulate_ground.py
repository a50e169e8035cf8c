"""The uneven, patterned seabed against geometry, moments and the sonar equation; switched off, it is the flat one."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from pingloom.simulate import echoes
from pingloom.simulate.ground import Ground, grazing_law, seabed_map
from pingloom.simulate.relief import Relief, overlooked
from pingloom.simulate.scenario import Scenario, SeabedTable, SonarTable, Target, VehicleTable, WaterTable
from pingloom.simulate.scene import Seabed
from pingloom.simulate.seabed_tables import Patch, Ripples, Texture
from pingloom.simulate.targets import target_scatterers
from pingloom.simulate.texture import BUNDLED, expected_enl, fields_of

C = 1500.0
FLAT = Scenario(
    seed=8,
    sonar=SonarTable(
        n_channel=8, channel_pitch_m=0.075, receive_along_m=0.01875, range_stop_m=30.0, depression_deg=20.0
    ),
    vehicle=VehicleTable(altitude_m=6.0, n_ping=12, ping_rate_hz=0.5, heading_deg=35.0, start_north_m=40.0),
    water=WaterTable(noise=False, absorption_db_m=0.1),
)


def on(base=FLAT, **seabed):
    return dataclasses.replace(base, seabed=dataclasses.replace(base.seabed, **seabed))


def few(scenario, n=2):
    short = dataclasses.replace(scenario, vehicle=dataclasses.replace(scenario.vehicle, n_ping=n))
    return np.array([ping.echo for ping, _ in echoes.simulate(short)])


# --- switched off ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "seabed",
    [
        dict(slope_along_deg=0.0, slope_across_deg=0.0),
        dict(ripples=()),
        dict(patches=(Patch(lambert_db=-27.0, along_m=(-5.0, 9.0), across_m=(3.0, 18.0)),)),
    ],
    ids=["slope", "ripples", "patches"],
)
def test_nothing_switched_on_gives_the_flat_seabed_to_the_last_bit(seabed):
    assert_array_equal(few(on(**seabed)), few(FLAT))


@pytest.mark.parametrize(
    "seabed",
    [
        # sin^2 in decibels at every quarter of a degree: what a straight line leaves of Lambert's law.
        dict(
            grazing_deg=tuple(np.arange(1, 361) / 4),
            grazing_db=tuple(-27 + 20 * np.log10(np.sin(np.deg2rad(np.arange(1, 361) / 4)))),
        ),
        dict(ripples=(Ripples(wavelength_m=0.5, height_m=1e-9),)),
        dict(texture=Texture(order=1e6, correlation_m=0.5)),
    ],
    ids=["table", "ripples", "texture"],
)
def test_next_to_nothing_changes_next_to_nothing(seabed):
    bare, changed = few(FLAT), few(on(**seabed))
    # Texture: a deviation of 1e-3 in power, 5e-4 in amplitude. Table: (0.25 degrees / 11)^2 / 8. Ripples: phases of
    # 4 pi 450e3 / 1500 * 5e-10 rad.
    assert np.linalg.norm(changed - bare) < 1.5e-3 * np.linalg.norm(bare)
    assert (changed != bare).any()


# --- relief ----------------------------------------------------------------------------------------------


RELIEF = on(
    dataclasses.replace(
        FLAT,
        targets=(Target(kind="depression", along_m=2.0, across_m=14.0, radius_m=1.5, depth_m=0.4),),
    ),
    slope_along_deg=1.0,
    slope_across_deg=-2.0,
    ripples=(Ripples(wavelength_m=0.6, height_m=0.06, direction_deg=70.0, phase_deg=30.0),),
)


def test_normals_are_the_derivatives_of_the_depth():
    relief = Relief.of(RELIEF)
    rng = np.random.default_rng(3)
    north, east = RELIEF.world_place(2 + 2 * rng.standard_normal(500), 14 + 2 * rng.standard_normal(500))
    step = 1e-5
    to_north = (relief.depth_m(north - step, east) - relief.depth_m(north + step, east)) / (2 * step)
    to_east = (relief.depth_m(north, east - step) - relief.depth_m(north, east + step)) / (2 * step)
    # Central differences: step^2 times a third derivative of 30 / m^2; at the pit's rim the second one jumps.
    assert_allclose(relief.slopes(north, east), (to_north, to_east), atol=2e-5)
    normal, area = relief.normal(north, east)
    assert_allclose(np.linalg.norm(normal, axis=0), 1)
    assert_allclose(area, np.sqrt(1 + to_north**2 + to_east**2), atol=1e-5)
    assert (normal[2] < 0).all()


def test_heights_are_those_that_were_asked_for():
    def depth(scenario, along, across):
        return seabed_map(scenario, along, across)["depth_m"] - scenario.seabed_depth_m

    assert_allclose(depth(on(slope_across_deg=2.0), 0.0, 10.0), -10 * np.tan(np.deg2rad(2)))
    assert_allclose(depth(on(slope_along_deg=-3.0), 10.0, 0.0), 10 * np.tan(np.deg2rad(3)))
    ripples = on(ripples=(Ripples(wavelength_m=0.8, height_m=0.1, direction_deg=90.0),))
    assert_allclose(depth(ripples, 7.7, np.array([0.0, 0.4, 0.8, 0.2])), [-0.05, 0.05, -0.05, 0], atol=1e-12)
    across_leg = on(ripples=(Ripples(wavelength_m=0.8, height_m=0.1, direction_deg=0.0),), per_cell=9.0)
    assert_allclose(depth(across_leg, np.array([0.4, 0.8]), 11.0), [0.05, -0.05], atol=1e-12)
    assert_allclose(depth(RELIEF, 2.0, 14.0) - depth(on(RELIEF), 2.0, 14.0), 0, atol=1e-12)
    pit = dataclasses.replace(FLAT, targets=RELIEF.targets)
    # cos^2 from the middle to the rim: half of the depth at half of the radius.
    assert_allclose(depth(pit, 2.0, 14 + np.array([0, 0.75, 1.5, 3])), [0.4, 0.2, 0, 0], atol=1e-12)


def test_backscatter_follows_the_local_angle_of_a_slope():
    """Echo levels of a seabed that rises away from the sonar, at equal slant range, by Lambert's law at both angles."""
    rise = np.deg2rad(5.0)
    scenario = on(slope_across_deg=5.0)
    flat, risen = (np.mean(np.abs(few(s, 12)) ** 2, axis=(0, 1, 2)) for s in (FLAT, scenario))
    for slant in (14.0, 20.0):
        n = np.arange(int((slant - 1) * 2 / C * 40e3), int((slant + 1) * 2 / C * 40e3))
        # The pulse ends at the delay and reaches 1.5 m back: the middle lies 0.75 m before.
        r = slant - 0.75
        # Perpendicular to the slope the sonar is h cos(rise) up; along it nothing else changes but the pattern's angle.
        graze = [np.arcsin(6 / r), np.arcsin(6 * np.cos(rise) / r)]
        area = [1 / np.cos(g) for g in graze]
        below = [graze[0], graze[1] - rise]
        pattern = [np.sinc(0.003 * 300 * np.sin(b - np.deg2rad(20))) ** 4 for b in below]
        expected = [np.sin(g) ** 2 * a * p for g, a, p in zip(graze, area, pattern, strict=True)]
        # 8 channels x 12 pings x 2 m / 25 mm: 1 %, and both share no scatterer: 0.1 dB; stated three times that.
        assert_allclose(
            10 * np.log10(risen[n].mean() / flat[n].mean()),
            10 * np.log10(expected[1] / expected[0]),
            atol=0.3,
        )


def test_slope_down_the_leg_changes_the_altitude_that_the_navigation_says():
    scenario = on(slope_along_deg=-2.0)
    platform = echoes.platform(scenario)
    way = np.arange(12) * 2.0 * 1.8
    assert_allclose(platform.altitude_m, 6 + way * np.tan(np.deg2rad(2)), atol=1e-9)


def test_ripples_turned_to_the_sonar_are_brighter_than_those_turned_away():
    """Mean power over the ripple's phase, by Lambert's law at the local angle, nothing hidden."""
    ripples = Ripples(wavelength_m=1.0, height_m=0.04)
    plan = Seabed.plan(on(ripples=(ripples,)), "starboard")
    viewer = np.array([*FLAT.world_place(0.5, 0.0), FLAT.depth_m])
    groups = plan.block(0)
    place, normal = (np.concatenate([getattr(g, k) for g in groups], axis=1) for k in ("place_m", "normal"))
    modulus = np.concatenate([g.modulus for g in groups])
    heading = np.deg2rad(35.0)
    across = -np.sin(heading) * (place[0] - 40) + np.cos(heading) * place[1]
    way = viewer[:, None] - place
    power = modulus**2 * np.maximum(0, (way * normal).sum(axis=0) / np.linalg.norm(way, axis=0)) ** 2
    slope = ripples.slope
    for phase in (0.25, 0.75):  # the flank that faces away from, and to, the sonar
        near = np.abs((across - 8) % 1 - phase) < 0.1
        near &= np.abs(across - 11) < 3
        got = power[near].sum() / (modulus[near] ** 2).sum()
        x = across[near]
        steep = -slope * np.sin(2 * np.pi * x)
        # Grazing plus the flank's own angle; a rise to starboard faces the sonar.
        angle = np.arctan2(6.0, x) + np.arctan(steep)
        weight = modulus[near] ** 2
        assert_allclose(got, np.sum(weight * np.sin(angle) ** 2) / weight.sum(), rtol=0.02)


def test_ripples_hide_the_troughs_that_geometry_says():
    """Level rays over cosine crests: which part of a wavelength a low viewer sees, from the tangent to the crest."""
    ripples = Ripples(wavelength_m=1.0, height_m=0.2, direction_deg=90.0)
    scenario = on(dataclasses.replace(FLAT, vehicle=VehicleTable(altitude_m=1.0)), ripples=(ripples,))
    table = Relief.of(scenario).table
    across = np.linspace(20.0, 21.0, 2001)
    depth = Relief.of(scenario).depth_m(0.0, across)
    got = np.array(
        [overlooked(0.0, y, z, 0.0, 0.0, scenario.depth_m, table) for y, z in zip(across, depth, strict=True)]
    )
    # Each ray by dense samples of the cosine, in the vertical plane of the viewer.
    s = np.linspace(0, 1, 20001)[1:-1]
    height = scenario.seabed_depth_m - depth
    expected = np.array(
        [
            (h + s * (1.0 - h) < 0.1 * np.cos(2 * np.pi * y * (1 - s)) - 1e-9).any()
            for y, h in zip(across[::20], height[::20], strict=True)
        ]
    )
    assert 0.4 < expected.mean() < 0.9
    # The walk's step is a sixteenth of a wavelength: it may miss grazing crests.
    assert np.mean(got[::20] == expected) > 0.97


def test_near_wall_of_a_pit_is_hidden_and_its_far_wall_is_bright():
    pit = Target(kind="depression", along_m=0.0, across_m=20.0, radius_m=2.0, depth_m=1.0)
    scenario = dataclasses.replace(FLAT, vehicle=VehicleTable(altitude_m=6.0), targets=(pit,))
    relief = Relief.of(scenario)
    across = np.linspace(17, 23, 1201)
    depth = relief.depth_m(0.0, across)
    viewer = (0.0, 0.0, scenario.depth_m)
    hidden = np.array(
        [overlooked(0.0, y, z, *viewer, relief.table) for y, z in zip(across, depth, strict=True)]
    )
    normal = relief.normal(np.zeros_like(across), across)[0]
    way = np.array(viewer)[:, None] - np.stack([np.zeros_like(across), across, depth])
    cosine = (way * normal).sum(axis=0) / np.linalg.norm(way, axis=0)
    assert not hidden[(across < 17.95) | (across > 22.05)].any()
    unseen = hidden | (cosine <= 0)
    # The ray that touches the near rim's bend lands where it meets the far side of the bowl.
    s = np.linspace(0.0, 1.0, 40001)
    rays = [(6 - z + scenario.depth_m) for z in depth]
    expected = np.array(
        [
            (r + s * (6 - r) < scenario.seabed_depth_m - relief.depth_m(0.0, y * (1 - s)) - 1e-6).any()
            for y, r in zip(across[::10], rays[::10], strict=True)
        ]
    )
    assert expected.any()
    assert np.mean(unseen[::10] == expected) > 0.97
    assert cosine[np.argmin(abs(across - 21))] > 2 * cosine[np.argmin(abs(across - 17.5))]


# --- reflectivity ----------------------------------------------------------------------------------------


def test_pit_needs_no_scatterers_of_its_own():
    pit = Target(kind="depression", along_m=0.0, across_m=20.0, radius_m=2.0, depth_m=1.0)
    scenario = dataclasses.replace(FLAT, targets=(pit,))
    assert target_scatterers(scenario) == []
    bare, pitted = few(FLAT), few(scenario)
    early = int((20 - 2 - 0.2) * 2 / C * 40e3)  # nothing changes before its rim is met
    change = [np.linalg.norm((pitted - bare)[..., s]) for s in (slice(early), slice(early, None))]
    # Band-limited tails of what lies behind reach before it, 5e-4 of its amplitude.
    assert change[0] < 2e-3 * np.linalg.norm(bare[..., :early])
    assert change[1] > 0.1 * np.linalg.norm(bare[..., early:])


@pytest.mark.parametrize("order", [0.5, 2.0, 8.0])
def test_texture_has_the_moments_and_the_correlation_of_its_law(order):
    length = 0.4
    (field,) = fields_of(on(texture=Texture(order=order, correlation_m=length)))
    along, across = np.meshgrid(np.arange(-20, 40, 0.1), np.arange(-28, 28, 0.1), indexing="ij")
    value = field.at(along, across)
    # 60 x 56 m over pi / 2 * 0.4^2 m^2: 13 000 independent patches; moments of a skewed law.
    assert_allclose(value.mean(), 1, atol=5 / np.sqrt(13000 * order))
    assert_allclose(value.var() * order, 1, atol=0.15)
    assert_allclose(np.mean((value - 1) ** 3) * order**2 / 2, 1, atol=0.4)  # third moment 2 / nu^2
    shifted = field.at(along + length, across), field.at(along, across + length)
    for other in shifted:
        got = np.mean((value - value.mean()) * (other - other.mean())) / value.var()
        assert_allclose(got, np.exp(-1), atol=0.03)


def test_texture_is_the_same_from_both_sides_and_differs_with_the_seed():
    textured = on(texture=Texture(order=1.0, correlation_m=0.5))
    here = (np.arange(5.0), 7.0)
    a, b = (Ground.of(s).reflectivity(*here) for s in (textured, textured))
    other = Ground.of(dataclasses.replace(textured, seed=9)).reflectivity(*here)
    assert_array_equal(a, b)
    assert (a != other).all()


@pytest.mark.parametrize(("law", "kappa"), [("gaussian", 2), ("constant_modulus", 1)])
@pytest.mark.parametrize("order", [None, 2.0])
def test_averages_of_many_looks_reach_the_expected_number_and_no_more(law, kappa, order):
    """Looks of one cell at independent phases over the same points, whose texture is the cell's own."""
    seabed = SeabedTable(
        law=law,
        placement="random",
        per_cell=5.0,
        texture=None if order is None else Texture(order=order, correlation_m=2.0),
    )
    rng = np.random.default_rng(12)
    n_look, n_cell = 12, 4000
    turn = np.exp(2j * np.pi * np.arange(8) / 8)  # as good as any phase for the second moments of a sum
    found = []
    for _ in range(n_cell):
        # A response sinc(x) sinc(y) over 12 x 12 of its widths; the -3 dB cell is 0.886^2 of them.
        n = rng.poisson(seabed.per_cell / 0.886**2 * 144)
        power = np.ones(n) if law == "constant_modulus" else rng.exponential(size=n)
        h = np.sinc(rng.uniform(-6, 6, n)) * np.sinc(rng.uniform(-6, 6, n)) * np.sqrt(power)
        field = h @ turn[rng.integers(0, 8, (n, n_look), dtype=np.uint8)]
        texture = 1.0 if order is None else rng.gamma(order) / order
        found.append(texture * np.mean(np.abs(field) ** 2))
    enl = np.mean(found) ** 2 / np.var(found)
    assert kappa == (seabed.law == "gaussian") + 1
    # The law of the sums adds (1/12)(1/14) to the variance, 3 %; a variance of 4000 values is known to 3 to 6 %.
    assert_allclose(enl / expected_enl(seabed, n_look), 1, atol=0.12)


def test_enl_is_capped_by_the_order_and_by_the_points():
    rough = SeabedTable(texture=Texture(order=4.0, correlation_m=1.0))
    assert_allclose(expected_enl(rough, 1e12), 4.0)
    assert_allclose(expected_enl(rough, 20.0), 1 / ((1 + 1 / 4) * (1 + 1 / 20) - 1))
    assert_allclose(expected_enl(SeabedTable(), 11.8), 11.8)
    gaussian = SeabedTable(law="gaussian", placement="random", per_cell=10.0)
    assert_allclose(expected_enl(gaussian, 11.8), 1 / (1 / 11.8 + 2 / 28.7))


def test_one_look_of_a_textured_seabed_is_k_distributed():
    """Second and third moments of the echo's power with texture much longer than the pulse is wide."""
    base = dataclasses.replace(
        FLAT,
        sonar=dataclasses.replace(FLAT.sonar, pulse_duration_s=1e-4, transmit_along_m=0.2, n_channel=2),
        vehicle=dataclasses.replace(FLAT.vehicle, n_ping=150),
    )
    order = 2.0
    found = []
    for texture in (None, Texture(order=order, correlation_m=3.0)):
        power = np.abs(few(on(base, texture=texture, per_cell=8.0), 150)[:, 0, 0, 900:1400:20]) ** 2
        power = power / power.mean(axis=0)
        found.append(np.mean(power**2))
    # 150 places 3.6 m apart x 9 m of range: 400 patches of texture; E I^2 = 2 (1 + 1/nu).
    assert_allclose(found[0], 2, atol=0.15)
    assert_allclose(found[1] / found[0], 1 + 1 / order, atol=0.25)


def test_patch_changes_the_level_by_its_constant_and_only_inside():
    patch = Patch(lambert_db=-20.0, polygon_m=((-40, 12), (60, 12), (60, 20), (-40, 20)))
    bare, patched = (np.mean(np.abs(few(s, 6)) ** 2, axis=(0, 1, 2)) for s in (FLAT, on(patches=(patch,))))

    def change_db(low, high):
        i, j = (int(np.hypot(y, 6) * 2 / C * 40e3) for y in (low, high))
        return 10 * np.log10(patched[i:j].mean() / bare[i:j].mean())

    # The same points, only louder: nothing random is left. The pulse reaches 1.5 m back, the sector 0.15 m out; what
    # spreads beyond them are the echoes' band-limited tails, 5e-4 in amplitude.
    assert_allclose(change_db(8.0, 11.8), 0, atol=0.01)
    assert_allclose(change_db(14.2, 19.5), 7, atol=0.01)
    assert_allclose(change_db(22.5, 27.0), 0, atol=0.01)


def test_table_of_backscatter_is_read_straight_in_decibels():
    law = grazing_law(SeabedTable(grazing_deg=(10.0, 20.0, 60.0), grazing_db=(-40.0, -30.0, -20.0)))
    at = np.array([5, 10, 15, 20, 40, 60, 90])
    assert_allclose(20 * np.log10(law[at * 40]), [-40, -40, -35, -30, -25, -20, -20], atol=1e-9)


def test_level_backscatter_lifts_the_far_range_as_the_ratio_of_the_laws():
    flat_law = on(grazing_deg=(0.0, 90.0), grazing_db=(-27.0, -27.0))
    lambert, level = (np.abs(few(s, 6)) ** 2 for s in (FLAT, flat_law))
    for slant in (14.0, 24.0):
        n = np.arange(int((slant - 1) * 2 / C * 40e3), int((slant + 1) * 2 / C * 40e3))
        ratio = 10 * np.log10(level[..., n].mean() / lambert[..., n].mean())
        # Power of sin^2 over the 1.5 m of the pulse; the same points, so only the law differs.
        r = np.linspace(slant - 2.5, slant + 1, 200)
        assert_allclose(ratio, -10 * np.log10(np.mean((6 / r) ** 2 / r**3) / np.mean(r**-3)), atol=0.3)


@pytest.mark.parametrize("name", BUNDLED)
def test_bundled_picture_has_mean_one_and_its_span(name):
    (field,) = fields_of(on(texture=Texture(image=name, pixel_m=0.2, span_db=10.0)))
    assert_allclose(field.value.mean(), 1)
    assert_allclose(10 * np.log10(field.value.max() / field.value.min()), 10.0)


def test_array_from_a_file_lies_where_it_should(tmp_path):
    value = np.array([[1.0, 2.0, 3.0], [4.0, 5.0, 6.0]])
    np.save(tmp_path / "a.npy", value)
    (field,) = fields_of(on(texture=Texture(image=str(tmp_path / "a.npy"), pixel_m=0.5)))
    # Columns along the leg, rows to starboard, mean 3.5.
    assert_allclose(field.at([0.0, 0.5, 1.0, 0.25], [0.0, 0.0, 0.5, 0.0]) * 3.5, [1, 2, 6, 1.5])
    assert_allclose(field.at(1.5, 0.0) * 3.5, 2.0)  # mirrored
