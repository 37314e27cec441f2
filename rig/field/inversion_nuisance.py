"""Errors of single taps, seen in what no plate mode explains: gain, its slope, delay, place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.field.inversion_gate import GatedSpectra
from rig.field.inversion_state import ModalPlate
from rig.field.inversion_system import Projection
from rig.model.units import FloatArray

_KNEE_HZ = 5000.0
# Prior sd: gain, gain per (f/5 kHz)², delay in µs, place x and y in mm.
_PRIOR = np.array([0.05, 0.05, 10.0, 0.3, 0.3])


@dataclass(frozen=True)
class TapErrors:
    """(taps, 5): gain, gain per (f/5 kHz)², delay µs, place error x and y mm."""

    values: FloatArray

    @property
    def shift_mm(self) -> FloatArray:
        """(taps, 2): add it to the assumed places."""
        return self.values[:, 3:]

    def factor(self, frequency_hz: FloatArray) -> NDArray[np.complex128]:
        """(taps, bins): relative error of the tap's spectrum."""
        return np.asarray(self.values[:, :3] @ gain_shapes(frequency_hz))


def gain_shapes(frequency_hz: FloatArray) -> NDArray[np.complex128]:
    """(3, bins): a gain, a gain per (f/5 kHz)², a delay of 1 µs."""
    return np.stack(
        [
            np.ones(len(frequency_hz), dtype=np.complex128),
            (frequency_hz / _KNEE_HZ) ** 2 + 0j,
            2e-6j * np.pi * frequency_hz,
        ]
    )


def tap_errors(plate: ModalPlate, spectra: GatedSpectra, projection: Projection) -> TapErrors:
    """Regress each tap's remainder on what its own errors would leave there.

    An error e of tap i leaves (1 − leverage) e in its remainder; the rest is taken up by the modes.
    """
    fitted = plate.taps_w @ projection.c
    along_x = plate.taps_x @ projection.c * 1e-3
    along_y = plate.taps_y @ projection.c * 1e-3
    shapes = gain_shapes(spectra.frequency_hz)
    regressors = np.stack(
        [fitted * shapes[0], fitted * shapes[1], fitted * shapes[2], along_x, along_y], axis=1
    )  # (taps, 5, bins)
    scale = 1.0 / np.sqrt(0.5 * projection.tap_noise2)
    left = projection.remainder * scale
    x = regressors * scale
    keep = np.maximum(1.0 - projection.leverage, 0.05)
    x = x * keep[:, None, None]
    normal = np.einsum("iaf,ibf->iab", x, np.conj(x)).real
    slope = np.einsum("iaf,if->ia", np.conj(x), left).real
    # The noise level includes the very errors looked for: one pass with it, one without.
    values = np.zeros_like(slope)
    for _ in range(2):
        excess = left - np.einsum("iaf,ia->if", x, values)
        spread = max(1e-3, float(np.median(np.mean(np.abs(excess) ** 2, axis=1)) / 2.0))
        system = normal / spread + np.diag(1.0 / _PRIOR**2)
        values = np.linalg.solve(system, (slope / spread)[..., None])[..., 0]
    return TapErrors(values=values)
