"""Ratios are taken round by round, oddities are flagged, and two runs are compared with their noise."""

from __future__ import annotations

import copy

import numpy as np
import pytest

from pingloom.bench.cost import counts
from pingloom.bench.cost.compare import compare
from pingloom.bench.cost.growth import exponent
from pingloom.bench.cost.rivals import BANDS
from pingloom.bench.cost.stages import judge_rival
from pingloom.bench.cost.timing import Spread, Times, measure, timed
from pingloom.bench.quality import QualityRow


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
    sizes = dict(n_sample=1000, n_table=16, degree=2, focus_side=2, n_product=96, rank=1, steer_side=2)
    one, two = (counts.beams([counts.BeamPatch(n_beam=n, **sizes)], 32) for n in (16, 32))
    per_pair = 1000 * (4 * 96 + 4 * 6 * 2 + 4)
    assert two.arithmetic - one.arithmetic == 8 * per_pair
    assert counts.between(60, 100, 10, 0).arithmetic == 30 * 100 * 2 * 15
    assert counts.between(60, 100, 0, 8).arithmetic == 60 * 100 * 2 * 12
    assert counts.ground(2000, 16, 100).arithmetic == 2 * counts.ground(1000, 16, 100).arithmetic
    assert counts.simulator(10, 32, 100, 2).transform == counts.simulator(99, 32, 100, 2).transform
    assert counts.back_project(2, 3, 8).arithmetic == 6 * counts.back_project(1, 1, 8).arithmetic


def test_least_time_is_transforms_and_the_slower_of_the_rest() -> None:
    count = counts.Count(transform=2e9, arithmetic=4e9, moved=6e9)
    assert count.least_seconds(1, 1, 2) == pytest.approx(2 + 4)
    assert count.least_seconds(1, 4, 2) == pytest.approx(2 + 3)
    assert (count + count).moved == 12e9


def a_run() -> dict:
    ping = {"ping_ms": [4.0, 3.9, 4.1], "stage_ms": {"beams": [2.0, 1.9, 2.1], "tiles": [0.01, 0.0, 0.02]}}
    rival = {"ratio": 3.0, "quartiles": [2.9, 3.1], "flag": ""}
    row = QualityRow(
        quantity="looks", measured=9.0, predicted=8.6, unit="", spread=0.2, allowed=1.3
    ).as_dict()
    point = QualityRow(
        quantity="place", measured=0.1, predicted=0.0, unit="mm", spread=0.0, allowed=2.0
    ).as_dict()
    return {
        "stages": {"beams": {"right": True, "error": 1e-3, "rivals": {"expert": rival}}},
        "cost": {
            "case_pixels": ping,
            "own_pixels": copy.deepcopy(ping),
            "memory": {"peak_of_process_mb": 300.0},
        },
        "quality": [row, point],
        "ceilings": {"speed": 1.0},
        "machine": {"processor": "p", "architecture": "a", "system": "s"},
        "versions": {"numpy": "1", "scipy": "1", "numba": "1", "python": "3"},
    }


def worse(change) -> list[str]:
    after = a_run()
    change(after)
    return [f.quantity for f in compare(a_run(), after) if f.worse]


def test_the_same_run_is_not_worse() -> None:
    assert worse(lambda run: None) == []


def test_noise_is_not_worse() -> None:
    def change(run) -> None:
        run["stages"]["beams"]["rivals"]["expert"]["ratio"] = 2.65
        run["cost"]["case_pixels"]["ping_ms"] = [4.4, 4.2, 4.9]
        run["quality"][0]["measured"] = 9.2
        run["cost"]["memory"]["peak_of_process_mb"] = 350.0

    assert worse(change) == []


def test_a_slower_stage_is_worse() -> None:
    def change(run) -> None:
        run["stages"]["beams"]["rivals"]["expert"].update(ratio=2.0, quartiles=[1.9, 2.1])
        run["cost"]["case_pixels"]["stage_ms"]["beams"] = [3.0, 2.9, 3.1]

    assert worse(change) == ["beams: times faster than expert", "beams, case pixels [ms]"]


def test_a_slower_core_is_not_worse() -> None:
    def change(run) -> None:
        run["ceilings"]["speed"] = 0.5
        for pixels in ("case_pixels", "own_pixels"):
            run["cost"][pixels]["ping_ms"] = [8.0, 7.8, 8.2]
            run["cost"][pixels]["stage_ms"]["beams"] = [4.0, 3.8, 4.2]

    assert worse(change) == []


def test_times_of_another_machine_are_not_compared() -> None:
    def change(run) -> None:
        run["machine"]["processor"] = "q"
        run["cost"]["case_pixels"]["ping_ms"] = [40.0, 39.0, 41.0]

    assert worse(change) == []


def test_a_ratio_to_a_void_rival_is_not_compared() -> None:
    def change(run) -> None:
        run["stages"]["beams"]["rivals"]["expert"].update(ratio=1.0, flag="void: 2 x its expected time")

    assert worse(change) == []


def test_a_stage_that_turned_wrong_is_worse() -> None:
    def change(run) -> None:
        run["stages"]["beams"].update(right=False, error=0.2)
        run["stages"]["beams"]["rivals"]["expert"]["ratio"] = None

    assert worse(change) == ["beams: error"]


@pytest.mark.parametrize(("k", "value"), [(0, 9.9), (0, 7.3), (1, 0.4), (1, -0.4)])
def test_quality_further_from_its_prediction_is_worse(k, value) -> None:
    assert len(worse(lambda run: run["quality"][k].update(measured=value))) == 1


def test_quality_nearer_to_its_prediction_is_not_worse() -> None:
    assert worse(lambda run: run["quality"][0].update(measured=8.6)) == []
