"""Pictures of simulated scenes: what is really there beside what the imager made of its echoes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pingloom.bench.product_picture import level_label
from pingloom.io.product import Product
from pingloom.simulate import echoes
from pingloom.simulate.bodies import bodies_of, placed_targets
from pingloom.simulate.ground import Ground
from pingloom.simulate.scenario import Scenario

from ._picture_canvas import (
    MARK,
    SMALL_PX,
    TEXT_PX,
    TITLE_PX,
    Canvas,
    Layer,
    View,
    colour_bar,
    foot_height,
    limits_of,
    plain_style,
    points,
)
from ._picture_grid import Grid, arrange, union

__all__ = ["Outline", "expected_backscatter", "strip_transform", "target_outlines", "truth_picture"]

_TRACK = "#56b4e9"
"""Sky blue of the Okabe-Ito palette: beside vermilion outlines, and told from the flat blue of what wasn't seen."""


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """A target in plan.

    Parameters
    ----------
    name : str
    along_across_m : list of ndarray of float64, each (n, 2)
        Closed outlines of its parts in the strip; one place for a point.
    """

    name: str
    along_across_m: list[NDArray[np.float64]]


def strip_transform(product: Product) -> Callable[[Any, Any], NDArray[np.float64]]:
    """Return the function that turns (north, east) into (..., 2) along and across of a product's strip. [m]"""
    cos, sin = np.cos(product.strip_heading_rad), np.sin(product.strip_heading_rad)

    def to_strip(north_m: Any, east_m: Any) -> NDArray[np.float64]:
        north = np.asarray(north_m, dtype=np.float64) - product.strip_origin_north_m
        east = np.asarray(east_m, dtype=np.float64) - product.strip_origin_east_m
        return np.stack([cos * north + sin * east, cos * east - sin * north], axis=-1)

    return to_strip


def _world(product: Product, along: NDArray[np.float64], across: NDArray[np.float64]) -> tuple[Any, Any]:
    cos, sin = np.cos(product.strip_heading_rad), np.sin(product.strip_heading_rad)
    north = product.strip_origin_north_m + cos * along - sin * across
    return north, product.strip_origin_east_m + sin * along + cos * across


def expected_backscatter(scenario: Scenario, product: Product) -> NDArray[np.float64]:
    """Backscatter of the bare seabed at the product's pixels, seen from abeam: no speckle, no shadow, no target.

    Returns
    -------
    ndarray of float64, shape (along, across)
        Linear, per unit area; the law at the local grazing angle, as the scenario says.
    """
    ground = Ground.of(scenario)
    along, across = np.meshgrid(product.along_track_m, product.across_track_m, indexing="ij")
    north, east = _world(product, along, across)
    heading = np.deg2rad(scenario.vehicle.heading_deg)
    from_start = north - scenario.vehicle.start_north_m, east - scenario.vehicle.start_east_m
    ahead = np.cos(heading) * from_start[0] + np.sin(heading) * from_start[1]
    aside = np.cos(heading) * from_start[1] - np.sin(heading) * from_start[0]
    normal, _ = ground.relief.normal(north, east)
    foot = _world(product, along, np.zeros_like(across))
    way = np.stack([foot[0] - north, foot[1] - east, scenario.depth_m - ground.relief.depth_m(north, east)])
    sine = np.maximum(0, (way * normal).sum(axis=0) / np.linalg.norm(way, axis=0))
    if ground.law.size:
        steps = np.arcsin(np.minimum(sine, 1)) / (np.pi / 2) * (ground.law.size - 1)
        answer = np.interp(steps, np.arange(ground.law.size), ground.law)
    else:
        answer = sine
    return ground.reflectivity(ahead, aside) * answer**2


