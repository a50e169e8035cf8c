"""Spoilt pings among good ones, and that judging them leaves the statistics of the image alone."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from pingloom.imaging.compress import Compressor, CompressSettings
from pingloom.imaging.estimate.reasons import PingReason
from pingloom.imaging.estimate.reject import PingRejector, RejectSettings, Verdict
from pingloom.imaging.frames import Trajectory
from pingloom.imaging.records import Ping, Platform, Sonar
from pingloom.simulate import echoes
from pingloom.simulate.scenario import Scenario

SONARS = {
    "450 kHz": dict(range_stop_m=24.0, depression_deg=15.0),
    "300 kHz": dict(
        range_stop_m=20.0,
        n_channel=16,
        channel_pitch_m=0.02,
        centre_frequency_hz=300e3,
        sweep_hz=-40e3,
        pulse_duration_s=1e-3,
        sample_rate_hz=60e3,
    ),
}


@cache
def line(name: str, seed: int) -> tuple[Sonar, Platform, list[Ping]]:
    """16 pings; a strong point comes into view about half way."""
    point = dict(kind="point", along_m=2.6, across_m=12.0, strength_db=-3.0)
    scenario = Scenario.from_dict(
        dict(
            seed=seed,
            sonar=SONARS[name],
            vehicle=dict(n_ping=16, altitude_m=5.0),
            water=dict(noise_db=50.0),
            seabed=dict(per_cell=2.0, law="gaussian", placement="random"),
            targets=[point],
        )
    )
    (sonar,) = echoes.sonars(scenario).values()
    return sonar, echoes.platform(scenario), [p for p, _ in echoes.simulate(scenario)]


def judge(
    sonar: Sonar, platform: Platform, pings: list[Ping], settings: RejectSettings | None = None
) -> list[Verdict]:
    compressor = Compressor.prepare(sonar, CompressSettings())
    rejector = PingRejector.prepare(sonar, compressor, platform, Trajectory.from_platform(platform), settings)
    state, verdicts = rejector.start(), []
    for ping in pings:
        state, verdict = rejector.update(state, ping, compressor.run(ping.echo), 5.0, 1500.0)
        verdicts.append(verdict)
    return verdicts


def with_echo(ping: Ping, echo: NDArray) -> Ping:
    return replace(ping, echo=np.ascontiguousarray(echo, np.complex64))


@pytest.mark.parametrize(("name", "seed"), [("450 kHz", 1), ("450 kHz", 2), ("300 kHz", 3)])
def test_good_pings_are_kept_speckle_targets_and_all(name, seed) -> None:
    assert [v.reasons for v in judge(*line(name, seed))] == [0] * 16


@pytest.mark.parametrize("gain_db", [0.0, 24.0, -20.0])
@pytest.mark.parametrize(("name", "seed"), [("450 kHz", 1), ("300 kHz", 3)])
def test_a_foreign_pulse_is_interference_whatever_the_gain(name, seed, gain_db) -> None:
    sonar, platform, pings = line(name, seed)
    rng = np.random.default_rng(seed)
    pings = list(pings)
    spoilt = (6, 11)
    for k in spoilt:
        echo = pings[k].echo.copy()
        n = 160
        tone = np.exp(2j * np.pi * 0.13 * np.arange(n)) * np.exp(2j * np.pi * rng.random())
        at = int(rng.integers(300, echo.shape[2] - n))
        arrival = np.exp(1j * 0.4 * np.arange(echo.shape[1]))  # a plane wave from elsewhere
        usual = np.sqrt(np.mean(np.abs(echo[..., 300:]) ** 2))
        echo[0, :, at : at + n] += 8 * usual * arrival[:, None] * tone
        pings[k] = with_echo(pings[k], echo)
    pings = [replace(with_echo(p, p.echo * 10 ** (gain_db / 20)), receiver_gain_db=gain_db) for p in pings]
    verdicts = judge(sonar, platform, pings)
    assert [k for k, v in enumerate(verdicts) if not v.keep] == list(spoilt)
    assert all(verdicts[k].reasons == PingReason.INTERFERENCE for k in spoilt)


@pytest.mark.parametrize(("name", "seed"), [("450 kHz", 2), ("300 kHz", 3)])
def test_bubbles_fade_the_seabed(name, seed) -> None:
    sonar, platform, pings = line(name, seed)
    pings = list(pings)
    for k in (7, 8):
        noise = np.random.default_rng(k).standard_normal((2, *pings[k].echo.shape))
        quiet = np.sqrt(np.median(np.abs(pings[k].echo[..., 110:160]) ** 2) / 2)
        pings[k] = with_echo(pings[k], 0.3 * pings[k].echo + quiet * (noise[0] + 1j * noise[1]))
    verdicts = judge(sonar, platform, pings)
    assert [v.reasons for v in verdicts] == [PingReason.BUBBLES if k in (7, 8) else 0 for k in range(16)]


def test_a_long_fade_is_left_out_to_its_end_and_one_that_lasts_is_believed() -> None:
    """More pings than the median remembers; the pings after the first five once passed for a seabed of their own."""
    sonar, platform, pings = line("450 kHz", 2)
    faded = range(4, 14)
    pings = [with_echo(p, (0.1 if k in faded else 1.0) * p.echo) for k, p in enumerate(pings)]
    settings = RejectSettings(memory_pings=5)
    wanted = [PingReason.BUBBLES if k in faded else 0 for k in range(16)]
    assert [v.reasons for v in judge(sonar, platform, pings, settings)] == wanted
    settings = RejectSettings(memory_pings=5, fade_pings=3)
    assert [v.keep for v in judge(sonar, platform, pings, settings)][4:14] == [False] * 3 + [True] * 7


def test_clipping_is_judged_by_its_share_of_samples() -> None:
    sonar, platform, pings = line("450 kHz", 1)
    top = 1.2 * max(np.abs(p.echo.view(np.float32)).max() for p in pings)
    sonar = replace(sonar, saturation_level=top)
    pings = list(pings)
    parts = (20 * pings[4].echo).view(np.float32)
    pings[4] = with_echo(pings[4], np.clip(parts, -top, top).view(np.complex64))
    verdicts = judge(sonar, platform, pings)
    assert verdicts[4].reasons & PingReason.CLIPPED
    assert verdicts[4].clipped_share > 0.002
    assert all(v.clipped_share == 0 for k, v in enumerate(verdicts) if k != 4)


def test_bad_navigation_rows_reject_the_pings_between_them() -> None:
    sonar, platform, pings = line("450 kHz", 1)
    status = np.zeros(platform.time_ns.size, np.int64)
    status[5] = 3
    verdicts = judge(sonar, replace(platform, status=status), pings)
    assert {k for k, v in enumerate(verdicts) if v.reasons & PingReason.NAVIGATION} == {5, 6}


def test_a_ping_far_from_any_navigation_is_rejected() -> None:
    sonar, platform, pings = line("450 kHz", 1)
    late = replace(pings[-1], time_ns=pings[-1].time_ns + 5_000_000_000)
    assert judge(sonar, platform, [late])[0].reasons == PingReason.NAVIGATION


@pytest.mark.parametrize("value", [0, np.nan])
def test_silence_and_numbers_that_are_none_are_no_echo(value) -> None:
    sonar, platform, pings = line("450 kHz", 1)
    dead = with_echo(pings[3], np.full_like(pings[3].echo, value))
    (verdict,) = judge(sonar, platform, [dead])
    assert verdict.reasons == PingReason.NO_ECHO


def test_rejection_does_not_lean_on_speckle() -> None:
    """Gaussian echoes drawn anew each ping, at settings as strict as allowed: rises and fades stay far from the limits.

    The statistic of a rise has a spread of a few tenths of a decibel, so pings kept are pings as they come.
    """
    sonar, platform, pings = line("450 kHz", 1)
    rng = np.random.default_rng(1)
    profile = np.sqrt(np.mean([np.abs(p.echo) ** 2 for p in pings], axis=(0, 1, 2)))
    many = []
    for k in range(16):
        noise = rng.standard_normal((2, *pings[0].echo.shape))
        many.append(with_echo(pings[k], profile * (noise[0] + 1j * noise[1]) / np.sqrt(2)))
    verdicts = judge(sonar, platform, many, RejectSettings(burst_db=6.0, fade_db=3.0))
    assert all(v.keep for v in verdicts)
    assert max(v.burst_db for v in verdicts) < 3
    assert max(abs(v.fade_db) for v in verdicts) < 0.5


def test_lenient_limits_are_refused() -> None:
    with pytest.raises(ValueError, match="would judge by speckle"):
        RejectSettings(burst_db=2.0)
    with pytest.raises(ValueError, match="remembers_after"):
        RejectSettings(remembers_after=0)


def test_words_name_the_bits() -> None:
    assert PingReason.words(PingReason.CLIPPED | PingReason.BUBBLES) == ["clipped", "bubbles"]
