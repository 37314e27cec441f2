"""The raw recording of one strike, and what the controller said about the blow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.model.units import FloatArray


@dataclass(frozen=True)
class Clip:
    """Integer samples exactly as captured; (n, channels) int32.

    full_scale: the integer that stands for 1.0 (2**(bits-1)). strike_sample: where the controller's
    pulse time falls on the sample clock, None when unknown (hand recordings): then the strike
    lies anywhere in the clip. strike_speed_m_s and rebound_ratio come from the speed gate.
    """

    samples: NDArray[np.int32]
    sample_rate_hz: int
    full_scale: int = 2**23
    mic_channel: int = 0
    pickup_channel: int | None = None
    strike_sample: int | None = None
    strike_speed_m_s: float | None = None
    rebound_ratio: float | None = None

    @property
    def mic(self) -> FloatArray:
        """The microphone channel, (n,), full scale = 1."""
        return np.asarray(self.samples[:, self.mic_channel] / self.full_scale, dtype=np.float64)

    @property
    def pickup(self) -> FloatArray | None:
        """The hammer pickup channel, (n,), full scale = 1; None where there is none."""
        if self.pickup_channel is None:
            return None
        return np.asarray(self.samples[:, self.pickup_channel] / self.full_scale, dtype=np.float64)

    @property
    def duration_s(self) -> float:
        """Length of the clip."""
        return len(self.samples) / self.sample_rate_hz
