"""What estimation changed, drawn and tabled: before and after for each estimator."""

from __future__ import annotations

import itertools
import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pingloom.bench.console import as_json
from pingloom.bench.correctors import side_estimators
from pingloom.bench.estimating import EstimateRun
from pingloom.bench.imaging_run import ImageSettings
from pingloom.bench.pictures import Chart, Curve, Panel, profile_picture, side_by_side
from pingloom.imaging.chain import Chain
from pingloom.imaging.estimate.side import Told
from pingloom.imaging.frames import Trajectory
from pingloom.imaging.records import Correction
from pingloom.io.recording import open_recording

__all__ = ["Line", "write_report"]

_MOST_PINGS = 400
"""Pings of a side that are imaged for the pictures; the table says so where there are more."""


@dataclass(frozen=True, slots=True)
class Line:
    """One row of the table of before and after."""

    estimator: str
    quantity: str
    before: float
    after: float
    unit: str


def write_report(
    path: Path, folder: Path, run: EstimateRun, settings: ImageSettings
) -> tuple[list[Line], list[Path]]:
    """Draw and table what the corrections of each side do.

    For each estimator the image is made without any correction, and with that estimator's alone; the last picture
    shows all together.

    Returns
    -------
    lines, pictures
    """
    folder.mkdir(parents=True, exist_ok=True)
    lines: list[Line] = []
    pictures: list[Path] = []
    for side, told in run.told.items():
        lines += _figures(told)
        pictures += _charts(folder, side, told)
        images = _images(path, side, told, run, settings)
        plain = images["no correction"]
        for name, image in images.items():
            if image is plain:
                continue
            sharp = [_sharpness(i.intensity) for i in (plain, image)]
            lines.append(Line(name, "brightest pixels over the median", sharp[0], sharp[1], "dB"))
            picture = folder / f"{side}-image-{name.replace(' ', '-')}.png"
            pictures.append(
                side_by_side(
                    picture,
                    [plain, image],
                    title=f"{side}: without corrections, and with {name}",
                    caption="The same echoes; both sides of the picture have the same grey scale.",
                )
            )
    table = [
        {
            "estimator": x.estimator,
            "quantity": x.quantity,
            "before": x.before,
            "after": x.after,
            "unit": x.unit,
        }
        for x in lines
    ]
    part = folder / "report.json.part"
    part.write_text(as_json({"table": table, "cost_ms_per_ping": run.step_ms, "sides": run.summary}) + "\n")
    part.replace(folder / "report.json")
    json.loads((folder / "report.json").read_text())
    return lines, pictures


def _figures(told: list[Told]) -> list[Line]:
    lines = []
    pairs = [(t.given_altitude_m, t.bottom.altitude_m) for t in told if t.bottom is not None]
    both = np.array([p for p in pairs if np.isfinite(p).all()])
    if both.size:
        lines.append(
            Line("bottom", "altitude, mean", float(both[:, 0].mean()), float(both[:, 1].mean()), "m")
        )
        step = [float(np.std(np.diff(both[:, k]))) if len(both) > 1 else 0.0 for k in (0, 1)]
        lines.append(Line("bottom", "altitude, rms change from ping to ping", *step, "m"))
    last = next(
        (t.channels for t in reversed(told) if t.channels is not None and t.channels.weight is not None), None
    )
    if last is not None:
        before, after, side_before, side_after = _array_factor(last)
        lines.append(Line("channels", "peak of the array, ideal 0", before, after, "dB"))
        lines.append(Line("channels", "highest sidelobe", side_before, side_after, "dB"))
        lines.append(Line("channels", "receivers left out", 0, float((~last.live).sum()), ""))
    steps = _steps(told)
    if steps.size:
        lines.append(
            Line(
                "motion",
                "looks shifted, along, rms",
                float(np.std(steps[:, 0])),
                float(np.std(steps[:, 2])),
                "m",
            )
        )
        lines.append(
            Line(
                "motion",
                "looks shifted, across, rms",
                float(np.std(steps[:, 1])),
                float(np.std(steps[:, 3])),
                "m",
            )
        )
    lines.append(
        Line("reject", "pings in the image", len(told), sum(t.correction.look_weight > 0 for t in told), "")
    )
    return lines


