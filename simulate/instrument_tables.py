"""The tables of a scenario that describe the instrument behind the nominal sonar: what each part does wrong.

All is off unless asked for. The recording describes the nominal instrument; what it knows of the errors is said by
``instrument.recorded``, and the truth holds them all.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Literal

from ._checks import above_zero, refuse, within

__all__ = [
    "ChannelTable",
    "ConverterTable",
    "FilterTable",
    "GainStep",
    "GainTable",
    "InstrumentTable",
    "PickupTable",
    "PulseTable",
    "TimingTable",
    "TransmissionTable",
]


def _one_of(table: str, owner: object, chosen: str, drawn: str) -> None:
    """Refuse a list beside the rule by which it would be drawn."""
    if getattr(owner, chosen) and getattr(owner, drawn):
        refuse(f"{table}.{chosen}", f"given beside {drawn}", "one of the two", "Leave one out.")


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelTable:
    """Errors of single receivers: drawn from the seed, Gaussian, for each side anew; or given, for both sides alike.

    Lists have a value for each receiver, row after row from the bottom, each from aft to fore; so count the numbers
    of dead and noisy ones, from 0.
    """

    gain_rms_db: float = 0.0
    """Root mean square of the receivers' gains."""
    phase_rms_deg: float = 0.0
    """Root mean square of their phases."""
    delay_rms_s: float = 0.0
    """Root mean square of their delays, of wave and envelope: the carrier is as late."""
    position_rms_m: float = 0.0
    """Root mean square of their places on each axis. Off the array's line the simulator follows each receiver on its own,
    some five times as long."""
    gain_db: tuple[float, ...] = ()
    """In place of drawn ones."""
    phase_deg: tuple[float, ...] = ()
    """Of the receiver's signal against what it should be; positive is ahead."""
    delay_s: tuple[float, ...] = ()
    """Positive is late."""
    position_m: tuple[tuple[float, float, float], ...] = ()
    """Offsets forward, starboard, down; those of the starboard side, mirrored to port."""
    dead_count: int = 0
    """How many are dead, drawn for each side."""
    dead: tuple[int, ...] = ()
    """Which ones are dead: their samples are zero."""
    noisy_count: int = 0
    """How many are noisy, drawn for each side."""
    noisy: tuple[int, ...] = ()
    """Which ones are noisy."""
    noisy_db: float = 70.0
    """What noisy receivers add: spectrum level, dB re 1 uPa^2/Hz."""

    def __post_init__(self) -> None:
        within("instrument.channels", self, 0, 20, "gain_rms_db")
        within("instrument.channels", self, 0, 180, "phase_rms_deg")
        within("instrument.channels", self, 0, 1e-3, "delay_rms_s")
        within("instrument.channels", self, 0, 0.1, "position_rms_m")
        within("instrument.channels", self, 0, 1e6, "dead_count", "noisy_count")
        within("instrument.channels", self, -50, 200, "noisy_db")
        for chosen, drawn in (
            ("gain_db", "gain_rms_db"),
            ("phase_deg", "phase_rms_deg"),
            ("delay_s", "delay_rms_s"),
            ("position_m", "position_rms_m"),
            ("dead", "dead_count"),
            ("noisy", "noisy_count"),
        ):
            _one_of("instrument.channels", self, chosen, drawn)
        if any(abs(value) > 1e-3 for value in self.delay_s):
            worst = max(self.delay_s, key=abs)
            refuse("instrument.channels.delay_s", f"{worst:g} somewhere", "from -0.001 to 0.001")


