"""``pingloom noise``: found levels beside those meant, a picture, refusals."""

from __future__ import annotations

import pytest

from .conftest import say

SCENARIO = """
title = "Noise (invented place)"
[sonar]
n_channel = 8
centre_frequency_hz = 100e3
range_stop_m = 20.0
[vehicle]
n_ping = 6
altitude_m = 5.0
[noise]
thermal = "mellen"
wind_speed_m_s = 5.0
preamplifier_nv = 2.0
[instrument]
receiver_sensitivity_db = -200.0
[instrument.gain]
tvg_spreading = 20.0
[instrument.filter]
order = 2
width_hz = 44e3
"""


def test_each_kind_and_the_recording_have_their_levels(tmp_path) -> None:
    path, picture = tmp_path / "s.toml", tmp_path / "noise.png"
    path.write_text(SCENARIO)
    said = say("noise", path, "-o", picture, "--json")
    assert said.code == 0, said.err
    kinds = {row["kind"]: row for row in said.data["kinds"]}
    assert set(kinds) == {"thermal", "wind", "preamplifier", "as recorded"}
    # Published values at 100 kHz: 25.00 (Mellen), 26.70 (wind of 5 m/s), dB re 1 uPa^2/Hz; 2 nV at -200 dB: 26.02.
    assert kinds["thermal"]["meant_at_centre_db"] == pytest.approx(25.00, abs=0.01)
    assert kinds["wind"]["meant_at_centre_db"] == pytest.approx(26.70, abs=0.01)
    assert kinds["preamplifier"]["meant_at_centre_db"] == pytest.approx(26.02, abs=0.01)
    for row in kinds.values():
        # 32 pings x 8 channels x 900 samples and more: 0.01 dB over the band.
        assert row["found_in_band_db"] == pytest.approx(row["meant_in_band_db"], abs=0.06)
        assert row["largest_difference_db"] < 0.5
    together = 10**2.5 + 10**2.67 + 10**2.602
    assert 10 ** (kinds["as recorded"]["meant_at_centre_db"] / 10) == pytest.approx(together, rel=0.01)
    assert picture.stat().st_size > 10_000
    say("noise", path, "-o", picture).refused("exists", "--overwrite")


def test_a_scenario_without_noise_is_refused_a_table(tmp_path) -> None:
    (tmp_path / "s.toml").write_text("[water]\nnoise = false\n[vehicle]\naltitude_m = 5.0\n")
    say("noise", tmp_path / "s.toml").refused("no noise with a spectrum", "[noise]")
