"""A second blow on something that still rings.

Where the ring has died away a second blow is a rise of the level. Where it has not, hardly: but a
sum of ringing partials can be foretold, sample by sample, from a few samples before (linear
prediction, Makhoul, Proc. IEEE 63 (1975) 561), and a blow cannot. So what the prediction misses is
looked at: it is large at the blows, and otherwise the noise.
"""

from __future__ import annotations

import numpy as np

from rig.model.units import FloatArray
from rig.tone.damped import ComplexArray
from rig.tone.envelope import FRAME_S

_ORDER = 24
_SEARCH_S = 0.13
_SAME_BLOW_FRAMES = 12
_FIRST_FRAMES = 4
_WITHIN = 0.08  # of the first blow's energy
_ABOVE = 10.0  # times what is usual around
_SUDDEN = 4.0
_AROUND = 15  # frames
_RIDGE = 1e-9


def second_blow(x: FloatArray, sample_rate_hz: int) -> float | None:
    """Time in s after the start of x (n,), a blow, at which another falls; None: none does.

    Looked for from 12 to 130 ms.
    """
    size = max(1, round(FRAME_S * sample_rate_hz))
    x = x[: round(_SEARCH_S * sample_rate_hz)]
    frames = len(x) // size
    if frames < _SAME_BLOW_FRAMES + 8:
        return None
    missed = _unforeseen(x)
    pieces = missed[: frames * size].reshape(frames, size)
    energy = np.einsum("ij,ij->i", pieces, pieces)
    first = float(np.max(energy[:_FIRST_FRAMES]))
    later = energy[_SAME_BLOW_FRAMES:]
    padded = np.pad(later, _AROUND, mode="reflect" if len(later) > _AROUND else "edge")
    usual = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * _AROUND + 1), axis=1)
    just_before = np.lib.stride_tricks.sliding_window_view(energy, 3)[
        _SAME_BLOW_FRAMES - 3 : frames - 3
    ].max(axis=1)
    blow = (later > _WITHIN * first) & (later > _ABOVE * usual) & (later > _SUDDEN * just_before)
    if not blow.any() or first < _ABOVE * float(np.median(later)):
        return None
    return (int(np.argmax(blow)) + _SAME_BLOW_FRAMES) * size / sample_rate_hz


def _unforeseen(x: FloatArray) -> FloatArray:
    """x less what the samples before each foretell; (n,)."""
    length = 1 << int(np.ceil(np.log2(len(x) + _ORDER)))
    spectrum: ComplexArray = np.fft.rfft(x, length)
    alike = np.fft.irfft(spectrum.real**2 + spectrum.imag**2)[: _ORDER + 1]
    lags = np.abs(np.arange(_ORDER)[:, None] - np.arange(_ORDER))
    normal = alike[lags] + _RIDGE * alike[0] * np.eye(_ORDER)
    foretell = np.linalg.solve(normal, alike[1:])
    whitening = np.fft.rfft(np.concatenate([[1.0], -foretell]), length)
    return np.asarray(np.fft.irfft(spectrum * whitening)[: len(x)])
