"""Curves with units, one to three charts beside each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from pingloom.imaging.errors import ParameterError

from ._picture_canvas import (
    LEFT_PX,
    SMALL_PX,
    TEXT_PX,
    TITLE_PX,
    Canvas,
    check_width,
    foot_height,
    page_paths,
    plain_style,
    points,
)

PALETTE = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#56b4e9", "#e69f00", "#000000")
"""Colours of curves, in order of use."""
_DASHES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (8, 2)), "-")
_SYMBOLS = "osD^vPX"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curve:
    """One curve or one row of points."""

    label: str
    x: ArrayLike
    y: ArrayLike
    """NaN leaves a gap."""
    spread: ArrayLike | None = None
    """Half width of the error bars (points) or of the band (curve), in the unit of ``y``."""
    points: bool = False
    """Draw symbols (something measured) instead of a line (something computed)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chart:
    """Axes with curves; labels carry units, as in ``"offset [m]"``."""

    curves: Sequence[Curve]
    x_label: str
    y_label: str
    title: str = ""
    x_limits: tuple[float, float] | None = None
    y_limits: tuple[float, float] | None = None
    levels: dict[str, float] = field(default_factory=dict)
    """Thin horizontal lines: text and height."""
    logarithmic: bool = False
    """Both axes."""


def profile_picture(
    path: str | Path,
    charts: Sequence[Chart],
    *,
    title: str = "",
    caption: str = "",
    width_px: int = 1600,
    height_px: int = 760,
) -> Path:
    """Draw curves in one to three charts beside each other.

    Parameters
    ----------
    path : str or Path
        PNG file; an existing one is replaced.
    charts : sequence of Chart
        One to three.
    title, caption : str
    width_px, height_px : int
        Of the picture.

    Returns
    -------
    Path

    Raises
    ------
    ParameterError
        If there are no charts or too many, no curves or too many, or lengths differ.
    """
    if not 1 <= len(charts) <= 3:
        raise ParameterError(f"{len(charts)} charts; allowed: 1 to 3.")
    final, lines = page_paths(Path(path), 1)[0], [caption] if caption else []
    with plain_style():
        canvas = Canvas(check_width(width_px), height_px)
        canvas.text(LEFT_PX, 18, title, TITLE_PX, weight="bold")
        room = (width_px - LEFT_PX - 40 - 110 * (len(charts) - 1)) / len(charts)
        for k, chart in enumerate(charts):
            height = height_px - 96 - 72 - foot_height(len(lines))
            _draw_chart(canvas.axes(LEFT_PX + k * (room + 110), 96, room, height), chart)
        canvas.foot(LEFT_PX, lines)
        return canvas.save(final)


def _draw_chart(axes: Any, chart: Chart) -> None:
    if not 1 <= len(chart.curves) <= len(PALETTE):
        raise ParameterError(f"chart has {len(chart.curves)} curves; allowed: 1 to {len(PALETTE)}.")
    for k, curve in enumerate(chart.curves):
        _draw_curve(axes, curve, k)
    for text, height in chart.levels.items():
        axes.axhline(height, color="#707070", lw=points(1), zorder=1)
        axes.annotate(
            text, (1, height), (points(-6), points(4)), xycoords=("axes fraction", "data"), textcoords="offset points",
            ha="right", color="#505050", fontsize=points(SMALL_PX),
        )  # fmt: skip
    axes.set_xlabel(chart.x_label)
    axes.set_ylabel(chart.y_label)
    axes.set_title(chart.title, fontsize=points(TEXT_PX + 2), loc="left")
    if chart.logarithmic:
        _count_by_decades(axes)
    axes.set(xlim=chart.x_limits, ylim=chart.y_limits)
    axes.grid(color="#d8d8d8", lw=points(1))
    axes.set_axisbelow(True)
    axes.legend(frameon=True, framealpha=0.9, edgecolor="none", fontsize=points(TEXT_PX))


def _count_by_decades(axes: Any) -> None:
    """Logarithmic axes with plain numbers at 1, 2 and 5."""
    from matplotlib.ticker import LogLocator, NullFormatter

    axes.set(xscale="log", yscale="log")
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(LogLocator(subs=(1, 2, 5)))
        axis.set_major_formatter("{x:g}")
        axis.set_minor_formatter(NullFormatter())


def _draw_curve(axes: Any, curve: Curve, k: int) -> None:
    x, y = np.asarray(curve.x, dtype=np.float64), np.asarray(curve.y, dtype=np.float64)
    spread = None if curve.spread is None else np.asarray(curve.spread, dtype=np.float64)
    if x.ndim != 1 or x.shape != y.shape or (spread is not None and spread.shape != x.shape):
        raise ParameterError(
            f"curve '{curve.label}' has x {x.shape}, y {y.shape}"
            + ("" if spread is None else f", spread {spread.shape}")
            + "; allowed: one axis of equal length."
        )
    colour = PALETTE[k]
    if curve.points:
        axes.errorbar(
            x,
            y,
            spread,
            fmt=_SYMBOLS[k],
            color=colour,
            ms=points(9),
            lw=points(2),
            capsize=points(5),
            label=curve.label,
        )
        return
    axes.plot(x, y, color=colour, ls=_DASHES[k], lw=points(2.5), label=curve.label)
    if spread is not None:
        axes.fill_between(x, y - spread, y + spread, color=colour, alpha=0.18, lw=0)
