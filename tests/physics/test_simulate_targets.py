"""Echo levels of smooth targets against published target strengths, and what solid bodies hide against geometry.

Target strengths: R. J. Urick, Principles of Underwater Sound, 3rd ed. (1983), table of simple shapes.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pingloom.simulate import echoes
from pingloom.simulate.occlusion import hidden_points, solid_table
from pingloom.simulate.scenario import Scenario, SeabedTable, SonarTable, Target, VehicleTable, WaterTable
from pingloom.simulate.targets import target_highlights, target_scatterers

C, F0 = 1500.0, 400e3
WAVE = C / F0
BARE = Scenario(
    # Small apertures, a narrow band: neither pattern nor range cell touches a target of a metre.
    sonar=SonarTable(
        n_channel=2,
        channel_pitch_m=0.001,
        transmit_along_m=0.001,
        transmit_vertical_m=0.001,
        receive_vertical_m=0.001,
        centre_frequency_hz=F0,
        sweep_hz=1e3,
        sample_rate_hz=5e3,
        pulse_duration_s=4e-3,
        range_stop_m=130.0,
        depression_deg=0.0,
    ),
    vehicle=VehicleTable(altitude_m=6.0, n_ping=1, speed_m_s=0.0, ping_rate_hz=1.0),
    water=WaterTable(noise=False, absorption_db_m=0.0),
    seabed=SeabedTable(present=False),
)


def strength_db(target, range_m):
    """Target strength that an echo shows: its level behind the matched filter, less source level and spreading."""
    scenario = dataclasses.replace(BARE, targets=(target,))
    (sonar,) = echoes.sonars(scenario).values()
    (ping, _) = next(echoes.simulate(scenario, mode="reference"))
    pulse = echoes.replica(sonar)
    spectrum = np.fft.fft(ping.echo[0, 0], 4096) * np.fft.fft(pulse, 4096).conj()
    fine = np.zeros(16 * 4096, complex)
    fine[:2048], fine[-2048:] = spectrum[:2048], spectrum[2048:]
    peak = np.abs(np.fft.ifft(fine)).max() * 16 / np.vdot(pulse, pulse).real
    source = np.sqrt(2) * 1e-6 * 10 ** (scenario.sonar.source_level_db / 20)
    return 20 * np.log10(peak / source * range_m**2)


def smooth(kind, range_m, lowest_m, **fields):
    """A body with no rough skin whose centre is as deep as the array."""
    return Target(
        kind=kind, along_m=0.0, across_m=range_m, height_m=6.0 - lowest_m, strength_db=-300.0, **fields
    )


@pytest.mark.parametrize(("radius", "printed_db"), [(0.1, -26.02), (0.5, -12.04), (2.0, 0.00)])
def test_sphere_returns_a_quarter_of_its_radius_squared(radius, printed_db):
    found = strength_db(smooth("sphere", 100.0, radius, radius_m=radius), 100.0)
    # The echo comes from the near side: over R (R - a) instead of R^2, 0.18 dB at 2 m.
    assert_allclose(found + 20 * np.log10((100 - radius) / 100), printed_db, atol=0.01)


@pytest.mark.parametrize(
    ("range_m", "loss_db", "tolerance_db"),
    # Published far-field strength 15.23 dB of 0.25 m x 1 m; near-field loss from the Fresnel integral.
    [(10.0, -17.41, 0.1), (100.0, -7.32, 0.05)],
)
def test_broadside_cylinder_and_its_loss_in_the_near_field(range_m, loss_db, tolerance_db):
    body = smooth("cylinder", range_m + 0.25, 0.25, radius_m=0.25, size_m=(1.0, 0.5, 0.5))
    # The loss holds at the distance of the line that shines; rays open after the reflection by another a / 2R.
    opening_db = 10 * np.log10(range_m / (range_m + 0.25))
    assert_allclose(strength_db(body, range_m) - opening_db, 15.23 + loss_db, atol=tolerance_db)


def test_short_cylinder_reaches_the_far_field_strength():
    body = smooth("cylinder", 100.1, 0.1, radius_m=0.1, size_m=(0.1, 0.2, 0.2))
    expected = 10 * np.log10(0.1 * 0.1**2 / (2 * WAVE))  # a L^2 / (2 lambda); L^2 / lambda is 2.7 m
    assert_allclose(strength_db(body, 100.0), expected, atol=0.02)


@pytest.mark.parametrize(("off_deg", "printed_db"), [(0.0, 8.52), (1.0, -14.12)])
def test_plate_upright_and_one_degree_off(off_deg, printed_db):
    # Upright, its length to the sky: tilted by 90 degrees it faces along its heading.
    plate = smooth(
        "plate", 100.0, 0.05, size_m=(0.1, 0.1, 0.001), tilt_deg=90.0, orientation_deg=90.0 + off_deg
    )
    # 0.02 dB: wavefronts at 100 m bend by 1/100 of a wavelength over the plate; the null is near at 1 degree.
    assert_allclose(strength_db(plate, 100.0), printed_db, atol=0.02 if off_deg == 0 else 0.1)


def test_cylinder_seen_end_on_returns_its_disc():
    rod = smooth("cylinder", 100.0, 0.05, radius_m=0.05, size_m=(0.4, 0.1, 0.1), orientation_deg=90.0)
    expected = 20 * np.log10(np.pi * 0.05**2 / WAVE)  # any plane face: (area / lambda)^2
    assert_allclose(strength_db(rod, 99.8), expected, atol=0.02)


def test_ring_returns_a_quarter_of_the_product_of_its_radii():
    """Seen level: the outer side has radii r and R + r, the inner one r and R - r. They are resolved by a wide sweep."""
    scenario = dataclasses.replace(
        BARE,
        sonar=dataclasses.replace(BARE.sonar, range_stop_m=60.0),
        targets=(smooth("ring", 50.0, 0.1, radius_m=0.6, tube_m=0.1, hides=False),),
    )
    (highlight,) = target_highlights(scenario)
    viewer = np.array([0.0, 0.0, scenario.depth_m])
    seen = highlight.seen_from(viewer, viewer)
    assert_allclose(20 * np.log10(seen.modulus), 10 * np.log10([0.1 * 0.7 / 4, 0.1 * 0.5 / 4]), atol=1e-9)
    # Near outer side at 50 - 0.6 - 0.1, far inner side at 50 + 0.6 - 0.1.
    assert_allclose(seen.place_m[1], [49.3, 50.5], atol=1e-9)


def test_highlight_follows_the_viewer():
    (highlight,) = target_highlights(
        dataclasses.replace(BARE, targets=(smooth("sphere", 20.0, 0.5, radius_m=0.5),))
    )
    for along in (-8.0, 0.0, 5.0):
        viewer = np.array([along, 0.0, BARE.depth_m])
        place = highlight.seen_from(viewer, viewer).place_m[:, 0]
        way = np.array([0.0, 20.0, BARE.depth_m]) - viewer
        assert_allclose(np.linalg.norm(place - viewer), np.linalg.norm(way) - 0.5, rtol=1e-12)
        assert_allclose(np.cross(place - viewer, way), 0, atol=1e-12)


@pytest.mark.parametrize(
    ("fields", "area"),
    [
        (dict(kind="sphere", radius_m=0.4), 4 * np.pi * 0.4**2),
        (dict(kind="cylinder", radius_m=0.2, size_m=(1.0, 1, 1)), 2 * np.pi * 0.2 * 1.2),
        (dict(kind="ring", radius_m=0.5, tube_m=0.1), 4 * np.pi**2 * 0.5 * 0.1),
        (
            dict(kind="plate", size_m=(0.8, 0.5, 0.02), tilt_deg=20.0),
            2 * (0.8 * 0.5 + 0.8 * 0.02 + 0.5 * 0.02),
        ),
    ],
)
def test_rough_skin_carries_the_area_of_its_body(fields, area):
    target = Target(along_m=0.0, across_m=20.0, strength_db=-20.0, specular=False, **fields)
    skin = target_scatterers(dataclasses.replace(BARE, targets=(target,)))
    total = sum(np.sum(g.modulus**2) for g in skin) / 0.01
    # The ring's places are jittered, and its outside is wider than its inside.
    assert_allclose(total, area, rtol=0.01 if fields["kind"] == "ring" else 1e-9)
    for group in skin:
        assert_allclose(np.linalg.norm(group.normal, axis=0), 1)


def test_rope_has_its_strength_for_each_metre():
    rope = Target(
        kind="rope",
        along_m=0.0,
        across_m=20.0,
        radius_m=0.01,
        strength_db=-30.0,
        path_m=((0, 0, 0.02), (3, 0, 0.02), (3, 4, 0.02), (3, 4, 2.02)),
    )
    pieces = target_scatterers(dataclasses.replace(BARE, targets=(rope,)))
    assert_allclose([np.sum(p.modulus**2) / 1e-3 for p in pieces], [3, 4, 2])


def test_debris_is_the_same_for_a_seed_and_stays_in_its_field():
    field = Target(
        kind="debris",
        along_m=0.0,
        across_m=30.0,
        size_m=(8.0, 4.0, 1.0),
        count=60,
        piece_m=(0.05, 0.5),
        strength_db=-20.0,
        specular=False,
    )
    made = [
        echoes.truth(dataclasses.replace(BARE, targets=(field,), seed=s))["debris_position_m"]
        for s in (1, 1, 2)
    ]
    assert (made[0] == made[1]).all()
    assert (made[0] != made[2]).any()
    assert made[0].shape == (60, 3)
    assert np.abs(made[0][:, 0]).max() <= 4
    assert np.abs(made[0][:, 1] - 30).max() <= 2
    assert (made[0][:, 2] < BARE.seabed_depth_m).all()


# --- shadows ---------------------------------------------------------------------------------------------


def shadow(target, along, across):
    """Whether places on the seabed are hidden from a viewer 6 m above (0, 0)."""
    scenario = dataclasses.replace(BARE, targets=(target,))
    along, across = np.broadcast_arrays(along, across)
    place = (
        np.stack([along, across, np.full(along.shape, scenario.seabed_depth_m)]).reshape(3, -1).astype(float)
    )
    out = np.zeros(place.shape[1], bool)
    hidden_points(place, np.array([0.0, 0.0, scenario.depth_m]), solid_table(scenario), out)
    return out.reshape(along.shape)


def test_shadow_of_a_sphere_is_the_cone_that_touches_it():
    a, y0, h = 0.5, 12.0, 6.0
    across = np.linspace(10, 16, 6001)
    got = shadow(Target(kind="sphere", along_m=0.0, across_m=y0, radius_m=a, strength_db=-30.0), 0.0, across)
    # Rays of the vertical plane that touch a circle of radius a, its centre h - a below the viewer.
    middle, spread = np.arctan2(h - a, y0), np.arcsin(a / np.hypot(y0, h - a))
    low, high = h / np.tan(middle + spread), h / np.tan(middle - spread)
    assert_allclose([across[got].min(), across[got].max()], [low, high], atol=0.002)
    assert got[(across > low + 0.01) & (across < high - 0.01)].all()


def test_shadow_of_an_upright_cylinder_is_as_wide_as_the_lines_that_touch_it():
    post = Target(
        kind="cylinder",
        along_m=0.0,
        across_m=12.0,
        radius_m=0.3,
        size_m=(2.0, 1, 1),
        tilt_deg=90.0,
        strength_db=-30.0,
    )
    along = np.linspace(-1, 1, 4001)
    got = shadow(post, along, 14.0)
    # In plan: lines from the origin that touch a circle of 0.3 m at 12 m.
    assert_allclose(along[got].max(), 14.0 * np.tan(np.arcsin(0.3 / 12)), atol=0.001)
    across = np.linspace(11, 20, 9001)
    assert_allclose(
        across[shadow(post, 0.0, across)].max(), 12.3 * 6 / 4, atol=0.002
    )  # over its far top edge


def test_lying_cylinder_hides_what_its_circle_hides():
    pipe = Target(
        kind="cylinder", along_m=0.0, across_m=12.0, radius_m=0.4, size_m=(3.0, 1, 1), strength_db=-30.0
    )
    across = np.linspace(10, 16, 6001)
    got = shadow(pipe, 0.0, across)
    middle, spread = np.arctan2(5.6, 12.0), np.arcsin(0.4 / np.hypot(12.0, 5.6))
    low, high = 6 / np.tan(middle + spread), 6 / np.tan(middle - spread)
    assert_allclose([across[got].min(), across[got].max()], [low, high], atol=0.002)


def test_light_falls_through_a_ring():
    ring = Target(kind="ring", along_m=0.0, across_m=8.0, radius_m=1.0, tube_m=0.05, strength_db=-30.0)
    across = np.linspace(6.5, 9.5, 6001)
    got = shadow(ring, 0.0, across)
    edges = np.flatnonzero(np.diff(got.astype(int)))
    assert edges.size == 4  # near and far tube, light between
    assert not got[np.argmin(abs(across - 8.0))]


def test_tilted_plate_hides_what_its_raised_edge_projects():
    plate = Target(
        kind="plate",
        along_m=0.0,
        across_m=12.0,
        size_m=(1.0, 1.0, 0.001),
        orientation_deg=90.0,
        tilt_deg=30.0,
        strength_db=-30.0,
        specular=False,
    )
    across = np.linspace(11, 14, 6001)
    got = shadow(plate, 0.0, across)
    # Raised at its far end: that edge is half a metre up at 12 + 0.5 cos 30 degrees.
    assert_allclose(across[got].max(), (12 + 0.5 * np.cos(np.pi / 6)) * 6 / 5.5, atol=0.003)


def test_box_turned_by_a_tilt_of_zero_is_the_box():
    box = Target(kind="box", along_m=1.0, across_m=12.0, strength_db=-20.0, orientation_deg=33.0)
    scenarios = [
        dataclasses.replace(BARE, targets=(t,)) for t in (box, dataclasses.replace(box, tilt_deg=0.0))
    ]
    for a, b in zip(*(target_scatterers(s) for s in scenarios), strict=True):
        assert (a.place_m == b.place_m).all()
    assert (solid_table(scenarios[0]) == solid_table(scenarios[1])).all()
