"""``pingloom mechanisms``: what each mechanism of the simulator does to looks, contrast and peak of one scene."""

from __future__ import annotations

import click

from pingloom.bench.console import CAUTIONS, Report, common_options

__all__ = ["command"]


@click.command(epilog='Example: pingloom mechanisms --only "multipath, rough" --only noise')
@click.option(
    "--only", metavar="NAME", multiple=True, help="A mechanism; may be given several times. By default all."
)
@click.option("--threads", type=click.IntRange(min=1), help="Pings made at a time; by default one a core.")
@click.option("--list", "list_names", is_flag=True, help="List the mechanisms and stop.")
@common_options
def command(only, threads, list_names, as_json, quiet) -> None:
    """Switch each mechanism of the simulator on alone and measure what it does to an image of one invented scene.

    Plain sand with a box and a point in 6 m of water. Prints the equivalent number of looks and the level of the sand,
    the box's shadow over the sand beside it with its contrast to noise, the point's peak over the sand and its width along
    track; in brackets the change against the scene without any. Strengths are chosen so that each shows.
    """
    from pingloom.bench.mechanisms import MECHANISMS, base_scenario, measure_mechanisms
    from pingloom.imaging.errors import ParameterError, nearest_name

    report = Report(as_json=as_json, quiet=quiet)
    known = {m.name: m for m in MECHANISMS}
    for name in only:
        if name not in known:
            raise ParameterError(f"there is no mechanism '{name}'{nearest_name(name, known)}")
    if list_names:
        report.data = {"mechanisms": [{"name": m.name, "meaning": m.meaning} for m in MECHANISMS]}
        for m in MECHANISMS:
            report.line(f"  {m.name:32}  {m.meaning}")
        report.finish()
        return
    first = MECHANISMS[0]
    chosen = tuple(m for m in MECHANISMS if not only or m.name in only or m is first)
    rows = list(measure_mechanisms(chosen, threads=threads, on_step=lambda name: report.line(f"... {name}")))
    report.line()
    base = rows[0]
    heads = (
        "mechanism",
        "looks",
        "level [dB]",
        "shadow [dB]",
        "contrast to noise",
        "peak [dB]",
        "width [mm]",
    )
    keys = ("looks", "level_db", "shadow_db", "contrast_to_noise", "peak_db", "along_width_m")
    cells = []
    for row in rows:
        texts = [
            _with_change(
                getattr(row, key), getattr(base, key), 1e3 if key == "along_width_m" else 1.0, row is base
            )
            for key in keys
        ]
        cells.append((row.name, *texts))
    report.table(base_scenario().title, heads, cells)
    if any(value != value for row in rows for value in (getattr(row, key) for key in keys)):
        report.line(
            "  none: can't be told. Its pings are left out, or nothing is left of it once noise is taken away"
        )
    for row in rows:
        if row.meaning:
            report.line(f"  {row.name}: {row.meaning}")
    report.line()
    report.line(CAUTIONS[2])
    report.data = {
        "scene": base_scenario().title,
        "rows": [row.as_dict() for row in rows],
        "cautions": [CAUTIONS[2]],
    }
    report.finish()


def _with_change(value: float, before: float, scale: float, is_base: bool) -> str:
    """A value, and in brackets by how much it differs from the scene without any mechanism."""
    if value != value:
        return "none"
    digits = 0 if scale > 1 else 1
    text = f"{value * scale:.{digits}f}"
    if is_base or before != before:
        return text
    return f"{text} ({(value - before) * scale:+.{digits}f})".replace("-", "\N{MINUS SIGN}")
