"""Pixel-exact drawing of intensity images: layout, resampling, grey scale, deterministic PNG.

An image is averaged in intensity to exactly the pixels it gets on paper, never in dB and never by the plotting
library, so that what is seen is a mean level and not an artefact of picking pixels.
"""

from __future__ import annotations

import io
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pingloom.bench.measure.contrast import Region
from pingloom.imaging.errors import DataError, ParameterError

CAUTION = "Not an all-clear, not for navigation."
DPI = 100
TEXT_PX, TITLE_PX, SMALL_PX = 17, 23, 15
NOT_SEEN = "#6f87ad"
"""A flat blue: no grey level can be taken for it."""
LEFT_PX, RIGHT_PX = 100, 140
"""Room beside images: tick labels and a name; colour bar and its name."""
MARK = "#d55e00"
"""Vermilion of the Okabe-Ito palette: told from grey and blue by people with any colour vision."""


@contextmanager
def plain_style() -> Iterator[None]:
    """Draw with the library's own defaults, whatever the user's configuration, and put that back afterwards."""
    import matplotlib

    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams["font.size"] = points(TEXT_PX)
        matplotlib.rcParams["axes.linewidth"] = 0.8
        yield


def points(pixels: float) -> float:
    """Turn pixels into the points that font sizes and line widths are given in."""
    return pixels * 72 / DPI


class Canvas:
    """A figure laid out in pixels from its top left corner."""

    def __init__(self, width_px: int, height_px: int) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        self.width_px, self.height_px = int(width_px), int(height_px)
        self.figure = Figure(figsize=(self.width_px / DPI, self.height_px / DPI), dpi=DPI, facecolor="white")
        FigureCanvasAgg(self.figure)

    def axes(self, left: float, top: float, width: float, height: float) -> Any:
        """Add axes with their frame at these pixels."""
        w, h = self.width_px, self.height_px
        return self.figure.add_axes((left / w, 1 - (top + height) / h, width / w, height / h))

    def text(self, left: float, top: float, text: str, size_px: float, **style: Any) -> None:
        """Write text with its upper left corner at these pixels."""
        at = left / self.width_px, 1 - top / self.height_px
        style = {"va": "top", "color": "black"} | style
        self.figure.text(*at, text, fontsize=points(size_px), **style)

    def foot(self, left: float, lines: Sequence[str]) -> None:
        """Write small lines at the bottom, the caution last."""
        top = self.height_px - 12 - 22 * (len(lines) + 1)
        for k, line in enumerate([*lines, CAUTION]):
            last = k == len(lines)
            self.text(left, top + 22 * k, line, SMALL_PX, color="black" if last else "#404040")

    def save(self, path: Path) -> Path:
        """Write a PNG without dates or versions in it; the final name appears only when it is whole."""
        buffer = io.BytesIO()
        self.figure.savefig(buffer, format="png", dpi=DPI, metadata={"Software": None})
        part = path.with_name(path.name + ".part")
        try:
            part.write_bytes(buffer.getvalue())
            os.replace(part, path)
        finally:
            part.unlink(missing_ok=True)
        return path


