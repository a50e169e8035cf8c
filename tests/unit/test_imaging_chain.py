"""The order of the stages: frames, waiting pings, tiles, reports, what is refused, what is remembered."""

from __future__ import annotations

import pickle
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from pingloom.imaging.beamform import BeamformSettings
from pingloom.imaging.chain import BottomSettings, Chain, ChainSettings, ChainState, StepReport, WaterSettings
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.frames import StripFrame, Trajectory
from pingloom.imaging.lay import GridSettings
from pingloom.imaging.records import Correction, Ping, Platform, Quality, Sonar, Tile, Water
from tests.unit.make import make_sonar

START_NS = 10**18
GRID = dict(along_m=0.08, across_m=0.1, tile_rows=16)


def small_sonar(side: str = "starboard", **changes: Any) -> Sonar:
    """Eight channels that record from 7 to 12 m."""
    fields = dict(
        side=side,
        n_channel=8,
        pitch_m=0.04,
        pulse_duration_s=0.5e-3,
        first_sample_delay_s=2 * 7.0 / 1500,
        n_sample=288,
        transmit_size_m=np.array([0.05, 0.003]),
        receive_size_m=np.array([0.04, 0.003]),
        depression_rad=0.5,
    )
    return make_sonar(**{**fields, **changes})


@dataclass(frozen=True)
class Leg:
    """A straight way, level, with pings of random echoes."""

    sonars: dict[str, Sonar]
    trajectory: Trajectory
    pings: list[Ping]
    water: Water = Water(sound_speed_m_s=1500.0, absorption_db_m=0.05, depth_m=20.0)

    def prepare(self, method: str = "multilook", **settings: Any) -> Chain:
        grid = GridSettings(**{**GRID, **settings.pop("grid", {})})
        return Chain.prepare(
            self.sonars, self.water, self.trajectory, ChainSettings(grid=grid, **settings), method
        )


def make_leg(
    n_ping: int = 12,
    *,
    sides: Sequence[str] = ("starboard",),
    course_rad: float = 0.6,
    heading_rad: float | None = None,
    spacing_m: float = 0.2,
    interval_s: float = 0.2,
    seed: int = 1,
    **changes: Any,
) -> Leg:
    sonars = {side: small_sonar(side, **changes) for side in sides}
    t = np.arange(-1, n_ping + 1) * interval_s
    speed = spacing_m / interval_s
    zero = np.zeros(t.size)
    platform = Platform(
        time_ns=(START_NS + np.rint((t + interval_s) * 1e9).astype(np.int64)).astype(np.uint64),
        north_m=speed * t * np.cos(course_rad),
        east_m=speed * t * np.sin(course_rad),
        depth_m=zero + 16,
        heading_rad=zero + (course_rad if heading_rad is None else heading_rad),
        pitch_rad=zero,
        roll_rad=zero,
    )
    pings = []
    for i in range(n_ping):
        for k, side in enumerate(sides):
            rng = np.random.default_rng([seed, i, k])
            shape = (*sonars[side].element_position_m.shape[:2], sonars[side].n_sample)
            echo = (rng.standard_normal(shape) + 1j * rng.standard_normal(shape)).astype(np.complex64)
            at_ns = START_NS + round((i + 1) * interval_s * 1e9)
            pings.append(Ping(side=side, number=i, time_ns=at_ns, echo=echo))
    return Leg(sonars, Trajectory.from_platform(platform), pings)


def image(
    leg: Leg,
    chain: Chain,
    *,
    frame: StripFrame | None = None,
    pings: Sequence[Ping] | None = None,
    corrections: dict[int, Correction] | None = None,
) -> tuple[ChainState, list[Tile], list[StepReport]]:
    state, tiles, reports = chain.start(frame), [], []
    for ping in leg.pings if pings is None else pings:
        state, new, said = chain.step(state, ping, leg.trajectory, (corrections or {}).get(ping.number))
        tiles += new
        reports += said
    new, said = chain.finish(state, leg.trajectory)
    return state, tiles + new, reports + said


def rows(tiles: list[Tile], side: str = "starboard", layer: str = "intensity") -> dict[int, np.ndarray]:
    """Every row of a side by its index."""
    own = [t for t in tiles if t.side == side]
    return {t.first_along + i: getattr(t, layer)[i] for t in own for i in range(t.intensity.shape[0])}


