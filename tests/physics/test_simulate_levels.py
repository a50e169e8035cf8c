"""Levels of simulated echoes: spreading, absorption, patterns, Lambert's law, noise, shadows."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pingloom.imaging import seawater
from pingloom.simulate import echoes
from pingloom.simulate.scenario import Scenario, SeabedTable, SonarTable, Target, VehicleTable, WaterTable

C = 1500.0
BARE = Scenario(
    sonar=SonarTable(n_channel=2, range_stop_m=50.0, depression_deg=0.0, source_level_db=200.0),
    vehicle=VehicleTable(altitude_m=6.0, n_ping=1, speed_m_s=0.0),
    water=WaterTable(noise=False, absorption_db_m=0.0),
    seabed=SeabedTable(present=False),
)


def peak_of(target, **changes):
    """Amplitude of a point's echo behind the perfectly matched filter, in Pa."""
    scenario = dataclasses.replace(BARE, targets=(target,), **changes)
    (sonar,) = echoes.sonars(scenario).values()
    (ping, _) = next(echoes.simulate(scenario, mode="reference"))
    pulse = echoes.replica(sonar)
    spectrum = np.fft.fft(ping.echo[0, 0], 8192) * np.fft.fft(pulse, 8192).conj()
    fine = np.zeros(16 * 8192, complex)  # oversampled, or the peak falls between samples
    fine[:4096], fine[-4096:] = spectrum[:4096], spectrum[4096:]
    return np.abs(np.fft.ifft(fine)).max() * 16 / np.vdot(pulse, pulse).real


def ahead(slant_m, **fields):
    """A point straight before the array at its own depth."""
    return Target(along_m=0.0, across_m=slant_m, height_m=6.0, **fields)


def test_level_is_source_level_less_both_ways_plus_target_strength():
    # 200 dB re 1 uPa rms at 1 m is an analytic amplitude of sqrt(2) * 1e4 Pa; 40 log 20 = 52.04 dB.
    expected = np.sqrt(2) * 1e4 / 20**2 * 10 ** (-12 / 20)
    # Off the axis by half a channel: 9.4 mm in 20 m, nothing; 1e-3 is the matched filter's scalloping.
    assert_allclose(peak_of(ahead(20.0, strength_db=-12.0)), expected, rtol=1e-3)


def test_spreading_follows_the_fourth_power_of_range():
    assert_allclose(peak_of(ahead(20.0)) / peak_of(ahead(40.0)), 4, rtol=1e-3)


def test_absorption_takes_its_decibels_on_both_ways():
    water = WaterTable(noise=False, absorption_db_m=0.13)
    ratio = peak_of(ahead(30.0), water=water) / peak_of(ahead(30.0))
    assert_allclose(20 * np.log10(ratio), -2 * 30 * 0.13, atol=0.005)


def test_absorption_left_open_is_that_of_the_water():
    water = echoes.water(dataclasses.replace(BARE, water=WaterTable(temperature_c=4.0, salinity=8.0)))
    depth = (BARE.depth_m + BARE.seabed_depth_m) / 2
    expected = seawater.absorption_francois_garrison_db_m(450e3, 4.0, 8.0, depth, 8.0)
    assert_allclose(water.absorption_db_m, expected)


@pytest.mark.parametrize("degrees", [2.0, 4.0, 9.0])
def test_along_patterns_are_sincs_of_size_and_direction(degrees):
    angle = np.deg2rad(degrees)
    side = Target(along_m=30 * np.sin(angle), across_m=30 * np.cos(angle), height_m=6.0)
    # The channel lies 9.4 mm astern of the transmitter and has its own direction: 1.5 % on the flank at 9 degrees.
    sent, got = (
        np.sin(angle),
        (30 * np.sin(angle) + 0.009375) / np.hypot(30 * np.sin(angle) + 0.009375, 30 * np.cos(angle)),
    )
    expected = abs(np.sinc(0.028 * 300 * sent) * np.sinc(0.01875 * 300 * got))
    assert_allclose(peak_of(side) / peak_of(ahead(30.0)), expected, rtol=2e-3)


