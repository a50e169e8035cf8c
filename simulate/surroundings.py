"""The seabed around the pings: made block by block as the vehicle comes by, forgotten behind it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from .ground import Ground
from .motion import Track
from .reach import deepest_look_m, heard_range_m
from .scenario import Scenario
from .scene import BLOCK_M, Scatterers, Seabed
from .tiles import Tiles

__all__ = ["Blocks", "Surroundings", "around"]


class Blocks:
    """The seabed's blocks along one leg, around the present ping."""

    def __init__(self, scenario: Scenario, seabed: Seabed | None, ground: Ground, sector_sine: float) -> None:
        self._seabed = seabed
        self._half_rad = np.arcsin(sector_sine)
        self._scenario = scenario
        self._lowest_m = ground.lowest_m
        self._kept: dict[int, list[Scatterers]] = {}

    def near(self, track: Track, time_s: float) -> list[Scatterers]:
        """Return what a ping's sector can touch, stripe by stripe of each block."""
        if self._seabed is None:
            return []
        north, east = (track.position(time_s) - track.start_m)[:2]
        along = np.cos(track.heading_rad) * north + np.sin(track.heading_rad) * east
        reach = self._reach_m(track, time_s)
        first, last = (np.floor((along + s * reach) / BLOCK_M).astype(int) for s in (-1, 1))
        wanted = range(first.min(), last.max() + 1)
        self._kept = {i: self._kept.get(i) or self._seabed.block(i) for i in wanted}
        return [
            group
            for i, block in self._kept.items()
            for group, a, b in zip(block, first, last, strict=True)
            if a <= i <= b and group.modulus.size
        ]

    def _reach_m(self, track: Track, time_s: float) -> NDArray[np.float64]:
        """How far ahead and astern of the vehicle the sector can touch each stripe, (stripe,)."""
        scenario = self._scenario
        heading, pitch, _ = track.angles(time_s)
        turn = min(abs(heading - track.heading_rad) + self._half_rad, np.pi / 2)
        # The stripe's far edge as seen from a vehicle off the nominal leg.
        aside = track.largest("sway", "heave")
        down = deepest_look_m(scenario) + aside + self._lowest_m
        slant = np.hypot(self._seabed.stripe_range_m + aside, down)
        longest = 1.01 * heard_range_m(scenario) + scenario.sonar.array_length_m
        slant = np.minimum(slant, longest + deepest_look_m(scenario) - scenario.altitude_m)
        reach = slant * np.sin(turn) + down * abs(np.tan(pitch))
        offset = abs(scenario.sonar.array_forward_m) + abs(scenario.sonar.transmit_forward_m)
        return reach + offset + 0.1


class _Near(Protocol):
    def near(self, track: Track, time_s: float) -> list[Scatterers]: ...


class Surroundings:
    """The scatterers around pings, asked for in ascending order.

    Parameters
    ----------
    parts : sequence
        What is near; the first is all that a ping's own echoes need, the others only late ones.
    """

    def __init__(self, parts: Sequence[_Near], track: Track, time_s: NDArray[np.float64]) -> None:
        self._parts, self._track, self._time_s = parts, track, time_s
        self._made: dict[int, list[list[Scatterers]]] = {}

    def of(self, number: int, previous: int = 0) -> list[tuple[float, list[Scatterers]]]:
        """Return time and scatterers of a ping and of ``previous`` before it, latest first.

        The ping's own are those in its listening time, the others' also those that echo after later transmissions.
        """
        first = max(number - previous, 0)
        made = [
            self._at(k) for k in range(first, number + 1)
        ]  # ascending, because what is behind is forgotten
        self._made = {k: v for k, v in self._made.items() if k >= first}
        found = [(float(self._time_s[number]), made[-1][0])]
        for k in range(number - 1, first - 1, -1):
            found.append((float(self._time_s[k]), [s for part in made[k - first] for s in part]))
        return found

    def _at(self, number: int) -> list[list[Scatterers]]:
        if number not in self._made:
            time_s = float(self._time_s[number])
            self._made[number] = [part.near(self._track, time_s) for part in self._parts]
        return self._made[number]


def around(
    scenario: Scenario, seabed: Seabed | None, side: str, ground: Ground, sector_sine: float, *, late: bool
) -> tuple[_Near, ...]:
    """Return the seabed's parts: along one leg in bands that follow it, else in tiles fixed to the ground.

    ``late`` adds what lies beyond the record's range.
    """
    if seabed is not None and len(scenario.vehicle.legs) > 1:
        return (Tiles.plan(scenario, ground, side, sector_sine),)
    parts = [seabed]
    if seabed is not None and late:
        parts.append(seabed.beyond(heard_range_m(scenario)))
    return tuple(Blocks(scenario, part, ground, sector_sine) for part in parts)
