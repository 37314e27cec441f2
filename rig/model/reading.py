"""What one clip says by itself. Unknown is None with a reason, never 0."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Quality = Literal["good", "doubtful", "bad"]


@dataclass(frozen=True)
class RingPartial:
    """One damped partial of the whole plate."""

    hz: float
    sd_hz: float
    decay_s: float  # amplitude falls to 1/e in this time
    level_db: float  # against the strongest partial, at the strike


@dataclass(frozen=True)
class ClipReading:
    """The readings of one strike.

    reasons: plain sentences behind the quality and behind every None. tone_hz: the one pitch a
    musician would name. attack_hz: what a listener calls higher or lower in the first 20 ms.
    contact_ms: width of the force pulse (impulse ÷ peak), from the pickup.
    level_db: peak of the microphone channel against full scale.
    """

    onset_s: float | None
    ring: tuple[RingPartial, ...]
    tone_hz: float | None
    tone_sd_hz: float | None
    attack_hz: float | None
    attack_sd_cents: float | None
    contact_ms: float | None
    contact_sd_ms: float | None
    rebound_ratio: float | None
    level_db: float | None
    quality: Quality
    reasons: tuple[str, ...]
