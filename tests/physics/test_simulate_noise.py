"""Noise of simulated echoes against published spectra, levels and coherences."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import scipy.signal
from numpy.testing import assert_allclose

from pingloom.simulate import echoes
from pingloom.simulate.noise_field import heard_share
from pingloom.simulate.scenario import (
    InstrumentTable,
    NoiseTable,
    Scenario,
    SeabedTable,
    SonarTable,
    VehicleTable,
    WaterTable,
)

C = 1500.0
SONAR = SonarTable(
    n_channel=8, range_stop_m=60.0, centre_frequency_hz=100e3, sweep_hz=40e3, sample_rate_hz=60e3
)
QUIET = Scenario(
    seed=5,
    sonar=SONAR,
    vehicle=VehicleTable(altitude_m=6.0, n_ping=16),
    water=WaterTable(noise=False, sound_speed_m_s=C),
    seabed=SeabedTable(present=False),
)


def noise(table, water=QUIET.water, sonar=SONAR, **more):
    """Samples of all pings, (ping, row, channel, sample)."""
    scenario = dataclasses.replace(QUIET, noise=table, water=water, sonar=sonar, **more)
    return np.array([ping.echo for ping, _ in echoes.simulate(scenario)])


def spectrum(samples, sonar=SONAR):
    """Spectrum level by Welch's method, and its frequencies in the water."""
    f, density = scipy.signal.welch(
        samples.reshape(-1, samples.shape[-1]),
        fs=sonar.sample_rate_hz,
        nperseg=128,
        return_onesided=False,
        detrend=False,
    )
    # Peak values of the analytic signal: half of it is the one-sided density of the pressure. The band's ends meet in
    # the transform, whose window mixes three bins there.
    order = np.argsort(f)[3:-3]
    return f[order] + sonar.centre_frequency_hz, 10 * np.log10(density.mean(axis=0)[order] / 2 * 1e12)


THERMAL = WaterTable(sound_speed_m_s=C)


@pytest.mark.parametrize(
    ("table", "water", "level"),
    [
        # Written out again here, from the sources: check-values of the literature are in bench/evidence.
        (NoiseTable(thermal="mellen"), THERMAL, lambda f: -15 + 20 * np.log10(f)),
        (
            NoiseTable(thermal="equipartition"),
            dataclasses.replace(THERMAL, temperature_c=10.0),
            lambda f: 10 * np.log10(4 * np.pi * 1.380649e-23 * 283.15 * 1026 * (f * 1e3) ** 2 / C) + 120,
        ),
        (
            NoiseTable(wind_speed_m_s=5.0),
            QUIET.water,
            lambda f: 50 + 7.5 * np.sqrt(5) + 20 * np.log10(f) - 40 * np.log10(f + 0.4),
        ),
        (
            NoiseTable(wind_speed_m_s=5.0, thermal="mellen"),
            THERMAL,
            lambda f: 10 * np.log10(10 ** ((-15 + 20 * np.log10(f)) / 10)
            + 10 ** ((50 + 7.5 * np.sqrt(5) + 20 * np.log10(f) - 40 * np.log10(f + 0.4)) / 10)),
        ),
        (NoiseTable(preamplifier_db=31.0), QUIET.water, lambda f: 31 + 0 * f),
        (NoiseTable(self_noise_db=45.0), QUIET.water, lambda f: 45 - 6 * np.log2(f / 100)),
        (
            NoiseTable(self_noise_db=45.0, self_noise_slope_db_octave=-20.0, self_noise_from_deg=100.0),
            QUIET.water,
            lambda f: 45 - 20 * np.log2(f / 100),
        ),
    ],
)  # fmt: skip
def test_spectra_are_those_published(table, water, level):
    got = noise(table, water)
    f, found = spectrum(got)
    # 128-point segments of 16 pings x 8 channels x 4800 samples: 9500 that overlap by half, 0.05 dB a bin and 0.01 dB over
    # the band; an eighth of them where all channels hear one wave, 0.15 dB and 0.02 dB.
    one_wave = table.self_noise_from_deg is not None
    assert_allclose(found, level(f / 1e3), atol=0.6 if one_wave else 0.2)
    assert abs(np.mean(found - level(f / 1e3))) < (0.08 if one_wave else 0.02)


