"""What is really wrong with an instrument and its water, as named arrays to hold estimators against."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .bubbles import face_loss, wakes
from .channel_errors import ChannelErrors
from .front_end import trigger_delay_s
from .instrument import true_sonars
from .instrument_tables import ChannelTable
from .listening import Listening, PingMoment
from .motion import Track
from .ping_times import ping_times_ns, recorded_times_ns, seconds_from_start
from .pulse import is_ideal, sent_pulse
from .scenario import Scenario
from .sounders import sounders

__all__ = ["instrument_truth"]


def instrument_truth(scenario: Scenario) -> dict[str, NDArray[Any]]:
    """Return the errors that were put in; only those that a scenario asks for.

    Returns
    -------
    dict of str to ndarray
        For each side, where single receivers are wrong: ``channel_response_<side>`` (row, channel) complex, gain and
        phase, 0 where dead; ``channel_delay_<side>_s`` (row, channel); ``element_position_<side>_m`` (row, channel, 3);
        ``channel_dead_<side>``, ``channel_noisy_<side>`` (row, channel) 0 or 1. Where the pulse isn't the ideal sweep:
        ``sent_pulse`` (n,) complex. Where there are other sounders: ``sounder_<side>`` (pulse, 4) number of the ping,
        number of the sounder, delay of the pulse's start at the array's centre [s], level [dB re 1 uPa rms]. Where
        there are bubbles: ``face_loss_db`` (ping,) on one passage, at the transmission; ``wake_loss_<side>_db`` (ping,) both
        ways, to the seabed abeam at half the sonar's range. With jitter: ``trigger_delay_s`` (ping,),
        ``ping_time_error_ns`` (ping,) recorded less true.
    """
    out: dict[str, NDArray[Any]] = {}
    for side in scenario.sonar.side_names:
        out |= _channels(scenario, side)
        out |= _sounders(scenario, side)
        out |= _wakes(scenario, side)
    if not is_ideal(scenario) and scenario.instrument.pulse != type(scenario.instrument.pulse)():
        out["sent_pulse"] = sent_pulse(scenario)
    seconds = seconds_from_start(scenario, ping_times_ns(scenario))
    loss = face_loss(scenario)
    if loss is not None:
        out["face_loss_db"] = loss.loss_db(seconds + scenario.sonar.pulse_duration_s / 2)
    timing = scenario.instrument.timing
    if timing.trigger_rms_s:
        late = [trigger_delay_s(scenario.seed, n, timing.trigger_rms_s) for n in range(seconds.size)]
        out["trigger_delay_s"] = np.array(late)
    if timing.ping_time_rms_s:
        logged, true = (f(scenario).astype(np.int64) for f in (recorded_times_ns, ping_times_ns))
        out["ping_time_error_ns"] = logged - true
    return out


def _channels(scenario: Scenario, side: str) -> dict[str, NDArray[Any]]:
    if scenario.instrument.channels == ChannelTable():
        return {}
    errors = ChannelErrors.of(scenario, side)
    return {
        f"channel_response_{side}": errors.response,
        f"channel_delay_{side}_s": errors.delay_s,
        f"element_position_{side}_m": true_sonars(scenario)[side].element_position_m,
        f"channel_dead_{side}": errors.dead.astype(np.uint8),
        f"channel_noisy_{side}": errors.noisy.astype(np.uint8),
    }


def _sounders(scenario: Scenario, side: str) -> dict[str, NDArray[Any]]:
    if not scenario.noise.sounders:
        return {}
    heard = sounders(scenario, Listening(true_sonars(scenario)[side], 0))
    rows = []
    if heard is not None:
        seconds = seconds_from_start(scenario, ping_times_ns(scenario))
        for number, time_s in enumerate(seconds):
            ping = PingMoment(scenario.seed, side, number, float(time_s))
            rows += [(number, *arrival) for arrival in heard.arrivals(ping)]
    return {f"sounder_{side}": np.array(rows, dtype=np.float64).reshape(-1, 4)}


def _wakes(scenario: Scenario, side: str) -> dict[str, NDArray[Any]]:
    found = wakes(scenario)
    if not found:
        return {}
    track = Track.of(scenario)
    seconds = seconds_from_start(scenario, ping_times_ns(scenario))
    slant = scenario.sonar.range_stop_m / 2
    aside = np.sqrt(max(slant**2 - scenario.altitude_m**2, 0.0)) * (-1 if side == "port" else 1)
    total = np.ones(seconds.size)
    for i, time_s in enumerate(seconds):
        place, heading = track.position(time_s), track.angles(time_s)[0]
        end = place + np.array([-aside * np.sin(heading), aside * np.cos(heading), scenario.altitude_m])
        for wake in found:
            total[i] *= wake.factor(end[:, None], place, place)[0]
    return {f"wake_loss_{side}_db": -20 * np.log10(np.maximum(total, 1e-30))}
