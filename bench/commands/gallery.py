"""``pingloom gallery``: every preset simulated, imaged and drawn, truth beside image."""

from __future__ import annotations

import tempfile
import time
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import click

from pingloom.bench.console import CAUTIONS, Report, common_options, progress, refuse_existing

__all__ = ["command", "draw_preset"]


@click.command(epilog="Example: pingloom gallery -o gallery --only open_sand --only rippled_bay")
@click.option("-o", "--output", type=click.Path(path_type=Path), required=True, help="Folder to make.")
@click.option(
    "--only", metavar="NAME", multiple=True, help="A preset; may be given several times. By default all."
)
@click.option("--threads", type=click.IntRange(min=1), help="Pings made at a time; by default one a core.")
@click.option("--overwrite", is_flag=True, help="Replace pictures of those names.")
@common_options
def command(output, only, threads, overwrite, as_json, quiet) -> None:
    """Simulate, image and draw every preset: what is really there beside what the imager made of it.

    Leaves NAME.png for each preset, NAME-02.png and so on for its further legs. Scenes with ways by surface and
    bottom are shown without them too. Recordings and products are made in a folder that is removed again.
    """
    from pingloom.imaging.errors import ParameterError, nearest_name
    from pingloom.simulate.presets import load_preset, preset_names

    report = Report(as_json=as_json, quiet=quiet)
    names = list(dict.fromkeys(only)) or preset_names()
    for name in names:
        if name not in preset_names():
            raise ParameterError(f"there is no preset '{name}'{nearest_name(name, preset_names())}")
    if output.exists() and not output.is_dir():
        raise ParameterError(f"{output} is a file; allowed: a folder. Give another name.")
    for name in names:
        refuse_existing(output / f"{name}.png", overwrite=overwrite)
    output.mkdir(parents=True, exist_ok=True)
    rows = []
    for name in names:
        begin, scenario = time.perf_counter(), load_preset(name)
        with progress(name, scenario.vehicle.n_ping, show=report.chatty) as advance:
            pictures = draw_preset(name, output, threads=threads, on_ping=lambda i, n, go=advance: go(1))
        took = time.perf_counter() - begin
        rows.append(
            {
                "name": name,
                "title": scenario.title,
                "pictures": [str(p) for p in pictures],
                "seconds": round(took, 1),
            }
        )
        report.line(f"{', '.join(map(str, pictures))}: {scenario.vehicle.n_ping} pings in {took:.1f} s")
    report.data = {"gallery": rows, "cautions": list(CAUTIONS)}
    report.line()
    for caution in CAUTIONS:
        report.line(caution)
    report.finish()


def draw_preset(name: str, folder: Path, *, threads: int | None = None, on_ping=None) -> list[Path]:
    """Simulate and image a preset, and draw a picture of each of its legs into ``folder``.

    Parameters
    ----------
    name : str
        A preset.
    folder : Path
        An existing folder; pictures of the same name are replaced.
    threads, on_ping
        As for :func:`pingloom.simulate.echoes.simulate`.

    Returns
    -------
    list of Path
        ``NAME.png``, ``NAME-02.png`` and so on.
    """
    from pingloom.bench.commands.simulate import record_scenario
    from pingloom.bench.gallery_pictures import truth_picture
    from pingloom.bench.imaging_run import ImageSettings, image_recording
    from pingloom.io.product import read_product
    from pingloom.io.settings import apply
    from pingloom.simulate.presets import load_preset

    scenario = load_preset(name)
    mirrored = scenario.multipath is not None and scenario.multipath.order > 0
    settings = ImageSettings()
    if len(scenario.vehicle.legs) < 2:
        settings = apply(settings, [f"grid.heading_deg={scenario.vehicle.heading_deg:g}"])
    pictures = []
    with tempfile.TemporaryDirectory(dir=folder, prefix=f".{name}-") as work:
        runs = []
        for k, scene in enumerate((scenario, replace(scenario, multipath=None)) if mirrored else (scenario,)):
            recording = Path(work) / f"{k}.h5"
            record_scenario(scene, recording, threads=threads, on_ping=None if k else on_ping)
            runs.append(image_recording(recording, Path(work) / f"images{k}", settings=settings).products)
        for k, paths in enumerate(zip(*runs, strict=True)):
            with ExitStack() as stack:
                product, *plain = [stack.enter_context(read_product(path)) for path in paths]
                leg = "" if k == 0 else f"-{k + 1:02d}"
                without = ("multipath", plain[0]) if plain else None
                picture = truth_picture(folder / f"{name}{leg}.png", scenario, product, without=without)
                pictures.append(picture)
    return pictures
