"""The farthest point of an error budget as imaged with right beliefs and with each of the wrong ones."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from pingloom.bench.budget import Budget

__all__ = ["budget_picture"]

_FLOOR_DB = -30.0


def budget_picture(path: Path, found: Budget) -> None:
    """Draw the pieces of image around the farthest point, one panel a source, the true place crossed.

    Parameters
    ----------
    path : Path
        PNG to be written.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    names = list(found.pieces)
    n_column = 4
    n_row = -(-len(names) // n_column)
    figure = Figure(figsize=(3.0 * n_column, 2.7 * n_row + 0.6), layout="constrained")
    FigureCanvasAgg(figure)
    panels = figure.subplots(n_row, n_column, squeeze=False, sharex=True, sharey=True)
    top = 10 * np.log10(np.nanmax(found.pieces["right"]))
    last = None
    for panel, name in zip(panels.flat, names, strict=False):
        piece = found.pieces[name]
        half = [n * pixel / 2 for n, pixel in zip(piece.shape, found.pixel_m, strict=True)]
        level = 10 * np.log10(np.maximum(np.nan_to_num(piece), 1e-30)) - top
        last = panel.imshow(
            level,
            origin="lower",
            extent=(-half[1], half[1], -half[0], half[0]),
            vmin=_FLOOR_DB,
            vmax=0,
            cmap="gray",
            aspect="auto",
        )
        panel.plot(0, 0, "+", color="tab:red", markersize=14, markeredgewidth=1.2)
        error = next((row.error for row in found.rows if row.source == name), "")
        panel.set_title(f"{name}\n{error}" if error else "right beliefs", fontsize=9)
    for panel in list(panels.flat)[len(names) :]:
        panel.set_visible(False)
    for panel in panels[-1]:
        panel.set_xlabel("across from the point [m]")
    for panel in panels[:, 0]:
        panel.set_ylabel("along [m]")
    far = max(row.range_m for row in found.rows)
    figure.suptitle(f"{found.title}\na point at {far:g} m on the ground; its true place crossed", fontsize=10)
    figure.colorbar(last, ax=panels, label="level re the right peak [dB]")
    figure.savefig(path, dpi=110)
