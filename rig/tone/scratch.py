"""The noise of a nail drawn, or a fingertip rubbed, over the plate: its pitch over time.

Every 20 ms: the loudness-weighted middle of the noise on the ear's scale (as for the attack), and
the strongest broad peak. Level does not matter; breaks, and knocks from handling, are marked.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.model.clip import Clip
from rig.model.units import FloatArray
from rig.tone.envelope import without_drift
from rig.tone.erb import a_weighting_db, erb_hz, erb_rate, hz_of_erb_rate

STEP_S = 0.02
_WINDOW_S = 0.04
_LOWEST_HZ = 150.0
_HIGHEST_HZ = 16000.0
_BAND_ERB = 1.0
_EXPONENT = 0.25
_PEAK_SCATTER = 1.4  # the strongest of several bumps is also the one that chance helped
_MOST_UNCERTAIN = 4.0
_ABOVE_NOISE_DB = 6.0
_KNOCK_DB = 12.0
_KNOCK_FRAMES = 5
_THUMP_HZ = 600.0
_CREST_DB = 13.0
_FAINT_DB = -70.0  # against full scale: no scratching is as faint throughout a recording
_LEAST_S = 0.15  # of scratching in all
_SHORTEST_RUN = 3  # frames of scratching in a row

_TONE_LAGS_S = (0.03, 0.06)
_TONE_LIKENESS = 0.75
_RING_FALL_DB = 15.0
_RING_STRAIGHT = 0.93

_NOTHING = "No scratching is heard: silence, or knocks only."
_TONE = "What is heard is a tone or the ring of a blow, not the noise of scratching."


@dataclass(frozen=True)
class ScratchTrack:
    """Pitch of a scratch over time; all arrays (n,), one entry every 20 ms.

    centroid_hz, peak_hz: NaN at breaks; sd_cents: of the centroid, and peak_sd_cents: of the peak,
    from the finite number of independent values in each band of noise; sounding: false at breaks;
    knock: a blow or a handling noise, also a break. reason: why nothing is told, "" where
    something is.
    """

    time_s: FloatArray
    centroid_hz: FloatArray
    sd_cents: FloatArray
    peak_hz: FloatArray
    peak_sd_cents: FloatArray
    sounding: np.ndarray
    knock: np.ndarray
    reason: str


def scratch_track(clip: Clip) -> ScratchTrack:
    """Follow the noise pitch of a recording of scratching or rubbing."""
    rate = clip.sample_rate_hz
    count = round(_WINDOW_S * rate)
    step = round(STEP_S * rate)
    mic = clip.mic if len(clip.samples) else np.zeros(0)
    frames = (len(mic) - count) // step + 1 if len(mic) >= count else 0
    if frames < _SHORTEST_RUN:
        return _empty("The recording is shorter than 0.1 s.")
    x = without_drift(mic, rate)
    pieces = np.lib.stride_tricks.sliding_window_view(x, count)[::step][:frames]
    window = np.sin(np.pi * (np.arange(count) + 0.5) / count)
    power = np.abs(np.fft.rfft(pieces * window, axis=1)) ** 2
    rates, gain, width = _bands(rate, count)
    bands = power @ gain.T
    level_db = 10.0 * np.log10(bands.sum(axis=1) + 1e-20)
    noise_db = float(np.percentile(level_db, 5))
    usual_db = float(np.median(level_db))
    quiet = bands[level_db <= noise_db + 1.0].mean(axis=0)
    # a sine window of n samples turns mean square 1 into n²/4 in all bins together
    full_scale_db = 10.0 * np.log10(count**2 / 4.0)
    steady = usual_db - noise_db < _ABOVE_NOISE_DB and usual_db > full_scale_db + _FAINT_DB
    # a recording of nothing but scratching has no silence to compare with
    sounding = np.ones(frames, dtype=bool) if steady else level_db > noise_db + _ABOVE_NOISE_DB
    if not np.any(sounding):
        return _empty(_NOTHING)
    scratching_db = float(np.median(level_db[sounding]))
    sounding &= level_db > scratching_db - 40.0
    low = bands[:, hz_of_erb_rate(rates) < _THUMP_HZ]
    knock = (_knocks(pieces, level_db) | _thumps(low)) & sounding
    sounding &= ~knock
    sounding = _long_enough(sounding)
    if not np.any(sounding):
        return _empty(_NOTHING)
    sounding = _without_rings(sounding, level_db)
    if np.count_nonzero(sounding) * STEP_S < _LEAST_S:
        return _empty(_TONE)
    if _likeness(x, np.flatnonzero(sounding) * step, count, rate) > _TONE_LIKENESS:
        return _empty(_TONE)
    clean = bands if steady else np.maximum(bands - quiet, 0.0)
    centroid, sd = _centroid(clean, bands, rates, width)
    peak, peak_sd = _broad_peak(clean, rates, width)
    gap = ~sounding
    for values in (centroid, sd, peak, peak_sd):
        values[gap] = np.nan
    time = (np.arange(frames) * step + count / 2) / rate
    return ScratchTrack(time, centroid, sd, peak, peak_sd, sounding, knock, "")


def _empty(reason: str) -> ScratchTrack:
    none = np.zeros(0)
    flags = np.zeros(0, dtype=bool)
    return ScratchTrack(none, none, none, none, none, flags, flags, reason)


def _bands(rate: int, count: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """ERB rates (m,), gains (m, bins) of bands one ERB apart, and their widths in bins (m,)."""
    high = min(_HIGHEST_HZ, 0.45 * rate)
    rates = np.arange(float(erb_rate(_LOWEST_HZ)), float(erb_rate(high)), _BAND_ERB)
    bins = np.fft.rfftfreq(count, 1.0 / rate)
    away = np.abs(erb_rate(bins)[None, :] - rates[:, None])
    shape = np.maximum(1.0 - away / _BAND_ERB, 0.0)
    weight = 10.0 ** (a_weighting_db(np.maximum(bins, 1.0)) / 10.0)
    effective = np.sum(shape, axis=1) ** 2 / np.maximum(np.sum(shape**2, axis=1), 1e-12)
    return rates, shape * weight, np.maximum(effective, 1.0)


def _knocks(pieces: FloatArray, level_db: FloatArray) -> np.ndarray:
    """Frames that stand far out of those before and after, or have one part far above their middle.

    A hand may press ten times as hard from one moment to the next, but then it keeps on: only
    what is over within 0.1 s is a knock. Noise of one auditory band exceeds its median by 11 dB at
    most in a twentieth of 40 ms; a blow does by more.
    """
    parts = 20
    size = pieces.shape[1] // parts
    energy = np.mean(pieces[:, : size * parts].reshape(len(pieces), parts, size) ** 2, axis=2)
    crest_db = 10.0 * np.log10((energy.max(axis=1) + 1e-20) / (np.median(energy, axis=1) + 1e-20))
    return np.asarray((_standing_out_db(level_db) > _KNOCK_DB) | (crest_db > _CREST_DB))


def _thumps(low: FloatArray) -> np.ndarray:
    """Frames where two neighbouring low bands (frames, bands) stand out: the hand on the table."""
    out = _standing_out_db(10.0 * np.log10(low + 1e-20).T).T > _KNOCK_DB
    if out.shape[1] < 2:
        return np.asarray(out.any(axis=1))
    struck: np.ndarray = np.any(out[:, 1:] & out[:, :-1], axis=1)
    # the frames beside hear a part of it
    return np.asarray(struck | np.append(struck[1:], False) | np.insert(struck[:-1], 0, False))


def _standing_out_db(level_db: FloatArray) -> FloatArray:
    """How far each frame of (…, n) is above the middle of the five before, and of those after."""
    count = level_db.shape[-1]
    rim = [(0, 0)] * (level_db.ndim - 1) + [(_KNOCK_FRAMES + 1, _KNOCK_FRAMES + 1)]
    padded = np.pad(level_db, rim, mode="edge")
    beside = np.lib.stride_tricks.sliding_window_view(padded, _KNOCK_FRAMES, axis=-1)
    usual = np.median(beside, axis=-1)
    before, after = usual[..., :count], usual[..., _KNOCK_FRAMES + 3 :][..., :count]
    return np.asarray(level_db - np.maximum(before, after))


def _likeness(x: FloatArray, starts: np.ndarray, count: int, rate: int) -> float:
    """How far the sound repeats itself: the best correlation of a frame with what follows it.

    The median over frames, of the greatest over the lags. Tones and rings repeat, decaying or
    not; noise some hundred hertz wide has forgotten itself after 30 ms.
    """
    low, high = (round(lag * rate) for lag in _TONE_LAGS_S)
    starts = starts[starts + count + high <= len(x)]
    found = []
    for start in starts[:: max(1, len(starts) // 200)]:
        here, after = x[start : start + count], x[start + low : start + count + high]
        size = 1 << int(np.ceil(np.log2(len(after) + count)))
        alike = np.fft.irfft(np.fft.rfft(after, size) * np.conj(np.fft.rfft(here, size)), size)
        energy = np.concatenate([[0.0], np.cumsum(after**2)])
        there = energy[count:] - energy[:-count]
        norm = np.sqrt(np.sum(here**2) * np.maximum(there, 1e-300))
        found.append(float(np.max(alike[: len(there)] / norm)))
    return float(np.median(found)) if found else 0.0


def _without_rings(sounding: np.ndarray, level_db: FloatArray) -> np.ndarray:
    """Take out runs that begin at their loudest and then fade in a straight line: blows.

    A hand that rubs does neither; many partials together may be as rough as noise.
    """
    kept = sounding.copy()
    for start, stop in _runs(sounding):
        level = level_db[start:stop]
        first = level_db[max(0, start - 2) : start + 1].max()
        if first < level.max() or level[0] - level[-1] < _RING_FALL_DB:
            continue
        time = np.arange(len(level))
        if np.corrcoef(time, level)[0, 1] < -_RING_STRAIGHT:
            kept[start:stop] = False
    return kept


def _runs(flags: np.ndarray) -> list[tuple[int, int]]:
    """First and one-past-last index of every run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _long_enough(sounding: np.ndarray) -> np.ndarray:
    """Take out runs of less than three frames: clicks, not scratches."""
    kept = sounding.copy()
    for start, stop in _runs(sounding):
        if stop - start < _SHORTEST_RUN:
            kept[start:stop] = False
    return kept


