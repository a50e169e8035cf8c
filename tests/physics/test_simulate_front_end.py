"""What each part of the instrument does to the samples, against its definition."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import scipy.signal
from numpy.testing import assert_allclose, assert_array_equal

from pingloom.imaging.compress import Compressor, CompressSettings
from pingloom.simulate import echoes
from pingloom.simulate.instrument import true_sonars
from pingloom.simulate.scenario import Scenario, SeabedTable, SonarTable, Target, VehicleTable, WaterTable

C = 1500.0
SONAR = SonarTable(n_channel=6, range_stop_m=30.0, pulse_duration_s=1e-3, depression_deg=10.0)
NOISY = Scenario(
    seed=7,
    sonar=SONAR,
    vehicle=VehicleTable(altitude_m=6.0, n_ping=4),
    water=WaterTable(noise_db=60.0, sound_speed_m_s=C, absorption_db_m=0.1),
    seabed=SeabedTable(present=False),
    targets=(Target(along_m=0.1, across_m=15.0, strength_db=-10.0),),
)
STILL = dataclasses.replace(NOISY, water=dataclasses.replace(NOISY.water, noise=False))


def with_instrument(scenario, **tables):
    made = Scenario.from_dict({"instrument": tables})
    return dataclasses.replace(scenario, instrument=made.instrument)


def samples(scenario):
    """All pings, (ping, row, channel, sample), in double precision."""
    return np.array([ping.echo for ping, _ in echoes.simulate(scenario)]).astype(complex)


def sonar_of(scenario):
    (sonar,) = echoes.sonars(scenario).values()
    return sonar


# --- gains ------------------------------------------------------------------------------------------------


def test_volts_are_pascals_times_the_sensitivity():
    volts = with_instrument(NOISY, receiver_sensitivity_db=-180.0)
    assert_allclose(samples(volts) / samples(NOISY), 1e-3, rtol=1e-5)  # 1e-9 V/uPa
    assert sonar_of(volts).echo_unit == "V"
    assert sonar_of(volts).receiver_sensitivity_db == -180.0


@pytest.mark.parametrize("spreading", [20.0, 30.0, 40.0])
def test_time_varied_gain_is_the_recorded_curve_and_is_undone_exactly(spreading):
    scenario = with_instrument(
        NOISY, gain={"tvg_spreading": spreading, "tvg_from_m": 2.0, "tvg_greatest_db": 28.0}
    )
    recorded = sonar_of(scenario).time_varied_gain_db
    slant = np.maximum(C * np.arange(1600) / 40e3 / 2, 1e-9)
    expected = spreading * np.log10(slant / 2) + 2 * 0.1 * (slant - 2)
    assert_allclose(recorded, np.clip(expected, 0, 28), atol=1e-9)
    plain = samples(NOISY)
    undone = samples(scenario) * 10 ** (-recorded / 20)
    assert_allclose(undone, plain, rtol=0, atol=3e-7 * np.abs(plain).max())


def test_gain_steps_are_recorded_with_the_pings_that_had_them():
    steps = [{"from_ping": 1, "receiver_gain_db": 12.0}, {"from_ping": 3, "receiver_gain_db": -6.0}]
    scenario = with_instrument(NOISY, gain={"receiver_gain_db": 6.0, "steps": steps})
    pings = [ping for ping, _ in echoes.simulate(scenario)]
    assert [p.receiver_gain_db for p in pings] == [6.0, 12.0, 12.0, -6.0]
    for ping, plain in zip(pings, samples(NOISY), strict=True):
        assert_allclose(ping.echo, plain * 10 ** (ping.receiver_gain_db / 20), rtol=1e-5)


# --- converter --------------------------------------------------------------------------------------------


def test_rounding_to_steps_adds_a_twelfth_of_their_square():
    volts = with_instrument(NOISY, receiver_sensitivity_db=-180.0)
    coded = with_instrument(
        NOISY, receiver_sensitivity_db=-180.0, converter={"full_scale_v": 0.02, "bits": 10}
    )
    step = 0.02 / 2**9
    sonar = sonar_of(coded)
    assert (sonar.echo_scale, sonar.echo_unit) == (step, "V")
    stored = samples(coded)
    parts = np.stack([stored.real, stored.imag])
    assert_array_equal(parts, np.rint(parts))
    assert (
        np.abs(parts).max() < sonar.saturation_level
    )  # loud enough to use many steps, quiet enough not to clip
    error = stored * step - samples(volts)
    assert np.abs(parts).max() > 40
    # 38 400 samples: the variance of a uniform error is known to 0.9 / sqrt(38 400), half a percent.
    for part in (error.real, error.imag):
        assert_allclose(np.mean(part**2) / (step**2 / 12), 1, atol=0.025)
        assert np.abs(part).max() < step / 2 * (1 + 1e-4)


def test_only_what_exceeds_full_scale_is_clipped():
    free = with_instrument(STILL, receiver_sensitivity_db=-180.0)
    loud = samples(free)
    top = 0.4 * np.abs(loud).max()
    clipped = samples(
        with_instrument(STILL, receiver_sensitivity_db=-180.0, converter={"full_scale_v": float(top)})
    )
    assert sonar_of(free).saturation_level is None
    for got, whole in ((clipped.real, loud.real), (clipped.imag, loud.imag)):
        over = np.abs(whole) > top
        assert 0.01 < over[..., 865:895].mean() < 0.9
        assert_allclose(got[over], np.sign(whole[over]) * top, rtol=1e-6)
        assert_array_equal(got[~over], whole[~over])


# --- receivers --------------------------------------------------------------------------------------------


def test_dead_receivers_give_zero_and_noisy_ones_their_own_level():
    scenario = with_instrument(STILL, channels={"dead": [1], "noisy": [4], "noisy_db": 80.0})
    got, plain = samples(scenario), samples(STILL)
    assert_array_equal(got[:, :, 1], 0)
    assert_array_equal(np.delete(got, [1, 4], axis=2), np.delete(plain, [1, 4], axis=2))
    added = got[:, :, 4] - plain[:, :, 4]
    assert_allclose(np.mean(np.abs(added) ** 2) / (2e-12 * 1e8 * 40e3), 1, atol=0.05)
    truth = echoes.truth(scenario)
    assert list(np.flatnonzero(truth["channel_dead_starboard"])) == [1]
    assert list(np.flatnonzero(truth["channel_noisy_starboard"])) == [4]
    assert sonar_of(scenario).element_ok is None  # nobody has told the recording


def test_errors_are_drawn_for_each_side_and_don_t_depend_on_each_other():
    table = {
        "gain_rms_db": 1.0,
        "phase_rms_deg": 10.0,
        "delay_rms_s": 1e-6,
        "position_rms_m": 1e-3,
        "dead_count": 3,
    }
    wide = dataclasses.replace(NOISY, sonar=dataclasses.replace(SONAR, n_channel=300, sides="both"))
    truth = echoes.truth(with_instrument(wide, channels=table))
    shift = true_sonars(with_instrument(wide, channels=table))
    for side in ("port", "starboard"):
        response = truth[f"channel_response_{side}"].ravel()
        live = response != 0
        assert live.sum() == 297
        # 300 values: a root mean square is known to 4 %, held to four times that.
        assert_allclose(np.std(20 * np.log10(np.abs(response[live]))), 1.0, rtol=0.17)
        assert_allclose(np.std(np.rad2deg(np.angle(response[live]))), 10, rtol=0.17)
        assert_allclose(np.std(truth[f"channel_delay_{side}_s"]), 1e-6, rtol=0.17)
        offset = shift[side].element_position_m - echoes.sonars(wide)[side].element_position_m
        assert_allclose(offset.std(axis=(0, 1)), 1e-3, rtol=0.17)
    assert abs(np.corrcoef(truth["channel_delay_port_s"], truth["channel_delay_starboard_s"])[0, 1]) < 0.2
    alone = echoes.truth(with_instrument(wide, channels={"phase_rms_deg": 10.0}))["channel_response_port"]
    both = truth["channel_response_port"]
    assert_allclose(np.angle(alone)[both != 0], np.angle(both)[both != 0])


def test_what_is_recorded_of_the_errors_is_what_was_asked_for():
    channels = {"delay_rms_s": 1e-6, "position_rms_m": 1e-3, "dead": [2]}
    told = with_instrument(NOISY, channels=channels, recorded=["positions", "delays", "dead"])
    truth, sonar = echoes.truth(told), sonar_of(told)
    assert_array_equal(sonar.element_position_m, truth["element_position_starboard_m"])
    assert_array_equal(sonar.element_delay_s, truth["channel_delay_starboard_s"])
    assert list(sonar.element_ok.ravel()) == [True, True, False, True, True, True]
    silent = sonar_of(with_instrument(NOISY, channels=channels))
    assert_array_equal(silent.element_position_m, sonar_of(NOISY).element_position_m)
    assert silent.element_delay_s is None


# --- pulse and filter -------------------------------------------------------------------------------------


def place_of(scenario, sonar):
    """Delay of the compressed peak of the first ping's first receiver, and its height."""
    (ping, _) = next(echoes.simulate(scenario, mode="reference"))
    compressor = Compressor.prepare(sonar, CompressSettings(window="none"))
    got = compressor.run(ping.echo)[0, 0]
    spectrum = np.fft.fft(got)
    fine = np.zeros(32 * got.size, complex)
    half = got.size // 2
    fine[:half], fine[-half:] = spectrum[:half], spectrum[half:]
    peak = np.abs(np.fft.ifft(fine)) * 32
    k = int(np.argmax(peak))
    return k / 32 / compressor.sample_rate_hz, peak[k]


