"""Pictures for people: one strip, several images side by side, curves.

All are PNG files drawn without a display and without global state; equal input gives equal bytes. Images are grey
on a dB scale; pixels that weren't seen are a flat blue. Curves use the Okabe-Ito palette (M. Okabe and K. Ito,
"Color universal design", 2008, values from memory), whose colours people with any colour vision tell apart, and
differ in dash or symbol as well.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from pingloom.bench.measure.contrast import Region
from pingloom.imaging.errors import ParameterError

from ._picture_canvas import (
    LEFT_PX,
    MARK,
    RIGHT_PX,
    SMALL_PX,
    TEXT_PX,
    TITLE_PX,
    Canvas,
    Layer,
    View,
    check_width,
    colour_bar,
    foot_height,
    limits_of,
    page_paths,
    plain_style,
    points,
)
from ._picture_charts import PALETTE, Chart, Curve, profile_picture
from ._picture_grid import Grid, arrange, union

__all__ = [
    "PALETTE",
    "Chart",
    "Curve",
    "Inset",
    "Marker",
    "Panel",
    "profile_picture",
    "side_by_side",
    "strip_picture",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Marker:
    """A place to point at: an open ring with a label."""

    along_m: float
    across_m: float
    label: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Inset:
    """A region to show enlarged."""

    region: Region
    label: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Panel:
    """One image among several."""

    title: str
    intensity: ArrayLike
    """(along, across) linear intensity, NaN where not seen."""
    along_m: ArrayLike
    """(along,) evenly ascending pixel centres. [m]"""
    across_m: ArrayLike
    """(across,) evenly ascending pixel centres, negative to port. [m]"""


def strip_picture(
    path: str | Path,
    intensity: ArrayLike,
    *,
    along_m: ArrayLike,
    across_m: ArrayLike,
    title: str = "",
    quantity: str = "backscatter [dB]",
    limits_db: tuple[float, float] | None = None,
    percentiles: tuple[float, float] = (1.0, 99.5),
    page_m: float | None = None,
    markers: Sequence[Marker] = (),
    caption: str = "",
    width_px: int = 1600,
) -> list[Path]:
    """Draw one strip, on as many pages as its length needs.

    Forward is to the right and starboard down; a strip much wider than long has forward up and starboard to the
    right. Neither mirrors the seabed. Both axes have the same scale.

    Parameters
    ----------
    path : str or Path
        PNG file. Of several pages, ``strip.png`` becomes ``strip-page-01.png`` and so on. Existing files are replaced.
    intensity : array_like of float, shape (along, across)
        Linear level, NaN where not seen. It is averaged (as intensity) to the pixels of the picture.
    along_m, across_m : array_like of float, shapes (along,) and (across,)
        Evenly ascending pixel centres. [m]
    title : str
    quantity : str
        Label of the grey scale, with its unit.
    limits_db : tuple of float, optional
        Levels of black and white; default: ``percentiles`` of all pixels shown on all pages. [dB]
    percentiles : tuple of float
        Used without ``limits_db``.
    page_m : float, optional
        At most so many metres of track on a page, all pages equally long; default: five times the width of the strip.
    markers : sequence of Marker
    caption : str
        A line of one's own at the foot.
    width_px : int
        Of the picture, 800 to 8000.

    Returns
    -------
    list of Path
        The files written, in order of track.

    Raises
    ------
    ParameterError
        If sizes, limits or coordinates aren't allowed.
    DataError
        If there is nothing to show.
    """
    layer = Layer.of(intensity, along_m, across_m)
    views = _pages(layer.area, page_m)
    width_px = check_width(width_px)
    sizes = [v.fit(width_px - LEFT_PX - RIGHT_PX, 0.7 * width_px) for v in views]
    shown = [v.sample_db(layer, *size) for v, size in zip(views, sizes, strict=True)]
    limits, limits_text = _limits(shown, limits_db, percentiles)
    paths = page_paths(Path(path), len(views))
    with plain_style():
        for k, (view, image) in enumerate(zip(views, shown, strict=True)):
            page = f"page {k + 1} of {len(views)}" if len(views) > 1 else ""
            lines = [*([caption] if caption else []), f"{limits_text} {_scale_text(view, image.shape[1])}"]
            canvas = _strip_page(
                view,
                image,
                limits,
                ", ".join(filter(None, (title, page))),
                quantity,
                lines,
                markers,
                width_px,
            )
            canvas.save(paths[k])
    return paths


def _pages(area: Region, page_m: float | None) -> list[View]:
    length, width = area.along_max_m - area.along_min_m, area.across_max_m - area.across_min_m
    page = 5 * width if page_m is None else float(page_m)
    if not (np.isfinite(page) and page > 0):
        raise ParameterError(f"page_m is {page:g}; allowed: a length above 0. [m]")
    n = max(1, int(np.ceil(length / page - 1e-9)))
    if n > 999:
        raise ParameterError(
            f"page_m of {page:g} makes {n} pages; allowed: at most 999. Put more track on a page."
        )
    edges = np.linspace(area.along_min_m, area.along_max_m, n + 1)
    return [
        View(
            Region(
                along_min_m=float(low),
                along_max_m=float(high),
                across_min_m=area.across_min_m,
                across_max_m=area.across_max_m,
            ),
            along_is_horizontal=bool(high - low >= 0.8 * width),
        )
        for low, high in itertools.pairwise(edges)
    ]


def _limits(
    shown: Sequence[Any], limits_db: tuple[float, float] | None, percentiles: tuple[float, float]
) -> tuple[tuple[float, float], str]:
    if limits_db is None:
        low, high = limits_of(shown, percentiles)
        how = f"percentiles {percentiles[0]:g} and {percentiles[1]:g} of the pixels shown"
    else:
        low, high = (float(x) for x in limits_db)
        if not (np.isfinite([low, high]).all() and low < high):
            raise ParameterError(f"limits_db is {limits_db}; allowed: two ascending finite levels. [dB]")
        how = "as chosen"
    text = f"Grey scale {low:.1f} to {high:.1f} dB ({how}), clipped beyond. Blue: not seen."
    return (low, high), text.replace("-", "\N{MINUS SIGN}")


def _scale_text(view: View, n_column: int, large: str = "") -> str:
    return f"One pixel{large}: {view.size_m[0] / n_column:.3g} m, averaged in intensity."


def _strip_page(
    view: View,
    image: Any,
    limits: tuple[float, float],
    title: str,
    quantity: str,
    lines: Sequence[str],
    markers: Sequence[Marker],
    width_px: int,
) -> Canvas:
    height, width = image.shape
    top = 64
    canvas = Canvas(width_px, top + height + 70 + foot_height(len(lines)))
    left = LEFT_PX + (width_px - LEFT_PX - RIGHT_PX - width) // 2
    canvas.text(left, 22, title, TITLE_PX, weight="bold")
    axes = canvas.axes(left, top, width, height)
    mappable = view.draw(axes, image, limits)
    view.label(axes)
    _mark(axes, view, markers, labels=True)
    colour_bar(canvas, mappable, left + width + 16, top, height, quantity)
    canvas.foot(left, lines)
    return canvas


def _mark(axes: Any, view: View, markers: Sequence[Marker], *, labels: bool) -> None:
    """Draw rings around the markers in view, and their labels beside them."""
    from matplotlib import patheffects

    outline = [patheffects.withStroke(linewidth=points(4), foreground="white")]
    a = view.area
    for m in markers:
        if not (
            a.along_min_m <= m.along_m <= a.along_max_m and a.across_min_m <= m.across_m <= a.across_max_m
        ):
            continue
        at = view.place(m.along_m, m.across_m)
        axes.plot(
            *at,
            "o",
            ms=points(30),
            mfc="none",
            mec=MARK,
            mew=points(2.5),
            path_effects=outline,
            clip_on=False,
        )
        if m.label and labels:
            axes.annotate(
                m.label,
                at,
                (points(20), points(14)),
                textcoords="offset points",
                color=MARK,
                fontsize=points(TEXT_PX),
                weight="bold",
                path_effects=outline,
            )


def side_by_side(
    path: str | Path,
    panels: Sequence[Panel],
    *,
    title: str = "",
    area: Region | None = None,
    quantity: str = "backscatter [dB]",
    limits_db: tuple[float, float] | None = None,
    percentiles: tuple[float, float] = (1.0, 99.5),
    markers: Sequence[Marker] = (),
    insets: Sequence[Inset] = (),
    caption: str = "",
    width_px: int = 1600,
) -> Path:
    """Draw images of the same area with the same grey scale.

    Panels stand beside or below each other, whichever shows them larger. Each inset is framed and lettered in every
    panel and shown enlarged under it (beside it, if panels stand below each other).

    Parameters
    ----------
    path : str or Path
        PNG file; an existing one is replaced.
    panels : sequence of Panel
        One to six. Their grids may differ.
    area : Region, optional
        What to show; default: all that any panel covers.
    title, quantity, limits_db, percentiles, markers, caption, width_px
        As for :func:`strip_picture`; percentiles are of the pixels of all panels together.
    insets : sequence of Inset
        At most four.

    Returns
    -------
    Path

    Raises
    ------
    ParameterError
        If counts, sizes, limits or coordinates aren't allowed.
    DataError
        If there is nothing to show.
    """
    if not 1 <= len(panels) <= 6 or len(insets) > 4:
        raise ParameterError(
            f"{len(panels)} panels and {len(insets)} insets; allowed: 1 to 6 panels, at most 4 insets."
        )
    layers = [Layer.of(p.intensity, p.along_m, p.across_m) for p in panels]
    width_px = check_width(width_px)
    view, in_row = arrange(area or union([x.area for x in layers]), len(panels), bool(insets), width_px)
    grid = Grid.of(view, in_row, len(panels), [i.region for i in insets], width_px)
    main = [view.sample_db(layer, *grid.main_px) for layer in layers]
    limits, limits_text = _limits(main, limits_db, percentiles)
    lines = [
        *([caption] if caption else []),
        f"{limits_text} {_scale_text(view, grid.main_px[0], ' of the large images' if insets else '')}",
    ]
    final = page_paths(Path(path), 1)[0]
    with plain_style():
        canvas = Canvas(width_px, grid.bottom_px + foot_height(len(lines)))
        canvas.text(grid.left_px, 18, title, TITLE_PX, weight="bold")
        for k, (panel, layer, image) in enumerate(zip(panels, layers, main, strict=True)):
            left, top = grid.main_at(k)
            axes = canvas.axes(left, top, *grid.main_px)
            mappable = view.draw(axes, image, limits)
            view.label(axes, vertical=k == 0 or not in_row, horizontal=in_row or k == len(panels) - 1)
            axes.set_title(panel.title, fontsize=points(TEXT_PX + 2), loc="left")
            _mark(axes, view, markers, labels=True)
            _frame(axes, view, insets)
            for j, inset in enumerate(insets):
                _zoom(canvas, grid, k, j, layer, inset, limits)
        colour_bar(canvas, mappable, *grid.bar_px, quantity)
        canvas.foot(grid.left_px, lines)
        return canvas.save(final)


def _frame(axes: Any, view: View, insets: Sequence[Inset]) -> None:
    """Outline and letter the regions that are shown enlarged."""
    from matplotlib import patheffects
    from matplotlib.patches import Rectangle

    outline = [patheffects.withStroke(linewidth=points(4), foreground="white")]
    for j, inset in enumerate(insets):
        r = inset.region
        first, last = view.place(r.along_min_m, r.across_min_m), view.place(r.along_max_m, r.across_max_m)
        axes.add_patch(
            Rectangle(
                first,
                last[0] - first[0],
                last[1] - first[1],
                fill=False,
                ec=MARK,
                lw=points(2),
                path_effects=outline,
            )
        )
        axes.annotate(
            "ABCD"[j],
            first,
            (points(-8), points(4)),
            textcoords="offset points",
            ha="right",
            color=MARK,
            weight="bold",
            path_effects=outline,
        )


def _zoom(
    canvas: Canvas,
    grid: Grid,
    k: int,
    j: int,
    layer: Layer,
    inset: Inset,
    limits: tuple[float, float],
) -> None:
    view = grid.zoom_views[j]
    axes = canvas.axes(*grid.zoom_at(k, j), *grid.zoom_px[j])
    view.draw(axes, view.sample_db(layer, *grid.zoom_px[j]), limits)
    axes.set_title(f"{'ABCD'[j]}  {inset.label}".rstrip(), fontsize=points(TEXT_PX), loc="left")
    axes.tick_params(labelsize=points(SMALL_PX))
