"""Ways with mirrors through the choice of scatterers: laws, what stands in the way, late and strayed echoes, refusals."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from pingloom.imaging.errors import ParameterError
from pingloom.simulate import echoes
from pingloom.simulate.bounces import Bounces, Viewers
from pingloom.simulate.scenario import (
    LeakageTable,
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
from pingloom.simulate.scene import Scatterers

WATER_M, DEPTH_M = 8.0, 3.0
QUIET = WaterTable(noise=False, depth_m=WATER_M, absorption_db_m=0.1)
STILL = VehicleTable(depth_m=DEPTH_M, n_ping=1, speed_m_s=0.0)
SHALLOW = Scenario(
    sonar=SonarTable(n_channel=4, range_stop_m=20.0),
    vehicle=STILL,
    water=QUIET,
    seabed=SeabedTable(present=False),
    surface=SurfaceTable(rms_m=0.0),
    multipath=MultipathTable(order=1, bottom_loss_db=120.0),
)
NO_RELIEF = np.zeros((1, 6))
TOWARDS_STARBOARD = np.array([[1.0, 0, 0], [0, 0, -1.0], [0, 1.0, 0]])


def met(scenario, place, *, solid=None):
    """All arrivals from one piece of level seabed, by pair of ways: modulus, phase, both images."""
    bounces = Bounces.plan(scenario)
    here = np.array([0.0, 0.0, DEPTH_M])
    viewers = Viewers(here, TOWARDS_STARBOARD, here, TOWARDS_STARBOARD[2])
    points = Scatterers(np.array(place)[:, None], np.ones(1), np.zeros(1), np.array([0.0, 0.0, -1.0]))
    solid = np.zeros((0, 17)) if solid is None else solid
    found = {}
    for pair in bounces.to_seabed:
        one = dataclasses.replace(bounces, to_seabed=(pair,), to_bodies=())
        for point, n in one.met(
            [(points, 2.0)], [], [], viewers, (0.0, 200.0), solid, NO_RELIEF, np.random.default_rng(1)
        ):
            assert n == 1
            found[pair.out.bounces, pair.back.bounces] = point[:, 0].copy()
    return found


def test_both_ways_with_one_bounce_are_alike_in_strength_and_apart_in_direction():
    found = met(SHALLOW, (0.0, 12.0, WATER_M))
    direct, bounced = np.hypot(12, WATER_M - DEPTH_M), np.hypot(12, WATER_M + DEPTH_M)
    sines = (WATER_M - DEPTH_M) / direct, (WATER_M + DEPTH_M) / bounced
    # Lambert's law for two directions: the root of both sines, in amplitude.
    assert_allclose(found["S", ""][3], np.sqrt(sines[0] * sines[1]))
    assert_allclose(found["", "S"][3], np.sqrt(sines[0] * sines[1]))
    assert_allclose(found["S", "S"][3], sines[1])
    assert_allclose([found[k][4] % 1 for k in (("S", ""), ("", "S"), ("S", "S"))], [0.5, 0.5, 0.0])
    # Received from the seabed, sent to the surface, and the other way round.
    assert_allclose(found["S", ""][[2, 7]], [WATER_M, -WATER_M])
    assert_allclose(found["", "S"][[2, 7]], [-WATER_M, WATER_M])


def test_lower_bounces_need_the_bottom():
    scenario = dataclasses.replace(SHALLOW, multipath=MultipathTable(order=2, bottom_loss_db=10.0))
    found = met(scenario, (0.0, 12.0, WATER_M))
    steep = 3 * WATER_M - DEPTH_M
    sine = steep / np.hypot(12, steep)
    assert_allclose(found["BS", "BS"][3], 10 ** (-10 / 10) * sine, rtol=1e-12)
    assert_allclose(found["BS", "BS"][[2, 7]], 3 * WATER_M)


BOX = Target(kind="box", along_m=0.0, across_m=9.0, size_m=(3.0, 0.6, 1.0), strength_db=-90.0)


def test_a_bounce_sees_what_lies_in_the_shadow():
    """Behind a box 1 m high the straight shadow ends at 11.6 m, the one from the surface's image at 10.2 m."""
    hidden = Target(along_m=0.0, across_m=10.6, height_m=0.0, strength_db=20.0)
    alone, behind = (dataclasses.replace(SHALLOW, targets=t) for t in ((hidden,), (BOX, hidden)))
    echo = (
        next(echoes.simulate(behind))[0].echo
        - next(echoes.simulate(dataclasses.replace(behind, targets=(BOX,))))[0].echo
    )
    straight = dataclasses.replace(alone, multipath=None)
    everything = np.sum(np.abs(next(echoes.simulate(alone))[0].echo) ** 2)
    assert_array_equal(next(echoes.simulate(dataclasses.replace(straight, targets=(BOX, hidden))))[0].echo,
                       next(echoes.simulate(dataclasses.replace(straight, targets=(BOX,))))[0].echo)  # fmt: skip
    # Only by the surface both ways: the pulse begins 2 x the bounced way later, nothing before.
    first = 2 * np.hypot(10.6, WATER_M + DEPTH_M) / 1500 * 40e3
    energy = np.abs(echo[0, 0]) ** 2
    assert energy[: int(first) - 40].sum() < 1e-3 * energy.sum()
    # Upwards at 46 degrees, far outside the vertical pattern's main lobe.
    assert 5e-5 * everything < np.sum(energy) * 4 < 0.05 * everything


