"""Pulse compression: gain, phase, width, sidelobes, and all that a recording may do to its pulse."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from pingloom.imaging.compress import Compressor, CompressSettings, replica
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.records import Sonar
from pingloom.imaging.theory.windows import taylor_line
from tests.unit.make import make_sonar

PLAIN = CompressSettings(window="none")


def sweep(sonar: Sonar, t: np.ndarray) -> np.ndarray:
    """The ideal pulse at any times from its start, zero outside."""
    slope = (sonar.frequency_stop_hz - sonar.frequency_start_hz) / sonar.pulse_duration_s
    start = sonar.frequency_start_hz - sonar.centre_frequency_hz
    return np.exp(2j * np.pi * (start * t + slope * t**2 / 2)) * ((t >= 0) & (t <= sonar.pulse_duration_s))


def echo_of(sonar: Sonar, delay_s: Any, amplitude: complex = 1.0) -> np.ndarray:
    """Band-limited echo of the recorded replica at delays of shape (row, channel) or any that broadcasts."""
    delay_s = np.broadcast_to(delay_s, sonar.element_position_m.shape[:2])[..., None]
    pulse = replica(sonar)
    n = 4 * (sonar.n_sample + pulse.size)
    turns = np.fft.fftfreq(n)
    late = (delay_s - sonar.first_sample_delay_s) / sonar.sample_interval_s
    spectrum = np.fft.fft(pulse, n) * np.exp(-2j * np.pi * turns * late)
    phase = np.exp(-2j * np.pi * sonar.centre_frequency_hz * delay_s)
    return (amplitude * phase * np.fft.ifft(spectrum)[..., : sonar.n_sample]).astype(np.complex64)


def read(plan: Compressor, channel: np.ndarray, delay_s: np.ndarray) -> np.ndarray:
    """A compressed channel at any delays, by its Fourier series; the ends must be quiet."""
    n = channel.size
    turns = np.fft.fftfreq(n)
    at = (np.asarray(delay_s) - plan.first_delay_s) * plan.sample_rate_hz
    return np.exp(2j * np.pi * np.outer(at, turns)) @ np.fft.fft(channel) / n


def small(**changes: Any) -> Sonar:
    return make_sonar(n_channel=2, first_sample_delay_s=3e-3, n_sample=480, **changes)


# One sweep up, one down, one off the oscillator's middle, one barely sampled.
SWEEPS = {
    "up": {},
    "down": dict(frequency_start_hz=465e3, frequency_stop_hz=435e3),
    "off centre": dict(centre_frequency_hz=447e3),
    "off centre, down": dict(
        frequency_start_hz=465e3,
        frequency_stop_hz=435e3,
        centre_frequency_hz=452e3,
        sample_interval_s=1 / 50e3,
    ),
    "barely sampled": dict(sample_interval_s=1 / 32e3),
}


@pytest.mark.parametrize("changes", SWEEPS.values(), ids=[k.replace(" ", "-") for k in SWEEPS])
@pytest.mark.parametrize("window", ["none", "hamming", "taylor"])
def test_a_unit_echo_reads_one_with_its_carriers_phase_at_its_delay(changes: dict, window: str) -> None:
    sonar = small(**changes)
    plan = Compressor.prepare(sonar, CompressSettings(window=window))
    for delay_s in (5.1e-3, 6.01234e-3):
        channel = plan.run(echo_of(sonar, delay_s))[0, 0]
        at = np.array([delay_s, delay_s - 1e-6, delay_s + 1e-6])
        value = read(plan, channel, at)
        # A sweep with hard ends spills over the edges of the sampled band, most where it lies off its middle.
        assert value[0] == pytest.approx(np.exp(-2j * np.pi * plan.carrier_hz * delay_s), abs=1e-2)
        assert np.argmax(np.abs(value)) == 0


def cut(plan: Compressor, sonar: Sonar) -> tuple[np.ndarray, np.ndarray]:
    """Power against delay from the peak, in units of 1/B."""
    unit = np.linspace(-12, 12, 2401)
    delay_s = 6e-3 + unit / sonar.bandwidth_hz
    return unit, np.abs(read(plan, plan.run(echo_of(sonar, 6e-3))[0, 0], delay_s)) ** 2


def width_and_sidelobe(unit: np.ndarray, power: np.ndarray) -> tuple[float, float]:
    top = int(np.argmax(power))
    right = top + int(np.argmax(power[top:] < 0.5))
    edge = np.interp(0.5, [power[right], power[right - 1]], [unit[right], unit[right - 1]])
    null = top + int(np.argmax(np.diff(power[top:]) > 0))
    return 2 * float(edge - unit[top]), float(10 * np.log10(power[null:].max() / power[top]))


# Width of a rectangular spectrum 0.886/B, of a Hamming one 1.303/B (F. J. Harris, Proc. IEEE 66, 1978, Table I:
# 1.30 bins), of a Taylor one of -35 dB 1.19/B. With a time-bandwidth product of 60 the ripples of the sweep's own
# spectrum raise the sidelobes over the windows' design: levels measured, held to within a decibel.
@pytest.mark.parametrize(
    ("window", "width", "sidelobe_db", "within_db"),
    [("none", 0.886, -13.3, 0.3), ("hamming", 1.303, -38.6, 1.0), ("taylor", 1.19, -32.2, 1.0)],
)
def test_windows_have_their_widths_and_sidelobes(window, width, sidelobe_db, within_db) -> None:
    sonar = small()
    assert sonar.bandwidth_hz * sonar.pulse_duration_s == pytest.approx(60)
    unit, power = cut(Compressor.prepare(sonar, CompressSettings(window=window)), sonar)
    got_width, got_db = width_and_sidelobe(unit, power)
    assert got_width == pytest.approx(width, rel=0.02)
    assert got_db == pytest.approx(sidelobe_db, abs=within_db)


@pytest.mark.parametrize("window", ["none", "hamming"])
def test_compression_is_the_correlation_with_the_weighted_sweep(window: str) -> None:
    # In continuous time, by quadrature: nothing of the sampled plan enters.
    sonar = small(sample_interval_s=1 / 80e3)
    unit, power = cut(Compressor.prepare(sonar, CompressSettings(window=window)), sonar)
    t = (np.arange(20_000) + 0.5) * sonar.pulse_duration_s / 20_000
    weight = np.ones(t.size)
    if window == "hamming":
        weight = 0.54 - 0.46 * np.cos(2 * np.pi * t / sonar.pulse_duration_s)
    lag = unit[::40] / sonar.bandwidth_hz
    exact = np.array([np.sum(weight * sweep(sonar, t + d) * np.conj(sweep(sonar, t))) for d in lag])
    # The sampled replica has one sample more than its length of time: 1/160 of the peak.
    assert_allclose(np.sqrt(power[::40]), np.abs(exact) / weight.sum(), atol=8e-3)


def test_elements_own_delays_are_undone() -> None:
    sonar = small()
    late = np.array([[2.3e-6, -1.7e-6]])
    plan = Compressor.prepare(replace(sonar, element_delay_s=late), PLAIN)
    got = plan.run(echo_of(sonar, 6e-3 + late))
    plain = Compressor.prepare(sonar, PLAIN).run(echo_of(sonar, [[6e-3, 6e-3]]))
    # What the sweep spills over the sampling's edges is delayed on the other side of the band.
    assert_allclose(got, plain, atol=1e-4)


def test_a_recorded_replica_is_used_in_place_of_the_ideal_sweep() -> None:
    sonar = small()
    ideal = replica(sonar)
    distorted = (ideal * np.linspace(1.5, 0.5, ideal.size) * np.exp(0.4j)).astype(np.complex64)
    recorded = replace(sonar, replica=distorted)
    plan = Compressor.prepare(recorded, PLAIN)
    peak = read(plan, plan.run(echo_of(recorded, 6e-3))[0, 0], np.array([6e-3]))[0]
    assert peak == pytest.approx(np.exp(-2j * np.pi * plan.carrier_hz * 6e-3), abs=3e-3)
    ours = read(plan, plan.run(echo_of(sonar, 6e-3))[0, 0], np.array([6e-3]))[0]
    assert abs(ours) < 0.97  # the ideal sweep does not fit the distorted replica


def test_time_varied_gain_is_undone() -> None:
    sonar = small()
    gain_db = np.linspace(-5, 25, sonar.n_sample)
    echo = echo_of(sonar, 6e-3)
    gained = (echo * 10 ** (gain_db / 20)).astype(np.complex64)
    got = Compressor.prepare(replace(sonar, time_varied_gain_db=gain_db), PLAIN).run(gained)
    assert_allclose(got, Compressor.prepare(sonar, PLAIN).run(echo), atol=5e-6)


@pytest.mark.parametrize(("rate_hz", "factor"), [(37.6e3, 1), (37.4e3, 2), (30.1e3, 2)])
def test_below_five_quarters_of_the_bandwidth_samples_are_doubled(rate_hz: float, factor: int) -> None:
    sonar = small(sample_interval_s=1 / rate_hz)
    plan = Compressor.prepare(sonar, PLAIN)
    assert plan.oversampling == factor
    assert plan.sample_rate_hz == pytest.approx(factor * rate_hz)
    out = plan.run(echo_of(sonar, 6e-3))
    assert out.shape[-1] == factor * sonar.n_sample == plan.n_out
    assert out.dtype == np.complex64
    # Every second sample is a sample of the plain plan: doubling reads between and changes nothing.
    assert plan.band == pytest.approx(min(0.98, sonar.bandwidth_hz / plan.sample_rate_hz))


def test_the_oscillator_is_moved_to_the_middle_of_the_sweep() -> None:
    sonar = small(centre_frequency_hz=446e3)
    plan = Compressor.prepare(sonar, PLAIN)
    assert abs(plan.carrier_hz - 450e3) <= 0.5 / sonar.sample_interval_s / plan.n_fft * 1.001
    spectrum = np.abs(np.fft.fft(plan.run(echo_of(sonar, 6e-3))[0, 0]))
    frequency = np.fft.fftfreq(spectrum.size, 1 / plan.sample_rate_hz)
    assert np.sum(frequency * spectrum**2) / np.sum(spectrum**2) == pytest.approx(0, abs=300)


def test_echoes_that_begin_in_the_last_pulse_are_not_wholly_recorded() -> None:
    sonar = small()
    plan = Compressor.prepare(sonar, PLAIN)
    end_s = sonar.first_sample_delay_s + (sonar.n_sample - 1) * sonar.sample_interval_s
    # The pulse that starts at the last delay ends on the last sample.
    assert plan.last_delay_s == pytest.approx(end_s - sonar.pulse_duration_s)
    whole = read(plan, plan.run(echo_of(sonar, plan.last_delay_s - 1e-4))[0, 0], [plan.last_delay_s - 1e-4])
    cut_off = read(plan, plan.run(echo_of(sonar, plan.last_delay_s + 1e-3))[0, 0], [plan.last_delay_s + 1e-3])
    assert abs(whole[0]) == pytest.approx(1, abs=0.02)
    assert abs(cut_off[0]) < 0.6


def test_the_tail_does_not_wrap_into_the_first_samples() -> None:
    sonar = small()
    plan = Compressor.prepare(sonar, PLAIN)
    out = plan.run(echo_of(sonar, plan.last_delay_s + 1e-3))[0, 0]
    assert (
        np.abs(out[:200]).max() < 0.02
    )  # range sidelobes 200 cells off; half a pulse wrapped would read 0.5


def test_noise_gain_and_equivalent_width_are_those_of_noise_and_echo() -> None:
    sonar = make_sonar(n_channel=2, n_sample=6000)
    plan = Compressor.prepare(sonar, CompressSettings())
    rng = np.random.default_rng(5)
    noise = rng.standard_normal((2, 1, 2, 6000)).astype(np.float32)
    noise = (noise[0] + 1j * noise[1]) / np.sqrt(2)
    power = np.mean(np.abs(plan.run(noise.astype(np.complex64))[..., :5900]) ** 2)
    # 12 000 samples, 0.58 of them independent: 1.2 %; three of that.
    assert power == pytest.approx(plan.noise_gain, rel=0.036)
    one = plan.run(echo_of(sonar, 60e-3))[0, 0]
    assert np.sum(np.abs(one) ** 2) / plan.sample_rate_hz == pytest.approx(plan.equivalent_width_s, rel=5e-3)


def test_a_wrong_number_of_samples_is_refused() -> None:
    plan = Compressor.prepare(small(), PLAIN)
    with pytest.raises(
        DataError, match=r"\(1, 2, 479\); this plan was made for \(1, 2, 480\)\. Prepare a new one"
    ):
        plan.run(np.zeros((1, 2, 479), np.complex64))


def test_a_recording_shorter_than_its_pulse_is_refused() -> None:
    with pytest.raises(DataError, match=r"echo has 80 samples and the pulse 81; allowed: echoes longer"):
        Compressor.prepare(make_sonar(n_sample=80), PLAIN)


def test_an_unknown_window_is_refused_with_the_known_ones() -> None:
    with pytest.raises(ParameterError, match=r"compress\.window is 'hann'; allowed: none, hamming, taylor"):
        Compressor.prepare(small(), CompressSettings(window="hann"))


@pytest.mark.parametrize("changes", [{}, dict(centre_frequency_hz=447e3), dict(sample_interval_s=1 / 32e3)])
def test_compression_leaves_its_input_alone(changes: dict) -> None:
    sonar = replace(small(**changes), time_varied_gain_db=np.full(480, 3.0))
    echo = echo_of(sonar, 6e-3)
    before = echo.copy()
    out = Compressor.prepare(sonar, PLAIN).run(echo)
    assert_array_equal(echo, before)
    assert out.dtype == np.complex64


@pytest.mark.parametrize(("sidelobe_db", "n_bar"), [(25, 4), (35, 4), (30, 6)])
def test_taylor_weights_are_those_of_scipy(sidelobe_db: float, n_bar: int) -> None:
    from scipy.signal.windows import taylor

    n = 64
    position = (np.arange(n) - (n - 1) / 2) / n
    weight = taylor_line(position, sidelobe_db, n_bar)
    expected = taylor(n, nbar=n_bar, sll=sidelobe_db, norm=False)
    assert_allclose(weight / weight.mean(), expected / expected.mean(), rtol=1e-12)
    assert weight.mean() == pytest.approx(1, abs=0.01)


@pytest.mark.parametrize("n_channel", [2, 5, 16, 17, 40])
@pytest.mark.parametrize("n_sample", [100, 230, 350, 480, 1000, 1100, 3000])
def test_any_number_of_receivers_and_samples_agrees_with_a_library_transform(
    n_channel: int, n_sample: int
) -> None:
    # Lengths from 192 to 3584: stages of radix two, three, four, five, seven and eight.
    sonar = make_sonar(n_channel=n_channel, n_sample=n_sample, first_sample_delay_s=3e-3)
    rng = np.random.default_rng(n_sample + n_channel)
    echo = rng.standard_normal((1, n_channel, n_sample, 2)).astype(np.float32).view(np.complex64)[..., 0]
    plan = Compressor.prepare(sonar, PLAIN)
    pulse = replica(sonar)
    n = n_sample + pulse.size
    matched = np.conj(np.fft.fft(pulse, n)) / np.vdot(pulse, pulse).real
    exact = np.fft.ifft(np.fft.fft(echo.astype(complex), n) * matched)[..., :n_sample]
    got = plan.run(echo)
    assert got.dtype == np.complex64
    assert np.linalg.norm(got - exact) < 5e-7 * np.linalg.norm(exact)


def test_a_buffer_used_again_holds_nothing_of_the_last_ping() -> None:
    sonar = small()
    plan = Compressor.prepare(sonar, PLAIN)
    buffer = plan.allocate()
    plan.run_planes(echo_of(sonar, 5e-3, amplitude=1e6), buffer)
    again = plan.run_planes(echo_of(sonar, 6e-3), buffer).copy()
    assert np.array_equal(again, plan.run_planes(echo_of(sonar, 6e-3), plan.allocate()))


def test_buffers_begin_on_cache_lines() -> None:
    # Where memory happens to lie would else decide over a fifth of the time.
    buffer = Compressor.prepare(small(), PLAIN).allocate()
    assert [part.ctypes.data % 64 for part in (buffer.planes, buffer.block, buffer.part)] == [0, 0, 0]
