"""The smooth part of the taps' errors.

Random errors of single taps have parts that vary slowly over the plate. Plate modes absorb those,
so they leave no remainder (`inversion_nuisance` cannot see them) and yet act as a coherent error of
the whole field. They are unknowns of the linear system, on splines of 28 mm.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from rig.field.inversion_gate import GatedSpectra
from rig.field.inversion_nuisance import gain_shapes
from rig.field.inversion_state import ModalPlate
from rig.field.inversion_system import Projection
from rig.model.units import FloatArray
from rig.plate.splines import SplineField

SPACING_MM = 28.0
KINDS = ("gain", "gain per (f/5 kHz)²", "delay µs", "x mm", "y mm")
_SOUND_ONLY = (0, 1, 2, 3, 4)
_WITH_FORCE = (3, 4)


class TapFields:
    """Splines over the taps for the kinds of error that a scan can have.

    sd (size,): prior standard deviations of all coefficients, kind after kind.
    """

    def __init__(self, taps_mm: FloatArray, *, has_pickup: bool, place_sd_mm: float = 0.1) -> None:
        self.field = SplineField(taps_mm, SPACING_MM)
        self.matrix: sparse.csc_matrix = self.field.matrix(taps_mm).tocsc()
        self.kinds = _WITH_FORCE if has_pickup else _SOUND_ONLY
        every = np.array([0.02, 0.02, 1.0, place_sd_mm, place_sd_mm])
        self.sd = np.repeat(every[list(self.kinds)], self.field.size)

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return len(self.sd)

    def columns(
        self,
        plate: ModalPlate,
        spectra: GatedSpectra,
        projection: Projection,
        eta: FloatArray,
        tested: NDArray[np.intp],
    ) -> NDArray[np.float32]:
        """(size, tested, real | imag bins) derivatives of the rows."""
        operator = projection.operator[tested].astype(np.float32)
        lam = plate.omega2[tested, None].astype(np.float32)
        u = projection.c + eta * projection.b
        measured = (spectra.u + eta * spectra.shifted, spectra.acceleration)
        shapes = gain_shapes(spectra.frequency_hz)
        parts = []
        for kind in self.kinds:
            if kind < 3:
                pair = [m * shapes[kind] for m in measured]
            else:
                slopes = (plate.taps_x if kind == 3 else plate.taps_y) * 1e-3
                pair = [slopes @ u, slopes @ projection.a]
            parts.append([np.hstack([p.real, p.imag]).astype(np.float32) for p in pair])
        count = self.field.size
        out = np.empty((self.size, len(tested), 2 * len(eta)), dtype=np.float32)
        for spline in range(count):
            span = slice(self.matrix.indptr[spline], self.matrix.indptr[spline + 1])
            rows = self.matrix.indices[span]
            through = operator[:, rows] * self.matrix.data[span].astype(np.float32)
            for number, (first, second) in enumerate(parts):
                out[number * count + spline] = -(
                    lam * (through @ first[rows]) + through @ second[rows]
                )
        return out

    def factor(self, change: FloatArray, frequency_hz: FloatArray) -> NDArray[np.complex128]:
        """(taps, bins) relative error of the spectra that a change (size,) stands for."""
        shapes = gain_shapes(frequency_hz)
        out = np.zeros((self.matrix.shape[0], len(frequency_hz)), dtype=np.complex128)
        for number, kind in enumerate(self.kinds):
            if kind < 3:
                out += np.outer(self._part(change, number), shapes[kind])
        return out

    def shift_mm(self, change: FloatArray) -> FloatArray:
        """(taps, 2): add it to the assumed places."""
        out = np.zeros((self.matrix.shape[0], 2))
        for number, kind in enumerate(self.kinds):
            if kind >= 3:
                out[:, kind - 3] = self._part(change, number)
        return out

    def _part(self, change: FloatArray, number: int) -> FloatArray:
        count = self.field.size
        return np.asarray(self.matrix @ change[number * count : (number + 1) * count])
