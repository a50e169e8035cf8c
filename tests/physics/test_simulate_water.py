"""Simulated echoes against the sonar equation and against ray integrals: delays, angles and losses in layered water."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import brentq

from pingloom.simulate import echoes
from pingloom.simulate.scenario import Scenario, SeabedTable, SonarTable, Target, VehicleTable, WaterTable

# --- the sonar equation, worked ---------------------------------------------------------------------------

# SL 205 dB, 400 kHz, 0.0960 dB/m, 40 kHz, 5 ms, array of 0.5 m, target of -20 dB, 5 m above a seabed of -27 dB (Lambert);
# Psi = 0.8859 wavelength / length, DI = 10 log 2 length / wavelength, Mellen's noise. Range [m], SNR before and after
# compression, signal to reverberation [dB]; computed from the equation.
WORKED = [(25.0, 65.48, 88.49, 45.96), (50.0, 48.64, 71.65, 49.03), (75.0, 36.80, 59.81, 50.81)]
WORKED_SONAR = SonarTable(
    # Half a wavelength apart, receivers in isotropic noise are independent: their number is the directivity.
    n_channel=267,
    channel_pitch_m=1.875e-3,
    transmit_along_m=1e-4,
    transmit_vertical_m=1e-4,
    receive_along_m=1e-4,
    receive_vertical_m=1e-4,
    depression_deg=0.0,
    centre_frequency_hz=400e3,
    sweep_hz=40e3,
    sample_rate_hz=40e3,
    pulse_duration_s=5e-3,
    source_level_db=205.0,
)
WORKED_WATER = WaterTable(absorption_db_m=0.0960)


def focused(scenario):
    """The channels' echo of the only target and their noise, lined up on it by the true delays and averaged."""
    quiet = dataclasses.replace(scenario, water=dataclasses.replace(scenario.water, noise=False))
    (sonar,) = echoes.sonars(scenario).values()
    (place,) = echoes.target_places(scenario)
    delay = echoes.point_delay_s(scenario, sonar, place, np.zeros(1), sonar.element_position_m[0])
    late = delay - delay.mean()
    length = 8192
    f = np.fft.fftfreq(length, sonar.sample_interval_s)
    turn = np.exp(2j * np.pi * (sonar.centre_frequency_hz + f) * late[:, None])
    both = []
    for case in (quiet, scenario):
        echo = next(echoes.simulate(case, mode="reference"))[0].echo[0].astype(complex)
        both.append(np.fft.ifft((np.fft.fft(echo, length) * turn).mean(axis=0))[: echo.shape[-1]])
    signal, whole = both
    return signal, whole - signal, echoes.replica(sonar)


@pytest.mark.parametrize(("range_m", "before_db", "after_db", "_"), WORKED)
def test_point_in_noise_follows_the_worked_sonar_equation(range_m, before_db, after_db, _):
    scenario = Scenario(
        seed=3,
        sonar=dataclasses.replace(WORKED_SONAR, range_stop_m=range_m + 6),
        vehicle=VehicleTable(altitude_m=5.0, n_ping=1, speed_m_s=0.0, ping_rate_hz=1.0),
        water=WORKED_WATER,
        seabed=SeabedTable(present=False),
        targets=(Target(along_m=0.0, across_m=range_m, height_m=5.0, strength_db=-20.0),),
    )
    signal, noise, pulse = focused(scenario)
    power = np.mean(np.abs(noise) ** 2)
    # Middle of the pulse, where the sweep is at the centre frequency and the wave is steady.
    middle = round(2 * range_m / 1500 * 40e3 + pulse.size / 2)
    steady = np.mean(np.abs(signal[middle - 40 : middle + 40]) ** 2)
    # Noise of some 3000 independent samples: 1.8 %, 0.08 dB; 0.2 dB is 2.6 standard deviations of it.
    assert_allclose(10 * np.log10(steady / power), before_db, atol=0.2)
    spectrum = np.fft.fft(pulse, 8192).conj()
    found = np.abs(fine_samples(np.fft.ifft(np.fft.fft(signal, 8192) * spectrum))).max() ** 2
    assert_allclose(10 * np.log10(found / (power * np.vdot(pulse, pulse).real)), after_db, atol=0.2)


