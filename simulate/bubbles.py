"""Bubbles as attenuation: a screen at the faces for a while, a wake that the sound crosses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .bubble_tables import Bubbles
from .listening import PingMoment
from .scenario import Scenario

__all__ = ["FaceLoss", "FaceScreen", "Wake", "face_loss", "wakes"]

_NEPER = np.log(10) / 20  # of amplitude, in a decibel


@dataclass(frozen=True, slots=True, eq=False)
class FaceLoss:
    """Loss of the screens of bubbles at the faces, on one passage."""

    screens: tuple[Bubbles, ...]

    def loss_db(self, time_s: ArrayLike) -> NDArray[np.float64]:
        """Loss at times from the first ping; edges are shaped by a cosine, in decibels."""
        time = np.asarray(time_s, dtype=np.float64)
        total = np.zeros(time.shape)
        for screen in self.screens:
            inside = np.minimum(time - screen.start_s, screen.stop_s - time)
            total += screen.loss_db * np.sin(np.pi / 2 * np.clip(1 + inside / screen.edge_s, 0, 1)) ** 2
        return total


@dataclass(frozen=True, slots=True, eq=False)
class FaceScreen:
    """What the screen does to a ping's samples. Part of the instrument's path, before its own noise."""

    loss: FaceLoss
    delay_s: NDArray[np.float64]
    half_pulse_s: float
    way: str
    """``out``: to the pulse, at its middle; ``in``: to all sound, when it arrives."""

    def run(self, samples: NDArray[np.complex64], ping: PingMoment) -> None:
        """Weaken one ping."""
        if self.way == "out":
            samples *= np.float32(np.exp(-_NEPER * self.loss.loss_db(ping.time_s + self.half_pulse_s)))
        else:
            samples *= np.exp(-_NEPER * self.loss.loss_db(ping.time_s + self.delay_s)).astype(np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class Wake:
    """A straight strip of bubbly water under the surface."""

    across: NDArray[np.float64]
    """(2,) unit vector across the strip: north, east."""
    middle_m: float
    """Of the strip, along ``across`` from the world's origin."""
    half_width_m: float
    depth_m: float
    neper_m: float

    @classmethod
    def of(cls, scenario: Scenario, table: Bubbles) -> Wake:
        """Return the wake that a table describes."""
        axis = np.deg2rad(scenario.vehicle.heading_deg + table.orientation_deg)
        across = np.array([-np.sin(axis), np.cos(axis)])
        place = np.array(scenario.world_place(table.along_m, 0.0))  # type: ignore[arg-type]
        return cls(
            across,
            float(across @ place),
            table.width_m / 2,  # type: ignore[operator]
            np.inf if table.depth_m is None else table.depth_m,
            table.loss_db_m * _NEPER,  # type: ignore[operator]
        )

    def within_m(self, start_m: NDArray[np.float64], end_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Length inside the wake of straight ways from ``start_m`` (3,) to ``end_m`` (3, n). [m]"""
        begin = self.across @ start_m[:2] - self.middle_m
        stop = self.across @ end_m[:2] - self.middle_m
        first, last = _share(begin, stop, -self.half_width_m, self.half_width_m)
        if np.isfinite(self.depth_m):
            # Depths below 0 are those of images: ways by the surface.
            above = _share(np.float64(start_m[2]), end_m[2], -self.depth_m, self.depth_m)
            first, last = np.maximum(first, above[0]), np.minimum(last, above[1])
        length = np.sqrt(((end_m - start_m[:, None]) ** 2).sum(axis=0))
        return length * np.maximum(last - first, 0.0)

    def factor(
        self, end_m: NDArray[np.float64], sent_m: NDArray[np.float64], heard_m: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Factor on the amplitude of echoes from ``end_m`` (3, n), sent and heard at given places."""
        return np.exp(-self.neper_m * (self.within_m(sent_m, end_m) + self.within_m(heard_m, end_m)))


def _share(
    begin: np.float64, stop: NDArray[np.float64], low: float, high: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Part of a way, as two numbers from 0 to 1, on which a coordinate from begin to stop lies between low and high."""
    change = stop - begin
    with np.errstate(divide="ignore", invalid="ignore"):
        a, b = (low - begin) / change, (high - begin) / change
    still = change == 0
    inside = low <= begin <= high
    first = np.where(still, 0.0 if inside else 1.0, np.clip(np.minimum(a, b), 0, 1))
    last = np.where(still, 1.0 if inside else 0.0, np.clip(np.maximum(a, b), 0, 1))
    return first, last


def face_loss(scenario: Scenario) -> FaceLoss | None:
    """Return the loss of the screens at the faces."""
    screens = tuple(b for b in scenario.bubbles if b.kind == "face" and b.loss_db)
    return FaceLoss(screens) if screens else None


def wakes(scenario: Scenario) -> Sequence[Wake]:
    """Return the wakes in the water."""
    return [Wake.of(scenario, b) for b in scenario.bubbles if b.kind == "wake" and b.loss_db_m]
