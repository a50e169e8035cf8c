"""Where the chain puts a point when one of the sound speeds, or the bending of rays, is left out or wrong.

The echoes come from the independent reference simulator, whose rays are circles' arcs; the shifts that are expected were worked out
apart from the project by numerical integration of the ray integrals (table of ray bending: launch and arrival, times to
1e-9 s), or are derived beside the test.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from pingloom.bench.measure.resolution import point_response
from pingloom.imaging.chain import ChainSettings
from tests.agreement.test_imager_runs import Strip, run, settings
from tests.reference import scenes
from tests.reference.echo_sum import Pose, Sonar, Water, echoes
from tests.reference.write_recording import Extras, SideEcho, write_recording

SEABED_M = 20.0
RAD = np.pi / 180


@dataclass(frozen=True, kw_only=True)
class Point:
    """A recording of one point abeam."""

    path: Path
    place_m: np.ndarray
    """(3,)"""
    slant_m: float
    water: Water
    sonar: Sonar
    pose: Pose


def record(
    path: Path,
    *,
    altitude_m: float,
    x_m: float,
    along_m: float = 0.0,
    speed_m_s: float = 1500.0,
    gradient_s: float = 0.0,
    pitch_rad: float = 0.0,
    roll_rad: float = 0.0,
    seabed_m: float = SEABED_M,
    rise_m: float = 0.0,
    one_ping: bool = False,
) -> Point:
    """A few pings past a unit point at ``x_m``, which lies ``rise_m`` above the seabed under the vehicle."""
    array_m = seabed_m - altitude_m
    water = Water(sound_speed_m_s=speed_m_s - gradient_s * array_m, gradient_per_s=gradient_s)
    pose = scenes.motion(
        depth_m=array_m, speed_m_s=1.8, course_rad=0.0, pitch_rad=pitch_rad, roll_rad=roll_rad
    )
    slant = float(np.hypot(x_m, altitude_m))
    sonar = scenes.reference_sonar((0.98 * slant - 0.8, slant + 0.8))
    times = np.zeros(1) if one_ping else scenes.ping_times(pose, (-0.3, 0.31), 1.8, 0.15)
    place = np.array([along_m, x_m, seabed_m - rise_m])
    echo = echoes(sonar, pose, times, place[None], np.ones(1, complex), water)
    write_recording(
        path,
        [SideEcho(sonar=sonar, ping_time_s=times, echo=echo)],
        pose,
        scenes.around(times, 10.0),
        water,
        seabed_m,
        Extras(altitude=True, rates=True, profile=gradient_s != 0),
        title="a point in bent rays",
    )
    return Point(path=path, place_m=place, slant_m=slant, water=water, sonar=sonar, pose=pose)


def found(point: Point, believed: ChainSettings) -> tuple[float, float, Strip]:
    """How far along and across the image of the point lies from where it is, and the strip. [m]"""
    strip = run(point.path, "starboard", believed)
    along, across = strip.strip(point.place_m)
    # Nothing else is in the picture: the brightest pixel is the point's.
    row, column = np.unravel_index(np.nanargmax(strip.with_noise), strip.with_noise.shape)
    response = point_response(
        strip.with_noise,
        pixel_m=strip.pixel_m,
        origin_m=(strip.along_m[0], strip.across_m[0]),
        near_m=(strip.along_m[row], strip.across_m[column]),
        half_size_m=(2.5 * 3.33e-3 * point.slant_m / 0.6, 0.45),
    )
    return response.peak_along_m - along, response.peak_across_m - across, strip


def belief(point: Point, **changes) -> ChainSettings:
    """Plain settings on fine pixels with some of the water's or the seabed's changed."""
    water = {k: v for k, v in changes.items() if not k.startswith("slope")}
    bottom = {k: v for k, v in changes.items() if k.startswith("slope")}
    reach = float(point.place_m[1]) + 0.6
    base = settings(along_m=0.3 * 3.33e-3 * point.slant_m / 0.6, across_m=0.007, range_m=reach)
    return replace(base, water=replace(base.water, **water), bottom=replace(base.bottom, **bottom))


# Sound speed at the sonar [m/s], gradient [1/s], altitude, ground range; error of straight rays in ground range with the speed at
# the sonar and with the mean [m]: computed apart, to 0.5 mm.
BENT = [
    (1500.0, -0.5, 5.0, 50.0, 0.0415, -0.00057),
    (1500.0, -1.0, 5.0, 75.0, 0.1180, -0.00780),
    (1500.0, 0.017, 10.0, 100.0, -0.0057, -0.00001),
    (1520.0, -2.0, 8.0, 60.0, 0.3076, -0.01545),
    (1500.0, 1.0, 5.0, 50.0, -0.0863, -0.00228),
]


# All rows are tried on the chain's table of rays in tests/unit/test_refraction.py.
@pytest.mark.parametrize(("speed", "gradient", "altitude", "x", "by_sonar_speed", "by_mean"), BENT[3:])
def test_points_are_put_where_rays_bend_or_as_far_off_as_straight_rays_lead(
    tmp_path: Path, speed, gradient, altitude, x, by_sonar_speed, by_mean
) -> None:
    point = record(tmp_path / "r.h5", altitude_m=altitude, x_m=x, speed_m_s=speed, gradient_s=gradient)
    # The table's half millimetre, and a thousandth of a pixel's worth of peak finding.
    near = pytest.approx
    along, across, _ = found(point, belief(point, rays="exact"))
    assert across == near(0.0, abs=6e-4)
    assert along == near(0.0, abs=2e-3)
    assert found(point, belief(point, sound_speed_m_s=speed))[1] == near(by_sonar_speed, abs=1e-3)
    assert found(point, belief(point, rays="straight"))[1] == near(by_mean, abs=1e-3)


def test_the_chain_bends_rays_where_straight_ones_err_by_a_tenth_of_a_cell_and_says_so(
    tmp_path: Path,
) -> None:
    # The cell is 22 mm long: 15 mm are two thirds of it, 0.6 mm a fortieth.
    for row, mode in ((BENT[3], "exact"), (BENT[0], "straight")):
        speed, gradient, altitude, x, _, error = row
        point = record(tmp_path / "r.h5", altitude_m=altitude, x_m=x, speed_m_s=speed, gradient_s=gradient)
        water = run(point.path, "starboard", belief(point)).chain.water
        assert water.reason.startswith(f"{mode}: straight rays are off by up to ")
        # Half a metre beyond the point it errs by a little more.
        assert water.error_cells == pytest.approx(abs(error) / 0.0222, rel=0.1)


@pytest.mark.parametrize("off_m_s", [10.0, -15.0])
def test_a_wrong_speed_along_the_ray_stretches_the_range(tmp_path: Path, off_m_s: float) -> None:
    point = record(tmp_path / "r.h5", altitude_m=6.0, x_m=30.0, along_m=0.05)
    # On the slant R dc/c; on the ground more by the ratio of slant to ground.
    slant = point.slant_m * (1 + off_m_s / 1500)
    expected = np.sqrt(slant**2 - 6.0**2) - 30.0
    along, across, _ = found(point, belief(point, sound_speed_m_s=1500 + off_m_s))
    assert across == pytest.approx(expected, abs=1.5e-3)
    assert along == pytest.approx(0.0, abs=2e-3)


@pytest.mark.parametrize("pitch_deg", [0.0, 4.0])
def test_a_wrong_speed_at_the_array_turns_the_beams_of_a_pitched_one_only(
    tmp_path: Path, pitch_deg: float
) -> None:
    """The horizontal slowness is that of the travel time; what the believed speed leaves for the vertical one is off.

    The array pitched by b measures u = p_along cos b - q sin b in units of its own slowness, so the point moves along by
    R dq sin b / cos b (derived).
    """
    point = record(tmp_path / "r.h5", altitude_m=6.0, x_m=25.0, pitch_rad=pitch_deg * RAD)
    p = 25.0 / point.slant_m / 1500
    q = [np.sqrt(1 / c**2 - p**2) for c in (1500.0, 1510.0)]
    moved = 1500 * point.slant_m * (q[1] - q[0]) * np.tan(pitch_deg * RAD)
    along, across, _ = found(point, belief(point, sound_speed_at_array_m_s=1510.0))
    assert along == pytest.approx(moved, abs=3e-3)
    assert abs(across) < 2e-3
    if pitch_deg:
        assert abs(moved) > 0.04  # a third of a cell


@pytest.mark.parametrize("slope_deg", [-3.0, 3.0])
def test_a_point_on_a_slope_is_put_where_it_is_if_the_slope_is_told(tmp_path: Path, slope_deg: float) -> None:
    rise = -25.0 * np.tan(slope_deg * RAD)
    point = record(tmp_path / "r.h5", altitude_m=6.0, x_m=25.0, rise_m=rise, pitch_rad=2 * RAD)
    along, across, _ = found(point, belief(point, slope_across_deg=slope_deg))
    assert across == pytest.approx(0.0, abs=1e-3)
    assert along == pytest.approx(0.0, abs=3e-3)
    # On a level seabed the same slant range lies elsewhere.
    drop = 6.0 - rise
    believed = np.sqrt(25.0**2 + drop**2 - 6.0**2) - 25.0
    assert found(point, belief(point))[1] == pytest.approx(believed, abs=2e-3)
    assert abs(believed) > 0.2


@pytest.mark.parametrize("slope_deg", [-4.0, 4.0])
def test_a_point_ahead_on_a_slope_along_the_way_is_put_where_it_is(tmp_path: Path, slope_deg: float) -> None:
    rise = -0.9 * np.tan(slope_deg * RAD)
    point = record(
        tmp_path / "r.h5",
        altitude_m=6.0,
        x_m=20.0,
        along_m=0.9,
        rise_m=rise,
        one_ping=True,
        pitch_rad=2 * RAD,
    )
    along, across, _ = found(point, belief(point, slope_along_deg=slope_deg))
    assert across == pytest.approx(0.0, abs=1e-3)
    assert along == pytest.approx(0.0, abs=3e-3)
    assert abs(found(point, belief(point))[1]) > 0.015
