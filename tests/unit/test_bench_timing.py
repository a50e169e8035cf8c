"""Ratios are taken round by round, oddities are flagged, ceilings and counts are what they say."""

from __future__ import annotations

import numpy as np
import pytest

from pingloom.bench.cost import counts
from pingloom.bench.cost.ceilings import FORMS, Ceilings, multiply_adds
from pingloom.bench.cost.goals import goals
from pingloom.bench.cost.growth import explain, exponent, with_threads
from pingloom.bench.cost.judging import Stage, judge_rival, judge_stage
from pingloom.bench.cost.rivals import BANDS
from pingloom.bench.cost.timing import Spread, Times, joined, measure, timed


def test_spread_is_median_and_quartiles() -> None:
    assert Spread.of([1, 2, 3, 4, 5]) == Spread(3, 2, 4)


def test_ratio_is_taken_within_a_round() -> None:
    # The machine halves its speed from round to round; the ratio stays.
    times = Times({"ours": np.array([1.0, 2.0, 4.0]), "rival": np.array([3.0, 6.0, 12.0])})
    assert times.ratio("rival", "ours") == Spread(3, 3, 3)


def test_candidates_take_turns_and_the_best_of_a_round_counts() -> None:
    order: list[str] = []
    values = iter([9, 9, 5, 1, 7, 4, 8, 6])

    def a() -> float:
        order.append("a")
        return float(next(values))

    def b() -> float:
        order.append("b")
        return 2.0

    found = measure({"a": a, "b": b}, rounds=2, inner=3)
    assert "".join(order) == "aabb" + "aaabbb" * 2
    assert found.seconds["a"].tolist() == [1.0, 4.0]


def test_timed_counts_work() -> None:
    x = np.ones(200_000)
    assert timed(lambda: np.sort(x).sum())() > 0


@pytest.mark.parametrize(
    ("factor", "speed", "says"),
    [(1.0, 1.0, ""), (2.0, 0.5, ""), (2.0, 1.0, "void"), (1.3, 1.0, "slow"), (0.5, 1.0, "fast")],
)
def test_a_rival_out_of_its_band_is_flagged(factor, speed, says) -> None:
    low, high = BANDS["beams_expert"]
    took = (low + high) / 2 * factor
    assert judge_rival("beams_expert", Spread(took, took, took), speed, 3e-3).split(":")[0] == says


def test_a_wrong_rival_is_flagged_before_its_speed() -> None:
    assert judge_rival("beams_expert", Spread(1, 1, 1), 1.0, 0.5).startswith("wrong")


def test_exponent_of_a_power_law() -> None:
    size = [1.0, 2.0, 4.0, 8.0]
    assert exponent(size, [3 * s**1.5 for s in size]) == pytest.approx(1.5)


def test_counts_grow_as_their_sizes() -> None:
    assert (
        counts.matched_filter(64, 3200, 4096).transform == 2 * counts.matched_filter(32, 3200, 4096).transform
    )
    assert counts.matched_filter(1, 4096, 4096).transform == 2 * 5 * 4096 * 12
    sizes = dict(n_sample=1000, n_table=16, degree=2, focus_side=2, n_product=96, n_filtered=64, steer_side=2)
    one, two = (counts.beams([counts.BeamPatch(n_beam=n, **sizes)], 32) for n in (16, 32))
    assert two.arithmetic - one.arithmetic == 8 * 1000 * (4 * 96 + 4)
    level = 60 * 100 * 6
    assert counts.between(60, 100, 10, 0).arithmetic == 30 * 100 * 2 * 14 + level
    assert counts.between(60, 100, 0, 8).arithmetic == 60 * 100 * 2 * 11 + level
    four, eight = (counts.ground(1000, 16, 100, n).arithmetic for n in (4, 8))
    assert counts.ground(2000, 16, 100, 4).arithmetic == 2 * four
    assert four == 1000 * (66 + 70 + 3 + 20)
    assert eight - four == 1000 * (4 * 4 * 4 + 8)
    assert counts.simulator(10, 32, 100, 2).transform == counts.simulator(99, 32, 100, 2).transform
    assert counts.back_project(2, 3, 8).arithmetic == 6 * counts.back_project(1, 1, 8).arithmetic


