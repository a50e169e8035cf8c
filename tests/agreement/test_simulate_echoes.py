"""Simulated echoes against the model written plainly, and against themselves for any number of threads."""

from __future__ import annotations

import dataclasses
import os
import subprocess
import sys
import threading

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.optimize import brentq
from scipy.spatial.transform import Rotation

from pingloom.imaging.errors import ParameterError
from pingloom.simulate import echoes
from pingloom.simulate._geometry import ping_geometry
from pingloom.simulate._taps import FastTaps
from pingloom.simulate.meeting import met
from pingloom.simulate.motion import Track
from pingloom.simulate.scenario import (
    Oscillation,
    Scenario,
    SeabedTable,
    SonarTable,
    Target,
    VehicleTable,
    WaterTable,
)
from pingloom.simulate.side_plan import SidePlan
from pingloom.simulate.surroundings import Blocks

C = 1500.0
WAVES = (
    Oscillation(axis="surge", amplitude_m=0.03, period_s=3.0),
    Oscillation(axis="sway", amplitude_m=0.1, period_s=4.0, phase_deg=30),
    Oscillation(axis="heave", amplitude_m=0.05, period_s=3.0, phase_deg=60),
    Oscillation(axis="yaw", amplitude_deg=2.0, period_s=4.0, phase_deg=-20),
    Oscillation(axis="pitch", amplitude_deg=1.5, period_s=3.0),
    Oscillation(axis="roll", amplitude_deg=4.0, period_s=2.0, phase_deg=40),
)
SONAR = SonarTable(
    n_channel=12,
    channel_pitch_m=0.05,  # 0.6 m long, with gaps: few channels keep the plain sum quick
    receive_along_m=0.01875,
    range_stop_m=40.0,
    array_forward_m=0.4,
    array_starboard_m=0.1,
    array_down_m=0.05,
    transmit_forward_m=0.07,
    transmit_down_m=-0.03,
    depression_deg=15.0,
)
VEHICLE = VehicleTable(altitude_m=6.0, heading_deg=75.0, n_ping=3, start_north_m=40.0, motion=WAVES)


def points(n=30, seed=2, side=1):
    """Points that echo about equally loud, from 7 to 38 m and to both ends of the main lobe."""
    rng = np.random.default_rng(seed)
    across = rng.uniform(7, 38, n)
    return tuple(
        Target(
            along_m=float(0.4 + rng.uniform(-0.1, 0.1) * y),
            across_m=float(side * y),
            height_m=float(rng.uniform(0, 1)),
            strength_db=float(40 * np.log10(y) + rng.uniform(-3, 3)),
        )
        for y in across
    )


BARE = Scenario(
    sonar=SONAR,
    vehicle=VEHICLE,
    water=WaterTable(noise=False, absorption_db_m=0.11),
    seabed=SeabedTable(present=False),
    targets=points(),
)


def pose(scenario, t):
    """Place and rotation of the vehicle, written out afresh."""
    vehicle = scenario.vehicle
    sums = dict.fromkeys(("surge", "sway", "heave", "yaw", "pitch", "roll"), 0.0)
    for w in vehicle.motion:
        size = w.amplitude_m if w.amplitude_m is not None else np.deg2rad(w.amplitude_deg)
        sums[w.axis] += size * np.sin(2 * np.pi * t / w.period_s + np.deg2rad(w.phase_deg))
    course = np.deg2rad(vehicle.heading_deg)
    ahead, aside = vehicle.speed_m_s * t + sums["surge"], sums["sway"]
    place = [
        vehicle.start_north_m + ahead * np.cos(course) - aside * np.sin(course),
        vehicle.start_east_m + ahead * np.sin(course) + aside * np.cos(course),
        scenario.depth_m + sums["heave"],
    ]
    return np.array(place), Rotation.from_euler("ZYX", [course + sums["yaw"], sums["pitch"], sums["roll"]])


def at(scenario, t, body):
    place, turn = pose(scenario, t)
    return place + turn.as_matrix() @ body


