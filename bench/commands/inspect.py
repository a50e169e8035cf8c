"""``pingloom inspect``: what a file is and what is in it, on one screen."""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import click
import numpy as np

from pingloom.bench.console import CAUTIONS, Report, common_options
from pingloom.bench.correction_facts import correction_facts
from pingloom.bench.grid_facts import mosaic_facts, product_facts
from pingloom.imaging.conventions import NANOSECONDS_PER_SECOND
from pingloom.imaging.errors import DataError
from pingloom.imaging.records import Platform, Sonar

__all__ = ["command"]

_HALF_POWER = 0.886
"""Width at half power of sin(x)/x, in units of 1/length: common practice."""


@click.command(epilog="Example: pingloom inspect line.h5")
@click.argument("file", type=click.Path(path_type=Path))
@common_options
def command(file: Path, as_json: bool, quiet: bool) -> None:
    """Say what FILE is and what is in it.

    A recording, a folder of segments, a product, a mosaic, a table of corrections or a settings file.
    """
    report = Report(as_json=as_json, quiet=quiet)
    kind = _kind(file)
    kinds = {
        "recording": _recording,
        "product": product_facts,
        "mosaic": mosaic_facts,
        "corrections": correction_facts,
        "settings": _settings,
    }
    facts = kinds[kind](file)
    report.data = {"file": str(file), "kind": kind, **_without_nan(facts)}
    report.line(f"{file}: {kind}")
    for section, values in _folded(facts).items():
        report.line(section)
        for name, value in values.items():
            report.line(f"  {name:24} {_shown(value)}")
    if kind in ("product", "mosaic"):
        report.line(CAUTIONS[0])
    report.finish()


def _kind(file: Path) -> str:
    """Tell kinds apart by name and by what the file calls itself."""
    if file.is_dir():
        return "recording"
    if file.suffix.lower() == ".toml":
        return "settings"
    from pingloom.io.safe_hdf5 import SafeFile

    allowed = "a recording, a folder of segments, a product, a mosaic, a table of corrections or a .toml file"
    with SafeFile(file, allowed) as opened:
        name = opened.root.attribute("pingloom_format")
    if name not in ("recording", "product", "mosaic", "corrections"):
        raise DataError(f"{file} doesn't say what it is (pingloom_format); allowed: {allowed}.")
    return name


def _folded(facts: dict[str, dict[str, Any]]) -> dict[str, dict[str, Any]]:
    """Return the facts with both sides in one section, so that they fit a screen: equal values are said once."""
    folded = dict(facts)
    for suffix in ("", "_cells"):
        port, starboard = (folded.get(f"{side}{suffix}") for side in ("port", "starboard"))
        if port is None or starboard is None:
            continue
        del folded[f"port{suffix}"], folded[f"starboard{suffix}"]
        folded[f"port, starboard{suffix.replace('_', ': ')}"] = {
            name: _both(port.get(name, ""), starboard.get(name, "")) for name in {**port, **starboard}
        }
    return folded


def _both(port: Any, starboard: Any) -> Any:
    return port if port == starboard else f"{_shown(port)} | {_shown(starboard)}"


def _shown(value: Any) -> str:
    if isinstance(value, str):
        lines = value.strip().splitlines() or [""]
        return f"\n  {'':24} ".join(lines[:20] + (["..."] if len(lines) > 20 else []))
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, (list, tuple)):
        return ", ".join(map(_shown, value))
    return str(value)


