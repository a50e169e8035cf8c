"""Noise of a scenario by kind and as recorded: spectrum levels found in samples beside those published or asked for."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from pingloom.bench._picture_charts import Chart, Curve, profile_picture
from pingloom.imaging import seawater
from pingloom.imaging.errors import ParameterError
from pingloom.imaging.records import Sonar
from pingloom.simulate import echoes, noise
from pingloom.simulate.channel_errors import ChannelErrors
from pingloom.simulate.front_end import pickup
from pingloom.simulate.instrument import true_sonars
from pingloom.simulate.listening import Effect, Listening, PingMoment
from pingloom.simulate.noise_field import isotropic_coherence, patterned_coherence
from pingloom.simulate.pulse import filter_response
from pingloom.simulate.receive import volts_per_pascal
from pingloom.simulate.scenario import Scenario

__all__ = ["Coherence", "Kind", "NoiseReport", "noise_picture", "noise_report", "spectrum_level_db"]

_SEGMENT = 128  # samples
_EDGE = 3  # bins at the band's ends, which meet in the transform and mix under the window
_COLOURS = 6  # curves that a chart can hold beside the sum


@dataclass(frozen=True, slots=True, eq=False)
class Kind:
    """One kind of noise: what was meant and what its samples hold, at a small receiver in dB re 1 uPa^2/Hz."""

    name: str
    source: str
    meant_db: NDArray[np.float64]
    """(bin,)"""
    found_db: NDArray[np.float64]
    """(bin,)"""

    @property
    def largest_difference_db(self) -> float:
        """Over the band."""
        return float(np.abs(self.found_db - self.meant_db).max())


@dataclass(frozen=True, slots=True, eq=False)
class Coherence:
    """How much of the surface's noise receivers of one row share, against their distance."""

    apart_m: NDArray[np.float64]
    meant: NDArray[np.float64]
    found: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class NoiseReport:
    """All that :func:`noise_report` found for one side."""

    side: str
    frequency_hz: NDArray[np.float64]
    kinds: tuple[Kind, ...]
    recorded: Kind | None
    """All kinds and the instrument's own, undone to pressures; None where the record is too short."""
    coherence: Coherence | None
    band_hz: float
    n_ping: int


def noise_report(scenario: Scenario, *, n_ping: int = 32) -> NoiseReport:
    """Make the noise of ``n_ping`` pings of a scenario's first side, kind by kind, and hold it against what it should be.

    Raises
    ------
    ParameterError
        If the scenario has no noise.
    """
    side, sonar = next(iter(true_sonars(scenario).items()))
    listening = Listening(sonar, 0)
    frequency = _frequencies(sonar)
    kinds, coherence = [], None
    for name, source, effect, level in _asked(scenario, listening):
        if effect is None:
            continue
        samples = np.stack([_alone(effect, listening, scenario.seed, side, k) for k in range(n_ping)])
        kinds.append(Kind(name, source, level(frequency), _spectrum_db(samples, sonar)))
        if name == "wind" and sonar.n_channel > 2:
            coherence = _coherence(scenario, sonar, samples)
    if not kinds:
        raise ParameterError(
            "the scenario has no noise with a spectrum; allowed: water.noise = true, or a level in [noise]. Add one."
        )
    recorded = _recorded(scenario, sonar, kinds, n_ping)
    return NoiseReport(
        side, frequency, tuple(kinds), recorded, coherence, 1 / sonar.sample_interval_s, n_ping
    )


def spectrum_level_db(scenario: Scenario) -> float | None:
    """Mean level over the sweep of all noise with a spectrum at the first side's receivers, None without any.

    In dB re 1 uPa^2/Hz, powers added.
    """
    listening = Listening(next(iter(true_sonars(scenario).values())), 0)
    sonar = scenario.sonar
    frequency = sonar.centre_frequency_hz + np.linspace(-0.5, 0.5, 101) * abs(sonar.sweep_hz)
    kinds = [level(frequency) for _, _, effect, level in _asked(scenario, listening) if effect is not None]
    return float(10 * np.log10(sum(np.mean(10 ** (db / 10)) for db in kinds))) if kinds else None