def target_outlines(scenario: Scenario, product: Product) -> list[Outline]:
    """Return the targets in plan, in the product's strip."""
    to_strip = strip_transform(product)
    relief = Ground.of(scenario).relief
    named = {t.name or t.kind for t in scenario.targets}
    found = []
    for target in placed_targets(scenario):
        label = target.name or target.kind
        north, east = scenario.world_place(*scenario.leg_place(target))
        if target.kind == "ring":
            parts = [_circle(north, east, target.radius_m + s * target.tube_m, to_strip) for s in (1, -1)]
        else:
            parts = [_plan(b, to_strip) for b in bodies_of(scenario, target, relief)]
        if not parts:
            parts = [_circle(north, east, target.radius_m or 0.0, to_strip)]
        found.append(Outline(label if label in named else "", parts))
    # A field of debris is named once, at its middle.
    for target in scenario.targets:
        if target.kind == "debris":
            place = scenario.world_place(*scenario.leg_place(target))
            found.append(Outline(target.name or "debris", [to_strip(*place)[None]]))
    return found


def _circle(north: float, east: float, radius: float, to_strip: Callable[..., Any]) -> NDArray[np.float64]:
    if not radius:
        return to_strip(north, east)[None]
    angle = np.linspace(0, 2 * np.pi, 61)
    return to_strip(north + radius * np.cos(angle), east + radius * np.sin(angle))


def _plan(body, to_strip: Callable[..., Any]) -> NDArray[np.float64]:
    """Outline of a body from above, closed."""
    from scipy.spatial import ConvexHull

    if body.kind == "sphere":
        return _circle(*body.centre_m[:2], float(body.half_m[0]), to_strip)
    if body.kind == "cylinder":
        angle = np.linspace(0, 2 * np.pi, 41)[:-1]
        ring = np.stack([np.cos(angle), np.sin(angle)]) * body.half_m[1]
        corner = np.concatenate([[[s * body.half_m[0]] * 40, *ring] for s in (-1, 1)], axis=1)
    else:
        corner = body.half_m[:, None] * np.array(np.meshgrid(*[(-1, 1)] * 3)).reshape(3, -1)
    flat = (body.axes.T @ corner + body.centre_m[:, None])[:2].T
    hull = ConvexHull(flat)
    order = [*hull.vertices, hull.vertices[0]]
    return to_strip(*flat[order].T)


def truth_picture(
    path: Path,
    scenario: Scenario,
    product: Product,
    *,
    without: tuple[str, Product] | None = None,
    width_px: int = 1600,
) -> Path:
    """Draw truth and image of one product beside each other in the same grey scale.

    The truth shows the bare seabed as :func:`expected_backscatter` has it, outlines and names of the targets, and the
    true track with an arrow. The scale spans percentiles 1 and 99.5 of the images.

    Parameters
    ----------
    path : Path
        PNG file; an existing one is replaced.
    without : (str, Product), optional
        Something of the scenario, and an image of its echoes without it, drawn before the image with it.
    """
    image = Layer.of(product.read("intensity"), product.along_track_m, product.across_track_m)
    seen = np.isfinite(image.intensity)
    images = {"image": image}
    if without is not None:
        name, other = without
        plain = Layer.of(other.read("intensity"), other.along_track_m, other.across_track_m)
        images = {f"image without {name}": plain, f"image with {name}": image}
    truth = Layer.of(
        np.where(seen, expected_backscatter(scenario, product), np.nan),
        product.along_track_m,
        product.across_track_m,
    )
    panels = {"truth": truth, **images}
    view, in_row = arrange(union([p.area for p in panels.values()]), len(panels), False, width_px)
    grid = Grid.of(view, in_row, len(panels), (), width_px)
    shown = [view.sample_db(layer, *grid.main_px) for layer in panels.values()]
    limits = limits_of(shown[1:], (1.0, 99.5))
    lines = [
        "Truth: mean backscatter of the bare seabed seen from abeam, without speckle and shadows; targets and pits "
        "in outline; track with arrow.",
        f"Grey scale {limits[0]:.1f} to {limits[1]:.1f} dB (percentiles 1 and 99.5 of "
        f"the image{'s' if len(images) > 1 else ''}), clipped beyond. "
        "Blue: not seen.".replace("-", "\N{MINUS SIGN}"),
    ]
    with plain_style():
        canvas = Canvas(width_px, grid.bottom_px + foot_height(len(lines)))
        canvas.text(grid.left_px, 18, product.title.rsplit(" (", 1)[0], TITLE_PX, weight="bold")
        for k, (name, pixels) in enumerate(zip(panels, shown, strict=True)):
            axes = canvas.axes(*grid.main_at(k), *grid.main_px)
            mappable = view.draw(axes, pixels, limits)
            view.label(axes, vertical=k == 0 or not in_row, horizontal=in_row or k == len(panels) - 1)
            axes.set_title(name, fontsize=points(TEXT_PX + 2), loc="left")
            if k == 0:
                axes.autoscale(False)  # the track may lie outside what was seen
                _draw_targets(axes, view, target_outlines(scenario, product))
                _draw_track(axes, view, scenario, product)
        colour_bar(canvas, mappable, *grid.bar_px, level_label(product))
        canvas.foot(grid.left_px, lines)
        return canvas.save(path)