def root_delay(scenario, sonar, point, time, receiver):
    """Two-way delay by bracketing the root of its definition."""
    centre = time + sonar.pulse_duration_s / 2
    sent = np.linalg.norm(point - at(scenario, centre, sonar.transmit_position_m))

    def excess(tau):
        return (sent + np.linalg.norm(point - at(scenario, centre + tau, receiver))) / C - tau

    return brentq(excess, 0, 0.2, xtol=1e-15, rtol=1e-15)


def direction(turn, ray, sonar):
    """Direction cosines to the array's along and up axes."""
    sign = -1 if sonar.side == "port" else 1
    up = [0, sign * np.sin(sonar.depression_rad), -np.cos(sonar.depression_rad)]
    body = turn.as_matrix().T @ (ray / np.linalg.norm(ray))
    return body[0], body @ up


def exact_sum(scenario, sonar, number, longer=1):
    """Echo (row, channel, sample) of the scenario's points by the frequency-domain sum, one term at a time."""
    length, lead = echoes.transform_length(scenario, sonar)
    length *= longer
    dt, f0, lam = sonar.sample_interval_s, sonar.centre_frequency_hz, C / sonar.centre_frequency_hz
    t = np.arange(int(sonar.pulse_duration_s / dt + 0.5) + 1) * dt
    rate = (sonar.frequency_stop_hz - sonar.frequency_start_hz) / sonar.pulse_duration_s
    pulse = np.exp(2j * np.pi * ((sonar.frequency_start_hz - f0) * t + rate * t**2 / 2))
    spectrum, f = np.fft.fft(pulse, length), np.fft.fftfreq(length, dt)
    time = round(number * 1e9 / scenario.vehicle.ping_rate_hz) * 1e-9
    centre = time + sonar.pulse_duration_s / 2
    total = np.zeros((*sonar.element_position_m.shape[:2], length), complex)
    level = np.sqrt(2) * 1e-6 * 10 ** (scenario.sonar.source_level_db / 20)
    for target, point in zip(scenario.targets, echoes.target_places(scenario), strict=True):
        sent = point - at(scenario, centre, sonar.transmit_position_m)
        along, up = direction(pose(scenario, centre)[1], sent, sonar)
        out = level * 10 ** (target.strength_db / 20) / np.linalg.norm(sent)
        out *= np.sinc(sonar.transmit_size_m[0] * along / lam) * np.sinc(sonar.transmit_size_m[1] * up / lam)
        for index in np.ndindex(total.shape[:2]):
            receiver = sonar.element_position_m[index]
            tau = root_delay(scenario, sonar, point, time, receiver)
            back = point - at(scenario, centre + tau, receiver)
            along, up = direction(pose(scenario, centre + tau)[1], back, sonar)
            amplitude = out / np.linalg.norm(back) * 10 ** (-scenario.water.absorption_db_m * C * tau / 20)
            amplitude *= np.sinc(sonar.receive_size_m[0] * along / lam)
            amplitude *= np.sinc(sonar.receive_size_m[1] * up / lam)
            late = tau - sonar.first_sample_delay_s + lead * dt
            total[index] += amplitude * np.exp(-2j * np.pi * (f0 * tau + f * late)) * spectrum
    return np.fft.ifft(total, axis=-1)[..., lead : lead + sonar.n_sample]


def relative_rms(got, wanted):
    return np.linalg.norm(got - wanted) / np.linalg.norm(wanted)


CASES = {
    "plain": {},
    "port": {"sonar": dataclasses.replace(SONAR, sides="port"), "targets": points(side=-1)},
    "down-sweep, late start, two rows": {
        "sonar": dataclasses.replace(SONAR, sweep_hz=-30e3, range_start_m=10.0, n_row=2, n_channel=6),
    },
    "sweep as wide as the sampling": {"sonar": dataclasses.replace(SONAR, sweep_hz=40e3)},
}


@pytest.mark.parametrize("case", CASES)
def test_echo_is_the_exact_sum(case):
    scenario = dataclasses.replace(BARE, **CASES[case])
    (sonar,) = echoes.sonars(scenario).values()
    expected = exact_sum(scenario, sonar, 2)
    for mode, limit in (("reference", 1e-6), ("fast", 3e-4)):
        *_, (ping, _) = echoes.simulate(scenario, mode=mode, threads=1)
        assert ping.echo.dtype == np.complex64
        assert relative_rms(ping.echo, expected) < limit