def _asked(
    scenario: Scenario, listening: Listening
) -> Sequence[tuple[str, str, Effect | None, Callable[[NDArray[np.float64]], NDArray[np.float64]]]]:
    """Name, source, maker and level of each kind of noise that has a spectrum."""
    table, share = scenario.noise, noise.share_db(scenario, listening)
    flat = scenario.water.noise_db
    if flat is None:
        flat = float(seawater.thermal_noise_db(scenario.sonar.centre_frequency_hz))
    amplifier, picked = noise.preamplifier_db(scenario), scenario.instrument.pickup.noise_db
    said = "scenario" if scenario.water.noise_db is not None else "Mellen (1952), at the centre"
    thermal = "Mellen (1952)" if table.thermal == "mellen" else "4 pi k T rho f^2 / c"
    wind = table.wind_speed_m_s or 0.0
    hiss = None
    if picked is not None:
        only = dataclasses.replace(scenario.instrument.pickup, tone_db=None, tone_hz=None)
        quiet = dataclasses.replace(scenario.instrument, pickup=only)
        hiss = pickup(dataclasses.replace(scenario, instrument=quiet), listening, 1.0)
    return (
        ("flat", said, noise.flat_noise(scenario, listening), lambda f: flat + 0 * f),
        ("thermal", thermal, noise.thermal_noise(scenario, listening), lambda f: noise.thermal_db(scenario, f) + share),
        ("wind", "Coates' form", noise.wind_noise(scenario, listening), lambda f: seawater.wind_noise_db(f, wind) + share),
        ("self-noise", "scenario", noise.self_noise(scenario, listening), lambda f: noise.self_noise_db(scenario, f)),
        ("preamplifier", "scenario", noise.preamplifier_noise(scenario, listening), lambda f: (amplifier or 0.0) + 0 * f),
        ("pickup", "scenario", hiss, lambda f: (picked or 0.0) + 0 * f),
    )  # fmt: skip


def _alone(effect: Effect, listening: Listening, seed: int, side: str, number: int) -> NDArray[np.complex64]:
    samples = np.zeros(listening.shape, np.complex64)
    effect.run(samples, PingMoment(seed, side, number, float(number)))
    return samples


def _frequencies(sonar: Sonar) -> NDArray[np.float64]:
    f = np.sort(np.fft.fftfreq(_SEGMENT, sonar.sample_interval_s))[_EDGE:-_EDGE]
    return f + sonar.centre_frequency_hz


