"""Receivers out of place and late, against the plain sum over points and an independent shift."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pingloom.simulate import echoes
from pingloom.simulate.instrument import true_sonars
from pingloom.simulate.instrument_tables import ChannelTable, InstrumentTable, PulseTable

from . import test_simulate_echoes as plain

N = plain.SONAR.n_channel


def instrument(**channels):
    return InstrumentTable(channels=ChannelTable(**channels))


@pytest.mark.parametrize("side", ["starboard", "port"])
def test_receivers_out_of_place_hear_from_where_they_are(side):
    rng = np.random.default_rng(4)
    # Up to three wavelengths: far more than a real array is out, so that small errors of the model would show.
    offset = rng.uniform(-0.01, 0.01, (N, 3))
    scenario = dataclasses.replace(
        plain.BARE,
        sonar=dataclasses.replace(plain.SONAR, sides=side),
        targets=plain.points(12, side=-1 if side == "port" else 1),
        instrument=instrument(position_m=tuple(map(tuple, offset.tolist()))),
    )
    (nominal,) = echoes.sonars(scenario).values()
    (sonar,) = true_sonars(scenario).values()
    mirrored = offset * (1, -1, 1) if side == "port" else offset
    place = nominal.element_position_m + mirrored
    assert_allclose(sonar.element_position_m, place, rtol=0, atol=1e-15)
    assert_allclose(echoes.truth(scenario)[f"element_position_{side}_m"], place, rtol=0, atol=1e-15)
    expected = plain.exact_sum(scenario, dataclasses.replace(nominal, element_position_m=place), 2)
    for mode, limit in (("reference", 1e-6), ("fast", 3e-4)):
        *_, (ping, _) = echoes.simulate(scenario, mode=mode, threads=1)
        assert plain.relative_rms(ping.echo, expected) < limit
    assert plain.relative_rms(plain.exact_sum(scenario, nominal, 2), expected) > 0.5


def test_delays_gains_and_phases_of_receivers():
    rng = np.random.default_rng(5)
    delay, gain, phase = rng.uniform(-3e-5, 3e-5, N), rng.normal(0, 2, N), rng.normal(0, 40, N)
    wrong = instrument(
        delay_s=tuple(delay.tolist()), gain_db=tuple(gain.tolist()), phase_deg=tuple(phase.tolist())
    )
    clean, _ = next(echoes.simulate(plain.BARE, mode="reference"))
    scenario = dataclasses.replace(plain.BARE, instrument=wrong)
    ping, _ = next(echoes.simulate(scenario, mode="reference"))
    # The record, shifted by its own transform; all echoes lie well inside it, so that nothing wraps.
    f = np.fft.fftfreq(clean.echo.shape[-1], 1 / 40e3) + 450e3
    factor = 10 ** (gain / 20) * np.exp(1j * np.deg2rad(phase))
    shift = np.exp(-2j * np.pi * f * delay[:, None]) * factor[:, None]
    expected = np.fft.ifft(np.fft.fft(clean.echo.astype(complex)) * shift)
    # Against the plain sum's own tails at the record's ends, which the shift takes round: 3e-4.
    assert plain.relative_rms(ping.echo, expected) < 1e-3
    truth = echoes.truth(scenario)
    assert_allclose(truth["channel_response_starboard"][0], factor)
    assert_allclose(truth["channel_delay_starboard_s"][0], delay)
    # A carrier that is late turns by 2 pi f0 tau: at 30 us 13.5 turns, so a sign or a lost carrier would show.
    assert plain.relative_rms(ping.echo, clean.echo) > 0.5


def test_a_pulse_of_its_own_is_the_one_that_echoes():
    table = InstrumentTable(
        pulse=PulseTable(droop_db=3.0, quadratic_phase_deg=90.0, ripple_phase_deg=20.0, ripple_cycles=3.0)
    )
    scenario = dataclasses.replace(plain.BARE, instrument=table, targets=plain.points(6))
    (sonar,) = echoes.sonars(scenario).values()
    t = np.arange(81) / 40e3
    u = t / 2e-3
    sweep = np.exp(2j * np.pi * (-15e3 * t + 30e3 / 2e-3 * t**2 / 2))
    phase = np.deg2rad(90 * (2 * u - 1) ** 2 + 20 * np.sin(2 * np.pi * 3 * u))
    pulse = sweep * 10 ** (-3 * u / 20) * np.exp(1j * phase)
    assert_allclose(sonar.replica, pulse, atol=1e-6)
    assert_allclose(echoes.truth(scenario)["sent_pulse"], pulse, atol=1e-12)
    ideal = plain.exact_sum(scenario, sonar, 0)
    length = 8192
    ratio = np.fft.fft(pulse, length) / np.fft.fft(sweep, length)
    expected = np.fft.ifft(np.fft.fft(ideal, length) * ratio)[..., : ideal.shape[-1]]
    (ping, _) = next(echoes.simulate(scenario, mode="reference"))
    # Both are band-limited sums over transforms of other lengths, whose tails differ by 5e-4.
    assert plain.relative_rms(ping.echo, expected) < 3e-3