def test_length_of_the_transform_hardly_matters():
    (sonar,) = echoes.sonars(BARE).values()
    length, lead = echoes.transform_length(BARE, sonar)
    assert length % 2 == 1
    assert length >= sonar.n_sample + 2 * lead
    # Wrapped tails of a rectangular pulse: 4.8e-4 here, falling with the square of the length. An even length, whose
    # bin at half the sampling rate has no sign, gives 3e-3.
    assert relative_rms(exact_sum(BARE, sonar, 1), exact_sum(BARE, sonar, 1, longer=5)) < 7e-4


def test_fast_mode_keeps_its_promise_on_seabed_and_box():
    scenario = dataclasses.replace(
        BARE,
        vehicle=dataclasses.replace(VEHICLE, n_ping=1),
        sonar=dataclasses.replace(SONAR, range_stop_m=20.0, n_channel=6),
        seabed=SeabedTable(per_cell=0.3),
        targets=(Target(kind="box", along_m=0.0, across_m=12.0, strength_db=-15.0),),
    )
    (fast, _), (exact, _) = (next(echoes.simulate(scenario, mode=m)) for m in ("fast", "reference"))
    assert relative_rms(fast.echo, exact.echo) < 3e-4


def test_predicted_error_of_the_taps_is_the_one_met():
    (sonar,) = echoes.sonars(BARE).values()
    length, _ = echoes.transform_length(BARE, sonar)
    predicted = FastTaps.plan(np.fft.fft(echoes.replica(sonar), length)).error
    pairs = zip(echoes.simulate(BARE), echoes.simulate(BARE, mode="reference"), strict=True)
    met = np.sqrt(np.mean([relative_rms(a[0].echo, b[0].echo) ** 2 for a, b in pairs]))
    # 90 points with places at random between grid steps: their mean square scatters by about a quarter.
    assert 0.8 < met / predicted < 1.25


def test_a_pulse_with_tapered_ends_is_recorded_and_sent():
    scenario = dataclasses.replace(
        BARE, sonar=dataclasses.replace(SONAR, pulse_taper=0.2, n_channel=2), targets=points(1)
    )
    (sonar,) = echoes.sonars(scenario).values()
    (ping, _) = next(echoes.simulate(scenario, mode="reference"))
    found = np.correlate(ping.echo[0, 0], sonar.replica, "valid")
    plain = np.exp(1j * np.angle(sonar.replica))
    # The echo matches the pulse in the recording better than the one of constant modulus.
    best = np.abs(found).max() / np.linalg.norm(sonar.replica)
    assert best > 1.02 * np.abs(np.correlate(ping.echo[0, 0], plain, "valid")).max() / np.linalg.norm(plain)
    assert np.abs(sonar.replica[0]) < 1e-6


# --- delays ----------------------------------------------------------------------------------------------


def test_array_at_rest_has_the_delay_of_two_straight_lines():
    vehicle = VehicleTable(altitude_m=6.0, n_ping=1, speed_m_s=0.0)
    scenario = dataclasses.replace(BARE, vehicle=vehicle, targets=(Target(along_m=0.4, across_m=20.1),))
    (sonar,) = echoes.sonars(scenario).values()
    delay = echoes.truth(scenario)["delay_starboard_s"][0, 0, 0]
    # Array centre at (0.4, 0.1, 0.05), transmitter 0.07 m ahead and 0.03 m higher; the point 6 m below the origin.
    out, back = np.sqrt(0.07**2 + 20.0**2 + 5.98**2), np.sqrt(20.0**2 + 5.95**2)
    assert_allclose(delay, (out + back) / C, rtol=1e-14)
    assert sonar.side == "starboard"