class TestFrame:
    def test_the_frame_is_the_course_not_the_heading(self) -> None:
        leg = make_leg(course_rad=2.0, heading_rad=2.1)
        state, _, _ = image(leg, leg.prepare())
        assert state.frame.heading_rad == pytest.approx(2.0, abs=1e-9)
        # It begins where the first ping was sent.
        assert (state.frame.north_m, state.frame.east_m) == pytest.approx((0.0, 0.0), abs=1e-9)

    def test_a_planned_heading_takes_the_courses_place(self) -> None:
        leg = make_leg(course_rad=2.0)
        state, _, _ = image(leg, leg.prepare(grid=dict(heading_deg=115.0)))
        assert state.frame.heading_rad == pytest.approx(np.deg2rad(115.0))

    def test_a_given_frame_is_kept_and_nothing_waits(self) -> None:
        leg = make_leg()
        chain = leg.prepare()
        frame = StripFrame(3.0, -2.0, 0.5)
        state, _, reports = chain.step(chain.start(frame), leg.pings[0], leg.trajectory)
        assert state.frame is frame
        assert len(reports) == 1
        assert not state.pending

    def test_pings_wait_until_the_course_is_known(self) -> None:
        leg = make_leg()
        chain = leg.prepare(grid=dict(course_pings=5))
        state = chain.start()
        for i, ping in enumerate(leg.pings[:4]):
            state, tiles, reports = chain.step(state, ping, leg.trajectory)
            assert (len(state.pending), tiles, reports) == (i + 1, [], [])
        state, _, reports = chain.step(state, leg.pings[4], leg.trajectory)
        assert [r.number for r in reports] == [0, 1, 2, 3, 4]
        assert not state.pending
        assert all(r.added > 0 for r in reports)

    def test_waiting_pings_are_imaged_at_the_end_of_a_short_line(self) -> None:
        leg = make_leg(3)
        _, tiles, reports = image(leg, leg.prepare(grid=dict(course_pings=8)))
        assert [r.number for r in reports] == [0, 1, 2]
        assert sum(t.coverage.sum() for t in tiles) == sum(r.added for r in reports)

    @pytest.mark.parametrize("method", ["multilook", "broadside"])
    def test_a_single_ping_makes_an_image(self, method: str) -> None:
        leg = make_leg(1)
        _, tiles, reports = image(leg, leg.prepare(method))
        assert len(reports) == 1
        assert tiles
        assert max(t.coverage.max() for t in tiles) == 1

    def test_no_ping_makes_no_tile(self) -> None:
        leg = make_leg()
        assert image(leg, leg.prepare(), pings=[])[1:] == ([], [])