@dataclass(frozen=True, slots=True, kw_only=True)
class PulseTable:
    """How the transmitted pulse differs from the ideal sweep."""

    droop_db: float = 0.0
    """Loss of amplitude from the pulse's start to its end, even in dB: the supply sags."""
    quadratic_phase_deg: float = 0.0
    """Phase at both ends against the middle."""
    ripple_phase_deg: float = 0.0
    """Amplitude of a sinusoidal phase error over the pulse."""
    ripple_cycles: float = 4.0
    """Its cycles in a pulse."""
    resonance_q: float | None = None
    """Quality of the transducer's resonance, which shapes the band and rings after the pulse; absent: none."""
    resonance_hz: float | None = None
    """Absent: the centre frequency."""

    def __post_init__(self) -> None:
        within("instrument.pulse", self, 0, 40, "droop_db")
        within("instrument.pulse", self, -3600, 3600, "quadratic_phase_deg")
        within("instrument.pulse", self, 0, 180, "ripple_phase_deg")
        within("instrument.pulse", self, 0, 1000, "ripple_cycles")
        within("instrument.pulse", self, 0.5, 200, "resonance_q")
        above_zero("instrument.pulse", self, "resonance_hz")
        if self.resonance_hz is not None and self.resonance_q is None:
            refuse("instrument.pulse.resonance_hz", f"{self.resonance_hz:g} without resonance_q", "both")


@dataclass(frozen=True, slots=True, kw_only=True)
class TransmissionTable:
    """What the receivers have of the own transmission."""

    ring_db: float | None = None
    """Level of the own pulse in the receivers, dB re 1 uPa rms, while it is sent and at its end; absent: none."""
    ring_decay_s: float = 5e-4
    """In which it then falls by a factor e, as a tone at the resonance or else the pulse's last frequency."""
    blanking_s: float = 0.0
    """From the start of transmission; the switch before the preamplifiers lets no sound through until then."""

    def __post_init__(self) -> None:
        within("instrument.transmission", self, 0, 260, "ring_db")
        above_zero("instrument.transmission", self, "ring_decay_s")
        within("instrument.transmission", self, 0, 10, "blanking_s")


@dataclass(frozen=True, slots=True, kw_only=True)
class PickupTable:
    """What the electronics pick up: the same in all channels, added behind the preamplifiers."""

    noise_db: float | None = None
    """White, spectrum level, as the pressure that would make it, dB re 1 uPa^2/Hz; absent: none."""
    tone_db: float | None = None
    """A tone, dB re 1 uPa rms; absent: none."""
    tone_hz: float | None = None
    """Its frequency as it is sampled with the echoes; absent: the centre frequency."""

    def __post_init__(self) -> None:
        within("instrument.pickup", self, -50, 220, "noise_db", "tone_db")
        above_zero("instrument.pickup", self, "tone_hz")
        if self.tone_hz is not None and self.tone_db is None:
            refuse("instrument.pickup.tone_hz", f"{self.tone_hz:g} without tone_db", "both")


@dataclass(frozen=True, slots=True, kw_only=True)
class TimingTable:
    """Jitter, Gaussian and independent from draw to draw."""

    clock_rms_s: float = 0.0
    """Of each sampling instant, the same in all channels: it turns the carrier's phase."""
    trigger_rms_s: float = 0.0
    """Of each ping's first sample against the start of transmission."""
    ping_time_rms_s: float = 0.0
    """Of each ping's recorded time against the true one."""

    def __post_init__(self) -> None:
        within("instrument.timing", self, 0, 1e-6, "clock_rms_s")
        within("instrument.timing", self, 0, 1e-4, "trigger_rms_s")
        within("instrument.timing", self, 0, 1, "ping_time_rms_s")


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterTable:
    """The front-end filter: a Butterworth band-pass, causal, the same in all channels."""

    order: int = 0
    """Of the low-pass that it is made of; 0: no filter."""
    width_hz: float | None = None
    """Between its 3 dB points."""
    centre_hz: float | None = None
    """Absent: the sonar's centre frequency."""

    def __post_init__(self) -> None:
        within("instrument.filter", self, 0, 12, "order")
        above_zero("instrument.filter", self, "width_hz", "centre_hz")
        if self.order and self.width_hz is None:
            refuse("instrument.filter.width_hz", "absent", "a width, where there is an order")
        if not self.order and (self.width_hz is not None or self.centre_hz is not None):
            refuse("instrument.filter.order", "0", "from 1 to 12, where a width or centre is given")


@dataclass(frozen=True, slots=True, kw_only=True)
class GainStep:
    """A change of the receivers' gain from one ping on."""

    from_ping: int
    """Number of the first ping that has it, from 0."""
    receiver_gain_db: float
    """The gain from then on."""

    def __post_init__(self) -> None:
        within("instrument.gain.steps", self, 1, 1e9, "from_ping")
        within("instrument.gain.steps", self, -100, 140, "receiver_gain_db")


