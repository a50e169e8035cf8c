"""The scatterers that a ping meets by way of surface and bottom: images with what the bounces leave of them."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ._bounce_kernels import FAINT, meet_by_ways, within_reach
from .mirrors import Way, ways
from .roughness import slope_of_wind, surface_height_m
from .scenario import Scenario
from .scene import Scatterers

__all__ = ["Bounces", "Pair", "Viewers", "rms_height_m", "rms_slope"]

_CHUNK = 8192  # scatterers that are handed on at a time
_FACETS = 64  # at least, for a group of scatterers: a single point is seen by many
# Arrivals by facets in a resolution cell, of one pair of ways. They are new each ping, so some stand for all: with three
# from each of two pairs, 1/6 is added to the variance of a look's speckle.
_PER_CELL = 3.0
_PER_CELL_BODY = 1.5


def rms_height_m(scenario: Scenario) -> float:
    """Rms height of the scenario's sea: given, or of its wind. [m]"""
    surface = scenario.surface
    if surface is None or (surface.rms_m is None and surface.wind_m_s is None):
        return 0.0
    return surface_height_m(surface.wind_m_s) if surface.rms_m is None else surface.rms_m


def rms_slope(scenario: Scenario) -> float:
    """Rms slope of its facets along one axis: given, or of its wind; 0 where neither is."""
    surface = scenario.surface
    if surface is None or (surface.slope_deg is None and surface.wind_m_s is None):
        return 0.0
    if surface.slope_deg is None:
        return slope_of_wind(surface.wind_m_s)
    return float(np.tan(np.deg2rad(surface.slope_deg)))


@dataclass(frozen=True, slots=True, eq=False)
class Viewers:
    """Transmitter and array during one ping.

    Parameters
    ----------
    transmit_m : ndarray of float64, shape (3,)
    transmit_axes : ndarray of float64, shape (3, 3)
        Its unit vectors along, up and normal, as rows.
    middle_m : ndarray of float64, shape (3,)
        Centre of the array in the middle of the listening time.
    face : ndarray of float64, shape (3,)
        Its normal.
    """

    transmit_m: NDArray[np.float64]
    transmit_axes: NDArray[np.float64]
    middle_m: NDArray[np.float64]
    face: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """A way out and one back, each as a mirror's or by the surface's facets.

    Parameters
    ----------
    row : ndarray of float64, shape (2, 7)
        As ``_bounce_kernels`` wants them.
    """

    out: Way
    back: Way
    row: NDArray[np.float64]

    @classmethod
    def of(cls, out: Way, back: Way, facets: tuple[bool, bool]) -> Pair:
        """Pair two ways."""
        row = [
            (
                w.sign,
                w.shift_m,
                w.n_surface,
                w.n_bottom,
                w.bounces[:1] == "S",
                w.bounces[-1:] == "B",
                by_facets,
            )
            for w, by_facets in zip((out, back), facets, strict=True)
        ]
        return cls(out, back, np.array(row, dtype=np.float64))

    @property
    def by_facets(self) -> bool:
        """Whether chance has a part in it."""
        return bool(self.row[:, 6].any())


