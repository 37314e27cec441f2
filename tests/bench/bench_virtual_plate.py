"""The virtual plate: exactness against the mesh, and time.

Run: python tests/bench/bench_virtual_plate.py

Prints: the published free plates in the thin limit on three meshes; the error of each world's
modes at the working mesh against the same mesh with every triangle split in four; the time of
one plate solved and 550 taps struck (the figure: 10 s on two cores).
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "published"))

import test_published_plates as published

from rig.virtual.plate import modes, store
from rig.virtual.plate.mesh import TriangleMesh, triangulate
from rig.virtual.plate.shell import ShellFields, assemble
from rig.virtual.plate.spec import PlateSpec
from rig.virtual.quick_scan import grid_places
from rig.virtual.voice import PlateVoice
from rig.virtual.worlds import world_spec


def thin_limit() -> None:
    print("free plates, thickness a/10 000: largest error of the first ten modes")
    print(f"{'a/b':>6} {'a/mesh':>7} {'error':>9}")
    for ratio in sorted(published.FREE_PLATES):
        for parts in (2, 4, 8):
            error = published.thin_limit_error(ratio, parts, 1e-4)
            print(f"{ratio:6.2f} {parts:7d} {error:9.1e}")
    for mesh_mm in (60.0, 40.0, 25.0):
        error = published.orthotropic_error(mesh_mm)
        print(f"orthotropic 360 × 200 mm, mesh {mesh_mm:.0f} mm: {error:.1e}")


def split_in_four(mesh: TriangleMesh) -> TriangleMesh:
    from skfem import MeshTri

    grid = MeshTri(np.ascontiguousarray(mesh.points_mm.T), np.ascontiguousarray(mesh.triangles.T))
    finer = grid.refined(1)
    return TriangleMesh(np.asarray(finer.p.T), np.asarray(finer.t.T))


def solved(plate: PlateSpec, mesh: TriangleMesh, top_hz: float) -> modes.PlateModes:
    fields = ShellFields(
        thickness_mm=plate.thickness_mm,
        stiffness_pa=lambda xy: plate.stiffness_pa(1, xy),
        shear_pa=lambda _xy: plate.wood.transverse_shear_pa(),
        density_kg_m3=lambda xy: plate.density_kg_m3(1, xy),
        height_mm=plate.arching.at,
    )
    return modes.solve(assemble(mesh, fields), top_hz)


def mesh_error(world: str, top_hz: float = 13_000.0) -> None:
    plate = world_spec(world).plate
    fine_mesh = split_in_four(triangulate(plate.outline, plate.mesh_mm))
    fine = solved(plate, fine_mesh, top_hz).frequencies_hz[6:]
    print(f"{world}: {len(fine)} modes to {top_hz / 1e3:.0f} kHz")
    mesh = triangulate(plate.outline, plate.mesh_mm)
    coarse = solved(plate, mesh, top_hz).frequencies_hz[6:]
    count = min(len(fine), len(coarse))
    error = coarse[:count] / fine[:count] - 1.0
    for low, high in ((0, 1000), (1000, 4000), (4000, 8000), (8000, 13000)):
        band = (fine[:count] >= low) & (fine[:count] < high)
        print(
            f"  mesh {plate.mesh_mm:.0f} mm, {low:>5}-{high:<5} Hz: "
            f"mean {error[band].mean():.1e}, largest {np.abs(error[band]).max():.1e}"
        )


def timing(world: str) -> None:
    spec = world_spec(world)
    wall, cpu = time.perf_counter(), time.process_time()
    plate = store.solve_plate(spec.plate, 1)
    solved_wall, solved_cpu = time.perf_counter() - wall, time.process_time() - cpu
    voice = PlateVoice(spec, 1, "outer")
    rng = np.random.default_rng(1)
    places = grid_places(spec.plate.outline, 9.0)[:550]
    wall, cpu = time.perf_counter(), time.process_time()
    for x, y in places:
        voice.strike(float(x), float(y), 0.5, rng)
    struck_wall, struck_cpu = time.perf_counter() - wall, time.process_time() - cpu
    print(
        f"{world}: solve {solved_wall:.1f} s ({solved_cpu:.1f} s of processor), "
        f"{len(places)} taps {struck_wall:.1f} s ({struck_cpu:.1f} s), "
        f"{len(plate.frequencies_hz)} modes; together {solved_wall + struck_wall:.1f} s"
    )


if __name__ == "__main__":
    timing("maple-graded")
    timing("spruce-top")
    thin_limit()
    mesh_error("maple-graded")
    mesh_error("spruce-top")
