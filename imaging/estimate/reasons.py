"""Why something was or was not corrected, in bits and in words."""

from __future__ import annotations

__all__ = ["PingReason"]


class PingReason:
    """Bits of a correction's reasons, one meaning each; they say why something was or was not corrected."""

    NO_ECHO = 1 << 8
    """All zero, or not finite."""
    CLIPPED = 1 << 9
    """Too many samples at the receivers' saturation level."""
    INTERFERENCE = 1 << 10
    """Bursts that are no echo of the pulse that was sent."""
    BUBBLES = 1 << 11
    """The seabed's echo faded against the pings before."""
    NAVIGATION = 1 << 12
    """The navigation's status is not good, or it has no rows near the ping."""
    ALTITUDE_DISAGREES = 1 << 13
    """The altitude from echoes is far from the given one."""
    ALTITUDE_DECLINED = 1 << 14
    """No altitude could be told from the echoes."""
    CHANNELS_FROZEN = 1 << 15
    """The ping was no evidence on the receivers."""
    CHANNELS_UNTIED = 1 << 16
    """Dead receivers cut the array into pieces whose phases nothing ties."""
    MOTION_DECLINED = 1 << 17
    """No match with the look before: too far apart, featureless, too noisy, beyond the search."""

    NAMES = {  # noqa: RUF012 - a table of the bits above
        1 << 8: "no_echo",
        1 << 9: "clipped",
        1 << 10: "interference",
        1 << 11: "bubbles",
        1 << 12: "navigation",
        1 << 13: "altitude_disagrees",
        1 << 14: "altitude_declined",
        1 << 15: "channels_frozen",
        1 << 16: "channels_untied",
        1 << 17: "motion_declined",
    }

    LEAVES_OUT = NO_ECHO | CLIPPED | INTERFERENCE | BUBBLES | NAVIGATION
    """Bits of which any leaves a ping out of the image; the others say what was not corrected."""

    @classmethod
    def words(cls, bits: int) -> list[str]:
        """Names of the bits that are set."""
        return [name for bit, name in cls.NAMES.items() if bits & bit]
