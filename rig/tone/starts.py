"""Starting values: the poles that fit the bins around peaks best, by linear least squares."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rig.tone.damped import ComplexArray, Segment
from rig.tone.peaks import Peak

_REACH = 12
_NO_WIDTH = 0.05  # bins
_BESIDE = 4  # bins on either side of a group of peaks


def sharpened(peaks: Sequence[Peak], rest: ComplexArray, segment: Segment) -> list[Peak]:
    """The peaks with the frequency and width of the pole that fits the bins around them best.

    A pole at p (in bins, its imaginary part the half width) on a smooth flank is
    X = (A + B·u)/(u − p) over the bins u, so that u·X = p·X + A + B·u: linear least squares.
    Peaks whose pole is no decaying partial there stay as they are.
    """
    if not peaks:
        return []
    step = segment.step_hz
    top = np.array([round(p.hz / step) for p in peaks])
    wide = np.array([p.width_hz / step for p in peaks])
    order = np.argsort(top)
    gap = np.diff(top[order], prepend=-1000, append=10**7)
    room = np.empty(len(top))
    room[order] = np.minimum(gap[:-1], gap[1:])
    reach = np.clip(np.minimum(np.rint(1.5 * wide), room // 2), 3, _REACH)
    u = np.arange(-_REACH, _REACH + 1)
    inside = np.abs(u) <= reach[:, None]
    x = rest[np.clip(top[:, None] + u, 0, len(rest) - 1)] * inside
    columns = np.stack([x, inside.astype(np.complex128), u * inside], axis=2)
    columns[:, :, 0] /= np.abs(x[:, _REACH, None])
    across = columns.conj().swapaxes(1, 2)
    normal = across @ columns + 1e-9 * np.eye(3)
    p = np.linalg.solve(normal, across @ (u * x)[:, :, None])[:, 0, 0]
    p = p / np.abs(x[:, _REACH])
    fine = (np.abs(p.real) < reach) & (p.imag > -_NO_WIDTH) & (p.imag < 3.0 * wide)
    found = zip(
        peaks,
        fine.tolist(),
        ((top + p.real) * step).tolist(),
        (np.maximum(p.imag, _NO_WIDTH) * step).tolist(),
        strict=True,
    )
    return [Peak(hz, width, peak.power) if ok else peak for peak, ok, hz, width in found]


def together(peaks: Sequence[Peak], bins: ComplexArray, segment: Segment) -> list[Peak]:
    """The same for peaks that overlap: all their poles at once.

    X·∏(u − p) is a polynomial in the bins u, of degree k for k poles on a smooth flank; the
    coefficients of both products follow from linear least squares, the poles are the roots.
    """
    step, count = segment.step_hz, len(peaks)
    tops = [round(p.hz / step) for p in peaks]
    first, stop = max(1, min(tops) - _BESIDE), min(len(bins), max(tops) + _BESIDE + 1)
    if stop - first < 2 * count + 3:
        return list(peaks)
    half = 0.5 * (stop - 1 - first)
    u = np.arange(first, stop) - first - half
    powers = (u / half)[:, None] ** np.arange(count + 1)
    x = bins[first:stop, None] / np.max(np.abs(bins[first:stop]))
    system = np.concatenate([x * powers[:, :count], powers], axis=1)
    solution = np.linalg.lstsq(system, x[:, 0] * powers[:, count], rcond=1e-9)[0]
    roots = np.roots(np.concatenate([[1.0], -solution[:count][::-1]])) * half
    fine = (np.abs(roots.real) < half - 1.0) & (roots.imag > -_NO_WIDTH) & (roots.imag < half)
    if not fine.all():
        return list(peaks)
    order = np.argsort(roots.real)
    return [
        Peak(
            float((first + half + root.real) * step),
            float(max(root.imag, _NO_WIDTH) * step),
            peak.power,
        )
        for root, peak in zip(roots[order], sorted(peaks), strict=True)
    ]