def _array_factor(fix) -> tuple[float, float, float, float]:
    """Peak and sidelobe of the first row's array: as estimated, and after, with what the estimate leaves open."""
    live = fix.live[0]
    gain = np.where(live, 10 ** (np.nan_to_num(fix.gain_db[0]) / 20), 0.0)
    error = gain * np.exp(1j * np.where(live, fix.phase_rad[0], 0.0))
    left = live * np.exp(-(fix.phase_std_rad[0] ** 2) / 2)
    values = []
    for weight, norm in ((error, np.abs(error).sum()), (left, live.sum())):
        u = np.linspace(-0.5, 0.5, 4001)
        beam = np.abs(np.exp(2j * np.pi * u[:, None] * np.arange(live.size)) @ weight) / norm
        k = int(np.argmax(beam))
        high = np.flatnonzero((beam[1:-1] > beam[:-2]) & (beam[1:-1] > beam[2:])) + 1
        aside = high[np.abs(u[high] - u[k]) > 0.9 / live.size]
        values.append((20 * np.log10(beam[k]), 20 * np.log10(beam[aside].max() / beam[k])))
    return values[0][0], values[1][0], values[0][1], values[1][1]


def _steps(told: list[Told]) -> NDArray[np.float64]:
    """Measured shift of each look against the one before, along and across, before and after its correction."""
    rows = []
    for earlier, later in itertools.pairwise(told):
        m, e = later.motion, earlier.motion
        if m is None or e is None or m.match is None or m.match.reason:
            continue
        along = np.average(m.match.along_m, weights=m.match.along_std_m**-2)
        across = np.average(m.match.across_m, weights=m.match.across_std_m**-2)
        rows.append((along, across, along + m.along_m - e.along_m, across + m.starboard_m - e.starboard_m))
    return np.array(rows)


def _charts(folder: Path, side: str, told: list[Told]) -> list[Path]:
    number = np.array([t.correction.number for t in told])
    pictures = []
    if any(t.bottom is not None for t in told):
        value = [
            [np.nan if t.bottom is None else getattr(t.bottom, name) for t in told]
            for name in ("measured_m", "altitude_m")
        ]
        curves = [
            Curve(label="this ping's echo", x=number, y=value[0], points=True),
            Curve(label="track", x=number, y=value[1]),
        ]
        given = [t.given_altitude_m for t in told]
        if np.isfinite(given).any():
            curves.append(Curve(label="given", x=number, y=given))
        pictures.append(
            _chart(folder / f"{side}-bottom.png", f"{side}: altitude", [(curves, "altitude [m]")])
        )
    last = next(
        (t.channels for t in reversed(told) if t.channels is not None and t.channels.weight is not None), None
    )
    if last is not None:
        x = np.arange(last.live.shape[1])
        gain = [
            Curve(label=f"row {r}", x=x, y=last.gain_db[r], points=True) for r in range(last.live.shape[0])
        ][:6]
        phase = [
            Curve(
                label=f"row {r}",
                x=x,
                y=np.where(last.live[r], np.rad2deg(last.phase_rad[r]), np.nan),
                spread=np.rad2deg(last.phase_std_rad[r]),
                points=True,
            )
            for r in range(last.live.shape[0])
        ][:6]
        charts = [(gain, "gain error [dB]"), (phase, "phase error [deg]")]
        pictures.append(_chart(folder / f"{side}-channels.png", f"{side}: receivers", charts, "receiver"))
    if any(t.motion is not None for t in told):
        shift = [[1e3 * getattr(t.motion, n) for t in told] for n in ("along_m", "starboard_m")]
        turn = [1e3 * t.motion.heading_rad for t in told]
        charts = [
            (
                [
                    Curve(label="along", x=number, y=shift[0]),
                    Curve(label="to starboard", x=number, y=shift[1]),
                ],
                "shift [mm]",
            ),
            ([Curve(label="heading", x=number, y=turn)], "turn [mrad]"),
        ]
        pictures.append(_chart(folder / f"{side}-motion.png", f"{side}: added to the believed pose", charts))
    if any(t.verdict is not None for t in told):
        left_out = np.array([t.correction.look_weight == 0 for t in told])
        charts = []
        for name, label in (("burst_db", "loudest rise [dB]"), ("fade_db", "fading [dB]")):
            value = np.array([getattr(t.verdict, name) for t in told])
            curves = [Curve(label="kept", x=number, y=np.where(left_out, np.nan, value), points=True)]
            if left_out.any():
                curves.append(
                    Curve(label="left out", x=number, y=np.where(left_out, value, np.nan), points=True)
                )
            charts.append((curves, label))
        pictures.append(_chart(folder / f"{side}-reject.png", f"{side}: fitness of pings", charts))
    return pictures