@pytest.mark.parametrize(
    ("tables", "late_s"),
    [
        ({"filter": {"order": 4, "width_hz": 40e3}}, 20e-6),
        ({"pulse": {"resonance_q": 12.0}}, 4e-6),
        ({"filter": {"order": 2, "width_hz": 36e3}, "pulse": {"resonance_q": 10.0, "droop_db": 2.0}}, 10e-6),
    ],
)
def test_a_recorded_replica_compresses_to_the_right_place(tables, late_s):
    clean = place_of(STILL, sonar_of(STILL))
    told = with_instrument(STILL, **tables)
    known = place_of(told, sonar_of(told))
    assert abs(known[0] - clean[0]) < 0.05 / 30e3  # a twentieth of a cell
    # The recorded replica is in units of the source level, so the peak is still the target's.
    assert_allclose(known[1] / clean[1], 1, atol=0.01)
    untold = with_instrument(STILL, recorded=[], **tables)
    assert sonar_of(untold).replica is None
    unknown = place_of(untold, sonar_of(untold))
    assert unknown[0] - clean[0] > late_s  # the group delay moves the image outward
    assert unknown[1] < known[1]


def test_the_filter_is_a_butterworth_band_pass():
    flat = dataclasses.replace(STILL, targets=(), water=dataclasses.replace(NOISY.water, noise_db=80.0))
    scenario = with_instrument(flat, filter={"order": 3, "width_hz": 18e3, "centre_hz": 453e3})
    scenario = dataclasses.replace(scenario, vehicle=VehicleTable(altitude_m=6.0, n_ping=24))
    got = samples(scenario).reshape(-1, 1600)
    f, density = scipy.signal.welch(got, fs=40e3, nperseg=128, return_onesided=False, detrend=False)
    # Designed by another library from its band edges, whose geometric mean is the centre.
    edge = np.sqrt(453e3**2 + 9e3**2) + np.array([-9e3, 9e3])
    b, a = scipy.signal.butter(3, 2 * np.pi * edge, "bandpass", analog=True)
    _, wanted = scipy.signal.freqs(b, a, worN=2 * np.pi * (f + 450e3))
    level = 10 * np.log10(density.mean(axis=0) / (2e-12 * 1e8))
    inside = np.abs(wanted) > 0.1
    assert_allclose(level[inside], 20 * np.log10(np.abs(wanted[inside])), atol=0.35)


