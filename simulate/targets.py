"""Targets as scatterers: rough skins of points, smooth faces of coherent facets, highlights that follow the viewer.

A smooth rigid surface returns what the Kirchhoff integral gives, ``(1 / wavelength) * integral of cos(incidence) dA``
over the echoes of its parts. Flat faces (plates, a cylinder's ends) are laid out in facets of a quarter of a wavelength
and add up by themselves, near field included. A curved surface returns from where its normal points at the viewer: the
integral's stationary point is put there, ping by ping, with the strength of R. J. Urick, Principles of Underwater Sound
(3rd ed., 1983), table of simple shapes: any convex surface a1 a2 / 4 with its principal radii (a sphere a^2 / 4); a
cylinder a line of points, ``sqrt(a / (2 wavelength))`` a metre, that adds up to a L^2 / (2 wavelength) at broadside.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .bodies import Body, bodies_of, placed_targets
from .cells import cell_m
from .relief import Relief
from .scenario import Scenario
from .scene import Scatterers
from .target_tables import Target

__all__ = [
    "Highlight",
    "LineHighlight",
    "PointHighlight",
    "RingHighlight",
    "target_highlights",
    "target_scatterers",
]

_FACES = 1  # stream of the seed
_FACET = 0.25  # wavelengths: half of what would let a face shine into a second direction
_GOLDEN = math.pi * (3 - math.sqrt(5))


def target_scatterers(scenario: Scenario) -> list[Scatterers]:
    """Return the scatterers of all targets that stay where they are, in the scenario's order."""
    relief = Relief.of(scenario)
    groups: list[Scatterers] = []
    for number, target in enumerate(placed_targets(scenario)):
        rng = np.random.default_rng(np.random.SeedSequence(scenario.seed, spawn_key=(_FACES, number)))
        groups += _groups(scenario, target, relief, rng)
    return groups


def _groups(scenario: Scenario, target: Target, relief: Relief, rng: np.random.Generator) -> list[Scatterers]:
    if target.kind == "point":
        return [_point(scenario, target, relief)]
    if target.kind == "depression":
        return []  # a part of the relief
    bodies = bodies_of(scenario, target, relief)
    # A square grid as fine as the seabed's finer spacing: skins are seen from any side.
    step = min(cell_m(scenario, scenario.leg_place(target)[1])) / math.sqrt(scenario.seabed.per_cell)
    if target.kind == "rope":
        return [_rope_piece(rng, b, step, target.strength_db) for b in bodies]
    level = 10 ** (target.strength_db / 10)
    if target.kind == "ring":
        return [_ring_skin(rng, scenario, target, bodies, step, level)]
    (body,) = bodies
    if body.kind == "sphere":
        return [_sphere_skin(rng, body, step, level)]
    if body.kind == "cylinder":
        groups = _cylinder_skin(rng, body, step, level)
        return groups + (_cylinder_ends(scenario, body) if target.shines else [])
    groups = _box_skin(rng, body, step, level, underside=target.kind == "plate" or bool(target.tilt_deg))
    return groups + (_plate_faces(scenario, body) if target.shines else [])


def _point(scenario: Scenario, target: Target, relief: Relief) -> Scatterers:
    north, east = scenario.world_place(*scenario.leg_place(target))
    place = np.array([[north], [east], [float(relief.depth_m(north, east)) - target.height_m]])
    modulus = np.array([10 ** (target.strength_db / 20)])
    return Scatterers(place, modulus, np.zeros(1), np.zeros(3))