def test_vertical_patterns_follow_the_tilted_normal():
    # From 6 m up to the seabed at 20 m: 17.46 degrees below horizontal. The normal points 5 degrees lower.
    down = np.arctan2(6, 20)
    low = Target(along_m=0.0, across_m=20.0)
    sonar = dataclasses.replace(
        BARE.sonar,
        depression_deg=float(np.rad2deg(down)) + 5,
        transmit_vertical_m=0.012,
        receive_vertical_m=0.008,
    )
    level = dataclasses.replace(sonar, depression_deg=float(np.rad2deg(down)))
    sine = np.sin(np.deg2rad(5)) * 450e3 / C
    expected = np.sinc(0.012 * sine) * np.sinc(0.008 * sine)
    assert_allclose(peak_of(low, sonar=sonar) / peak_of(low, sonar=level), expected, rtol=1e-4)


def test_baffle_lets_nothing_in_from_behind():
    scenario = dataclasses.replace(
        BARE,
        sonar=dataclasses.replace(BARE.sonar, sides="both"),
        targets=(dataclasses.replace(ahead(20.0), across_m=-20.0),),
    )
    loud = {ping.side: np.abs(ping.echo).max() for ping, _ in echoes.simulate(scenario)}
    assert loud["starboard"] == 0
    assert loud["port"] > 0


@pytest.mark.parametrize(("table", "level_db"), [({"noise_db": 47.0}, 47.0), ({}, -15 + 20 * np.log10(450))])
def test_noise_power_is_twice_the_level_times_the_sample_rate(table, level_db):
    scenario = dataclasses.replace(
        BARE,
        water=WaterTable(**table),
        vehicle=VehicleTable(altitude_m=6.0, n_ping=10),
        sonar=dataclasses.replace(BARE.sonar, n_channel=8),
    )
    noise = np.array([ping.echo for ping, _ in echoes.simulate(scenario)])
    expected = 2 * 10 ** (level_db / 10) * 1e-12 * 40e3
    n = noise.size
    assert n > 2e5
    assert_allclose(
        np.mean(np.abs(noise) ** 2) / expected, 1, atol=5 / np.sqrt(n)
    )  # five standard deviations
    # White and circular: neighbours, channels and the two quadratures are uncorrelated.
    for a, b in (
        (noise[..., 1:], noise[..., :-1]),
        (noise[:, :, 1:], noise[:, :, :-1]),
        (noise, noise.conj()),
    ):
        assert abs(np.vdot(a, b)) / (n * expected) < 5 / np.sqrt(n)


# --- seabed ----------------------------------------------------------------------------------------------

SEABED = Scenario(
    seed=8,
    sonar=SonarTable(
        n_channel=8, channel_pitch_m=0.075, receive_along_m=0.01875, range_stop_m=30.0, depression_deg=20.0
    ),
    # A ping every 3.6 m: independent looks.
    vehicle=VehicleTable(altitude_m=6.0, n_ping=12, ping_rate_hz=0.5),
    water=WaterTable(noise=False, absorption_db_m=0.1),
    seabed=SeabedTable(lambert_db=-27.0, per_cell=5.0),
)


