"""Pulses of other sounders at their time, level and direction; bubbles as decibels on the way."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from pingloom.simulate import echoes
from pingloom.simulate.scenario import Scenario, SeabedTable, SonarTable, Target, VehicleTable, WaterTable

C = 1500.0
BARE = Scenario(
    seed=3,
    sonar=SonarTable(n_channel=4, range_stop_m=30.0, sides="both", pulse_duration_s=1e-3, depression_deg=0.0),
    vehicle=VehicleTable(altitude_m=6.0, n_ping=12, speed_m_s=1.0),
    water=WaterTable(noise=False, sound_speed_m_s=C, absorption_db_m=0.0),
    seabed=SeabedTable(present=False),
)


def with_tables(scenario=BARE, **tables):
    made = Scenario.from_dict(tables)
    names = [name for name in ("noise", "bubbles") if name in tables]
    return dataclasses.replace(scenario, **{name: getattr(made, name) for name in names})


def samples(scenario):
    """By side, (ping, row, channel, sample)."""
    out = {side: [] for side in scenario.sonar.side_names}
    for ping, _ in echoes.simulate(scenario):
        out[ping.side].append(ping.echo)
    return {side: np.array(pings) for side, pings in out.items()}


SOUNDER = {
    "ping_rate_hz": 2.5,
    "frequency_hz": 455e3,
    "level_db": 120.0,
    "pulse_duration_s": 4e-3,
    "first_s": 0.115,
    "from_deg": 60.0,
    "up_deg": 10.0,
}


def test_pulses_come_when_they_are_due_and_as_loud_as_said():
    scenario = with_tables(noise={"sounders": [SOUNDER]})
    got = samples(scenario)["starboard"]
    starts = 0.115 + np.arange(3) / 2.5
    pings = np.rint(np.arange(12) * (1e9 / 11)) * 1e-9
    due = []
    for start in starts:
        ping = int(np.flatnonzero(pings <= start)[-1])
        delay = start - pings[ping]
        if delay < 0.04:
            due.append((ping, 0, delay, 120.0))
    assert len(due) >= 2
    assert_allclose(echoes.truth(scenario)["sounder_starboard"], due, atol=1e-12)
    loud = np.abs(got).max(axis=(1, 2, 3)) > 0
    assert list(np.flatnonzero(loud)) == [row[0] for row in due]
    for ping, _, delay, level in due:
        # Between its edges of a tenth the pulse has its level: rms of the pressure, so sqrt(2) times that here.
        first, last = (int(np.ceil((delay + part * 4e-3) * 40e3)) + 1 for part in (0.1, 0.9))
        inner = np.abs(got[ping, 0, :, first : last - 2])
        assert_allclose(inner, np.sqrt(2) * 1e-6 * 10 ** (level / 20), rtol=1e-4)
        assert np.abs(got[ping, ..., : int(delay * 40e3) - 1]).max() == 0
    assert len(echoes.truth(scenario)["sounder_port"]) == 0  # its array looks the other way
    assert np.abs(samples(scenario)["port"]).max() == 0


def test_pulses_cross_the_array_as_a_plane_wave_of_their_frequency():
    scenario = with_tables(noise={"sounders": [SOUNDER]})
    got = samples(scenario)["starboard"]
    ping, _, delay, _ = echoes.truth(scenario)["sounder_starboard"][0]
    k = int((delay + 2e-3) * 40e3)
    wave = got[int(ping), 0, :, k].astype(complex)
    # A wave from 60 degrees off the bow, 10 up, reaches receivers further forward earlier.
    along = np.cos(np.deg2rad(60)) * np.cos(np.deg2rad(10)) * 0.01875
    turn = np.exp(2j * np.pi * 455e3 * along / C)
    assert_allclose(wave[1:] / wave[:-1], np.full(3, turn), atol=1e-3)
    step = np.angle(got[int(ping), 0, 0, k + 1] / got[int(ping), 0, 0, k])
    assert_allclose(step, 2 * np.pi * 5e3 / 40e3, atol=1e-3)


def test_phase_and_level_of_a_pulse_are_drawn_or_steady():
    fast = SOUNDER | {"ping_rate_hz": 11.0, "first_s": 0.01, "frequency_hz": 450e3}

    def values(**more):
        scenario = with_tables(noise={"sounders": [fast | more]})
        return samples(scenario)["starboard"][:, 0, 0, 480], echoes.truth(scenario)["sounder_starboard"]

    steady, _ = values(phase="steady")
    # 450 kHz in steps of 1/11 s rounded to ns: the pulse starts at the same phase each time, within 1e-9 * 450e3 turns.
    assert np.abs(steady / steady[0] - 1).max() < 5e-3
    random, rows = values(level_rms_db=3.0)
    assert np.abs(random / np.abs(random) - random[0] / np.abs(random[0])).max() > 0.5
    assert_allclose(20 * np.log10(np.abs(random) / np.sqrt(2) * 1e6), rows[:, 3], atol=1e-3)
    assert 1.5 < rows[:, 3].std() < 5  # twelve draws


def test_a_sweeping_sounder_sweeps():
    scenario = with_tables(noise={"sounders": [SOUNDER | {"sweep_hz": 8e3, "from_deg": 90.0, "up_deg": 0.0}]})
    ping, _, delay, _ = echoes.truth(scenario)["sounder_starboard"][0]
    wave = samples(scenario)["starboard"][int(ping), 0, 0].astype(complex)
    at = np.array([0.25, 0.5, 0.75])
    k = ((delay + at * 4e-3) * 40e3).astype(int)
    frequency = np.angle(wave[k + 1] / wave[k]) / (2 * np.pi) * 40e3
    assert_allclose(frequency, 5e3 + 8e3 * (at - 0.5), atol=60)  # half a sample of sweep is 25 Hz


# --- bubbles ----------------------------------------------------------------------------------------------

SEEN = dataclasses.replace(
    BARE,
    sonar=dataclasses.replace(BARE.sonar, sides="starboard"),
    targets=(Target(along_m=0.5, across_m=15.0, height_m=6.0),),
)


def peaks(scenario):
    """Loudest sample of each ping."""
    return np.abs(samples(scenario)["starboard"]).max(axis=(1, 2, 3))


def test_a_screen_at_the_face_weakens_what_is_sent_and_what_comes_back():
    screen = {"kind": "face", "start_s": 0.35, "stop_s": 0.6, "loss_db": 7.0, "edge_s": 0.02}
    scenario = with_tables(SEEN, bubbles=[screen])
    change = 20 * np.log10(peaks(scenario) / peaks(SEEN))
    start = np.arange(12) / 11
    inside = (start > 0.36) & (start < 0.56)
    outside = (start < 0.30) | (start > 0.65)
    assert inside.sum() >= 2
    assert_allclose(change[inside], -14, atol=0.01)
    assert_allclose(change[outside], 0, atol=1e-6)
    assert_allclose(echoes.truth(scenario)["face_loss_db"][inside], 7)
    # Sent before the screen came, received behind it: one passage.
    half = dataclasses.replace(
        scenario, bubbles=(dataclasses.replace(scenario.bubbles[0], start_s=0.2, edge_s=1e-3),)
    )
    # Ping 2 is sent at 0.1818 s; its echo comes 20 ms later, at 0.2018 s.
    assert_allclose(20 * np.log10(peaks(half)[2] / peaks(SEEN)[2]), -7, atol=0.05)


def test_a_screen_at_the_face_weakens_foreign_sound_once_and_own_noise_never():
    screen = [{"kind": "face", "start_s": 0.0, "stop_s": 2.0, "loss_db": 10.0}]
    quiet = dataclasses.replace(BARE, sonar=dataclasses.replace(BARE.sonar, sides="starboard"))
    for noise, loss in ({"wind_speed_m_s": 5.0}, -10), ({"preamplifier_db": 40.0}, 0):
        plain, screened = with_tables(quiet, noise=noise), with_tables(quiet, noise=noise, bubbles=screen)
        powers = [np.mean(np.abs(samples(s)["starboard"]) ** 2) for s in (screened, plain)]
        assert_allclose(10 * np.log10(powers[0] / powers[1]), loss, atol=0.01)


@pytest.mark.parametrize("orientation_deg", [0.0, 25.0])
def test_a_wake_takes_its_decibels_on_the_way_through_it(orientation_deg):
    # A strip beside the leg, through which the sound goes at right angles or aslant; its middle line runs through the
    # point 0 along, 0 across, so the vehicle is in it at first.
    wake = {
        "kind": "wake",
        "along_m": 0.0,
        "width_m": 2.0,
        "orientation_deg": orientation_deg,
        "loss_db_m": 1.5,
    }
    still = dataclasses.replace(SEEN, vehicle=VehicleTable(altitude_m=6.0, n_ping=1, speed_m_s=0.0))
    scenario = with_tables(still, bubbles=[wake])
    change = 20 * np.log10(peaks(scenario) / peaks(still))
    # From (0, 0) to (0.5, 15) in (along, across): the way across the strip is 15 cos - 0.5 sin of its angle.
    angle = np.deg2rad(orientation_deg)
    aside = 15 * np.cos(angle) - 0.5 * np.sin(angle)
    inside = np.hypot(0.5, 15) * 1.0 / aside
    assert_allclose(change, -2 * 1.5 * inside, atol=0.02)


def test_a_wake_reaches_as_deep_as_it_says():
    # The vehicle runs 10 m deep, the point lies 16 m deep and 15 m off: bubbles down to 12 m hold a third of the way.
    wake = {
        "kind": "wake",
        "along_m": 0.0,
        "width_m": 60.0,
        "orientation_deg": 0.0,
        "loss_db_m": 0.5,
        "depth_m": 12.0,
    }
    still = dataclasses.replace(
        SEEN,
        vehicle=VehicleTable(altitude_m=6.0, n_ping=1, speed_m_s=0.0),
        targets=(Target(along_m=0.0, across_m=15.0),),
        sonar=dataclasses.replace(SEEN.sonar, depression_deg=20.0),
    )
    scenario = with_tables(still, bubbles=[wake])
    change = 20 * np.log10(peaks(scenario) / peaks(still))
    assert_allclose(change, -2 * 0.5 * np.hypot(15, 6) / 3, atol=0.01)


def test_a_wake_across_the_leg_darkens_the_pings_that_look_along_it():
    wake = {"kind": "wake", "along_m": 0.5, "width_m": 0.2, "loss_db_m": 1.0}
    scenario = with_tables(SEEN, bubbles=[wake])
    loss = echoes.truth(scenario)["wake_loss_starboard_db"]
    along = np.arange(12) / 11
    middle = np.abs(along - 0.5) < 0.09
    # Abeam at half the range, 15 m slant: all of the way lies in the wake.
    assert_allclose(loss[middle], 2 * 15.0, atol=1e-6)
    assert_array_equal(loss[np.abs(along - 0.5) > 0.11], 0)
