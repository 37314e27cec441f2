"""Transforms of all strikes of a scan, and the noise between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.model.clip import Clip
from rig.model.units import FloatArray
from rig.tone.damped import ComplexArray, Segment
from rig.tone.fast_length import fast_length

_LONGEST_S = 0.5
_SHORTEST_S = 0.08
SKIP_S = 0.001
ENOUGH_STRIKES = 40
_QUIET_S = 0.012  # ahead of the onset the tapper may be heard already
_NOISE_PIECES = 10  # weight of the mean over the band against the noise at one frequency


@dataclass(frozen=True)
class Pool:
    """Transforms of all strikes, (bins, strikes), and the sound before the strikes.

    loudness (bins,): amplitude of the noise before the strikes, 1 on average. sounds: the strikes
    themselves, where they are few.
    """

    bins: ComplexArray
    loudness: FloatArray
    count: int
    rate: int
    before: list[FloatArray]
    sounds: list[FloatArray]

    @property
    def strikes(self) -> int:
        """How many."""
        return int(self.bins.shape[1])

    @property
    def segment(self) -> Segment:
        """The first strike; for what depends on length and rate only."""
        return Segment(self.bins[:, 0], self.count, float(self.rate))


def pool_of(
    clips: Sequence[Clip], onsets_s: Sequence[float | None], reach_hz: float
) -> Pool | None:
    """Transform the strikes up to `reach_hz`; None where none can be used."""
    if len(clips) != len(onsets_s):
        raise ValueError(f"{len(clips)} clips but {len(onsets_s)} onsets")
    usable = [
        (clip, onset) for clip, onset in zip(clips, onsets_s, strict=True) if onset is not None
    ]
    if not usable:
        return None
    rate = usable[0][0].sample_rate_hz
    starts = [round((onset + SKIP_S) * rate) for _, onset in usable]
    lengths = np.array([len(c.samples) - s for (c, _), s in zip(usable, starts, strict=True)])
    wanted = min(float(np.percentile(lengths, 10)), _LONGEST_S * rate)
    count = fast_length(int(wanted)) if wanted >= _SHORTEST_S * rate else 0
    kept = [
        (clip, start)
        for (clip, _), start, length in zip(usable, starts, lengths, strict=True)
        if length >= count and clip.sample_rate_hz == rate
    ]
    if count == 0 or not kept:
        return None
    stop = min(count // 2, int(reach_hz * count / rate) + 2)
    bins = np.empty((len(kept), stop), dtype=np.complex128)
    before: list[FloatArray] = []
    sounds: list[FloatArray] = []
    for row, (clip, start) in enumerate(kept):
        mic = clip.samples[:, clip.mic_channel]
        sound = mic[start : start + count] / clip.full_scale
        quiet = mic[: max(0, start - round(2 * SKIP_S * rate))] / clip.full_scale
        level = float(np.mean(quiet)) if len(quiet) > 0.02 * rate else float(np.mean(sound))
        bins[row] = np.fft.rfft(sound - level)[:stop]
        before.append(quiet)
        if len(kept) < ENOUGH_STRIKES:
            sounds.append(sound - level)
    loudness = _noise_loudness(before, rate, np.arange(stop) * rate / count)
    return Pool(np.ascontiguousarray(bins.T), loudness, count, rate, before, sounds)


def _noise_loudness(before: Sequence[FloatArray], rate: int, hz: FloatArray) -> FloatArray:
    """Amplitude of the noise before the strikes at the frequencies, 1 on average."""
    lengths = [len(quiet) - round(_QUIET_S * rate) for quiet in before]
    count = min(max(lengths), round(0.1 * rate))
    pieces = [
        quiet[start : start + count]
        for quiet, length in zip(before, lengths, strict=True)
        for start in range(0, length - count + 1, count)
    ]
    if count < round(0.01 * rate):
        return np.ones(len(hz))
    window = np.hanning(count)
    power = np.mean(np.abs(np.fft.rfft(np.array(pieces) * window, axis=1)) ** 2, axis=0)
    power[0] = power[1]
    here = np.interp(hz, np.arange(len(power)) * rate / count, power)
    mean = float(np.exp(np.mean(np.log(here + 1e-30))))
    known = len(pieces) / (len(pieces) + _NOISE_PIECES)
    return np.asarray(np.sqrt(known * here / mean + 1.0 - known))


def delayed(pool: Pool) -> Pool:
    """More strikes out of few: each also heard from later moments on, with a shorter stretch.

    The poles are the same and every delay changes the amplitudes, which is all that the subspace
    needs; the noise is no longer independent, so this serves for starting values only.
    """
    count = fast_length(round(0.6 * pool.count))
    delays = int(np.ceil(2 * ENOUGH_STRIKES / len(pool.sounds)))
    stop = min(count // 2, int(np.ceil(len(pool.bins) * count / pool.count)))
    shifts = np.linspace(0, pool.count - count, delays).astype(int)
    pieces = [sound[shift : shift + count] for sound in pool.sounds for shift in shifts]
    bins = np.fft.rfft(np.array(pieces), axis=1)[:, :stop]
    return Pool(np.ascontiguousarray(bins.T), np.ones(stop), count, pool.rate, [], [])
