"""The table of rays: against closed forms, printed values, and itself where nothing bends."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pingloom.imaging import rays
from pingloom.imaging._refraction_kernels import find_rays
from pingloom.imaging.errors import ParameterError
from pingloom.imaging.records import Water
from pingloom.imaging.refraction import RayTable, WaterColumn
from tests.physics.test_ground_range import BENT

ARRAY_M = 12.0


def column(
    profile: tuple[list[float], list[float]] | None = None,
    *,
    exact: bool = False,
    altitude_m: float = 6.0,
    range_m: float = 60.0,
    **beliefs: float,
) -> WaterColumn:
    depth, speed = profile or (None, None)
    water = Water(sound_speed_m_s=1500.0, profile_depth_m=depth, profile_sound_speed_m_s=speed)
    made = WaterColumn.prepare(
        water,
        along_ray_m_s=beliefs.get("along_ray_m_s"),
        at_array_m_s=beliefs.get("at_array_m_s"),
        measured_m_s=beliefs.get("measured_m_s"),
        array_depth_m=ARRAY_M,
        altitude_m=altitude_m,
        range_m=range_m,
    )
    mode = "exact" if exact else "straight"
    return made.decided(
        mode,
        np.array([[ARRAY_M, altitude_m]]),
        range_m=range_m,
        cell_m=0.0222,
        beam=0.005,
        steepest_rad=1.2,
        pitch_rad=0.0,
        half_sector_rad=0.05,
    )


def table(made: WaterColumn, altitude_m: float = 6.0, **more) -> RayTable:
    return made.table(ARRAY_M, np.full(made.horizontal_m.size, ARRAY_M + altitude_m), **more)


def linear(speed_m_s: float, gradient_s: float) -> tuple[list[float], list[float]]:
    """A profile with a speed at the array's depth."""
    return [0.0, 50.0], [speed_m_s - gradient_s * ARRAY_M, speed_m_s + gradient_s * (50 - ARRAY_M)]


def ground_range_m(made: WaterColumn, altitude_m: float, time_s: float) -> float:
    """Where the chain puts an echo, by its own numbers between nodes: T^2 is the stretch times the squared slant."""
    got = table(made, altitude_m)
    x = np.linspace(0, made.horizontal_m[-1], 200_001)
    stretch = np.interp(x, made.horizontal_m, got.factor[0])
    travel = np.sqrt(stretch * (x**2 + altitude_m**2))
    return float(np.interp(made.reference_m_s * time_s, travel, x))


def test_with_one_sound_speed_nothing_is_bent() -> None:
    for made in (column(), column(([0.0, 40.0], [1500.0, 1500.0]), exact=True)):
        got = table(made)
        assert_allclose(got.factor, 1.0, atol=1e-9)
        assert_allclose(got.travel_m, got.slant_m, rtol=1e-12)
        assert got.array_speed_ratio == 1.0


@pytest.mark.parametrize(("speed", "gradient", "altitude", "x", "by_sonar_speed", "by_mean"), BENT)
def test_ground_ranges_are_those_worked_out_apart(
    speed, gradient, altitude, x, by_sonar_speed, by_mean
) -> None:
    time = rays.arc_time_s(speed, gradient, altitude, x)
    profile = linear(speed, gradient)
    where = dict(altitude_m=altitude, range_m=1.2 * x)
    # The table is linear between its nodes, here three quarters of a metre apart: far below a millimetre.
    assert ground_range_m(column(profile, exact=True, **where), altitude, time) == pytest.approx(x, abs=1e-4)
    by_speed = ground_range_m(column(along_ray_m_s=speed, **where), altitude, time)
    assert by_speed - x == pytest.approx(by_sonar_speed, abs=5e-4)
    # Theirs is the arithmetic mean, ours distance over time: in the strongest gradient 0.6 mm apart.
    assert ground_range_m(column(profile, **where), altitude, time) - x == pytest.approx(by_mean, abs=8e-4)


@pytest.mark.parametrize("gradient", [-1.0, -0.3, 0.05, 0.8])
def test_the_four_factors_are_those_of_the_arc(gradient: float) -> None:
    made = column(linear(1500.0, gradient), exact=True, range_m=45.0)
    got = table(made)
    x = np.maximum(made.horizontal_m, 1e-4)
    arc = rays.eigenray(1500.0, gradient, 6.0, x)
    travel = made.reference_m_s * arc.time_s
    assert_allclose(got.travel_m, travel, rtol=1e-10)
    stretch, curve, level, down = got.factor
    assert_allclose(stretch, (travel / got.slant_m) ** 2, rtol=1e-10)
    # dT^2/dX^2 by differences of the closed form.
    step = 1e-4
    later = (
        made.reference_m_s * rays.arc_time_s(1500.0, gradient, 6.0, x + step),
        made.reference_m_s * rays.arc_time_s(1500.0, gradient, 6.0, x),
    )
    assert_allclose(curve[1:], ((later[0] ** 2 - later[1] ** 2) / ((x + step) ** 2 - x**2))[1:], rtol=1e-5)
    # A level array along the ray's own azimuth would measure the cosine of the launch angle, an upright one its sine.
    assert_allclose(level * x / travel, np.cos(arc.launch_rad), rtol=1e-9)
    assert_allclose(down * 6.0 / travel, np.sin(arc.launch_rad), atol=1e-9)


