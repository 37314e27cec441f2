"""When the strike is heard: the strongest sudden rise, then its first sample and a fraction.

The rise is looked for in three bands (as recorded, first and second difference), so that neither
a deep drum nor a sharp click is missed. The first sample is where the record splits best into a
quiet and a loud part (Maeda's form of Akaike's criterion, as in earthquake picking).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from rig.model.units import FloatArray
from rig.tone.envelope import FRAME_S, ahead, frame_energy, rises_of_bands, sudden_rises

_LEAST_RISE_DB = 7.0
_SLOW_RISE_DB = 4.0
_SECOND_RISE_DB = 9.0
_SECOND_BACK = 12  # frames
_SECOND_WITHIN_DB = 14.0
_MAIN_WITHIN_DB = 10.0
_CLACK_DB = 6.0
_QUIET_DB = 30.0
_START_DB = 10.0
_HUM_PERIOD = 21  # frames: one period of 50 Hz, so that hum does not look like strikes
_SAME_BLOW_S = 0.012
_DOUBLE_S = 0.12
_BLOCK = 20  # frames


@dataclass(frozen=True)
class Onset:
    """One strike in a recording.

    time_s: first sound, from the start of the record; sample: its first whole sample;
    starts_inside: nothing quiet lies before it, its start may be missing; second_s: time after
    it at which another strike is heard, None when there is none; quiet_stop: samples at the
    start of the record in which nothing happens; noise_rms: of that stretch, or of the quietest
    tenth of the record where it is too short.
    """

    time_s: float
    sample: int
    starts_inside: bool
    second_s: float | None
    noise_rms: float
    quiet_stop: int


class Found(NamedTuple):
    """A strike as first seen: its frame, and the frame before which all was quiet (1 ms each)."""

    frame: int
    quiet_stop: int


class Loudness:
    """Energy of a recording (n,), drift removed, in frames of 1 ms and in three bands.

    bands (3, frames): as recorded, its first and its second difference.
    """

    def __init__(self, x: FloatArray, sample_rate_hz: int) -> None:
        self.size = max(1, round(FRAME_S * sample_rate_hz))
        rows = [frame_energy(x, sample_rate_hz)]
        for _ in range(2):
            x = _difference(x)
            rows.append(frame_energy(x, sample_rate_hz))
        self.bands = np.array(rows)

    def until(self, sample: int) -> Loudness:
        """The same up to a sample."""
        cut = object.__new__(Loudness)
        cut.size, cut.bands = self.size, self.bands[:, : sample // self.size]
        return cut

    @property
    def energy(self) -> FloatArray:
        """Mean square of each frame."""
        return np.asarray(self.bands[0])


def _difference(x: FloatArray) -> FloatArray:
    change = np.zeros_like(x)
    np.subtract(x[1:], x[:-1], out=change[1:])
    return change


def _floor(energy: FloatArray) -> FloatArray:
    """Mean square of the quietest tenth of the frames (…, n): the noise where there is any."""
    count = max(1, energy.shape[-1] // 10)
    lowest = np.partition(energy, count - 1, axis=-1)[..., :count]
    return np.asarray(np.mean(lowest, axis=-1))


def find_onsets(loudness: Loudness, earliest: int = 0) -> list[Found]:
    """All strikes in a recording, from sample `earliest` on, in order of time.

    A strike starts at a sudden rise in any band which leads to at least a tenth (−10 dB) of the
    power of the loudest strike. Of rises less than 120 ms apart the first within 6 dB of the
    loudest is the strike; weaker ones ahead of it are the clack of the tapper.
    """
    start_frame = int(earliest / loudness.size)
    power = ahead(loudness.energy, 5)
    floors = _floor(loudness.bands)
    found = rises_of_bands(loudness.bands, floors, _LEAST_RISE_DB, _HUM_PERIOD)
    all_rises = {int(f) for band in found for f in band}
    candidates = [f for f in all_rises if f >= start_frame]
    if not candidates:
        candidates = [f for f in _slow_rises(loudness.energy) if f >= start_frame]
        all_rises = set(candidates)
    if not candidates:
        return []
    most = max(float(power[f]) for f in candidates)
    # the record's own start is an event only where it is loud: else it is noise setting in
    quiet_stop = min(
        f
        for f in all_rises
        if power[f] >= most * 10 ** (-(_QUIET_DB if f > _HUM_PERIOD else _START_DB) / 10)
    )
    limit = most * 10 ** (-_MAIN_WITHIN_DB / 10)
    frames = sorted(f for f in candidates if power[f] >= limit)
    strikes: list[Found] = []
    family: list[int] = []
    for frame in [*frames, None]:
        if family and (frame is None or frame - family[-1] >= round(_DOUBLE_S / FRAME_S)):
            loudest = max(float(power[f]) for f in family)
            first = next(f for f in family if power[f] >= loudest * 10 ** (-_CLACK_DB / 10))
            strikes.append(Found(first, min(first, quiet_stop)))
            family = []
        if frame is not None:
            family.append(frame)
    return strikes


def _slow_rises(energy: FloatArray) -> list[int]:
    """Where a soft or noisy strike lifts the power of 20 ms above all of the 100 ms before."""
    step = 5
    count = len(energy) // step
    if count < 6:
        return []
    coarse = energy[: count * step].reshape(count, step).mean(axis=1)
    rises = sudden_rises(coarse, float(_floor(coarse)), _SLOW_RISE_DB, look_ahead=4, look_back=20)
    return [int(f) * step for f in rises.frame]


def second_strike(
    loudness: Loudness, sample_rate_hz: int, onset: int, quiet_frames: int
) -> float | None:
    """Time after sample `onset` at which the same record is struck again, None if it is not.

    A second strike rises 9 dB above the last 12 ms in one of the bands and brings at least 14 dB
    less than the first; smaller ones are echoes or the rattle of the rest. quiet_frames: frames at
    the start of the record that hold its noise or hum.
    """
    size, bands = loudness.size, loudness.bands
    first_frame = onset // size
    skip = first_frame + round(_SAME_BLOW_S / FRAME_S) + 1
    floors = _floor(bands)
    if quiet_frames > 0:
        floors = np.maximum(floors, bands[:, :quiet_frames].mean(axis=1))
    energy_after = ahead(bands, 10)
    main = energy_after[:, min(first_frame, bands.shape[1] - 1)]
    least = main * 10 ** (-_SECOND_WITHIN_DB / 10)
    later = []
    for band, rises in enumerate(rises_of_bands(bands, floors, _SECOND_RISE_DB, _SECOND_BACK)):
        later += [int(f) for f in rises if f >= skip and energy_after[band, f] > least[band]]
    return (min(later) * size - onset) / sample_rate_hz if later else None


def locate_onset(x: FloatArray, loudness: Loudness, sample_rate_hz: int, found: Found) -> Onset:
    """Sharpen an onset to a fraction of a sample."""
    frame, size = found.frame, loudness.size
    start = max(0, (frame - 6) * size)
    stop = min(len(x), (frame + 4) * size)
    window = x[start:stop]
    split = _best_split(window)
    sample = start + split
    energy = loudness.energy
    quiet_frames = min(found.quiet_stop, sample // size) - 1
    if quiet_frames >= 5 and not _is_quiet(energy, quiet_frames):
        quiet_frames = 0
    noise = np.mean(energy[:quiet_frames]) if quiet_frames >= 5 else _floor(energy)
    noise_rms = float(np.sqrt(noise))
    time = _first_motion(x, sample, sample_rate_hz, noise_rms)
    return Onset(
        time_s=time / sample_rate_hz,
        sample=sample,
        starts_inside=quiet_frames < 2,
        second_s=second_strike(loudness, sample_rate_hz, sample, quiet_frames),
        noise_rms=noise_rms,
        quiet_stop=max(0, quiet_frames * size),
    )


def _is_quiet(energy: FloatArray, frames: int) -> bool:
    """Whether the first `frames` are as quiet as the rest of the record gets in the end.

    Where the record starts within a sound, as with trimmed samples, they are not.
    """
    count = len(energy) // _BLOCK
    blocks = energy[: count * _BLOCK].reshape(count, _BLOCK).mean(axis=1)
    if count < 5:
        return True
    return bool(np.median(energy[:frames]) < 4.0 * np.percentile(blocks, 10) + 1e-14)


def _best_split(window: FloatArray) -> int:
    """Index that best parts `window` into a quiet and a loud stretch (Maeda 1985)."""
    count = len(window)
    if count < 8:
        return 0
    floor = 1e-14 + 1e-8 * float(np.max(window**2))
    total = np.cumsum(window**2)
    k = np.arange(2, count - 2)
    before = total[k - 1] / k + floor
    after = (total[-1] - total[k - 1]) / (count - k) + floor
    return int(k[np.argmin(k * np.log(before) + (count - k) * np.log(after))])


def _first_motion(x: FloatArray, sample: int, sample_rate_hz: int, noise: float) -> float:
    """Time, in samples, at which the first flank leaves zero.

    The line through the two samples either side of a fifth of the first swing is carried back to
    zero: the same wave form gives the same fraction wherever it falls between the samples.
    """
    reach = max(4, round(0.0004 * sample_rate_hz))
    start = max(0, sample - 2)
    swing = np.abs(x[start : sample + reach])
    if len(swing) < 4:
        return float(sample)
    level = max(0.2 * float(np.max(swing)), 3.0 * noise)
    over = swing >= level
    if not over.any():
        return float(sample)
    top = start + int(np.argmax(over))
    if top == 0:
        return 0.0
    low, high = float(x[top - 1]), float(x[top])
    if high < 0.0:
        low, high = -low, -high
    slope = high - low
    if slope <= 0.0:
        return float(sample)
    time = top - high / slope
    return float(np.clip(time, sample - 3.0, sample + reach))
