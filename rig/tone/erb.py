"""The ear's frequency scale and its sensitivity.

ERB and ERB-rate: Glasberg & Moore, Hear. Res. 47 (1990) 103-138. Way into the ear: Terhardt, Hear.
Res. 1 (1979) 155-182. Level weighting: the A curve of IEC 61672-1. Scale and A curve are checked
against tables in tests/published, the attack made of them against loudness by ISO 532-1.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from rig.model.units import FloatArray

_A_POLES_HZ = (20.598997, 107.65265, 737.86223, 12194.217)


def erb_hz(hz: ArrayLike) -> FloatArray:
    """Equivalent rectangular bandwidth of the auditory filter at `hz`, in Hz."""
    return np.asarray(24.7 * (4.37e-3 * np.asarray(hz, dtype=np.float64) + 1.0))


def erb_rate(hz: ArrayLike) -> FloatArray:
    """Number of ERBs below `hz`."""
    return np.asarray(21.4 * np.log10(4.37e-3 * np.asarray(hz, dtype=np.float64) + 1.0))


def hz_of_erb_rate(rate: ArrayLike) -> FloatArray:
    """Frequency with this many ERBs below it."""
    return np.asarray((10.0 ** (np.asarray(rate, dtype=np.float64) / 21.4) - 1.0) / 4.37e-3)


def ear_gain_db(hz: ArrayLike) -> FloatArray:
    """What the outer and middle ear add to the level, dB: a little around 3.3 kHz, less on top.

    At the levels of a tap the ear hears low tones far better than the A curve, made for faint
    ones, has it.
    """
    khz = np.asarray(hz, dtype=np.float64) / 1000.0
    return np.asarray(6.5 * np.exp(-0.6 * (khz - 3.3) ** 2) - 1e-3 * np.minimum(khz, 16.0) ** 4)


def a_weighting_db(hz: ArrayLike) -> FloatArray:
    """A-weighting in dB (IEC 61672-1:2013, 0 dB at 1 kHz)."""
    f2 = np.asarray(hz, dtype=np.float64) ** 2
    p1, p2, p3, p4 = (pole**2 for pole in _A_POLES_HZ)
    with np.errstate(divide="ignore"):
        gain = p4 * f2**2 / ((f2 + p1) * np.sqrt((f2 + p2) * (f2 + p3)) * (f2 + p4))
        return np.asarray(20.0 * np.log10(gain) + 2.0)
