"""What bands at several distances say of steps along, across and in heading, and of a turn that is none."""

from __future__ import annotations

import numpy as np
import pytest

from pingloom.imaging.estimate._steps import StepTable, trust_in_bands, weighed

DISTANCE_M = np.array([8.6, 12.2, 15.9, 19.6])
STATED = np.array([4.5e-3, 4.5e-3, 0.42e-3]) ** 2
MOST = np.array([0.12, 0.12, 5e-3]) ** 2
STD_M = np.concatenate([1.2e-3 * DISTANCE_M, np.full(4, 2.2e-3)])


def equations() -> np.ndarray:
    one, zero = np.ones(4), np.zeros(4)
    return np.concatenate([np.stack([one, zero, -DISTANCE_M], axis=1), np.stack([zero, one, zero], axis=1)])


def followed(
    steps: np.ndarray, seed: int, steady_std: float = 0.0, steady: float = 0.0
) -> tuple[np.ndarray, StepTable]:
    """Steps as told after each of a series of matches with errors as stated."""
    rng, design, table, told = np.random.default_rng(seed), equations(), StepTable.start(), []
    turn, unsure = 0.0, steady_std**2
    for step in steps:
        value = design @ (step + np.array([0, 0, steady])) + STD_M * rng.standard_normal(8)
        table, found, more, unsure = table.learn(
            design, value - turn * design[:, 2], STD_M**2, unsure, STATED, MOST, 4.0, keep=1 - 1 / 60
        )
        turn += more
        told.append(found)
    return np.array(told), table


def drawn(seed: int, *std: float, n: int = 60) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal((n, 3)) * std


def test_a_drift_along_does_not_pass_for_a_turn() -> None:
    ends = []
    for seed in range(8):
        true = drawn(seed, 0.025, 0.025, 0.0)
        told, table = followed(true, seed + 100)
        ends.append(told[:, 2].sum())
        assert np.sqrt(table.variance(STATED, MOST, 4.0)[0]) == pytest.approx(0.025, rel=0.45)
        assert np.sqrt(np.mean((told - true)[10:, 0] ** 2)) < 0.012
    # A turn of a quarter of a degree would be 4.4 mrad.
    assert np.sqrt(np.mean(np.square(ends))) < 3e-3


def test_turns_are_learnt_and_do_not_pass_for_a_drift() -> None:
    for seed in range(6):
        true = drawn(seed, 0.0, 0.0, 2e-3)
        told, _ = followed(true, seed + 200)
        left = (true - told)[10:]
        assert np.sqrt(np.mean(left[:, 2] ** 2)) < 0.5 * 2e-3
        assert abs(told[:, 0].sum()) < 0.06


def test_a_steady_turn_that_receivers_feign_is_left_out_of_the_heading() -> None:
    true = drawn(3, 4e-3, 4e-3, 0.0)
    fooled, _ = followed(true, 3, steady=-0.8e-3)
    warned, _ = followed(true, 3, steady_std=0.8e-3, steady=-0.8e-3)
    assert fooled[:, 2].sum() < -10e-3, "sixty pings of 0.8 mrad are 48"
    assert abs(warned[:, 2].sum()) < 4e-3


def test_nothing_is_found_where_nothing_moves() -> None:
    told, table = followed(np.zeros((60, 3)), 9)
    assert np.abs(told.sum(axis=0)).max() < 5e-3
    assert np.all(table.variance(STATED, MOST, 4.0) < STATED)


def test_a_band_that_strays_counts_less() -> None:
    design = equations()
    value = design @ [0.01, -0.02, 1e-3]
    value[3] += 20 * STD_M[3]
    trust = trust_in_bands(design, value, STD_M**2)
    assert trust[3] < 0.3
    assert weighed(design, value, STD_M**2)[1] == pytest.approx(-0.02, abs=1e-4)
