"""Strikes without a pickup: their moments from the sound alone.

A plate's modes are real: read over the taps, every frequency is a real pattern times one complex
number. With true strike times the stacked real and imaginary parts of the low spectra therefore
have low rank; wrong times turn the rows and raise it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rig.field.responses import (
    SPEED_OF_SOUND_M_S,
    ComplexArray,
    _band_limits,
    fade_out,
    segment,
)
from rig.model.clip import Clip
from rig.model.scan_record import ScanRecord, Strike
from rig.model.units import FloatArray

_LEAD_S = 0.004
# Fast bending waves reach the wood below the microphone before the sound of the blow itself does,
# so the first sound is early by up to some tenths of a millisecond.
_REACH_S = 600e-6
_STAGES = ((800.0, 10, 6), (1400.0, 16, 6), (2500.0, 28, 10))  # up to Hz, rank, rounds


def aligned_by_sound(
    strikes: Sequence[Strike], scan: ScanRecord, rate: int, count: int, hz: FloatArray
) -> tuple[ComplexArray, NDArray[np.bool_], float]:
    """Spectra (n, nf) with the strike at time zero, which strikes were usable, highest frequency.

    The amplitude of a tap is left as it is.
    """
    lead = int(_LEAD_S * rate)
    fade = fade_out(count, rate)
    sound = np.zeros((len(strikes), count))
    keep = np.zeros(len(strikes), dtype=bool)
    start_s = np.zeros(len(strikes))
    for i, strike in enumerate(strikes):
        onset = _strike_sample(strike, scan)
        if onset is None:
            continue
        mic = strike.clip.mic
        whole = int(np.floor(onset))
        sound[i] = segment(mic - np.mean(mic), whole - lead, count) * fade
        start_s[i] = (lead + onset - whole) / rate
        keep[i] = True
    spectra = np.fft.rfft(sound, axis=1) * np.exp(2j * np.pi * hz * start_s[:, None])
    level = np.median(np.abs(spectra[keep]), axis=0) if keep.any() else np.ones(len(hz))
    strong = np.quantile(level[(hz > 500) & (hz < 6000)], 0.9)
    smooth = np.convolve(level, np.ones(25) / 25.0, mode="same")
    weak = np.flatnonzero((smooth < 10 ** (-50 / 20) * strong) & (hz > 3000))
    top_hz = float(hz[weak[0]]) if weak.size else 0.45 * rate
    if keep.sum() >= 30:
        turned = np.zeros(len(strikes))
        turned[keep] = _low_rank_delays(spectra[keep], hz)
        spectra = spectra * np.exp(2j * np.pi * hz * turned[:, None])
    spectra *= _band_limits(hz, min(top_hz * 1.15, 0.47 * rate))
    return spectra, keep, top_hz


def _strike_sample(strike: Strike, scan: ScanRecord) -> float | None:
    """The first sound less its way through the air; None where nothing is heard.

    The controller tells when it gave the pulse; the hammer arrives some milliseconds later.
    """
    clip = strike.clip
    first = first_sound_sample(clip)
    if first is None:
        return None
    return first - _way_s(strike, scan) * clip.sample_rate_hz


def _way_s(strike: Strike, scan: ScanRecord) -> float:
    if scan.microphone_xyz_mm is None:
        return 0.0
    x, y, z = scan.microphone_xyz_mm
    far = np.sqrt((strike.x_mm - x) ** 2 + (strike.y_mm - y) ** 2 + z**2)
    return float(far / 1000.0 / SPEED_OF_SOUND_M_S)


def first_sound_sample(clip: Clip) -> float | None:
    """Where the blow is first heard, in (fractional) samples; None: nothing stands out.

    The first crossing of a fiftieth of the greatest power, looked for near the told pulse where
    one was told.
    """
    rate = clip.sample_rate_hz
    mic = clip.mic - np.mean(clip.mic)
    low, high = 0, len(mic)
    if clip.strike_sample is not None:
        low = max(clip.strike_sample - int(0.005 * rate), 0)
        high = min(clip.strike_sample + int(0.040 * rate), len(mic))
    short = max(int(0.0003 * rate), 4)
    if high - low < 4 * short:
        return None
    power = np.convolve(mic[low:high] ** 2, np.ones(short) / short, mode="valid")
    if power.max() <= 0:
        return None
    quiet = float(np.quantile(power, 0.1))
    loud = np.flatnonzero(power > max(0.1 * power.max(), 30.0 * quiet))
    if not loud.size:
        return None
    peak = int(loud[0])
    threshold = max(0.02 * power.max(), 10.0 * quiet)
    back = max(peak - int(0.002 * rate), 0)
    first = back + int(np.flatnonzero(power[back : peak + 1] > threshold)[0])
    if first == 0:
        return float(low)
    share = (threshold - power[first - 1]) / max(power[first] - power[first - 1], 1e-300)
    return float(low + first - 1 + np.clip(share, 0.0, 1.0) + short / 2)


def _low_rank_delays(spectra: ComplexArray, hz: FloatArray) -> FloatArray:
    """Time by which each row (n, nf) must be moved back, n values in seconds, median zero."""
    delay = np.zeros(len(spectra))
    reach = _REACH_S
    for top, rank, rounds in _STAGES:
        band = np.flatnonzero((hz >= 250.0) & (hz <= top))
        w = 2 * np.pi * hz[band]
        rows = spectra[:, band]
        rows = rows / np.sqrt(np.mean(np.abs(rows) ** 2, axis=0, keepdims=True) + 1e-30) ** 0.5
        for _ in range(rounds):
            turned = rows * np.exp(1j * w * delay[:, None])
            delay = delay + _search(turned, w, min(rank, len(rows) // 3), reach)
            delay -= np.median(delay)
        reach *= 0.5
    return delay


def _search(rows: ComplexArray, w: FloatArray, rank: int, reach_s: float) -> FloatArray:
    """Best small delay of each row against the row space of the whole; coarse, then a parabola."""
    stacked = np.concatenate([rows.real, rows.imag], axis=1)
    gram = stacked.T @ stacked if stacked.shape[1] < stacked.shape[0] else None
    if gram is None:
        small = stacked @ stacked.T
        _, u = np.linalg.eigh(small)
        basis = stacked.T @ u[:, -rank:]
        basis /= np.linalg.norm(basis, axis=0)
    else:
        _, v = np.linalg.eigh(gram)
        basis = v[:, -rank:]
    trial = np.linspace(-reach_s, reach_s, 17)
    explained = np.zeros((len(rows), len(trial)))
    for j, shift in enumerate(trial):
        turned = rows * np.exp(1j * w * shift)
        part = np.concatenate([turned.real, turned.imag], axis=1) @ basis
        explained[:, j] = np.sum(part * part, axis=1)
    from rig.field.wave_fit import lowest

    best, _ = lowest(-explained, trial)
    return np.asarray(best)