@pytest.mark.parametrize(
    ("khz", "level_db"), [(50, 18.98), (100, 25.00), (200, 31.02), (400, 37.04), (600, 40.56), (900, 44.08)]
)
def test_thermal_levels_of_the_literature(khz, level_db):
    sonar = dataclasses.replace(SONAR, centre_frequency_hz=khz * 1e3, sweep_hz=1e3, sample_rate_hz=2e3)
    got = noise(NoiseTable(thermal="mellen"), THERMAL, sonar)
    # 16 pings x 8 channels x 160 samples: 1/sqrt(20480) is 0.03 dB.
    assert_allclose(10 * np.log10(np.mean(np.abs(got) ** 2) / 2 / 2e3 * 1e12), level_db, atol=0.2)


def coherence(samples):
    flat = np.moveaxis(samples.reshape(samples.shape[0], -1, samples.shape[-1]), 1, 0)
    flat = flat.reshape(flat.shape[0], -1)
    cross = flat @ flat.conj().T / flat.shape[1]
    power = np.sqrt(np.diag(cross).real)
    return cross / np.outer(power, power)


def test_surface_noise_is_shared_by_near_receivers_as_isotropic_noise_is():
    # A wavelength of 15 mm: pitches of 0.2 wavelengths in two rows 0.3 wavelengths apart.
    sonar = dataclasses.replace(SONAR, n_row=2, channel_pitch_m=0.003, row_pitch_m=0.0045)
    found = coherence(noise(NoiseTable(wind_speed_m_s=5.0), sonar=sonar))
    place = echoes.sonars(dataclasses.replace(QUIET, sonar=sonar))["starboard"].element_position_m.reshape(
        -1, 3
    )
    k_d = 2 * np.pi / 0.015 * np.linalg.norm(place[:, None] - place[None], axis=-1)
    expected = np.divide(np.sin(k_d), k_d, out=np.ones_like(k_d), where=k_d > 0)
    # 16 x 4800 samples: 0.004 rms. Over the band of 60 % the coherence is the mean of sin(kd)/(kd) weighted by power.
    weight = np.linspace(70e3, 130e3, 200)
    level = 10 ** (-0.1 * (40 * np.log10(weight / 1e3 + 0.4) - 20 * np.log10(weight / 1e3)))
    band = np.sinc(k_d[..., None] / np.pi * weight / 100e3) @ level / level.sum()
    assert_allclose(found, band, atol=0.03)
    assert np.abs(band - expected).max() > 0.08  # what a single frequency would say
    assert found[0, 1].real > 0.7


def test_receivers_with_a_pattern_hear_less_noise_and_share_it_by_that_pattern():
    # Two rows of receivers 0.4 wavelengths long and 0.3 high, side by side.
    sonar = dataclasses.replace(
        SONAR, n_row=2, n_channel=5, channel_pitch_m=0.006, receive_along_m=0.006, row_pitch_m=0.0045,
        receive_vertical_m=0.0045, sweep_hz=1e3, sample_rate_hz=2e3,
    )  # fmt: skip
    table = NoiseTable(wind_speed_m_s=5.0, directional=True)
    got = noise(table, sonar=sonar)
    # Plane waves from directions drawn evenly over the half space before the baffle; nothing else goes into it.
    rng = np.random.default_rng(1)
    ray = rng.standard_normal((400_000, 3))
    ray /= np.linalg.norm(ray, axis=1)[:, None]
    ray = ray[ray[:, 2] > 0]  # along, up, out of the face
    gain = (np.sinc(0.4 * ray[:, 0]) * np.sinc(0.3 * ray[:, 1])) ** 2
    share = gain.mean() / 2
    along, up = np.tile(np.arange(5) * 0.006, 2), np.repeat([0.0, 0.0045], 5)
    wave = np.exp(2j * np.pi / 0.015 * (along[:, None] * ray[:, 0] + up[:, None] * ray[:, 1])) * np.sqrt(gain)
    expected = (wave @ wave.conj().T).real / gain.sum()
    # 16 pings x 160 samples: coherences are known to 0.02, levels (some four independent receivers) to 0.04 dB.
    assert_allclose(coherence(got), expected, atol=0.09)
    assert 0.5 < np.abs(expected - np.eye(10)).max() < 0.9
    level = 50 + 7.5 * np.sqrt(5) + 20 * np.log10(100) - 40 * np.log10(100.4) + 10 * np.log10(share)
    assert abs(10 * np.log10(np.mean(np.abs(got) ** 2) / 2 / 2e3 * 1e12) - level) < 0.15
    # Large receivers have the directivity 4 pi area / wavelength^2.
    large = dataclasses.replace(sonar, receive_along_m=0.15, channel_pitch_m=0.15, receive_vertical_m=0.12)
    (record,) = echoes.sonars(dataclasses.replace(QUIET, sonar=large)).values()
    directivity = 4 * np.pi * 0.15 * 0.12 / 0.015**2
    assert_allclose(heard_share(record, 100e3, C) * directivity, 1, atol=0.06)