def test_least_time_is_transforms_and_the_slower_of_the_rest() -> None:
    count = counts.Count(transform=2e9, arithmetic=4e9, moved=6e9)
    assert count.least_seconds(1, 1, 2) == pytest.approx(2 + 4)
    assert count.least_seconds(1, 4, 2) == pytest.approx(2 + 3)
    assert (count + count).moved == 12e9


class Counted:
    """A number that counts what is done with it."""

    done = 0

    def __add__(self, other):
        Counted.done += 1
        return Counted()

    __radd__ = __mul__ = __rmul__ = __sub__ = __rsub__ = __add__


def count_of(call) -> int:
    Counted.done = 0
    call()
    return Counted.done


def test_a_focused_sample_takes_the_operations_that_are_counted() -> None:
    # As the kernel says it: weights and folding of two mirrored receivers, the shift of both rows, the turn.
    x = Counted()

    def moved():
        even = x * x + x * (x + x) + x * (x + x)
        return x + x * (x * (x - x) + x * (x - x) + x * even)

    def pair():
        for _ in range(2):  # real and imaginary part
            _ = x * x + x * x, x * x - x * x
        for _ in range(2):  # sum and difference
            _ = moved(), moved()
            _ = x * x - x * x, x * x + x * x

    sizes = dict(n_sample=1, n_table=0, degree=2, focus_side=2, n_product=0, n_filtered=0, steer_side=2)
    assert counts.beams([counts.BeamPatch(n_beam=0, **sizes)], 2).arithmetic == count_of(pair)


def test_the_plan_of_the_case_is_counted_as_it_runs() -> None:
    from pingloom.bench.cost import ours
    from pingloom.bench.cost.cases import Case
    from pingloom.bench.cost.plan_counts import count_beams

    case = Case(n_channel=16, n_sample=400, n_beam=8, max_range_m=7.5)
    _, plan = ours.beams(case)
    products = filters = focused = 0
    for p in plan.patches:
        n = p.samples[1] - p.samples[0]
        assert p.folded
        rows = int(p.used.sum())
        # E and O of each half beam, real and imaginary part, a multiplication and an addition a row.
        products += n * (p.beams[1] - p.beams[0]) / 2 * (2 * 2 * 2 * rows + 4)
        filters += n * 2 * 2 * (rows - int(p.used[0])) * (3 * p.symmetric.shape[1] - 1)
        focused += (
            n
            * 16
            * (2 * (p.taps.shape[1] - 1) * (2 + 2 * p.taps.shape[0]) + 2 * (2 * p.taps.shape[0] + 1) + 10)
        )
    detected = 3 * 8 * 400
    assert count_beams(plan, detect=True).arithmetic == products + filters + focused + detected


@pytest.mark.parametrize("n", FORMS)
def test_every_chain_of_multiply_adds_runs_to_its_end(n) -> None:
    run, operations, sums = multiply_adds(n, 60)
    run()
    # 1 - 0.5^60 is 1 in single precision; a chain left out would stay at 0.
    np.testing.assert_array_equal(sums, np.float32(1))
    assert operations == 60 * 2 * n * 16
    run, _, sums = multiply_adds(n, 3)
    run()
    np.testing.assert_array_equal(sums, np.float32(0.875))


def test_chains_do_not_wait_for_each_other() -> None:
    # Each chain has a register of its own: as many multiply-adds in the loop as chains, to as many places.
    from pingloom.bench.cost.ceilings import _chains

    kernel = _chains(16)
    kernel(np.ones(2, np.float32), np.zeros(256, np.float32), 1)
    text = "".join(kernel.inspect_llvm().values())
    products = [line for line in text.splitlines() if "= fmul" in line and "<16 x float>" in line]
    sums = [line for line in text.splitlines() if "= fadd" in line and "<16 x float>" in line]
    assert len(products) >= 16
    assert len(products) == len(sums)
    assert all("contract" in line for line in products + sums)


def top(**changed) -> Ceilings:
    rates = dict(
        fft_gflop_s=120.0,
        fft_library="x",
        fft_scipy_gflop_s=28.0,
        fma_gflop_s=258.0,
        fma_form="x",
        product_gflop_s=125.0,
        l2_gb_s=115.0,
        memory_gb_s=32.0,
        speed=1.3,
    )
    return Ceilings(**{**rates, **changed})


def test_ceilings_that_fit_are_not_doubted() -> None:
    assert top().doubts() == []


