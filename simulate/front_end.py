"""Parts of the receiving instrument that a ping's samples pass, one class for each; :mod:`receive` puts them in order."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from .channel_errors import ChannelErrors
from .listening import Listening, PingMoment, Stream, chance
from .pulse import filter_response, sent_pulse
from .scenario import Scenario

__all__ = [
    "Blanking",
    "ClockJitter",
    "Converter",
    "Dead",
    "Gains",
    "Receivers",
    "RingDown",
    "Spectral",
    "TriggerJitter",
    "pickup",
    "receiver_gain_db",
    "time_varied_gain_db",
    "trigger_delay_s",
]


@dataclass(frozen=True, slots=True, eq=False)
class RingDown:
    """The own transmission in the receivers: the same in each ping, a phase of its own in each receiver."""

    first: int
    wave: NDArray[np.complex64]
    """(row, channel, sample)"""

    @classmethod
    def plan(cls, scenario: Scenario, listening: Listening) -> RingDown | None:
        """Make the wave: the pulse as it is sent, then a decaying tone that goes on from its last phase."""
        table = scenario.instrument.transmission
        if table.ring_db is None:
            return None
        pulse = sent_pulse(scenario)[: int(scenario.sonar.pulse_duration_s * listening.sample_rate_hz) + 1]
        delay = listening.delay_s
        # Times that aren't whole samples after the start of transmission are met within half a sample.
        index = np.rint(delay * listening.sample_rate_hz).astype(int)
        resonance = scenario.instrument.pulse.resonance_hz if scenario.instrument.pulse.resonance_q else None
        sonar = listening.sonar
        tone = (resonance or sonar.frequency_stop_hz) - sonar.centre_frequency_hz
        since = np.maximum(index - (pulse.size - 1), 0) / listening.sample_rate_hz
        wave = pulse[np.clip(index, 0, pulse.size - 1)]
        wave = wave * np.exp((2j * np.pi * tone - 1 / table.ring_decay_s) * since) * (index >= 0)
        heard = np.flatnonzero(np.abs(wave) > 1e-7)
        if not heard.size:
            return None
        rng = chance(scenario.seed, Stream.RING, int(sonar.side == "starboard"))
        phase = np.exp(2j * np.pi * rng.random(listening.shape[:2]))
        peak_pa = np.sqrt(2) * 1e-6 * 10 ** (table.ring_db / 20)
        wave = peak_pa * phase[..., None] * wave[heard[0] : heard[-1] + 1]
        return cls(int(heard[0]), wave.astype(np.complex64))

    def run(self, samples: NDArray[np.complex64], ping: PingMoment) -> None:
        """Add it to one ping."""
        samples[..., self.first : self.first + self.wave.shape[-1]] += self.wave


@dataclass(frozen=True, slots=True, eq=False)
class Blanking:
    """The switch before the preamplifiers."""

    n_sample: int

    @classmethod
    def plan(cls, scenario: Scenario, listening: Listening) -> Blanking | None:
        """Count the samples that it blanks."""
        n = int(np.count_nonzero(listening.delay_s < scenario.instrument.transmission.blanking_s))
        return cls(n) if scenario.instrument.transmission.blanking_s and n else None

    def run(self, samples: NDArray[np.complex64], ping: PingMoment) -> None:
        """Let no sound through."""
        samples[..., : self.n_sample] = 0


@dataclass(frozen=True, slots=True, eq=False)
class Receivers:
    """Gain and phase errors of single receivers with their preamplifiers, and the sensitivity of all."""

    factor: NDArray[np.complex64]
    """(row, channel, 1)"""

    @classmethod
    def plan(cls, scenario: Scenario, errors: ChannelErrors) -> Receivers | None:
        """Make the factors; delays are left to a filter, and the dead to the end of the way."""
        factor = 10 ** (errors.gain_db / 20) * np.exp(1j * errors.phase_rad)
        if (factor == 1).all():
            return None
        return cls(factor[..., None].astype(np.complex64))

    def run(self, samples: NDArray[np.complex64], ping: PingMoment) -> None:
        """Change one ping."""
        samples *= self.factor


@dataclass(frozen=True, slots=True, eq=False)
class Scale:
    """A constant factor, such as volts for a pascal."""

    factor: np.float32

    def run(self, samples: NDArray[np.complex64], ping: PingMoment) -> None:
        """Scale one ping."""
        samples *= self.factor


@dataclass(frozen=True, slots=True, eq=False)
class Spectral:
    """A filter, by its response at the frequencies of the samples' transform."""

    response: NDArray[np.complex64]
    """(sample,) or (row, channel, sample)"""

    @classmethod
    def delays(cls, listening: Listening, errors: ChannelErrors) -> Spectral | None:
        """Return the delays of single receivers: wave and envelope."""
        if not errors.delay_s.any():
            return None
        turn = -2j * np.pi * listening.frequency_hz * errors.delay_s[..., None]
        return cls(np.exp(turn).astype(np.complex64))

    @classmethod
    def front_end(cls, scenario: Scenario, listening: Listening) -> Spectral | None:
        """Return the front-end filter."""
        if not scenario.instrument.filter.order:
            return None
        return cls(filter_response(scenario, listening.frequency_hz).astype(np.complex64))

    def run(self, samples: NDArray[np.complex64], ping: PingMoment) -> None:
        """Filter one ping; what wraps around stays in the margins."""
        spectrum = scipy.fft.fft(samples, axis=-1, workers=1)
        spectrum *= self.response
        samples[...] = scipy.fft.ifft(spectrum, axis=-1, workers=1, overwrite_x=True)


