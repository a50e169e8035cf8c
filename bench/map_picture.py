"""A picture of a north-up grid for people: easting to the right, northing up, the tracks drawn in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

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
    page_paths,
    plain_style,
    points,
)

__all__ = ["Line", "map_picture"]

_LEFT_PX, _RIGHT_PX = 130, 150
"""Room for northings of seven digits, and for the colour bar."""
_SHORTEST_PX = 300
"""Of a picture, so that title and colour bar have room."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A track from its start to its end."""

    x_m: tuple[float, float]
    y_m: tuple[float, float]
    label: str = ""


def map_picture(
    path: str | Path,
    intensity: NDArray[np.float64],
    *,
    x_m: NDArray[np.float64],
    y_m: NDArray[np.float64],
    title: str = "",
    quantity: str = "backscatter [dB]",
    system: str = "",
    limits_db: tuple[float, float] | None = None,
    lines: Sequence[Line] = (),
    caption: str = "",
    width_px: int = 1600,
) -> Path:
    """Draw a grid.

    Parameters
    ----------
    path : str or Path
        PNG file; an existing one is replaced.
    intensity : ndarray of float64, shape (y, x)
        Linear level, NaN where not seen; averaged as intensity to the pixels of the picture.
    x_m, y_m : ndarray of float64
        Evenly ascending eastings and northings of pixel centres. [m]
    system : str
        Name of the projected system.
    limits_db : tuple of float, optional
        Levels of black and white; default: percentiles 1 and 99.5. [dB]
    lines : sequence of Line
    caption : str
        A line at the foot.

    Raises
    ------
    DataError
        If there is nothing to show.
    """
    layer = Layer.of(intensity, y_m, x_m)
    view = View(layer.area, along_is_horizontal=False)
    width, height = view.fit(width_px - _LEFT_PX - _RIGHT_PX, 0.8 * width_px)
    image = view.sample_db(layer, width, height)
    limits = limits_of([image], (1.0, 99.5)) if limits_db is None else limits_db
    foot = [
        *([caption] if caption else []),
        f"{system}. One pixel: {view.size_m[0] / width:.3g} m, averaged in intensity. Blue: not seen.",
    ]
    top = 64 + max(0, (_SHORTEST_PX - height) // 2)
    with plain_style():
        canvas = Canvas(width_px, max(height, _SHORTEST_PX) + 64 + 76 + foot_height(len(foot)))
        left = _LEFT_PX + (width_px - _LEFT_PX - _RIGHT_PX - width) // 2
        canvas.text(_LEFT_PX, 22, title, TITLE_PX, weight="bold")
        axes = canvas.axes(left, top, width, height)
        mappable = view.draw(axes, image, limits)
        _name_axes(axes)
        _draw_lines(axes, lines)
        colour_bar(canvas, mappable, left + width + 16, top, max(height, 160), quantity)
        canvas.foot(_LEFT_PX, foot)
        return canvas.save(page_paths(Path(path), 1)[0])


def _name_axes(axes: Any) -> None:
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    axes.set_xlabel("easting [m]", fontsize=points(TEXT_PX))
    axes.set_ylabel("northing [m]", fontsize=points(TEXT_PX))
    # Eastings and northings are long: few of them, written out.
    width, height = axes.get_position().width, axes.get_position().height
    size = axes.figure.get_size_inches() * axes.figure.dpi
    for axis, pixels, room in ((axes.xaxis, width * size[0], 150), (axes.yaxis, height * size[1], 60)):
        axis.set_major_locator(MaxNLocator(nbins=max(1, min(8, int(pixels / room))), steps=[1, 2, 5, 10]))
        axis.set_major_formatter(FuncFormatter(_coordinate))


def _coordinate(value: float, _: Any = None) -> str:
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text.replace("-", "\N{MINUS SIGN}")


def _draw_lines(axes: Any, lines: Sequence[Line]) -> None:
    from matplotlib import patheffects

    outline = [patheffects.withStroke(linewidth=points(4), foreground="white")]
    for line in lines:
        axes.plot(line.x_m, line.y_m, "-", color=MARK, lw=points(1.5))
        axes.plot(line.x_m[:1], line.y_m[:1], "o", color=MARK, ms=points(7), clip_on=False)
        if line.label:
            axes.annotate(
                line.label,
                (line.x_m[0], line.y_m[0]),
                (points(8), points(8)),
                textcoords="offset points",
                color=MARK,
                fontsize=points(SMALL_PX),
                weight="bold",
                path_effects=outline,
                annotation_clip=True,
            )