def foot_height(n_line: int) -> int:
    """Pixels that :meth:`Canvas.foot` needs for its lines and the caution."""
    return 24 + 22 * (n_line + 1)


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """An intensity image with where its pixels lie, checked once."""

    intensity: NDArray[Any]
    first_edge_m: tuple[float, float]
    pixel_m: tuple[float, float]

    @classmethod
    def of(cls, intensity: ArrayLike, along_m: ArrayLike, across_m: ArrayLike) -> Layer:
        """Check the image and its evenly spaced coordinates.

        Raises
        ------
        ParameterError
            If shapes don't fit, or a coordinate isn't evenly ascending.
        DataError
            If no pixel was seen.
        """
        image = np.asarray(intensity)
        if image.ndim != 2 or image.dtype.kind not in "fiu":
            raise ParameterError(
                f"intensity is {image.dtype} of shape {image.shape}; allowed: real, (along, across). "
                "Select one layer, linear and not in dB."
            )
        if not np.isfinite(image).any():
            raise DataError("intensity holds no seen pixel; allowed: some. There is nothing to draw.")
        steps = [
            _step(name, c, n) for name, c, n in zip(_AXES, (along_m, across_m), image.shape, strict=True)
        ]
        first = (float(np.asarray(along_m)[0]), float(np.asarray(across_m)[0]))
        return cls(image, (first[0] - steps[0] / 2, first[1] - steps[1] / 2), (steps[0], steps[1]))

    @property
    def area(self) -> Region:
        """The rectangle that the pixels cover."""
        last = [
            e + p * n for e, p, n in zip(self.first_edge_m, self.pixel_m, self.intensity.shape, strict=True)
        ]
        return Region(
            along_min_m=self.first_edge_m[0],
            along_max_m=last[0],
            across_min_m=self.first_edge_m[1],
            across_max_m=last[1],
        )

    def shown(self, area: Region, n_along: int, n_across: int) -> NDArray[np.float64]:
        """Average intensity over the cells of another grid on ``area``; NaN where less than half was seen."""
        limits = ((area.along_min_m, area.along_max_m), (area.across_min_m, area.across_max_m))
        weight = []
        for axis, n_out in enumerate((n_along, n_across)):
            low, high = ((x - self.first_edge_m[axis]) / self.pixel_m[axis] for x in limits[axis])
            weight.append(_overlap(self.intensity.shape[axis], n_out, low, high))
        # Only the rows and columns that the area touches are turned into float64.
        rows, columns = (_touched(w) for w in weight)
        part = self.intensity[rows, columns].astype(np.float64)
        seen = np.isfinite(part)
        first, second = weight[0][:, rows], weight[1][:, columns].T
        total = first @ np.where(seen, part, 0.0) @ second
        share = first @ seen.astype(np.float64) @ second
        whole = np.prod([(hi - lo) / n for (lo, hi), n in zip(limits, (n_along, n_across), strict=True)])
        enough = share * np.prod(self.pixel_m) >= 0.5 * whole
        return np.where(enough, total / np.where(share > 0, share, 1), np.nan)


_AXES = ("along_m", "across_m")


def _step(name: str, coordinate: ArrayLike, n: int) -> float:
    x = np.asarray(coordinate, dtype=np.float64)
    if x.shape != (n,):
        raise ParameterError(f"{name} has shape {x.shape}; allowed: ({n},), one centre a pixel.")
    step = (x[-1] - x[0]) / (n - 1) if n > 1 else 1.0
    if not step > 0 or np.abs(np.diff(x) - step).max(initial=0) > 0.01 * step:
        raise ParameterError(f"{name} isn't evenly spaced and ascending; allowed: the axes of a strip grid.")
    return float(step)


def _overlap(n_in: int, n_out: int, low: float, high: float) -> Any:
    """Sparse (out, in) lengths in input pixels that each output cell shares with each input pixel."""
    from scipy import sparse

    edge = np.linspace(low, high, n_out + 1)
    first = np.floor(edge[:-1]).astype(np.int64)
    index = first[:, None] + np.arange(int((np.ceil(edge[1:]) - first).max()))
    length = np.minimum(index + 1, edge[1:, None]) - np.maximum(index, edge[:-1, None])
    row = np.broadcast_to(np.arange(n_out)[:, None], index.shape)
    keep = (length > 1e-9) & (index >= 0) & (index < n_in)
    return sparse.csr_array((length[keep], (row[keep], index[keep])), shape=(n_out, n_in))


def _touched(weight: Any) -> slice:
    if weight.nnz == 0:
        return slice(0, 0)
    return slice(int(weight.indices.min()), int(weight.indices.max()) + 1)


def to_db(intensity: NDArray[np.float64]) -> NDArray[np.float64]:
    """Turn intensity into dB; what isn't positive becomes -inf, what wasn't seen stays NaN."""
    with np.errstate(divide="ignore"):
        return 10 * np.log10(np.where(intensity < 0, 0.0, intensity))


def limits_of(
    shown_db: Sequence[NDArray[np.float64]], percentiles: tuple[float, float]
) -> tuple[float, float]:
    """Return the levels at two percentiles of all pixels shown, at least 1 dB apart.

    Raises
    ------
    ParameterError
        If the percentiles don't ascend within 0 to 100.
    DataError
        If no pixel has a level.
    """
    low, high = (float(p) for p in percentiles)
    if not 0 <= low < high <= 100:
        raise ParameterError(f"percentiles are {percentiles}; allowed: two ascending numbers from 0 to 100.")
    levels = np.concatenate([d[np.isfinite(d)] for d in shown_db])
    if levels.size == 0:
        raise DataError(
            "no pixel to show has a positive intensity; allowed: some. Nothing stands above the noise."
        )
    first, last = np.percentile(levels, (low, high))
    spare = max(0.0, 1 - (last - first)) / 2
    return float(first - spare), float(last + spare)