def seabed_power(scenario, delay_s):
    """Expected |echo|^2 by the sonar equation: sum over the ground that the pulse covers at a delay."""
    sonar, h = scenario.sonar, scenario.altitude_m
    lam = scenario.wavelength_m
    slant = np.linspace(C * (delay_s - sonar.pulse_duration_s) / 2, C * delay_s / 2, 100)
    sine = (
        np.linspace(-1, 1, 201) * lam / sonar.transmit_along_m
    )  # to the first nulls, as the scenario's default
    slant, sine = np.meshgrid(slant, sine)
    along = slant * sine
    across = np.sqrt(slant**2 - h**2 - along**2)
    area = slant / across * slant  # d(along) d(across) = R / y dR x R d(sine)
    up = (
        across * np.sin(np.deg2rad(sonar.depression_deg)) - h * np.cos(np.deg2rad(sonar.depression_deg))
    ) / slant
    pattern = np.sinc(sonar.transmit_along_m / lam * sine) * np.sinc(sonar.element_along_m / lam * sine)
    pattern *= np.sinc(sonar.transmit_vertical_m / lam * up) * np.sinc(sonar.receive_vertical_m / lam * up)
    sigma = 10 ** (scenario.seabed.lambert_db / 10) * (h / slant) ** 2
    loss = 10 ** (-2 * scenario.water.absorption_db_m * slant / 10) / slant**4
    whole = np.trapezoid(np.trapezoid(sigma * pattern**2 * loss * area, slant, axis=1), sine[:, 0])
    return 2 * 1e-12 * 10 ** (sonar.source_level_db / 10) * whole


def test_seabed_level_is_the_sonar_equation_with_lamberts_law():
    power = np.mean([np.abs(ping.echo) ** 2 for ping, _ in echoes.simulate(SEABED)], axis=(0, 1, 2))
    for low, high in ((12.0, 16.0), (17.0, 22.0), (23.0, 28.0)):
        n = np.arange(int(low * 2 / C * 40e3), int(high * 2 / C * 40e3))
        expected = np.mean([seabed_power(SEABED, k / 40e3) for k in n[5::10]])
        # 12 pings x 8 channels 75 mm apart (0.02 correlated) x 4 m / 25 mm: 15 000 values, 1 % or 0.04 dB; stated five
        # times that.
        assert_allclose(10 * np.log10(power[n].mean() / expected), 0, atol=0.2)


def test_level_does_not_depend_on_the_density_of_points():
    def level(per_cell):
        scenario = dataclasses.replace(SEABED, seabed=dataclasses.replace(SEABED.seabed, per_cell=per_cell))
        return np.mean([np.abs(p.echo[..., 800:]) ** 2 for p, _ in echoes.simulate(scenario)])

    assert_allclose(10 * np.log10(level(2.0) / level(8.0)), 0, atol=0.25)


def test_wall_leaves_a_gap_from_its_foot_to_where_the_ray_over_its_top_lands():
    # A wall along the whole leg, 1 m high, from 12 to 12.4 m; the seabed is hidden up to 12.4 * 6 / 5 = 14.88 m.
    wall = Target(kind="box", along_m=2.0, across_m=12.2, size_m=(30.0, 0.4, 1.0), strength_db=-300.0)
    still = dataclasses.replace(SEABED, vehicle=VehicleTable(altitude_m=6.0, n_ping=3, speed_m_s=1.0))
    scenario = dataclasses.replace(still, targets=(wall,))
    bare, walled = (compressed_power(x) for x in (still, scenario))

    def change_db(low, high):
        """What the wall does to the level between two ground ranges straight abeam."""
        i, j = (int(np.hypot(y, 6) * 2 / C * 40e3) for y in (low, high))
        return 10 * np.log10(walled[i:j].mean() / bare[i:j].mean())

    assert abs(change_db(10.0, 11.85)) < 0.1
    assert change_db(12.15, 14.75) < -25
    # Off broadside the ray over the top travels farther: at the sector's edge, 6.8 degrees, by 0.1 m.
    assert abs(change_db(15.1, 17.0)) < 0.1


def compressed_power(scenario):
    """Mean |.|^2 over pings and channels behind the matched filter under a Hamming window."""
    (sonar,) = echoes.sonars(scenario).values()
    pulse = echoes.replica(sonar)
    spectrum = np.fft.fft(pulse * np.hamming(pulse.size), 4096).conj()
    pings = [np.fft.ifft(np.fft.fft(p.echo[0], 4096) * spectrum) for p, _ in echoes.simulate(scenario)]
    return np.mean(np.abs(pings) ** 2, axis=(0, 1))
