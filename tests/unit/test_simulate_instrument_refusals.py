"""Noise, bubbles and instruments that can't be, refused by name before a ping is made."""

from __future__ import annotations

import pytest

from pingloom.imaging.errors import ParameterError
from pingloom.simulate.scenario import Scenario

VOLTS = {"receiver_sensitivity_db": -180.0}
FACE = {"kind": "face", "start_s": 1.0, "stop_s": 2.0, "loss_db": 3.0}
WAKE = {"kind": "wake", "along_m": 1.0, "width_m": 2.0, "loss_db_m": 1.0}
SOUNDER = {"ping_rate_hz": 2.0, "frequency_hz": 450e3, "level_db": 120.0}


@pytest.mark.parametrize(
    ("tables", "message"),
    [
        ({"noise": {"thermal": "melen"}}, "noise.thermal is 'melen'; allowed: .*did you mean 'mellen'"),
        (
            {"noise": {"thermal": "mellen"}, "water": {"noise_db": 50.0}},
            "noise.thermal is 'mellen' beside water.noise_db = 50; allowed: flat",
        ),
        ({"noise": {"thermal": "mellen"}, "water": {"noise": False}}, "beside water.noise = false"),
        (
            {"noise": {"preamplifier_nv": 3.0}},
            "preamplifier_nv is 3 without instrument.receiver_sensitivity_db",
        ),
        ({"noise": {"preamplifier_nv": 3.0, "preamplifier_db": 40.0}}, "beside preamplifier_db"),
        ({"noise": {"wind_speed_m_s": -1.0}}, "noise.wind_speed_m_s is -1; allowed: from 0 to 100"),
        (
            {"noise": {"tones": [{"frequency_hz": 471e3, "level_db": 90.0}]}},
            r"noise.tones\[0\].frequency_hz is 471000; allowed: from 430000 to 470000, inside the sampled band",
        ),
        (
            {"noise": {"sounders": [SOUNDER | {"sweep_hz": 50e3}]}},
            r"noise.sounders\[0\].frequency_hz is 450000; allowed: from 450000 to 450000",
        ),
        (
            {"noise": {"sounders": [SOUNDER | {"pulse_duration_s": 0.6}]}},
            "pulse_duration_s is 0.6; allowed: at most 0.5, until the next pulse",
        ),
        (
            {"noise": {"sounders": [SOUNDER | {"levl_db": 1.0}]}},
            "no setting 'levl_db'; did you mean 'level_db'",
        ),
        ({"bubbles": [{"kind": "face", "start_s": 1.0, "stop_s": 2.0}]}, "of kind 'face' lack loss_db"),
        ({"bubbles": [FACE | {"width_m": 2.0}]}, "of kind 'face' can't have width_m"),
        ({"bubbles": [FACE | {"stop_s": 0.5}]}, "bubbles.stop_s is 0.5; allowed: above start_s = 1"),
        ({"bubbles": [FACE | {"start_s": 20.0, "stop_s": 30.0}]}, "times within the line of 9 s"),
        (
            {"bubbles": [WAKE | {"depth_m": 40.0}]},
            r"bubbles\[0\].depth_m is 40; allowed: at most the seabed's depth, 16",
        ),
        (
            {"instrument": {"transmission": {"blanking_s": 0.08}}},
            "blanking_s is 0.08; allowed: below the last sample's delay, 0.08. Nothing would be heard",
        ),
        (
            {"instrument": {"transmission": {"ring_db": 150.0}}, "sonar": {"range_start_m": 20.0}},
            "ring_db is 150, with the first sample",
        ),
        (
            {"instrument": {"channels": {"dead": list(range(31))}}},
            "channels.dead is 31 of 32 receivers; allowed: at most 30, so that two live",
        ),
        ({"instrument": {"channels": {"dead_count": 32}}}, "channels.dead_count is 32 of 32 receivers"),
        ({"instrument": {"channels": {"dead": [32]}}}, r"dead is \[32\]; allowed: numbers from 0 to 31"),
        ({"instrument": {"channels": {"noisy": [3, 3]}}}, r"noisy is \[3, 3\]; allowed: .*each once"),
        ({"instrument": {"channels": {"noisy_count": 33}}}, "noisy_count is 33; allowed: at most the 32"),
        (
            {"instrument": {"channels": {"gain_db": [1.0, 2.0]}}},
            "gain_db is of 2 values; allowed: 32, one for each",
        ),
        (
            {"instrument": {"channels": {"dead": [1], "dead_count": 2}}},
            "channels.dead is given beside dead_count; allowed: one of the two",
        ),
        ({"instrument": {"channels": {"delay_s": [2e-3] * 32}}}, "delay_s is 0.002 somewhere"),
        ({"instrument": {"channels": {"position_rms_m": 0.01}}}, "or receivers change places"),
        (
            {"instrument": {"channels": {"position_m": [[0, 0, 0], [-0.02, 0, 0]] + [[0, 0, 0]] * 30}}},
            r"position_m\[1\] is -0.02 forward after 0; allowed: receivers in their order",
        ),
        (
            {"instrument": VOLTS | {"converter": {"bits": 12}}},
            "bits is 12 without full_scale_v; allowed: both",
        ),
        ({"instrument": VOLTS | {"converter": {"storage": "int16"}}}, "storage is int16 without bits"),
        (
            {"instrument": VOLTS | {"converter": {"storage": "int16", "bits": 18, "full_scale_v": 1.0}}},
            "bits is 18; allowed: at most 16 for int16",
        ),
        (
            {"instrument": {"converter": {"full_scale_v": 1.0}}},
            "full_scale_v is 1 without instrument.receiver_sensitivity_db",
        ),
        ({"instrument": {"filter": {"order": 4}}}, "filter.width_hz is absent"),
        ({"instrument": {"filter": {"width_hz": 3e4}}}, "filter.order is 0; allowed: from 1 to 12"),
        (
            {"instrument": {"filter": {"order": 2, "width_hz": 3e4, "centre_hz": 5e5}}},
            "filter.centre_hz is 500000",
        ),
        ({"instrument": {"pulse": {"resonance_hz": 4e5}}}, "resonance_hz is 400000 without resonance_q"),
        (
            {"instrument": {"pulse": {"resonance_hz": 4e4, "resonance_q": 8.0}}},
            "resonance_hz is 40000; allowed: from 225000 to 900000",
        ),
        ({"instrument": {"pickup": {"tone_hz": 4e5}}}, "tone_hz is 400000 without tone_db"),
        (
            {"instrument": {"pickup": {"tone_hz": 4e5, "tone_db": 60.0}}},
            "pickup.tone_hz is 400000; allowed: from 430000",
        ),
        ({"instrument": {"timing": {"ping_time_rms_s": 0.02}}}, "or pings change places"),
        (
            {"instrument": {"gain": {"tvg_least_db": 30.0, "tvg_greatest_db": 20.0}}},
            "tvg_least_db is 30; allowed: below tvg_greatest_db = 20",
        ),
        (
            {"instrument": {"gain": {"steps": [{"from_ping": 100, "receiver_gain_db": 3.0}]}}},
            "from_ping is 100; allowed: below the number of pings, 100",
        ),
        (
            {
                "instrument": {
                    "gain": {
                        "steps": [
                            {"from_ping": 5, "receiver_gain_db": 3.0},
                            {"from_ping": 5, "receiver_gain_db": 6.0},
                        ]
                    }
                }
            },
            "steps in the order of their pings",
        ),
        ({"instrument": {"recorded": ["pulses"]}}, "instrument.recorded.* is 'pulses'"),
    ],
)
def test_contradictions_are_refused_by_name(tables, message):
    with pytest.raises(ParameterError, match=message):
        Scenario.from_dict(tables)
