"""What sounds before the strike: noise, hum, a fan, an earlier strike; none of it is the ring."""

from __future__ import annotations

import numpy as np

from rig.model.units import FloatArray

_LOUDER = 4.0  # a partial must be this much louder than noise that was there before,
_LOUDER_CLEAR = 1.6  # and this much louder than a tone, where it is no noise peak itself
_CLEAR = 12.0  # standard deviations
_SHORTEST_S = 0.005
_LEAST_PERIODS = 2.0
_HUM_HIGHEST_HZ = 650.0
_HUM_DECAY_S = 2.0
_LONG_ENOUGH_S = 0.1


class SoundBefore:
    """The stretch (n,) ahead of the strike, asked for its amplitude at any frequency.

    A partial of decay time τ listens for about τ, so the stretch is cut into pieces of about that
    length, halved as often as need be, and the root mean square over the pieces is the answer.
    """

    def __init__(self, x: FloatArray, sample_rate_hz: int) -> None:
        self._x = x - np.mean(x) if len(x) else x
        self._rate = sample_rate_hz
        self._amplitudes: dict[int, FloatArray] = {}

    @property
    def duration_s(self) -> float:
        """Length of the stretch."""
        return len(self._x) / self._rate

    def amplitude(self, hz: float, decay_s: float) -> float | None:
        """Amplitude of a tone at `hz`, or of the noise that would pass for it; None: too short."""
        count = len(self._x)
        least = max(_SHORTEST_S, _LEAST_PERIODS / hz) * self._rate
        if count < least:
            return None
        while count // 2 >= max(least, decay_s * self._rate):
            count //= 2
        spectrum = self._of_pieces(count)
        position = hz * count / self._rate
        low = max(0, int(position))
        return float(np.max(spectrum[low : low + 2], initial=0.0))

    def _of_pieces(self, count: int) -> FloatArray:
        if count not in self._amplitudes:
            pieces = len(self._x) // count
            cut = self._x[-pieces * count :].reshape(pieces, count)
            window = np.sin(np.pi * (np.arange(count) + 0.5) / count)
            spectrum = np.abs(np.fft.rfft(cut * window, axis=1)) ** 2
            mean = np.sqrt(np.mean(spectrum, axis=0))
            self._amplitudes[count] = np.asarray(2.0 * mean / np.sum(window))
        return self._amplitudes[count]


def is_standing(
    hz: float,
    decay_s: float,
    amplitude: float,
    sd_amplitude: float,
    before: SoundBefore,
    hum_hz: float | None,
) -> bool:
    """Whether a partial (amplitude at the strike, and its sd) is not the strike's own.

    Judged by the sound before; where that is short, an unfading tone on a low harmonic of the
    mains is taken for hum too.
    """
    found = before.amplitude(hz, decay_s)
    if found is not None:
        clear = amplitude > _CLEAR * sd_amplitude
        if amplitude < (_LOUDER_CLEAR if clear else _LOUDER) * found:
            return True
    if before.duration_s > _LONG_ENOUGH_S:
        return False
    if hum_hz is None or hz > _HUM_HIGHEST_HZ or decay_s < _HUM_DECAY_S:
        return False
    order = round(hz / hum_hz)
    return order > 0 and abs(hz - order * hum_hz) < 0.2 + 0.001 * hz