@dataclass(frozen=True, slots=True)
class View:
    """How a rectangle of seabed lies on the page, without mirroring: forward right and starboard down, or forward
    up and starboard right."""

    area: Region
    along_is_horizontal: bool

    @property
    def size_m(self) -> tuple[float, float]:
        """Horizontal and vertical extent. [m]"""
        along = self.area.along_max_m - self.area.along_min_m
        across = self.area.across_max_m - self.area.across_min_m
        return (along, across) if self.along_is_horizontal else (across, along)

    def fit(self, width_px: float, height_px: float) -> tuple[int, int]:
        """Return the largest size in whole pixels that keeps the aspect within a box."""
        scale = min(width_px / self.size_m[0], height_px / self.size_m[1])
        return max(1, round(self.size_m[0] * scale)), max(1, round(self.size_m[1] * scale))

    def place(self, along_m: float, across_m: float) -> tuple[float, float]:
        """Return horizontal and vertical axes coordinates of a point."""
        return (along_m, across_m) if self.along_is_horizontal else (across_m, along_m)

    def sample_db(self, layer: Layer, width_px: int, height_px: int) -> NDArray[np.float64]:
        """Return the layer in dB as (row, column) of the page."""
        if self.along_is_horizontal:
            return to_db(layer.shown(self.area, width_px, height_px)).T
        return to_db(layer.shown(self.area, height_px, width_px))[::-1]

    def draw(self, axes: Any, shown_db: NDArray[np.float64], limits_db: tuple[float, float]) -> Any:
        """Put pixels into axes of exactly their size; return what a colour bar needs."""
        a = self.area
        along, across = (a.along_min_m, a.along_max_m), (a.across_min_m, a.across_max_m)
        extent = (*along, *across[::-1]) if self.along_is_horizontal else (*across, *along)
        axes.tick_params(labelsize=points(TEXT_PX), direction="out")
        for axis, pixels in ((axes.xaxis, shown_db.shape[1]), (axes.yaxis, shown_db.shape[0])):
            axis.set_major_locator(round_ticks(max(2, min(10, pixels // 70))))
        clipped = np.where(np.isnan(shown_db), np.nan, np.maximum(shown_db, limits_db[0] - 1))
        return axes.imshow(
            np.ma.masked_invalid(clipped),
            cmap=grey_map(),
            vmin=limits_db[0],
            vmax=limits_db[1],
            extent=extent,
            interpolation="nearest",
            aspect="auto",
        )

    def label(self, axes: Any, *, horizontal: bool = True, vertical: bool = True) -> None:
        """Name the axes with their units."""
        names = ("along track [m]", "across track [m] (starboard positive)")
        names = names if self.along_is_horizontal else names[::-1]
        if horizontal:
            axes.set_xlabel(names[0], fontsize=points(TEXT_PX))
        if vertical:
            axes.set_ylabel(names[1], fontsize=points(TEXT_PX))


def round_ticks(n: int) -> Any:
    """Place at most ``n`` intervals at 1, 2 or 5 times a power of ten."""
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(nbins=n, steps=[1, 2, 5, 10])


def grey_map() -> Any:
    """Black to white, with a flat blue for pixels that weren't seen."""
    import matplotlib

    return matplotlib.colormaps["gray"].with_extremes(bad=NOT_SEEN)


def colour_bar(canvas: Canvas, mappable: Any, left: float, top: float, height: float, quantity: str) -> None:
    """Draw the grey scale with its unit to the right of an image."""
    axes = canvas.axes(left, top, 22, height)
    bar = canvas.figure.colorbar(mappable, cax=axes, extend="both", extendfrac=min(0.05, 14 / height))
    bar.set_label(quantity, fontsize=points(TEXT_PX))
    bar.ax.yaxis.set_major_locator(round_ticks(max(2, int(height / 70))))
    bar.ax.tick_params(labelsize=points(TEXT_PX))


def page_paths(path: Path, n: int) -> list[Path]:
    """Return the names of ``n`` pages."""
    if path.suffix.lower() != ".png":
        raise ParameterError(f"path is {path.name}; allowed: a name that ends in .png.")
    if n == 1:
        return [path]
    return [path.with_name(f"{path.stem}-page-{k:02d}{path.suffix}") for k in range(1, n + 1)]


def check_width(width_px: int) -> int:
    """Return a width that pictures are laid out for."""
    if int(width_px) != width_px or not 800 <= width_px <= 8000:
        raise ParameterError(f"width_px is {width_px}; allowed: a whole number from 800 to 8000.")
    return int(width_px)
