"""Symmetries that the imaging must have whatever the echoes are."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from pingloom.imaging.beamform import Beamformer, BeamformSettings
from pingloom.imaging.compress import Compressor, CompressSettings
from pingloom.imaging.frames import StripFrame, Trajectory
from pingloom.imaging.records import Ping, Quality
from tests.unit.make import make_sonar, parts
from tests.unit.test_imaging_chain import Leg, image, make_leg, rows

FEW = settings(derandomize=True, deadline=None, max_examples=8)
SEED = st.integers(0, 10_000)
FRAME = StripFrame(0.0, 0.0, 0.6)


def noise(shape: tuple[int, ...], seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return (rng.standard_normal(shape) + 1j * rng.standard_normal(shape)).astype(np.complex64)


SONAR = make_sonar(n_channel=12, pitch_m=0.03, first_sample_delay_s=5e-3, n_sample=260, pulse_duration_s=1e-3)
COMPRESSOR = Compressor.prepare(SONAR, CompressSettings())
BEAMS = Beamformer.prepare(SONAR, COMPRESSOR, BeamformSettings(), sound_speed_m_s=1500.0, nearest_range_m=4.0)


def field(echo: np.ndarray) -> np.ndarray:
    out = BEAMS.allocate()
    BEAMS.run(parts(COMPRESSOR.run(echo)[0]), out)
    return out.field[..., 0] + 1j * out.field[..., 1]


def scale_of(value: np.ndarray) -> float:
    return float(np.abs(value).max())


@FEW
@given(seed=SEED, a=st.complex_numbers(max_magnitude=3), b=st.complex_numbers(max_magnitude=3))
def test_fields_superpose(seed: int, a: complex, b: complex) -> None:
    x, y = noise((1, 12, 260), seed), noise((1, 12, 260), seed + 1)
    both = field((a * x + b * y).astype(np.complex64))
    parts = a * field(x) + b * field(y)
    assert_allclose(both, parts, atol=2e-5 * max(1.0, scale_of(parts)))  # single precision sums


@FEW
@given(seed=SEED, turn=st.floats(-np.pi, np.pi), gain_db=st.floats(-60, 60))
def test_intensity_scales_with_the_square_and_forgets_the_phase(
    seed: int, turn: float, gain_db: float
) -> None:
    leg = make_leg(2, seed=seed)
    chain = leg.prepare()
    factor = np.complex64(10 ** (gain_db / 20) * np.exp(1j * turn))
    louder = [replace(p, echo=p.echo * factor) for p in leg.pings]
    once = rows(image(leg, chain, frame=FRAME)[1])
    again = rows(image(leg, chain, frame=FRAME, pings=louder)[1])
    assert once.keys() == again.keys()
    for row, value in once.items():
        expected = value.astype(np.float64) * 10 ** (gain_db / 10)
        assert_allclose(again[row], expected, rtol=1e-3, atol=1e-4 * np.nanmax(expected, initial=0))


@FEW
@given(seed=SEED, samples=st.integers(1, 60))
def test_a_later_echo_compresses_to_a_later_delay(seed: int, samples: int) -> None:
    echo = np.zeros((1, 12, 260), np.complex64)
    echo[..., :140] = noise((1, 12, 140), seed)
    later = np.roll(echo, samples, axis=-1)
    first, second = COMPRESSOR.run(echo), COMPRESSOR.run(later)
    assert_allclose(
        second[..., samples:], first[..., : first.shape[-1] - samples], atol=2e-5 * scale_of(first)
    )


@FEW
@given(seed=SEED, samples=st.integers(1, 40))
def test_recording_from_later_on_moves_nothing_on_the_ground(seed: int, samples: int) -> None:
    # The same samples stand at the same delays, whether the recording begins before them or with them.
    leg = make_leg(1, seed=seed)
    sonar = leg.sonars["starboard"]
    early = replace(
        sonar,
        first_sample_delay_s=sonar.first_sample_delay_s - samples * sonar.sample_interval_s,
        n_sample=sonar.n_sample + samples,
    )
    quiet = np.zeros((1, 8, samples), np.complex64)
    ping = leg.pings[0]
    padded = replace(ping, echo=np.concatenate([quiet, ping.echo], axis=-1))
    longer = Leg({"starboard": early}, leg.trajectory, [padded])
    bounds = dict(grid=dict(range_m=9.0, along_m=0.1, across_m=0.1))
    ours, theirs = (rows(image(which, which.prepare(**bounds), frame=FRAME)[1]) for which in (leg, longer))
    compared = 0
    for row, value in ours.items():
        both = np.isfinite(value) & np.isfinite(theirs.get(row, np.full(value.shape, np.nan)))
        if both.any():
            # Away from the first samples, which the longer recording's filters can reach before.
            both[: np.flatnonzero(both)[0] + 6] = False
            top = np.nanmax(value)
            # Geometry and level are tabled at other delays.
            assert_allclose(theirs[row][both], value[both], rtol=2e-2, atol=2e-3 * top)
            compared += both.sum()
    assert compared > 50


def turned(leg: Leg, angle_rad: float, north_m: float, east_m: float) -> Leg:
    """The whole world turned about the origin, then moved."""
    track = leg.trajectory
    value, rate = track.value.copy(), track.rate.copy()
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    for array in (value, rate):
        array[:, 0], array[:, 1] = c * array[:, 0] - s * array[:, 1], s * array[:, 0] + c * array[:, 1]
    value[:, :2] += north_m, east_m
    value[:, 3] += angle_rad
    moved = Trajectory(
        track.start_ns, track.time_s, value, rate, track.altitude_time_s, track.altitude_m, None
    )
    return Leg(leg.sonars, moved, leg.pings, leg.water)


@FEW
@given(
    seed=SEED,
    angle=st.floats(-3.1, 3.1),
    north=st.floats(-2000, 2000),
    east=st.floats(-2000, 2000),
    crab=st.floats(-0.15, 0.15),
)
def test_turning_the_world_leaves_the_strip_alone(seed, angle, north, east, crab) -> None:
    leg = make_leg(3, seed=seed, heading_rad=0.6 + crab)
    once = rows(image(leg, leg.prepare(), frame=FRAME)[1])
    other = turned(leg, angle, north, east)
    frame = StripFrame(north, east, (0.6 + angle) % (2 * np.pi))
    again = rows(image(other, other.prepare(), frame=frame)[1])
    count = total = 0
    for row, value in once.items():
        # Pixels on the edge of a sector may fall on either side by rounding of kilometres: a few, no more.
        mine = again.get(row, np.full(value.shape, np.nan))
        same = np.isfinite(value) & np.isfinite(mine)
        close = np.isclose(mine[same], value[same], rtol=2e-2, atol=1e-3 * np.nanmax(value, initial=0))
        count += close.sum()
        total += max(np.isfinite(value).sum(), np.isfinite(mine).sum())
    assert total > 100
    assert count >= 0.995 * total


@FEW
@given(seed=SEED, crab=st.floats(-0.1, 0.1), roll=st.floats(-0.1, 0.1), pitch=st.floats(-0.08, 0.08))
def test_port_is_the_mirror_of_starboard(seed: int, crab: float, roll: float, pitch: float) -> None:
    legs = []
    for side, sign in (("starboard", 1), ("port", -1)):
        leg = make_leg(3, sides=(side,), course_rad=0.0, heading_rad=sign * crab, seed=seed)
        value = leg.trajectory.value.copy()
        value[:, 4], value[:, 5] = pitch, sign * roll
        track = replace_value(leg.trajectory, value)
        legs.append(Leg(leg.sonars, track, leg.pings, leg.water))
    north = StripFrame(0.0, 0.0, 0.0)
    right, left = (
        rows(image(leg, leg.prepare(), frame=north)[1], side)
        for leg, side in zip(legs, ("starboard", "port"), strict=True)
    )
    assert right.keys() == left.keys()
    for row, value in right.items():
        assert_allclose(left[row][::-1], value, rtol=1e-3, atol=1e-4 * np.nanmax(value, initial=0))


def replace_value(track: Trajectory, value: np.ndarray) -> Trajectory:
    return Trajectory(
        track.start_ns, track.time_s, value, track.rate, track.altitude_time_s, track.altitude_m, None
    )


@FEW
@given(data=st.data())
def test_how_two_sides_take_turns_changes_nothing(data: Any) -> None:
    leg = make_leg(6, sides=("port", "starboard"), seed=data.draw(SEED))
    chain = leg.prepare()
    by_side = {side: [p for p in leg.pings if p.side == side] for side in leg.sonars}
    pattern = data.draw(st.permutations(["port"] * 6 + ["starboard"] * 6))
    mixed: list[Ping] = [by_side[side][pattern[:i].count(side)] for i, side in enumerate(pattern)]
    once, again = (image(leg, chain, frame=FRAME, pings=pings)[1] for pings in (leg.pings, mixed))
    for side in leg.sonars:
        first, second = rows(once, side), rows(again, side)
        assert first.keys() == second.keys()
        for row in first:
            assert_array_equal(first[row], second[row])


@FEW
@given(seed=SEED, order=st.permutations(range(4)))
def test_the_order_of_looks_matters_by_rounding_only(seed: int, order: list[int]) -> None:
    leg = make_leg(4, seed=seed)
    # Rows wait for the leg's end: nothing comes late in any order.
    chain = leg.prepare(grid=dict(heading_bound_deg=20.0, tile_rows=1000))
    once = rows(image(leg, chain, frame=FRAME)[1])
    again = rows(image(leg, chain, frame=FRAME, pings=[leg.pings[i] for i in order])[1])
    for row, value in once.items():
        seen = np.isfinite(value)
        if row in again:
            assert_allclose(again[row][seen], value[seen], rtol=1e-4)
        else:
            assert not seen.any()


@FEW
@given(
    seed=SEED, method=st.sampled_from(["multilook", "broadside"]), side=st.sampled_from(["port", "starboard"])
)
def test_nothing_but_unseen_pixels_is_nan_and_all_is_single(seed: int, method: str, side: str) -> None:
    leg = make_leg(3, sides=(side,), seed=seed)
    for tile in image(leg, leg.prepare(method))[1]:
        assert_array_equal(np.isnan(tile.intensity), tile.coverage == 0)
        assert_array_equal((tile.quality & Quality.NOT_SEEN) != 0, tile.coverage == 0)
        assert (tile.intensity[tile.coverage > 0] >= 0).all()
        assert (tile.looks <= tile.coverage * 1.0001).all()
        for layer in (tile.intensity, tile.looks, tile.noise_equivalent):
            assert layer.dtype == np.float32


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_one_ping_of_bad_numbers_spoils_only_its_own_look(bad: float) -> None:
    # Receivers that give no numbers are no reason to lose the pings around; the spoiled pixels say so by being NaN.
    leg = make_leg(6, sides=("starboard",))
    echo = leg.pings[2].echo.copy()
    echo[0, 3, 100] = bad
    pings = [*leg.pings[:2], replace(leg.pings[2], echo=echo), *leg.pings[3:]]
    with np.errstate(invalid="ignore"):
        spoiled = rows(image(leg, leg.prepare(), frame=FRAME, pings=pings)[1])
    clean = rows(image(leg, leg.prepare(), frame=FRAME)[1])
    counted = rows(image(leg, leg.prepare(), frame=FRAME, pings=[leg.pings[2]])[1], layer="coverage")
    for row, value in clean.items():
        mine = counted.get(row, np.zeros(value.shape)) > 0
        assert_array_equal(spoiled[row][~mine], value[~mine])
