"""Echoes through water with a profile: against the independent simulator, the ray itself, and the straight case."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from pingloom.simulate import echoes
from pingloom.simulate.motion import Track
from pingloom.simulate.rays import Column, eigenrays
from pingloom.simulate.scenario import (
    MultipathTable,
    Oscillation,
    Scenario,
    SeabedTable,
    SonarTable,
    SurfaceTable,
    Target,
    VehicleTable,
    WaterTable,
)
from tests.reference import echo_sum

WAVES = (
    Oscillation(axis="sway", amplitude_m=0.1, period_s=4.0, phase_deg=30),
    Oscillation(axis="heave", amplitude_m=0.05, period_s=3.0, phase_deg=60),
    Oscillation(axis="yaw", amplitude_deg=2.0, period_s=4.0, phase_deg=-20),
    Oscillation(axis="pitch", amplitude_deg=1.5, period_s=3.0),
    Oscillation(axis="roll", amplitude_deg=4.0, period_s=2.0, phase_deg=40),
)
SONAR = SonarTable(
    n_channel=12,
    channel_pitch_m=0.05,  # 0.6 m long, with gaps
    receive_along_m=0.01875,
    range_stop_m=40.0,
    array_forward_m=0.4,
    array_starboard_m=0.1,
    array_down_m=0.05,
    transmit_forward_m=0.07,
    transmit_down_m=-0.03,
    depression_deg=15.0,
)
# Invented profiles, the vehicle at 8 m and the seabed at 14 m: bending up, down, and thermoclines below and around it.
PROFILES = {
    "one speed": ((0.0, 14.0), (1500.0, 1500.0)),
    "slower with depth": ((0.0, 14.0), (1510.0, 1496.0)),
    "faster with depth": ((0.0, 14.0), (1490.0, 1504.0)),
    "thermocline below": ((0.0, 9.0, 11.0, 14.0), (1521.0, 1520.0, 1495.0, 1494.0)),
    "thermocline around": (
        (0.0, 4.0, 6.0, 9.0, 12.0, 14.0),
        (1521.0, 1520.0, 1515.0, 1500.0, 1495.0, 1494.0),
    ),
}


def points(n=30, seed=2):
    """Points that echo about equally loud, from 7 to 38 m and to both ends of the main lobe."""
    rng = np.random.default_rng(seed)
    across = rng.uniform(7, 38, n)
    return tuple(
        Target(
            along_m=float(0.4 + rng.uniform(-0.1, 0.1) * y),
            across_m=float(y),
            height_m=float(rng.uniform(0, 1)),
            strength_db=float(40 * np.log10(y) + rng.uniform(-3, 3)),
        )
        for y in across
    )


def water(name, **more):
    depth, speed = PROFILES[name]
    return WaterTable(
        noise=False, absorption_db_m=0.11, profile_depth_m=depth, profile_sound_speed_m_s=speed, **more
    )


BARE = Scenario(
    sonar=SONAR,
    vehicle=VehicleTable(
        altitude_m=6.0, depth_m=8.0, heading_deg=75.0, n_ping=2, start_north_m=40.0, motion=WAVES
    ),
    water=WaterTable(noise=False, absorption_db_m=0.11),
    seabed=SeabedTable(present=False),
    targets=points(),
)


def relative_rms(got, wanted):
    return np.linalg.norm(got - wanted) / np.linalg.norm(wanted)


def last_echo(scenario, mode):
    *_, (ping, _) = echoes.simulate(scenario, mode=mode, threads=1)
    return ping.echo


# --- the table of rays and the rays themselves ------------------------------------------------------------


@pytest.mark.parametrize("profile", PROFILES)
def test_fast_mode_keeps_its_promise_along_bent_rays(profile):
    scenario = dataclasses.replace(BARE, water=water(profile))
    # Taps alone: 1.3e-4. Every ray of the reference is solved on its own, for each receiver.
    assert relative_rms(last_echo(scenario, "fast"), last_echo(scenario, "reference")) < 3e-4


@pytest.mark.parametrize("profile", ["faster with depth", "thermocline below"])
def test_fast_mode_keeps_it_on_rough_ground_and_bodies_and_by_two_rows(profile):
    scenario = dataclasses.replace(
        BARE,
        water=water(profile),
        vehicle=dataclasses.replace(BARE.vehicle, n_ping=1),
        sonar=dataclasses.replace(SONAR, n_channel=4, channel_pitch_m=0.15, n_row=2, range_stop_m=18.0),
        seabed=SeabedTable(per_cell=0.1, slope_across_deg=3.0),
        targets=(Target(kind="box", along_m=0.0, across_m=12.0, strength_db=-15.0),),
    )
    fast, exact = last_echo(scenario, "fast"), last_echo(scenario, "reference")
    assert relative_rms(fast, exact) < 3e-4


def test_profile_of_one_speed_is_the_straight_case():
    scenario = dataclasses.replace(BARE, water=water("one speed"))
    assert scenario.sound_speed_m_s == pytest.approx(1500.0, rel=1e-15)
    assert relative_rms(last_echo(scenario, "reference"), last_echo(BARE, "reference")) < 1e-8
    assert relative_rms(last_echo(scenario, "fast"), last_echo(BARE, "fast")) < 3e-4


def test_weaker_gradients_come_to_the_straight_case_in_proportion():
    straight = last_echo(BARE, "reference")

    def departure(gradient):
        table = WaterTable(
            noise=False,
            absorption_db_m=0.11,
            profile_depth_m=(0.0, 14.0),
            profile_sound_speed_m_s=(1500 - 11 * gradient, 1500 + 3 * gradient),
        )
        return relative_rms(last_echo(dataclasses.replace(BARE, water=table), "reference"), straight)

    # A carrier of 450 kHz over 50 ms: a gradient of 1e-7/s turns it by some 1e-5 rad.
    small, smaller = departure(1e-6), departure(1e-7)
    assert_allclose(small / smaller, 10, rtol=1e-2)
    assert smaller < 1e-4


def test_bytes_do_not_depend_on_threads_and_first_ping():
    scenario = dataclasses.replace(BARE, water=water("thermocline around"))
    one = [p.echo for p, _ in echoes.simulate(scenario, threads=1)]
    for a, (b, _) in zip(one, echoes.simulate(scenario, threads=2), strict=True):
        assert_array_equal(a, b.echo)
    assert_array_equal(next(echoes.simulate(scenario, first=1))[0].echo, one[1])


# --- the independent simulator ---------------------------------------------------------------------------

# Sonar, water and points of the independent scene with a gradient: 1505 m/s at the surface, 0.6 m/s slower each metre.
GRADIENT = Scenario(
    sonar=SonarTable(
        n_channel=20,
        channel_pitch_m=30e-3,
        receive_vertical_m=20e-3,
        transmit_along_m=50e-3,
        transmit_vertical_m=20e-3,
        array_forward_m=0.8,
        array_starboard_m=0.1,
        transmit_forward_m=-0.5,
        depression_deg=20.0,
        centre_frequency_hz=200e3,
        sweep_hz=20e3,
        pulse_duration_s=3e-3,
        range_start_m=16.0,
        range_stop_m=34.0,
        source_level_db=200.0,
    ),
    vehicle=VehicleTable(
        depth_m=10.0,
        altitude_m=10.0,
        speed_m_s=2.0,
        heading_deg=340.0,
        ping_rate_hz=10.0,
        n_ping=2,
        motion=(
            Oscillation(axis="yaw", amplitude_deg=1.0, period_s=5.0, phase_deg=115.0),
            Oscillation(axis="pitch", amplitude_deg=2.0, period_s=9.0, phase_deg=80.0),
        ),
    ),
    water=WaterTable(
        noise=False,
        absorption_db_m=0.0,
        profile_depth_m=(0.0, 20.0),
        profile_sound_speed_m_s=(1505.0, 1493.0),
    ),
    seabed=SeabedTable(present=False),
)
SPOTS = ((0.4, 15.0), (0.7, 28.0))


def as_reference(scenario):
    """The independent simulator's sonar, pose and water for a scenario."""
    (sonar,) = echoes.sonars(scenario).values()
    track = Track.of(scenario)
    described = echo_sum.Sonar(
        side=sonar.side,
        f_start_hz=sonar.frequency_start_hz,
        f_stop_hz=sonar.frequency_stop_hz,
        duration_s=sonar.pulse_duration_s,
        centre_hz=sonar.centre_frequency_hz,
        sample_interval_s=sonar.sample_interval_s,
        first_sample_delay_s=sonar.first_sample_delay_s,
        n_sample=sonar.n_sample,
        transmit_position_m=sonar.transmit_position_m,
        transmit_size_m=tuple(sonar.transmit_size_m),
        receive_size_m=tuple(sonar.receive_size_m),
        depression_rad=sonar.depression_rad,
        element_position_m=sonar.element_position_m,
    )

    def pose(t):
        t = np.asarray(t, float)
        rows = np.concatenate([track.position(t.ravel()), track.angles(t.ravel())], axis=-1)
        return rows.T.reshape(6, *t.shape)

    return described, pose, echo_sum.Water(sound_speed_m_s=1505.0, gradient_per_s=-0.6)


