"""What a cut changes of an arched plate's membrane energy and in-plane inertia.

Both are taken as the plate model itself takes them, triangle by triangle with the membrane strains
smoothed (see `rig.plate.plate_model`): at single points they are rough, and a cut is not much
larger than a triangle.
"""

from __future__ import annotations

import numpy as np

from rig.field.inversion_state import Belief, ModalPlate, PlateGeometry
from rig.model.units import FloatArray
from rig.plate.quadrature import smooth_projection


def shell_change(
    geometry: PlateGeometry, belief: Belief, plate: ModalPlate, removed_m: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Change of stiffness and mass between all modes, (n, n) each; zeros for a flat plate.

    removed_m (p,): wood taken off at the model's integration points `geometry.model.places_mm`.
    """
    model, arch = geometry.model, plate.modes.arch
    count = plate.w.shape[1]
    if arch is None:
        return np.zeros((count, count)), np.zeros((count, count))
    m = len(model.mesh.triangles)
    off = removed_m.reshape(m, -1)
    cut = np.flatnonzero(off.max(axis=1) > 0.0)
    weight = -(model.weights_m2.reshape(m, -1) * off)
    w = model.space.shapes(np.arange(m), model.space.places_m(model.reference), 0, 0)
    strain = model.in_plane.coupled_strain(model.reference, w, arch.curvature.reshape(m, -1, 3))
    strain = strain[cut]
    k, q = strain.shape[:2]
    smooth = np.matmul(smooth_projection(model.degree, 2), strain.reshape(k, q, -1))
    dof = np.hstack([model.space.dof, model.in_plane.dof])[cut]
    moves = plate.modes.dofs[dof][:, :, :count]  # (k, 41, n)
    seen = np.matmul(smooth.reshape(k, q * 3, -1), moves).reshape(k * q, 3, count)
    stress = np.einsum("ab,pbn->pan", belief.stiffness.matrix(), seen)
    stress *= weight[cut].reshape(-1)[:, None, None]
    stiff = seen.reshape(-1, count).T @ stress.reshape(-1, count)
    load = belief.density_kg_m3 * weight
    inertia = model.in_plane.mass(model.reference, w, arch.slopes.reshape(m, -1, 2), load)[cut]
    mass = np.einsum("kin,kij,kjl->nl", moves, inertia, moves, optimize=True)
    return np.asarray(stiff), np.asarray(mass)
