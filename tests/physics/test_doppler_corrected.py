"""Echoes that carry the motion within the pulse, imaged with each look's Doppler taken out, and left in."""

from __future__ import annotations

import numpy as np
import pytest

from pingloom.imaging.beamform import BeamformSettings
from pingloom.imaging.chain import Chain, ChainSettings
from pingloom.imaging.compress import CompressSettings, doppler_coupling_s
from pingloom.imaging.errors import ParameterError
from pingloom.imaging.frames import StripFrame, Trajectory
from pingloom.imaging.lay import GridSettings
from pingloom.imaging.records import Ping, Platform, Sonar, Water
from tests.unit.make import make_sonar

C, SPEED, ALTITUDE, X = 1500.0, 3.0, 6.0, 15.0
START_NS = 10**18


def moving_echo(sonar: Sonar, point: np.ndarray, velocity: np.ndarray) -> np.ndarray:
    """Raw echo (1, channel, sample) of a unit point: every instant left the transmitter at its own time (float64)."""
    t = sonar.first_sample_delay_s + np.arange(sonar.n_sample) * sonar.sample_interval_s
    slope = (sonar.frequency_stop_hz - sonar.frequency_start_hz) / sonar.pulse_duration_s
    out = []
    for body in sonar.element_position_m[0]:
        back = np.linalg.norm(point - body - velocity * t[:, None], axis=1)
        left = t - 2 * back / C
        for _ in range(8):
            sent = np.linalg.norm(point - sonar.transmit_position_m - velocity * left[:, None], axis=1)
            left = t - (sent + back) / C
        phase = (sonar.frequency_start_hz - sonar.centre_frequency_hz) * left + slope * left**2 / 2
        inside = (left >= 0) & (left <= sonar.pulse_duration_s)
        out.append(np.where(inside, np.exp(2j * np.pi * (phase + sonar.centre_frequency_hz * (left - t))), 0))
    return np.array(out, np.complex64)[None]


def across_error(sonar: Sonar, ahead_m: float, sway_m_s: float, method: str, motion: str) -> float:
    """By how much the point lies too far across in the image of one ping. [m]"""
    velocity = np.array([SPEED, sway_m_s, 0.0])
    point = np.array([ahead_m, X, ALTITUDE])
    t = np.array([-1.0, 0.0, 1.0])
    zero = np.zeros(3)
    platform = Platform(
        time_ns=(START_NS + (t * 1e9).astype(np.int64)).astype(np.uint64),
        north_m=SPEED * t,
        east_m=sway_m_s * t,
        depth_m=zero,
        heading_rad=zero,
        pitch_rad=zero,
        roll_rad=zero,
        altitude_m=zero + ALTITUDE,
    )
    trajectory = Trajectory.from_platform(platform)
    settings = ChainSettings(
        compress=CompressSettings(window="none", motion_within_pulse=motion),
        beamform=BeamformSettings(shading="uniform"),
        grid=GridSettings(along_m=0.004, across_m=0.005, range_m=X + 0.5, heading_deg=0.0),
    )
    chain = Chain.prepare(
        {"starboard": sonar}, Water(sound_speed_m_s=C, absorption_db_m=0.0), trajectory, settings, method
    )
    ping = Ping(side="starboard", number=0, time_ns=START_NS, echo=moving_echo(sonar, point, velocity))
    state, tiles, _ = chain.step(chain.start(StripFrame(0.0, 0.0, 0.0)), ping, trajectory)
    tiles += chain.finish(state, trajectory)[0]
    image = np.nan_to_num(np.concatenate([tile.intensity for tile in tiles]))
    row, column = np.unravel_index(np.argmax(image), image.shape)
    a, b, c = np.log(image[row, column - 1 : column + 2])
    return (column + (a - c) / (2 * (a - 2 * b + c)) + 0.5) * 0.005 - X


def sonar(**changes) -> Sonar:
    gate = 2 * (np.hypot(X, ALTITUDE) - 1.0) / C
    return make_sonar(first_sample_delay_s=gate, n_sample=220, **changes)


@pytest.mark.parametrize("down_sweep", [False, True])
@pytest.mark.parametrize("ahead_m", [-0.6, 0.6])
def test_looks_ahead_and_astern_are_put_right_each_by_its_own_doppler(
    ahead_m: float, down_sweep: bool
) -> None:
    edges = {"frequency_start_hz": 465e3, "frequency_stop_hz": 435e3} if down_sweep else {}
    own = sonar(**edges)
    slant = np.sqrt(X**2 + ALTITUDE**2 + ahead_m**2)
    shift = -SPEED * ahead_m / slant * doppler_coupling_s(own) * slant / X
    assert abs(shift) > 3e-3
    assert doppler_coupling_s(own) == pytest.approx((-1 if down_sweep else 1) * 0.03)
    assert across_error(own, ahead_m, 0.0, "multilook", "none") == pytest.approx(shift, abs=4e-4)
    assert across_error(own, ahead_m, 0.0, "multilook", "corrected") == pytest.approx(0.0, abs=4e-4)


def test_the_broadside_line_is_put_right_under_sway() -> None:
    slant = np.hypot(X, ALTITUDE)
    closing = 0.4 * X / slant
    shift = -closing * 0.03 * slant / X
    # The line of a broadside beam meets the point where the array has got to.
    ahead = SPEED * 2 * slant / C
    assert across_error(sonar(), ahead, 0.4, "broadside", "none") == pytest.approx(shift, abs=8e-4)
    assert across_error(sonar(), ahead, 0.4, "broadside", "corrected") == pytest.approx(0.0, abs=8e-4)


def test_other_words_are_refused() -> None:
    with pytest.raises(
        ParameterError, match=r"compress\.motion_within_pulse is 'yes'; allowed: none, corrected"
    ):
        CompressSettings(motion_within_pulse="yes")