@dataclass(frozen=True, slots=True, eq=False)
class TriggerJitter:
    """The first sample comes late against the start of transmission, by another time in each ping."""

    rms_s: float
    frequency_hz: NDArray[np.float64]

    @classmethod
    def plan(cls, scenario: Scenario, listening: Listening) -> TriggerJitter | None:
        """Return the jitter that is asked for."""
        rms = scenario.instrument.timing.trigger_rms_s
        return cls(rms, listening.frequency_hz) if rms else None

    def run(self, samples: NDArray[np.complex64], ping: PingMoment) -> None:
        """Shift one ping: a late trigger makes all echoes come early."""
        early = trigger_delay_s(ping.seed, ping.number, self.rms_s)
        turn = np.exp(2j * np.pi * self.frequency_hz * early).astype(np.complex64)
        Spectral(turn).run(samples, ping)


def trigger_delay_s(seed: int, number: int, rms_s: float) -> float:
    """By how much a ping's samples are late; the same on both sides, which one trigger starts. [s]"""
    return float(rms_s * chance(seed, Stream.TRIGGER, number).standard_normal())


@dataclass(frozen=True, slots=True, eq=False)
class ClockJitter:
    """Each sampling instant is off by a time of its own, the same in all channels.

    Only the carrier's phase is turned: the envelope changes by less than the bandwidth over the carrier of that.
    """

    radian_rms: np.float32

    @classmethod
    def plan(cls, scenario: Scenario) -> ClockJitter | None:
        """Return the jitter that is asked for."""
        rms = scenario.instrument.timing.clock_rms_s
        return cls(np.float32(2 * np.pi * scenario.sonar.centre_frequency_hz * rms)) if rms else None

    def run(self, samples: NDArray[np.complex64], ping: PingMoment) -> None:
        """Turn the samples of one ping."""
        angle = ping.chance(Stream.CLOCK).standard_normal(samples.shape[-1], dtype=np.float32)
        samples *= np.exp(1j * self.radian_rms * angle).astype(np.complex64)


@dataclass(frozen=True, slots=True, eq=False)
class Pickup:
    """The same disturbance in all channels."""

    noise_rms: np.float32
    """Of either part; 0: none."""
    tone: NDArray[np.complex128] | None
    """(sample,) at time zero."""
    tone_hz: float

    def run(self, samples: NDArray[np.complex64], ping: PingMoment) -> None:
        """Add it to one ping."""
        if self.noise_rms:
            rng = ping.chance(Stream.PICKUP)
            pair = rng.standard_normal(2 * samples.shape[-1], dtype=np.float32) * self.noise_rms
            samples += pair.view(np.complex64)
        if self.tone is not None:
            begin = np.modf(self.tone_hz * ping.time_s)[0]
            samples += (self.tone * np.exp(2j * np.pi * begin)).astype(np.complex64)


