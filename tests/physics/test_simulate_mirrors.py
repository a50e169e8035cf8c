"""Ways by mirrors against geometry worked out by hand, and what roughness and bottom do to a bounce."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import minimize

from pingloom.simulate.mirrors import Way, way_geometry, ways
from pingloom.simulate.roughness import (
    bottom_reflection,
    coherent_amplitude,
    facets,
    slope_of_wind,
    speed_of_wind_m_s,
    surface_height_m,
)


def test_ways_to_the_seabed_come_down_and_others_come_both_ways():
    assert [w.bounces for w in ways(3, 8.0, to_seabed=True)] == ["", "S", "BS", "SBS"]
    assert [w.bounces for w in ways(2, 8.0, to_seabed=False)] == ["", "S", "B", "BS", "SB"]
    assert [w.bounces for w in ways(0, 8.0, to_seabed=False)] == [""]


def folded(bounces, zs, z, x, water):
    """Shortest polyline that touches the mirrors in turn: Fermat, with nothing unfolded."""
    depth = [zs, *(0.0 if b == "S" else water for b in bounces), z]

    def length(place):
        return np.hypot(np.diff([0.0, *place, x]), np.diff(depth)).sum()

    if not bounces:
        return length([]), np.arctan2(np.diff(depth), [x]), np.zeros(0)
    start = np.linspace(0, x, len(depth))[1:-1]
    best = minimize(length, start, tol=1e-13)
    place = np.array([0.0, *best.x, x])
    angle = np.arctan2(np.diff(depth), np.diff(place))  # below the horizontal, along the way
    return length(best.x), angle, best.x


@pytest.mark.parametrize("bounces", ["", "S", "B", "BS", "SB", "SBS", "BSB", "BSBS"])
def test_unfolded_way_is_fermats(bounces):
    zs, z, x, water = 3.0, 6.5, 17.0, 8.0
    way = way_geometry(Way.of(bounces, water), zs, z, x, water)
    length, angle, place = folded(bounces, zs, z, x, water)
    assert_allclose(way.length_m, length, rtol=1e-9)
    assert_allclose(way.launch_rad, -angle[0], atol=1e-5)
    assert_allclose(way.arrival_rad, angle[-1], atol=1e-5)
    assert_allclose(way.grazing_rad, np.abs(angle), atol=1e-5)
    assert_allclose(way.bounce_m, place, atol=2e-5)


@pytest.mark.parametrize("bounces", ["S", "B", "BS", "SBS"])
def test_the_sonars_image_and_the_places_image_are_as_far_apart(bounces):
    way = Way.of(bounces, 8.0)
    assert_allclose(abs(way.image_of_place(6.5) - 3.0), abs(way.image_of_sonar(3.0) - 6.5))


# Image sources over a flat surface, worked out by hand: sonar depth, water depth, ground range; then one way direct and
# with one bounce, delay of one bounce after the direct echo, distance of the bounce.
BOUNCED = [
    (3, 8, 30, 30.4138, 31.9531, 1.0262e-3, 8.182),
    (2, 6, 40, 40.1995, 40.7922, 0.3951e-3, 10.000),
]


@pytest.mark.parametrize(("zs", "water", "x", "direct", "bounced", "later", "specular"), BOUNCED)
def test_bounce_off_the_surface(zs, water, x, direct, bounced, later, specular):
    straight = way_geometry(Way.of("", water), zs, water, x, water)
    by_surface = way_geometry(Way.of("S", water), zs, water, x, water)
    assert_allclose(straight.length_m, direct, atol=5e-5)
    assert_allclose(by_surface.length_m, bounced, atol=5e-5)
    assert_allclose((by_surface.length_m - straight.length_m) / 1500, later, atol=5e-8)
    assert_allclose(by_surface.bounce_m[0], specular, atol=5e-4)
    assert_allclose(by_surface.grazing_rad, np.arctan((water + zs) / x))


# Eckart's factor: kHz, mm, degrees, amplitude.
@pytest.mark.parametrize(
    ("khz", "mm", "deg", "amplitude"),
    [(100, 2.0, 15, 0.9103), (400, 1.0, 20, 0.5185), (400, 0.5, 10, 0.9586)],
)
def test_roughness_takes_from_the_coherent_bounce(khz, mm, deg, amplitude):
    k, sine = 2 * np.pi * khz / 1.5, np.sin(np.deg2rad(deg))
    assert_allclose(coherent_amplitude(k, mm * 1e-3, sine), amplitude, atol=2e-4)
    # The mean of the phases that Gaussian heights give.
    height = np.random.default_rng(1).standard_normal(400_000) * mm * 1e-3
    assert_allclose(np.exp(2j * k * sine * height).mean().real, amplitude, atol=4e-3)


@pytest.mark.parametrize(
    ("deg", "density", "speed", "magnitude"),
    [(90, 1900 / 1025, 1650 / 1500, 0.3419), (30, 1900 / 1025, 1650 / 1500, 0.5405), (60, 1500 / 1025, 1480 / 1500, 0.1795)],
)  # fmt: skip
def test_smooth_bottom_reflects_what_rayleigh_says(deg, density, speed, magnitude):
    assert_allclose(abs(bottom_reflection(np.sin(np.deg2rad(deg)), density, speed)), magnitude, atol=2e-4)


def test_bottom_reflects_all_below_the_critical_angle_and_less_with_absorption():
    critical = np.arccos(1500 / 1650)
    assert_allclose(np.rad2deg(critical), 24.620, atol=1e-3)
    sine = np.sin(critical * np.array([0.1, 0.5, 0.99, 1.05]))
    assert_allclose(abs(bottom_reflection(sine, 1.85, 1.1))[:3], 1, atol=1e-12)
    assert abs(bottom_reflection(sine, 1.85, 1.1)[3]) < 0.8
    # At the flattest a pressure-release surface's sign; towards the critical angle the phase turns forward, as of a
    # mirror that lies deeper, which delays an echo exp(-2j pi f tau) by a negative phase after the sign's half turn.
    phase = np.unwrap(np.angle(bottom_reflection(np.sin(critical * np.linspace(0.001, 0.99, 50)), 1.85, 1.1)))
    assert_allclose(abs(phase[0]), np.pi, atol=0.02)
    assert np.all(np.abs(np.diff(phase)) < 0.2)
    assert np.all(abs(bottom_reflection(sine, 1.85, 1.1, 0.5))[:3] < 1)


def test_sea_of_a_wind():
    # Significant height of a grown-up sea, 0.0213 U^2 s^2/m: four times the rms.
    assert_allclose(4 * surface_height_m(10.0), 2.13, rtol=0.005)
    # The integrals of the spectrum, by quadrature.
    w = np.linspace(0.3, 200, 2_000_000)
    spectrum = 8.1e-3 * 9.81**2 / w**5 * np.exp(-0.74 * (9.81 / (10.0 * w)) ** 4)
    assert_allclose(surface_height_m(10.0), np.sqrt(np.trapezoid(spectrum, w)), rtol=1e-4)
    assert_allclose(speed_of_wind_m_s(10.0), np.sqrt(np.trapezoid(spectrum * w**2, w)), rtol=1e-3)
    assert_allclose(slope_of_wind(10.0), np.sqrt(0.0542 / 2), rtol=1e-9)


def test_facets_mirror_one_end_to_the_other():
    rng = np.random.default_rng(5)
    h1, h2, x = rng.uniform(0.5, 20, (3, 2000))
    a, b = np.tan(np.deg2rad(rng.uniform(-25, 25, 2000))), np.zeros(2000)
    f = facets(h1, h2, x, a, b)
    to_first = np.stack([-f.ahead_m, h1]) / f.first_m
    to_second = np.stack([x - f.ahead_m, h2]) / f.second_m
    bisector = to_first + to_second
    # The facet's normal halves the angle between both ends.
    assert_allclose(bisector[0] / bisector[1], a, rtol=1e-9, atol=1e-9)
    assert_allclose(f.first_m, np.hypot(f.ahead_m, h1))
    assert_allclose(f.second_m, np.hypot(x - f.ahead_m, h2))
    flat = facets(h1, h2, x, 0.0, 0.0)
    assert_allclose(flat.ahead_m, x * h1 / (h1 + h2))
    assert np.all(
        f.first_m + f.second_m >= flat.first_m + flat.second_m - 1e-9
    )  # Fermat: the mirror's way is shortest


def test_facets_aside_are_right_to_first_order():
    h1, h2, x, b = 3.0, 8.0, 20.0, 1e-3
    f = facets(h1, h2, x, 0.0, b)
    to_first = np.array([-f.ahead_m, -f.aside_m, h1]) / f.first_m
    to_second = np.array([x - f.ahead_m, -f.aside_m, h2]) / f.second_m
    bisector = to_first + to_second
    assert_allclose(bisector[1] / bisector[2], -b, rtol=1e-4)


def test_facets_spread_the_smooth_mirrors_energy():
    """Intensity by tangent planes, integrated over the surface, is the mirror's; the facets' places have its density."""
    h1, h2, x, s = 3.0, 7.0, 25.0, 0.06
    step = 0.02
    q, t = np.meshgrid(np.arange(-5, 30, step), np.arange(-4, 4, step), indexing="ij")
    d1, d2 = np.sqrt(q**2 + t**2 + h1**2), np.sqrt((x - q) ** 2 + t**2 + h2**2)
    normal = np.stack([-q / d1 + (x - q) / d2, -t / d1 - t / d2, h1 / d1 + h2 / d2])
    steep2 = (normal[0] ** 2 + normal[1] ** 2) / normal[2] ** 2
    chance = np.exp(-steep2 / (2 * s**2)) / (2 * np.pi * s**2)
    # Radar's cross-section of a unit area by tangent planes, pi |R|^2 p sec^4(tilt), over 4 pi (d1 d2)^2.
    density = chance * (1 + steep2) ** 2 / (4 * d1**2 * d2**2)
    total = density.sum() * step**2
    assert_allclose(total, 1 / (x**2 + (h1 + h2) ** 2), rtol=0.02)
    rng = np.random.default_rng(3)
    f = facets(h1, h2, x, *(s * rng.standard_normal((2, 100_000))))
    mean = (density * q).sum() / density.sum()
    spread = np.sqrt((density * (q - mean) ** 2).sum() / density.sum())
    aside = np.sqrt((density * t**2).sum() / density.sum())
    later = (density * (d1 + d2)).sum() / density.sum() - np.hypot(x, h1 + h2)
    # Drawn with the mirror's density of facets, which near the sonar is a little too high: 0.05 of the spread.
    assert_allclose(f.ahead_m.mean(), mean, atol=0.08 * spread)
    assert_allclose(f.ahead_m.std(), spread, rtol=0.03)
    assert_allclose(f.aside_m.std(), aside, rtol=0.03)
    assert_allclose((f.first_m + f.second_m).mean() - np.hypot(x, h1 + h2), later, rtol=0.05)
