"""Rays: limits, reciprocity, turning, and an integration of the ray equations that shares no formula."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.integrate import solve_ivp

from pingloom.imaging import rays
from pingloom.imaging.errors import ParameterError

PROFILE_DEPTH = [0.0, 2.0, 6.0, 15.0]
PROFILE_SPEED = [1510.0, 1506.0, 1492.0, 1495.0]


def shoot(launch_rad, source_m, target_m):
    """Horizontal distance and time of a ray, by Runge and Kutta in the depth."""
    ray_parameter = np.cos(launch_rad) / np.interp(source_m, PROFILE_DEPTH, PROFILE_SPEED)

    def slope(depth, _):
        c = np.interp(depth, PROFILE_DEPTH, PROFILE_SPEED)
        sine = np.sqrt(1 - (ray_parameter * c) ** 2)
        return [ray_parameter * c / sine, 1 / (c * sine)]

    # Pieces between the profile's kinks, which would cost the integrator its order.
    kinks = [d for d in PROFILE_DEPTH if source_m < d < target_m]
    state = [0.0, 0.0]
    edges = [source_m, *kinks, target_m]
    for start, stop in itertools.pairwise(edges):
        state = solve_ivp(slope, (start, stop), state, rtol=1e-11, atol=1e-13, method="DOP853").y[:, -1]
    return state


@pytest.mark.parametrize("horizontal", [0.5, 10.0, 40.0, 70.0])
def test_layered_rays_agree_with_integrated_ray_equations(horizontal):
    layers = rays.layers_between(PROFILE_DEPTH, PROFILE_SPEED, 3.0, 12.0)
    ray = rays.layers_eigenray(layers, horizontal)
    x, t = shoot(ray.launch_rad, 3.0, 12.0)
    assert_allclose(x, horizontal, atol=1e-7)  # the integrator's own error
    assert_allclose(ray.time_s, t, atol=1e-10)
    traced = rays.layers_trace(layers, ray.launch_rad)
    assert_allclose([traced.horizontal_m, traced.time_s], [x, t], rtol=1e-8)


@settings(deadline=None, derandomize=True)  # a busy machine is no failure
@given(
    c0=st.floats(1420, 1550),
    gradient=st.floats(-2, 2),
    drop=st.floats(1, 30),
    horizontal=st.floats(0.1, 60),
    cut=st.floats(0.1, 0.9),
)
def test_cutting_a_layer_in_two_changes_nothing(c0, gradient, drop, horizontal, cut):
    whole = rays.eigenray(c0, gradient, drop, horizontal)
    depth = np.array([0.0, cut * drop, drop])
    layers = rays.layers_between(depth, c0 + gradient * depth, 0.0, drop)
    parts = rays.layers_eigenray(layers, horizontal)
    if whole.launch_rad > 1e-3 and whole.arrival_rad > 1e-3:  # otherwise it turns, or nearly
        assert_allclose(parts.time_s, whole.time_s, rtol=1e-10)
        assert_allclose(parts.launch_rad, whole.launch_rad, rtol=1e-6)
        assert_allclose(parts.arrival_rad, whole.arrival_rad, rtol=1e-6)


@settings(deadline=None, derandomize=True)  # a busy machine is no failure
@given(gradient=st.floats(-1, 1), drop=st.floats(1, 30), horizontal=st.floats(0, 100))
def test_the_travel_time_is_the_same_both_ways(gradient, drop, horizontal):
    there = rays.eigenray(1500.0, gradient, drop, horizontal)
    back = rays.eigenray(1500.0 + gradient * drop, -gradient, drop, horizontal)
    assert_allclose(back.time_s, there.time_s, rtol=1e-13)
    assert_allclose(back.launch_rad, there.arrival_rad, atol=1e-12)


@settings(deadline=None, derandomize=True)  # a busy machine is no failure
@given(gradient=st.floats(-2, 2), drop=st.floats(1, 30), horizontal=st.floats(0, 100))
def test_distance_and_time_are_inverse(gradient, drop, horizontal):
    time = rays.arc_time_s(1500.0, gradient, drop, horizontal)
    # near the vertical x is the root of a difference, which halves the digits
    assert_allclose(rays.arc_horizontal_m(1500.0, gradient, drop, time), horizontal, atol=2e-6)


@pytest.mark.parametrize("gradient", [0.0, 1e-15, -1e-12, 1e-9, -1e-6])
def test_a_vanishing_gradient_is_a_straight_line(gradient):
    ray = rays.eigenray(1500.0, gradient, 5.0, 40.0)
    assert_allclose(ray.time_s, np.hypot(5, 40) / 1500, rtol=1e-8)  # 1e-6/s times 5 m over 1500 m/s
    assert_allclose([ray.launch_rad, ray.arrival_rad], np.arctan2(5, 40), rtol=1e-6)


def test_an_arc_has_the_radius_of_its_launch():
    # Three points of one ray lie on one circle: chord and turn give the radius again.
    ray = rays.eigenray(1500.0, -0.8, 6.0, 50.0)
    turn = ray.arrival_rad - ray.launch_rad
    radius = np.hypot(6, 50) / (2 * np.sin(turn / 2))
    assert_allclose(rays.arc_radius_m(1500.0, -0.8, ray.launch_rad), radius, rtol=1e-12)
    assert rays.arc_radius_m(1500.0, 0.0, 0.1) == np.inf


def test_a_ray_that_turns_is_launched_upward():
    # 1 m down and 200 m off in water that bends rays down: up first, then down.
    ray = rays.eigenray(1500.0, -0.5, 1.0, 200.0)
    assert ray.launch_rad < 0 < ray.arrival_rad


def test_the_shade_behind_a_faster_layer_is_nan():
    layers = rays.layers_between([0, 5, 10], [1480.0, 1500.0, 1500.0], 0.0, 10.0)
    launch = rays.layers_eigenray(layers, np.array([5.0, 1e9])).launch_rad
    assert np.isfinite(launch[0])
    assert np.isnan(rays.layers_trace(layers, 0.05).horizontal_m)  # cos(0.05)/1480 > 1/1500
    assert np.isnan(rays.layers_trace(layers, 0.05).arrival_rad)


def test_a_target_in_the_shade_has_no_ray():
    # Speed rises all the way: beyond the ray that grazes the target nothing arrives without turning.
    layers = rays.layers_between([0, 10], [1480.0, 1500.0], 0.0, 10.0)
    grazing = 1480.0 / 2.0 * np.tan(np.arccos(1480 / 1500))  # of the arc that is level at 10 m
    found = rays.layers_eigenray(layers, np.array([0.99, 1.01]) * grazing)
    assert np.isfinite(found.time_s[0])
    assert np.isnan(found.time_s[1])


def test_time_before_the_vertical_echo_has_no_place():
    layers = rays.layers_between(PROFILE_DEPTH, PROFILE_SPEED, 3.0, 12.0)
    t = layers.vertical_time_s
    x = rays.layers_horizontal_m(layers, np.array([0.99, 1.0, 2.0]) * t)
    assert np.isnan(x[0])
    assert_allclose(x[1], 0, atol=1e-3)
    assert_allclose(rays.layers_eigenray(layers, x[2]).time_s, 2 * t, rtol=1e-12)
    assert_allclose(layers.mean_speed_m_s, layers.drop_m / t)


def test_beyond_its_ends_a_profile_is_constant():
    layers = rays.layers_between([5.0, 8.0], [1490.0, 1480.0], 1.0, 10.0)
    assert_allclose(layers.speed_in_m_s, [1490, 1490, 1480])
    assert_allclose(layers.speed_out_m_s, [1490, 1480, 1480])
    assert_allclose(layers.thickness_m, [4, 3, 2])


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: rays.eigenray(1500, -400, 5, 10), "sound speed at the target is -500; allowed: above 0"),
        (lambda: rays.layers_between([0, 0], [1500, 1500], 0, 5), "strictly increasing"),
        (lambda: rays.layers_between([0], [1500], 5, 5), "both 5; allowed: different depths"),
        (
            lambda: rays.layers_trace(rays.layers_between([0], [1500], 0, 5), 0.0),
            "launch_rad is 0; allowed: above 0",
        ),
        (lambda: rays.layers_eigenray(rays.layers_between([0], [1500], 0, 5), -1.0), "horizontal_m is -1"),
        (
            lambda: rays.Layers(thickness_m=[1], speed_in_m_s=[1500, 1], speed_out_m_s=[1500]),
            "one value per layer",
        ),
        (
            lambda: rays.Layers(thickness_m=[0], speed_in_m_s=[1500], speed_out_m_s=[1500]),
            "finite values above 0",
        ),
    ],
)
def test_impossible_water_is_refused(call, message):
    with pytest.raises(ParameterError, match=message):
        call()
