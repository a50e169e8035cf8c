"""All that can be set about imaging with estimation."""

from __future__ import annotations

from dataclasses import dataclass

from ..chain_settings import ChainSettings
from .bottom import BottomTrackSettings
from .channels import ChannelSettings
from .motion import MotionSettings
from .reject import RejectSettings

__all__ = ["EstimateSettings", "StepSettings"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StepSettings:
    """Which estimators run."""

    reject: bool = True
    """Leave out pings that would spoil the image."""
    bottom: bool = True
    """Altitude from the first seabed echo."""
    channels: bool = True
    """Gain, phase, delay and health of each receiver."""
    motion: bool = True
    """What the navigation does not know, from the overlap of adjacent looks."""

    @classmethod
    def none(cls) -> StepSettings:
        """No estimator at all."""
        return cls(reject=False, bottom=False, channels=False, motion=False)

    @property
    def any(self) -> bool:
        """Whether an estimator runs."""
        return self.reject or self.bottom or self.channels or self.motion


@dataclass(frozen=True, slots=True, kw_only=True)
class EstimateSettings(ChainSettings):
    """The chain's settings, which serve the looks that are compared too, and the estimators'."""

    estimate: StepSettings = StepSettings()
    reject: RejectSettings = RejectSettings()
    track: BottomTrackSettings = BottomTrackSettings()
    channels: ChannelSettings = ChannelSettings()
    motion: MotionSettings = MotionSettings()