@pytest.mark.parametrize(("range_m", "_", "__", "ratio_db"), WORKED[:2])
def test_point_on_the_seabed_follows_the_worked_ratio_to_reverberation(range_m, _, __, ratio_db):
    # Two receivers of 0.5 m: their pattern is the beam. Sound goes out wide.
    sonar = dataclasses.replace(
        WORKED_SONAR,
        n_channel=2,
        channel_pitch_m=0.5,
        receive_along_m=0.5,
        transmit_along_m=2e-3,
        range_start_m=range_m - 2,
        range_stop_m=range_m + 6,  # a pulse of 3.75 m from the far end of the window
    )
    base = Scenario(
        seed=4,
        sonar=sonar,
        vehicle=VehicleTable(altitude_m=5.0, n_ping=40, speed_m_s=4.0, ping_rate_hz=2.0),
        water=dataclasses.replace(WORKED_WATER, noise=False),
        # 16 times the beam's width holds 0.99 of its power.
        seabed=SeabedTable(lambert_db=-27.0, per_cell=5.0, sector_deg=3.4, cell_along_m=0.0075 * range_m),
    )
    pulse = echoes.replica(next(iter(echoes.sonars(base).values())))
    spectrum = np.fft.fft(pulse, 4096).conj() / np.vdot(pulse, pulse).real

    def compressed(scenario):
        return [np.fft.ifft(np.fft.fft(p.echo[0], 4096) * spectrum) for p, _ in echoes.simulate(scenario)]

    power = np.abs(np.array(compressed(base))) ** 2
    first = base.sonar.range_start_m
    r = first + np.arange(power.shape[-1]) * 1500 / 2 / 40e3
    window = np.abs(r - range_m) < 1
    # R^-5 with absorption takes what is in the window to its middle.
    law = (range_m / r) ** 5 * 10 ** (-2 * 0.0960 * (r - range_m) / 10)
    reverberation = np.mean(power[..., window] / law[window])
    across = np.sqrt(range_m**2 - 25)
    target = Target(along_m=-0.25, across_m=float(across), strength_db=-20.0)
    alone = dataclasses.replace(
        base,
        seabed=SeabedTable(present=False),
        targets=(target,),
        vehicle=dataclasses.replace(base.vehicle, n_ping=1, speed_m_s=0.0),
    )
    fine = np.abs(fine_samples(compressed(alone)[0])).max(axis=-1) ** 2
    # The beam's equivalent width is wavelength / length; the worked rows take its width at half power.
    expected = ratio_db + 10 * np.log10(0.8859)
    # The point lies on the first receiver's axis. 40 pings of 2 m, 2 receivers, 100 cells: 8000 values, 0.05 dB.
    assert_allclose(10 * np.log10(fine.max() / reverberation), expected, atol=0.2)


