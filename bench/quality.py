"""Image quality from simulated scenes through the whole chain: what was measured, what theory says, what is allowed."""

from __future__ import annotations

import dataclasses
import tempfile
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from pingloom.bench import measuring
from pingloom.bench.measure.contrast import Region
from pingloom.bench.measure.speckle import Enl
from pingloom.imaging.chain import ChainSettings
from pingloom.imaging.theory import array, levels, pulse
from pingloom.io.product import Product
from pingloom.simulate.scenario import Scenario, Target

__all__ = ["QualityRow", "run_quality"]


@dataclass(frozen=True, slots=True, kw_only=True)
class QualityRow:
    """One measure of one image."""

    quantity: str
    measured: float
    predicted: float
    unit: str
    spread: float
    """One standard deviation of the measurement; 0 where it repeats exactly."""
    allowed: float
    """Largest difference from the prediction that passes, two spreads included."""

    @property
    def passed(self) -> bool:
        """Whether the difference is within what is allowed."""
        return abs(self.measured - self.predicted) <= self.allowed

    def as_dict(self) -> dict[str, Any]:
        """For the report."""
        return {**{k: _plain(v) for k, v in asdict(self).items()}, "passed": bool(self.passed)}


def _plain(value: Any) -> Any:
    return value if isinstance(value, str) else float(value)


def run_quality(level: str, on_step: Callable[[str], None]) -> list[dict[str, Any]]:
    """Simulate, image and measure.

    Parameters
    ----------
    level : {"quick", "default", "full"}
        quick: 30 m and two points; else 60 m, four points, and the demonstration's box and shadow.
    """
    quick = level == "quick"
    places = (15.0, 25.0) if quick else (15.0, 25.0, 40.0, 55.0)
    with tempfile.TemporaryDirectory() as folder:
        on_step("quality: points in still water")
        rows = _points(Path(folder), places)
        on_step("quality: speckle and level of a plain seabed")
        rows += _seabed(Path(folder), places)
        if not quick:
            on_step("quality: box and shadow of the demonstration")
            rows += _demonstration(Path(folder) / "demonstration")
    return [row.as_dict() for row in rows]


def _base(reach_m: float, n_ping: int) -> Scenario:
    from pingloom.simulate.presets import load_preset

    scenario = load_preset("reference")
    return dataclasses.replace(
        scenario,
        sonar=dataclasses.replace(scenario.sonar, range_stop_m=reach_m),
        vehicle=dataclasses.replace(scenario.vehicle, n_ping=n_ping),
        targets=(),
    )


def _image(scenario: Scenario, folder: Path, *assignments: str) -> Product:
    """Record, image, open. The product is to be closed."""
    from pingloom.bench.commands.simulate import record_scenario
    from pingloom.bench.imaging_run import image_recording
    from pingloom.io.product import read_product
    from pingloom.io.settings import apply

    folder.mkdir()
    record_scenario(scenario, folder / "recording.h5")
    settings = apply(ChainSettings(), ["grid.heading_deg=0", *assignments])
    return read_product(image_recording(folder / "recording.h5", folder, settings=settings).product)


def _points(folder: Path, places: tuple[float, ...]) -> list[QualityRow]:
    """Place, widths, sidelobes and level of points without seabed or noise, no window and uniform shading."""
    middle = 5.0
    targets = [Target(name=f"{x:g} m", along_m=middle, across_m=x, strength_db=-10.0) for x in places]
    base = _base(places[-1] * 1.08 + 3.5, 62)
    scenario = dataclasses.replace(
        base,
        seabed=dataclasses.replace(base.seabed, present=False),
        water=dataclasses.replace(base.water, noise=False),
        targets=tuple(targets),
    )
    plain = ("compress.window=none", "beamform.shading=uniform", "grid.along_m=0.03", "grid.across_m=0.009")
    rows: list[QualityRow] = []
    with _image(scenario, folder / "points", *plain) as product:
        for x in places:
            rows += _point(scenario, product, middle, x)
    return rows