@pytest.mark.parametrize(
    ("changed", "about"),
    [
        ({"fma_gflop_s": 110.0}, ["fma_gflop_s 110 is below product", "fma_gflop_s 110 is below fft"]),
        ({"fft_gflop_s": 20.0}, ["fft_gflop_s 20 is below fft_scipy"]),
        ({"l2_gb_s": 20.0}, ["l2_gb_s 20 is below memory"]),
    ],
)
def test_ceilings_that_contradict_each_other_are_doubted(changed, about) -> None:
    found = top(**changed).doubts()
    assert len(found) == len(about)
    assert all(text.startswith(start) for text, start in zip(found, about, strict=True))


def a_stage(error: float = 1e-3, rival: str = "beams_expert") -> dict:
    count = counts.Count(transform=0.0, arithmetic=258e3, moved=0.0)
    stage = Stage(
        lambda: 0.0, error, 0.02, count, "unit", 10, {"expert": (rival, lambda: 0.0)}, {"expert": (3e-3, 0.1)}
    )
    took = Times({"ours": np.full(5, 2e-6), "expert": np.full(5, 1.8e-3)})
    return judge_stage("beams", stage, took, top(), 1.0)


def test_a_stage_is_held_against_ceiling_rival_and_goal() -> None:
    found = a_stage()
    assert found["ceiling_fraction"] == pytest.approx(0.5)  # 258 thousand operations take 1 us at the peak
    assert found["operations"] == 258e3
    assert found["rivals"]["expert"]["ratio"] == pytest.approx(900)
    assert found["rivals"]["expert"]["goal"] == 4.0
    assert found["rivals"]["expert"]["flag"] == ""


def test_a_wrong_answer_has_no_speed() -> None:
    found = a_stage(error=0.2)
    assert not found["right"]
    assert found["rivals"]["expert"]["ratio"] is None
    assert found["rivals"]["expert"]["quartiles"] is None


COST = {
    "case_pixels": {"real_time_factor": {"two_sides": 31.0}},
    "second_core": {
        "gain": [1.8, 1.7, 1.9],
        "wall_ms": [[2.0, 1.9, 2.1], [1.0, 0.9, 1.1]],
        "cores_got": [1.0, 1.9],
    },
    "memory": {"growth_mb": 0.1},
    "start_up": {"help": {"wall_s": 0.2}},
}


def test_goals_are_reached_or_missed_and_a_void_ratio_counts_nothing() -> None:
    rows = goals({"beams": a_stage()}, COST)
    assert [row["reached"] for row in rows] == [True] * 5
    slow = a_stage()
    slow["rivals"]["expert"]["flag"] = "void: 2 x its expected time"
    costly = {**COST, "memory": {"growth_mb": None}, "second_core": None}
    rows = goals({"beams": slow}, costly)
    assert [(row["measured"] is None, row["reached"]) for row in rows] == [
        (True, False),
        (False, True),
        (True, False),
        (False, True),
    ]


def test_two_threads_tell_nothing_where_others_had_the_cores() -> None:
    crowded = {**COST["second_core"], "cores_got": [0.5, 0.9]}
    row = next(r for r in goals({}, {**COST, "second_core": crowded}) if "thread" in r["goal"])
    assert row["measured"] is None
    assert not row["reached"]


def test_growth_with_threads_is_that_of_wall_time() -> None:
    found = with_threads(COST["second_core"])["threads"]
    assert found["stages"]["ping"]["median_us"] == [2000.0, 1000.0]
    assert found["stages"]["ping"]["exponent"] == pytest.approx(-1)
    assert with_threads(None) == {}


def test_growth_above_linear_is_explained() -> None:
    assert explain(("ping", "samples"), 1.05, 1.0, [1e6, 2e6]) == ""
    assert "square" in explain(("ping", "samples"), 1.3, 1.3, [1e6, 2e6])
    told = explain(("ping", "channels"), 1.4, 1.0, [1e6, 2e6])
    assert "square" not in told
    assert "2.0 MB instead of 1.0" in told


def test_rounds_of_several_placements_are_joined_in_order() -> None:
    parts = [Times({"a": np.array([1.0, 2.0]), "b": np.array([4.0, 4.0])}) for _ in range(2)]
    whole = joined(parts)
    assert list(whole.seconds["a"]) == [1, 2, 1, 2]
    assert whole.ratio("b", "a").median == 3.0
