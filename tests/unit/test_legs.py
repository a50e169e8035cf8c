"""Legs: straight stretches of invented tracks, whose true turns are known."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pingloom.bench.legs import Leg, LegSettings, PingOrder, PlannedLeg, leg_name, leg_of, legs
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.frames import StripFrame, Trajectory
from pingloom.imaging.records import Ping, Platform

START_NS = 1_900_000_000_000_000_000
RATE_HZ = 10.0


def track(
    parts: list[tuple[float, float]],
    *,
    course_deg: float = 0.0,
    speed: float = 1.8,
    crab_deg: float = 0.0,
    waves: bool = False,
    first_yaw_deg: float = 0.0,
) -> tuple[Trajectory, np.ndarray, np.ndarray]:
    """A track of parts (seconds, turn rate in degrees a second); also ping times and which part each is in.

    The array points ``crab_deg`` away from the course all the way: a current from the side.
    """
    dt = 1 / RATE_HZ
    rate = np.concatenate([np.full(round(t * RATE_HZ), r) for t, r in parts])
    part = np.concatenate([np.full(round(t * RATE_HZ), k) for k, (t, _) in enumerate(parts)])
    course = np.deg2rad(course_deg + np.concatenate([[0], np.cumsum(rate[:-1]) * dt]))
    time = np.arange(rate.size) * dt
    north = np.concatenate([[0], np.cumsum(speed * np.cos(course[:-1]) * dt)])
    east = np.concatenate([[0], np.cumsum(speed * np.sin(course[:-1]) * dt)])
    heading = course + np.deg2rad(crab_deg)
    if waves:
        heading = heading + np.deg2rad(2.0) * np.sin(2 * np.pi * time / 5)
        sway = 0.2 * np.sin(2 * np.pi * time / 6)
        north, east = north - sway * np.sin(course), east + sway * np.cos(course)
    time_ns = START_NS + np.round(time * 1e9).astype(np.int64)
    platform = Platform(
        time_ns=time_ns,
        north_m=north,
        east_m=east,
        depth_m=np.full(time.size, 10.0),
        heading_rad=heading % (2 * np.pi),
        pitch_rad=np.zeros(time.size),
        roll_rad=np.zeros(time.size),
    )
    return Trajectory.from_platform(platform), time_ns, part


MOW = [(60.0, 0.0), (30.0, 6.0), (60.0, 0.0), (30.0, -6.0), (60.0, 0.0)]
"""Three lines up and down with half circles between."""


@pytest.mark.parametrize("waves", [False, True])
@pytest.mark.parametrize("crab_deg", [0.0, 15.0])
@pytest.mark.parametrize("course_deg", [0.0, 179.0, 300.0])
def test_lines_are_found_and_turns_left_out_whatever_the_current(waves, crab_deg, course_deg):
    trajectory, time_ns, part = track(MOW, course_deg=course_deg, crab_deg=crab_deg, waves=waves)
    found = legs(trajectory, time_ns)
    assert len(found) == 3
    for k, leg in enumerate(found):
        inside = (time_ns >= leg.first_time_ns) & (time_ns <= leg.last_time_ns)
        straight = part == 2 * k
        # The averaged heading tells a turn of 6 degrees a second within a second and a half.
        assert np.count_nonzero(straight & ~inside) <= 1.5 * RATE_HZ
        assert np.count_nonzero(inside & ~straight) <= 2 * 1.5 * RATE_HZ
        wanted = np.deg2rad(course_deg + (180 if k == 1 else 0))
        off = (leg.frame.heading_rad - wanted + np.pi) % (2 * np.pi) - np.pi
        # Sway of 0.2 m at both ends of 108 m, and a metre of turn.
        assert abs(np.rad2deg(off)) < 0.6
        assert leg.frame.heading_rad >= 0
    assert all(a.last_time_ns < b.first_time_ns for a, b in itertools.pairwise(found))


def test_the_frame_begins_where_the_leg_does():
    trajectory, time_ns, _ = track(MOW)
    leg = legs(trajectory, time_ns)[1]
    pose = trajectory.pose([trajectory.seconds(leg.first_time_ns)])[0][0]
    assert_allclose((leg.frame.north_m, leg.frame.east_m), pose[:2], atol=1e-9)


def test_another_choice_of_frame_sees_the_pings_of_the_leg_alone():
    trajectory, time_ns, _ = track(MOW)
    seen = []

    def frame(given: Trajectory, times: list[int]) -> StripFrame:
        seen.append((given is trajectory, times[0], times[-1]))
        return StripFrame(1.0, 2.0, 3.0)

    found = legs(trajectory, time_ns, None, frame)
    assert seen == [(True, leg.first_time_ns, leg.last_time_ns) for leg in found]
    assert {leg.frame for leg in found} == {StripFrame(1.0, 2.0, 3.0)}


def test_a_slow_bend_is_cut_into_legs_that_each_keep_their_course():
    trajectory, time_ns, _ = track([(400.0, 0.1)])
    found = legs(trajectory, time_ns)
    assert len(found) == 5  # 40 degrees of bend in legs of 8
    covered = sum(np.count_nonzero((time_ns >= a) & (time_ns <= b)) for a, b, _ in found)
    assert covered > 0.95 * time_ns.size


def test_a_spin_on_the_spot_and_a_stop_are_no_legs():
    trajectory, time_ns, part = track([(60.0, 0.0), (40.0, 0.0), (60.0, 0.0)], speed=1.8)
    stopped = np.where(part == 1)[0]
    pose = np.array(trajectory.value)
    pose[stopped, :2] = pose[stopped[0], :2]
    pose[stopped[-1] + 1 :, :2] -= pose[stopped[-1] + 1, :2] - pose[stopped[0], :2]
    platform = Platform(
        time_ns=time_ns,
        north_m=pose[:, 0],
        east_m=pose[:, 1],
        depth_m=pose[:, 2],
        heading_rad=pose[:, 3] % (2 * np.pi),
        pitch_rad=pose[:, 4],
        roll_rad=pose[:, 5],
    )
    found = legs(Trajectory.from_platform(platform), time_ns)
    assert len(found) == 2
    # Averaging over 8 s blurs the moment of stopping by half of that.
    assert found[0].last_time_ns <= time_ns[stopped[0]] + 4.5e9
    assert found[1].first_time_ns >= time_ns[stopped[-1]] - 4.5e9


def test_a_pause_in_pinging_ends_a_leg():
    trajectory, time_ns, _ = track([(120.0, 0.0)])
    silent = (time_ns > time_ns[400]) & (time_ns < time_ns[800])
    found = legs(trajectory, time_ns[~silent])
    assert [(x.first_time_ns, x.last_time_ns) for x in found] == [
        (time_ns[0], time_ns[400]),
        (time_ns[800], time_ns[-1]),
    ]


@pytest.mark.parametrize("n", [1, 2, 5, 40])
def test_a_short_recording_is_one_leg(n):
    trajectory, time_ns, _ = track([(60.0, 0.0)], waves=True)
    (leg,) = legs(trajectory, time_ns[:n])
    assert (leg.first_time_ns, leg.last_time_ns) == (time_ns[0], time_ns[n - 1])


def test_order_and_repetition_of_times_do_not_matter():
    trajectory, time_ns, _ = track(MOW, waves=True)
    shuffled = np.random.default_rng(3).permutation(np.concatenate([time_ns, time_ns[::2]]))
    assert legs(trajectory, shuffled) == legs(trajectory, time_ns)


def test_whole_takes_all_and_a_turn_alone_is_refused():
    trajectory, time_ns, _ = track([(60.0, 6.0)])
    (leg,) = legs(trajectory, time_ns, LegSettings(mode="whole"))
    assert (leg.first_time_ns, leg.last_time_ns) == (time_ns[0], time_ns[-1])
    with pytest.raises(DataError, match=r"no straight leg was found.*legs\.mode=whole"):
        legs(trajectory, time_ns)
    with pytest.raises(DataError, match="no ping"):
        legs(trajectory, [])


def test_planned_lines_are_followed_from_either_end_and_again():
    trajectory, time_ns, part = track([(60.0, 0.0), (30.0, 6.0), (60.0, 0.0), (30.0, 6.0), (60.0, 0.0)])
    plan = PlannedLeg(start_north_m=5.0, start_east_m=0.0, end_north_m=100.0, end_east_m=0.0)
    # The track comes back 34 m to the east, then on the first line again.
    settings = LegSettings(mode="planned", planned=(plan,), corridor_m=3.0)
    first, second = legs(trajectory, time_ns, settings)
    assert first.frame == second.frame == plan.frame
    for leg, k in ((first, 0), (second, 4)):
        inside = (time_ns >= leg.first_time_ns) & (time_ns <= leg.last_time_ns)
        assert set(part[inside]) == {k}
        north = trajectory.pose((time_ns[inside] - START_NS) * 1e-9)[0][:, 0]
        assert_allclose(north[[0, -1]], (5, 100), atol=0.4)
    back = PlannedLeg(start_north_m=100.0, start_east_m=0.0, end_north_m=5.0, end_east_m=0.0)
    again = legs(trajectory, time_ns, LegSettings(mode="planned", planned=(back,), corridor_m=3.0))
    assert_allclose(again[0].frame.heading_rad, 0, atol=1e-9)
    assert (again[0].frame.north_m, again[0].first_time_ns) == (5.0, first.first_time_ns)


def test_a_ping_belongs_to_the_leg_of_its_time():
    frame = StripFrame(0, 0, 0)
    found = [Leg(10, 20, frame), Leg(30, 40, frame)]
    wanted = {9: None, 10: 0, 20: 0, 25: None, 30: 1, 40: 1, 41: None}
    assert {t: leg_of(found, t) for t in wanted} == wanted
    assert [leg_name("multilook", k) for k in (0, 1, 11)] == ["multilook", "multilook-02", "multilook-12"]


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"mode": "guess"}, "legs.mode is 'guess'; allowed: found, planned, whole"),
        ({"mode": "planned"}, "legs.planned is empty"),
        ({"spread_deg": 0}, "legs.spread_deg is 0; allowed: 0.1 to 45"),
        ({"window_s": float("nan")}, "legs.window_s is nan"),
    ],
)
def test_wrong_settings_are_refused(given, words):
    with pytest.raises(ParameterError, match=words):
        LegSettings(**given)


def ping(time_s: float, side: str = "port") -> Ping:
    return Ping(side=side, number=0, time_ns=round(time_s * 1e9), echo=np.zeros((1, 1, 1), np.complex64))


def test_pings_that_arrive_out_of_order_leave_in_order():
    order = PingOrder(patience_s=1.0)
    out = []
    arrivals = [0.0, 0.2, 0.1, 0.9, 0.3, 2.0, 1.5, 2.2, 2.2, 0.5, 3.6]
    for t in arrivals:
        out += [p.time_ns * 1e-9 for p in order.take(ping(t))]
    out += [p.time_ns * 1e-9 for p in order.finish()]
    assert_allclose(out, [0.0, 0.1, 0.2, 0.3, 0.9, 1.5, 2.0, 2.2, 3.6], atol=1e-9)
    assert order.left_out == {"late": 1, "sent twice": 1}


def test_both_sides_may_ping_at_once():
    order = PingOrder(patience_s=0.0)
    out = [p.side for t in (1.0, 2.0) for side in ("starboard", "port") for p in order.take(ping(t, side))]
    assert out == ["starboard", "port"] * 2
    assert order.left_out == {}
