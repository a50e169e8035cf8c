"""What an error budget holds against images: each wrong belief, and what it should do to place and level by formula.

The formulas are derived for a level vehicle on a level seabed: h is the array's height, x the ground range, R the slant
range. Everything that the belief about the geometry changes in the level (patterns, spreading, absorption, area of the cell)
is predicted too.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging import rays
from pingloom.imaging.chain import ChainSettings
from pingloom.imaging.frames import Trajectory
from pingloom.imaging.records import Platform, Sonar, Water
from pingloom.io.settings import apply
from pingloom.simulate.scenario import Scenario

__all__ = ["Beliefs", "Place", "Source", "arrival_rad", "sources"]

_LEAST_GAIN = 1e-4
"""Below this patterns are not undone."""


@dataclass(frozen=True, slots=True)
class Beliefs:
    """What imaging is told."""

    platform: Platform
    sonar: Sonar
    water: Water
    settings: ChainSettings


@dataclass(frozen=True, slots=True)
class Place:
    """One point, the ray to it, and what of the sonar its level depends on.

    Rays are those of :mod:`pingloom.imaging.rays`, which the chain does not use.
    """

    scenario: Scenario
    water: Water
    array_depth_m: float
    x: float
    h: float
    absorption_db_m: float

    def layers(self, h: float, more_m_s: float = 0.0) -> rays.Layers:
        """The water between the array and a seabed that lies ``h`` below it, sound faster by ``more_m_s``."""
        depth, speed = self.water.profile_depth_m, self.water.profile_sound_speed_m_s
        if depth is None:
            depth, speed = np.zeros(1), np.full(1, self.water.sound_speed_m_s)
        return rays.layers_between(depth, speed + more_m_s, self.array_depth_m, self.array_depth_m + h)

    @property
    def r(self) -> float:
        """Straight distance. [m]"""
        return float(np.hypot(self.x, self.h))

    @property
    def ray(self) -> rays.Ray:
        """To the point."""
        return rays.layers_eigenray(self.layers(self.h), self.x)

    def level_db(
        self,
        x: float,
        h: float,
        launch_rad: float,
        roll_rad: float = 0.0,
        area_rad: float | None = None,
        faster: float = 1.0,
    ) -> float:
        """What raises an echo to backscatter where place and launch angle are believed so. [dB]

        Less what rows lose that are aligned at that angle, not at the ray's; ``faster`` is the sound speed believed for that
        over the true one.
        """
        sonar, r = self.scenario.sonar, np.hypot(x, h)
        off = np.sin(launch_rad - np.deg2rad(sonar.depression_deg) - roll_rad)
        gain = 1.0
        for size in (sonar.transmit_vertical_m, sonar.receive_vertical_m):
            gain *= np.sinc(size / self.scenario.wavelength_m * off) ** 2
        gain = 10 * np.log10(max(gain, _LEAST_GAIN))
        level = np.cos(launch_rad if area_rad is None else area_rad)
        true = np.sin(float(self.ray.launch_rad) - np.deg2rad(sonar.depression_deg))
        row_m = (np.arange(sonar.n_row) - (sonar.n_row - 1) / 2) * sonar.row_pitch_m
        turns = row_m / self.scenario.wavelength_m * (off / faster - true)
        gain -= 20 * np.log10(abs(np.mean(np.exp(2j * np.pi * turns))))
        return float(40 * np.log10(r) + 2 * self.absorption_db_m * r - gain - 10 * np.log10(x / level**2))

    @property
    def right_db(self) -> float:
        """The same with right beliefs. [dB]"""
        return self.level_db(self.x, self.h, float(self.ray.launch_rad))

    def moved(self, h: float) -> tuple[float, float]:
        """Shift across [m] and change of level [dB] where the height is believed so."""
        layers = self.layers(h)
        x = float(rays.layers_horizontal_m(layers, self.ray.time_s))
        launch = float(rays.layers_eigenray(layers, x).launch_rad)
        return x - self.x, self.level_db(x, h, launch) - self.right_db


_Predict = Callable[[Place], tuple[float, float, float]]


@dataclass(frozen=True, slots=True)
class Source:
    """One wrong belief."""

    name: str
    error: str
    wrong: Callable[[Beliefs], Beliefs] | None
    """Right beliefs to those with this one wrong; None where the simulated echoes don't carry the effect."""
    predict: _Predict
    """Shift along, shift outward across [m], change of level [dB] at a place."""
    smear_db: float = 0.0
    """By which the average of looks that no longer lie on each other may read less than the formula for one. [dB]"""


