"""Bending waves beside a straight free edge: incoming wave, reflection, near field.

Free edge of a thin orthotropic plate, axes turned to the edge (Lekhnitskii, Anisotropic Plates,
1968, ch. 1): no bending moment and no effective shear force on it. For each direction the
reflected and the evanescent wave numbers are roots of the plate's quartic, and their strengths
follow from the two edge conditions.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from rig.field.dispersion import PlateWaves, directions
from rig.field.neighbourhoods import EdgeNearby
from rig.model.units import FloatArray

_ANGLES = 16


@dataclass(frozen=True)
class EdgeWaves:
    """Waves with their answers at a free edge, for a mean wavenumber of 1.

    along: (m,) wavenumber along the edge; across: (m, 3) complex wavenumber into the wood of the
    incoming, reflected and evanescent part; parts: (m, 3) their complex strengths;
    strength: (m,) share of each direction, summing to 1.
    """

    along: FloatArray
    across: NDArray[np.complex128]
    parts: NDArray[np.complex128]
    strength: FloatArray

    def near_field(
        self, edge: EdgeNearby, waves: PlateWaves, axis_hz: FloatArray
    ) -> NDArray[np.float32]:
        """Covariance (K, n, n) of the evanescent waves at the members beside the edge.

        They are taken as independent of the waves that raise them: with curved edges and places
        known to some tenths of a millimetre the phase between the two is not to be trusted, and a
        kernel that trusted it read worse than one without edges.
        """
        scale = _wavenumbers(waves, axis_hz.tobytes())[:, None, None] / 1000.0
        incoming = np.stack([self.across[:, 0].real, self.along])
        way = edge.foot_mm @ incoming + edge.depth_mm[:, None] * self.across[:, 2]
        turned = (1j * scale).astype(np.complex64) * way.astype(np.complex64)
        field = np.exp(turned) * self.parts[:, 2].astype(np.complex64)
        # Incoming and reflected wave carry the energy of two of the open plate's waves.
        field *= np.sqrt(0.5 * self.strength).astype(np.float32)
        both = np.concatenate([field.real, field.imag], axis=2)
        return np.asarray(both @ both.transpose(0, 2, 1))


def mean_wavenumber(waves: PlateWaves, axis_hz: FloatArray) -> FloatArray:
    """Geometric mean over directions, rad/m, (K,)."""
    theta = directions(16)
    k = waves.wavenumber(theta[None, :], axis_hz[:, None], np.asarray(waves.product_m2_s))
    return np.asarray(np.exp(np.mean(np.log(k), axis=1)))


@lru_cache(maxsize=4)  # the same for every stretch of edge
def _wavenumbers(waves: PlateWaves, axis: bytes) -> FloatArray:
    return mean_wavenumber(waves, np.frombuffer(axis))


def edge_waves(waves: PlateWaves, inward: FloatArray, hz: float) -> EdgeWaves:
    """Solve the edge for waves from `_ANGLES` directions; `inward` (2,) unit normal.

    The plate's shear enters through effective stiffnesses at `hz`, fitted to the wavenumbers of
    four directions.
    """
    turn = float(np.arctan2(inward[1], inward[0]))
    d11, d12, d16, d22, d26, d66 = _turned(waves, turn, hz)
    # Directions in the frame of the edge: x inward, incoming waves run towards −x.
    angle = np.pi / 2 + np.pi * (np.arange(_ANGLES) + 0.5) / _ANGLES
    c, s = np.cos(angle), np.sin(angle)
    stiffness = (
        d11 * c**4
        + 4 * d16 * c**3 * s
        + (2 * d12 + 4 * d66) * c**2 * s**2
        + 4 * d26 * c * s**3
        + d22 * s**4
    )
    k = np.maximum(stiffness, 1e-9) ** -0.25
    along, incoming = k * s, k * c
    reflected, evanescent = _other_roots(along, incoming, (d11, d12, d16, d22, d26, d66))
    across = np.stack([incoming.astype(complex), reflected, evanescent], axis=1)

    ky = along[:, None]
    moment = d11 * across**2 + 2 * d16 * across * ky + d12 * ky**2
    force = (
        d11 * across**3
        + 4 * d16 * across**2 * ky
        + (d12 + 4 * d66) * across * ky**2
        + 2 * d26 * ky**3
    )
    left = np.stack([moment[:, 1:], force[:, 1:]], axis=1)
    right = -np.stack([moment[:, 0], force[:, 0]], axis=1)
    answer = np.linalg.solve(left, right[:, :, None])[:, :, 0]
    answer *= np.minimum(1.0, 3.0 / np.maximum(np.abs(answer), 1e-9))
    parts = np.concatenate([np.ones((_ANGLES, 1)), answer], axis=1)
    strength = k**2 / np.sum(k**2)
    return EdgeWaves(along=along, across=across, parts=parts, strength=strength)


@lru_cache(maxsize=4)
def _stiffnesses(waves: PlateWaves, hz: float) -> tuple[float, float, float]:
    """c11, c12 + 2·c66 and c22 along the wood's axes, scaled so that the mean wavenumber is 1."""
    theta = np.array([0.0, np.pi / 2, np.pi / 4, np.pi / 8, 3 * np.pi / 8])
    k = waves.wavenumber(theta, np.asarray(hz), np.asarray(waves.product_m2_s))
    k = k / mean_wavenumber(waves, np.array([hz]))
    c2, s2 = np.cos(theta) ** 2, np.sin(theta) ** 2
    rows = np.stack([c2 * c2, 2 * c2 * s2, s2 * s2], axis=1)
    c11, twist, c22 = np.linalg.lstsq(rows, k**-4.0, rcond=None)[0]
    return float(c11), float(twist), float(c22)