def test_a_tall_body_stands_in_the_bounced_way_too():
    tall = dataclasses.replace(BOX, size_m=(3.0, 0.6, 5.0))
    hidden = Target(along_m=0.0, across_m=10.0, strength_db=20.0)
    both, without = (dataclasses.replace(SHALLOW, targets=t) for t in ((tall, hidden), (tall,)))
    assert_array_equal(next(echoes.simulate(both))[0].echo, next(echoes.simulate(without))[0].echo)


# --- off is off ------------------------------------------------------------------------------------------

SMALL = Scenario(
    seed=11,
    sonar=SonarTable(sides="both", n_channel=2, range_stop_m=10.0),
    vehicle=VehicleTable(
        altitude_m=5.0,
        depth_m=4.0,
        n_ping=3,
        motion=(Oscillation(axis="roll", amplitude_deg=3.0, period_s=2.0),),
    ),
    water=WaterTable(noise_db=40.0),
    seabed=SeabedTable(per_cell=1.0),
    targets=(Target(kind="box", along_m=0.5, across_m=8.0, strength_db=-15.0),),
)
EVERYTHING = dataclasses.replace(
    SMALL,
    multipath=MultipathTable(order=1, previous_pings=1),
    surface=SurfaceTable(wind_m_s=4.0, backscatter_db=-30.0, bragg=True),
    leakage=LeakageTable(acoustic_db=-20.0, electrical_db=-40.0),
)


def test_tables_that_do_nothing_change_no_byte_and_absent_ones_are_not_written():
    off = dataclasses.replace(
        SMALL, multipath=MultipathTable(), surface=SurfaceTable(wind_m_s=5.0), leakage=LeakageTable()
    )
    for (a, _), (b, _) in zip(echoes.simulate(SMALL), echoes.simulate(off), strict=True):
        assert_array_equal(a.echo, b.echo)
    assert not {"multipath", "surface", "leakage"} & set(SMALL.to_dict())
    assert Scenario.from_dict(EVERYTHING.to_dict()) == EVERYTHING


def test_bytes_depend_on_neither_threads_nor_pings_before():
    all_pings = [ping.echo for ping, _ in echoes.simulate(EVERYTHING, threads=1)]
    for wanted, (ping, _) in zip(all_pings, echoes.simulate(EVERYTHING, threads=3), strict=True):
        assert_array_equal(ping.echo, wanted)
    for wanted, (ping, _) in zip(all_pings[4:], echoes.simulate(EVERYTHING, first=2), strict=True):
        assert_array_equal(ping.echo, wanted)