def arrival_rad(at: Place) -> float:
    """Grazing angle of the ray at the seabed, by Snell's law from the array's."""
    speed = at.water.profile_sound_speed_m_s
    ratio = 1.0
    if speed is not None:
        c = np.interp([at.array_depth_m, at.array_depth_m + at.h], at.water.profile_depth_m, speed)
        ratio = float(c[1] / c[0])
    return float(np.arccos(min(ratio * np.cos(float(at.ray.launch_rad)), 1.0)))


def _with_platform(**changes: Callable[[Platform], NDArray]) -> Callable[[Beliefs], Beliefs]:
    def wrong(right: Beliefs) -> Beliefs:
        new = {name: change(right.platform) for name, change in changes.items()}
        return dataclasses.replace(right, platform=dataclasses.replace(right.platform, **new))

    return wrong


def _faster_water(right: Beliefs, by_m_s: float) -> Beliefs:
    water, profile = right.water, right.water.profile_sound_speed_m_s
    changed = dataclasses.replace(
        water,
        sound_speed_m_s=water.sound_speed_m_s + by_m_s,
        profile_sound_speed_m_s=None if profile is None else profile + by_m_s,
    )
    at_array = Trajectory.from_platform(right.platform).sound_speed_at_array_m_s
    if at_array is None:
        depth = float(np.median(right.platform.depth_m))
        at_array = (
            water.sound_speed_m_s
            if profile is None
            else float(np.interp(depth, water.profile_depth_m, profile))
        )
    settings = apply(right.settings, [f"water.sound_speed_at_array_m_s={at_array!r}"])
    return dataclasses.replace(right, water=changed, settings=settings)


def _with_setting(*assignments: str) -> Callable[[Beliefs], Beliefs]:
    return lambda right: dataclasses.replace(right, settings=apply(right.settings, list(assignments)))