class TestTiles:
    def test_tiles_follow_each_other_and_count_all_looks(self) -> None:
        leg = make_leg(40)
        _, tiles, reports = image(leg, leg.prepare())
        ends = [t.first_along + t.intensity.shape[0] for t in tiles]
        assert [t.first_along for t in tiles[1:]] == ends[:-1]
        assert all(t.intensity.shape[0] == 16 for t in tiles[:-1])
        assert sum(int(t.coverage.sum()) for t in tiles) == sum(r.added for r in reports)
        assert not any(r.late or r.uncovered for r in reports)

    def test_tiles_come_while_the_line_goes_on(self) -> None:
        leg = make_leg(60)
        chain = leg.prepare(grid=dict(heading_bound_deg=2.0))
        state, early = chain.start(), 0
        for ping in leg.pings:
            state, tiles, _ = chain.step(state, ping, leg.trajectory)
            early += len(tiles)
        assert early >= 5

    @pytest.mark.parametrize("method", ["multilook", "broadside"])
    def test_memory_stays_flat_over_a_line_ten_times_as_long(self, method: str) -> None:
        sizes = []
        for n in (30, 300):
            leg = make_leg(n)
            chain = leg.prepare(method)
            state = chain.start()
            for ping in leg.pings:
                state, _, _ = chain.step(state, ping, leg.trajectory)
            sizes.append(len(pickle.dumps(state)))
        assert sizes[1] == pytest.approx(sizes[0], rel=0.01)

    def test_layers_are_single_precision_and_nan_only_where_nothing_was_seen(self) -> None:
        leg = make_leg()
        for tile in image(leg, leg.prepare())[1]:
            assert tile.intensity.dtype == tile.looks.dtype == tile.noise_equivalent.dtype == np.float32
            assert_array_equal(np.isnan(tile.intensity), tile.coverage == 0)
            assert_array_equal(tile.looks > 0, tile.coverage > 0)
            assert_array_equal((tile.quality & Quality.NOT_SEEN) > 0, tile.coverage == 0)
            # 7 m and more below the sonar's first sample: no water column, so the noise is unknown.
            assert_array_equal((tile.quality & Quality.NOISE_UNKNOWN) > 0, tile.coverage > 0)
            assert np.isnan(tile.noise_equivalent).all()

    @pytest.mark.parametrize("method", ["multilook", "broadside"])
    @pytest.mark.parametrize("cut", [3, 8, 15])
    def test_stopping_and_going_on_from_a_saved_state_gives_the_same_bytes(
        self, method: str, cut: int
    ) -> None:
        leg = make_leg(24)
        chain = leg.prepare(method)
        _, whole, _ = image(leg, chain)
        state, tiles = chain.start(), []
        for ping in leg.pings[:cut]:
            state, new, _ = chain.step(state, ping, leg.trajectory)
            tiles += new
        state = pickle.loads(pickle.dumps(state))
        chain = leg.prepare(method)
        for ping in leg.pings[cut:]:
            state, new, _ = chain.step(state, ping, leg.trajectory)
            tiles += new
        tiles += chain.finish(state, leg.trajectory)[0]
        assert [t.first_along for t in tiles] == [t.first_along for t in whole]
        for ours, theirs in zip(tiles, whole, strict=True):
            for layer in ("intensity", "looks", "coverage", "noise_equivalent", "quality"):
                assert getattr(ours, layer).tobytes() == getattr(theirs, layer).tobytes()


class TestReports:
    def test_pixels_behind_the_finished_rows_are_counted_as_late(self) -> None:
        leg = make_leg(40)
        chain = leg.prepare(grid=dict(heading_bound_deg=0.0, tile_rows=1))
        back = {39: Correction(side="starboard", number=39, shift_along_m=-4.0)}
        _, tiles, reports = image(leg, chain, corrections=back)
        assert reports[-1].late > 0
        assert not any(r.late for r in reports[:-1])
        assert sum(int(t.coverage.sum()) for t in tiles) == sum(r.added for r in reports)

    def test_a_turn_faster_than_its_bound_leaves_pixels_uncovered_and_says_so(self) -> None:
        leg = make_leg(8)
        rate = np.zeros_like(leg.trajectory.rate)
        rate[:, :] = leg.trajectory.rate
        rate[:, 3] = (
            6.0  # rad/s: no vehicle turns so; over 10 ms it is 0.06 rad, as wide as the sector's half
        )
        value = leg.trajectory.value.copy()
        value[:, 3] += 6.0 * (leg.trajectory.time_s - leg.trajectory.time_s[4])
        turning = Trajectory(
            leg.trajectory.start_ns,
            leg.trajectory.time_s,
            value,
            rate,
            leg.trajectory.altitude_time_s,
            leg.trajectory.altitude_m,
            None,
        )
        chain = leg.prepare(beamform=BeamformSettings(yaw_rate_bound_deg_s=0.0, speed_bound_m_s=0.0))
        _, _, reports = chain.step(chain.start(StripFrame(0.0, 0.0, 0.6)), leg.pings[3], turning)
        assert reports[0].uncovered > 0

    def test_a_rejected_ping_leaves_no_trace_but_its_reason(self) -> None:
        leg = make_leg(12)
        out = {5: Correction(side="starboard", number=5, look_weight=0.0)}
        chain, frame = leg.prepare(), StripFrame(0.0, 0.0, 0.6)
        _, tiles, reports = image(leg, chain, frame=frame, corrections=out)
        assert reports[5].reason == "rejected: by its correction"
        assert reports[5].added == 0
        _, without, _ = image(leg, chain, frame=frame, pings=[p for p in leg.pings if p.number != 5])
        for row, values in rows(without).items():
            assert_array_equal(rows(tiles)[row], values)

    def test_a_look_weight_weighs(self) -> None:
        leg = make_leg(2)
        frame = StripFrame(0.0, 0.0, 0.6)
        chain = leg.prepare()
        alone = [rows(image(leg, chain, frame=frame, pings=[p])[1]) for p in leg.pings]
        half = {1: Correction(side="starboard", number=1, look_weight=0.5)}
        both = rows(image(leg, chain, frame=frame, corrections=half)[1])
        tested = 0
        for row, got in both.items():
            if row in alone[0] and row in alone[1]:
                a, b = alone[0][row], alone[1][row]
                seen = np.isfinite(a) & np.isfinite(b)
                assert_allclose(got[seen], ((a + 0.5 * b) / 1.5)[seen], rtol=1e-4)
                tested += seen.sum()
        assert tested > 100

    def test_observers_hear_the_stages_in_order(self) -> None:
        leg = make_leg(1)
        chain, heard = leg.prepare(), []
        chain.step(chain.start(StripFrame(0.0, 0.0, 0.6)), leg.pings[0], leg.trajectory, observe=heard.append)
        assert len(heard) == len(set(heard)) >= 6
        assert heard.index("matched filter") < heard.index("beams") < heard.index("tiles")

    def test_the_altitude_is_the_corrections_else_the_settings_else_the_recordings(self) -> None:
        leg = make_leg(1)
        frame = StripFrame(0.0, 0.0, 0.6)

        def altitude(chain: Chain, correction: Correction | None = None) -> float:
            return chain.step(chain.start(frame), leg.pings[0], leg.trajectory, correction)[2][0].altitude_m

        said = Correction(side="starboard", number=0, altitude_m=4.4)
        assert altitude(leg.prepare()) == pytest.approx(4.0)
        assert altitude(leg.prepare(bottom=BottomSettings(altitude_m=4.2))) == 4.2
        assert altitude(leg.prepare(bottom=BottomSettings(altitude_m=4.2)), said) == 4.4


