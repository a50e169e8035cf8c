"""The recording's layout: which name in the file is which field of which record, with shape and unit.

Reader, writer and validator all work from these tables, so they can't drift apart.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "CLOSED",
    "FORMAT",
    "FORMAT_VERSION",
    "PATTERNS",
    "PING_COLUMNS",
    "PLATFORM_ATTRIBUTES",
    "PLATFORM_COLUMNS",
    "RECORDING_SUFFIXES",
    "SONAR_ARRAYS",
    "SONAR_ATTRIBUTES",
    "WATER_ARRAYS",
    "WATER_ATTRIBUTES",
    "Item",
]

FORMAT = "recording"
"""Value of the root attribute ``pingloom_format``."""
FORMAT_VERSION = 1
RECORDING_SUFFIXES = (".h5", ".hdf5", ".nc")
"""Files of a folder that count as segments."""


@dataclass(frozen=True, slots=True)
class Item:
    """One named value of the file.

    Attributes
    ----------
    name : str
        In the file.
    field : str
        Of the record.
    unit : str
        Empty for none.
    shape : tuple
        Lengths, or names of axes of the array.
    kinds : str
        Allowed letters of numpy's ``dtype.kind``; ``"S"`` for text.
    required : bool
    meaning : str
        For people.
    """

    name: str
    field: str
    unit: str = ""
    shape: tuple[int | str, ...] = ()
    kinds: str = "fiu"
    required: bool = False
    meaning: str = ""

    @property
    def allowed(self) -> str:
        """What may stand there, in words."""
        if self.kinds == "S":
            return self.meaning or "text"
        what = "complex numbers" if "c" in self.kinds else "true or false" if "b" in self.kinds else "numbers"
        if self.shape == ():
            what = "a number"
        elif self.shape:
            what += " of shape (" + ", ".join(map(str, self.shape)) + ")"
        return what + (f" [{self.unit}]" if self.unit else "") + (f": {self.meaning}" if self.meaning else "")


SONAR_ATTRIBUTES = (
    Item(
        "transmit_frequency_start", "frequency_start_hz", "Hz", required=True, meaning="at the pulse's start"
    ),
    Item("transmit_frequency_stop", "frequency_stop_hz", "Hz", required=True, meaning="at the pulse's end"),
    Item("transmit_duration_nominal", "pulse_duration_s", "s", required=True),
    Item("centre_frequency", "centre_frequency_hz", "Hz", required=True, meaning="of the oscillator"),
    Item("sample_interval", "sample_interval_s", "s", required=True, meaning="of the complex samples"),
    Item("first_sample_delay", "first_sample_delay_s", "s", required=True, meaning="after ping_time"),
    Item("transmit_position", "transmit_position_m", "m", (3,), required=True, meaning="body frame"),
    Item("transmit_size", "transmit_size_m", "m", (2,), required=True, meaning="along, vertical"),
    Item("receive_size", "receive_size_m", "m", (2,), required=True, meaning="along, vertical"),
    Item("depression", "depression_rad", "rad", required=True, meaning="of the normal below horizontal"),
    Item("echo_scale", "echo_scale", "echo_unit a stored step"),
    Item("echo_unit", "echo_unit", kinds="S", meaning="Pa, V or count"),
    Item("source_level", "source_level_db", "dB re 1 uPa at 1 m"),
    Item("receiver_sensitivity", "receiver_sensitivity_db", "dB re 1 V/uPa"),
    Item("saturation_level", "saturation_level", "stored steps"),
    Item("serial_number", "serial_number", kinds="S"),
)

SONAR_ARRAYS = (
    Item(
        "element_position",
        "element_position_m",
        "m",
        ("row", "channel", 3),
        required=True,
        meaning="body frame, rows from bottom to top, channels from aft to fore",
    ),
    Item("element_delay", "element_delay_s", "s", ("row", "channel")),
    Item("element_ok", "element_ok", shape=("row", "channel"), kinds="biu", meaning="0 where dead"),
    Item("replica", "replica", shape=("n",), kinds="cfi", meaning="the pulse at baseband"),
    Item("time_varied_gain", "time_varied_gain_db", "dB", ("sample",), meaning="already applied"),
)

PATTERNS = tuple(
    Item(
        f"pattern_{way}_{axis}",
        f"pattern_{way}_{axis}",
        "rad, dB",
        (2, "n"),
        meaning=f"angle from the normal, positive {positive}, and one-way gain",
    )
    for way in ("transmit", "receive")
    for axis, positive in (("along", "forward"), ("vertical", "upward"))
)

PING_COLUMNS = (
    Item("ping_time", "time_ns", "ns since 1970-01-01 UTC", ("ping",), "iu", True, "start of transmission"),
    Item("receiver_gain", "receiver_gain_db", "dB", ("ping",), meaning="already applied"),
    Item("sequence", "sequence", shape=("ping",), kinds="iu", meaning="1, 2, ...; 0 where not written"),
    Item("checksum", "checksum", shape=("ping",), kinds="iu", meaning="CRC-32 of the ping"),
)

CLOSED = Item("closed", "", "", (1,), "iu", meaning="1 once the writer closed the recording, 0 before")

PLATFORM_COLUMNS = (
    Item("time", "time_ns", "ns since 1970-01-01 UTC", ("k",), "iu", True),
    Item("north", "north_m", "m", ("k",), required=True),
    Item("east", "east_m", "m", ("k",), required=True),
    Item("depth", "depth_m", "m", ("k",), required=True, meaning="of the body origin"),
    Item("heading", "heading_rad", "rad", ("k",), required=True, meaning="clockwise from true north"),
    Item("pitch", "pitch_rad", "rad", ("k",), required=True, meaning="bow up positive"),
    Item("roll", "roll_rad", "rad", ("k",), required=True, meaning="to starboard positive"),
    Item("altitude", "altitude_m", "m", ("k",), meaning="of the body origin above the seabed, NaN unknown"),
    Item("speed_forward", "speed_forward_m_s", "m/s", ("k",)),
    Item("speed_starboard", "speed_starboard_m_s", "m/s", ("k",)),
    Item("speed_down", "speed_down_m_s", "m/s", ("k",)),
    Item("heading_rate", "heading_rate_rad_s", "rad/s", ("k",)),
    Item("pitch_rate", "pitch_rate_rad_s", "rad/s", ("k",)),
    Item("roll_rate", "roll_rate_rad_s", "rad/s", ("k",)),
    Item("sound_speed_at_array", "sound_speed_at_array_m_s", "m/s", ("k",)),
    Item("status", "status", shape=("k",), kinds="iufb", meaning="0 good"),
)

PLATFORM_ATTRIBUTES = (
    Item("heading_uncertainty", "heading_uncertainty_rad", "rad"),
    Item("velocity_uncertainty", "velocity_uncertainty_m_s", "m/s"),
)

WATER_ATTRIBUTES = (
    Item("sound_speed_indicative", "sound_speed_m_s", "m/s", required=True),
    Item("absorption_indicative", "absorption_db_m", "dB/m", meaning="one way, 0 for none"),
    Item("water_depth", "depth_m", "m"),
)

WATER_ARRAYS = (
    Item("profile_depth", "profile_depth_m", "m", ("k",)),
    Item("profile_sound_speed", "profile_sound_speed_m_s", "m/s", ("k",)),
)