def fine_samples(line, factor=16):
    spectrum = np.fft.fft(line)
    n = spectrum.shape[-1]
    wide = np.zeros((*spectrum.shape[:-1], factor * n), complex)
    wide[..., : n // 2], wide[..., -n // 2 :] = spectrum[..., : n // 2], spectrum[..., -n // 2 :]
    return factor * np.fft.ifft(wide)


# --- layered water ----------------------------------------------------------------------------------------

# Invented: a summer thermocline between a vehicle at 7 m and the seabed at 15 m.
DEPTH = np.array([0.0, 8.0, 9.0, 11.0, 12.0, 15.0])
SPEED = np.array([1521.0, 1520.5, 1516.0, 1499.0, 1496.0, 1495.5])
SUMMER = WaterTable(
    noise=False,
    absorption_db_m=0.1,
    profile_depth_m=tuple(DEPTH.tolist()),
    profile_sound_speed_m_s=tuple(SPEED.tolist()),
)
STILL = Scenario(
    sonar=SonarTable(
        n_channel=2,
        channel_pitch_m=0.02,
        transmit_along_m=1e-4,
        transmit_vertical_m=1e-4,
        receive_along_m=1e-4,
        receive_vertical_m=1e-4,
        range_stop_m=60.0,
        depression_deg=10.0,
    ),
    vehicle=VehicleTable(depth_m=7.0, altitude_m=8.0, n_ping=1, speed_m_s=0.0, ping_rate_hz=5.0),
    water=SUMMER,
    seabed=SeabedTable(present=False),
)
NODE, WEIGHT = np.polynomial.legendre.leggauss(40)


def integrals(p, top, bottom, depth=DEPTH, speed=SPEED):
    """Distance, time and length of the ray with parameter p, by quadrature of Snell's law layer by layer."""
    edges = np.unique(np.concatenate([[top, bottom], depth[(depth > top) & (depth < bottom)]]))
    half = np.diff(edges)[:, None] / 2
    z = edges[:-1, None] + half * (1 + NODE)
    c = np.interp(z, depth, speed)
    sine = np.sqrt(1 - (p * c) ** 2)
    return [float(np.sum(half * WEIGHT * v)) for v in (p * c / sine, 1 / (c * sine), 1 / sine)]


def parameter(x, top, bottom, **profile):
    most = 1 / np.interp(np.linspace(top, bottom, 2001), *profile.values() or (DEPTH, SPEED)).max()
    return brentq(
        lambda p: integrals(p, top, bottom, **profile)[0] - x, 0, most * (1 - 1e-13), xtol=1e-18, rtol=1e-15
    )


def delay_of(scenario):
    """Delay of the only echo, from its phase over frequency, then from the carrier's."""
    (sonar,) = echoes.sonars(scenario).values()
    echo = next(echoes.simulate(scenario, mode="reference"))[0].echo[0, 0].astype(complex)
    length = 1 << 14
    pulse = np.fft.fft(echoes.replica(sonar), length)
    f = np.fft.fftfreq(length, sonar.sample_interval_s)
    cross = np.fft.fft(echo, length) * pulse.conj()
    peak = np.argmax(np.abs(np.fft.ifft(cross))) * sonar.sample_interval_s
    inner = np.abs(f) < 12e3
    phase = np.unwrap(np.angle(cross[inner] * np.exp(2j * np.pi * f[inner] * peak))[np.argsort(f[inner])])
    weight = np.abs(cross[inner][np.argsort(f[inner])])
    slope, _ = np.polyfit(np.sort(f[inner]), phase, 1, w=weight)
    envelope = peak - slope / (2 * np.pi) + sonar.first_sample_delay_s
    at = np.sum(cross[inner] * np.exp(2j * np.pi * f[inner] * (envelope - sonar.first_sample_delay_s)))
    left = np.angle(at * np.exp(2j * np.pi * sonar.centre_frequency_hz * envelope))
    return envelope, envelope - left / (2 * np.pi * sonar.centre_frequency_hz), np.abs(at)


def spot(x, **more):
    """A point on the seabed before the first receiver."""
    return Target(along_m=-0.005, across_m=float(x), **more)


@pytest.mark.parametrize("x", [6.0, 15.0, 30.0, 48.0])
def test_delay_is_the_ray_integral_there_and_back(x):
    scenario = dataclasses.replace(STILL, targets=(spot(x, strength_db=20.0),))
    envelope, carrier, _ = delay_of(scenario)
    # Transmitter and receiver lie 5 mm to either side.
    away = float(np.hypot(x, 0.005))
    expected = 2 * integrals(parameter(away, 7.0, 15.0), 7.0, 15.0)[1]
    assert_allclose(envelope, expected, rtol=0, atol=1e-8)
    assert_allclose(carrier, expected, rtol=0, atol=1e-11)
    assert_allclose(echoes.truth(scenario)["delay_starboard_s"][0, 0, 0], expected, rtol=0, atol=3e-10)
    # Straight lines at the mean speed miss it, from 0.16 us at 6 m on.
    assert abs(2 * np.hypot(x, 8) / scenario.sound_speed_m_s - expected) > 1e-7


@pytest.mark.parametrize("x", [10.0, 30.0, 48.0])
def test_level_is_that_of_the_ray_tube_with_absorption_along_the_ray(x):
    scenario = dataclasses.replace(STILL, targets=(spot(x),))
    near = dataclasses.replace(
        STILL, water=WaterTable(noise=False, absorption_db_m=0.1, sound_speed_m_s=1500.0), targets=(spot(x),)
    )
    p = parameter(x, 7.0, 15.0)
    step = p * 1e-6
    spread = (integrals(p + step, 7.0, 15.0)[0] - integrals(p - step, 7.0, 15.0)[0]) / (2 * step)
    c = np.interp([7.0, 15.0], DEPTH, SPEED)
    sine = np.sqrt(1 - (p * c) ** 2)
    square = x * spread * sine[0] * sine[1] / (p * c[0] * c[1])  # of the spreading distance
    length = integrals(p, 7.0, 15.0)[2]
    bent_db = -20 * np.log10(square) - 2 * 0.1 * length
    slant = np.hypot(x, 8)
    straight_db = -40 * np.log10(slant) - 2 * 0.1 * slant
    got_db = 20 * np.log10(delay_of(scenario)[2] / delay_of(near)[2])
    # Apertures of 0.1 mm have no pattern.
    assert_allclose(got_db, bent_db - straight_db, atol=0.03)


def test_direction_at_the_array_is_that_of_the_launched_ray():
    """A tall aperture tilted at the ray hears it at full strength, and half as much (in power) 0.443 widths beside."""
    x = 30.0
    p = parameter(x, 7.0, 15.0)
    c0 = float(np.interp(7.0, DEPTH, SPEED))
    launch = np.rad2deg(np.arccos(p * c0))
    straight = np.rad2deg(np.arctan2(8.0, x))
    assert abs(launch - straight) > 2

    def level(depression_deg):
        sonar = dataclasses.replace(
            STILL.sonar, receive_vertical_m=0.06, depression_deg=float(depression_deg)
        )
        return delay_of(dataclasses.replace(STILL, sonar=sonar, targets=(spot(x),)))[2] ** 2

    wavelength = c0 / 450e3
    aside = np.rad2deg(np.arcsin(0.44295 * wavelength / 0.06))
    top = level(launch)
    assert_allclose([level(launch - aside) / top, level(launch + aside) / top], 0.5, rtol=2e-3)
    assert_allclose(
        level(straight) / top,
        np.sinc(0.06 / wavelength * np.sin(np.deg2rad(launch - straight))) ** 2,
        rtol=0.01,
    )


def test_seabed_level_is_the_sonar_equation_along_bent_rays():
    scenario = dataclasses.replace(
        STILL,
        seed=8,
        sonar=SonarTable(
            n_channel=8,
            channel_pitch_m=0.075,
            receive_along_m=0.01875,
            range_stop_m=34.0,
            depression_deg=20.0,
            pulse_duration_s=1e-3,
        ),
        vehicle=dataclasses.replace(STILL.vehicle, n_ping=16, ping_rate_hz=0.5, speed_m_s=1.8),
        seabed=SeabedTable(lambert_db=-27.0, per_cell=4.0),
    )
    power = np.mean([np.abs(p.echo) ** 2 for p, _ in echoes.simulate(scenario)], axis=(0, 1, 2))
    expected, straight = expected_power(scenario), expected_power(scenario, bent=False)
    change = []
    for low, high in ((0.020, 0.026), (0.027, 0.034), (0.035, 0.043)):
        n = np.arange(int(low * 40e3), int(high * 40e3))
        # 16 pings x 8 channels x some 200 cells: 0.04 dB; 0.2 is stated.
        assert_allclose(10 * np.log10(power[n].mean() / expected[n].mean()), 0, atol=0.2)
        change.append(10 * np.log10(expected[n].mean() / straight[n].mean()))
    # What is held to 0.2 dB is not small: rays come down steeper, from a wider tube.
    assert max(np.abs(change)) > 0.7


def expected_power(scenario, *, bent=True):
    """Mean |echo|^2 at each sample by the sonar equation over rings of seabed, rays by quadrature."""
    sonar, (top, bottom) = scenario.sonar, (7.0, 15.0)
    c = np.interp([top, bottom], DEPTH, SPEED)
    x = np.linspace(0.5, 60, 1200)
    if bent:
        p = np.array([parameter(v, top, bottom) for v in x])
        _, time, length = np.array([integrals(v, top, bottom) for v in p]).T
        launch, arrival = np.arccos(p * c[0]), np.arccos(p * c[1])
        spread = np.gradient(x, p) * x * np.sin(launch) * np.sin(arrival) / (p * c[0] * c[1])
        wavelength = c[0] / 450e3
    else:
        length = np.hypot(x, 8)
        time, launch = length / scenario.sound_speed_m_s, np.arctan2(8, x)
        arrival, spread, wavelength = launch, length**2, scenario.wavelength_m
    # Azimuths off broadside: cosine to the array's axis is cos(launch) sin(azimuth), up to the first null.
    u = np.linspace(-1, 1, 401)[:, None] * wavelength / sonar.transmit_along_m
    aside = np.arcsin(np.clip(u / np.cos(launch), -1, 1))
    tilt = np.deg2rad(sonar.depression_deg)
    up = np.cos(launch) * np.cos(aside) * np.sin(tilt) - np.sin(launch) * np.cos(tilt)
    pattern = np.sinc(sonar.transmit_along_m / wavelength * u) * np.sinc(
        sonar.element_along_m / wavelength * u
    )
    pattern = pattern * np.sinc(0.003 / wavelength * up) ** 2
    inside = np.abs(u / np.cos(launch)) < 1
    angle = np.where(inside, 1 / np.sqrt(np.maximum(np.cos(launch) ** 2 - u**2, 1e-9)), 0.0)
    ring = np.trapezoid(pattern**2 * angle, u[:, 0], axis=0) * x  # of the seabed, per metre of distance
    sigma = 10 ** (scenario.seabed.lambert_db / 10) * np.sin(arrival) ** 2
    each = 2e-12 * 10 ** (sonar.source_level_db / 10) * sigma * ring * 10 ** (-0.2 * length / 10) / spread**2
    whole = np.concatenate([[0], np.cumsum((each[1:] + each[:-1]) / 2 * np.diff(x))])
    t = np.arange(1900) / 40e3
    return np.interp(t, 2 * time, whole) - np.interp(t - sonar.pulse_duration_s, 2 * time, whole)


# --- sound speed at the array and along the way -------------------------------------------------------------

# Sound speed at the sonar [m/s], gradient [1/s], altitude, distance [m]; what straight rays at the sonar's own speed and at
# the mean speed make of the distance, less the distance [m]. Computed from Snell's law, checked by integration.
ERRORS = [
    (1500, -0.5, 5, 50, 0.0415, -0.00057),
    (1500, -1.0, 5, 75, 0.1180, -0.00780),
    (1500, 0.017, 10, 100, -0.0057, -0.00001),
    (1520, -2.0, 8, 60, 0.3076, -0.01545),
    (1500, 1.0, 5, 50, -0.0863, -0.00228),
]


@pytest.mark.parametrize(("c", "g", "h", "x", "own_m", "mean_m"), ERRORS)
def test_straight_rays_at_the_arrays_or_the_mean_speed_are_as_wrong_as_published(c, g, h, x, own_m, mean_m):
    scenario = dataclasses.replace(
        STILL,
        sonar=dataclasses.replace(STILL.sonar, range_stop_m=x + 15.0),
        vehicle=dataclasses.replace(STILL.vehicle, depth_m=10.0, altitude_m=float(h)),
        water=WaterTable(
            noise=False,
            absorption_db_m=0.0,
            profile_depth_m=(0.0, 10.0 + h),
            profile_sound_speed_m_s=(c - 10 * g, c + h * g),
        ),
        targets=(spot(x, strength_db=20.0),),
    )
    _, delay, _ = delay_of(scenario)
    for speed, error in ((c, own_m), (c + g * h / 2, mean_m)):
        assert_allclose(np.sqrt((speed * delay / 2) ** 2 - h**2) - x, error, atol=5e-4)  # as stated there


# --- shadows of the water ------------------------------------------------------------------------------------


def test_seabed_beyond_the_last_ray_does_not_echo():
    # Faster with depth: rays launched flatter than the one that grazes the seabed turn back before it.
    water = WaterTable(
        noise=False,
        absorption_db_m=0.0,
        profile_depth_m=(0.0, 15.0),
        profile_sound_speed_m_s=(1500.0, 1530.0),
    )
    c = 1500 + 2.0 * np.array([7.0, 15.0])
    reach = np.sqrt(1 - (c[0] / c[1]) ** 2) * c[1] / 2.0
    for mode in ("fast", "reference"):
        for x, loud in ((reach - 0.5, True), (reach + 0.5, False)):
            target = spot(x, strength_db=30.0)
            scenario = dataclasses.replace(
                STILL,
                sonar=dataclasses.replace(STILL.sonar, range_stop_m=140.0),
                vehicle=dataclasses.replace(STILL.vehicle, ping_rate_hz=1.0),
                water=water,
                targets=(target,),
            )
            echo = next(echoes.simulate(scenario, mode=mode))[0].echo
            assert (np.abs(echo).max() > 0) == loud
            assert np.isnan(echoes.truth(scenario)["delay_starboard_s"]).any() != loud


def test_bodys_shadow_ends_where_the_bent_ray_over_its_top_lands():
    # A wall 0.7 m high along the leg, far side at 30.2 m. The ray that grazes its top comes down at its own angle there,
    # steeper than the straight line: the shadow is 0.35 m shorter.
    x, high = 30.2, 0.7
    p = parameter(x, 7.0, 15.0 - high)
    c = np.interp(np.linspace(15 - high, 15, 50), DEPTH, SPEED)
    bent = x + np.trapezoid(p * c / np.sqrt(1 - (p * c) ** 2), dx=high / 49)
    straight = x * 8 / (8 - high)
    assert straight - bent > 0.3
    wall = Target(kind="box", along_m=0.0, across_m=30.0, size_m=(40.0, 0.4, high), strength_db=-300.0)

    def loud(y):
        stone = Target(along_m=0.0, across_m=float(y), strength_db=20.0)
        scenario = dataclasses.replace(STILL, targets=(wall, stone))
        return np.abs(next(echoes.simulate(scenario))[0].echo).max() > 1e-3

    # The ray's bend over those three metres is left out: 4e-4 of a gradient of 0.2/s.
    assert [loud(bent - 0.05), loud(bent + 0.05)] == [False, True]
    assert not loud(30.5)
