"""Noise, bubbles and faults of the instrument one by one, as tables to lay over a scenario that has none of them.

Each is strong enough to show in an image of a 450 kHz sonar and weak enough to leave one. Levels are invented.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pingloom.simulate.scenario import Scenario

__all__ = ["INSTRUMENT_MECHANISMS", "with_mechanism"]

_PULSE = {"droop_db": 3.0, "quadratic_phase_deg": 90.0, "ripple_phase_deg": 20.0, "resonance_q": 10.0}
_FILTER = {"order": 4, "width_hz": 32e3}
_CURVE = {"tvg_spreading": 30.0, "tvg_from_m": 6.0}
_VOLTS = {"receiver_sensitivity_db": -180.0, "gain": _CURVE}
_OTHER = {
    "ping_rate_hz": 9.7,
    "frequency_hz": 455e3,
    "pulse_duration_s": 3e-3,
    "level_db": 130.0,
    "from_deg": 75.0,
}
_STEPS = [{"from_ping": 20, "receiver_gain_db": 0.0}, {"from_ping": 45, "receiver_gain_db": 20.0}]

INSTRUMENT_MECHANISMS: dict[str, Mapping[str, Any]] = {
    "wind of 10 m/s": {"noise": {"wind_speed_m_s": 10.0}},
    "preamplifier of 60 dB": {"noise": {"preamplifier_db": 60.0}},
    "self-noise from astern, 60 dB": {"noise": {"self_noise_db": 60.0, "self_noise_from_deg": 180.0}},
    "tone of 110 dB": {"noise": {"tones": [{"frequency_hz": 446e3, "level_db": 110.0}]}},
    "another sounder, 130 dB": {"noise": {"sounders": [_OTHER]}},
    "bubbles at the face, 6 dB": {
        "bubbles": [{"kind": "face", "start_s": 1.2, "stop_s": 2.2, "loss_db": 6.0}]
    },
    "wake, 0.4 dB/m": {"bubbles": [{"kind": "wake", "along_m": 3.0, "width_m": 1.5, "loss_db_m": 0.4}]},
    "gains, 1 dB rms": {"instrument": {"channels": {"gain_rms_db": 1.0}}},
    "phases, 20 degrees rms": {"instrument": {"channels": {"phase_rms_deg": 20.0}}},
    "delays, 0.2 us rms": {"instrument": {"channels": {"delay_rms_s": 2e-7}}},
    "positions, 0.3 mm rms": {"instrument": {"channels": {"position_rms_m": 3e-4}}},
    "three dead receivers": {"instrument": {"channels": {"dead_count": 3}}},
    "a noisy receiver, 75 dB": {"instrument": {"channels": {"noisy_count": 1, "noisy_db": 75.0}}},
    "pickup of 60 dB": {"instrument": {"pickup": {"noise_db": 60.0}}},
    "clock jitter, 20 ns": {"instrument": {"timing": {"clock_rms_s": 2e-8}}},
    "trigger jitter, 5 us": {"instrument": {"timing": {"trigger_rms_s": 5e-6}}},
    "ping times off, 7 ms": {"instrument": {"timing": {"ping_time_rms_s": 7e-3}}},
    "pulse wrong, recorded": {"instrument": {"pulse": _PULSE}},
    "pulse wrong, not recorded": {"instrument": {"recorded": [], "pulse": _PULSE}},
    "filter, recorded": {"instrument": {"filter": _FILTER}},
    "filter, not recorded": {"instrument": {"recorded": [], "filter": _FILTER}},
    "ring-down of 180 dB": {"instrument": {"transmission": {"ring_db": 180.0, "ring_decay_s": 3e-4}}},
    "gain steps and time-varied gain": {"instrument": {"gain": {**_CURVE, "steps": _STEPS}}},
    "six bits": {"instrument": {**_VOLTS, "converter": {"full_scale_v": 0.02, "bits": 6}}},
    "clipping": {"instrument": {**_VOLTS, "converter": {"full_scale_v": 2.5e-3, "bits": 12}}},
}


def with_mechanism(scenario: Scenario, name: str) -> Scenario:
    """Return a scenario with one of :data:`INSTRUMENT_MECHANISMS`; its other tables stay as they are."""
    return Scenario.from_dict({**scenario.to_dict(), **INSTRUMENT_MECHANISMS[name]})
