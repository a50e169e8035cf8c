"""The sea surface's own echo: level against a sum over the surface, Doppler of its spectrum, decay of its speckle."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pingloom.simulate import echoes
from pingloom.simulate.scenario import (
    Scenario,
    SeabedTable,
    SonarTable,
    SurfaceTable,
    VehicleTable,
    WaterTable,
)
from pingloom.simulate.sea_surface import bragg_speed_m_s, surface_law

DEPTH_M = 4.0
BASE = Scenario(
    seed=3,
    sonar=SonarTable(
        n_channel=2, range_start_m=7.0, range_stop_m=20.0, depression_deg=-10.0, receive_along_m=0.01, sweep_hz=30e3
    ),
    vehicle=VehicleTable(depth_m=DEPTH_M, n_ping=12, speed_m_s=0.0, ping_rate_hz=20.0),
    water=WaterTable(noise=False, depth_m=30.0, absorption_db_m=0.1),
    seabed=SeabedTable(present=False),
    surface=SurfaceTable(backscatter_db=-25.0, rms_m=0.1, correlation_s=1e-4),
)  # fmt: skip


def pings(scenario):
    return np.array([ping.echo[0] for ping, _ in echoes.simulate(scenario)])


def expected_energy(scenario, law):
    """Mean of the sum of ``|echo|^2`` over a record, by a sum over the surface's elements."""
    sonar, lam = scenario.sonar, 1500 / scenario.sonar.centre_frequency_hz
    step = 0.02
    along, across = np.meshgrid(np.arange(-4, 4, step), np.arange(0.0, 22, step), indexing="ij")
    r = np.sqrt(along**2 + across**2 + DEPTH_M**2)
    up = np.deg2rad(-sonar.depression_deg)
    rise = (DEPTH_M * np.cos(up) - across * np.sin(up)) / r  # direction cosine to the array's up axis
    gain = np.sinc(sonar.transmit_along_m * along / r / lam) * np.sinc(sonar.transmit_vertical_m * rise / lam)
    gain *= np.sinc(sonar.element_along_m * along / r / lam) * np.sinc(sonar.receive_vertical_m * rise / lam)
    inside = np.abs(along) <= r * lam / sonar.transmit_along_m  # to the transmitter's first nulls
    power = (gain / r**2 * 10 ** (-0.1 * 2 * r / 20)) ** 2 * law(DEPTH_M / r) * step**2 * inside
    level2 = 2e-12 * 10 ** (sonar.source_level_db / 10)
    pulse = int(sonar.pulse_duration_s * sonar.sample_rate_hz + 0.5) + 1
    first = sonar.range_start_m / 750 * sonar.sample_rate_hz
    n = np.ceil((sonar.range_stop_m - sonar.range_start_m) / 750 * sonar.sample_rate_hz - 1e-6)
    begin = r / 750 * sonar.sample_rate_hz - first
    heard = np.clip(np.minimum(begin + pulse, n) - np.maximum(begin, 0), 0, pulse)
    return level2 * np.sum(power * heard)


@pytest.mark.parametrize("slope_deg", [None, 12.0])
def test_level_is_the_sum_over_the_surface(slope_deg):
    scenario = dataclasses.replace(BASE, surface=dataclasses.replace(BASE.surface, slope_deg=slope_deg))
    slope = 0.0 if slope_deg is None else np.tan(np.deg2rad(slope_deg))

    def law(sine):
        power = 10**-2.5 * sine**2
        if slope:
            power = power + np.exp(-(1 / sine**2 - 1) / (2 * slope**2)) / sine**4 / (8 * np.pi * slope**2)
        return power

    found = np.sum(np.abs(pings(scenario)) ** 2, axis=-1).mean()
    # 12 pings of some 300 range cells and beams: 2 %, and the edges of the sector.
    assert_allclose(found, expected_energy(scenario, law), rtol=0.06)


def test_facets_that_face_the_sonar_are_all_there():
    """Sigma is p(slope) sec^4(tilt) / 4 by tangent planes, so summed over all tilts its chances are one."""
    slope = 0.08
    grazing = np.linspace(0, np.pi / 2, 3601)
    law = surface_law(-200.0, slope) ** 2
    tilt = np.pi / 2 - grazing
    # p = 4 sigma cos^4 b, and an element of slopes is tan b sec^2 b db dphi.
    chance = law * 4 * np.cos(tilt) * 2 * np.pi * np.sin(tilt)
    assert_allclose(np.trapezoid(chance[::-1], tilt[::-1]), 1.0, rtol=0.01)


# Almost a tone, with soft ends: its spectrum is narrow and has no tails. The range cell is then metres long.
TONE = dataclasses.replace(
    BASE.sonar, sweep_hz=100.0, pulse_duration_s=4e-3, sample_rate_hz=20e3, pulse_taper=0.5
)


def spectrum_moments(surface):
    """Mean frequency and variance of the echo's spectrum, with many points in the long cell."""
    surface = dataclasses.replace(surface, per_cell=400.0)
    echo = pings(dataclasses.replace(BASE, sonar=TONE, surface=surface))
    power = (np.abs(np.fft.fft(echo * np.hanning(echo.shape[-1]), axis=-1)) ** 2).sum(axis=(0, 1))
    f = np.fft.fftfreq(echo.shape[-1], 1 / 20e3)
    mean = (power * f).sum() / power.sum()
    return mean, (power * (f - mean) ** 2).sum() / power.sum()


def test_doppler_of_a_surface_that_comes_nearer():
    mean = [
        spectrum_moments(dataclasses.replace(BASE.surface, speed_m_s=speed))[0] for speed in (0.0, 1.5, -1.5)
    ]
    shift = 2 * 1.5 / 1500 * 450e3
    assert_allclose(np.array(mean[1:]) - mean[0], [shift, -shift], rtol=0.02)


def test_spread_of_speeds_widens_the_spectrum():
    still, moving = (
        spectrum_moments(dataclasses.replace(BASE.surface, speed_rms_m_s=rms))[1] for rms in (0.0, 0.8)
    )
    # Twelve pings of a few cells, in eight classes of speed: some 5 %.
    assert_allclose(np.sqrt(moving - still), 2 * 0.8 / 1500 * 450e3, rtol=0.1)


def test_speckle_decays_as_stated():
    tau, step = 0.12, 1 / 20
    scenario = dataclasses.replace(BASE, surface=dataclasses.replace(BASE.surface, correlation_s=tau))
    echo = pings(scenario).reshape(12, -1)
    power = np.mean(np.abs(echo) ** 2)
    for lag in (1, 2, 3):
        found = np.mean(echo[lag:] * echo[:-lag].conj()) / power
        # Some hundred independent cells in each of ten pairs.
        assert_allclose(abs(found), np.exp(-lag * step / tau), atol=0.06)
    new = pings(BASE).reshape(12, -1)
    assert abs(np.mean(new[1:] * new[:-1].conj())) < 0.1 * np.mean(np.abs(new) ** 2)


def test_waves_of_half_the_sounds_wavelength():
    # At 450 kHz ripples of 1.67 mm, held by surface tension: 0.52 m/s; at 10 kHz 75 mm, mostly by gravity.
    assert_allclose(bragg_speed_m_s(1500 / 450e3), 0.524, atol=0.002)
    k = 4 * np.pi / 0.15
    assert_allclose(bragg_speed_m_s(0.15), np.sqrt(9.81 / k), rtol=0.03)