def _chart(path: Path, title: str, charts, x_label: str = "ping") -> Path:
    return profile_picture(
        path, [Chart(curves=c, x_label=x_label, y_label=label) for c, label in charts], title=title
    )


def _images(
    path: Path, side: str, told: list[Told], run: EstimateRun, settings: ImageSettings
) -> dict[str, Panel]:
    """The first leg's image without correction, with each estimator's alone, and with all."""
    parts = {
        "no correction": lambda c: None,
        "bottom": lambda c: Correction(side=side, number=c.number, altitude_m=c.altitude_m),
        "channels": lambda c: Correction(
            side=side,
            number=c.number,
            channel_weight=c.channel_weight,
            channel_delay_s=c.channel_delay_s,
        ),
        "motion": lambda c: replace(
            c, altitude_m=float("nan"), channel_weight=None, channel_delay_s=None, look_weight=1.0, reasons=0
        ),
        "reject": lambda c: Correction(side=side, number=c.number, look_weight=c.look_weight),
        "all corrections": lambda c: c,
    }
    on = settings.estimate
    wanted = {k: v for k, v in parts.items() if getattr(on, k, True)}
    with open_recording(path) as recording:
        estimator = side_estimators(recording, settings)[side]
        frame, last = run.legs[0].frame, run.legs[0].last_time_ns
        trajectory = Trajectory.from_platform(recording.platform())
        chain = _chain(recording, side, trajectory, settings, told)
        row = {t.correction.number: t.correction for t in told[:_MOST_PINGS]}
        states = {name: (chain.start(frame), []) for name in wanted}
        for ping in recording.pings(side):
            if ping.number not in row or ping.time_ns > last:
                continue
            for name, (state, tiles) in states.items():
                correction = wanted[name](row[ping.number])
                known = correction is not None and np.isfinite(correction.altitude_m)
                if not known and not np.isfinite(estimator.given_altitude(ping)):
                    continue
                _, new, _ = chain.step(state, ping, trajectory, correction)
                tiles += new
    panels = {}
    for name, (state, tiles) in states.items():
        tiles += chain.finish(state, trajectory)[0]
        if tiles:
            panels[name] = _panel(name, tiles, chain)
    return panels


def _chain(recording, side: str, trajectory: Trajectory, settings: ImageSettings, told: list[Told]) -> Chain:
    water = recording.water()
    known = trajectory.altitude_m.size or water.depth_m is not None
    chosen: Any = settings
    if not known and settings.bottom.altitude_m is None:
        found = [t.correction.altitude_m for t in told if np.isfinite(t.correction.altitude_m)]
        if found:
            chosen = replace(settings, bottom=replace(settings.bottom, altitude_m=float(np.median(found))))
    return Chain.prepare({side: recording.sonar(side)}, water, trajectory, chosen)


def _panel(name: str, tiles, chain: Chain) -> Panel:
    intensity = np.concatenate([t.intensity for t in tiles])
    grid = chain.grid
    return Panel(
        title=name,
        intensity=intensity,
        along_m=(tiles[0].first_along + np.arange(intensity.shape[0]) + 0.5) * grid.along_m,
        across_m=(tiles[0].first_across + np.arange(intensity.shape[1]) + 0.5) * grid.across_m,
    )


def _sharpness(intensity) -> float:
    """Brightest hundred-thousandth (but ten pixels or more) over the median: rises where points come to a point. [dB]"""
    value = np.asarray(intensity)[np.isfinite(intensity)]
    value = value[value > 0]
    if value.size < 100:
        return float("nan")
    n = max(10, value.size // 100_000)
    return float(10 * np.log10(np.partition(value, -n)[-n:].mean() / np.median(value)))
