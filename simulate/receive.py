"""The way of a ping's sound through the instrument, in the order in which it meets its parts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.records import Sonar

from . import front_end, noise
from .bubbles import FaceScreen, face_loss
from .channel_errors import ChannelErrors
from .listening import Effect, Listening, PingMoment, margin_for
from .pulse import filter_settling_s
from .scenario import Scenario
from .sounders import sounders

__all__ = ["Receiver", "margin_samples", "volts_per_pascal"]

_SMEAR = 32  # samples over which a shift by a part of a sample reaches, at -40 dB
_SIGMAS = 6.0


def volts_per_pascal(scenario: Scenario) -> float:
    """Volts for a pascal at a receiver; 1 where the recording is in pascals."""
    sensitivity = scenario.instrument.receiver_sensitivity_db
    return 1.0 if sensitivity is None else 1e6 * 10 ** (sensitivity / 20)


def margin_samples(scenario: Scenario, n_sample: int) -> int:
    """Samples before and after the record that filters and shifts need; 0 where there are none."""
    table = scenario.instrument
    given = max((abs(delay) for delay in table.channels.delay_s), default=0.0)
    shift = max(given, _SIGMAS * table.channels.delay_rms_s) + _SIGMAS * table.timing.trigger_rms_s
    settling = filter_settling_s(scenario)
    if not shift and not settling:
        return 0
    return margin_for(n_sample, _SMEAR + int(np.ceil((shift + settling) * scenario.sonar.sample_rate_hz)))


@dataclass(frozen=True, slots=True, eq=False)
class Receiver:
    """One side's instrument, planned once."""

    listening: Listening
    effects: tuple[Effect, ...]

    @classmethod
    def of(cls, scenario: Scenario, sonar: Sonar, absorption_db_m: float) -> Receiver:
        """Plan the instrument of one side; ``sonar`` as it really is. Parts that do nothing are left out."""
        listening = Listening(sonar, margin_samples(scenario, sonar.n_sample))
        errors = ChannelErrors.of(scenario, sonar.side)
        volts = volts_per_pascal(scenario)
        loss, delay = face_loss(scenario), listening.delay_s
        screen = () if loss is None else (loss, delay, sonar.pulse_duration_s / 2)
        effects = (
            # In the water, in pascals.
            FaceScreen(*screen, "out") if screen else None,
            noise.wind_noise(scenario, listening),
            sounders(scenario, listening),
            FaceScreen(*screen, "in") if screen else None,
            # The vehicle itself, inside its bubbles.
            noise.self_noise(scenario, listening),
            noise.tones(scenario, listening),
            front_end.RingDown.plan(scenario, listening),
            noise.thermal_noise(scenario, listening),
            noise.flat_noise(scenario, listening),
            front_end.Blanking.plan(scenario, listening),
            # Receivers and preamplifiers.
            noise.preamplifier_noise(scenario, listening),
            noise.noisy_receivers(scenario, listening, errors.noisy),
            front_end.Receivers.plan(scenario, errors),
            front_end.Spectral.delays(listening, errors),
            # Behind them, in volts.
            front_end.Scale(np.float32(volts)) if volts != 1 else None,
            front_end.pickup(scenario, listening, volts),
            front_end.Spectral.front_end(scenario, listening),
            front_end.TriggerJitter.plan(scenario, listening),
            front_end.ClockJitter.plan(scenario),
            front_end.Gains.plan(scenario, listening, absorption_db_m),
            front_end.Dead.plan(errors),
            front_end.Converter.of(scenario),
        )
        return cls(listening, tuple(e for e in effects if e is not None))

    def run(self, pressure: NDArray[np.complex64], ping: PingMoment) -> NDArray[np.complex64]:
        """Return what is stored of one ping, (row, channel, n_sample).

        Parameters
        ----------
        pressure : ndarray of complex64, shape (row, channel, n_sample + 2 margin)
            Echoes at the receivers; used up. [Pa]
        """
        for effect in self.effects:
            effect.run(pressure, ping)
        return np.ascontiguousarray(self.listening.record(pressure))
