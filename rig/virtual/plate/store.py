"""Solved plates, kept in memory and in the user's cache folder (safe to delete at any time).

The key is a hash of the plate, its wood seed, the solver's settings and the text of this package,
so that neither another plate nor another version of the code can be served by mistake.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from contextlib import suppress
from functools import lru_cache
from pathlib import Path

import numpy as np
from platformdirs import user_cache_dir

from rig.virtual.plate.mesh import TriangleMesh, triangulate
from rig.virtual.plate.modes import PlateModes, solve
from rig.virtual.plate.shell import ShellFields, assemble
from rig.virtual.plate.spec import PlateSpec

TOP_HZ = 13_000.0
_KEPT_FILES = 24
_memory: dict[str, PlateModes] = {}


def plate_modes(
    plate: PlateSpec,
    wood_seed: int,
    *,
    top_hz: float = TOP_HZ,
    cached: bool = True,
) -> PlateModes:
    """Modes of the plate up to `top_hz`; solved once, then read from memory or disk."""
    key = _key(plate, wood_seed, top_hz)
    if cached and key in _memory:
        return _memory[key]
    path = _folder() / f"{key}.npz"
    modes = _read(path) if cached else None
    if modes is None:
        modes = solve_plate(plate, wood_seed, top_hz=top_hz)
        if cached:
            _write(path, modes)
    if cached:
        _memory[key] = modes
    return modes


def solve_plate(plate: PlateSpec, wood_seed: int, *, top_hz: float = TOP_HZ) -> PlateModes:
    """Mesh, assemble and solve one plate, without any cache."""
    shear = plate.wood.transverse_shear_pa()
    fields = ShellFields(
        thickness_mm=plate.thickness_mm,
        stiffness_pa=lambda xy: plate.stiffness_pa(wood_seed, xy),
        shear_pa=lambda _xy: shear,
        density_kg_m3=lambda xy: plate.density_kg_m3(wood_seed, xy),
        height_mm=plate.arching.at,
    )
    mesh = triangulate(plate.outline, plate.mesh_mm)
    return solve(assemble(mesh, fields, plate.bars), top_hz)


def _key(plate: PlateSpec, wood_seed: int, top_hz: float) -> str:
    digest = hashlib.sha256(_code_text())
    outline = plate.outline
    for ring in (outline.rim, *outline.holes):
        digest.update(np.ascontiguousarray(ring).tobytes())
    plain = (plate.wood, plate.graduation, plate.zones, plate.arching, plate.scatter, plate.bars)
    digest.update(repr((plain, plate.temperature_c, wood_seed, top_hz, plate.mesh_mm)).encode())
    return digest.hexdigest()[:24]


@lru_cache(maxsize=1)
def _code_text() -> bytes:
    return b"".join(path.read_bytes() for path in sorted(Path(__file__).parent.glob("*.py")))


def _folder() -> Path:
    return Path(user_cache_dir("platerig")) / "virtual"


def _read(path: Path) -> PlateModes | None:
    """Read a stored plate; anything odd about the file counts as not stored."""
    try:
        with path.open("rb") as file, np.load(file, allow_pickle=False) as stored:
            return PlateModes(
                frequencies_hz=stored["frequencies_hz"],
                nodal=stored["nodal"].astype(np.float64),
                dofs=stored["dofs"],
                mesh=TriangleMesh(stored["points_mm"], stored["triangles"]),
                mass_kg=float(stored["mass_kg"]),
            )
    except Exception:  # missing, cut short, or written by something else: solve again
        return None


def _write(path: Path, modes: PlateModes) -> None:
    """Store atomically; a cache that cannot be written is no reason to fail."""
    with suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, part = tempfile.mkstemp(dir=path.parent, suffix=".part")
        try:
            with os.fdopen(handle, "wb") as file:
                np.savez(
                    file,
                    frequencies_hz=modes.frequencies_hz,
                    nodal=modes.nodal.astype(np.float32),
                    dofs=modes.dofs,
                    points_mm=modes.mesh.points_mm,
                    triangles=modes.mesh.triangles,
                    mass_kg=modes.mass_kg,
                )
            os.replace(part, path)
        except BaseException:
            with suppress(OSError):
                os.unlink(part)
            raise
        oldest_last = sorted(path.parent.glob("*.npz"), key=lambda p: -p.stat().st_mtime)
        for stale in oldest_last[_KEPT_FILES:]:
            stale.unlink(missing_ok=True)
