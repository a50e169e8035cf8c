"""Focusing against plain numpy in float64, and the compiled loops against the same loops uncompiled."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pingloom.imaging import _focus_kernels as kernels
from pingloom.imaging.focus import Focuser, transmit_delay_from_point

RATE, CARRIER, SPEED, N_SAMPLE, FIRST = 40e3, 450e3, 1500.0, 640, 2e-3


def band_limited_noise(rng, band, n_channel, n_sample):
    """Periodic noise of unit power within ``band`` of the rate, as spectrum (channel, bin) and bins."""
    bins = np.arange(-int(band * n_sample / 2) + 1, int(band * n_sample / 2))
    shape = (n_channel, bins.size)
    spectrum = (rng.standard_normal(shape) + 1j * rng.standard_normal(shape)) / np.sqrt(2 * bins.size)
    return spectrum, bins


def read_exactly(spectrum, bins, position, n_sample):
    """The noise at any positions in samples: its finite Fourier sum."""
    return np.exp(2j * np.pi * position[:, None] * bins / n_sample) @ spectrum


def scene(seed, band, n_channel=8, n_point=400):
    rng = np.random.default_rng(seed)
    element = rng.normal(0, 0.2, (n_channel, 3)) * [1, 0.02, 0.02] + [1e4, -2e4, 30.0]
    point = element.mean(axis=0) + rng.uniform([-2, 3, 3], [2, 8, 5], (n_point, 3))
    spectrum, bins = band_limited_noise(rng, band, n_channel, N_SAMPLE)
    channels = np.array([read_exactly(s, bins, np.arange(N_SAMPLE), N_SAMPLE) for s in spectrum])
    return element, point, spectrum, bins, channels


@pytest.mark.parametrize("band", [0.3, 0.5, 0.75, 0.85])
def test_the_sum_is_that_of_exact_interpolation_within_the_stated_error(band: float) -> None:
    element, point, spectrum, bins, channels = scene(1, band)
    sent_s = transmit_delay_from_point(element.mean(axis=0), point, SPEED)
    plan = Focuser.prepare(
        element,
        point,
        sent_s,
        first_delay_s=FIRST,
        sample_rate_hz=RATE,
        carrier_hz=CARRIER,
        sound_speed_m_s=SPEED,
        n_sample=N_SAMPLE,
        band=band,
        interpolation_error=5e-3,
    )
    out = np.empty(len(point), np.complex64)
    plan.run(channels.astype(np.complex64), out)
    expected = np.zeros(len(point), complex)
    for e, s in zip(element, spectrum, strict=True):
        delay_s = sent_s + np.linalg.norm(point - e, axis=1) / SPEED
        value = read_exactly(s, bins, (delay_s - FIRST) * RATE, N_SAMPLE)
        expected += value * np.exp(2j * np.pi * CARRIER * delay_s) / len(element)
    error = np.linalg.norm(out - expected) / np.linalg.norm(expected)
    # The stated error is the worst over positions; single precision of the data adds 1e-7.
    assert error < plan.tap_error
    assert plan.tap_error < 5.2e-3


def test_compiled_and_plain_loops_agree() -> None:
    element, point, _, _, channels = scene(2, 0.5, n_point=300)
    x = np.stack((channels.real, channels.imag), axis=1).astype(np.float32)
    plan = Focuser.prepare(
        element,
        point,
        transmit_delay_from_point(element[0], point, SPEED),
        first_delay_s=FIRST,
        sample_rate_hz=RATE,
        carrier_hz=CARRIER,
        sound_speed_m_s=SPEED,
        n_sample=N_SAMPLE,
        band=0.5,
        f_number=1.0,
        axis=(1.0, 0.0, 0.0),
        shading=np.hanning(10)[1:-1],
        element_velocity_m_s=(1.0, 0.2, -0.3),
    )
    got, plain = np.empty((2, 300), np.complex64)
    for function, out in ((kernels.delay_and_sum, got), (plain_loop(kernels.delay_and_sum), plain)):
        function(
            x,
            plan.element_position_m,
            plan.element_velocity_m_s,
            plan.shading,
            plan.axis,
            1 + 4 * plan.f_number**2,
            plan.point_m,
            plan.transmit_delay_s,
            FIRST,
            RATE,
            CARRIER,
            SPEED,
            plan.taps,
            True,
            out,
        )
    assert np.abs(got).max() > 0.1
    assert_allclose(got, plain, atol=1e-6)  # order of float32 sums over taps


def test_one_channel_is_added_alike_by_compiled_and_plain_loops() -> None:
    rng = np.random.default_rng(4)
    n = 100
    x = rng.standard_normal((2, 64)).astype(np.float32)
    taps = rng.standard_normal((33, 8)).astype(np.float32)
    delay_s = rng.uniform(-0.3e-3, 2e-3, n)  # some before, some after the record
    used = (rng.random(n) < 0.8).astype(float)
    cosine, sine = rng.standard_normal((2, n))
    sums = np.zeros((2, 3, n))
    for function, into in ((kernels._add_channel, sums[0]), (plain_loop(kernels._add_channel), sums[1])):
        function(x, delay_s, used, cosine, sine, 0.0, RATE, taps, 0.7, *into)
    assert 0 < np.count_nonzero(sums[0, 2]) < n
    assert_allclose(sums[0], sums[1], atol=1e-5)  # order of float32 sums of eight terms of size 1


def test_delays_are_alike_compiled_and_plain_and_exact_for_a_still_array() -> None:
    rng = np.random.default_rng(6)
    p = rng.uniform(-20, 20, (3, 50))
    sent_s = rng.uniform(0, 0.03, 50)
    element, axis = np.array([0.1, 0.2, 0.3]), np.array([1.0, 0, 0])
    for velocity in (np.zeros(3), np.array([2.0, 1.0, 0.5])):
        got = np.zeros((2, 2, 50))
        for function, out in ((kernels._delays, got[0]), (plain_loop(kernels._delays), got[1])):
            function(*p, element, velocity, SPEED, axis, 5.0, sent_s, *out)
        assert_allclose(got[0], got[1], rtol=1e-13)
        if not velocity.any():
            exact = sent_s + np.linalg.norm(p.T - element, axis=1) / SPEED
            assert_allclose(got[0, 0], exact, rtol=1e-13)  # float64


def test_cosine_and_sine_of_many_turns_are_exact() -> None:
    rng = np.random.default_rng(7)
    turns = np.concatenate([rng.uniform(-2e5, 2e5, 5000), np.arange(-16, 17) / 8, [0.125 - 1e-12]])
    for function in (kernels.cosine_sine, plain_loop(kernels.cosine_sine)):
        cosine, sine = np.empty((2, turns.size))
        function(turns, cosine, sine)
        whole = turns - np.rint(turns)
        # The polynomials' error, 5e-11, and 2e5 turns in float64, 2e-10 rad.
        assert_allclose(cosine, np.cos(2 * np.pi * whole), atol=3e-10)
        assert_allclose(sine, np.sin(2 * np.pi * whole), atol=3e-10)


def plain_loop(function):
    """The uncompiled function; with compilation switched off it is the function itself."""
    return getattr(function, "py_func", function)