@pytest.mark.parametrize("spot", SPOTS)
def test_echo_has_the_independent_simulators_delay_at_every_receiver(spot):
    scenario = dataclasses.replace(
        GRADIENT, targets=(Target(along_m=spot[0], across_m=spot[1], strength_db=30.0),)
    )
    sonar, pose, gradient = as_reference(scenario)
    place = echoes.target_places(scenario)
    expected = echo_sum.echoes(
        sonar, pose, [0.1], place, np.ones(1, complex), gradient, unit_amplitude=True, padding=8.0
    )[0, 0]
    for mode, limit_rad in (("reference", 2e-6), ("fast", 3e-4)):
        got = last_echo(scenario, mode)[0]
        factor = np.sum(got * expected.conj(), axis=-1) / np.sum(np.abs(expected) ** 2, axis=-1)
        # 1e-6 rad of 200 kHz is 1e-12 s. The independent simulator's amplitudes are those of straight lines: compared apart.
        assert_allclose(np.angle(factor), 0, atol=limit_rad)
        # What differs is how far the pulse's abrupt ends ring around a finite transform.
        assert relative_rms(got, factor[:, None] * expected) < 1e-3


def test_truths_delays_are_the_independent_simulators():
    targets = tuple(Target(along_m=a, across_m=b) for a, b in SPOTS)
    scenario = dataclasses.replace(GRADIENT, targets=targets)
    sonar, pose, gradient = as_reference(scenario)
    truth = echoes.truth(scenario)["delay_starboard_s"]
    middle = sonar.element_position_m[0].mean(axis=0)
    for number in range(2):
        time = 0.1 * number + sonar.duration_s / 2
        expected = echo_sum.delays(
            echo_sum.place(pose, np.array(time), sonar.transmit_position_m),
            lambda t: echo_sum.place(pose, t, middle),
            echoes.target_places(scenario).T,
            time,
            gradient,
        )
        assert_allclose(truth[:, number, 0], expected, rtol=0, atol=2e-12)  # that iteration's own limit