@dataclass(frozen=True, slots=True, kw_only=True)
class GainTable:
    """Gains between filter and converter; they are recorded beside the echoes that they were applied to."""

    receiver_gain_db: float = 0.0
    """From the first ping on, the same in all channels."""
    steps: tuple[GainStep, ...] = ()
    tvg_spreading: float | None = None
    """Time-varied gain: this times log10 of the range over tvg_from_m, 20, 30 or 40 as a rule; absent: none."""
    tvg_absorption_db_m: float | None = None
    """On one way, taken twice; absent: the water's own."""
    tvg_from_m: float = 1.0
    """Range of gain 0."""
    tvg_least_db: float = 0.0
    """It never falls below this."""
    tvg_greatest_db: float = 80.0
    """It never rises above this."""

    def __post_init__(self) -> None:
        within("instrument.gain", self, -100, 140, "receiver_gain_db", "tvg_least_db", "tvg_greatest_db")
        within("instrument.gain", self, 0, 80, "tvg_spreading")
        within("instrument.gain", self, 0, 10, "tvg_absorption_db_m")
        above_zero("instrument.gain", self, "tvg_from_m")
        if self.tvg_least_db >= self.tvg_greatest_db:
            allowed = f"below tvg_greatest_db = {self.tvg_greatest_db:g}"
            refuse("instrument.gain.tvg_least_db", f"{self.tvg_least_db:g}", allowed)
        pings = [step.from_ping for step in self.steps]
        if any(a >= b for a, b in itertools.pairwise(pings)):
            refuse("instrument.gain.steps", f"from pings {pings}", "steps in the order of their pings")


@dataclass(frozen=True, slots=True, kw_only=True)
class ConverterTable:
    """The converter of real and imaginary parts, and how its numbers are stored."""

    full_scale_v: float | None = None
    """Greatest size of either part, beyond which it clips; absent: it never does."""
    bits: int | None = None
    """Of either part, sign included: steps of full_scale_v / 2^(bits - 1); absent: no steps."""
    storage: Literal["complex64", "int16"] = "complex64"
    """Of each complex sample: two float32 or two int16; the numbers are the same whole steps."""

    def __post_init__(self) -> None:
        above_zero("instrument.converter", self, "full_scale_v")
        within("instrument.converter", self, 2, 24, "bits")
        if self.bits is not None and self.full_scale_v is None:
            refuse(
                "instrument.converter.bits", f"{self.bits} without full_scale_v", "both", "Give the scale."
            )
        if self.storage == "int16" and self.bits is None:
            refuse("instrument.converter.storage", "int16 without bits", "a number of bits up to 16")
        if self.storage == "int16" and self.bits > 16:  # type: ignore[operator]
            refuse("instrument.converter.bits", f"{self.bits}", "at most 16 for int16", "Store complex64.")


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentTable:
    """The instrument behind the nominal sonar."""

    receiver_sensitivity_db: float | None = None
    """Of a receiver with its preamplifier, dB re 1 V/uPa; the recording is then in volts, else in pascals."""
    recorded: tuple[Literal["pulse", "filter", "positions", "delays", "dead"], ...] = ("pulse", "filter")
    """What the recording knows of the errors: the pulse as it is, the filter's effect on it (both in the replica),
    the receivers' true positions, their delays, which are dead. Gains and phases it never knows."""
    channels: ChannelTable = ChannelTable()
    pulse: PulseTable = PulseTable()
    transmission: TransmissionTable = TransmissionTable()
    pickup: PickupTable = PickupTable()
    timing: TimingTable = TimingTable()
    filter: FilterTable = FilterTable()
    gain: GainTable = GainTable()
    converter: ConverterTable = ConverterTable()

    def __post_init__(self) -> None:
        within("instrument", self, -300, 100, "receiver_sensitivity_db")
        if self.converter.full_scale_v is not None and self.receiver_sensitivity_db is None:
            got = f"{self.converter.full_scale_v:g} without instrument.receiver_sensitivity_db"
            refuse("instrument.converter.full_scale_v", got, "both", "Volts need the receivers' sensitivity.")