def test_rays_over_the_top_of_an_arc_are_found_as_the_closed_form_has_them() -> None:
    made = column(([0.0, 40.0], [1536.0, 1416.0]), exact=True, range_m=180.0)
    arc = rays.eigenray(1500.0, -3.0, 6.0, made.horizontal_m[1:])
    got = table(made)
    assert arc.launch_rad.min() < -0.1  # launched upward, turned, and down to the seabed
    n = got.travel_m.size
    assert made.horizontal_m[n - 1] > 120
    assert_allclose(got.travel_m[1:], made.reference_m_s * arc.time_s[: n - 1], rtol=1e-10)
    assert got.factor[3, n - 1] < 0  # the array hears it from above


def test_layers_agree_with_the_ray_tracer_that_finds_them_by_halving() -> None:
    depth, speed = [0.0, 10.0, 20.0, 30.0], [1500.0, 1490.0, 1495.0, 1510.0]
    made = column((depth, speed), exact=True, altitude_m=16.0, range_m=400.0)
    got = table(made, 16.0)
    theirs = rays.layers_eigenray(
        rays.layers_between(depth, speed, ARRAY_M, ARRAY_M + 16), made.horizontal_m[1:]
    )
    seen = np.isfinite(theirs.time_s)
    n = int(seen.sum()) + 1
    assert 10 < n < made.horizontal_m.size
    assert got.travel_m.size == n
    assert_allclose(got.travel_m[1:], made.reference_m_s * theirs.time_s[seen], rtol=1e-10)
    # What no ray reaches is drawn beyond every recorded delay.
    assert (np.sqrt(got.factor[0, n:]) * got.slant_m[n:] > 1e4).all()


def test_targets_on_a_slope_are_reached_at_their_own_depth() -> None:
    depth, speed = np.array([0.0, 40.0]), np.array([1510.0, 1470.0])
    x, z = np.linspace(2.0, 60.0, 20), np.linspace(16.0, 24.0, 20)
    launch, time = np.empty(20), np.empty(20)
    find_rays(depth, speed, ARRAY_M, x, z, launch, time)
    arc = rays.eigenray(1498.0, -1.0, z - ARRAY_M, x)
    assert_allclose(launch, arc.launch_rad, atol=1e-9)
    assert_allclose(time, arc.time_s, rtol=1e-12)


def test_a_wrong_speed_at_the_array_leaves_level_slowness_alone() -> None:
    right, wrong = table(column()), table(column(at_array_m_s=1510.0))
    # In units of the believed speed the level part grows by its ratio: the beams' own phase per metre stays.
    assert_allclose(wrong.factor[2], right.factor[2] * 1510 / 1500, rtol=1e-12)
    p = column().horizontal_m / right.slant_m / 1500
    q = np.sqrt(np.maximum(1 / 1510**2 - p**2, 0))
    assert_allclose(wrong.factor[3], 1510 * right.slant_m * q / 6.0, atol=1e-6)
    assert_allclose(wrong.factor[:2], right.factor[:2], rtol=1e-12)


def test_the_speed_at_the_array_is_set_or_measured_or_the_profiles_in_this_order() -> None:
    profile = linear(1500.0, -1.0)
    assert column(profile).beams_m_s == pytest.approx(1500.0)
    assert column(profile, measured_m_s=1503.0).beams_m_s == 1503.0
    assert column(profile, measured_m_s=1503.0, at_array_m_s=1507.0).beams_m_s == 1507.0
    assert column(along_ray_m_s=1490.0).beams_m_s == 1490.0
    made = column(profile, measured_m_s=1503.0)
    assert table(made, measured_m_s=1504.5).array_speed_ratio == pytest.approx(1504.5 / 1503)


def test_the_mean_speed_is_distance_over_time_straight_down() -> None:
    assert column(linear(1500.0, -2.0)).reference_m_s == pytest.approx(
        6.0 / rays.arc_time_s(1500.0, -2.0, 6.0, 0.0), rel=1e-9
    )


def test_exact_rays_without_a_profile_are_refused() -> None:
    with pytest.raises(ParameterError, match=r"water\.rays is exact, but there is no profile"):
        column(exact=True)