def _world(body: Body, place: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.ascontiguousarray(body.axes.T @ place + body.centre_m[:, None])


# --- rough skins -----------------------------------------------------------------------------------------


def _box_skin(rng, body: Body, step: float, level: float, *, underside: bool) -> list[Scatterers]:
    """Cover five faces, or six, with jittered points of equal modulus and random phase."""
    groups = []
    faces = ((2, -1), (0, 1), (0, -1), (1, 1), (1, -1), (2, 1))
    for axis, sign in faces if underside else faces[:5]:
        place, normal, area = _face(rng, body.half_m, axis, sign, step)
        modulus = np.full(place.shape[1], np.sqrt(area * level))
        groups.append(
            Scatterers(_world(body, place), modulus, rng.random(modulus.size), body.axes.T @ normal)
        )
    return groups


def _face(
    rng: np.random.Generator, half: NDArray[np.float64], axis: int, sign: int, step: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Points (3, n) and outward normal (3,) of one face of a box in its own axes, and the area of each point."""
    u, v = (k for k in range(3) if k != axis)
    n = [max(1, int(np.ceil(2 * half[k] / step))) for k in (u, v)]
    i, j = (a.ravel() for a in np.meshgrid(np.arange(n[0]), np.arange(n[1]), indexing="ij"))
    shift = 0.5 * (rng.random((2, i.size)) - 0.5) + 0.5
    place = np.empty((3, i.size))
    place[axis] = sign * half[axis]
    place[u] = ((i + shift[0]) / n[0] * 2 - 1) * half[u]
    place[v] = ((j + shift[1]) / n[1] * 2 - 1) * half[v]
    normal = np.zeros(3)
    normal[axis] = sign
    return place, normal, float(4 * half[u] * half[v] / i.size)


def _skin(rng, body: Body, place, normal, area, level: float) -> Scatterers:
    """Points with normals of their own, given in the body's axes, of equal or given areas."""
    n = place.shape[1]
    modulus = np.sqrt(np.broadcast_to(area, (n,)) * level)
    return Scatterers(_world(body, place), modulus, rng.random(n), np.ascontiguousarray(body.axes.T @ normal))


def _sphere_skin(rng, body: Body, step: float, level: float) -> Scatterers:
    """A spiral of points of equal area."""
    radius = float(body.half_m[0])
    n = max(50, math.ceil(4 * math.pi * radius**2 / step**2))
    z = 1 - (2 * np.arange(n) + 1) / n
    angle = _GOLDEN * np.arange(n) + 2 * math.pi * rng.random()
    normal = np.stack([np.sqrt(1 - z**2) * np.cos(angle), np.sqrt(1 - z**2) * np.sin(angle), z])
    return _skin(rng, body, radius * normal, normal, 4 * math.pi * radius**2 / n, level)


def _cylinder_skin(rng, body: Body, step: float, level: float) -> list[Scatterers]:
    """The side, then both ends."""
    length, radius = 2 * body.half_m[0], float(body.half_m[1])
    n = max(2, math.ceil(length / step)), max(12, math.ceil(2 * math.pi * radius / step))
    i, j = (a.ravel() for a in np.meshgrid(np.arange(n[0]), np.arange(n[1]), indexing="ij"))
    shift = 0.5 * (rng.random((2, i.size)) - 0.5) + 0.5
    angle = 2 * math.pi * (j + shift[1]) / n[1]
    normal = np.stack([np.zeros(i.size), np.cos(angle), np.sin(angle)])
    place = radius * normal
    place[0] = ((i + shift[0]) / n[0] - 0.5) * length
    groups = [_skin(rng, body, place, normal, 2 * math.pi * radius * length / i.size, level)]
    for sign in (1, -1):
        disc = _disc(radius, max(12, math.ceil(math.pi * radius**2 / step**2)))
        place = np.stack([np.full(disc.shape[1], sign * length / 2), *disc])
        area = math.pi * radius**2 / disc.shape[1]
        modulus = np.full(disc.shape[1], math.sqrt(area * level))
        groups.append(Scatterers(_world(body, place), modulus, rng.random(modulus.size), sign * body.axes[0]))
    return groups


def _disc(radius: float, n: int) -> NDArray[np.float64]:
    """A spiral of points of equal area, (2, n)."""
    i = np.arange(n)
    r = radius * np.sqrt((i + 0.5) / n)
    return np.stack([r * np.cos(_GOLDEN * i), r * np.sin(_GOLDEN * i)])


def _ring_skin(rng, scenario: Scenario, target: Target, rods: list[Body], step: float, level: float):
    """The torus itself, not the chain of rods that hides what lies behind it."""
    big, small = target.radius_m, target.tube_m
    n = max(24, math.ceil(2 * math.pi * big / step)), max(12, math.ceil(2 * math.pi * small / step))
    i, j = (a.ravel() for a in np.meshgrid(np.arange(n[0]), np.arange(n[1]), indexing="ij"))
    shift = 0.5 * (rng.random((2, i.size)) - 0.5) + 0.5
    around, tube = 2 * math.pi * (i + shift[0]) / n[0], 2 * math.pi * (j + shift[1]) / n[1]
    normal = np.stack([np.cos(tube) * np.cos(around), np.cos(tube) * np.sin(around), -np.sin(tube)])
    place = big * np.stack([np.cos(around), np.sin(around), np.zeros(i.size)]) + small * normal
    area = (2 * math.pi) ** 2 / i.size * small * (big + small * np.cos(tube))
    middle = Body("ring", _ring_centre(rods), np.eye(3), np.zeros(3))
    return _skin(rng, middle, place, normal, area, level)


def _ring_centre(rods: list[Body]) -> NDArray[np.float64]:
    return np.mean([b.centre_m for b in rods], axis=0)


def _rope_piece(rng, body: Body, step: float, strength_db: float) -> Scatterers:
    """A straight piece: points along its middle that echo all round."""
    length = 2 * body.half_m[0]
    n = max(2, math.ceil(length / step))
    along = ((np.arange(n) + rng.random(n)) / n - 0.5) * length
    # On the middle the rope would hide itself.
    place = body.centre_m[:, None] + body.axes[0][:, None] * along
    place[2] -= body.half_m[1]
    modulus = np.full(n, math.sqrt(length / n * 10 ** (strength_db / 10)))
    return Scatterers(place, modulus, rng.random(n), np.zeros(3))


# --- smooth faces ----------------------------------------------------------------------------------------


def _plate_faces(scenario: Scenario, body: Body) -> list[Scatterers]:
    """Both large faces as coherent facets."""
    step, half = _FACET * scenario.wavelength_m, body.half_m
    n = [math.ceil(2 * half[k] / step) for k in (0, 1)]
    u, v = ((2 * np.arange(m) + 1) / m - 1 for m in n)
    u, v = (a.ravel() for a in np.meshgrid(u * half[0], v * half[1], indexing="ij"))
    area = 4 * half[0] * half[1] / u.size
    return [
        _facets(scenario, body, np.stack([u, v, np.full(u.size, s * half[2])]), s * body.axes[2], area)
        for s in (-1, 1)
    ]


def _cylinder_ends(scenario: Scenario, body: Body) -> list[Scatterers]:
    step, radius = _FACET * scenario.wavelength_m, float(body.half_m[1])
    n = math.ceil(2 * radius / step)
    v, w = (a.ravel() for a in np.meshgrid(*[((2 * np.arange(n) + 1) / n - 1) * radius] * 2))
    inside = v**2 + w**2 < radius**2
    v, w = v[inside], w[inside]
    area = math.pi * radius**2 / v.size
    return [
        _facets(scenario, body, np.stack([np.full(v.size, s * body.half_m[0]), v, w]), s * body.axes[0], area)
        for s in (1, -1)
    ]


def _facets(scenario: Scenario, body: Body, place, normal, area: float) -> Scatterers:
    # The law of a rough face, amplitude times cosine, is Kirchhoff's factor too.
    modulus = np.full(place.shape[1], area / scenario.wavelength_m)
    return Scatterers(_world(body, place), modulus, np.zeros(modulus.size), np.array(normal))


# --- highlights ------------------------------------------------------------------------------------------


def target_highlights(scenario: Scenario) -> list[Highlight]:
    """Return the highlights of all curved targets."""
    relief = Relief.of(scenario)
    found: list[Highlight] = []
    for target in placed_targets(scenario):
        if not target.shines:
            continue
        bodies = bodies_of(scenario, target, relief)
        if target.kind == "sphere":
            found.append(PointHighlight(bodies[0].centre_m, target.radius_m))
        elif target.kind == "cylinder":
            found.append(LineHighlight.of(bodies[0], scenario.wavelength_m))
        elif target.kind == "ring":
            found.append(
                RingHighlight(_ring_centre(bodies), target.radius_m, target.tube_m, scenario.wavelength_m)
            )
    return found


def _to_viewers(centre, transmit, middle) -> tuple[NDArray[np.float64], float]:
    """Unit vector halfway between transmitter and array, and the distance."""
    sent, got = transmit - centre, middle - centre
    far = float(np.linalg.norm(sent)), float(np.linalg.norm(got))
    both = sent / far[0] + got / far[1]
    return both / np.linalg.norm(both), (far[0] + far[1]) / 2


@dataclass(frozen=True, slots=True, eq=False)
class PointHighlight:
    """Of a sphere: where its surface faces the viewer."""

    centre_m: NDArray[np.float64]
    radius_m: float

    def seen_from(self, transmit_m: NDArray[np.float64], middle_m: NDArray[np.float64]) -> Scatterers:
        """Return the highlight for a transmitter and the middle of an array, (3,) each."""
        to, far = _to_viewers(self.centre_m, transmit_m, middle_m)
        near = max(far - self.radius_m, 1e-6)
        # Rays from a near source open after the reflection: a / 2 holds for a distant one.
        modulus = np.array([self.radius_m / 2 * near / far])
        place = (self.centre_m + self.radius_m * to)[:, None]
        return Scatterers(place, modulus, np.zeros(1), np.zeros(3))


@dataclass(frozen=True, slots=True, eq=False)
class LineHighlight:
    """Of a cylinder: the line of its side that faces the viewer, as coherent points.

    Parameters
    ----------
    along_m : ndarray of float64, shape (n,)
        Places of the points on the axis.
    """

    centre_m: NDArray[np.float64]
    axis: NDArray[np.float64]
    along_m: NDArray[np.float64]
    radius_m: float
    modulus_m: float

    @classmethod
    def of(cls, body: Body, wavelength_m: float) -> LineHighlight:
        """Lay out the points of a cylinder."""
        length, radius = float(2 * body.half_m[0]), float(body.half_m[1])
        n = math.ceil(length / (_FACET * wavelength_m))
        along = ((np.arange(n) + 0.5) / n - 0.5) * length
        return cls(
            body.centre_m, body.axes[0], along, radius, length / n * math.sqrt(radius / (2 * wavelength_m))
        )

    def seen_from(self, transmit_m: NDArray[np.float64], middle_m: NDArray[np.float64]) -> Scatterers:
        """Return the highlight for a transmitter and the middle of an array, (3,) each."""
        to, far = _to_viewers(self.centre_m, transmit_m, middle_m)
        aside = to - self.axis * (to @ self.axis)
        off = float(np.linalg.norm(aside))
        if off < 1e-6:  # seen from straight ahead: only an end shows
            return Scatterers(np.zeros((3, 0)), np.zeros(0), np.zeros(0), np.zeros(3))
        aside /= off
        place = self.centre_m[:, None] + self.axis[:, None] * self.along_m + self.radius_m * aside[:, None]
        near = max(far - self.radius_m, 1e-6)
        modulus = np.full(self.along_m.size, self.modulus_m * math.sqrt(near / far))
        return Scatterers(place, modulus, np.zeros(modulus.size), aside)


@dataclass(frozen=True, slots=True, eq=False)
class RingHighlight:
    """Of a ring that lies flat: its near outer side and its far inner side."""

    centre_m: NDArray[np.float64]
    radius_m: float
    tube_m: float
    wavelength_m: float

    def seen_from(self, transmit_m: NDArray[np.float64], middle_m: NDArray[np.float64]) -> Scatterers:
        """Return the highlights for a transmitter and the middle of an array, (3,) each."""
        to, _ = _to_viewers(self.centre_m, transmit_m, middle_m)
        level = math.hypot(to[0], to[1])
        flat = np.array([to[0], to[1], 0.0]) / max(level, 1e-9)
        place = [self.centre_m + s * self.radius_m * flat + self.tube_m * to for s in (1, -1)]
        radii = [(self.radius_m + s * self.tube_m * level) / max(level, 1e-9) for s in (1, -1)]
        # From straight above, the whole circle: half of its strength to either side.
        most = math.pi * self.radius_m * math.sqrt(self.tube_m / (2 * self.wavelength_m))
        modulus = [min(math.sqrt(self.tube_m * r) / 2, most) for r in radii]
        return Scatterers(np.array(place).T.copy(), np.array(modulus), np.zeros(2), np.zeros(3))


Highlight = PointHighlight | LineHighlight | RingHighlight
"""Scatterers that move with the viewer."""