# --- transmission, pickup, jitter -------------------------------------------------------------------------


def test_ring_down_has_its_level_and_decay_and_the_switch_ends_it():
    scenario = with_instrument(STILL, transmission={"ring_db": 160.0, "ring_decay_s": 4e-4})
    ring = samples(dataclasses.replace(scenario, targets=()))
    peak_pa = np.sqrt(2) * 1e-6 * 1e8
    assert_allclose(np.abs(ring[..., :41]), peak_pa, rtol=1e-5)  # the pulse itself, 1 ms
    after = np.abs(ring[0, 0, 0, 41:160])
    assert_allclose(after, peak_pa * np.exp(-np.arange(1, 120) / 40e3 / 4e-4), rtol=1e-4)
    assert_allclose(ring[1], ring[0])  # the same in each ping
    switch = {"ring_db": 160.0, "ring_decay_s": 4e-4, "blanking_s": 2e-3}
    blanked = samples(with_instrument(dataclasses.replace(STILL, targets=()), transmission=switch))
    assert_array_equal(blanked[..., :80], 0)
    assert_allclose(np.abs(blanked[..., 80]), peak_pa * np.exp(-40 / 40e3 / 4e-4), rtol=1e-4)


def test_pickup_is_the_same_in_all_channels():
    scenario = with_instrument(
        STILL,
        receiver_sensitivity_db=-180.0,
        channels={"gain_rms_db": 3.0},
        pickup={"noise_db": 70.0, "tone_db": 130.0, "tone_hz": 455e3},
    )
    got = samples(dataclasses.replace(scenario, targets=()))
    assert_array_equal(got, np.broadcast_to(got[:, :, :1], got.shape))
    tone, noise = np.sqrt(2) * 1e-6 * 10**6.5 * 1e-3, 2e-12 * 1e7 * 40e3 * 1e-6
    wave = got[:, 0, 0] * np.exp(-2j * np.pi * 5e3 * np.arange(1600) / 40e3)
    # Noise over 1600 samples leaves the tone's mean within 1 %; its power is the rest.
    assert_allclose(np.abs(wave.mean(axis=-1)), tone, rtol=0.01)
    assert_allclose(np.var(wave, axis=-1).mean() / noise, 1, atol=0.05)


