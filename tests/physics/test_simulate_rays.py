"""The simulator's rays against published rows, the ray equations integrated step by step, and their own symmetries."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import solve_ivp

from pingloom.imaging.errors import ParameterError
from pingloom.simulate.rays import Column, eigenrays

# Sound speed at the source [m/s], gradient [1/s], altitude [m], horizontal distance [m], launch angle [deg], one-way
# time [ms]. Computed from Snell's law, checked by numerical integration to 1e-9 s.
ARCS = [
    (1500, -0.5, 5, 50, 5.2327, 33.527144),
    (1500, -1.0, 5, 75, 2.3796, 50.189448),
    (1500, 0.017, 10, 100, 5.7431, 66.995371),
    (1520, -2.0, 8, 60, 5.3222, 40.023593),
    (1500, 1.0, 5, 50, 6.6638, 33.442334),
]


def profile(depth, speed, loss=0.0):
    depth = np.asarray(depth, float)
    return Column(
        depth_m=depth,
        sound_speed_m_s=np.asarray(speed, float),
        absorption_neper_m=np.broadcast_to(loss, (depth.size - 1,)),
    )


# A summer thermocline, a layer of constant speed and one that gets slightly faster; invented.
SUMMER = profile(
    [0, 4, 6, 9, 14, 20], [1521, 1520, 1512, 1496, 1496, 1496.6], [0.010, 0.011, 0.013, 0.016, 0.018]
)


@pytest.mark.parametrize("cut", [(), (0.3,), (0.2, 0.25, 0.9)])
@pytest.mark.parametrize(("c", "g", "h", "x", "launch_deg", "time_ms"), ARCS)
def test_arc_is_the_published_one_however_the_layer_is_cut(c, g, h, x, launch_deg, time_ms, cut):
    depth = np.array([0.0, 10.0, *(10 + h * np.array(cut)), 10.0 + h])
    ray = eigenrays(profile(depth, c + g * (depth - 10)), 10.0, 10.0 + h, x)
    assert_allclose(np.rad2deg(ray.launch_rad), launch_deg, atol=1e-3)  # as printed
    assert_allclose(1e3 * ray.time_s, time_ms, atol=1e-6)
    # Printed digits aside: the arc's time in closed form, and Snell's law at its end.
    square = g**2 * (x**2 + h**2) / (2 * c * (c + g * h))
    assert_allclose(ray.time_s, np.log1p(square + np.sqrt(square * (square + 2))) / abs(g), rtol=1e-14)
    assert_allclose(np.cos(ray.arrival_rad), np.cos(ray.launch_rad) * (c + g * h) / c, rtol=1e-13)


def integrated(column, source, launch_rad, length):
    """Place, time, angle and absorption at the end of a ray, by the ray equations."""
    depth, speed = column.depth_m, column.sound_speed_m_s
    slope = np.diff(speed) / np.diff(depth)

    def along(_, state):
        z, angle = state[1], state[2]
        i = np.clip(np.searchsorted(depth, z, side="right") - 1, 0, slope.size - 1)
        c = np.interp(z, depth, speed)
        turn = -np.cos(angle) * slope[i] / c
        return [np.cos(angle), np.sin(angle), turn, 1 / c, column.absorption_neper_m[i]]

    start = [0.0, source, launch_rad, 0.0, 0.0]
    # Short steps: at a layer's border the right side jumps, and a step across it is wrong by its square.
    return solve_ivp(along, (0, length), start, method="DOP853", rtol=1e-10, atol=1e-12, max_step=0.02).y[
        :, -1
    ]


CASES = {
    "steep, through the thermocline": (SUMMER, 3.0, 18.0, 4.0),
    "flat, through the thermocline": (SUMMER, 3.0, 18.0, 40.0),
    "upwards": (SUMMER, 18.0, 3.0, 25.0),
    "from within the thermocline, launched upwards": (SUMMER, 7.0, 8.5, 35.0),
    "within one layer": (SUMMER, 15.0, 19.0, 30.0),
    "by way of the surface": (SUMMER.unfolded(above=1), -8.0, 18.0, 20.0),
    "by way of seabed and surface": (SUMMER.unfolded(below=2), 5.0, 50.0, 30.0),
    "turns below its end": (profile([0, 10, 30], [1500, 1500, 1530]), 9.0, 12.0, 90.0),
}


@pytest.mark.parametrize("case", CASES)
def test_ray_is_the_one_that_the_ray_equations_give(case):
    column, source, target, x = CASES[case]
    ray = eigenrays(column, source, target, x)
    got = integrated(column, source, ray.launch_rad, ray.length_m)
    assert_allclose(got[:2], [x, target], atol=2e-5)
    assert_allclose(got[2], ray.arrival_rad, atol=2e-6)
    assert_allclose(got[3], ray.time_s, rtol=0, atol=1e-9)
    # A piece's absorption is its layer's: steps across a border share it between two.
    assert_allclose(got[4], ray.absorption_neper, rtol=2e-4, atol=1e-12)


def test_rays_that_turn_are_launched_the_other_way():
    assert eigenrays(*CASES["from within the thermocline, launched upwards"]).launch_rad < 0
    assert eigenrays(*CASES["turns below its end"]).arrival_rad < 0


@pytest.mark.parametrize("case", CASES)
def test_way_back_is_the_way_there(case):
    column, source, target, x = CASES[case]
    there, back = eigenrays(column, source, target, x), eigenrays(column, target, source, x)
    assert_allclose(
        [back.time_s, back.spreading_m, back.length_m], [there.time_s, there.spreading_m, there.length_m]
    )
    assert_allclose([back.launch_rad, back.arrival_rad], [-there.arrival_rad, -there.launch_rad])


@pytest.mark.parametrize("case", CASES)
def test_spreading_is_that_of_a_narrow_tube_of_rays(case):
    column, source, target, x = CASES[case]
    step = 1e-4
    ray = eigenrays(column, source, target, x)
    near, far = (eigenrays(column, source, target, x + s * step) for s in (-1, 1))
    # Power between two launch angles, cos(launch) d(launch), goes through a ring of width sin(arrival) dx.
    opening = (near.launch_rad - far.launch_rad) / (2 * step)
    speeds = column.sound_speed_at([source, target])
    ring = x * abs(np.sin(ray.arrival_rad)) / (np.cos(ray.launch_rad) * abs(opening))
    # The pressure's own factor, sqrt of the impedances, makes it the same both ways.
    assert_allclose(ray.spreading_m, np.sqrt(ring * speeds[0] / speeds[1]), rtol=2e-5)


@pytest.mark.parametrize("case", CASES)
def test_slopes_of_the_time_are_the_rays_directions(case):
    """Fermat: moving an end by d takes d cos(angle) / c longer; the launch's depth counts the other way."""
    column, source, target, x = CASES[case]
    ray, step = eigenrays(column, source, target, x), 1e-4
    c = column.sound_speed_at([source, target])

    def slope(a, b, d):
        times = [eigenrays(column, source + s * a, target + s * b, x + s * d).time_s for s in (-1, 1)]
        return (times[1] - times[0]) / (2 * step)

    assert_allclose(slope(0, 0, step), ray.ray_parameter_s_m, rtol=1e-6)
    assert_allclose(slope(0, step, 0), np.sin(ray.arrival_rad) / c[1], rtol=1e-4, atol=1e-9)
    assert_allclose(slope(step, 0, 0), -np.sin(ray.launch_rad) / c[0], rtol=1e-4, atol=1e-9)