def _turned(waves: PlateWaves, turn: float, hz: float) -> tuple[float, ...]:
    """Stiffnesses in the frame of the edge."""
    c11, twist, c22 = _stiffnesses(waves, hz)
    c66 = 0.42 * twist  # c12 + 2·c66 = twist; woods of instruments have c12 near 0.16 of it
    c12 = twist - 2.0 * c66
    c, s = np.cos(turn), np.sin(turn)
    d11 = c11 * c**4 + 2 * twist * c**2 * s**2 + c22 * s**4
    d22 = c11 * s**4 + 2 * twist * c**2 * s**2 + c22 * c**4
    d12 = (c11 + c22 - 4 * c66) * c**2 * s**2 + c12 * (c**4 + s**4)
    d66 = (c11 + c22 - 2 * c12 - 2 * c66) * c**2 * s**2 + c66 * (c**4 + s**4)
    d16 = -c * s * (c11 * c**2 - c22 * s**2 - twist * (c**2 - s**2))
    d26 = -c * s * (c11 * s**2 - c22 * c**2 + twist * (c**2 - s**2))
    return d11, d12, d16, d22, d26, d66


def _other_roots(
    along: FloatArray, incoming: FloatArray, d: tuple[float, ...]
) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """Wavenumbers into the wood of the reflected and the evanescent wave, both (m,) complex."""
    d11, d12, d16, d22, d26, d66 = d
    companion = np.zeros((len(along), 4, 4))
    companion[:, 0, 0] = -4 * d16 * along / d11
    companion[:, 0, 1] = -(2 * d12 + 4 * d66) * along**2 / d11
    companion[:, 0, 2] = -4 * d26 * along**3 / d11
    companion[:, 0, 3] = -(d22 * along**4 - 1.0) / d11
    companion[:, [1, 2, 3], [0, 1, 2]] = 1.0
    roots = np.linalg.eigvals(companion).astype(complex)
    rows = np.arange(len(along))
    # exp(i·q·x) must die away into the wood: the root with the greatest imaginary part.
    evanescent = roots[rows, np.argmax(roots.imag, axis=1)]
    real = np.where(np.abs(roots.imag) < 1e-6 * (1 + np.abs(roots)), roots.real, -np.inf)
    apart = np.where(np.isfinite(real), np.abs(real - incoming[:, None]), -1.0)
    reflected = roots[rows, np.argmax(apart, axis=1)].real.astype(complex)
    return reflected, evanescent
