"""What each mechanism of the simulator does to an image: one invented scene, each switched on alone, then measured.

A mechanism is a name and the settings that switch it on, laid over :func:`base_scenario`. To add one, add an entry to
:data:`MECHANISMS`; those of noise, bubbles and instrument come from :mod:`pingloom.bench.instrument_mechanisms`.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from pingloom.bench import measuring
from pingloom.bench.gallery_pictures import strip_transform
from pingloom.bench.instrument_mechanisms import INSTRUMENT_MECHANISMS
from pingloom.bench.measure.contrast import Region
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.io.product import Product
from pingloom.simulate.scenario import Scenario

__all__ = ["MECHANISMS", "Measured", "Mechanism", "base_scenario", "measure_mechanisms", "merged"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Mechanism:
    """Something that the simulator can add to a scene."""

    name: str
    meaning: str
    """How strongly it is switched on, in one line; empty where the name says it."""
    changes: dict[str, Any] = field(default_factory=dict)
    """Tables of a scenario, laid over those of the base."""


_ROUGH = {"rms_m": 0.03, "slope_deg": 6.0, "loss_db": 1.0}
_QUIET = {"noise": False}
_UNFIT = ("ping times off, 7 ms",)  # longer than the scene's ping rate allows

MECHANISMS: tuple[Mechanism, ...] = (
    Mechanism(name="none", meaning="straight ways, no noise, a perfect instrument"),
    Mechanism(
        name="noise", meaning="thermal and other, 68 dB re 1 uPa^2/Hz", changes={"water": {"noise": True, "noise_db": 68.0}}
    ),
    Mechanism(
        name="multipath, mirror",
        meaning="one bounce each way off a smooth surface",
        changes={"multipath": {"order": 1}, "surface": {"rms_m": 0.0}},
    ),
    Mechanism(
        name="multipath, rough",
        meaning="the same off a surface 3 cm rms, slopes 6 deg, by its facets",
        changes={"multipath": {"order": 1}, "surface": _ROUGH},
    ),
    Mechanism(
        name="surface echo",
        meaning="Lambert's -25 dB and facets, wind of 6 m/s",
        changes={"surface": {"wind_m_s": 6.0, "backscatter_db": -25.0, "bragg": True}},
    ),
    Mechanism(
        name="previous pings",
        meaning="two, from 34 m of range on",
        changes={"multipath": {"previous_pings": 2}},
    ),
    Mechanism(
        name="leakage, sound",
        meaning="the other side, 20 dB down",
        changes={"sonar": {"sides": "both"}, "leakage": {"acoustic_db": -20.0}},
    ),
    Mechanism(
        name="leakage, electrical",
        meaning="the other side's channels, 20 dB down",
        changes={"sonar": {"sides": "both"}, "leakage": {"electrical_db": -20.0}},
    ),
    Mechanism(
        name="refraction",
        meaning="20 m/s slower at the seabed than at the surface, the middle's speed believed",
        changes={
            "water": {
                "sound_speed_m_s": None,
                "profile_depth_m": [0.0, 6.0],
                "profile_sound_speed_m_s": [1510.0, 1490.0],
            }
        },
    ),
    *(
        Mechanism(name=name, meaning="", changes=dict(changes))
        for name, changes in INSTRUMENT_MECHANISMS.items()
        if name not in _UNFIT
    ),
    Mechanism(
        name="ping times off, 3 ms",
        meaning="",
        changes={"instrument": {"timing": {"ping_time_rms_s": 3e-3}}},
    ),
    Mechanism(
        name="navigation",
        meaning="heading noise 0.3 deg, forward speed 3 % high",
        changes={"navigation": {"heading_noise_deg": 0.3, "velocity_bias_forward_m_s": 0.09}},
    ),
)  # fmt: skip
"""In the order of the table; the first is what the others are compared with."""


def base_scenario() -> Scenario:
    """Return the scene: plain sand, a box with its shadow and a point in 6 m of water, seen by a perfect sonar. Invented."""
    return Scenario.from_dict(
        {
            "title": "Box and point in 6 m of water (invented place)",
            "seed": 1871,
            "sonar": {
                "n_channel": 16,
                "channel_pitch_m": 0.025,
                "depression_deg": 20.0,
                "pulse_duration_s": 1e-3,
                "range_stop_m": 17.0,
                "source_level_db": 200.0,
            },
            "vehicle": {
                "n_ping": 64,
                "ping_rate_hz": 22.0,
                "speed_m_s": 3.0,
                "depth_m": 3.0,
                "altitude_m": 3.0,
            },
            "water": dict(_QUIET),
            "seabed": {"lambert_db": -27.0, "per_cell": 8.0, "jitter": 1.0},
            "targets": [
                {
                    "kind": "box",
                    "name": "box",
                    "along_m": 2.2,
                    "across_m": 9.0,
                    "size_m": [1.2, 0.5, 0.6],
                    "strength_db": -20.0,
                },
                {"name": "point", "along_m": 6.6, "across_m": 9.0, "height_m": 0.0, "strength_db": -26.0},
            ],
        }
    )


# Along and across from the leg's start [m]. The box's shadow ends at 11.56 m; its ends are left out.
_SHADOW = (1.8, 2.6, 9.6, 11.2)
_BESIDE = (3.4, 4.6, 9.6, 11.2)
_PLAIN = (3.0, 5.8, 6.2, 8.2)  # nearer than box and point, whose late images would lie in it


_Cells = dict[tuple[float, float, float, float], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What an image shows; NaN where it can't be told."""

    name: str
    meaning: str
    looks: float
    """Equivalent number of looks of plain seabed."""
    looks_error: float
    level_db: float
    """Mean of plain seabed."""
    shadow_db: float
    """Mean in the box's shadow over the seabed beside it."""
    contrast_to_noise: float
    peak_db: float
    """Of the point over the level of plain seabed at its range."""
    along_width_m: float
    """-3 dB, of the point."""

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON, None for what can't be told."""
        values = {name: getattr(self, name) for name in self.__dataclass_fields__}
        return {k: None if isinstance(v, float) and v != v else v for k, v in values.items()}


