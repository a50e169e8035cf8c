"""Rows aligned towards the seabed, dead receivers left out, weights of a calibration applied."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from pingloom.imaging.combine import Combiner
from pingloom.imaging.compress import Compressor, CompressSettings
from pingloom.imaging.records import Sonar
from tests.unit.make import make_sonar, parts, whole
from tests.unit.test_imaging_compress import echo_of, read

C = 1500.0
DELAY_S = 6e-3


def rows(**changes) -> Sonar:
    return make_sonar(
        n_row=4, n_channel=2, first_sample_delay_s=3e-3, n_sample=480, depression_rad=0.3, **changes
    )


def plane_wave(sonar: Sonar, sine_up: float) -> np.ndarray:
    """Compressed channels of a unit echo that comes from a direction above the normal, rows by their own geometry."""
    sign = 1 if sonar.side == "starboard" else -1
    tilt = sonar.depression_rad
    normal = np.array([0, sign * np.cos(tilt), np.sin(tilt)])
    up = np.array([0, sign * np.sin(tilt), -np.cos(tilt)])
    towards = np.sqrt(1 - sine_up**2) * normal + sine_up * up
    off = sonar.element_position_m - sonar.element_position_m.reshape(-1, 3).mean(axis=0)
    return echo_of(sonar, DELAY_S - off @ towards / C)


def combine(sonar: Sonar, echo: np.ndarray, sine_up: float, weight=None) -> tuple[Compressor, np.ndarray]:
    compressor = Compressor.prepare(sonar, CompressSettings())
    combiner = Combiner.prepare(sonar, compressor, sound_speed_m_s=C)
    out = np.full((2, sonar.n_channel, compressor.n_out), np.nan, np.float32)
    combiner.run(parts(compressor.run(echo)), np.full(compressor.n_out, sine_up), weight, out)
    return compressor, whole(out)


def at_peak(plan: Compressor, channel: np.ndarray) -> complex:
    return complex(read(plan, np.nan_to_num(channel), np.array([DELAY_S]))[0])


@pytest.mark.parametrize("sine_up", [-0.35, 0.0, 0.2])
@pytest.mark.parametrize("side", ["port", "starboard"])
def test_four_rows_steered_to_where_the_echo_comes_from_give_full_gain(side: str, sine_up: float) -> None:
    sonar = rows(side=side)
    plan, out = combine(sonar, plane_wave(sonar, sine_up), sine_up)
    for channel in out:
        # Six-tap filters: 0.5 % and less; phase as at the middle of the rows, however they are steered.
        assert at_peak(plan, channel) == pytest.approx(
            np.exp(-2j * np.pi * plan.carrier_hz * DELAY_S), abs=0.01
        )


def test_rows_steered_elsewhere_lose_by_their_array_factor() -> None:
    sonar = rows()
    plan, out = combine(sonar, plane_wave(sonar, 0.0), 0.05)
    # Rows 20 mm apart, wavelength 3.33 mm, all in step but for the steering.
    phase = 2 * np.pi * 0.02 * 0.05 / (C / plan.carrier_hz) * (np.arange(4) - 1.5)
    assert abs(at_peak(plan, out[0])) == pytest.approx(abs(np.exp(1j * phase).mean()), abs=0.02)


def test_steering_may_change_along_the_echo() -> None:
    sonar = rows()
    compressor = Compressor.prepare(sonar, CompressSettings())
    combiner = Combiner.prepare(sonar, compressor, sound_speed_m_s=C)
    delay_s = compressor.first_delay_s + np.arange(compressor.n_out) / compressor.sample_rate_hz
    out = np.zeros((2, 2, compressor.n_out), np.float32)
    compressed = compressor.run(plane_wave(sonar, 0.1))
    # Right only around the echo: 0.1 there, rising fast to either side.
    combiner.run(parts(compressed), 0.1 + 0.02 * (delay_s - DELAY_S) / 1e-3, None, out)
    k = round((DELAY_S - compressor.first_delay_s) * compressor.sample_rate_hz)
    assert abs(whole(out)[0, k]) == pytest.approx(abs(compressed[:, 0, k]).mean(), rel=0.02)


def test_dead_receivers_are_left_out_and_the_live_ones_still_average_to_one() -> None:
    ok = np.ones((4, 2), bool)
    ok[0, 0] = ok[2, 0] = ok[3, 1] = False
    sonar = replace(rows(), element_ok=ok)
    echo = plane_wave(sonar, 0.2)
    echo[~ok] = 37.0  # what a dead receiver hums must not come through
    plan, out = combine(sonar, echo, 0.2)
    for channel in out:
        assert abs(at_peak(plan, channel)) == pytest.approx(1, abs=0.01)


def test_a_channel_without_live_receivers_is_silent() -> None:
    ok = np.ones((4, 2), bool)
    ok[:, 1] = False
    sonar = replace(rows(), element_ok=ok)
    _, out = combine(sonar, plane_wave(sonar, 0.0) + 1, 0.0)
    assert not out[1].any()
    assert out[0].any()


@pytest.mark.parametrize("n_row", [1, 4])
def test_channel_weights_of_a_calibration_multiply_the_receivers(n_row: int) -> None:
    sonar = rows() if n_row == 4 else make_sonar(n_channel=2, first_sample_delay_s=3e-3, n_sample=480)
    gain = np.exp(1j * np.linspace(0.3, 2.0, n_row * 2)).reshape(n_row, 2) * np.linspace(0.7, 1.4, 2)
    echo = (plane_wave(sonar, 0.0) / gain[..., None]).astype(np.complex64)
    plan, out = combine(sonar, echo, 0.0, gain.astype(np.complex64))
    for channel in out:
        assert at_peak(plan, channel) == pytest.approx(
            np.exp(-2j * np.pi * plan.carrier_hz * DELAY_S), abs=0.01
        )


def test_a_single_row_passes_as_it_is() -> None:
    sonar = make_sonar(n_channel=2, first_sample_delay_s=3e-3, n_sample=480)
    plan, out = combine(sonar, echo_of(sonar, DELAY_S), 0.4)
    assert_array_equal(out, plan.run(echo_of(sonar, DELAY_S))[0])


def test_combining_leaves_its_inputs_alone() -> None:
    sonar = rows()
    compressor = Compressor.prepare(sonar, CompressSettings())
    compressed = parts(compressor.run(plane_wave(sonar, 0.0)))
    weight, sine = np.full((4, 2), 1j, np.complex64), np.full(compressor.n_out, 0.1)
    copies = compressed.copy(), weight.copy(), sine.copy()
    out = np.zeros((2, 2, compressor.n_out), np.float32)
    Combiner.prepare(sonar, compressor, sound_speed_m_s=C).run(compressed, sine, weight, out)
    for before, after in zip(copies, (compressed, weight, sine), strict=True):
        assert_array_equal(before, after)
    assert out.dtype == np.float32
    assert out.any()


def test_a_late_receiver_is_brought_forward() -> None:
    """Delays from a hundredth of a sample to more than one; the weight turns the phase that comes with them."""
    sonar = make_sonar(n_row=2, n_channel=3, first_sample_delay_s=3e-3, n_sample=480)
    late = np.array([[0, 3e-7, 0], [8e-6, -2e-5, 3.1e-5]])
    compressor = Compressor.prepare(sonar, CompressSettings())
    combiner = Combiner.prepare(sonar, compressor, sound_speed_m_s=C)
    planes = parts(compressor.run(echo_of(sonar, DELAY_S + late)))
    before = planes.copy()
    combiner.undo_delays(planes, late)
    back = whole(planes) * np.exp(2j * np.pi * compressor.carrier_hz * late)[..., None]
    wanted = compressor.run(echo_of(sonar, np.full(late.shape, DELAY_S)))
    inside = slice(8, -8)
    error = np.linalg.norm((back - wanted)[..., inside], axis=-1) / np.linalg.norm(wanted, axis=-1)
    assert error.max() < 0.01
    assert_array_equal(planes[:, late == 0], before[:, late == 0])