@dataclass(frozen=True, slots=True, eq=False)
class Bounces:
    """All ways of a scenario that have a bounce.

    Parameters
    ----------
    mirror : ndarray of float64, shape (8,)
        As ``_bounce_kernels`` wants it.
    slope : float
        Rms of the facets along one axis.
    per_cell : float
        The scene's scatterers in a resolution cell.
    """

    to_seabed: tuple[Pair, ...]
    to_bodies: tuple[Pair, ...]
    mirror: NDArray[np.float64]
    slope: float
    per_cell: float

    @classmethod
    def plan(cls, scenario: Scenario) -> Bounces | None:
        """Lay out the ways; None where the scenario has none."""
        table = scenario.multipath
        if table is None or table.order == 0:
            return None
        depth, height = scenario.seabed_depth_m, rms_height_m(scenario)
        level = not (scenario.seabed.slope_along_deg or scenario.seabed.slope_across_deg)
        spread = table.diffuse and height > 0
        pairs = []
        for to_seabed in (True, False):
            # A bottom that slopes is no mirror of theirs.
            single = [w for w in ways(table.order, depth, to_seabed=to_seabed) if level or not w.n_bottom]
            pairs.append(
                tuple(
                    Pair.of(out, back, facets)
                    for out, back in itertools.product(single, single)
                    for facets in itertools.product((False, True), repeat=2)
                    if (out.bounces or back.bounces)
                    and all(
                        not f or (spread and w.n_surface) for f, w in zip(facets, (out, back), strict=True)
                    )
                )
            )
        index = (
            1 - 1j * table.bottom_loss_db_wavelength * np.log(10) / (40 * np.pi)
        ) / table.bottom_speed_ratio
        lost = table.bottom_loss_db
        mirror = (
            2 * np.pi / scenario.wavelength_m,
            height,
            10 ** (-(scenario.surface.loss_db if scenario.surface else 0.0) / 20),
            -1.0 if lost is None else 10 ** (-lost / 20),
            table.bottom_density_ratio,
            index.real,
            index.imag,
            depth,
        )
        return cls(*pairs, np.array(mirror), rms_slope(scenario), scenario.seabed.per_cell)

    def _possible(self, pair: Pair, viewers: Viewers, place_m: NDArray[np.float64], longest_m: float) -> bool:
        """Whether any of these places can echo by a pair of ways, by its length and by what roughness leaves."""
        kept = 1.0
        for way, facets, viewer in zip(
            (pair.out, pair.back), pair.row[:, 6], (viewers.transmit_m, viewers.middle_m), strict=True
        ):
            if not way.n_surface:
                continue
            ends = way.image_of_place(np.array([place_m[2].min(), place_m[2].max()])) - viewer[2]
            tall = float(np.abs(ends).min())
            if tall > longest_m:
                return False
            if not facets:
                flattest = self.mirror[0] * self.mirror[1] * tall / longest_m
                kept *= np.exp(-2 * way.n_surface * flattest**2)
        return kept >= FAINT

    def met(
        self,
        seabed: Iterable[tuple[Scatterers, float]],
        bodies: Iterable[tuple[Scatterers, float]],
        highlights: list[object],
        viewers: Viewers,
        limits: tuple[float, float],
        solid: NDArray[np.float64],
        relief: NDArray[np.float64],
        rng: np.random.Generator,
    ) -> Iterator[tuple[NDArray[np.float64], int]]:
        """Gather images, (8, n) and their number, a cacheful at a time.

        Parameters
        ----------
        seabed, bodies : iterable of (Scatterers, float)
            With the sine of the sector's half width in which they are met.
        highlights : list of Highlight
        limits : (float, float)
            Shortest and longest path. [m]
        solid, relief : ndarray of float64
            What stands in the way.
        rng : numpy.random.Generator
            For the facets; drawn from in a fixed order.
        """
        seabed, bodies = list(seabed), list(bodies)
        most = max((s.modulus.size for s, _ in (*seabed, *bodies)), default=0)
        point, n = np.empty((8, _CHUNK + 1 + most)), 0
        chosen = np.empty(max(most, _FACETS) + 1, np.int64)
        for pair, groups in self._work(seabed, bodies, highlights, viewers):
            for group, sine in groups:
                if not group.modulus.size or not self._possible(pair, viewers, group.place_m, limits[1]):
                    continue
                s = group
                if pair.by_facets:
                    s = _repeated(s, math.ceil(_FACETS / s.modulus.size))
                if n + s.modulus.size >= point.shape[1]:  # one column is to spare
                    if n:
                        yield point, n
                    point, n = np.empty((8, max(point.shape[1], s.modulus.size + 1))), 0
                if s.modulus.size >= chosen.size:
                    chosen = np.empty(s.modulus.size + 1, np.int64)
                sent = (viewers.transmit_m, viewers.transmit_axes, viewers.middle_m)
                found = within_reach(s.place_m, *sent, pair.row, (*limits, sine), chosen)
                if not found:
                    continue
                look, share = self._thinned(chosen[:found], pair, groups is seabed, rng)
                n = meet_by_ways(
                    look,
                    s.place_m,
                    s.modulus,
                    s.phase_cycles,
                    s.normal.reshape(3, -1),
                    s.law,
                    *sent,
                    viewers.face,
                    pair.row,
                    self.mirror,
                    (*limits, sine),
                    share,
                    self._draw(pair, look.size, rng),
                    solid,
                    relief,
                    n,
                    point,
                )
        if n:
            yield point, n

    def _work(self, seabed, bodies, highlights, viewers: Viewers):
        for pair in self.to_seabed:
            yield pair, seabed
        for pair in self.to_bodies:
            yield pair, bodies
            if highlights:
                # A highlight lies where the body faces the images of those who see it.
                sent = _raised(viewers.transmit_m, pair.out)
                heard = _raised(viewers.middle_m, pair.back)
                yield pair, [(h.seen_from(sent, heard), 2.0) for h in highlights]

    def _thinned(self, chosen: NDArray[np.int64], pair: Pair, of_seabed: bool, rng: np.random.Generator):
        """Scatterers that stand for all in this ping, and the factor on their amplitudes."""
        step = int(self.per_cell / (_PER_CELL if of_seabed else _PER_CELL_BODY))
        step = min(step, chosen.size // _FACETS)
        if not pair.by_facets or step < 2:
            return chosen, 1.0
        return chosen[rng.integers(step) :: step], math.sqrt(step)

    def _draw(self, pair: Pair, n: int, rng: np.random.Generator) -> NDArray[np.float64]:
        """Slopes and phases of facets, (5, n), or (5, 0) without."""
        if not pair.by_facets:
            return np.empty((5, 0))
        draw = np.zeros((5, n))
        for k, way in enumerate((pair.out, pair.back)):
            if pair.row[k, 6]:
                rng.standard_normal(out=draw[2 * k])
                rng.standard_normal(out=draw[2 * k + 1])
                draw[2 * k : 2 * k + 2] *= self.slope * np.sqrt(way.n_surface)
        rng.random(out=draw[4])
        return draw


def _repeated(s: Scatterers, times: int) -> Scatterers:
    """Few scatterers several times, with their power shared out: each is seen by many facets."""
    if times == 1:
        return s
    normal = s.normal if s.normal.ndim == 1 else np.tile(s.normal, times)
    modulus = np.tile(s.modulus, times) / math.sqrt(times)
    return Scatterers(np.tile(s.place_m, times), modulus, np.tile(s.phase_cycles, times), normal, s.law)


def _raised(viewer_m: NDArray[np.float64], way: Way) -> NDArray[np.float64]:
    """A viewer as a place sees it by a way."""
    return np.array([viewer_m[0], viewer_m[1], float(way.image_of_sonar(viewer_m[2]))])
