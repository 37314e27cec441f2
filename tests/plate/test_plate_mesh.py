"""Meshes cover the wood and nothing else."""

from __future__ import annotations

import numpy as np
import pytest

from rig.plate.mesh import mesh_of
from rig.virtual.shapes import violin_outline


@pytest.mark.parametrize("sound_holes", [False, True])
@pytest.mark.parametrize("size_mm", [9.0, 12.0])
def test_mesh_covers_the_wood(sound_holes: bool, size_mm: float) -> None:
    outline = violin_outline(sound_holes=sound_holes)
    mesh = mesh_of(outline, size_mm)
    assert mesh.area_mm2 == pytest.approx(outline.area_mm2, rel=1e-3)
    assert outline.contains(mesh.points_mm[mesh.triangles].mean(axis=1)).all()


def test_no_triangle_is_a_sliver() -> None:
    mesh = mesh_of(violin_outline(), 12.0)
    corner = mesh.points_mm[mesh.triangles]
    sides = np.linalg.norm(corner - np.roll(corner, 1, axis=1), axis=2)
    height = mesh._doubled_areas() / sides.max(axis=1)
    assert height.min() > 0.25 * np.median(sides)


def test_places_are_found_in_their_triangle() -> None:
    mesh = mesh_of(violin_outline(), 12.0)
    middles = mesh.points_mm[mesh.triangles].mean(axis=1)
    np.testing.assert_array_equal(mesh.locate(middles), np.arange(len(mesh.triangles)))