class TestRefusals:
    def test_a_ping_of_a_side_that_was_not_planned(self) -> None:
        leg = make_leg(2, sides=("port", "starboard"))
        chain = Chain.prepare({"port": leg.sonars["port"]}, leg.water, leg.trajectory)
        with pytest.raises(DataError, match="ping 0 is of side starboard; planned: port"):
            chain.step(chain.start(), leg.pings[1], leg.trajectory)

    def test_a_ping_of_another_shape(self) -> None:
        leg = make_leg(1)
        chain = leg.prepare()
        short = Ping(side="starboard", number=7, time_ns=START_NS, echo=leg.pings[0].echo[..., :-1])
        with pytest.raises(
            DataError, match=r"ping 7: echo has shape .* = \(1, 8, 287\); .* for \(1, 8, 288\)"
        ):
            chain.step(chain.start(), short, leg.trajectory)

    def test_an_unknown_method(self) -> None:
        with pytest.raises(ParameterError, match="method is 'magic'; allowed: multilook, broadside"):
            make_leg(1).prepare("magic")

    def test_a_sound_speed_that_no_water_has(self) -> None:
        with pytest.raises(ParameterError, match=r"water\.sound_speed_m_s is 340; allowed: 1300 to 1800"):
            make_leg(1).prepare(water=WaterSettings(sound_speed_m_s=340.0))

    def test_an_altitude_that_is_none(self) -> None:
        with pytest.raises(ParameterError, match=r"bottom\.altitude_m is -3; allowed: above 0"):
            BottomSettings(altitude_m=-3.0)

    def test_a_leg_that_runs_where_the_array_points(self) -> None:
        leg = make_leg(3, heading_rad=0.6 + np.pi / 2)
        with pytest.raises(DataError, match=r"not a side-looking leg; .* --set grid\.heading_deg"):
            image(leg, leg.prepare())


