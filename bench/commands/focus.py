"""``pingloom focus``: a real array recording, focused and averaged."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from pingloom.bench.console import Report, common_options, progress, refuse_existing

__all__ = ["command"]

_PIXEL_M = 1e-4
_MARGIN = 1.7
"""The picture shows the region and this much of its radius around."""


@click.command(
    epilog="Example: pingloom focus tests/data/rotating_disc_plane_waves.mat -o disc.png --frames 32 --overwrite"
)
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("-o", "--output", type=click.Path(path_type=Path), required=True, help="PNG file to write.")
@click.option(
    "--frames", "n_frame", type=click.IntRange(min=1), help="Average so many frames.  [default: all]"
)
@click.option(
    "--region",
    type=(float, float, float),
    metavar="ALONG DEPTH RADIUS",
    default=(0.0, 22.5, 7.0),
    show_default=True,
    help="Disc of even speckle to measure in. [mm]",
)
@click.option("--overwrite", is_flag=True, help="Replace an existing picture.")
@common_options
def command(recording, output, n_frame, region, overwrite, as_json, quiet) -> None:
    """Focus RECORDING, echoes of plane waves on a line array, and average its frames.

    RECORDING is a MATLAB file (up to version 7) of real samples RF (sample, channel, frame) with a struct param
    (fs, fc, PRF, c, t0, pitch, TXdelay). Draws the first frame beside the average in one grey scale and prints the
    equivalent number of looks against the number of frames averaged, a slow trend removed.
    The example's recording comes with the sources.
    """
    from pingloom.bench.disc import (
        TREND_DEGREE,
        Disc,
        averaged_speckle,
        frame_agreement,
        image_frames,
        read_array_recording,
    )
    from pingloom.imaging.errors import ParameterError

    report = Report(as_json=as_json, quiet=quiet)
    if output.suffix.lower() != ".png":
        raise ParameterError(f"output is {output}; allowed: a name that ends in .png.")
    refuse_existing(output, overwrite=overwrite)
    disc = Disc(along_m=region[0] / 1e3, depth_m=region[1] / 1e3, radius_m=region[2] / 1e3)
    echoes = read_array_recording(recording)
    along, depth = _grid(disc)
    with progress("frames", n_frame or echoes.channels.shape[0], show=report.chatty) as advance:
        frames = image_frames(echoes, along, depth, n_frame=n_frame, on_frame=advance)
    inside = disc.inside(along, depth)
    rows = averaged_speckle(frames, inside)
    law = frame_agreement(frames[0], inside)
    _draw(output, frames, along, depth, echoes.frame_interval_s)
    report.data = {
        "picture": str(output),
        "frames": frames.shape[0],
        "trend_degree": TREND_DEGREE,
        "averages": [asdict(r) for r in rows],
        "exponential_law": asdict(law),
    }
    report.line(str(output))
    report.table(
        "Equivalent number of looks, trend removed",
        ("frames averaged", "groups", "ENL", "lowest", "highest"),
        [(f"{r.n_frame}", f"{r.n_group}", f"{r.enl:.2f}", f"{r.low:.2f}", f"{r.high:.2f}") for r in rows],
    )
    report.line(
        f"First frame against the exponential law: distance {law.thinned_distance:.3f} over {law.n_independent} "
        f"independent cells, p = {law.p_value:.2f}"
    )
    if len(rows) > 1:
        report.line(
            "Frames are independent looks only as far as what they see has moved by a cell in between."
        )
    report.finish()


def _grid(disc):
    """Pixel centres along the array and in depth, around the disc."""
    import numpy as np

    reach = min(_MARGIN * disc.radius_m, disc.depth_m - _PIXEL_M)
    step = np.arange(-np.floor(reach / _PIXEL_M), np.floor(reach / _PIXEL_M) + 1) * _PIXEL_M
    return disc.along_m + step, disc.depth_m + step


def _draw(output, frames, along, depth, interval_s) -> None:
    from pingloom.bench.pictures import Panel, side_by_side

    n = frames.shape[0]
    panels = [Panel(title="one frame", intensity=frames[0], along_m=along, across_m=depth)]
    if n > 1:
        title = f"average of {n} frames in {1e3 * n * interval_s:.3g} ms"
        panels.append(Panel(title=title, intensity=frames.mean(axis=0), along_m=along, across_m=depth))
    side_by_side(
        output,
        panels,
        title="Recorded plane-wave echoes, focused",
        quantity="intensity [dB re 1 count]",
        percentiles=(5.0, 99.5),
        caption="Along track: along the array, from its centre. Across track: distance from the array.",
    )