@pytest.mark.parametrize("gradient", [0.0, 1e-9, -1e-9, 1e-5])
def test_without_a_gradient_rays_are_straight(gradient):
    x = np.array([0.0, 1e-3, 2.0, 60.0, 1000.0])
    depth = np.array([0.0, 8.0, 30.0])
    ray = eigenrays(profile(depth, 1500 + gradient * depth, 0.01), 12.0, 18.0, x)
    straight = np.hypot(x, 6)
    # The departure is of the first order in the gradient: (z1 + z2) / 2 over c for the time, x / 2c for the angle.
    assert_allclose(ray.time_s * 1500 / straight, 1, atol=1e-14 + abs(gradient) * 0.02)
    assert_allclose(ray.launch_rad, np.arctan2(6, x), atol=1e-14 + abs(gradient))
    assert_allclose(ray.spreading_m / straight, 1, atol=1e-12 + abs(gradient) * 100)
    assert_allclose(ray.length_m / straight, 1, atol=1e-12)
    assert_allclose(ray.absorption_neper, 0.01 * ray.length_m)


def test_images_in_still_water_lie_behind_the_mirrors():
    column = Column.uniform(1490.0, 8.0).unfolded(above=1, below=2)
    ray = eigenrays(column, [-3.0, 3.0, 3.0], [8.0, 13.0, 24.0], 30.0)
    assert_allclose(ray.time_s, np.hypot(30, [11, 10, 21]) / 1490, rtol=1e-14)
    assert_allclose(ray.angle_at(1490.0), np.arctan2([11, 10, 21], 30))