def _centroid(
    clean: FloatArray, bands: FloatArray, rates: FloatArray, width: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Loudness-weighted middle in Hz and its sd in cents, per frame.

    clean: powers with the noise of the room taken off, bands: with it. The power of noise in a
    band of n independent bins scatters by 1/√n of itself; a sine window joins neighbouring bins,
    which leaves about two thirds of them independent.
    """
    weight = clean**_EXPONENT
    total = weight.sum(axis=1, keepdims=True) + 1e-30
    middle = (weight @ rates)[:, None] / total
    uncertain = np.minimum(bands / (clean + 1e-30), _MOST_UNCERTAIN)
    scatter = _EXPONENT / np.sqrt(width / 1.5) * uncertain
    pull = weight * (rates[None, :] - middle) / total * scatter
    # triangular bands overlap: neighbours share a quarter of their power, so sds add in part
    variance = np.sum(pull**2, axis=1) + 0.5 * np.sum(pull[:, 1:] * pull[:, :-1], axis=1)
    hz = np.maximum(hz_of_erb_rate(middle[:, 0]), 1.0)  # a frame of digital silence has no middle
    cents = 1200.0 / np.log(2.0) * np.sqrt(np.maximum(variance, 0.0)) * erb_hz(hz) / hz
    return hz, np.asarray(cents)


def _broad_peak(
    bands: FloatArray, rates: FloatArray, width: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Strongest peak of the powers smoothed over three bands: Hz and sd in cents, per frame."""
    padded = np.pad(bands, ((0, 0), (1, 1)), mode="edge")
    smooth = (padded[:, :-2] + 2.0 * padded[:, 1:-1] + padded[:, 2:]) / 4.0
    top = np.clip(np.argmax(smooth, axis=1), 1, smooth.shape[1] - 2)
    rows = np.arange(len(smooth))
    a, b, c = (np.log(smooth[rows, top + k] + 1e-30) for k in (-1, 0, 1))
    bend = a - 2.0 * b + c
    safe = np.where(bend < 0.0, bend, -1.0)
    shift = np.where(bend < 0.0, np.clip(0.5 * (a - c) / safe, -0.5, 0.5), 0.0)
    hz = np.maximum(hz_of_erb_rate(rates[top] + shift * _BAND_ERB), 1.0)
    # log power of a band scatters by √(1.5/n); of the five bands that a and c are smoothed from
    # the middle three cancel in part
    share = np.array([-1.0, -2.0, 0.0, 2.0, 1.0]) / 4.0
    near = np.clip(top[:, None] + np.arange(-2, 3), 0, bands.shape[1] - 1)
    power = bands[rows[:, None], near] / (np.exp(b)[:, None] + 1e-30)
    scatter = np.sqrt(1.5 / width[near]) * power * share
    tilt = np.sqrt(np.sum(scatter**2, axis=1) + 0.5 * np.sum(scatter[:, 1:] * scatter[:, :-1], 1))
    spread = np.minimum(_PEAK_SCATTER * 0.5 * tilt / np.maximum(-bend, 0.05), 1.0) * _BAND_ERB
    return hz, np.asarray(1200.0 / np.log(2.0) * spread * erb_hz(hz) / hz)