def _spectrum_db(
    samples: NDArray[np.complex64], sonar: Sonar, *, robust: bool = False
) -> NDArray[np.float64]:
    """One-sided spectrum level of the pressure by Welch's method, half-overlapping Hann windows. [dB re 1 uPa^2/Hz]

    Robust: the mean of an exponential law from its median, so that a noisy receiver or another sounder's pulses hardly count.
    """
    window = np.hanning(_SEGMENT + 1)[:-1]
    rows = samples.reshape(-1, samples.shape[-1])
    firsts = range(0, rows.shape[1] - _SEGMENT + 1, _SEGMENT // 2)
    parts = [scipy.fft.fft(rows[:, k : k + _SEGMENT] * window, axis=-1) for k in firsts]
    power = np.concatenate([part.real**2 + part.imag**2 for part in parts])
    mean = np.median(power, axis=0) / np.log(2) if robust else power.mean(axis=0, dtype=np.float64)
    density = mean / (window @ window) * sonar.sample_interval_s
    # Stored amplitudes are peak values of the analytic signal: half its square is the pressure's.
    return 10 * np.log10(np.maximum(np.fft.fftshift(density)[_EDGE:-_EDGE] / 2 * 1e12, 1e-30))


def _coherence(scenario: Scenario, sonar: Sonar, samples: NDArray[np.complex64]) -> Coherence:
    law = patterned_coherence if scenario.noise.directional else isotropic_coherence
    if scenario.noise.wind_coherence == "independent":
        meant = np.eye(sonar.n_row * sonar.n_channel)
    else:
        meant = law(sonar, sonar.centre_frequency_hz, scenario.sound_speed_m_s)
    row = np.moveaxis(samples[:, 0], 1, 0).reshape(sonar.n_channel, -1)
    cross = row @ row.conj().T
    size = np.sqrt(np.diag(cross).real)
    found = (cross / np.outer(size, size)).real
    lags = np.arange(min(sonar.n_channel, 12))
    along = sonar.element_position_m[0, :, 0]
    return Coherence(
        np.array([np.mean(along[k:] - along[: along.size - k]) for k in lags]),
        np.array([np.diag(meant[: sonar.n_channel, : sonar.n_channel], k).mean() for k in lags]),
        np.array([np.diag(found, k).mean() for k in lags]),
    )


def _recorded(scenario: Scenario, sonar: Sonar, kinds: Sequence[Kind], n_ping: int) -> Kind | None:
    """Spectrum of what the instrument stores without any echo, undone to pressures by what the recording says."""
    vehicle = dataclasses.replace(
        scenario.vehicle, legs=(), heading_deg=0.0, n_ping=max(n_ping, scenario.vehicle.n_ping)
    )
    bare = dataclasses.replace(
        scenario, vehicle=vehicle, targets=(), seabed=dataclasses.replace(scenario.seabed, present=False)
    )
    described = echoes.sonars(bare)[sonar.side]
    table = scenario.instrument
    blind_s = max(
        2 * sonar.pulse_duration_s + 8 * table.transmission.ring_decay_s, table.transmission.blanking_s
    )
    first = max(0, int(np.ceil((blind_s - sonar.first_sample_delay_s) / sonar.sample_interval_s)))
    if sonar.n_sample - first < 2 * _SEGMENT:
        return None
    volts = described.echo_scale / (volts_per_pascal(scenario) if described.echo_unit == "V" else 1.0)
    live = ~ChannelErrors.of(bare, sonar.side).dead
    rows = []
    for ping, _ in echoes.simulate(bare):
        if ping.side == sonar.side and ping.number < n_ping:
            undone = ping.echo * (volts * 10 ** (-ping.receiver_gain_db / 20))
            if described.time_varied_gain_db is not None:
                undone = undone * 10 ** (-described.time_varied_gain_db / 20)
            rows.append(undone[live][:, first:])
        if ping.number >= n_ping:
            break
    frequency = _frequencies(sonar)
    meant = sum((10 ** (k.meant_db / 10) for k in kinds), np.zeros(frequency.size))
    if table.filter.order:
        meant = meant * np.abs(filter_response(scenario, frequency)) ** 2
    return Kind(
        "as recorded",
        "sum",
        10 * np.log10(np.maximum(meant, 1e-30)),
        _spectrum_db(np.array(rows), sonar, robust=True),
    )


def noise_picture(path: Path, report: NoiseReport, *, title: str) -> Path:
    """Draw spectra of each kind, of the recording, and the receivers' coherence where the surface is heard."""
    khz = report.frequency_hz / 1e3
    axes = {"x_label": "frequency [kHz]", "y_label": "spectrum level [dB re 1 uPa$^2$/Hz]"}
    pairs = report.kinds[: _COLOURS // 2]
    each = [
        curve
        for kind in pairs
        for curve in (
            Curve(label=f"{kind.name}: {kind.source}", x=khz, y=kind.meant_db),
            Curve(label=f"{kind.name}, in samples", x=khz[::6], y=kind.found_db[::6], points=True),
        )
    ]
    level = np.array([curve.y for curve in each if not curve.points])
    room = (level.min() - 2, level.max() + 3 + 0.4 * np.ptp(level))  # for the names above the curves
    charts = [Chart(curves=each, title="each kind by itself", y_limits=room, **axes)]
    if report.recorded is not None:
        whole = (
            Curve(label="sum of kinds, through the filter", x=khz, y=report.recorded.meant_db),
            Curve(label="recorded, gains undone; median", x=khz, y=report.recorded.found_db),
        )
        charts.append(Chart(curves=whole, title="as recorded", **axes))
    if report.coherence is not None:
        c = report.coherence
        curves = (
            Curve(label="theory", x=c.apart_m * 1e3, y=c.meant),
            Curve(label="in samples", x=c.apart_m * 1e3, y=c.found, points=True),
        )
        charts.append(
            Chart(
                curves=curves, title="surface noise", x_label="receivers apart [mm]", y_label="coherence [1]"
            )
        )
    caption = (
        f"{report.side}, {report.n_ping} pings; a level is that of root mean square pressure at a receiver"
    )
    return profile_picture(path, charts, title=title, caption=caption)