def test_all_mechanisms_together_keep_the_fast_modes_promise():
    scenario = dataclasses.replace(
        EVERYTHING, water=WaterTable(noise=False), sonar=dataclasses.replace(SMALL.sonar, n_channel=2)
    )
    scenario = dataclasses.replace(scenario, seabed=SeabedTable(per_cell=0.3))
    pairs = zip(echoes.simulate(scenario), echoes.simulate(scenario, mode="reference"), strict=True)
    for (fast, _), (exact, _) in pairs:
        assert np.linalg.norm(fast.echo - exact.echo) < 3e-4 * np.linalg.norm(exact.echo)


# --- late echoes -----------------------------------------------------------------------------------------

MOVING = VehicleTable(
    altitude_m=6.0,
    n_ping=3,
    ping_rate_hz=20.0,
    motion=(Oscillation(axis="sway", amplitude_m=0.1, period_s=4.0, phase_deg=40),),
)
FAR = tuple(Target(along_m=0.5, across_m=x, strength_db=30.0) for x in (42.0, 47.0, 85.0))
FOLDED = Scenario(
    sonar=SonarTable(n_channel=4, range_stop_m=20.0),
    vehicle=MOVING,
    water=QUIET,
    seabed=SeabedTable(present=False),
    targets=FAR,
    multipath=MultipathTable(previous_pings=2),
)


def test_echoes_of_earlier_pings_are_those_of_a_sonar_that_listens_on():
    """50 ms from ping to ping, 37.5 m of range: what a longer record holds after 50 and 100 ms folds onto its start."""
    folded = [ping.echo for ping, _ in echoes.simulate(FOLDED, mode="reference")]
    patient = dataclasses.replace(
        FOLDED,
        sonar=dataclasses.replace(FOLDED.sonar, range_stop_m=100.0),
        vehicle=dataclasses.replace(MOVING, n_ping=1, ping_rate_hz=5.0),
        multipath=None,
    )
    long = next(echoes.simulate(patient, mode="reference"))[0].echo
    turn = np.exp(2j * np.pi * 450e3 * 0.05)  # phases are told from each ping's own start
    n = folded[0].shape[-1]
    assert_array_equal(folded[0], 0)
    once = long[..., 2000 : 2000 + n] * turn
    assert np.linalg.norm(folded[1] - once) < 2e-3 * np.linalg.norm(once)  # tails that wrap at other lengths
    # Ping 2 hears ping 1 after 50 ms, like this, and ping 0 after 100 ms: the target at 85 m.
    twice = long[..., 4000 : 4000 + n] * turn**2
    assert np.linalg.norm(twice) > 0.05 * np.linalg.norm(once)
    once_only = dataclasses.replace(FOLDED, targets=FAR[:2], multipath=MultipathTable(previous_pings=1))
    others = next(echoes.simulate(once_only, first=2, mode="reference"))[0].echo
    assert np.linalg.norm(folded[2] - others - twice) < 5e-3 * np.linalg.norm(twice)


def test_seabed_goes_on_beyond_the_range_and_is_the_same_within():
    scenario = Scenario(
        sonar=SonarTable(n_channel=2, range_stop_m=18.0),
        vehicle=VehicleTable(altitude_m=6.0, n_ping=2, ping_rate_hz=30.0),
        water=QUIET,
        seabed=SeabedTable(per_cell=1.0),
    )
    late = dataclasses.replace(scenario, multipath=MultipathTable(previous_pings=1))
    first, second = ([p.echo for p, _ in echoes.simulate(s)] for s in (scenario, late))
    assert_array_equal(first[0], second[0])
    # 25 m of range from ping to ping: 25 to 43 m fold onto 0 to 18 m, into the water column too.
    column = slice(100, 280)
    assert np.abs(first[1][..., column]).mean() < 0.2 * np.abs(second[1][..., column]).mean()
    # Lambert's law and spreading, and a pattern 8 degrees and more above the axis.
    difference = second[1] - first[1]
    assert 1e-4 < np.sum(np.abs(difference) ** 2) / np.sum(np.abs(first[1]) ** 2) < 0.1


# --- leakage ---------------------------------------------------------------------------------------------

BOTH = Scenario(
    sonar=SonarTable(sides="both", n_channel=4, range_stop_m=14.0, transmit_forward_m=0.05),
    vehicle=VehicleTable(altitude_m=5.0, depth_m=4.0, n_ping=2),
    water=WaterTable(noise=False),
    seabed=SeabedTable(per_cell=1.0),
)


