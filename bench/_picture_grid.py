"""Where the panels and enlargements of a side-by-side picture lie."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pingloom.bench.measure.contrast import Region

from ._picture_canvas import LEFT_PX, RIGHT_PX, View

_GAP, _STEP = 64, 62
"""Between images beside each other (tick labels) and below each other (tick labels and a title)."""
_TOP, _ZOOM_BELOW = 104, 104
"""Above the panels; from the lower edge of a panel to its enlargements, over the axis name and a title."""


def union(areas: Sequence[Region]) -> Region:
    """Return the smallest rectangle around all."""
    return Region(
        along_min_m=min(a.along_min_m for a in areas),
        along_max_m=max(a.along_max_m for a in areas),
        across_min_m=min(a.across_min_m for a in areas),
        across_max_m=max(a.across_max_m for a in areas),
    )


def _box(in_row: bool, n: int, with_zoom: bool, width_px: int) -> tuple[float, float]:
    """Pixels that one panel may take."""
    room = width_px - LEFT_PX - RIGHT_PX
    if in_row:
        return (room - _GAP * (n - 1)) / n, 0.62 * width_px
    return (0.68 * room if with_zoom else room), 0.85 * width_px / n


def arrange(area: Region, n: int, with_zoom: bool, width_px: int) -> tuple[View, bool]:
    """Choose the direction of the track and of the row of panels that show the area largest."""
    choices = [(View(area, horizontal), in_row) for horizontal in (True, False) for in_row in (True, False)]

    def scale(choice: tuple[View, bool]) -> float:
        view, in_row = choice
        return view.fit(*_box(in_row, n, with_zoom, width_px))[0] / view.size_m[0]

    # A small gain isn't worth leaving the usual: forward to the right, panels beside each other.
    largest = max(scale(c) for c in choices)
    return next(c for c in choices if scale(c) > 0.87 * largest)


@dataclass(frozen=True, slots=True)
class Grid:
    """Where everything of a side-by-side picture lies, in pixels."""

    in_row: bool
    main_px: tuple[int, int]
    zoom_views: tuple[View, ...]
    zoom_px: tuple[tuple[int, int], ...]
    n: int
    left_px: int
    """Where the first panel begins, so that all of it stands in the middle."""

    @classmethod
    def of(cls, view: View, in_row: bool, n: int, regions: Sequence[Region], width_px: int) -> Grid:
        """Make panels and enlargements as large as their room allows."""
        box = _box(in_row, n, bool(regions), width_px)
        main = view.fit(*box)
        views = tuple(View(r, view.along_is_horizontal) for r in regions)
        count = max(1, len(regions))
        if in_row:
            room = (main[0] - _STEP * (count - 1)) / count, 0.3 * width_px
        else:
            room = width_px - LEFT_PX - RIGHT_PX - main[0] - _GAP, (main[1] - _STEP * (count - 1)) / count
        zoom = tuple(v.fit(*room) for v in views)
        content = (
            main[0] * n + _GAP * (n - 1) if in_row else main[0] + max((_GAP + w for w, _ in zoom), default=0)
        )
        return cls(in_row, main, views, zoom, n, LEFT_PX + int(width_px - LEFT_PX - RIGHT_PX - content) // 2)

    @property
    def _pitch(self) -> int:
        return self.main_px[0] + _GAP if self.in_row else self.main_px[1] + _STEP

    def main_at(self, k: int) -> tuple[int, int]:
        """Upper left corner of panel ``k``."""
        step = k * self._pitch
        return (self.left_px + step, _TOP) if self.in_row else (self.left_px, _TOP + step)

    def zoom_at(self, k: int, j: int) -> tuple[int, int]:
        """Upper left corner of enlargement ``j`` of panel ``k``."""
        left, top = self.main_at(k)
        if self.in_row:
            return left + sum(w + _STEP for w, _ in self.zoom_px[:j]), top + self.main_px[1] + _ZOOM_BELOW
        return left + self.main_px[0] + _GAP, top + sum(h + _STEP for _, h in self.zoom_px[:j])

    @property
    def bottom_px(self) -> int:
        """Lower end of all images with their axis labels."""
        last = self.main_at(self.n - 1)[1] + self.main_px[1] + 70
        if self.in_row and self.zoom_px:
            return last + 34 + max(h for _, h in self.zoom_px) + 40
        return last

    @property
    def bar_px(self) -> tuple[int, int, int]:
        """Left, top and height of the colour bar, right of everything."""
        left, top = self.main_at(self.n - 1)
        right = left + self.main_px[0]
        if self.zoom_px and not self.in_row:
            right += _GAP + max(w for w, _ in self.zoom_px)
        return right + 18, _TOP, top + self.main_px[1] - _TOP