def test_array_moving_along_a_line_has_the_quadratics_root():
    # Heading 0, transmitter and receiver in one place that moves at v: r_out + |(x - v tau, d)| = c tau is a quadratic.
    v, x, d = 3.0, 4.0, np.hypot(20.0, 6.0)
    scenario = dataclasses.replace(
        BARE,
        sonar=SonarTable(range_stop_m=40.0),
        vehicle=VehicleTable(altitude_m=6.0, n_ping=1, speed_m_s=v),
        targets=(Target(along_m=x, across_m=20.0),),
    )
    start = v * scenario.sonar.pulse_duration_s / 2
    out = np.hypot(x - start, d)
    # (c tau - out)^2 = (x - start - v tau)^2 + d^2, of which tau = 0 is the other root
    tau = (2 * C * out - 2 * v * (x - start)) / (C**2 - v**2)
    assert_allclose(echoes.truth(scenario)["delay_starboard_s"][0, 0, 0], tau, rtol=1e-14)


def test_turning_array_has_the_delay_that_root_finding_gives():
    truth = echoes.truth(BARE)["delay_starboard_s"]
    (sonar,) = echoes.sonars(BARE).values()
    middle = sonar.element_position_m.mean(axis=1)[0]
    places = echoes.target_places(BARE)
    for number in range(3):
        time = round(number * 1e9 / 11) * 1e-9
        expected = [root_delay(BARE, sonar, p, time, middle) for p in places]
        assert_allclose(truth[:, number, 0], expected, rtol=0, atol=1e-14)


# --- chance and order ------------------------------------------------------------------------------------

SMALL = Scenario(
    seed=11,
    sonar=SonarTable(sides="both", n_channel=4, range_stop_m=14.0),
    vehicle=VehicleTable(altitude_m=5.0, n_ping=5, motion=WAVES),
    water=WaterTable(noise_db=40.0),
    seabed=SeabedTable(per_cell=1.0),
    targets=(Target(kind="box", along_m=0.5, across_m=8.0, strength_db=-15.0),),
)


@pytest.fixture(scope="module")
def one_thread():
    return [ping for ping, _ in echoes.simulate(SMALL, threads=1)]


@pytest.mark.parametrize("threads", [2, 5])
def test_bytes_do_not_depend_on_threads(one_thread, threads):
    for a, (b, _) in zip(one_thread, echoes.simulate(SMALL, threads=threads), strict=True):
        assert_array_equal(a.echo, b.echo)
        assert (a.side, a.number, a.time_ns) == (b.side, b.number, b.time_ns)


def test_bytes_do_not_depend_on_which_blocks_were_made_before(one_thread):
    later = dataclasses.replace(
        SMALL, vehicle=dataclasses.replace(SMALL.vehicle, n_ping=8)
    )  # other blocks at the end
    for a, (b, _) in zip(one_thread, echoes.simulate(later, threads=2), strict=False):
        assert_array_equal(a.echo, b.echo)


def test_one_side_is_the_same_with_or_without_the_other(one_thread):
    alone = dataclasses.replace(SMALL, sonar=dataclasses.replace(SMALL.sonar, sides="starboard"))
    both = [p for p in one_thread if p.side == "starboard"]
    for a, (b, _) in zip(both, echoes.simulate(alone), strict=True):
        assert_array_equal(a.echo, b.echo)


def test_another_seed_is_another_sea(one_thread):
    (other, _) = next(echoes.simulate(dataclasses.replace(SMALL, seed=12)))
    a, b = one_thread[0].echo.ravel(), other.echo.ravel()
    assert abs(np.vdot(a, b)) < 0.3 * np.linalg.norm(a) * np.linalg.norm(b)


def test_pings_come_in_order_with_their_true_pose(one_thread):
    assert [(p.number, p.side) for p in one_thread] == [
        (n, s) for n in range(5) for s in ("port", "starboard")
    ]
    truth = echoes.truth(SMALL)
    told = []
    for ping, now in echoes.simulate(SMALL, on_ping=lambda i, n: told.append((i, n))):
        assert_array_equal(now["position_m"], truth["position_m"][ping.number])
        assert_array_equal(now["angles_rad"], truth["angles_rad"][ping.number])
    assert told == [(i + 1, 5) for i in range(5)]


def test_wrong_mode_and_threads_are_refused_at_once():
    with pytest.raises(ParameterError, match="mode is 'slow'; allowed: fast, reference"):
        echoes.simulate(SMALL, mode="slow")
    with pytest.raises(ParameterError, match="threads is 0; allowed: at least 1"):
        echoes.simulate(SMALL, threads=0)


