"""Ways by surface and bottom against the independent echo sum, and against numbers worked out by hand."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from pingloom.simulate import echoes
from pingloom.simulate.motion import Track
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
from tests.reference import echo_sum, mirrors

C, WATER_M, DEPTH_M = 1500.0, 8.0, 3.0
WAVES = (
    Oscillation(axis="sway", amplitude_m=0.05, period_s=4.0, phase_deg=30),
    Oscillation(axis="heave", amplitude_m=0.05, period_s=3.0, phase_deg=60),
    Oscillation(axis="yaw", amplitude_deg=1.0, period_s=4.0, phase_deg=-20),
    Oscillation(axis="pitch", amplitude_deg=1.5, period_s=3.0),
    Oscillation(axis="roll", amplitude_deg=3.0, period_s=2.0, phase_deg=40),
)
POINTS = tuple(
    Target(along_m=a, across_m=x, height_m=h, strength_db=float(40 * np.log10(x)))
    for a, x, h in ((0.3, 9.0, 0.1), (-0.4, 14.0, 0.6), (0.9, 19.0, 0.2))
)
BARE = Scenario(
    sonar=SonarTable(
        n_channel=6, channel_pitch_m=0.1, receive_along_m=0.01875, range_stop_m=30.0, transmit_down_m=-0.03
    ),
    vehicle=VehicleTable(depth_m=DEPTH_M, n_ping=2, heading_deg=75.0, motion=WAVES),
    water=WaterTable(noise=False, absorption_db_m=0.11, depth_m=WATER_M),
    seabed=SeabedTable(present=False),
    surface=SurfaceTable(rms_m=0.0),
    multipath=MultipathTable(order=2, bottom_loss_db=8.0),
    targets=POINTS,
)


def independent(scenario, number, legs, factor, points=None):
    """One ping by the independent sum, legs named as it names them."""
    (own,) = echoes.sonars(scenario).values()
    sonar = echo_sum.Sonar(
        side=own.side,
        f_start_hz=own.frequency_start_hz,
        f_stop_hz=own.frequency_stop_hz,
        duration_s=own.pulse_duration_s,
        centre_hz=own.centre_frequency_hz,
        sample_interval_s=own.sample_interval_s,
        first_sample_delay_s=own.first_sample_delay_s,
        n_sample=own.n_sample,
        transmit_position_m=own.transmit_position_m,
        transmit_size_m=tuple(own.transmit_size_m),
        receive_size_m=tuple(own.receive_size_m),
        depression_rad=own.depression_rad,
        element_position_m=own.element_position_m,
    )
    track = Track.of(scenario)

    def pose(t):
        return np.concatenate([np.moveaxis(track.position(t), -1, 0), np.moveaxis(track.angles(t), -1, 0)])

    level = np.sqrt(2) * 1e-6 * 10 ** (scenario.sonar.source_level_db / 20)
    time = np.array([round(number * 1e9 / scenario.vehicle.ping_rate_hz) * 1e-9])
    (echo,) = mirrors.mirrored_echoes(
        sonar,
        pose,
        time,
        echoes.target_places(scenario) if points is None else points,
        level * 10 ** (np.array([t.strength_db for t in scenario.targets]) / 20),
        echo_sum.Water(sound_speed_m_s=C, absorption_db_m=scenario.water.absorption_db_m),
        legs=legs,
        bottom_m=WATER_M,
        factor=factor,
        padding=8.0,
    )
    return echo


def relative_rms(got, wanted):
    return np.linalg.norm(got - wanted) / np.linalg.norm(wanted)


def mirror(bounce, grazing):
    return np.full(grazing.shape, -1.0 if bounce == "s" else 10 ** (-8 / 20), complex)


ALL = list(itertools.product(("", "s", "b", "bs", "sb"), repeat=2))


@pytest.mark.parametrize(("order", "legs"), [(1, ("", "s", "b")), (2, ("", "s", "b", "bs", "sb"))])
def test_mirrored_echoes_of_a_moving_vehicle_are_the_independent_sum(order, legs):
    scenario = dataclasses.replace(BARE, multipath=MultipathTable(order=order, bottom_loss_db=8.0))
    expected = independent(scenario, 1, list(itertools.product(legs, legs)), mirror)
    # Tails of the band-limited shift that wrap at 3000 points: 2e-4 here, without bounces too.
    for mode, limit in (("reference", 3e-4), ("fast", 4e-4)):
        *_, (ping, _) = echoes.simulate(scenario, mode=mode, threads=1)
        assert relative_rms(ping.echo, expected) < limit, mode


def test_each_way_out_and_back_is_there_with_its_own_angles():
    """One point at a time, one pair of ways at a time: what is left of the sum without all others is that pair."""
    scenario = dataclasses.replace(
        BARE, targets=POINTS[:1], multipath=MultipathTable(order=1, bottom_loss_db=8.0)
    )
    *_, (ping, _) = echoes.simulate(scenario, mode="reference", threads=1)
    pairs = list(itertools.product(("", "s", "b"), repeat=2))
    alone = {pair: independent(scenario, 1, [pair], mirror) for pair in pairs}
    for pair in pairs:
        rest = sum(echo for other, echo in alone.items() if other != pair)
        # Tails that wrap are 2e-4 of the sum; the faintest pair is ten times that.
        assert np.linalg.norm(ping.echo - rest - alone[pair]) < 4e-4 * np.linalg.norm(ping.echo)
        assert np.linalg.norm(alone[pair]) > 3e-3 * np.linalg.norm(ping.echo)
    # Out by the surface and back straight is not back by the surface and out straight: the arrays look down at 25
    # degrees with other sizes and motions, so the two differ.
    assert relative_rms(alone["s", ""], alone["", "s"]) > 0.05


def test_roughness_and_bottom_are_eckarts_and_rayleighs():
    still = dataclasses.replace(BARE.vehicle, motion=(), speed_m_s=0.0, n_ping=1)
    sonar = dataclasses.replace(BARE.sonar, transmit_down_m=0.0)
    wavelength = C / 450e3
    scenario = dataclasses.replace(
        BARE,
        vehicle=still,
        sonar=sonar,
        surface=SurfaceTable(rms_m=0.15 * wavelength, loss_db=1.5),
        multipath=MultipathTable(
            order=2,
            diffuse=False,
            bottom_density_ratio=1.9,
            bottom_speed_ratio=1.1,
            bottom_loss_db_wavelength=0.0,
        ),
    )

    def factor(bounce, grazing):
        if bounce == "s":
            gamma = 2 * 2 * np.pi / wavelength * 0.15 * wavelength * np.sin(grazing)
            return -np.exp(-(gamma**2) / 2) * 10 ** (-1.5 / 20) + 0j
        n2 = 1 / 1.1**2
        root = np.sqrt(n2 - np.cos(grazing) ** 2 + 0j)
        root = np.where(root.imag > 0, -root, root)
        return (1.9 * np.sin(grazing) - root) / (1.9 * np.sin(grazing) + root)

    expected = independent(scenario, 0, ALL, factor)
    (ping, _) = next(echoes.simulate(scenario, mode="reference"))
    # Arrivals below 60 dB of a mirror's are left out.
    assert relative_rms(ping.echo, expected) < 5e-4


# --- roughness -------------------------------------------------------------------------------------------

# Patterns that hardly depend on the angle, so that what is left is energy.
ROUND = SonarTable(
    n_channel=2,
    channel_pitch_m=0.005,
    receive_along_m=0.002,
    receive_vertical_m=0.0003,
    transmit_along_m=0.002,
    transmit_vertical_m=0.0003,
    range_stop_m=20.0,
    depression_deg=0.0,
)


@pytest.mark.parametrize("rms", [0.06, 0.15, 1.5])
def test_what_the_coherent_bounce_loses_comes_back_by_facets(rms):
    """Mean energy over pings of one point's echoes, at roughness below, at and far above Rayleigh's limit."""
    wavelength, pings = C / 450e3, 150
    scenario = dataclasses.replace(
        BARE,
        sonar=ROUND,
        vehicle=dataclasses.replace(BARE.vehicle, motion=(), speed_m_s=0.0, n_ping=pings, ping_rate_hz=20.0),
        targets=(Target(along_m=0.0, across_m=12.0, height_m=0.5, strength_db=40.0),),
        surface=SurfaceTable(rms_m=rms * wavelength, slope_deg=2.0),
        multipath=MultipathTable(order=1, bottom_loss_db=120.0),
    )
    direct = independent(scenario, 0, [("", "")], mirror)
    ways = {pair: independent(scenario, 0, [pair], mirror) for pair in (("s", ""), ("", "s"), ("s", "s"))}
    sine = (DEPTH_M + 7.5) / np.hypot(12.0, DEPTH_M + 7.5)
    kept = np.exp(-2 * (2 * np.pi * rms * sine) ** 2)
    coherent = direct + kept * (ways["s", ""] + ways["", "s"]) + kept**2 * ways["s", "s"]
    energy = {pair: np.sum(np.abs(echo) ** 2) for pair, echo in ways.items()}
    lost = (1 - kept**2) * (energy["s", ""] + energy["", "s"]) + (1 - kept**4) * energy["s", "s"]
    found = [ping.echo for ping, _ in echoes.simulate(scenario)]
    assert_allclose(np.mean(found, axis=0), coherent, atol=0.15 * np.abs(coherent).max())
    diffuse = np.mean([np.sum(np.abs(echo - coherent) ** 2) for echo in found])
    # 150 pings of 64 facets each: the energy of one ping scatters by 0.5 of its mean, since the facets' delays overlap.
    assert_allclose(diffuse, lost, rtol=0.12)


def test_facets_are_new_each_ping_and_the_same_for_any_threads():
    scenario = dataclasses.replace(
        BARE,
        surface=SurfaceTable(wind_m_s=4.0),
        multipath=MultipathTable(order=1, bottom_loss_db=120.0),
        vehicle=dataclasses.replace(BARE.vehicle, n_ping=3, speed_m_s=0.0, motion=()),
    )
    one, two, three = (ping.echo for ping, _ in echoes.simulate(scenario, threads=1))
    straight = next(echoes.simulate(dataclasses.replace(scenario, multipath=None)))[0].echo
    a, b = (one - straight).ravel(), (two - straight).ravel()
    assert abs(np.vdot(a, b)) < 0.3 * np.linalg.norm(a) * np.linalg.norm(b)
    for threads in (2, 3):
        for wanted, (ping, _) in zip(
            (one, two, three), echoes.simulate(scenario, threads=threads), strict=True
        ):
            assert_array_equal(ping.echo, wanted)
    (resumed, _) = next(echoes.simulate(scenario, first=2))
    assert_array_equal(resumed.echo, three)
