"""Error budget of a scenario: what each wrong belief does to place and level, by formula and as imaged.

Unit points at three ranges are simulated once, without seabed, noise, instrument and the vehicle's swings, and imaged once
with the right beliefs and then with one of them wrong at a time. The formulas beside are derived for a level vehicle on a level seabed: h is the
array's height, x the ground range, R the slant range. Everything that the belief about the geometry changes in the
level (patterns, spreading, absorption, area of the cell) is predicted too.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pingloom.bench.budget_noise import (
    NoiseRow,
    heard_noise,
    look_gain_db,
    noise_by_formula_db,
    noise_in_image_db,
)
from pingloom.imaging import rays
from pingloom.imaging.chain import Chain, ChainSettings
from pingloom.imaging.frames import StripFrame, Trajectory
from pingloom.imaging.records import Ping, Platform, Sonar, Water
from pingloom.io.settings import apply
from pingloom.simulate.scenario import NavigationTable, Scenario, SeabedTable, Target

__all__ = ["Budget", "BudgetRow", "budget"]

_PINGS = 9
_PARTS = (0.35, 0.6, 0.85)
"""Of the recorded ground range, where the points stand."""
_HALF_M = (1.0, 1.2)
"""Half of the piece of image around each point, along and across. [m]"""
_NOISE_HALF_M, _NOISE_SPOTS, _NOISE_RUNS = 0.5, 41, 6
"""Half of the stretch of range over which noise is averaged [m], at how many places its formula is worked out there, and of
how many runs."""
_LEAST_GAIN = 1e-4
"""Below this patterns are not undone."""
_PLACE_M, _LEVEL_DB, _PART = 2e-3, 0.1, 0.06
"""Agreement of formula and image: absolute, and as a part of the formula."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetRow:
    """One wrong belief at one range."""

    source: str
    error: str
    range_m: float
    """On the ground. [m]"""
    predicted: tuple[float, float, float]
    """Shift along and across [m], change of level [dB]."""
    found: tuple[float, float, float] | None
    """The same, imaged; None where the simulated echoes don't carry the effect."""
    smear_db: float = 0.0
    """By which the average of looks that no longer lie on each other may read less than the formula for one. [dB]"""

    @property
    def agrees(self) -> bool:
        """Whether image and formula agree."""
        if self.found is None:
            return True
        bounds = (_PLACE_M, _PLACE_M, _LEVEL_DB)
        return all(
            -s - b - _PART * abs(p) <= f - p <= b + _PART * abs(p)
            for f, p, b, s in zip(self.found, self.predicted, bounds, (0, 0, self.smear_db), strict=True)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """All rows, and the pieces of image around the farthest point for pictures."""

    title: str
    rows: tuple[BudgetRow, ...]
    noise: tuple[NoiseRow, ...]
    """Empty where the scenario has none."""
    cell_m: tuple[float, float]
    """-3 dB cell at the farthest point, along and across on the ground. [m]"""
    pieces: dict[str, NDArray[np.float32]] = field(default_factory=dict)
    """Images (along, across) around the farthest point, by source; ``right`` is the one with right beliefs."""
    pixel_m: tuple[float, float] = (1.0, 1.0)

    @property
    def agrees(self) -> bool:
        """Whether every row does."""
        return all(row.agrees for row in (*self.rows, *self.noise))


@dataclass(frozen=True, slots=True)
class _Beliefs:
    """What imaging is told."""

    platform: Platform
    sonar: Sonar
    water: Water
    settings: ChainSettings


@dataclass(frozen=True, slots=True)
class _Place:
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


_Predict = Callable[[_Place], tuple[float, float, float]]


@dataclass(frozen=True, slots=True)
class _Source:
    name: str
    error: str
    wrong: Callable[[_Beliefs], _Beliefs] | None
    predict: _Predict
    smear_db: float = 0.0


def budget(scenario: Scenario, *, on_step: Callable[[str], None] = lambda name: None) -> Budget:
    """Work out the error budget of a scenario's sonar, vehicle and water.

    A vehicle that runs legs goes straight here, at the same speed: points need one closest ping.
    """
    from pingloom.simulate import echoes

    probe, ranges = _probe(scenario)
    side, sonar = next(iter(echoes.sonars(probe).items()))
    platform, water = echoes.platform(probe), echoes.water(probe)
    pings = [ping for ping, _ in echoes.simulate(probe) if ping.side == side]
    right = _Beliefs(platform, sonar, water, _settings(probe))
    middle = _middle_m(probe)
    height = probe.altitude_m - probe.sonar.array_down_m
    array_depth = probe.depth_m + probe.sonar.array_down_m
    sign = 1.0 if side == "starboard" else -1.0
    heading = float(np.deg2rad(probe.vehicle.heading_deg))
    chain, image, origin = _image(right, pings, heading)
    spots = [_peak(image, origin, chain, middle, sign * x) for x in ranges]
    absorption = chain.absorption_db_m
    places = [_Place(probe, water, array_depth, x, height, absorption) for x in ranges]
    rows: list[BudgetRow] = []
    pieces = {"right": _piece(image, origin, chain, middle, sign * ranges[-1])}
    for source in _sources(probe, water, sign):
        on_step(source.name)
        found: list[tuple[float, float, float] | None] = [None] * len(ranges)
        if source.wrong is not None:
            wrong_chain, image, origin = _image(source.wrong(right), pings, heading)
            peaks = [_peak(image, origin, wrong_chain, middle, sign * x) for x in ranges]
            found = [
                tuple(float(b - a) for a, b in zip(spot, peak, strict=True))  # type: ignore[misc]
                for spot, peak in zip(spots, peaks, strict=True)
            ]
            pieces[source.name] = _piece(image, origin, wrong_chain, middle, sign * ranges[-1])
        for at, one in zip(places, found, strict=True):
            along, across, level = source.predict(at)
            rows.append(
                BudgetRow(
                    source=source.name,
                    error=source.error,
                    range_m=at.x,
                    predicted=(along, sign * across, level),
                    found=one,
                    smear_db=source.smear_db,
                )
            )
    return Budget(
        title=scenario.title,
        rows=tuple(rows),
        noise=tuple(_noise(scenario, probe, right, places, heading)),
        cell_m=_cell(probe, ranges[-1], height),
        pieces=pieces,
        pixel_m=(chain.grid.along_m, chain.grid.across_m),
    )


def _noise(
    scenario: Scenario, probe: Scenario, right: _Beliefs, places: list[_Place], heading_rad: float
) -> Iterator[NoiseRow]:
    """Noise at the points' places, from pings without any point."""
    from pingloom.simulate import echoes

    found = heard_noise(probe, scenario)
    if found is None:
        return
    heard, level_db = found
    side = right.sonar.side
    beliefs = dataclasses.replace(right, sonar=echoes.sonars(heard)[side])
    images = []
    for k in range(_NOISE_RUNS):
        own = dataclasses.replace(heard, seed=heard.seed + k)
        pings = [ping for ping, _ in echoes.simulate(own) if ping.side == side]
        chain, image, origin = _image(beliefs, pings, heading_rad, noise_too=True)
        images.append(image)
    image = np.mean(images, axis=0)
    vehicle = heard.vehicle
    along = (np.arange(_PINGS) - (_PINGS - 1) / 2) * vehicle.speed_m_s / vehicle.ping_rate_hz
    half_rad = chain.sides[side].beamformer.sector_half_rad
    sign = 1.0 if side == "starboard" else -1.0
    lambert = heard.seabed.lambert_db if heard.seabed.grazing_deg is None else None
    for at in places:
        cell = _cell(heard, at.x, at.h)[0]
        # The level may climb steeply across the piece that is averaged, beside a null of the patterns.
        spots = [
            dataclasses.replace(at, x=at.x + d)
            for d in np.linspace(-_NOISE_HALF_M, _NOISE_HALF_M, _NOISE_SPOTS)
        ]
        late = vehicle.speed_m_s * float(at.ray.time_s)
        looks = look_gain_db(heard, at.r, along - late, cell, half_rad)
        parts = [noise_by_formula_db(heard, level_db, spot.right_db, looks) for spot in spots]
        down = np.sin(_arrival_rad(at))
        yield NoiseRow(
            level_db=level_db,
            range_m=at.x,
            predicted_db=float(10 * np.log10(np.mean(10 ** (np.array(parts) / 10)))),
            found_db=noise_in_image_db(
                image, origin, chain, (_middle_m(probe), sign * at.x), (cell, _NOISE_HALF_M)
            ),
            seabed_db=None if lambert is None else float(lambert + 20 * np.log10(down)),
        )


def _arrival_rad(at: _Place) -> float:
    """Grazing angle of the ray at the seabed, by Snell's law from the array's."""
    speed = at.water.profile_sound_speed_m_s
    ratio = 1.0
    if speed is not None:
        c = np.interp([at.array_depth_m, at.array_depth_m + at.h], at.water.profile_depth_m, speed)
        ratio = float(c[1] / c[0])
    return float(np.arccos(min(ratio * np.cos(float(at.ray.launch_rad)), 1.0)))


# ---- the scene ---------------------------------------------------------------------------------------------------


def _probe(scenario: Scenario) -> tuple[Scenario, list[float]]:
    sonar, vehicle = scenario.sonar, scenario.vehicle
    near = max(sonar.range_start_m, scenario.altitude_m / np.sin(np.deg2rad(60)))
    # Echoes that begin less than a pulse before the record's end are not imaged.
    far = sonar.range_stop_m - scenario.sound_speed_m_s * sonar.pulse_duration_s / 2
    reach = [float(np.sqrt(max(r**2 - scenario.altitude_m**2, 1.0))) for r in (near, far)]
    ranges = [round(reach[0] + part * (reach[1] - reach[0]), 1) for part in _PARTS]
    way = (_PINGS - 1) * vehicle.speed_m_s / vehicle.ping_rate_hz
    sign = -1.0 if sonar.sides == "port" else 1.0
    points = tuple(
        Target(name=f"{x:g} m", along_m=way / 2 + sonar.array_forward_m, across_m=sign * x, strength_db=0.0)
        for x in ranges
    )
    plain = {f.name: f.default for f in dataclasses.fields(Scenario) if f.name in _LEFT_OUT}
    probe = dataclasses.replace(
        scenario,
        **plain,
        sonar=dataclasses.replace(sonar, sides="port" if sign < 0 else "starboard"),
        vehicle=dataclasses.replace(
            vehicle,
            n_ping=_PINGS,
            legs=(),
            current_m_s=None,
            current_to_deg=None,
            motion=(),
            random_motion=(),
        ),
        navigation=NavigationTable(),
        water=dataclasses.replace(scenario.water, noise=False),
        # Level: relief would lift points off the plane that imaging believes in, or hide them.
        seabed=SeabedTable(
            present=False,
            lambert_db=scenario.seabed.lambert_db,
            grazing_deg=scenario.seabed.grazing_deg,
            grazing_db=scenario.seabed.grazing_db,
        ),
        targets=points,
    )
    return probe, ranges


_LEFT_OUT = ("noise", "bubbles", "instrument", "multipath", "surface", "leakage")


def _middle_m(probe: Scenario) -> float:
    """Along the leg, where the array is half way through the run, and the points abeam of it."""
    way = (_PINGS - 1) * probe.vehicle.speed_m_s / probe.vehicle.ping_rate_hz
    return way / 2 + probe.sonar.array_forward_m


def _settings(probe: Scenario) -> ChainSettings:
    reach = probe.sonar.range_stop_m
    along = 0.25 * 0.886 * probe.wavelength_m / probe.sonar.array_length_m * 0.4 * reach
    across = 0.25 * 0.886 * probe.sound_speed_m_s / 2 / abs(probe.sonar.sweep_hz)
    return apply(
        ChainSettings(),
        [
            "grid.heading_deg=0",
            "compress.window=none",
            "beamform.shading=uniform",
            f"grid.along_m={along:.6f}",
            f"grid.across_m={across:.6f}",
        ],
    )


def _image(
    beliefs: _Beliefs, pings: list[Ping], heading_rad: float, *, noise_too: bool = False
) -> tuple[Chain, NDArray[np.float32], tuple[int, int]]:
    """The chain, its image (along, across), and the indices of its first row and column."""
    trajectory = Trajectory.from_platform(beliefs.platform)
    side = beliefs.sonar.side
    chain = Chain.prepare({side: beliefs.sonar}, beliefs.water, trajectory, beliefs.settings)
    state, tiles = chain.start(StripFrame(0.0, 0.0, heading_rad)), []
    for ping in pings:
        state, new, _ = chain.step(state, ping, trajectory)
        tiles += new
    tiles += chain.finish(state, trajectory)[0]
    image = np.concatenate([t.intensity for t in tiles])
    if noise_too:  # what was subtracted, where noise was known
        image = image + np.nan_to_num(np.concatenate([t.noise_equivalent for t in tiles]))
    return chain, image, (tiles[0].first_along, tiles[0].first_across)


def _cut(image, origin, chain: Chain, along: float, across: float) -> tuple[slice, slice]:
    cuts = []
    for axis, (place, pixel) in enumerate(
        zip((along, across), (chain.grid.along_m, chain.grid.across_m), strict=True)
    ):
        at, half = place / pixel - 0.5 - origin[axis], _HALF_M[axis] / pixel
        cuts.append(slice(max(0, round(at - half)), min(image.shape[axis], round(at + half) + 1)))
    return cuts[0], cuts[1]


def _piece(image, origin, chain: Chain, along: float, across: float) -> NDArray[np.float32]:
    return image[_cut(image, origin, chain, along, across)]


def _peak(image, origin, chain: Chain, along: float, across: float) -> tuple[float, float, float]:
    """Place along and across [m] and level [dB] of the brightest point near a place: a parabola each way, in dB."""
    rows, columns = _cut(image, origin, chain, along, across)
    patch = 10 * np.log10(np.maximum(np.nan_to_num(image[rows, columns]).astype(float), 1e-30))
    i, j = np.unravel_index(int(np.argmax(patch)), patch.shape)
    level, place = float(patch[i, j]), []
    for axis, (k, first, pixel) in enumerate(
        ((i, rows.start, chain.grid.along_m), (j, columns.start, chain.grid.across_m))
    ):
        line = patch[:, j] if axis == 0 else patch[i]
        k = int(np.clip(k, 1, line.size - 2))
        a, b, c = line[k - 1 : k + 2]
        shift = (a - c) / (2 * (a - 2 * b + c))
        level += -((a - c) ** 2) / (8 * (a - 2 * b + c))
        place.append((origin[axis] + first + k + shift + 0.5) * pixel)
    return place[0], place[1], level


def _cell(probe: Scenario, x: float, h: float) -> tuple[float, float]:
    r = float(np.hypot(x, h))
    along = 0.886 * probe.wavelength_m / probe.sonar.array_length_m * r
    return along, 0.886 * probe.sound_speed_m_s / 2 / abs(probe.sonar.sweep_hz) * r / x


# ---- sources -----------------------------------------------------------------------------------------------------


def _with_platform(**changes: Callable[[Platform], NDArray]) -> Callable[[_Beliefs], _Beliefs]:
    def wrong(right: _Beliefs) -> _Beliefs:
        new = {name: change(right.platform) for name, change in changes.items()}
        return dataclasses.replace(right, platform=dataclasses.replace(right.platform, **new))

    return wrong


def _faster_water(right: _Beliefs, by_m_s: float) -> _Beliefs:
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


def _with_setting(*assignments: str) -> Callable[[_Beliefs], _Beliefs]:
    return lambda right: dataclasses.replace(right, settings=apply(right.settings, list(assignments)))


def _sources(probe: Scenario, water: Water, sign: float) -> Iterator[_Source]:
    speed = probe.vehicle.speed_m_s
    c_array = _array_speed(probe, water)
    yield _Source(
        "altitude",
        "+0.1 m",
        _with_platform(altitude_m=lambda p: p.altitude_m + 0.1),
        lambda at: (0.0, *at.moved(at.h + 0.1)),
    )

    def by_ray_speed(at: _Place) -> tuple[float, float, float]:
        # The array's own sound speed is believed right, so the ray is believed to break at its face.
        layers = at.layers(at.h, 2.0)
        x = float(rays.layers_horizontal_m(layers, at.ray.time_s))
        launch = float(rays.layers_eigenray(layers, x).launch_rad)
        broken = float(np.arccos(np.cos(launch) * c_array / (c_array + 2.0)))
        return 0.0, x - at.x, at.level_db(x, at.h, broken, area_rad=launch) - at.right_db

    yield _Source(
        "sound speed along the ray",
        "+2 m/s",
        lambda right: _faster_water(right, 2.0),
        by_ray_speed,
    )

    def by_array_speed(at: _Place) -> tuple[float, float, float]:
        launch, believed = float(at.ray.launch_rad), c_array + 5.0
        tilted = float(np.arccos(min(np.cos(launch) * believed / c_array, 1.0)))
        return (
            0.0,
            0.0,
            (at.level_db(at.x, at.h, tilted, area_rad=launch, faster=believed / c_array) - at.right_db),
        )

    yield _Source(
        "sound speed at the array",
        "+5 m/s",
        _with_setting(f"water.sound_speed_at_array_m_s={c_array + 5.0!r}"),
        by_array_speed,
    )
    turn = np.deg2rad(0.2)
    yield _Source(
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
    yield _Source(
        "pitch",
        "+0.3 deg",
        _with_platform(pitch_rad=lambda p: p.pitch_rad + tip),
        lambda at: (at.x * np.tan(at.ray.launch_rad) * np.tan(tip), 0.0, 0.0),
    )
    lean = np.deg2rad(1.0)
    yield _Source(
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
    yield _Source(
        "navigation's clock",
        "late by 20 ms",
        _with_platform(time_ns=lambda p: p.time_ns + np.uint64(late_ns)),
        lambda at: (-speed * late_ns * 1e-9, 0.0, 0.0),
    )
    yield _Source(
        "source level",
        "+1 dB",
        lambda right: dataclasses.replace(
            right, sonar=dataclasses.replace(right.sonar, source_level_db=right.sonar.source_level_db + 1)
        ),
        lambda at: (0.0, 0.0, -1.0),
    )
    more = 0.005
    yield _Source(
        "absorption",
        f"+{1e3 * more:g} dB/km",
        lambda right: dataclasses.replace(
            right, water=dataclasses.replace(right.water, absorption_db_m=right.water.absorption_db_m + more)
        ),
        lambda at: (0.0, 0.0, 2 * at.r * more),
    )
    if water.profile_depth_m is not None:

        def by_straight_rays(at: _Place) -> tuple[float, float, float]:
            r = c_array * float(at.ray.time_s)
            x = float(np.sqrt(r**2 - at.h**2))
            # Distances along from the receivers come out as r p c to x, p the ray's horizontal slowness: too long. The looks
            # lie evenly about the place of sending, and the receivers have moved on from there.
            ahead = speed * 2 * float(at.ray.time_s)
            along = float(ahead * (1 - r * np.cos(float(at.ray.launch_rad)) / at.x))
            return along, x - at.x, at.level_db(x, at.h, float(np.arctan2(at.h, x))) - at.right_db

        yield _Source(
            "refraction",
            "left out: straight at the array's speed",
            _with_setting(f"water.sound_speed_m_s={c_array!r}"),
            by_straight_rays,
            smear_db=0.3,
        )
    sonar = probe.sonar
    stretch = sonar.centre_frequency_hz * sonar.pulse_duration_s / sonar.sweep_hz

    def by_doppler(at: _Place) -> tuple[float, float, float]:
        edge = 0.443 * probe.wavelength_m / sonar.transmit_along_m
        return 0.0, -speed * np.sin(edge) * stretch * at.r / at.x, 0.0

    yield _Source("motion within the pulse", "at the sector's fore edge, left in", None, by_doppler)


def _array_speed(probe: Scenario, water: Water) -> float:
    if water.profile_depth_m is None:
        return probe.sound_speed_m_s
    depth = probe.depth_m + probe.sonar.array_down_m
    return float(np.interp(depth, water.profile_depth_m, water.profile_sound_speed_m_s))