def test_unfolded_water_is_mirrored():
    column = SUMMER.unfolded(above=2, below=1)
    assert column.depth_m[0] == -40
    assert column.depth_m[-1] == 40
    z = np.linspace(0, 20, 101)
    for image in (z, -z, 40 - z, z - 40):
        assert_allclose(column.sound_speed_at(image), SUMMER.sound_speed_at(z))
    assert_allclose(column.absorption_neper_m[5:10], SUMMER.absorption_neper_m[::-1])


# --- where no direct ray comes -----------------------------------------------------------------------------


def test_downward_bending_water_leaves_a_shadow_beyond_the_ray_that_grazes_its_top():
    # Gradient from 2 m down only: the last ray turns at 2 m, where it is level.
    column = profile([0, 2, 20], [1500, 1500, 1464])
    c = column.sound_speed_at([2.0, 8.0, 18.0])
    p, g = 1 / c[0], 2.0
    sine = np.sqrt(1 - (p * c[1:]) ** 2)
    reach = (sine[0] + sine[1]) / (p * g)
    rays = eigenrays(column, 8.0, 18.0, [reach - 1e-3, reach + 1e-3])
    assert np.isfinite(rays.time_s[0])
    assert_allclose(rays.launch_rad[0], -np.arcsin(sine[0]), atol=2e-3)
    assert np.isnan(rays.time_s[1])
    assert np.isnan(rays.spreading_m[1])


def test_upward_bending_water_leaves_a_shadow_where_the_ray_grazes_the_seabed():
    column = profile([0, 20], [1500, 1540])
    c = column.sound_speed_at([12.0, 20.0])
    reach = np.sqrt(1 - (c[0] / c[1]) ** 2) * c[1] / 2.0
    rays = eigenrays(column, 12.0, 20.0, [reach - 1e-3, reach + 1e-3])
    assert 0 < rays.arrival_rad[0] < 0.01
    assert np.isnan(rays.time_s[1])


def test_family_ends_where_its_rays_come_down_nearer_again():
    # Rays that turn in a steeper gradient above 7 m turn sooner: the one that just reaches it goes farthest.
    column = profile([0, 7, 20], [1530, 1502, 1489])
    c = column.sound_speed_at([7.0, 8.0, 18.0])
    sine = np.sqrt(1 - (c / c[0]) ** 2)
    reach = c[0] * (sine[1] + sine[2])
    x = np.append(np.linspace(1, reach - 0.01, 300), reach + 0.01)
    rays = eigenrays(column, 8.0, 18.0, x)
    assert np.isfinite(rays.time_s[:-1]).all()
    assert np.isnan(rays.time_s[-1])
    assert_allclose(rays.launch_rad[-2], -np.arcsin(sine[1]), atol=1e-4)
    assert (np.diff(rays.launch_rad[:-1]) < 0).all()


def test_wrong_columns_are_refused_by_name():
    with pytest.raises(ParameterError, match="column has shapes"):
        profile([0], [1500])
    with pytest.raises(ParameterError, match=r"column.depth_m doesn't increase"):
        profile([0, 5, 5], [1500, 1500, 1500])
    with pytest.raises(ParameterError, match=r"column.sound_speed_m_s isn't above 0"):
        profile([0, 5], [1500, -1])
    with pytest.raises(ParameterError, match="above = -1"):
        SUMMER.unfolded(above=-1)
