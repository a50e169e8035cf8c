"""How far the navigation strays from ping to ping, learnt from what adjacent looks show, and the steps that follow.

The steps of a navigation's error along, across and in heading are taken as independent, of variances that nobody knows:
what the navigation states is a guess. So a table of variances is kept, steps of a factor of two apart in deviation, and how
well each explains the matches so far (marginal likelihood, what is long ago forgotten); a step is the mean of
the steps under each of them, weighted so (Magill 1965). Over a swath of 24 m the bands tell a shift along from a
turn only by what lies near against what lies far, and single pings barely do; the likelihood takes from each ping
what it knows, while sums of squares give a poor match the voice of a good one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["StepTable", "trust_in_bands", "weighed"]

_OCTAVES = np.arange(-5.0, 6.0)
"""Deviations of the table over what is stated, as powers of two."""


@dataclass(frozen=True, slots=True, eq=False)
class StepTable:
    """What each pair of variances has explained so far; plain arrays."""

    together: NDArray[np.float64]
    """(along, turn) log likelihood."""
    across: NDArray[np.float64]
    """(across,) log likelihood."""

    @classmethod
    def start(cls) -> StepTable:
        """Nothing seen."""
        n = _OCTAVES.size
        return cls(np.zeros((n, n)), np.zeros(n))

    def variance(
        self, stated: NDArray[np.float64], most: NDArray[np.float64], doubt_octaves: float
    ) -> NDArray[np.float64]:
        """(3,) mean variances of steps along, across [m^2] and in heading [rad^2].

        Parameters
        ----------
        stated, most : ndarray of float64, shape (3,)
            Variances that the navigation states, and bounds of what is believed.
        doubt_octaves : float
            Standard deviation of what is stated, in factors of two.
        """
        along, across, turn = _choices(stated, most)
        both, alone = self._weights(doubt_octaves)
        return np.array([both.sum(axis=1) @ along, alone @ across, both.sum(axis=0) @ turn])

    def _weights(self, doubt_octaves: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        prior = -(_OCTAVES**2) / (2 * doubt_octaves**2)
        return _normalised(self.together + prior[:, None] + prior), _normalised(self.across + prior)

    def learn(
        self,
        design: NDArray[np.float64],
        value: NDArray[np.float64],
        variance: NDArray[np.float64],
        steady: float,
        stated: NDArray[np.float64],
        most: NDArray[np.float64],
        doubt_octaves: float,
        keep: float,
    ) -> tuple[StepTable, NDArray[np.float64], float, float]:
        """Take in one match.

        Parameters
        ----------
        design, value, variance : ndarray of float64, shapes (k, 3), (k,), (k,)
            Equations for a step along, across and in heading.
        steady : float
            Variance of what turns with the heading's step but is none of it. [rad^2]
        keep : float
            Share of what was seen before that still counts.

        Returns
        -------
        table : StepTable
        step : ndarray of float64, shape (3,)
        feigned : float
            Steady turn beyond what was believed, [rad], and its variance.
        """
        variance = variance / trust_in_bands(design, value, variance)
        information = (design.T / variance) @ design
        pull = (design.T / variance) @ value
        usual = self.variance(stated, most, doubt_octaves)
        along, across, turn = _choices(stated, most)
        n = _OCTAVES.size
        grid = np.empty((n, n, 3))
        grid[..., 0], grid[..., 1], grid[..., 2] = along[:, None], usual[1], turn + steady
        step, spread, gain = _solved(information, pull, grid)
        line = np.tile(usual, (n, 1))
        line[:, 1] = across
        line[:, 2] += steady
        step_across, _, gain_across = _solved(information, pull, line)
        table = StepTable(keep * self.together + gain, keep * self.across + gain_across)
        both, alone = table._weights(doubt_octaves)
        # Of what turns, each pair of variances gives the heading its share.
        share = steady / grid[..., 2]
        own = share * step[..., 2]
        feigned = float(np.sum(both * own))
        unsure = steady - share**2 * (grid[..., 2] - spread[..., 2, 2])
        left = float(np.sum(both * (unsure + (own - feigned) ** 2)))
        heading = float(np.sum(both * (step[..., 2] - own)))
        return (
            table,
            np.array([np.sum(both * step[..., 0]), alone @ step_across[:, 1], heading]),
            feigned,
            left,
        )


def trust_in_bands(
    design: NDArray[np.float64], value: NDArray[np.float64], variance: NDArray[np.float64]
) -> NDArray[np.float64]:
    """(k,) Huber's weights against what all say together, whatever the navigation thinks of it."""
    trust = np.ones(value.size)
    for _ in range(4):
        off = np.abs(value - design @ _fitted(design, value, variance / trust)) / np.sqrt(variance)
        trust = np.minimum(1.0, 1.5 / np.maximum(off, 1e-9))
    return trust


def weighed(
    design: NDArray[np.float64], value: NDArray[np.float64], variance: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Step that the bands say together; what strays counts less."""
    return _fitted(design, value, variance / trust_in_bands(design, value, variance))


def _fitted(design, value, variance) -> NDArray[np.float64]:
    information = (design.T / variance) @ design
    # A single band says nothing of a turn.
    return np.linalg.solve(information + 1e-6 * np.eye(3), (design.T / variance) @ value)


def _choices(stated, most) -> NDArray[np.float64]:
    """(3, n) variances of the table."""
    return np.minimum(stated[:, None] * 4.0**_OCTAVES, most[:, None])


def _solved(information, pull, prior):
    """Steps, their covariances and log likelihoods for (..., 3) prior variances, a term common to all left out."""
    inverse = np.zeros((*prior.shape, 3))
    for k in range(3):
        inverse[..., k, k] = 1 / prior[..., k]
    spread = np.linalg.inv(information + inverse)
    step = spread @ pull
    likelihood = 0.5 * (np.log(np.linalg.det(spread)) - np.log(prior).sum(axis=-1) + step @ pull)
    return step, spread, likelihood


def _normalised(log_weight: NDArray[np.float64]) -> NDArray[np.float64]:
    weight = np.exp(log_weight - log_weight.max())
    return weight / weight.sum()
