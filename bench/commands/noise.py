"""``pingloom noise``: a scenario's noise by kind, found in samples beside published levels."""

from __future__ import annotations

from pathlib import Path

import click
import numpy as np

from pingloom.bench.console import Report, common_options, refuse_existing

__all__ = ["command"]


@click.command(epilog="Example: pingloom noise faulty_instrument -o noise.png")
@click.argument("scenario")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Picture of the spectra, PNG.")
@click.option("--pings", type=click.IntRange(min=4), default=32, show_default=True, help="Pings to make.")
@click.option("--overwrite", is_flag=True, help="Replace the picture.")
@common_options
def command(scenario, output, pings, overwrite, as_json, quiet) -> None:
    """Make the noise of SCENARIO, a TOML file or the name of a preset, and hold its spectra against what they should be.

    Each kind by itself, then all of it as the instrument records it, with the recorded gains undone. Echoes are left
    out; tones, pulses of other sounders and the converter's rounding show in what is recorded.
    """
    from pingloom.bench.commands.simulate import load_scenario
    from pingloom.bench.noise_spectra import noise_picture, noise_report

    report = Report(as_json=as_json, quiet=quiet)
    if output is not None:
        refuse_existing(output, overwrite=overwrite)
    chosen = load_scenario(scenario)
    found = noise_report(chosen, n_ping=pings)
    band_db = 10 * np.log10(found.band_hz)
    kinds = [*found.kinds, *([found.recorded] if found.recorded is not None else [])]
    middle = found.frequency_hz.size // 2
    rows, data = [], []
    for kind in kinds:
        mean = [10 * np.log10(np.mean(10 ** (level / 10))) for level in (kind.meant_db, kind.found_db)]
        rows.append(
            (
                kind.name,
                kind.source,
                f"{kind.meant_db[middle]:.2f}",
                f"{mean[0]:.2f}",
                f"{mean[1]:.2f}",
                f"{mean[1] - mean[0]:+.2f}",
                f"{kind.largest_difference_db:.2f}",
                f"{mean[1] + band_db:.1f}",
            )
        )
        data.append(
            {
                "kind": kind.name,
                "source": kind.source,
                "meant_at_centre_db": float(kind.meant_db[middle]),
                "meant_in_band_db": mean[0],
                "found_in_band_db": mean[1],
                "largest_difference_db": kind.largest_difference_db,
                "band_level_db": mean[1] + band_db,
            }
        )
    report.data = {"scenario": chosen.title, "side": found.side, "pings": found.n_ping, "kinds": data}
    report.table(
        f"{chosen.title}: {found.side}, {found.n_ping} pings, band of {found.band_hz / 1e3:g} kHz; "
        "spectrum levels in dB re 1 uPa^2/Hz",
        (
            "kind",
            "source",
            "at centre",
            "band mean",
            "found",
            "difference",
            "worst bin",
            "band level [dB re 1 uPa]",
        ),
        rows,
    )
    if found.coherence is not None:
        c = found.coherence
        report.data["coherence"] = {"apart_m": c.apart_m, "meant": c.meant, "found": c.found}
        worst = float(np.abs(c.found - c.meant).max())
        report.line(f"coherence of the surface's noise between receivers: within {worst:.3f} of theory")
    if output is not None:
        noise_picture(output, found, title=chosen.title)
        report.data["picture"] = str(output)
        report.line(f"{output}")
    report.finish()
