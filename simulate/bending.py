"""Refraction in the simulator: what bent rays do to the points that a ping meets.

In water of one sound speed nothing here is used. Otherwise each ping gets tables of its own, one from the transmitter's
depth and one from the array's, exact at their places (:mod:`pingloom.simulate._bend_tables`). From them a point gets the
place at which the array sees it: along the ray's own direction at the array's middle, as far away as the wave front's
curvature along the array says. Delays of receivers around the middle are then those of straight lines to that place, after
what the table says of the middle itself: right to the second order along the array. Rows off that axis have tables and
places of their own.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.errors import ParameterError

from ._bend_kernels import (
    BENT_ROWS,
    TRUE_DEPTH,
    bend_images,
    drop_hidden_bent,
    refer_bent,
    select_bent,
)
from ._bend_tables import FIELDS, fill_table, gradients, table_error
from ._ray_kernels import COLUMNS, work_rows
from .rays import Column, eigenrays

__all__ = ["BENT_ROWS", "MODULUS_ROWS", "NO_MIRROR", "TRUE_DEPTH", "Bending", "BentPing", "Mirror"]

Mirror = tuple[float, float]
Leg = tuple[Any, ...]
NO_MIRROR: Mirror = (1.0, 0.0)
MODULUS_ROWS = (3, 13)
"""Rows of the points that hold a modulus: what scales one scales both."""

# Of distance and depth, from cheap to dear: depth is what profiles with strong gradients need finely.
_STEPS_M = ((0.5, 1.0), (0.5, 0.5), (0.5, 0.25), (0.25, 0.25), (0.5, 0.125), (0.25, 0.125), (0.125, 0.0625))
_WAVES = 1e-5  # of the delay's error in wavelengths: 6e-5 rad
_DIRECTION_M = 1e-4  # of the heights at which ends seem to be
_GAIN = 1e-4
_CURVE = 1e-3  # of the wave front's curvature


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bending:
    """The water of one path, and the places of its tables.

    Parameters
    ----------
    sent, got : Column
        Water from transmitter to targets and from array to targets; unfolded where that way is reflected.
    sent_mirror, got_mirror : (float, float)
        Sign and offset [m] that take a target's depth to that of its image on that way; 1 and 0 for none.
    sent_node_m, got_node_m : ndarray of float64, shape (k,)
        Target depths of the tables, of images where the way is reflected; others are solved one by one. [m]
    step_m : float
        Between their horizontal distances.
    n_place : int
        Number of these.
    clear_m : float
        Targets so little above or below a source are solved one by one too.
    raw : bool
        Losses are left to the exact sum, which solves every ray itself.
    """

    sent: Column
    got: Column
    sent_node_m: NDArray[np.float64]
    got_node_m: NDArray[np.float64]
    step_m: float
    n_place: int
    raw: bool = False
    clear_m: float = 0.0
    sent_mirror: Mirror = NO_MIRROR
    got_mirror: Mirror = NO_MIRROR

    @classmethod
    def plan(
        cls,
        sent: Column,
        got: Column,
        *,
        source_depths_m: tuple[float, float],
        target_depths_m: tuple[float, float],
        reach_m: float,
        wavelength_m: float,
        exact: bool = False,
        slack: float = 1.0,
        clear_m: float = 0.0,
        sent_mirror: Mirror = NO_MIRROR,
        got_mirror: Mirror = NO_MIRROR,
    ) -> Bending:
        """Choose the coarsest places that keep the tables' errors small enough for the fast mode, 6e-5 rad of the carrier.

        Where even the finest don't, or ``exact`` is asked for, every ray is solved outright.

        Parameters
        ----------
        source_depths_m : (float, float)
            Of transmitter and array in the middle of the line.
        target_depths_m : (float, float)
            Least and largest, of the targets themselves.
        reach_m : float
            Largest horizontal distance.
        slack : float
            Allowed errors over those of the fast mode.
        clear_m : float
            As of the class.
        """
        ways = {
            "sent": sent,
            "got": got,
            "sent_mirror": sent_mirror,
            "got_mirror": got_mirror,
            "clear_m": clear_m,
        }
        none = cls(**ways, sent_node_m=np.zeros(1), got_node_m=np.zeros(1), step_m=1.0, n_place=0, raw=exact)
        for step, high in () if exact else _STEPS_M:
            node = [
                _nodes(column, sorted(sign * z + offset for z in target_depths_m), high)
                for column, (sign, offset) in ((sent, sent_mirror), (got, got_mirror))
            ]
            n = int(reach_m / step) + 3
            plan = cls(**ways, sent_node_m=node[0], got_node_m=node[1], step_m=step, n_place=n)
            legs = plan._sent_leg(source_depths_m[0]), plan._got_leg(source_depths_m[1])
            if all(plan._good(leg, wavelength_m, slack) for leg in legs):
                return plan
        return none

    def _sent_leg(self, source_m: float) -> Leg:
        return _leg(self.sent, source_m, self.sent_node_m, self.sent_mirror, self.clear_m)

    def _got_leg(self, source_m: float) -> Leg:
        return _leg(self.got, source_m, self.got_node_m, self.got_mirror, self.clear_m)

    def _good(self, leg: Leg, wavelength_m: float, slack: float) -> bool:
        worst = np.empty(5)
        work, rays = self._scratch(leg)
        table_error(leg, self.step_m, self._table(leg), work, rays[:-2], worst)
        allowed = np.array([_WAVES * wavelength_m, _DIRECTION_M, _DIRECTION_M, _GAIN, _CURVE])
        return bool((worst <= slack * allowed).all())

    def _scratch(self, leg: Leg) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        return np.empty((work_rows(), leg[0].size + 2)), np.empty((self.n_place, COLUMNS))

    def _table(self, leg: Leg) -> NDArray[np.float64]:
        table = np.empty((leg[4].size, self.n_place, FIELDS))
        if self.n_place:
            work, rays = self._scratch(leg)
            fill_table(*leg[:5], self.step_m, rays, work, table)
        return table

    def ping(
        self,
        transmit_m: NDArray[np.float64],
        middle_m: NDArray[np.float64],
        along: NDArray[np.float64],
    ) -> BentPing:
        """Prepare one ping from a transmitter, the middle of an array and its unit vector along, (3,) each."""
        sent, got = self._sent_leg(transmit_m[2]), self._got_leg(middle_m[2])
        return BentPing(self, transmit_m, middle_m, along, sent, got, self._table(sent), self._table(got))


@dataclass(frozen=True, slots=True, eq=False)
class BentPing:
    """One ping's tables."""

    bending: Bending
    transmit_m: NDArray[np.float64]
    middle_m: NDArray[np.float64]
    along: NDArray[np.float64]
    sent_leg: Leg
    got_leg: Leg
    sent_table: NDArray[np.float64]
    got_table: NDArray[np.float64]

    @property
    def sound_speed_m_s(self) -> float:
        """At the array's middle."""
        return float(self.bending.got.sound_speed_at(self.middle_m[2]))

    def seen_from(
        self, middle_m: NDArray[np.float64], *, images: bool = False
    ) -> Callable[[NDArray[np.float64], int], None]:
        """Return what lets selected points be seen from another place of the array, off its axis."""
        b, leg, table = self.bending, self.got_leg, self.got_table
        if middle_m is not self.middle_m:
            leg = b._got_leg(middle_m[2])
            table = b._table(leg)
        rest = self.along, leg, table, b.step_m, self.sound_speed_m_s
        row = 10 if images else 5
        return lambda point, n: refer_bent(point, n, row, middle_m, *rest)

    @property
    def waters(self) -> tuple[Any, Any]:
        """Both columns as the kernels take them."""
        return _water(self.bending.sent), _water(self.bending.got)

    def select(self, scatterers: Any, transmit_axes: NDArray[np.float64], limits, start: int, point) -> int:
        """Append the points that the ping meets to ``point``; return the new end.

        Parameters
        ----------
        scatterers : Scatterers
        transmit_axes : ndarray of float64, shape (3, 3)
        limits : tuple of float
            Shortest and longest path at the array's sound speed [m], sine of the sector's half width.
        point : ndarray of float64, shape (:data:`BENT_ROWS`, n)
        """
        b, c = self.bending, self.sound_speed_m_s
        speeds = np.concatenate([b.sent.sound_speed_m_s, b.got.sound_speed_m_s])
        return select_bent(
            scatterers.place_m, scatterers.modulus, scatterers.phase_cycles, scatterers.normal.reshape(3, -1),
            scatterers.law, self.transmit_m, transmit_axes, self.middle_m, self.along,
            (*limits, c / float(speeds.max()), c / float(speeds.min())),
            self.sent_leg, self.sent_table, self.got_leg, self.got_table, b.step_m, b.raw, start, point,
        )  # fmt: skip

    def bend(self, point: NDArray[np.float64], n: int) -> None:
        """Bend the ways to points that are seen at their images, rows 0 to 7, in unfolded water."""
        legs = self.sent_leg, self.sent_table, self.got_leg, self.got_table
        b = self.bending
        bend_images(point, n, self.transmit_m, self.middle_m, self.along, *legs, b.step_m, b.raw)

    def drop_hidden(self, point, start: int, end: int, solid, relief) -> int:
        """Close the gaps of points that solids or the relief hide; return the new end."""
        return drop_hidden_bent(point, start, end, self.transmit_m, self.middle_m, solid, relief)

    def viewers(self, place_m: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Where a point sees transmitter and array, (3,) each; they themselves where no direct ray comes. [m]"""
        pair = (self.bending.sent, self.transmit_m), (self.bending.got, self.middle_m)
        return tuple(_seen(column, viewer, place_m) for column, viewer in pair)  # type: ignore[return-value]


def _seen(column: Column, viewer_m, place_m) -> NDArray[np.float64]:
    x = float(np.hypot(*(place_m - viewer_m)[:2]))
    angle = eigenrays(column, viewer_m[2], place_m[2], x).arrival_rad
    if not np.isfinite(angle) or x == 0:
        return viewer_m
    return np.array([viewer_m[0], viewer_m[1], place_m[2] - x * np.tan(angle)])


def _water(column: Column) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    return column.depth_m, column.sound_speed_m_s, column.absorption_neper_m


def _leg(column: Column, source_m: float, node_m: NDArray[np.float64], mirror: Mirror, clear_m: float) -> Leg:
    """Put together what the kernels call a leg."""
    water = _water(column)
    return (
        *water,
        float(source_m),
        node_m,
        *map(float, mirror),
        gradients(*water[:2], float(source_m)),
        clear_m,
    )


def _nodes(column: Column, range_m: Sequence[float], high_m: float) -> NDArray[np.float64]:
    """Depths from one to the other at most ``high_m`` apart, an even number of steps between the profile's kinks."""
    low, last = range_m
    if not low < last:
        raise ParameterError(f"target depths are {low:g} to {last:g}; allowed: a range above 0.")
    kinks = column.depth_m
    edges = np.unique(np.concatenate([[low, last], kinks[(kinks > low) & (kinks < last)]]))
    parts = [
        np.linspace(a, b, 2 * max(1, int(np.ceil((b - a) / (2 * high_m) - 1e-9))) + 1)[:-1]
        for a, b in itertools.pairwise(edges)
    ]
    return np.append(np.concatenate(parts), last)