@pytest.mark.parametrize(
    "table",
    [
        NoiseTable(thermal="mellen"),
        NoiseTable(preamplifier_db=40.0),
        NoiseTable(self_noise_db=40.0),
        NoiseTable(wind_speed_m_s=5.0, wind_coherence="independent"),
    ],
)
def test_other_noise_is_each_receivers_own(table):
    water = THERMAL if table.thermal != "flat" else QUIET.water
    assert np.abs(coherence(noise(table, water)) - np.eye(8)).max() < 0.03


def test_noise_from_astern_runs_along_the_array():
    sonar = dataclasses.replace(SONAR, sweep_hz=1e3, sample_rate_hz=2e3)
    found = coherence(noise(NoiseTable(self_noise_db=40.0, self_noise_from_deg=180.0), sonar=sonar))
    # The foremost receiver hears it last; one pitch is 18.75 mm, 1.25 wavelengths.
    # Over k pitches it is 12.5 us late, and 2 kHz of band decorrelate by the sinc of the product.
    assert_allclose(np.abs(found[0]), np.sinc(np.arange(8) * 12.5e-6 * 2e3), atol=0.01)
    assert_allclose(np.angle(found[1, 0] * np.exp(2j * np.pi * 1.25)), 0, atol=0.01)


def test_a_preamplifier_in_volts_is_one_in_pascals():
    # 10 nV/sqrt(Hz) at -180 dB re 1 V/uPa: -160 + 180 = 20 dB re 1 uPa^2/Hz.
    table = NoiseTable(preamplifier_nv=10.0)
    got = noise(table, instrument=InstrumentTable(receiver_sensitivity_db=-180.0))
    assert_allclose(np.mean(np.abs(got) ** 2) / (2 * (10e-9) ** 2 * 60e3), 1, atol=0.02)


def test_tones_go_on_from_ping_to_ping_at_their_level():
    tone = {"frequency_hz": 107e3, "level_db": 90.0}
    table = Scenario.from_dict({"sonar": {"centre_frequency_hz": 100e3}, "noise": {"tones": [tone]}}).noise
    got = noise(table).astype(np.complex128)
    assert_allclose(np.abs(got), np.sqrt(2) * 1e-6 * 10 ** (90 / 20), rtol=1e-5)
    # In each ping the oscillator starts anew, at the recorded time; the tone is one wave through all pings.
    start = np.rint(np.arange(16) * (1e9 / 11)) * 1e-9
    turn = np.exp(2j * np.pi * (107e3 * start[:, None] + 7e3 * np.arange(4800) / 60e3))
    phase = got[:, 0, 3] / turn
    assert_allclose(phase, phase[0, 0], rtol=1e-4)
    assert np.ptp(np.angle(got[0, 0, :, 0])) > 0.5  # each receiver has a phase of its own


def test_each_kind_draws_from_its_own_stream_and_ping_by_ping():
    both = NoiseTable(preamplifier_db=40.0, self_noise_db=40.0)
    a = noise(both)
    b = noise(NoiseTable(preamplifier_db=40.0)) + noise(NoiseTable(self_noise_db=40.0))
    assert_allclose(a, b, atol=1e-6 * np.abs(a).max())
    scenario = dataclasses.replace(QUIET, noise=both)
    later = [ping.echo for ping, _ in echoes.simulate(scenario, first=4, threads=1)]
    assert np.array_equal(a[4:], later)
