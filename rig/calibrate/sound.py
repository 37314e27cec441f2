"""The sound chain: its clock against a reference tone, and its noise, hum and offset in silence.

The clock is read from the phase: the recording is turned back by the nominal tone, and the slope
of what phase is left is the error of the clock (or of the reference: the better of two is trusted).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.model.errors import AnalysisError
from rig.model.units import FloatArray

_BLOCK_S = 0.1
_LARGEST_PPM = 3000.0  # beyond it is another tone
_LEAST_OVER_NOISE_DB = 20.0
_HUM_HARMONICS = 6
_BANDS = ((20.0, 100.0), (100.0, 2000.0), (2000.0, 8000.0))
_WORD_CENTS_PPM = 577.6  # parts per million in one cent
_FLOOR_DB = -200.0


@dataclass(frozen=True)
class ClockReading:
    """error_ppm: above 0 the tone reads too high, so the sample clock runs slow.

    sd_ppm: from the scatter of the phase; wander_ppm: greatest deviation of a fifth of the
    recording from the whole.
    """

    reference_hz: float
    heard_hz: float
    error_ppm: float
    sd_ppm: float
    wander_ppm: float
    level_db: float

    @property
    def error_cents(self) -> float:
        """How far every pitch reads off."""
        return self.error_ppm / _WORD_CENTS_PPM


@dataclass(frozen=True)
class QuietReading:
    """Levels in dB against full scale (rms of a full-scale sine is −3 dB).

    bands: (from Hz, to Hz, dB); hum_hz: mains frequency, None where no hum stands out;
    hum_db: all its harmonics together; hum_over_noise_db: against the noise of the voice's band.
    """

    noise_db: float
    bands: tuple[tuple[float, float, float], ...]
    peak_db: float
    offset: float
    hum_hz: float | None
    hum_db: float | None
    hum_over_noise_db: float | None


def read_clock(sound: FloatArray, rate_hz: float, reference_hz: float) -> ClockReading:
    """Error of the sample clock from a steady tone of known frequency.

    sound: (n,), full scale 1, three seconds or more. Raises AnalysisError where the tone is too
    short, too weak, broken, or not within 0.3 % of the reference.
    """
    x = np.asarray(sound, dtype=np.float64)
    block = round(_BLOCK_S * rate_hz)
    count = len(x) // block
    if count < 30:
        raise AnalysisError(
            f"The tone lasts {len(x) / rate_hz:.1f} s.", remedy="Record three seconds or more."
        )
    if not 20.0 <= reference_hz <= 0.45 * rate_hz:
        raise AnalysisError(f"A reference of {reference_hz:g} Hz cannot be recorded here.")
    x = x[: count * block] - np.mean(x[: count * block])
    start_hz = _coarse_hz(x, rate_hz, reference_hz)
    time_s = np.arange(len(x)) / rate_hz
    turned = x * np.exp(-2j * np.pi * start_hz * time_s) * np.tile(np.hanning(block), count)
    vectors = turned.reshape(count, block).mean(axis=1)
    size = np.abs(vectors)
    if np.min(size) < 0.3 * np.median(size):
        raise AnalysisError(
            "The reference tone breaks off or swells in the recording.",
            remedy="Record it steady, without clicks or pauses, and cut off both ends.",
        )
    phase: FloatArray = np.asarray(np.unwrap(np.angle(vectors)), dtype=np.float64)
    at_s: FloatArray = np.asarray((np.arange(count) + 0.5) * block / rate_hz, dtype=np.float64)
    slope, sd = _slope(at_s, phase)
    fifth = count // 5
    parts = [
        _slope(at_s[k * fifth : (k + 1) * fifth], phase[k * fifth : (k + 1) * fifth])[0]
        for k in range(5)
    ]
    to_ppm = 1e6 / (2.0 * np.pi * reference_hz)
    heard = start_hz + slope / (2.0 * np.pi)
    error = (heard / reference_hz - 1.0) * 1e6
    if abs(error) > _LARGEST_PPM:
        raise AnalysisError(
            f"The tone heard is at {heard:.2f} Hz, not at {reference_hz:g} Hz.",
            remedy="Say the frequency of the reference as it is known.",
        )
    return ClockReading(
        reference_hz,
        float(heard),
        float(error),
        float(sd * to_ppm),
        float(np.max(np.abs(np.array(parts) - slope)) * to_ppm),
        _db(4.0 * float(np.median(size)) / np.sqrt(2.0)),
    )


def _coarse_hz(x: FloatArray, rate_hz: float, reference_hz: float) -> float:
    """Strongest line within 0.6 % (or 3 Hz) of the reference, which must stand out."""
    window = np.hanning(len(x))
    spectrum = np.abs(np.fft.rfft(x * window))
    hz = np.fft.rfftfreq(len(x), 1.0 / rate_hz)
    reach = max(3.0, 0.006 * reference_hz)
    near = np.flatnonzero(np.abs(hz - reference_hz) <= reach)
    best = near[int(np.argmax(spectrum[near]))]
    around = (np.abs(hz - reference_hz) <= 20.0 * reach) & (np.abs(hz - hz[best]) > 4.0)
    floor = float(np.median(spectrum[around]))
    if _db(float(spectrum[best])) - _db(floor) < _LEAST_OVER_NOISE_DB:
        raise AnalysisError(
            f"No tone near {reference_hz:g} Hz stands out of the noise.",
            remedy="Play the reference louder, close to the microphone.",
        )
    return float(hz[best])


def _slope(at_s: FloatArray, phase: FloatArray) -> tuple[float, float]:
    """Least-squares slope and its standard deviation."""
    t = at_s - at_s.mean()
    slope = float(np.sum(t * phase) / np.sum(t * t))
    left = phase - phase.mean() - slope * t
    variance = float(np.sum(left**2)) / max(len(t) - 2, 1) / float(np.sum(t * t))
    return slope, variance**0.5


def read_quiet(sound: FloatArray, rate_hz: float) -> QuietReading:
    """Noise, hum and offset of a recording in which nobody strikes; (n,), a second or more."""
    from scipy.signal import welch

    x = np.asarray(sound, dtype=np.float64)
    if len(x) < rate_hz:
        raise AnalysisError("The silence is too short.", remedy="Record one second or more.")
    offset = float(np.mean(x))
    x = x - offset
    hz, density = welch(x, rate_hz, nperseg=min(len(x), 2 * round(rate_hz)))
    step = float(hz[1] - hz[0])

    def level(low: float, high: float) -> float:
        return _db(float(np.sqrt(np.sum(density[(hz >= low) & (hz < high)]) * step)))

    hum = max((_hum(hz, density, mains) for mains in (50.0, 60.0)), key=lambda found: found[2])
    bands = tuple((low, high, level(low, high)) for low, high in _BANDS if high <= rate_hz / 2)
    stands_out = hum[2] >= 2
    voice = level(100.0, 2000.0)
    return QuietReading(
        _db(float(np.sqrt(np.mean(x * x)))),
        bands,
        _db(float(np.max(np.abs(x)))),
        offset,
        hum[0] if stands_out else None,
        _db(hum[1]) if stands_out else None,
        _db(hum[1]) - voice if stands_out else None,
    )


def _hum(hz: FloatArray, density: FloatArray, mains_hz: float) -> tuple[float, float, int]:
    """Mains frequency, rms of its harmonics over the noise beside them, and how many stand out."""
    step = float(hz[1] - hz[0])
    power, standing = 0.0, 0
    for harmonic in range(1, _HUM_HARMONICS + 1):
        centre = harmonic * mains_hz
        reach = max(2.5 * step, 0.004 * centre)
        line = np.abs(hz - centre) <= reach
        beside = (np.abs(hz - centre) <= 12.0) & (np.abs(hz - centre) > reach + step)
        floor = float(np.median(density[beside]))
        if float(np.max(density[line])) > 20.0 * floor:
            standing += 1
            power += float(np.sum(np.maximum(density[line] - floor, 0.0))) * step
    return mains_hz, power**0.5, standing


def _db(amplitude: float) -> float:
    return max(20.0 * float(np.log10(amplitude)), _FLOOR_DB) if amplitude > 0 else _FLOOR_DB