def _without_nan(value: Any) -> Any:
    """Return the same with None for NaN, which JSON doesn't know."""
    if isinstance(value, dict):
        return {k: _without_nan(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_without_nan(v) for v in value]
    return None if isinstance(value, float) and not np.isfinite(value) else value


def _date(time_ns: int) -> str:
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=time_ns // 1000)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


# ---- recordings ------------------------------------------------------------------------------------------


def _recording(path: Path) -> dict[str, dict[str, Any]]:
    from pingloom.io.recording import open_recording

    with open_recording(path) as recording:
        speed_m_s = recording.water().sound_speed_m_s
        facts: dict[str, dict[str, Any]] = {
            "recording": {
                "title": recording.title,
                "history": recording.history,
                "origin_deg": list(recording.origin),
                "files": len(recording.segments),
                "bytes": recording.n_byte,
                "sound_speed_m_s": speed_m_s,
                "simulated": recording.scenario is not None,
                "seed": recording.seed if recording.seed is not None else "none",
                "sha256": recording.identity()["sha256"],
            },
            "platform": _platform_facts(recording.platform(), recording.water().depth_m),
        }
        for side in recording.sides:
            facts[side] = _ping_facts(recording.ping_time_ns(side)) | _sonar_facts(recording.sonar(side))
            facts[f"{side}_cells"] = _cell_facts(recording.sonar(side), speed_m_s)
    return facts


def _ping_facts(time_ns: np.ndarray) -> dict[str, Any]:
    if time_ns.size == 0:
        return {"pings": 0}
    span_s = float(time_ns.max() - time_ns.min()) / NANOSECONDS_PER_SECOND
    facts = {"pings": int(time_ns.size), "first": _date(int(time_ns[0])), "span_s": span_s}
    return facts | ({"ping_interval_s": span_s / (time_ns.size - 1)} if time_ns.size > 1 else {})


def _sonar_facts(sonar: Sonar) -> dict[str, Any]:
    return {
        "sweep_hz": [sonar.frequency_start_hz, sonar.frequency_stop_hz],
        "pulse_s": sonar.pulse_duration_s,
        "sample_rate_hz": 1 / sonar.sample_interval_s,
        "samples": sonar.n_sample,
        "rows_channels": [sonar.n_row, sonar.n_channel],
        "live_receivers": int(sonar.live.sum()),
        "receiver_length_m": float(sonar.receive_size_m[0]),
        "transmitter_length_m": float(sonar.transmit_size_m[0]),
        "array_length_m": _array_length_m(sonar),
        "depression_deg": float(np.degrees(sonar.depression_rad)),
        "echo_unit": sonar.echo_unit,
        "calibrated": sonar.is_calibrated,
        "serial_number": sonar.serial_number or "none",
    }


def _array_length_m(sonar: Sonar) -> float:
    forward_m = sonar.element_position_m[..., 0]
    return float(forward_m.max() - forward_m.min() + sonar.receive_size_m[0])


def _cell_facts(sonar: Sonar, sound_speed_m_s: float) -> dict[str, Any]:
    """Return widths at half power of an unweighted point image, for one look and for a synthetic aperture."""
    window_s = sonar.first_sample_delay_s + sonar.n_sample * sonar.sample_interval_s - sonar.pulse_duration_s
    range_m = sound_speed_m_s * window_s / 2
    wavelength_m = 2 * sound_speed_m_s / (sonar.frequency_start_hz + sonar.frequency_stop_hz)
    angle = _HALF_POWER * wavelength_m / _array_length_m(sonar)
    return {
        "slant_range_limit_m": range_m,
        "slant_cell_m": _HALF_POWER * sound_speed_m_s / (2 * sonar.bandwidth_hz),
        "along_cell_half_range_m": angle * range_m / 2,
        "along_cell_limit_m": angle * range_m,
        "along_cell_synthetic_m": float(sonar.transmit_size_m[0]) / 2,
    }


def _platform_facts(platform: Platform, water_depth_m: float | None) -> dict[str, Any]:
    time_s = (platform.time_ns - platform.time_ns[0]).astype(np.float64) / NANOSECONDS_PER_SECOND
    path_m = float(np.hypot(np.diff(platform.north_m), np.diff(platform.east_m)).sum())
    facts: dict[str, Any] = {
        "rows": int(time_s.size),
        "span_s": float(time_s[-1]),
        "path_m": path_m,
        "mean_speed_m_s": path_m / float(time_s[-1]) if time_s[-1] > 0 else float("nan"),
        "mean_heading_deg": float(np.degrees(np.angle(np.exp(1j * platform.heading_rad).mean())) % 360),
        "depth_m": [float(platform.depth_m.min()), float(platform.depth_m.max())],
    }
    known = platform.altitude_m is not None and np.isfinite(platform.altitude_m)
    if np.any(known):
        values = platform.altitude_m[known]
        facts["altitude_m"] = [float(values.min()), float(values.max())]
    elif water_depth_m is not None:
        facts["altitude_m"] = f"from water depth {water_depth_m:g}"
    else:
        facts["altitude_m"] = "unknown"
    return facts


# ---- settings ------------------------------------------------------------------------------------------


def _settings(path: Path) -> dict[str, dict[str, Any]]:
    from pingloom.io.settings import read_text

    text = read_text(path)
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DataError(f"{path} isn't valid TOML: {error}; allowed: settings or a scenario.") from error
    values = {k: v for k, v in table.items() if not isinstance(v, dict)}
    tables = {k: {n: _flat(v) for n, v in t.items()} for k, t in table.items() if isinstance(t, dict)}
    return {"values": {k: _flat(v) for k, v in values.items()}, **tables}


def _flat(value: Any) -> Any:
    """Return a value that JSON and a line of text can hold."""
    if isinstance(value, dict):
        return ", ".join(f"{k} = {_shown(_flat(v))}" for k, v in value.items())
    if isinstance(value, list):
        return [_flat(v) for v in value]
    return value if isinstance(value, (str, int, float, bool)) else str(value)
