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


def longest_rail_run(samples: np.ndarray, full_scale: int) -> int:
    """Longest run of samples of one channel (n,) that stand at the end of the scale."""
    rail = max(1, int(full_scale * 0.998))
    at_rail = (samples >= rail) | (samples <= -rail)
    return _longest_run(at_rail)


def _longest_run(flags: np.ndarray) -> int:
    if not flags.any():
        return 0
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return int(np.max(edges[1::2] - edges[::2]))


def flat_tops(samples: np.ndarray) -> bool:
    """Whether the largest value is reached in several flat tops: overload before the converter.

    Needs a finely resolved record: coarse steps make flat tops of any slow wave.
    """
    top = int(np.max(np.abs(samples.astype(np.int64))))
    nonzero = samples[samples != 0]
    if len(nonzero) == 0:
        return False
    step = max(1, int(np.gcd.reduce(nonzero[:4096])))
    if top / step < 1000:
        return False
    flat = 0
    for end in (samples.max(), samples.min()):
        if abs(int(end)) < 0.9 * top:
            continue
        at_end = samples == end
        edges = np.flatnonzero(np.diff(np.concatenate([[0], at_end.astype(np.int8), [0]])))
        flat += int(np.sum(edges[1::2] - edges[::2] >= _RUN))
    return flat >= 2


def check_overload(clip: Clip, verdict: Verdict) -> None:
    """Note every channel that was driven over the end of its scale."""
    for channel in range(clip.samples.shape[1]):
        column = clip.samples[:, channel]
        if longest_rail_run(column, clip.full_scale) >= _RUN or flat_tops(column):
            name = "pickup" if channel == clip.pickup_channel else "microphone"
            if channel not in (clip.mic_channel, clip.pickup_channel):
                name = f"channel {channel}"
            verdict.bad(f"Overload: the {name} signal is clipped.")


def gaps(x: FloatArray) -> tuple[int, int]:
    """First and one-past-last sample of x that is not part of constant ends (digital silence)."""
    moving = np.flatnonzero(np.diff(x) != 0.0)
    if len(moving) == 0:
        return 0, 0
    return int(moving[0]), int(moving[-1]) + 2