def _point(scenario: Scenario, product: Product, along: float, across: float) -> list[QualityRow]:
    sonar, c = scenario.sonar, scenario.sound_speed_m_s
    slant = float(np.hypot(across, scenario.altitude_m))
    cosine = across / slant
    weights = np.ones(sonar.n_channel)
    length, wave = sonar.array_length_m, scenario.wavelength_m
    width = float(array.along_width_m(wave, slant, length, weights))
    depth = float(pulse.range_width_m(abs(sonar.sweep_hz), c, "none")) / cosine
    cell = float(array.equivalent_along_width_m(wave, slant, length, weights))
    cell *= float(pulse.equivalent_range_width_m(abs(sonar.sweep_hz), c, "none")) / cosine
    got = measuring.measure_point(product, along, across, half_m=(2.0, 0.5))
    name = f"point at {across:g} m"

    def row(quantity, measured, predicted, unit, allowed) -> QualityRow:
        return QualityRow(
            quantity=f"{name}: {quantity}",
            measured=measured,
            predicted=predicted,
            unit=unit,
            spread=0.0,
            allowed=allowed,
        )

    return [
        row("place along", 1e3 * (got.peak_along_m - along), 0.0, "mm", 100 * width),
        row("place across", 1e3 * (got.peak_across_m - across), 0.0, "mm", 100 * depth),
        # Many looks of a cut are a little narrower than one: what lies off the middle is averaged down.
        row("width along", 1e3 * got.along.width_m, 1e3 * width, "mm", 1e3 * 0.07 * width),
        row("width across", 1e3 * got.across.width_m, 1e3 * depth, "mm", 1e3 * 0.02 * depth),
        row("sidelobe across", got.across.peak_sidelobe_db, -13.26, "dB", 0.5),
        # Along track looks from other directions lower it: -13.6 to -16.
        row("sidelobe along", got.along.peak_sidelobe_db, -14.9, "dB", 1.8),
        row("level", 10 * np.log10(got.peak * cell), -10.0, "dB", 0.2),
    ]


def _seabed(folder: Path, places: tuple[float, ...]) -> list[QualityRow]:
    """Number of looks and level in bands of range, usual settings."""
    base = _base(places[-1] * 1.05 + 3.5, 62)
    # Dense and freely placed: the places' own regularity would otherwise calm the speckle.
    scenario = dataclasses.replace(base, seabed=dataclasses.replace(base.seabed, per_cell=10.0, jitter=1.0))
    rows = []
    with _image(scenario, folder / "seabed") as product:
        for x in places:
            rows += _band(scenario, product, x)
    return rows


def _band(scenario: Scenario, product: Product, across: float) -> list[QualityRow]:
    region = Region(along_min_m=2.5, along_max_m=7.5, across_min_m=across - 1.0, across_max_m=across + 1.0)
    patch = measuring.measure_patch(product, region)
    found: Enl = patch.measured
    grazing = np.arctan2(scenario.altitude_m, across)
    law = float(levels.lambert_db(grazing, scenario.seabed.lambert_db))
    predicted = patch.predicted
    level_spread = 10 / np.log(10) / np.sqrt(found.cells * found.enl)
    return [
        QualityRow(
            quantity=f"number of looks at {across:g} m",
            measured=found.enl,
            predicted=predicted,
            unit="",
            spread=found.standard_error,
            allowed=0.10 * predicted + 2 * found.standard_error,
        ),
        QualityRow(
            quantity=f"seabed level at {across:g} m",
            measured=10 * np.log10(found.mean),
            predicted=law,
            unit="dB",
            spread=float(level_spread),
            allowed=0.5 + 2 * float(level_spread),
        ),
    ]


def _demonstration(folder: Path) -> list[QualityRow]:
    """What the demonstration measures of its box and shadow."""
    from pingloom.bench.commands.simulate import record_scenario
    from pingloom.bench.demo import run_demo
    from pingloom.simulate.presets import load_preset

    folder.mkdir()
    found = run_demo(
        load_preset("first_look"), folder, record=record_scenario, overwrite=False, on_step=lambda text: None
    )
    rows = []
    for row in found.rows:
        if "shadow" not in row.quantity:
            continue
        spread = row.spread if np.isfinite(row.spread) else 0.0
        # A shadow's few cells leave much to chance; a sidelobe's error of 2 dB is what the prediction is good for.
        slack = 2.0 if row.unit == "dB" else 0.2 * row.predicted
        rows.append(
            QualityRow(
                quantity=row.quantity,
                measured=row.measured,
                predicted=row.predicted,
                unit=row.unit,
                spread=spread,
                allowed=slack + 2 * spread,
            )
        )
    return rows
