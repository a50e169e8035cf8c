"""Parts of following a growing recording: order, planning, how far a navigation reaches, what a look sees."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pingloom.bench.following import FollowSettings
from pingloom.bench.growing_recording import GrowingRecording
from pingloom.bench.legs import PingOrder
from pingloom.bench.live_feed import LiveFeed
from pingloom.bench.live_navigation import LiveNavigation
from pingloom.imaging.errors import ParameterError
from pingloom.imaging.frames import Trajectory
from pingloom.imaging.planning import least_altitude, planning_part
from pingloom.imaging.records import Ping, Platform
from pingloom.io.recording import RecordingWriter, open_recording
from tests.system.live_writer import spoil_newest
from tests.unit.line_samples import ALTITUDE_M, START_NS, line, sonar

OWN = sonar("starboard")


class Clock:
    """Stands still unless it is moved."""

    now = 0.0

    def __call__(self) -> float:
        return self.now


def ping(side: str, at: int) -> Ping:
    return Ping(side=side, number=at, time_ns=START_NS + at, echo=np.zeros((1, 1, 1), np.complex64))


def platform(n: int, *, rates: bool = False, **changes) -> Platform:
    rng = np.random.default_rng(3)
    given = {name: rng.normal(size=60)[:n] for name in ("north_m", "east_m", "depth_m", "heading_rad")}
    given |= {name: 0.1 * rng.normal(size=60)[:n] for name in ("pitch_rad", "roll_rad")}
    if rates:
        words = ("speed_forward_m_s", "speed_starboard_m_s", "speed_down_m_s")
        words += ("heading_rate_rad_s", "pitch_rate_rad_s", "roll_rate_rad_s")
        given |= {word: rng.normal(size=60)[:n] for word in words}
    uneven = np.cumsum(np.random.default_rng(4).integers(5, 15, 60) * 10_000_000)[:n]
    given["altitude_m"] = np.full(n, 5.0)
    return Platform(time_ns=START_NS + uneven.astype(np.uint64), **given | changes)


# ---- order ---------------------------------------------------------------------------------------------------


def test_a_ping_need_not_wait_where_every_side_has_sent_one_as_late() -> None:
    order = PingOrder(sides=("port", "starboard"))
    assert order.take(ping("starboard", 0)) == []
    assert [(p.side, p.number) for p in order.take(ping("port", 0))] == [("port", 0), ("starboard", 0)]
    assert order.take(ping("port", 5)) == []
    assert [p.number for p in order.take(ping("starboard", 7))] == [5], "starboard may still send one at 6"
    assert [p.number for p in order.finish()] == [7]


def test_a_side_that_falls_silent_holds_up_the_other_by_the_patience_only() -> None:
    order = PingOrder(sides=("port", "starboard"), patience_s=1e-9 * 10)
    order.take(ping("port", 0))
    order.take(ping("starboard", 0))
    handed = [p.number for at in range(1, 30) for p in order.take(ping("port", at))]
    assert handed == list(range(1, 20))


# ---- navigation ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rates", [False, True])
def test_a_pose_is_final_once_the_navigation_reaches_it(rates) -> None:
    """Against the poses of the whole navigation, bit for bit; and not long before."""
    whole = LiveNavigation(platform(60, rates=rates), None)
    at = START_NS + 2_000_000_000
    begin = whole.trajectory.seconds(at)
    times = np.linspace(begin, begin + OWN.first_sample_delay_s + OWN.n_sample * OWN.sample_interval_s, 50)
    first = None
    for n in range(5, 60):
        part = LiveNavigation(platform(n, rates=rates), None)
        same = np.array_equal(part.trajectory.pose(times), whole.trajectory.pose(times))
        assert not part.reaches(at, OWN) or same
        assert (part.evidence(at, OWN) == whole.evidence(at, OWN)) == part.reaches(at, OWN)
        if part.reaches(at, OWN) and first is None:
            first = n
    assert first == np.searchsorted(whole.trajectory.time_s, times[-1] + OWN.pulse_duration_s) + (2 - rates)


def test_evidence_tells_what_a_ping_rests_on() -> None:
    at = START_NS + 2_000_000_000
    own = platform(60)
    was = LiveNavigation(own, None).evidence(at, OWN)
    k = int(np.searchsorted(own.time_ns, at))
    for name, by in (("north_m", 1e-9), ("heading_rad", 1e-12), ("altitude_m", 1e-9)):
        changed = getattr(own, name).copy()
        changed[k] += by
        assert LiveNavigation(replace(own, **{name: changed}), None).evidence(at, OWN) != was, name
        far = getattr(own, name).copy()
        far[k + 6] += by
        assert LiveNavigation(replace(own, **{name: far}), None).evidence(at, OWN) == was, name
    bad = np.zeros(60, np.int64)
    assert LiveNavigation(replace(own, status=bad), None).evidence(at, OWN) == was
    bad[k] = 1
    assert LiveNavigation(replace(own, status=bad), None).evidence(at, OWN) != was


def test_an_altitude_that_has_not_come_is_waited_for() -> None:
    at = START_NS + 2_000_000_000
    own = platform(60)
    altitude = own.altitude_m.copy()
    altitude[int(np.searchsorted(own.time_ns, at)) :] = np.nan
    assert not LiveNavigation(replace(own, altitude_m=altitude), None).reaches(at, OWN)
    assert LiveNavigation(replace(own, altitude_m=None), 12.0).reaches(at, OWN)


# ---- planning ------------------------------------------------------------------------------------------------


def planned(altitude: np.ndarray, **more) -> Trajectory:
    given = {"altitude_m": None, "water_depth_m": None} | more
    own = Trajectory.from_platform(platform(60, altitude_m=altitude))
    return planning_part(own, 0.5, 1.5, **given)


def test_the_first_pings_plan_unless_the_vehicle_comes_down() -> None:
    level = np.full(60, 6.0)
    whole = Trajectory.from_platform(platform(60, altitude_m=level))
    part = planned(level)
    assert part.time_s.size < 25
    assert part.time_s[0] <= 0.5
    assert part.time_s[-1] > 1.5
    dive = np.where(np.arange(60) > 40, 5.5, 6.0)
    assert planned(dive).time_s.size == part.time_s.size
    dive[50] = 5.3
    assert planned(dive).time_s.size == 60
    assert planned(dive, altitude_m=6.0).time_s.size == part.time_s.size
    assert least_altitude(planned(dive), None) == 5.3
    at = np.linspace(0.5, 1.5, 30)
    np.testing.assert_array_equal(part.pose(at), whole.pose(at))


def test_another_sound_speed_later_plans_anew() -> None:
    speed = np.where(np.arange(60) > 30, 1500.0, 1490.0)
    own = Trajectory.from_platform(platform(60, sound_speed_at_array_m_s=speed))
    args = {"altitude_m": None, "water_depth_m": None}
    assert planning_part(own, 0.5, 1.5, **args).time_s.size == 60
    own = Trajectory.from_platform(platform(60, sound_speed_at_array_m_s=speed / 1500 + 1489))
    assert planning_part(own, 0.5, 1.5, **args).time_s.size < 25


# ---- looks ---------------------------------------------------------------------------------------------------


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    return line(tmp_path / "r.h5", n_ping=5, sides=("starboard",))


def test_a_torn_ping_is_waited_for_and_taken_once_it_is_whole(recording) -> None:
    whole = recording.read_bytes()
    spoil_newest(recording, "starboard", 4)
    clock = Clock()
    growing = GrowingRecording(recording, 0.1, clock)
    growing.look()
    navigation = LiveNavigation(growing.recording.platform(), None)
    feed = LiveFeed(growing, 5.0, clock)
    assert [feed.next(navigation).ping.number for _ in range(4)] == [0, 1, 2, 3]
    assert feed.next(navigation) is None
    recording.write_bytes(whole)
    growing.look()
    feed.looked()
    assert feed.next(navigation).ping.number == 4
    assert not feed.left_out


def test_a_ping_that_stays_torn_is_left_out(recording) -> None:
    spoil_newest(recording, "starboard", 4)
    clock = Clock()
    growing = GrowingRecording(recording, 0.1, clock)
    growing.look()
    feed = LiveFeed(growing, 5.0, clock)
    navigation = LiveNavigation(growing.recording.platform(), None)
    while feed.next(navigation):
        pass
    assert not feed.left_out
    clock.now += 3
    feed.looked()
    assert feed.next(navigation) is None
    assert feed.left_out == {"disagrees with its checksum": 1}


def test_a_ping_dates_from_the_last_look_that_did_not_see_it(tmp_path) -> None:
    clock = Clock()
    growing = GrowingRecording(tmp_path / "w.h5", 0.1, clock)
    growing.look()
    assert not growing.there
    assert "no such file" in growing.trouble
    source = line(tmp_path / "r.h5", n_ping=6, sides=("starboard",))
    with open_recording(source) as own:
        given = {"sonars": {"starboard": own.sonar("starboard")}, "water": own.water(), "title": "w"}
        given |= {"origin_latitude_deg": 0.0, "origin_longitude_deg": 0.0, "capacity": 6}
        with RecordingWriter(tmp_path / "w.h5", **given) as writer:
            writer.write_platform(own.platform())
            for k in range(6):
                clock.now += 1
                writer.write_ping(own.ping("starboard", k))
                if k % 2 == 0:
                    growing.look()
                    assert (growing.n_ping, growing.closed) == (k + 1, False)
    clock.now += 1
    growing.look()
    assert growing.closed
    assert [growing.since("starboard", k) for k in range(6)] == [
        (1.0, True),
        *[(1.0, False)] * 2,
        *[(3.0, False)] * 2,
        (5.0, False),
    ]
    assert growing.idle_s == 0


def test_a_recording_going_on_in_another_file_is_not_closed(tmp_path) -> None:
    for more in (True, False):
        with open_recording(line(tmp_path / f"{more}.h5", n_ping=2, more_follow=more)) as recording:
            assert recording.closed is not more
            assert recording.platform().altitude_m[0] == ALTITUDE_M


def test_what_a_navigation_says_of_itself_stands_there_at_once(tmp_path) -> None:
    own = replace(platform(20), heading_uncertainty_rad=0.01)
    given = {"sonars": {"starboard": OWN}, "title": "w", "origin_latitude_deg": 0.0}
    with open_recording(line(tmp_path / "r.h5", n_ping=1, sides=("starboard",))) as recording:
        water = recording.water()
    with RecordingWriter(
        tmp_path / "w.h5", water=water, origin_longitude_deg=0.0, capacity=3, **given
    ) as writer:
        writer.write_platform(own)
        with open_recording(tmp_path / "w.h5") as recording:
            assert recording.platform().heading_uncertainty_rad == 0.01


def test_settings_are_refused_by_their_option() -> None:
    for name, option in (("poll_s", "--poll-s"), ("idle_s", "--idle-s"), ("wait_s", "--navigation-wait-s")):
        with pytest.raises(ParameterError, match=option):
            FollowSettings(**{name: -1.0})
