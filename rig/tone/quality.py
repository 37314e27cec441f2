"""Whether a recording is one clean strike, and the reason when it is not."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from rig.model.clip import Clip
from rig.model.reading import Quality
from rig.model.units import FloatArray

_RUN = 3  # samples in a row at the rail: overload, not a chance peak


@dataclass
class Verdict:
    """The quality so far; it only gets worse, and every step down has its reason."""

    quality: Quality = "good"
    reasons: list[str] = field(default_factory=list)

    def bad(self, reason: str) -> None:
        """Not usable."""
        self.quality = "bad"
        self.reasons.append(reason)

    def doubtful(self, reason: str) -> None:
        """Usable with care; worth another strike."""
        if self.quality == "good":
            self.quality = "doubtful"
        self.reasons.append(reason)

    def note(self, reason: str) -> None:
        """Explains a None; the strike itself is sound."""
        self.reasons.append(reason)


def flat_runs(flags: np.ndarray) -> int:
    """Number of runs of at least three True in flags (n,)."""
    at = np.flatnonzero(flags)
    within = at[_RUN - 1 :] - at[: -_RUN + 1] == _RUN - 1
    return int(np.count_nonzero(within[1:] & ~within[:-1])) + int(within[:1].sum())


def at_rail(samples: np.ndarray, full_scale: int) -> bool:
    """Whether samples of one channel (n,) stand at the end of the scale three times in a row."""
    rail = max(1, int(full_scale * 0.998))
    if len(samples) == 0 or (samples.max() < rail and samples.min() > -rail):
        return False
    return flat_runs((samples >= rail) | (samples <= -rail)) > 0


def flat_tops(samples: np.ndarray) -> bool:
    """Whether the largest value is reached in several flat tops: overload before the converter.

    Needs a finely resolved record: coarse steps make flat tops of any slow wave.
    """
    if len(samples) == 0:
        return False
    ends = int(samples.max()), int(samples.min())
    top = max(abs(end) for end in ends)
    flat = 0
    for end in ends:
        if abs(end) >= 0.9 * top:
            flat += flat_runs(samples == end)
    if flat < 2:
        return False
    loudest = int(np.argmax(np.abs(samples)))
    near = samples[max(0, loudest - 2048) : loudest + 2048]
    return top / max(1, int(np.gcd.reduce(near[near != 0]))) >= 1000


def check_overload(clip: Clip, verdict: Verdict) -> None:
    """Note every channel that was driven over the end of its scale."""
    for channel in range(clip.samples.shape[1]):
        column = clip.samples[:, channel]
        if at_rail(column, clip.full_scale) or flat_tops(column):
            name = "pickup" if channel == clip.pickup_channel else "microphone"
            if channel not in (clip.mic_channel, clip.pickup_channel):
                name = f"channel {channel}"
            verdict.bad(f"Overload: the {name} signal is clipped.")


def gaps(x: FloatArray) -> tuple[int, int]:
    """First and one-past-last sample of x that is not part of constant ends (digital silence)."""
    first, last = x != x[0], x != x[-1]
    start = int(np.argmax(first))
    if not first[start]:
        return 0, 0
    return start - 1, len(x) - int(np.argmax(last[::-1])) + 1
