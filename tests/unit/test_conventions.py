"""The conventions of imaging/conventions.py, each pinned by a case that a wrong sign would fail."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.spatial.transform import Rotation

from pingloom.imaging.compress import Compressor, CompressSettings, replica
from pingloom.imaging.errors import ParameterError
from pingloom.imaging.frames import StripFrame, Trajectory, array_frame, rotation
from pingloom.imaging.records import Platform
from tests.unit.make import make_sonar


def test_heading_is_clockwise_from_north() -> None:
    assert_allclose(rotation(np.pi / 2, 0, 0) @ [1, 0, 0], [0, 1, 0], atol=1e-15)


def test_pitch_is_positive_bow_up_and_roll_positive_to_starboard() -> None:
    assert (rotation(0, 0.1, 0) @ [1, 0, 0])[2] < 0  # the bow points up: down is negative
    assert (rotation(0, 0, 0.1) @ [0, 1, 0])[2] > 0  # starboard goes down


def test_rotation_is_intrinsic_yaw_pitch_roll() -> None:
    angles = (0.7, -0.3, 0.2)
    # scipy's upper-case axes are intrinsic.
    assert_allclose(rotation(*angles), Rotation.from_euler("ZYX", angles).as_matrix(), atol=1e-15)


@pytest.mark.parametrize(("side", "sign"), [("starboard", 1), ("port", -1)])
def test_normal_points_to_its_side_and_down_and_up_points_up(side: str, sign: int) -> None:
    frame = array_frame(make_sonar(side=side, depression_rad=0.4))
    along, normal, up = frame.axes
    assert_allclose(along, [1, 0, 0], atol=1e-12)
    assert_allclose(normal, [0, sign * np.cos(0.4), np.sin(0.4)], atol=1e-12)
    assert up[2] < 0
    assert_allclose(frame.axes @ frame.axes.T, np.eye(3), atol=1e-12)


def test_strip_is_along_forward_and_across_to_starboard() -> None:
    frame = StripFrame(10.0, 20.0, np.pi / 2)  # heading east
    assert_allclose(frame.to_strip(np.array([10.0, 25.0, 3.0])), [5, 0, 3], atol=1e-12)
    assert_allclose(frame.to_strip(np.array([8.0, 20.0, 3.0])), [0, 2, 3], atol=1e-12)  # south is starboard


@pytest.mark.parametrize("delay_s", [0.004, 0.0071234, 0.012345])
def test_an_echo_compresses_to_its_delay_with_the_phase_of_its_carrier(delay_s: float) -> None:
    sonar = make_sonar(first_sample_delay_s=0.003, n_sample=800)
    n = np.arange(sonar.n_sample)
    t = sonar.first_sample_delay_s + n * sonar.sample_interval_s - delay_s
    slope = sonar.bandwidth_hz / sonar.pulse_duration_s
    pulse = np.exp(2j * np.pi * (-sonar.bandwidth_hz / 2 * t + slope * t**2 / 2)) * (t >= 0)
    pulse *= t <= sonar.pulse_duration_s
    echo = pulse * np.exp(-2j * np.pi * sonar.centre_frequency_hz * delay_s)
    plan = Compressor.prepare(sonar, CompressSettings(window="none"))
    out = plan.run(np.tile(echo, (1, sonar.n_channel, 1)).astype(np.complex64))[0, 0]
    peak = int(np.argmax(np.abs(out)))
    assert abs(plan.first_delay_s + peak / plan.sample_rate_hz - delay_s) <= 0.51 / plan.sample_rate_hz
    # The phase holds at the exact delay; between samples it stands still in baseband.
    turn = np.angle(out[peak] * np.exp(2j * np.pi * plan.carrier_hz * delay_s))
    assert abs(turn) < 0.1


def test_the_ideal_replica_sweeps_from_start_to_stop() -> None:
    sonar = make_sonar(frequency_start_hz=460e3, frequency_stop_hz=440e3)
    phase = np.unwrap(np.angle(replica(sonar)))
    frequency = np.diff(phase) / (2 * np.pi * sonar.sample_interval_s)
    assert_allclose(frequency[[0, -1]], [10e3, -10e3], atol=200)


class TestTrajectory:
    def rows(self, **more: np.ndarray) -> Platform:
        t = np.arange(6) * 0.1
        zero = np.zeros(6)
        columns = dict(
            time_ns=(10**18 + np.round(t * 1e9).astype(np.uint64)),
            north_m=2 * t,
            east_m=zero,
            depth_m=zero + 3,
            heading_rad=zero,
            pitch_rad=zero,
            roll_rad=zero,
        )
        return Platform(**{**columns, **more})

    def test_speeds_are_in_the_levelled_frame_along_the_heading(self) -> None:
        one = np.ones(6)
        track = Trajectory.from_platform(
            self.rows(
                heading_rad=one * np.pi / 2,
                speed_forward_m_s=one * 2,
                speed_starboard_m_s=one * 0.5,
                speed_down_m_s=one * 0.1,
            )
        )
        # Heading east: forward is east, starboard is south.
        assert_allclose(track.rate[0, :3], [-0.5, 2, 0.1], atol=1e-12)

    def test_a_smooth_motion_is_interpolated_to_fourth_order(self) -> None:
        t = np.arange(60) * 0.1
        w = 2 * np.pi / 3
        zero, one = np.zeros(60), np.ones(60)
        track = Trajectory.from_platform(
            Platform(
                time_ns=np.round(t * 1e9).astype(np.uint64) + np.uint64(10**18),
                north_m=1.8 * t,
                east_m=0.1 * np.sin(w * t),
                depth_m=zero,
                heading_rad=zero,
                pitch_rad=zero,
                roll_rad=zero,
                speed_forward_m_s=1.8 * one,
                speed_starboard_m_s=0.1 * w * np.cos(w * t),
                speed_down_m_s=zero,
            )
        )
        fine = np.linspace(0, 5.9, 777)
        # Hermite error bound h^4/384 times the fourth derivative.
        bound = 0.1**4 / 384 * 0.1 * w**4 * 1.05
        assert np.abs(track.pose(fine)[0][:, 1] - 0.1 * np.sin(w * fine)).max() < bound

    def test_heading_passes_north_without_a_jump(self) -> None:
        h = np.deg2rad([356, 357, 358, 359, 0, 1])
        value = Trajectory.from_platform(self.rows(heading_rad=h)).pose([0.35])[0]
        assert_allclose(np.rad2deg(value[0, 3]) % 360, 359.5, atol=1e-6)

    def test_beyond_the_last_row_the_rates_go_on(self) -> None:
        value = Trajectory.from_platform(self.rows()).pose([0.7, -0.1])[0]
        assert_allclose(value[:, 0], [1.4, -0.2], atol=1e-9)

    def test_one_row_is_a_pose(self) -> None:
        row = Platform(
            time_ns=np.array([5], np.uint64),
            north_m=np.array([1.0]),
            east_m=np.array([2.0]),
            depth_m=np.array([3.0]),
            heading_rad=np.array([0.1]),
            pitch_rad=np.array([0.0]),
            roll_rad=np.array([0.0]),
        )
        value, rate = Trajectory.from_platform(row).pose([0.0, 1.0])
        assert_allclose(value[1], [1, 2, 3, 0.1, 0, 0])
        assert not rate.any()

    def test_unknown_altitude_says_how_to_give_one(self) -> None:
        with pytest.raises(ValueError, match=r"no altitude is known.*--set bottom\.altitude_m"):
            Trajectory.from_platform(self.rows()).altitude(0.0, None)

    def test_altitude_falls_back_to_water_depth(self) -> None:
        assert Trajectory.from_platform(self.rows()).altitude(0.0, 9.0) == pytest.approx(6.0)


def test_rows_shifted_along_the_array_are_refused() -> None:
    sonar = make_sonar(n_row=2)
    position = sonar.element_position_m.copy()
    position[1, :, 0] += 0.01
    with pytest.raises(ParameterError, match="rows are shifted along the array"):
        array_frame(make_sonar(element_position_m=position))
