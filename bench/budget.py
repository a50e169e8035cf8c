"""Error budget of a scenario: what each wrong belief does to place and level, by formula and as imaged.

Unit points at three ranges are simulated once, without seabed, noise, instrument and the vehicle's swings, and imaged once
with the right beliefs and then with one of them wrong at a time (:mod:`.budget_sources`); the formulas stand beside.
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
from pingloom.bench.budget_sources import Beliefs, Place, arrival_rad, sources
from pingloom.imaging.chain import Chain, ChainSettings
from pingloom.imaging.frames import StripFrame, Trajectory
from pingloom.imaging.records import Ping
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


def budget(scenario: Scenario, *, on_step: Callable[[str], None] = lambda name: None) -> Budget:
    """Work out the error budget of a scenario's sonar, vehicle and water.

    A vehicle that runs legs goes straight here, at the same speed: points need one closest ping.
    """
    from pingloom.simulate import echoes

    probe, ranges = _probe(scenario)
    side, sonar = next(iter(echoes.sonars(probe).items()))
    platform, water = echoes.platform(probe), echoes.water(probe)
    pings = [ping for ping, _ in echoes.simulate(probe) if ping.side == side]
    right = Beliefs(platform, sonar, water, _settings(probe))
    middle = _middle_m(probe)
    height = probe.altitude_m - probe.sonar.array_down_m
    array_depth = probe.depth_m + probe.sonar.array_down_m
    sign = 1.0 if side == "starboard" else -1.0
    heading = float(np.deg2rad(probe.vehicle.heading_deg))
    chain, image, origin = _image(right, pings, heading)
    spots = [_peak(image, origin, chain, middle, sign * x) for x in ranges]
    absorption = chain.absorption_db_m
    places = [Place(probe, water, array_depth, x, height, absorption) for x in ranges]
    rows: list[BudgetRow] = []
    pieces = {"right": _piece(image, origin, chain, middle, sign * ranges[-1])}
    for source in sources(probe, water, sign):
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
    scenario: Scenario, probe: Scenario, right: Beliefs, places: list[Place], heading_rad: float
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
        down = np.sin(arrival_rad(at))
        yield NoiseRow(
            level_db=level_db,
            range_m=at.x,
            predicted_db=float(10 * np.log10(np.mean(10 ** (np.array(parts) / 10)))),
            found_db=noise_in_image_db(
                image, origin, chain, (_middle_m(probe), sign * at.x), (cell, _NOISE_HALF_M)
            ),
            seabed_db=None if lambert is None else float(lambert + 20 * np.log10(down)),
        )


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
    beliefs: Beliefs, pings: list[Ping], heading_rad: float, *, noise_too: bool = False
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