def merged(base: dict[str, Any], changes: dict[str, Any]) -> dict[str, Any]:
    """Lay nested tables over others; None takes a key away."""
    out = dict(base)
    for key, value in changes.items():
        if value is None:
            out.pop(key, None)
        elif isinstance(value, dict) and isinstance(out.get(key), dict):
            out[key] = merged(out[key], value)
        else:
            out[key] = value
    return out


def measure_mechanisms(
    chosen: tuple[Mechanism, ...],
    *,
    threads: int | None = None,
    on_step: Callable[[str], None] = lambda name: None,
) -> Iterator[Measured]:
    """Simulate, image and measure the scene with each mechanism switched on alone."""
    base = base_scenario().to_dict()
    cells: _Cells = {}
    for mechanism in chosen:
        on_step(mechanism.name)
        scenario = Scenario.from_dict(merged(base, mechanism.changes))
        with tempfile.TemporaryDirectory(prefix="pingloom-") as folder:
            yield _measured(mechanism, scenario, Path(folder), threads, cells)


def _measured(
    mechanism: Mechanism,
    scenario: Scenario,
    folder: Path,
    threads: int | None,
    cells: _Cells,
) -> Measured:
    from pingloom.bench.commands.simulate import record_scenario
    from pingloom.bench.imaging_run import ImageSettings, image_recording
    from pingloom.io.product import read_product
    from pingloom.io.settings import apply

    record_scenario(scenario, folder / "recording.h5", threads=threads)
    settings = apply(ImageSettings(), [f"grid.heading_deg={scenario.vehicle.heading_deg:g}"])
    run = image_recording(folder / "recording.h5", folder / "images", settings=settings)
    with read_product(run.products[0]) as product:
        return _measure(mechanism, scenario, product, cells)


def _measure(mechanism: Mechanism, scenario: Scenario, product: Product, cells: _Cells) -> Measured:
    """``cells``: pixels in an independent cell by region, filled on the bare scene: where a mechanism tears the speckle apart,
    so that it has no measure of its own, looks and contrast are told by these.
    """
    to_strip = strip_transform(product)
    shift = to_strip(*scenario.world_place(0.0, 0.0))

    def region(along_min: float, along_max: float, across_min: float, across_max: float) -> Region:
        return Region(
            along_min_m=along_min + shift[0],
            along_max_m=along_max + shift[0],
            across_min_m=across_min + shift[1],
            across_max_m=across_max + shift[1],
        )

    # What can't be told from the bare scene is a fault of ours, not of a mechanism.
    attempt = _or_none if mechanism.changes else _or_raise

    def patch(place: tuple[float, float, float, float]):
        found = attempt(lambda: measuring.measure_patch(product, region(*place)).measured)
        if found is None and place in cells:
            return attempt(
                lambda: measuring.measure_patch(product, region(*place), cell_pixels=cells[place]).measured
            )
        if not mechanism.changes:
            cells[place] = found.n_pixel / found.cells
        return found

    plain, beside = patch(_PLAIN), patch(_BESIDE)
    contrast = attempt(lambda: measuring.measure_contrast(product, region(*_SHADOW), region(*_BESIDE)))
    if contrast is None and _BESIDE in cells:
        own = cells[_BESIDE]
        contrast = attempt(
            lambda: measuring.measure_contrast(product, region(*_SHADOW), region(*_BESIDE), cell_pixels=own)
        )
    point = next(t for t in scenario.targets if t.name == "point")
    # Drawn at its slant range on the flat seabed.
    slant = np.hypot(point.across_m, scenario.altitude_m - point.height_m)
    drawn = np.sqrt(slant**2 - scenario.altitude_m**2)
    response = attempt(
        lambda: measuring.measure_point(
            product, point.along_m + shift[0], drawn + shift[1], half_m=(1.0, 0.5)
        )
    )
    none = float("nan")
    return Measured(
        name=mechanism.name,
        meaning=mechanism.meaning,
        looks=plain.enl if plain else none,
        looks_error=plain.standard_error if plain else none,
        level_db=_db(plain.mean) if plain else none,
        shadow_db=contrast.ratio_db if contrast else none,
        contrast_to_noise=contrast.contrast_to_noise if contrast else none,
        peak_db=_db(response.peak / beside.mean) if response and beside else none,
        along_width_m=float(response.along.width_m) if response else none,
    )


def _or_none(measure: Callable[[], Any]) -> Any:
    """What a measure gives, or None where the image doesn't hold it: a target that is gone, noise that isn't speckle."""
    try:
        return measure()
    except (DataError, ParameterError):
        return None


def _or_raise(measure: Callable[[], Any]) -> Any:
    return measure()


def _db(ratio: float) -> float:
    return float(10 * np.log10(ratio)) if ratio > 0 else float("nan")