def test_jitter_of_the_clock_turns_all_channels_by_the_carrier():
    plain = samples(STILL)
    ratio = samples(with_instrument(STILL, timing={"clock_rms_s": 2e-8}))[..., 865:898] / plain[..., 865:898]
    turn = np.angle(ratio)
    assert_allclose(np.abs(ratio), 1, atol=1e-5)
    # 33 samples in 4 pings: 6 %.
    assert_allclose(turn.std(), 2 * np.pi * 450e3 * 2e-8, rtol=0.2)
    assert_allclose(turn, np.broadcast_to(turn[:, :, :1], turn.shape), atol=1e-4)


def test_jitter_of_the_trigger_moves_whole_pings_against_the_transmission():
    scenario = with_instrument(STILL, timing={"trigger_rms_s": 2e-5})
    late = echoes.truth(scenario)["trigger_delay_s"]
    assert late.std() > 5e-6
    f = np.fft.fftfreq(1600, 1 / 40e3) + 450e3
    shifted = np.fft.ifft(np.fft.fft(samples(STILL)) * np.exp(2j * np.pi * f * late[:, None, None, None]))
    got = samples(scenario)
    assert np.linalg.norm(got - shifted) < 2e-3 * np.linalg.norm(shifted)  # the record's ends wrap


def test_jitter_of_ping_times_is_in_the_recording_alone():
    scenario = with_instrument(STILL, timing={"ping_time_rms_s": 2e-3})
    pings = [ping for ping, _ in echoes.simulate(scenario)]
    truth = echoes.truth(scenario)
    error = np.array([p.time_ns for p in pings]) - truth["ping_time_ns"].astype(np.int64)
    assert_array_equal(error, truth["ping_time_error_ns"])
    assert np.abs(error).max() > 5e5
    assert_array_equal(np.array([p.echo for p in pings]), samples(STILL).astype(np.complex64))


# --- order and chance -------------------------------------------------------------------------------------

ALL = {
    "receiver_sensitivity_db": -180.0,
    "channels": {"gain_rms_db": 1.0, "delay_rms_s": 1e-7, "position_rms_m": 2e-4, "noisy": [0], "dead": [1]},
    "pulse": {"droop_db": 1.0, "resonance_q": 5.0},
    "transmission": {"ring_db": 150.0, "blanking_s": 1e-3},
    "pickup": {"noise_db": 40.0},
    "timing": {"clock_rms_s": 1e-9, "trigger_rms_s": 1e-7, "ping_time_rms_s": 1e-3},
    "filter": {"order": 3, "width_hz": 38e3},
    "gain": {"tvg_spreading": 30.0},
    "converter": {"full_scale_v": 1.0, "bits": 16, "storage": "int16"},
}


def test_bytes_depend_on_the_scenario_alone():
    both = dataclasses.replace(NOISY, sonar=dataclasses.replace(SONAR, sides="both"))
    made = Scenario.from_dict({"noise": {"wind_speed_m_s": 5.0, "preamplifier_db": 30.0}})
    scenario = dataclasses.replace(with_instrument(both, **ALL), noise=made.noise)
    whole = [p for p, _ in echoes.simulate(scenario, threads=1)]
    again = [p for p, _ in echoes.simulate(scenario, threads=3, first=2)]
    for a, b in zip(whole[4:], again, strict=True):
        assert (a.side, a.number, a.time_ns) == (b.side, b.number, b.time_ns)
        assert_array_equal(a.echo, b.echo)
    alone = dataclasses.replace(scenario, sonar=dataclasses.replace(scenario.sonar, sides="starboard"))
    for a, (b, _) in zip(whole[1::2], echoes.simulate(alone), strict=True):
        assert_array_equal(a.echo, b.echo)


def test_a_scenario_with_all_of_it_comes_back_from_its_text():
    import tomllib

    scenario = with_instrument(NOISY, **ALL)
    assert Scenario.from_dict(tomllib.loads(scenario.to_toml())) == scenario


def test_absent_tables_change_nothing():
    empty = with_instrument(NOISY)
    assert_array_equal(samples(empty), samples(NOISY))
    assert set(echoes.truth(empty)) == set(echoes.truth(NOISY))
    assert not any("channel" in name or "sounder" in name for name in echoes.truth(NOISY))