def sources(probe: Scenario, water: Water, sign: float) -> Iterator[Source]:
    """All wrong beliefs of a scenario; ``sign`` is 1 to starboard, -1 to port."""
    speed = probe.vehicle.speed_m_s
    c_array = _array_speed(probe, water)
    yield Source(
        "altitude",
        "+0.1 m",
        _with_platform(altitude_m=lambda p: p.altitude_m + 0.1),
        lambda at: (0.0, *at.moved(at.h + 0.1)),
    )

    def by_ray_speed(at: Place) -> tuple[float, float, float]:
        # The array's own sound speed is believed right, so the ray is believed to break at its face.
        layers = at.layers(at.h, 2.0)
        x = float(rays.layers_horizontal_m(layers, at.ray.time_s))
        launch = float(rays.layers_eigenray(layers, x).launch_rad)
        broken = float(np.arccos(np.cos(launch) * c_array / (c_array + 2.0)))
        return 0.0, x - at.x, at.level_db(x, at.h, broken, area_rad=launch) - at.right_db

    yield Source(
        "sound speed along the ray",
        "+2 m/s",
        lambda right: _faster_water(right, 2.0),
        by_ray_speed,
    )

    def by_array_speed(at: Place) -> tuple[float, float, float]:
        launch, believed = float(at.ray.launch_rad), c_array + 5.0
        tilted = float(np.arccos(min(np.cos(launch) * believed / c_array, 1.0)))
        return (
            0.0,
            0.0,
            (at.level_db(at.x, at.h, tilted, area_rad=launch, faster=believed / c_array) - at.right_db),
        )

    yield Source(
        "sound speed at the array",
        "+5 m/s",
        _with_setting(f"water.sound_speed_at_array_m_s={c_array + 5.0!r}"),
        by_array_speed,
    )
    turn = np.deg2rad(0.2)
    yield Source(
        "heading",
        "+0.2 deg",
        _with_platform(heading_rad=lambda p: p.heading_rad + turn),
        lambda at: (
            -sign * at.x * np.sin(turn),
            at.x * (np.cos(turn) - 1) + sign * probe.sonar.array_forward_m * np.sin(turn),
            0.0,
        ),
    )
    tip = np.deg2rad(0.3)
    yield Source(
        "pitch",
        "+0.3 deg",
        _with_platform(pitch_rad=lambda p: p.pitch_rad + tip),
        lambda at: (at.x * np.tan(at.ray.launch_rad) * np.tan(tip), 0.0, 0.0),
    )
    lean = np.deg2rad(1.0)
    yield Source(
        "roll",
        "+1 deg",
        _with_platform(roll_rad=lambda p: p.roll_rad + lean),
        lambda at: (
            0.0,
            -sign * probe.sonar.array_down_m * np.sin(lean),  # the array swings to port below the origin
            at.level_db(at.x, at.h, float(at.ray.launch_rad), sign * lean) - at.right_db,
        ),
    )
    late_ns = 20_000_000
    yield Source(
        "navigation's clock",
        "late by 20 ms",
        _with_platform(time_ns=lambda p: p.time_ns + np.uint64(late_ns)),
        lambda at: (-speed * late_ns * 1e-9, 0.0, 0.0),
    )
    yield Source(
        "source level",
        "+1 dB",
        lambda right: dataclasses.replace(
            right, sonar=dataclasses.replace(right.sonar, source_level_db=right.sonar.source_level_db + 1)
        ),
        lambda at: (0.0, 0.0, -1.0),
    )
    more = 0.005
    yield Source(
        "absorption",
        f"+{1e3 * more:g} dB/km",
        lambda right: dataclasses.replace(
            right, water=dataclasses.replace(right.water, absorption_db_m=right.water.absorption_db_m + more)
        ),
        lambda at: (0.0, 0.0, 2 * at.r * more),
    )
    if water.profile_depth_m is not None:

        def by_straight_rays(at: Place) -> tuple[float, float, float]:
            r = c_array * float(at.ray.time_s)
            x = float(np.sqrt(r**2 - at.h**2))
            # Distances along from the receivers come out as r p c to x, p the ray's horizontal slowness: too long. The looks
            # lie evenly about the place of sending, and the receivers have moved on from there.
            ahead = speed * 2 * float(at.ray.time_s)
            along = float(ahead * (1 - r * np.cos(float(at.ray.launch_rad)) / at.x))
            return along, x - at.x, at.level_db(x, at.h, float(np.arctan2(at.h, x))) - at.right_db

        yield Source(
            "refraction",
            "left out: straight at the array's speed",
            _with_setting(f"water.sound_speed_m_s={c_array!r}"),
            by_straight_rays,
            smear_db=0.3,
        )
    sonar = probe.sonar
    stretch = sonar.centre_frequency_hz * sonar.pulse_duration_s / sonar.sweep_hz

    def by_doppler(at: Place) -> tuple[float, float, float]:
        edge = 0.443 * probe.wavelength_m / sonar.transmit_along_m
        return 0.0, -speed * np.sin(edge) * stretch * at.r / at.x, 0.0

    yield Source("motion within the pulse", "at the sector's fore edge, left in", None, by_doppler)


def _array_speed(probe: Scenario, water: Water) -> float:
    if water.profile_depth_m is None:
        return probe.sound_speed_m_s
    depth = probe.depth_m + probe.sonar.array_down_m
    return float(np.interp(depth, water.profile_depth_m, water.profile_sound_speed_m_s))
