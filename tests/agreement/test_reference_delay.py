"""The outside reference: frames, delays and echoes against closed forms."""

import dataclasses
import sys
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

sys.path.append(str(Path(__file__).resolve().parents[1]))

from reference.echo_sum import Water, axes, delays, echoes, place, replica, travel_time
from reference.scenes import RAD, make_sonar, motion, reference_sonar

C = 1500.0


def still(north=0.0, east=0.0, depth=0.0, heading=0.0, pitch=0.0, roll=0.0):
    values = (north, east, depth, heading, pitch, roll)
    return lambda t: np.stack([np.full(np.shape(t), v) for v in values])


@pytest.mark.parametrize(
    ("attitude", "body", "world"),
    [
        (dict(heading=90 * RAD), (1, 0, 0), (0, 1, 0)),  # east is clockwise from north
        (dict(heading=90 * RAD), (0, 1, 0), (-1, 0, 0)),  # starboard of an eastward heading is south
        (dict(pitch=90 * RAD), (1, 0, 0), (0, 0, -1)),  # bow up
        (dict(roll=90 * RAD), (0, 1, 0), (0, 0, 1)),  # starboard side down
        (dict(heading=90 * RAD, pitch=30 * RAD), (1, 0, 0), (0, np.cos(30 * RAD), -0.5)),
        (dict(pitch=90 * RAD, roll=90 * RAD), (0, 1, 0), (1, 0, 0)),  # roll about the pitched axis
    ],
)
def test_body_axes_turn_as_the_conventions_say(attitude, body, world):
    assert_allclose(place(still(**attitude), np.array(0.0), body), world, atol=1e-15)


def test_body_axes_stay_a_right_handed_frame():
    a = axes(*np.random.default_rng(0).uniform(-3, 3, (3, 50)))
    assert_allclose(np.einsum("ikn,jkn->ijn", a, a), np.eye(3)[:, :, None] * np.ones(50), atol=1e-14)
    assert_allclose(np.cross(a[0], a[1], axis=0), a[2], atol=1e-14)


@pytest.mark.parametrize("side", ["port", "starboard"])
def test_array_normal_points_to_its_side_and_down(side):
    sonar = reference_sonar((5.0, 10.0), side)
    assert np.sign(sonar.normal[1]) == (1 if side == "starboard" else -1)
    assert sonar.normal[2] == pytest.approx(np.sin(sonar.depression_rad))
    assert_allclose([sonar.normal @ sonar.vertical, sonar.vertical[0]], 0, atol=1e-15)
    assert np.all(np.diff(sonar.element_position_m[0, :, 0]) > 0)  # aft to fore


def test_delay_of_a_static_array_is_the_two_ways_over_sound_speed():
    transmitter, receiver = np.array([1.0, 2.0, 3.0]), np.array([1.3, 2.1, 2.9])
    points = np.random.default_rng(1).uniform(5, 40, (3, 20))
    tau = delays(transmitter, lambda t: receiver[:, None] + 0 * t, points, 7.0, Water(sound_speed_m_s=C))
    ways = [np.linalg.norm(points - p[:, None], axis=0) for p in (transmitter, receiver)]
    assert_allclose(tau, (ways[0] + ways[1]) / C, rtol=0, atol=1e-15)


def test_delay_of_a_steadily_moving_receiver_solves_the_quadratic():
    velocity = np.array([2.0, 0.5, -0.1])
    points = np.random.default_rng(2).uniform(5, 40, (3, 20))
    tau = delays(np.zeros(3), lambda t: velocity[:, None] * (t - 7.0), points, 7.0, Water(sound_speed_m_s=C))
    # |P - v tau| = c tau - |P|  =>  tau = 2 (c |P| - v.P) / (c^2 - v^2)
    r = np.linalg.norm(points, axis=0)
    assert_allclose(tau, 2 * (C * r - velocity @ points) / (C**2 - velocity @ velocity), rtol=0, atol=1e-13)


def test_travel_time_in_a_gradient_is_the_time_along_the_circular_ray():
    water = Water(sound_speed_m_s=1500.0, gradient_per_s=-2.0)
    a, b = np.array([0.0, 0.0, 5.0]), np.array([200.0, 0.0, 30.0])
    # Fermat: among arcs through both ends, the least time is the closed form (sums of 4000 steps).
    s = np.linspace(0, 1, 4001)
    square = np.cross(b - a, [0.0, 1.0, 0.0]) / np.linalg.norm(b - a)
    times = []
    for sagitta in np.linspace(-20, 20, 801):
        path = a[:, None] + np.outer(b - a, s) + np.outer(square, 4 * sagitta * s * (1 - s))
        step = np.linalg.norm(np.diff(path, axis=1), axis=0)
        middle = 0.5 * (path[2, 1:] + path[2, :-1])
        times.append(np.sum(step / (1500.0 - 2.0 * middle)))
    assert travel_time(a, b, water) == pytest.approx(min(times), rel=1e-6)  # a parabola is not quite the arc
    assert travel_time(a, b, water) <= min(times) * (1 + 1e-9)
    assert min(times) < times[400] * (1 - 1e-5)  # the straight line is slower: the test can see bending


