"""Images of one scene without multipath and with it, rows combined in each way, above multipath over signal by range."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from pingloom.bench.rows_report import MODES, RowsReport

__all__ = ["rows_picture"]

_SPAN_DB = 35.0
_TITLES = {
    "no multipath": "without multipath,\nplain mean of the rows",
    "plain": "with multipath,\nplain mean of the rows",
    "null": "with multipath,\nnull from geometry",
    "adaptive": "with multipath,\nadaptive",
}
_STYLES = {"one row": ":", "plain": "-", "null": "-", "adaptive": "-", "ceiling": "--"}


def rows_picture(path: Path, found: RowsReport) -> None:
    """Draw the four images in one grey scale, and the ratios.

    Parameters
    ----------
    path : Path
        PNG to be written.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(12.5, 10.0), layout="constrained")
    FigureCanvasAgg(figure)
    grid = figure.add_gridspec(2, 4, height_ratios=(2.2, 1.0))
    top = 10 * np.log10(np.nanpercentile(found.images["no multipath"], 99.7))
    along, across = found.along_m, found.across_m
    # Only where the image has been seen: the strip's frame is wider than the run.
    seen = np.isfinite(found.images["no multipath"])
    low, high = (along[k] for k in np.flatnonzero(seen.mean(axis=1) > 0.2)[[0, -1]])
    # From the first bin on: nearer, the transmitter's nulls are all one sees.
    reach = [across[k] for k in np.flatnonzero(seen.mean(axis=0) > 0.2)[[0, -1]]]
    near = float(np.sqrt(max(found.edge_m[0] ** 2 - found.height_m**2, 0.0)))
    ground = (near, reach[1]) if reach[1] > 0 else (reach[0], -near)
    panels, drawn = [], None
    for k, (name, image) in enumerate(found.images.items()):
        panel = figure.add_subplot(grid[0, k], sharey=panels[0] if panels else None)
        panels.append(panel)
        level = 10 * np.log10(np.maximum(image.T, 1e-30))
        drawn = panel.imshow(
            level,
            origin="lower",
            extent=(along[0], along[-1], across[0], across[-1]),
            vmin=top - _SPAN_DB,
            vmax=top,
            cmap="gray",
            aspect="auto",
        )
        panel.set_xlim(low, high)
        panel.set_ylim(*ground)
        panel.set_title(_TITLES[name], fontsize=10)
        panel.set_xlabel("along track [m]")
    panels[0].set_ylabel("across track, on the ground [m]")
    for x in found.transmit_null_m:
        panels[0].annotate(
            "the transmitter's null",
            (low, np.copysign(x, ground[1])),
            xytext=(4, 0),
            textcoords="offset points",
            color="w",
            fontsize=8,
            va="center",
            bbox={"facecolor": "k", "alpha": 0.7, "linewidth": 0, "pad": 1.5},
        )
    figure.colorbar(drawn, ax=panels, label="backscatter [dB]")
    chart = figure.add_subplot(grid[1, :])
    middle = (found.edge_m[1:] + found.edge_m[:-1]) / 2
    for name, style in _STYLES.items():
        label = name if name in ("one row", *MODES) else "ceiling: sent by the surface (theory)"
        chart.plot(middle, 10 * np.log10(found.ratio[name]), style, marker="o", markersize=4, label=label)
    chart.set_xlabel("slant range [m]")
    chart.set_ylabel("multipath over signal [dB]")
    chart.grid(alpha=0.3)
    chart.legend(fontsize=9, loc="lower left")
    figure.suptitle(found.title, fontsize=11)
    figure.savefig(path, dpi=110)