def test_stopping_early_leaves_no_thread_behind():
    before = threading.active_count()
    pings = echoes.simulate(SMALL, threads=3)
    next(pings)
    pings.close()
    assert threading.active_count() == before


@pytest.mark.parametrize("time", [0.0, 0.7, 1.9])
def test_no_point_that_a_ping_meets_is_left_out(time):
    """The stripes of seabed chosen for a ping against all blocks far around it, while yawing and pitching hard."""
    scenario = dataclasses.replace(
        BARE,
        sonar=dataclasses.replace(SONAR, range_stop_m=20.0),
        vehicle=dataclasses.replace(
            VEHICLE, motion=(*WAVES, Oscillation(axis="yaw", amplitude_deg=15, period_s=7.0))
        ),
        seabed=SeabedTable(per_cell=0.3),
        targets=(),
    )
    (sonar,) = echoes.sonars(scenario).values()
    plan, track = SidePlan.of(scenario, sonar, "fast"), Track.of(scenario)
    geometry = ping_geometry(track, sonar, time, 0.03)
    near = Blocks(scenario, plan.seabed, plan.ground, plan.sector_sine).near(track, time)
    everything = [group for i in range(-15, 20) for group in plan.seabed.block(i)]
    few, all_of_them = (
        np.concatenate([p[:, :n].copy() for p, n in met(plan, geometry, groups)], axis=1)
        for groups in (near, everything)
    )
    assert few.shape[1] > 3000
    assert_array_equal(few, all_of_them)


PLAIN = """
import sys, warnings
warnings.simplefilter("error")
import numpy as np
from pingloom.simulate import echoes
from pingloom.simulate.scenario import Scenario
import tomllib
scenario = Scenario.from_dict(tomllib.loads(sys.stdin.read()))
np.save(sys.argv[1], [next(echoes.simulate(scenario, mode=m, threads=1))[0].echo for m in ("fast", "reference")])
"""


def test_kernels_compute_the_same_uncompiled(tmp_path):
    scenario = dataclasses.replace(
        BARE,
        sonar=dataclasses.replace(SONAR, n_channel=2),
        targets=(*points(4), Target(kind="box", along_m=0.4, across_m=12.0, size_m=(0.1, 0.05, 0.05))),
    )
    path = tmp_path / "plain.npy"
    subprocess.run(
        [sys.executable, "-c", PLAIN, str(path)],
        input=scenario.to_toml(),
        text=True,
        check=True,
        env={**os.environ, "NUMBA_DISABLE_JIT": "1"},
    )
    plain = np.load(path)
    for mode, uncompiled in zip(("fast", "reference"), plain, strict=True):
        (ping, _) = next(echoes.simulate(scenario, mode=mode, threads=1))
        # Order and contraction of float32 operations differ: a few steps of 6e-8, times 30 to 100 turns of phase.
        assert relative_rms(ping.echo, uncompiled) < 2e-5


FRESH = """
import sys, tomllib
import numpy as np
from pingloom.simulate import echoes
from pingloom.simulate.scenario import Scenario
scenario = Scenario.from_dict(tomllib.loads(sys.stdin.read()))
np.save(sys.argv[1], next(echoes.simulate(scenario, threads=1))[0].echo)
"""


@pytest.mark.slow  # compiles the kernels anew
def test_bytes_are_the_same_whether_kernels_are_compiled_now_or_were_before(tmp_path):
    """Once a process called the helpers of a kernel that it had compiled itself as they were compiled on their own."""
    scenario = dataclasses.replace(SMALL, sonar=dataclasses.replace(SMALL.sonar, sides="starboard"))
    echo = []
    for name in ("first", "second"):
        subprocess.run(
            [sys.executable, "-c", FRESH, str(tmp_path / f"{name}.npy")],
            input=scenario.to_toml(),
            text=True,
            check=True,
            env={**os.environ, "NUMBA_CACHE_DIR": str(tmp_path / "cache")},
        )
        echo.append(np.load(tmp_path / f"{name}.npy"))
    assert_array_equal(*echo)