def test_an_echo_on_a_whole_sample_is_the_replica_turned_by_the_carrier():
    sonar = reference_sonar((5.0, 12.0))
    sonar = dataclasses.replace(
        sonar, element_position_m=np.zeros((1, 1, 3)), centre_hz=451_234.5, first_sample_delay_s=7e-3
    )
    n = 60
    tau = sonar.first_sample_delay_s + n * sonar.sample_interval_s
    point = np.array([[0.0, C * tau / 2, 0.0]])
    echo = echoes(sonar, still(), [3.0], point, np.array([2j]), Water(), unit_amplitude=True)[0, 0, 0]
    expected = np.zeros(sonar.n_sample, complex)
    pulse = replica(sonar)
    expected[n : n + pulse.size] = 2j * np.exp(-2j * np.pi * sonar.centre_hz * tau) * pulse
    # 450 kHz x 9 ms = 4000 cycles: float64 keeps the phase to 1e-11
    assert_allclose(echo, expected, atol=1e-9)


@pytest.mark.parametrize(("f_start", "f_stop"), [(435e3, 465e3), (465e3, 435e3)])
def test_replica_sweeps_from_start_to_stop(f_start, f_stop):
    sonar = dataclasses.replace(
        reference_sonar((5.0, 6.0)), f_start_hz=f_start, f_stop_hz=f_stop, centre_hz=440e3
    )
    sonar = dataclasses.replace(sonar, sample_interval_s=1e-6)
    pulse = replica(sonar)
    assert pulse.size == 2001
    frequency = np.diff(np.unwrap(np.angle(pulse))) / (2 * np.pi * 1e-6) + 440e3
    assert_allclose(frequency[[0, -1]], [f_start, f_stop], atol=10)  # half a step of 15 Hz


def test_amplitude_is_pattern_over_both_distances():
    sonar = make_sonar(
        "starboard",
        sweep_hz=(90e3, 110e3),
        duration_s=2e-3,
        rate_hz=50e3,
        gate_m=(9.0, 13.0),
        n_channel=1,
        pitch_m=0.04,
        transmit_m=(0.05, 0.02),
        height_m=0.03,
        depression_rad=0.0,
    )
    direction = np.array([0.2, 0.9, 0.3]) / np.linalg.norm([0.2, 0.9, 0.3])
    point = 10.0 * direction
    plain, shaped = (
        echoes(sonar, still(), [0.0], point[None], np.ones(1), Water(absorption_db_m=0.05), unit_amplitude=u)
        for u in (True, False)
    )
    x = direction * 100e3 / C
    pattern = np.sinc(0.05 * x[0]) * np.sinc(0.02 * x[2]) * np.sinc(0.04 * x[0]) * np.sinc(0.03 * x[2])
    assert_allclose(shaped, plain * pattern / 10.0**2 * 10 ** (-0.05 * 20 / 20), atol=1e-12)


def test_fast_sum_agrees_with_the_exact_sum_to_1e_6():
    sonar = reference_sonar((24.0, 27.0))
    pose = motion(
        depth_m=14, speed_m_s=1.8, course_rad=1.0, heave=(0.05, 3.0), yaw=(0.03, 4.0), rock=(0.05, 3.0)
    )
    rng = np.random.default_rng(5)
    along, across = rng.uniform(-2, 2, 150), rng.uniform(22, 28, 150)  # some outside the record
    points = np.stack(
        [along * np.cos(1) - across * np.sin(1), along * np.sin(1) + across * np.cos(1), np.full(150, 20.0)],
        axis=1,
    )
    weight = np.exp(2j * np.pi * rng.random(150))
    exact, fast = (
        echoes(sonar, pose, [0.2], points, weight, Water(absorption_db_m=0.1), fast=f) for f in (False, True)
    )
    assert np.linalg.norm(fast - exact) < 1e-6 * np.linalg.norm(exact)
    assert np.linalg.norm(exact) > 0


def test_padding_changes_the_echo_less_and_less():
    sonar = dataclasses.replace(reference_sonar((24.0, 27.0)), element_position_m=np.zeros((1, 1, 3)))
    rng = np.random.default_rng(6)
    points = np.stack([rng.uniform(-1, 1, 40), rng.uniform(23.5, 25, 40), np.full(40, 6.0)], axis=1)
    at = {
        p: echoes(sonar, still(), [0.0], points, np.ones(40), Water(), fast=True, padding=p)
        for p in (1.0, 3.0, 31.0)
    }
    size = np.linalg.norm(at[31.0])
    coarse, fine = (np.linalg.norm(at[p] - at[31.0]) / size for p in (1.0, 3.0))
    assert fine < 2e-4
    assert 3 < coarse / fine < 5  # wrapped tails fall as the square of the length: (4/2)^2