def by_side(scenario):
    found = {"port": [], "starboard": []}
    for ping, _ in echoes.simulate(scenario):
        found[ping.side].append(ping.echo)
    return {side: np.array(echo) for side, echo in found.items()}


def test_sound_strays_to_the_other_side_at_the_stated_level():
    """Arrays at one place: what strays to a side is the other side's echo, so much weaker."""
    plain = by_side(BOTH)
    leaky = by_side(dataclasses.replace(BOTH, leakage=LeakageTable(acoustic_db=-26.0)))
    for side, other in (("port", "starboard"), ("starboard", "port")):
        expected = 10 ** (-26 / 20) * plain[other]
        # float32 steps of the own echo
        assert np.linalg.norm(leaky[side] - plain[side] - expected) < 2e-4 * np.linalg.norm(plain[side])
        assert np.linalg.norm(expected) > 0.02 * np.linalg.norm(plain[side])


def test_one_side_alone_hears_the_other_by_both_backs():
    starboard = dataclasses.replace(BOTH, sonar=dataclasses.replace(BOTH.sonar, sides="starboard"))
    leaky = dataclasses.replace(starboard, leakage=LeakageTable(acoustic_db=-13.0))
    port = by_side(BOTH)["port"]
    strayed = by_side(leaky)["starboard"] - by_side(starboard)["starboard"]
    assert np.linalg.norm(strayed - 10 ** (-26 / 20) * port) < 3e-3 * np.linalg.norm(strayed)


def test_channels_of_both_sides_mix_with_a_fixed_phase():
    plain = by_side(BOTH)
    table = LeakageTable(electrical_db=-30.0, electrical_phase_deg=60.0)
    mixed = by_side(dataclasses.replace(BOTH, leakage=table))
    weight = 10 ** (-30 / 20) * np.exp(1j * np.pi / 3)
    for side, other in (("port", "starboard"), ("starboard", "port")):
        assert_allclose(
            mixed[side], plain[side] + weight * plain[other], atol=1e-5 * np.abs(plain[side]).max()
        )


# --- refusals --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"multipath": MultipathTable(order=1)}, "with surface.rms_m or surface.wind_m_s. surface.rms_m = 0"),
        (
            {"multipath": MultipathTable(order=1), "surface": SurfaceTable(rms_m=0.01)},
            "surface.rms_m is 0.01 without a slope; allowed: with surface.slope_deg",
        ),
        (
            {"multipath": MultipathTable(order=1), "surface": SurfaceTable(rms_m=0.0), "vehicle": VehicleTable(altitude_m=5.0)},
            "the surface nowhere; allowed: with vehicle.depth_m or water.depth_m",
        ),
        (
            {"multipath": MultipathTable(order=2), "surface": SurfaceTable(rms_m=0.0), "seabed": SeabedTable(slope_across_deg=2.0)},
            "multipath.order is 2 over a seabed that slopes; allowed: 0 or 1 there",
        ),
        ({"leakage": LeakageTable(electrical_db=-40.0)}, "leakage.electrical_db is -40 with one side's"),
    ],
)  # fmt: skip
def test_what_contradicts_is_refused_by_name(changes, message):
    base = Scenario(vehicle=VehicleTable(altitude_m=5.0, depth_m=4.0))
    with pytest.raises(ParameterError, match=message):
        dataclasses.replace(base, **changes)


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ({"multipath": {"order": 5}}, "multipath.order is 5; allowed: from 0 to 4"),
        ({"multipath": {"previous_pings": -1}}, "multipath.previous_pings is -1; allowed: from 0 to 3"),
        ({"multipath": {"oder": 1}}, "multipath has no setting 'oder'; did you mean 'order'"),
        ({"surface": {"wind_m_s": 99.0}}, "surface.wind_m_s is 99; allowed: from 0 to 30"),
        ({"leakage": {"acoustic_db": 3.0}}, "leakage.acoustic_db is 3; allowed: from -160 to 0"),
    ],
)
def test_a_wrong_table_is_refused_by_name(table, message):
    with pytest.raises(ParameterError, match=message):
        Scenario.from_dict(table)
