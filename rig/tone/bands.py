"""Bands of bins side by side, and what damped partials sound like in them."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from rig.model.units import FloatArray
from rig.tone.damped import ComplexArray, Segment

_NOWHERE = 1e100  # phasor of a padded bin: there every response is zero
_NODES = 6
_NEAR = 0.7  # of a band's width: partials nearer than this are not interpolated


class Band(NamedTuple):
    """The bins first … stop − 1 of a segment, on which a group is fitted."""

    segment: Segment
    first: int
    stop: int


@lru_cache(maxsize=512)
def _interpolation(width: int) -> tuple[FloatArray, FloatArray]:
    """Chebyshev nodes on the bins 0 … width − 1, (6,), and the matrix (width, 6) from them."""
    order = np.arange(_NODES)
    angle = np.pi * (order + 0.5) / _NODES
    half = 0.5 * (width - 1)
    place = np.arccos(np.clip(np.arange(width) / half - 1.0, -1.0, 1.0))
    fit = np.cos(angle * order[:, None]) * (2.0 / _NODES)
    fit[0] *= 0.5
    return half * (1.0 + np.cos(angle)), np.cos(place[:, None] * order) @ fit


class Rows:
    """Several bands, padded to one width: arrays (bands, bins).

    y: the bins; phasor: e^{−jω/f_s} of each, huge where padded; widths: bins of each band.
    """

    def __init__(self, bands: Sequence[Band]) -> None:
        first = np.array([band.first for band in bands])
        self.widths = np.array([band.stop for band in bands]) - first
        bin_turn = -2 * np.pi / np.array([band.segment.count for band in bands])
        self.rate = bands[0].segment.sample_rate_hz
        self.duration_s = -2 * np.pi / (bin_turn * self.rate)[:, None]
        bins = np.arange(int(self.widths.max()))
        self.phasor = np.exp(1j * bin_turn[:, None] * (first[:, None] + bins))
        self.phasor[bins >= self.widths[:, None]] = _NOWHERE
        self.y = np.zeros(self.phasor.shape, dtype=np.complex128)
        self._matrix = np.zeros((*self.y.shape, _NODES))
        nodes = np.empty((len(bands), _NODES))
        for row, (band, width) in enumerate(zip(bands, self.widths.tolist(), strict=True)):
            self.y[row, :width] = band.segment.bins[band.first : band.stop]
            nodes[row], self._matrix[row, :width] = _interpolation(width)
        self._nodes = np.exp(1j * bin_turn[:, None] * (first[:, None] + nodes))[:, :, None]
        low, width = (
            first[:, None] / self.duration_s,
            (self.widths[:, None] - 1) / self.duration_s,
        )
        self._low = 2 * np.pi * (low - _NEAR * width)
        self._high = 2 * np.pi * (low + (1.0 + _NEAR) * width)

    def sound(self, s: ComplexArray, c: ComplexArray, own: np.ndarray) -> ComplexArray:
        """Transform of real partials s, c (m,) in every band; (bands, bins).

        Where `own` (bands, m) only the conjugate, the image at negative frequency, is given. Far
        from a partial its flank is smooth, and is interpolated between six nodes.
        """
        both = np.concatenate([s, s.conj()])
        w = np.exp(both / self.rate)
        gain = np.concatenate([c, c.conj()]) * (1.0 - np.exp(both * self.duration_s))
        gain[:, : len(s)][own] = 0.0
        near = (both.imag > self._low) & (both.imag < self._high) & (gain != 0.0)
        far = np.where(near, 0.0, gain)
        flank = (far[:, None, :] / (1.0 - w * self._nodes)).sum(axis=2)
        total = (self._matrix @ flank[:, :, None])[:, :, 0]
        band, partial = np.nonzero(near)
        if len(band):
            exact = gain[band, partial, None] / (1.0 - w[partial, None] * self.phasor[band])
            for row, line in zip(band.tolist(), exact, strict=True):
                total[row] += line
        return np.asarray(total)