# --- by way of surface and bottom -------------------------------------------------------------------------

BOUNCED = dataclasses.replace(
    BARE,
    vehicle=dataclasses.replace(BARE.vehicle, n_ping=1),
    sonar=dataclasses.replace(SONAR, n_channel=6, channel_pitch_m=0.1, range_stop_m=30.0),
    multipath=MultipathTable(order=2),
    surface=SurfaceTable(rms_m=3e-4, slope_deg=4.0, backscatter_db=-40.0, per_cell=0.05),
    targets=tuple(t for t in points(12, seed=5) if t.across_m < 27),
)


@pytest.mark.parametrize("rows", [1, 2])
def test_bounces_in_water_of_one_speed_are_those_of_straight_ways(rows):
    scenario = dataclasses.replace(BOUNCED, sonar=dataclasses.replace(BOUNCED.sonar, n_row=rows))
    layered = dataclasses.replace(scenario, water=water("one speed"))
    for mode, limit in (("reference", 1e-7), ("fast", 3e-4)):
        assert relative_rms(last_echo(layered, mode), last_echo(scenario, mode)) < limit


def test_fast_mode_keeps_to_the_exact_rays_of_images():
    scenario = dataclasses.replace(BOUNCED, water=water("thermocline below"))
    fast, exact = last_echo(scenario, "fast"), last_echo(scenario, "reference")
    direct = last_echo(dataclasses.replace(scenario, multipath=MultipathTable(), surface=None), "reference")
    # Images are tabled to 6e-3 rad; the direct echoes, to 6e-5, are the louder ones.
    assert relative_rms(fast, exact) < 2e-3
    assert relative_rms(direct, exact) > 0.05