def pickup(scenario: Scenario, listening: Listening, volts_per_pascal: float) -> Pickup | None:
    """Return the pickup that is asked for, in the units that the samples have behind the preamplifiers."""
    table = scenario.instrument.pickup
    if table.noise_db is None and table.tone_db is None:
        return None
    rms, tone, tone_hz = 0.0, None, table.tone_hz or scenario.sonar.centre_frequency_hz
    if table.noise_db is not None:
        rms = np.sqrt(10 ** (table.noise_db / 10) * 1e-12 * listening.sample_rate_hz) * volts_per_pascal
    if table.tone_db is not None:
        peak = np.sqrt(2) * 1e-6 * 10 ** (table.tone_db / 20) * volts_per_pascal
        off = tone_hz - scenario.sonar.centre_frequency_hz
        tone = peak * np.exp(2j * np.pi * off * listening.delay_s)
    return Pickup(np.float32(rms), tone, tone_hz)


def receiver_gain_db(scenario: Scenario, number: int) -> float:
    """Receivers' gain of a ping. [dB]"""
    table = scenario.instrument.gain
    gain = table.receiver_gain_db
    for step in table.steps:
        if number >= step.from_ping:
            gain = step.receiver_gain_db
    return gain


def time_varied_gain_db(
    scenario: Scenario, delay_s: NDArray[np.float64], absorption_db_m: float
) -> NDArray[np.float64] | None:
    """Gain against the delay: ``k log10(r / r0) + 2 a (r - r0)`` between its bounds; None: none. [dB]"""
    table = scenario.instrument.gain
    if table.tvg_spreading is None:
        return None
    absorbed = absorption_db_m if table.tvg_absorption_db_m is None else table.tvg_absorption_db_m
    slant = np.maximum(scenario.sound_speed_m_s * delay_s / 2, 1e-6)
    gain = table.tvg_spreading * np.log10(slant / table.tvg_from_m)
    gain += 2 * absorbed * (slant - table.tvg_from_m)
    return np.clip(gain, table.tvg_least_db, table.tvg_greatest_db)


@dataclass(frozen=True, slots=True, eq=False)
class Gains:
    """Receivers' gain and time-varied gain."""

    scenario: Scenario
    curve: NDArray[np.float32] | None
    """(sample,) factor of the time-varied gain."""

    @classmethod
    def plan(cls, scenario: Scenario, listening: Listening, absorption_db_m: float) -> Gains | None:
        """Return the gains that are asked for."""
        table = scenario.instrument.gain
        gain_db = time_varied_gain_db(scenario, listening.delay_s, absorption_db_m)
        if gain_db is None and not table.receiver_gain_db and not table.steps:
            return None
        return cls(scenario, None if gain_db is None else (10 ** (gain_db / 20)).astype(np.float32))

    def run(self, samples: NDArray[np.complex64], ping: PingMoment) -> None:
        """Amplify one ping."""
        gain = np.float32(10 ** (receiver_gain_db(self.scenario, ping.number) / 20))
        samples *= gain if self.curve is None else gain * self.curve


@dataclass(frozen=True, slots=True, eq=False)
class Dead:
    """Receivers that give nothing."""

    dead: NDArray[np.bool_]

    @classmethod
    def plan(cls, errors: ChannelErrors) -> Dead | None:
        """Return the dead ones."""
        return cls(errors.dead) if errors.dead.any() else None

    def run(self, samples: NDArray[np.complex64], ping: PingMoment) -> None:
        """Silence them."""
        samples[self.dead] = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Converter:
    """Clipping and rounding of the real and the imaginary part to whole steps, volts to stored numbers.

    Real converters sample the wave itself and mix afterwards; their noise then spreads over a wider band. Here the parts
    at baseband are converted at the stored rate: a step q gives each of them an error of q^2 / 12.
    """

    step_v: float
    """Volts in a stored number; 1 where nothing is rounded."""
    greatest: float
    """Greatest stored size of either part."""
    rounds: bool

    @classmethod
    def of(cls, scenario: Scenario) -> Converter | None:
        """Return the converter that a scenario describes; None where it has no limits."""
        table = scenario.instrument.converter
        if table.full_scale_v is None:
            return None
        if table.bits is None:
            return cls(step_v=1.0, greatest=table.full_scale_v, rounds=False)
        half = 2 ** (table.bits - 1)
        return cls(step_v=table.full_scale_v / half, greatest=half - 1.0, rounds=True)

    def run(self, samples: NDArray[np.complex64], ping: PingMoment) -> None:
        """Convert one ping."""
        parts = samples.view(np.float32)
        if self.rounds:
            parts *= np.float32(1 / self.step_v)
            np.rint(parts, out=parts)
        np.clip(parts, -self.greatest, self.greatest, out=parts)