class TestBroadside:
    def lines(self, spacing_m: float) -> tuple[list[Tile], float]:
        """Two lines from places this far apart: each lies some 2 cm ahead, where the array is when it hears."""
        leg = make_leg(2, spacing_m=spacing_m, interval_s=2.0)
        chain = leg.prepare("broadside", grid=dict(along_m=0.02))
        return image(leg, chain)[1], chain.grid.along_m

    def test_the_gap_between_two_lines_is_filled_and_marked(self) -> None:
        tiles, along_m = self.lines(2.9)
        coverage, quality = rows(tiles, layer="coverage"), rows(tiles, layer="quality")
        for along in (0.4, 1.45, 2.5):
            row = round(along / along_m)
            assert coverage[row].sum() > 20
            assert (quality[row][coverage[row] > 0] & Quality.GAP_FILLED).all()
        # Pixels of the lines themselves are no filling.
        near = [q[coverage[row] > 0] for row, q in quality.items() if abs(row * along_m - 0.02) < 0.03]
        assert any((q & Quality.GAP_FILLED == 0).any() for q in near)

    def test_a_gap_of_more_than_three_metres_stays_open(self) -> None:
        tiles, along_m = self.lines(3.1)
        coverage = rows(tiles, layer="coverage")
        assert not any(c.any() for row, c in coverage.items() if 0.2 < row * along_m < 2.9)
        assert any(c.any() for row, c in coverage.items() if row * along_m < 0.1)

    def test_pixels_take_the_value_of_the_nearer_line(self) -> None:
        tiles, along_m = self.lines(0.8)
        value = rows(tiles)
        near_first, near_second = value[round(0.2 / along_m)], value[round(0.6 / along_m)]
        seen = np.isfinite(near_first) & np.isfinite(near_second)
        assert seen.sum() > 20
        assert_array_equal(near_first[seen], value[round(0.1 / along_m)][seen])
        assert (near_first[seen] != near_second[seen]).all()


def test_imaging_writes_to_none_of_its_inputs() -> None:
    leg = make_leg(4)
    chain = leg.prepare()
    echoes = [p.echo.copy() for p in leg.pings]
    value, rate = leg.trajectory.value.copy(), leg.trajectory.rate.copy()
    image(leg, chain)
    for ping, before in zip(leg.pings, echoes, strict=True):
        assert_array_equal(ping.echo, before)
    assert_array_equal(leg.trajectory.value, value)
    assert_array_equal(leg.trajectory.rate, rate)


def test_equal_work_gives_equal_bytes() -> None:
    leg = make_leg(12)
    first, second = (image(leg, leg.prepare())[1] for _ in range(2))
    for a, b in zip(first, second, strict=True):
        assert a.intensity.tobytes() == b.intensity.tobytes()


def test_one_looks_average_is_the_image() -> None:
    leg = make_leg(6)
    chain = leg.prepare()
    frame = StripFrame.from_course(leg.trajectory, 0.2, 1.2)
    _, tiles, _ = image(leg, chain, frame=frame)
    whole = rows(tiles)
    total: dict[int, np.ndarray] = {}
    count: dict[int, np.ndarray] = {}
    for ping in leg.pings:
        look = chain.look(ping, leg.trajectory, frame)
        assert look.intensity.dtype == np.float32
        for k, line in enumerate(look.intensity):
            seen = np.isfinite(line)
            row = look.first_along + k
            total[row] = total.get(row, 0) + np.where(seen, line, 0)
            count[row] = count.get(row, 0) + seen
    for row, line in whole.items():
        seen = np.isfinite(line)
        # No water column here, so no noise is subtracted; float32 sums in another order.
        assert_allclose(line[seen], (total[row] / np.maximum(count[row], 1))[seen], rtol=2e-6)


def test_a_jump_forward_finishes_what_was_open_and_keeps_memory_small() -> None:
    leg = make_leg(12)
    chain = leg.prepare()
    frame = StripFrame.from_course(leg.trajectory, 0.2, 1.2)
    state, tiles, _ = image(leg, chain, frame=frame, pings=leg.pings[:6])
    far = StripFrame(frame.north_m - 500 * np.cos(0.6), frame.east_m - 500 * np.sin(0.6), frame.heading_rad)
    state, first = chain.start(frame), []
    for ping in leg.pings[:6]:
        state, new, _ = chain.step(state, ping, leg.trajectory)
        first += new
    before = state.sides["starboard"].accumulator.sums.nbytes
    state.frame = far  # as if the vehicle had jumped half a kilometre ahead
    for ping in leg.pings[6:]:
        state, new, _ = chain.step(state, ping, leg.trajectory)
        first += new
    assert state.sides["starboard"].accumulator.sums.nbytes <= 1.2 * before
    got = rows(first)
    for row, line in rows(tiles).items():
        assert_array_equal(got[row], line)
