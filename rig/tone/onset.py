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
from rig.tone.envelope import FRAME_S, Rises, ahead, frame_energy, sudden_rises

_LEAST_RISE_DB = 7.0
_SLOW_RISE_DB = 4.0
_SECOND_RISE_DB = 9.0
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


def _bands(x: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    first = np.diff(x, prepend=x[:1])
    return x, first, np.diff(first, prepend=first[:1])


def _floor(energy: FloatArray) -> float:
    """Mean square of the quietest tenth of the frames: the noise where a record has any."""
    count = max(1, len(energy) // 10)
    return float(np.mean(np.partition(energy, count - 1)[:count]))


def find_onsets(x: FloatArray, sample_rate_hz: int, earliest: int = 0) -> list[Found]:
    """All strikes in x (n,), drift removed, in order of time.

    A strike starts at a sudden rise in any band which leads to at least a tenth (−10 dB) of the
    power of the loudest strike. Of rises less than 120 ms apart the first within 6 dB of the
    loudest is the strike; weaker ones ahead of it are the clack of the tapper.
    """
    start_frame = int(earliest / (FRAME_S * sample_rate_hz))
    power = ahead(frame_energy(x, sample_rate_hz), 5)
    all_rises: set[int] = set()
    for band in _bands(x):
        band_energy = frame_energy(band, sample_rate_hz)
        rises = sudden_rises(
            band_energy, _floor(band_energy), _LEAST_RISE_DB, look_back=_HUM_PERIOD
        )
        all_rises |= {int(f) for f in rises.frame}
    candidates = [f for f in all_rises if f >= start_frame]
    if not candidates:
        candidates = [f for f in _slow_rises(x, sample_rate_hz) if f >= start_frame]
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


def _slow_rises(x: FloatArray, sample_rate_hz: int) -> list[int]:
    """Where a soft or noisy strike lifts the power of 20 ms above all of the 100 ms before."""
    energy = frame_energy(x, sample_rate_hz)
    step = 5
    count = len(energy) // step
    if count < 6:
        return []
    coarse = energy[: count * step].reshape(count, step).mean(axis=1)
    rises = sudden_rises(coarse, _floor(coarse), _SLOW_RISE_DB, look_ahead=4, look_back=20)
    return [int(f) * step for f in rises.frame]


def second_strike(
    x: FloatArray, sample_rate_hz: int, onset: int, quiet_frames: int
) -> float | None:
    """Time after sample `onset` at which the same record is struck again, None if it is not.

    A second strike rises 9 dB above the last 12 ms in one of the bands and brings at least 14 dB
    less than the first; smaller ones are echoes or the rattle of the rest. quiet_frames: frames at
    the start of the record that hold its noise or hum.
    """
    size = max(1, round(FRAME_S * sample_rate_hz))
    first_frame = onset // size
    skip = first_frame + round(_SAME_BLOW_S / FRAME_S) + 1
    earliest: int | None = None
    for band in _bands(x):
        energy = frame_energy(band, sample_rate_hz)
        floor = _floor(energy)
        if quiet_frames > 0:
            floor = max(floor, float(np.mean(energy[:quiet_frames])))
        rises: Rises = sudden_rises(energy, floor, _SECOND_RISE_DB)
        main = float(ahead(energy, 10)[min(first_frame, len(energy) - 1)])
        later = rises.frame >= skip
        strong = rises.energy_after > main * 10 ** (-_SECOND_WITHIN_DB / 10)
        for frame in rises.frame[later & strong]:
            if earliest is None or frame < earliest:
                earliest = int(frame)
            break
    return None if earliest is None else (earliest * size - onset) / sample_rate_hz


def locate_onset(x: FloatArray, sample_rate_hz: int, found: Found) -> Onset:
    """Sharpen an onset to a fraction of a sample."""
    frame = found.frame
    size = max(1, round(FRAME_S * sample_rate_hz))
    start = max(0, (frame - 6) * size)
    stop = min(len(x), (frame + 4) * size)
    window = x[start:stop]
    split = _best_split(window)
    sample = start + split
    energy = frame_energy(x, sample_rate_hz)
    quiet_frames = min(found.quiet_stop, sample // size) - 1
    if quiet_frames >= 5 and not _is_quiet(energy, quiet_frames):
        quiet_frames = 0
    if quiet_frames >= 5:
        noise = float(np.sqrt(np.mean(energy[:quiet_frames])))
    else:
        noise = float(np.sqrt(_floor(energy)))
    time = _first_motion(x, sample, sample_rate_hz, noise)
    return Onset(
        time_s=time / sample_rate_hz,
        sample=sample,
        starts_inside=quiet_frames < 2,
        second_s=second_strike(x, sample_rate_hz, sample, quiet_frames),
        noise_rms=noise,
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