def _halo(width_px: float) -> list[Any]:
    from matplotlib import patheffects

    return [patheffects.withStroke(linewidth=points(width_px), foreground="white")]


def _draw_targets(axes: Any, view: View, outlines: list[Outline]) -> None:
    a = view.area
    for outline in outlines:
        places = np.concatenate(outline.along_across_m)
        inside = (places[:, 0] >= a.along_min_m) & (places[:, 0] <= a.along_max_m)
        inside &= (places[:, 1] >= a.across_min_m) & (places[:, 1] <= a.across_max_m)
        if not inside.any():
            continue
        for part in outline.along_across_m:
            mark = "" if len(part) > 1 else "+"
            axes.plot(
                *view.place(*part.T), mark + "-", color=MARK, lw=points(2), ms=points(14), mew=points(2)
            )
        if outline.name:
            _name(axes, view, outline.name, places)


def _name(axes: Any, view: View, name: str, places: NDArray[np.float64]) -> None:
    """Write a name beyond a target's far edge, where nothing of it is covered, or before its near one at the rim."""
    a = view.area
    room = 0.06 * (a.across_max_m - a.across_min_m)
    low, high = places[:, 1].min(), places[:, 1].max()
    upwards = high + room > a.across_max_m if places[:, 1].mean() >= 0 else low - room > a.across_min_m
    across, sign = (low, 1) if upwards else (high, -1)
    flat = view.along_is_horizontal  # starboard is down, else right
    axes.annotate(
        name,
        view.place(places[:, 0].mean(), across),
        (0, sign * points(12)) if flat else (-sign * points(12), 0),
        textcoords="offset points",
        ha="center" if flat else ("right" if upwards else "left"),
        va=("bottom" if upwards else "top") if flat else "center",
        color=MARK,
        fontsize=points(SMALL_PX),
        weight="bold",
        path_effects=_halo(3),
        annotation_clip=True,
    )


def _draw_track(axes: Any, view: View, scenario: Scenario, product: Product) -> None:
    place = echoes.truth(scenario)["position_m"]
    strip = strip_transform(product)(place[:, 0], place[:, 1])
    a = view.area
    near = (strip[:, 0] >= a.along_min_m) & (strip[:, 0] <= a.along_max_m)
    near &= (strip[:, 1] >= a.across_min_m - 1) & (strip[:, 1] <= a.across_max_m + 1)
    if near.sum() < 2:
        return
    line = np.where(near[:, None], strip, np.nan)
    # The track may run along the very edge of a one-sided strip.
    axes.plot(*view.place(*line.T), color=_TRACK, lw=points(4), clip_on=False, path_effects=_halo(7))
    last = np.flatnonzero(near)[-1]
    axes.annotate(
        "",
        view.place(*strip[last]),
        view.place(*strip[max(last - 1, 0)]),
        arrowprops={"arrowstyle": "-|>", "color": _TRACK, "lw": points(3), "mutation_scale": points(30)},
        annotation_clip=False,
    )