def test_echo_by_the_surface_comes_when_the_unfolded_ray_says():
    """One point, one bounce: out by the surface, back straight, and the other way round."""
    table = water("thermocline around", absorption_model=None)
    spot = Target(along_m=0.4, across_m=20.0, strength_db=40.0)
    scenario = dataclasses.replace(
        BOUNCED,
        water=table,
        sonar=SonarTable(
            n_channel=2,
            channel_pitch_m=0.02,
            range_stop_m=30.0,
            depression_deg=0.0,
            pulse_duration_s=1e-4,
            transmit_vertical_m=1e-5,
            receive_vertical_m=1e-5,
        ),
        vehicle=VehicleTable(altitude_m=6.0, depth_m=8.0, n_ping=1, speed_m_s=0.0),
        multipath=MultipathTable(order=1, diffuse=False),
        surface=SurfaceTable(rms_m=0.0),
        targets=(spot,),
    )
    column = Column(
        depth_m=np.array(table.profile_depth_m),
        sound_speed_m_s=np.array(table.profile_sound_speed_m_s),
        absorption_neper_m=np.zeros(5),
    )
    x = float(np.hypot(20.0, 0.4))
    straight = eigenrays(column, 8.0, 14.0, x)
    raised = eigenrays(column.unfolded(above=1), 8.0, -14.0, x)
    (sonar,) = echoes.sonars(scenario).values()
    pulse = echoes.replica(sonar)
    with_bounce = last_echo(scenario, "reference")[0, 0]
    without = last_echo(dataclasses.replace(scenario, multipath=MultipathTable()), "reference")[0, 0]
    fine = 64
    found = np.fft.fft(with_bounce - without, 4096) * np.fft.fft(pulse, 4096).conj()
    found = np.abs(np.fft.ifft(np.concatenate([found[:2048], np.zeros((fine - 1) * 4096), found[2048:]])))
    expected = np.array([straight.time_s + raised.time_s, 2 * raised.time_s])
    for time in expected:
        n = round(time * 40e3 * fine)
        near = found[n - 20 : n + 21]
        # 10 mm off the transmitter's own place: 1 mm of path; the grid's step is 0.4 us.
        assert abs(np.argmax(near) - 20) <= 2
    # Twice, since both orders arrive together: two amplitudes of one, against one bounce each way.
    peaks = [found[round(t * 40e3 * fine)] for t in expected]
    loss = [
        2
        / (straight.spreading_m * raised.spreading_m)
        * 10 ** (-0.11 * (straight.length_m + raised.length_m) / 20),
        1 / raised.spreading_m**2 * 10 ** (-0.11 * 2 * raised.length_m / 20),
    ]
    assert_allclose(peaks[1] / peaks[0], loss[1] / loss[0], rtol=0.03)  # sidelobes of one in the other
