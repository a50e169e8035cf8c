"""Noise from the water column."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pingloom.imaging._echo_kernels import is_finite
from pingloom.imaging.combine import Combiner
from pingloom.imaging.compress import Compressor, CompressSettings
from pingloom.imaging.estimate._noise_kernels import find_median, quiet_median
from pingloom.imaging.estimate.noise import NoiseState, measure_noise
from pingloom.imaging.frames import StripFrame, array_frame
from pingloom.imaging.geometry import ping_geometry
from pingloom.imaging.records import Sonar
from tests.unit.make import make_sonar, parts
from tests.unit.test_imaging_compress import echo_of
from tests.unit.test_imaging_radiometry import still

C = 1500.0
POWER = 4.0


def hiss(sonar: Sonar, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    shape = (*sonar.element_position_m.shape[:2], sonar.n_sample)
    noise = rng.standard_normal(shape) + 1j * rng.standard_normal(shape)
    return (np.sqrt(POWER / 2) * noise).astype(np.complex64)


def heard(sonar: Sonar, echo: np.ndarray, altitude_m: float) -> tuple[float, Compressor]:
    plan = Compressor.prepare(sonar, CompressSettings())
    delay_s = np.linspace(plan.first_delay_s, plan.last_delay_s, 48)
    geometry = ping_geometry(
        sonar, array_frame(sonar), still(), StripFrame(0.0, 0.0, 0.0), 10**18, delay_s, altitude_m
    )
    channels = np.zeros((2, sonar.n_channel, plan.n_out), np.float32)
    compressed = parts(plan.run(echo))
    Combiner.prepare(sonar, plan, sound_speed_m_s=C).run(compressed, np.zeros(plan.n_out), None, channels)
    power = measure_noise(
        echo, channels, sonar.live, plan, geometry, pulse_s=sonar.pulse_duration_s, sound_speed_m_s=C
    )
    return power, plan


# Deep water: compressed samples, some 10 000 independent ones a ping; shallow: raw ones, 3000. Medians of an
# exponential law spread by 1.44 over the root of their number: 1.5 and 2.6 % a ping, 0.8 and 1.3 % over four.
@pytest.mark.parametrize("altitude_m", [15.0, 3.4])
@pytest.mark.parametrize("n_row", [1, 2])
def test_white_noise_of_known_power_is_found_within_three_percent(altitude_m: float, n_row: int) -> None:
    sonar = make_sonar(n_row=n_row)
    got = [heard(sonar, hiss(sonar, seed), altitude_m) for seed in range(4)]
    expected = POWER * got[0][1].noise_gain / n_row
    assert np.mean([power for power, _ in got]) == pytest.approx(expected, rel=0.03)


@pytest.mark.parametrize("altitude_m", [15.0, 3.4])
def test_a_time_varied_gain_and_dead_receivers_do_not_count(altitude_m: float) -> None:
    ok = np.ones((1, 32), bool)
    ok[0, 3:9] = False
    sonar = make_sonar()
    gain_db = np.linspace(10, 40, sonar.n_sample)
    gained = replace(sonar, time_varied_gain_db=gain_db, element_ok=ok)
    power = []
    for seed in range(4):
        echo = hiss(sonar, seed)
        echo[~ok] = 1e3
        power.append(heard(gained, (echo * 10 ** (gain_db / 20)).astype(np.complex64), altitude_m)[0])
    assert np.mean(power) == pytest.approx(POWER * heard(sonar, echo, 15.0)[1].noise_gain, rel=0.03)


@pytest.mark.parametrize("altitude_m", [15.0, 3.4])
def test_a_transmission_that_rings_on_does_not_count(altitude_m: float) -> None:
    sonar = make_sonar()
    # 30 dB above the noise at the pulse's end; as loud as the noise when a third (deep) or two thirds of the window are over.
    decay_s = {15.0: 8e-4, 3.4: 2e-4}[altitude_m]
    since = (
        np.arange(sonar.n_sample) * sonar.sample_interval_s
        + sonar.first_sample_delay_s
        - sonar.pulse_duration_s
    )
    ring = np.sqrt(POWER * 1e3) * np.exp(-np.maximum(since, 0) / decay_s + 2j * np.pi * 3e3 * since)
    power = [heard(sonar, hiss(sonar, k) + ring.astype(np.complex64), altitude_m)[0] for k in range(4)]
    expected = POWER * heard(sonar, hiss(sonar, 1), 15.0)[1].noise_gain
    assert np.mean(power) == pytest.approx(expected, rel=0.1)


def test_a_fish_does_not_count() -> None:
    sonar = make_sonar()
    echo = hiss(sonar, 1)
    quiet, _ = heard(sonar, echo, 15.0)
    with_fish, _ = heard(sonar, echo + echo_of(sonar, 0.010, 5.0), 15.0)
    # 26 dB above the noise it would raise the mean to three times as much; its few cells hardly move the median.
    assert with_fish == pytest.approx(quiet, rel=0.05)


def test_without_a_water_column_nothing_is_known() -> None:
    sonar = make_sonar()
    assert np.isnan(heard(sonar, hiss(sonar, 1), 1.5)[0])
    late = make_sonar(first_sample_delay_s=0.02)
    assert np.isnan(heard(late, hiss(late, 1), 12.0)[0])


def test_the_mean_over_pings_leaves_the_unknown_out_and_forgets_slowly() -> None:
    state = NoiseState()
    assert not state.known
    assert state.updated(float("nan")) is state
    for power in (2.0, 4.0, float("nan"), 6.0):
        state = state.updated(power)
    assert state.known
    assert state.power == pytest.approx(4.0)
    for _ in range(1000):
        state = state.updated(8.0)
    assert state.power == pytest.approx(8.0, rel=1e-6)


def test_pulses_of_another_sounder_hardly_count() -> None:
    state = NoiseState()
    for k in range(200):
        state = state.updated(1e4 if k % 10 == 3 else 1.0)
    # One in ten counts for 1.5 means: m = 0.9 + 0.1 x 1.5 m.
    assert state.power == pytest.approx(0.9 / 0.85, rel=0.02)


def test_a_mean_that_began_with_a_pulse_is_soon_forgotten() -> None:
    state = NoiseState().updated(1e4).updated(1e4)
    for _ in range(3):
        state = state.updated(1.0)
    assert state.power == pytest.approx(1.0)


def test_noise_that_rises_for_good_is_followed_and_silence_says_nothing() -> None:
    state = NoiseState()
    for _ in range(20):
        state = state.updated(1.0)
    assert state.updated(0.0) is state
    for _ in range(600):
        state = state.updated(10.0)
    assert state.power == pytest.approx(10.0, rel=0.02)
    # Without noise at first, as in a simulation, the first that comes is believed.
    assert NoiseState().updated(0.0).updated(3.0).power == 3.0


@pytest.mark.parametrize("place", [(0, 0, 0), (1, 5, 77), (1, 31, 799)])
@pytest.mark.parametrize("part", ["real", "imag"])
@pytest.mark.parametrize("wrong", [np.nan, np.inf, -np.inf])
def test_one_number_that_is_none_is_found_wherever_it_stands(
    place: tuple[int, ...], part: str, wrong: float
) -> None:
    sonar = make_sonar(n_row=2, n_sample=800)
    plan = Compressor.prepare(sonar, CompressSettings())
    for echo in (hiss(sonar, 1), np.zeros((2, 32, 800), np.complex64)):
        assert is_finite(plan.run_planes(echo, plan.allocate()))
        getattr(echo, part)[place] = wrong
        assert not is_finite(plan.run_planes(echo, plan.allocate()))


LAWS = {
    "exponential": lambda rng, n: rng.exponential(1e-7, n),
    "few values": lambda rng, n: rng.integers(0, 4, n),
    "one value": lambda rng, n: np.full(n, 3.0),
    "zeros": lambda rng, n: np.zeros(n),
    "all magnitudes": lambda rng, n: 10 ** rng.uniform(-44, 38, n),
    "two far apart": lambda rng, n: np.where(rng.random(n) < 0.5, 1.0, 1e30),
    "least and nothing": lambda rng, n: 1e-45 * rng.integers(0, 2, n),
    "heavy": lambda rng, n: rng.exponential(1, n) ** 20,
}


@pytest.mark.parametrize("n", [1, 2, 3, 7, 8, 31, 256, 4608])
@pytest.mark.parametrize("law", LAWS)
def test_the_median_is_the_usual_one(law: str, n: int) -> None:
    rng = np.random.default_rng(n)
    for _ in range(5):
        values = np.asarray(LAWS[law](rng, n), np.float32)
        ordered = np.sort(values).astype(np.float64)
        assert find_median(values) == (ordered[(n - 1) // 2] + ordered[n // 2]) / 2


def test_only_the_wanted_rows_and_the_quiet_end_of_the_window_count() -> None:
    rng = np.random.default_rng(3)
    parts = rng.standard_normal((2, 5, 300)).astype(np.float32)
    parts[:, :, :120] *= 30
    wanted = np.array([True, False, True, True, False])
    got = quiet_median(parts, wanted, 20, 290, 32, 1.5, np.zeros(3 * 270, np.float32))
    # Halves of 135, then of 67 samples: from the second on both are alike.
    quiet = parts[:, wanted, 155:290]
    assert got == pytest.approx(float(np.median(quiet[0] ** 2 + quiet[1] ** 2)), rel=1e-6)
