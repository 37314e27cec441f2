"""What a listener calls higher or lower: the loudness-weighted middle of the first 20 ms.

Power in auditory bands (half an ERB apart), as the ear lets it in, raised to the power 0.23 above a
threshold (specific loudness grows so with intensity: Zwicker & Fastl, Psychoacoustics, ch. 8)
gives the weights; their mean on the ERB-rate scale is turned back into Hz. Level cancels; the
power of the noise before the strike is taken off. Against loudness by ISO 532-1 the middle lies
within half a critical band, always on the same side (tests/published).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from rig.model.units import FloatArray
from rig.tone.erb import ear_gain_db, erb_hz, erb_rate, hz_of_erb_rate

ATTACK_S = 0.020
_FADE_S = 0.005
_LOUDNESS_EXPONENT = 0.23
_HEARD_RANGE_DB = 50.0
_LOWEST_HZ = 60.0
_LEVEL_DB = 70.0  # about that of a tap; the recording does not tell
_HIGHEST_HZ = 16000.0


@dataclass(frozen=True)
class Attack:
    """The middle of the attack in Hz and its standard deviation in cents."""

    hz: float
    sd_cents: float


@lru_cache(maxsize=16)
def _bands(sample_rate_hz: int, count: int) -> tuple[FloatArray, FloatArray]:
    """ERB rate of each band (m,), and its power gain at each bin of a transform (m, count//2+1).

    Rounded-exponential filters, (1 + pg)·e^{−pg} with p = 4f/ERB, less steep towards low
    frequencies by 0.35·(p/30.2) for every dB above 51 (Glasberg & Moore 1990, eq. 5).
    """
    high = min(_HIGHEST_HZ, 0.45 * sample_rate_hz)
    rates = np.arange(float(erb_rate(_LOWEST_HZ)), float(erb_rate(high)), 0.5)
    centres = hz_of_erb_rate(rates)[:, None]
    bins = np.fft.rfftfreq(count, 1.0 / sample_rate_hz)[None, :]
    slope = 4.0 * np.abs(bins - centres) / erb_hz(centres)
    slope *= np.where(bins < centres, 1.0 - 0.35 * (_LEVEL_DB - 51.0) / 30.2, 1.0)
    gain = (1.0 + slope) * np.exp(-slope)
    gain *= 10.0 ** (ear_gain_db(bins) / 10.0)
    gain[:, 0] = 0.0
    return rates, gain


@lru_cache(maxsize=16)
def _window(sample_rate_hz: int) -> FloatArray:
    count = round(ATTACK_S * sample_rate_hz)
    fade = round(_FADE_S * sample_rate_hz)
    window = np.ones(count)
    window[-fade:] = 0.5 + 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / fade)
    return window


@dataclass(frozen=True)
class _Heard:
    """Bands (m,) and bins of the first 20 ms; clean: power above `threshold`, without noise."""

    rates: FloatArray
    gain: FloatArray
    power: FloatArray
    noise: FloatArray
    clean: FloatArray
    threshold: float

    @property
    def power_law(self) -> FloatArray:
        return np.asarray((self.clean / self.threshold) ** _LOUDNESS_EXPONENT)

    @property
    def loudness(self) -> FloatArray:
        return np.maximum(self.power_law - 1.0, 0.0)


def _heard(x: FloatArray, sample_rate_hz: int, before: FloatArray) -> _Heard | None:
    window = _window(sample_rate_hz)
    count = len(window)
    if len(x) < count:
        return None
    rates, gain = _bands(sample_rate_hz, count)
    power = np.abs(np.fft.rfft(x[:count] * window)) ** 2
    noise = _noise_power(before, window, len(power))
    signal = gain @ power
    hiss = gain @ noise
    clean = np.maximum(signal - hiss, 0.0)
    # a band that the noise could make up by itself says nothing
    clean[signal < 4.0 * hiss] = 0.0
    if not np.any(clean > 0.0):
        return None
    # what lies 50 dB under the loudest band is lost
    threshold = 10.0 ** (-_HEARD_RANGE_DB / 10.0) * float(np.max(clean))
    clean[clean < threshold] = 0.0
    return _Heard(rates, gain, power, noise, clean, threshold)


def band_loudness(
    x: FloatArray, sample_rate_hz: int, before: FloatArray
) -> tuple[FloatArray, FloatArray] | None:
    """ERB rates (m,) and the specific loudness there, in no unit, of the first 20 ms of x.

    None where they are missing or drowned; `before` as for `attack_of`.
    """
    heard = _heard(x, sample_rate_hz, before)
    return None if heard is None else (heard.rates, heard.loudness)


def attack_of(x: FloatArray, sample_rate_hz: int, before: FloatArray) -> Attack | None:
    """Read the attack from x, the sound from the strike on; None where 20 ms are not there.

    before: the sound ahead of the strike; its spectrum stands for the noise. Where it is shorter
    than 20 ms the noise counts as white with its mean square.
    """
    heard = _heard(x, sample_rate_hz, before)
    if heard is None:
        return None
    weight = heard.loudness
    total = float(np.sum(weight))
    middle = float(np.sum(weight * heard.rates) / total)
    # noise N at a bin of power S moves the power by sd √(2·S·N + N²); carried through to the mean
    clean = np.where(heard.clean > 0.0, heard.clean, np.inf)
    pull = _LOUDNESS_EXPONENT * heard.power_law / clean * (heard.rates - middle) / total
    per_bin = pull @ heard.gain
    power, noise = heard.power, heard.noise
    variance = float(np.sum(per_bin**2 * (2.0 * power * noise + noise**2)))
    hz = float(hz_of_erb_rate(middle))
    hz_per_erb = float(erb_hz(hz))
    return Attack(hz, 1200.0 / np.log(2.0) * np.sqrt(variance) * hz_per_erb / hz)


def _noise_power(before: FloatArray, window: FloatArray, bins: int) -> FloatArray:
    """Mean power spectrum of the noise under `window`; (bins,)."""
    count = len(window)
    pieces = len(before) // count
    if pieces == 0:
        mean_square = float(np.mean(before**2)) if len(before) else 0.0
        return np.full(bins, mean_square * float(np.sum(window**2)))
    cut = before[-pieces * count :].reshape(pieces, count) * window
    return np.asarray(np.mean(np.abs(np.fft.rfft(cut, axis=1)) ** 2, axis=0))
