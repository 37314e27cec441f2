"""The virtual plate's mesh, shell, modes and cache."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rig.model.errors import OutlineError
from rig.model.frames import PlateXY
from rig.model.outline import Outline
from rig.virtual.plate import store
from rig.virtual.plate.mesh import triangulate
from rig.virtual.plate.modes import RIGID_MODES, PlateModes, solve
from rig.virtual.plate.shell import ShellFields, assemble
from rig.virtual.plate.spec import Arching, Graduation, PlateSpec, Zone
from rig.virtual.plate.wood import MAPLE, Scatter, SmoothField
from rig.virtual.shapes import violin_outline
from rig.virtual.worlds import world_spec

TOP_HZ = 1500.0


def solved(plate: PlateSpec, *, seed: int = 1, mesh_mm: float = 30.0) -> PlateModes:
    return store.solve_plate(replace(plate, mesh_mm=mesh_mm), seed, top_hz=TOP_HZ)


@pytest.fixture(scope="module")
def back() -> PlateSpec:
    return world_spec("maple-graded").plate


@pytest.fixture(scope="module")
def back_modes(back: PlateSpec) -> PlateModes:
    return solved(back)


@pytest.mark.parametrize("holes", [False, True])
@pytest.mark.parametrize("size_mm", [14.0, 18.0, 25.0])
def test_mesh_follows_the_outline_with_good_triangles(holes: bool, size_mm: float) -> None:
    outline = violin_outline(sound_holes=holes)
    mesh = triangulate(outline, size_mm)
    assert mesh.areas_mm2.min() > 0
    assert mesh.areas_mm2.sum() == pytest.approx(outline.area_mm2, rel=2e-3)
    assert mesh.quality.min() > 0.4
    assert np.percentile(mesh.quality, 5) > 0.7
    centroids = mesh.points_mm[mesh.triangles].mean(axis=1)
    assert outline.contains(centroids).all()


def test_mesh_refuses_an_outline_it_cannot_follow() -> None:
    comb = [(0.0, 0.0)]
    for tooth in range(12):
        comb += [(10.0 * tooth, 300.0), (10.0 * tooth + 0.02, 1.0)]
    comb += [(200.0, 0.0)]
    with pytest.raises(OutlineError, match="mesh"):
        triangulate(Outline(PlateXY(np.array(comb)[::-1].copy())), 40.0)


def test_smooth_field_has_the_asked_mean_spread_and_length() -> None:
    places = np.random.default_rng(0).uniform(-100, 100, (300, 2))
    values = np.array([SmoothField((seed,), 30.0).at(places) for seed in range(200)])
    assert abs(values.mean()) < 0.02
    assert values.std() == pytest.approx(1.0, abs=0.03)
    distance = np.linalg.norm(places[0] - places, axis=1)
    covariance = (values * values[:, :1]).mean(axis=0)
    np.testing.assert_allclose(covariance, np.exp(-(distance**2) / 1800.0), atol=0.3)


def test_scatter_is_about_three_percent(back: PlateSpec) -> None:
    places = triangulate(back.outline, 10.0).points_mm
    nominal = back.wood.plane_stiffness_pa()
    spreads = [
        np.std(np.log(back.stiffness_pa(seed, places)[:, k, k] / nominal[k, k]))
        for seed in range(12)
        for k in range(3)
    ]
    assert 0.02 < np.mean(spreads) < 0.035


def test_rigid_motions_cost_nothing_even_on_an_arched_plate(back_modes: PlateModes) -> None:
    assert (back_modes.frequencies_hz[:RIGID_MODES] == 0.0).all()
    assert back_modes.frequencies_hz[RIGID_MODES] > 80.0


def test_modes_are_mass_normalised_and_orthogonal(back: PlateSpec, back_modes: PlateModes) -> None:
    """On the flat plate deflection carries nearly all the mass; an arch moves sideways too."""
    places, areas, shapes = back_modes.sampled()
    mass = back.density_kg_m3(1, places) * back.thickness_mm(places) * 1e-3 * areas
    gram = shapes.T @ (mass[:, None] * shapes)
    vibrating = gram[RIGID_MODES:, RIGID_MODES:]
    assert np.all(np.diag(vibrating) < 1.001)
    assert np.all(np.diag(vibrating) > 0.85)
    off = vibrating - np.diag(np.diag(vibrating))
    assert np.abs(off).max() < 0.1
    assert mass.sum() == pytest.approx(back_modes.mass_kg, rel=2e-3)


def test_shapes_at_places_agree_with_the_surface_samples(back_modes: PlateModes) -> None:
    places, _areas, shapes = back_modes.sampled()
    np.testing.assert_allclose(back_modes.at(places[::7]), shapes[::7], atol=1e-8)


def test_back_has_the_usual_low_modes(back_modes: PlateModes) -> None:
    """Common practice, no source: X mode at 140-230 Hz and ring mode at 300-420 Hz on a back."""
    x_mode, ring_mode = (
        next(hz for hz, shape in listed(back_modes) if kind(shape))
        for kind in (is_crossed, is_ring)
    )
    assert 140.0 < x_mode < 230.0
    assert 300.0 < ring_mode < 420.0


def listed(modes: PlateModes) -> list[tuple[float, dict[str, float]]]:
    at = {
        "middle": (0.0, 175.0), "top": (0.0, 350.0), "bottom": (0.0, 5.0),
        "left": (-98.0, 80.0), "right": (98.0, 80.0), "high left": (-80.0, 280.0),
        "high right": (80.0, 280.0),
    }  # fmt: skip
    shapes = modes.at(np.array(list(at.values())))
    return [
        (float(hz), dict(zip(at, shapes[:, m], strict=True)))
        for m, hz in enumerate(modes.frequencies_hz)
        if m >= RIGID_MODES
    ]


def is_crossed(shape: dict[str, float]) -> bool:
    """Ends against sides, both halves alike."""
    return shape["top"] * shape["bottom"] > 0 and shape["left"] * shape["top"] < 0 < (
        shape["left"] * shape["right"]
    )


def is_ring(shape: dict[str, float]) -> bool:
    """Middle against the whole rim."""
    rim = [shape[k] for k in ("top", "bottom", "left", "right", "high left", "high right")]
    return all(r * shape["middle"] < 0 for r in rim)


def test_thicker_plates_sound_higher_and_a_zone_of_wood_raises_its_tone(back: PlateSpec) -> None:
    thick = replace(back, graduation=Graduation(5.0, 3.0), arching=Arching(0.0))
    thin = replace(thick, graduation=Graduation(4.5, 2.7))
    ratio = solved(thick).frequencies_hz[6:14] / solved(thin).frequencies_hz[6:14]
    assert np.all(ratio > 1.05)
    zone = Zone(10.0, 20.0, 60.0, 0.5)
    assert zone.at(np.array([[10.0, 20.0], [40.0, 20.0]])) == pytest.approx([0.5, 0.25])


def test_arching_stiffens_the_long_waves_and_leaves_the_short_ones(back: PlateSpec) -> None:
    even = replace(back, zones=(), scatter=Scatter(0.0, 0.0, 0.0))
    arched, flat = (
        store.solve_plate(replace(even, arching=Arching(a), mesh_mm=32.0), 1, top_hz=3000.0)
        for a in (13.5, 0.0)
    )
    low = arched.frequencies_hz[6:14] / flat.frequencies_hz[6:14]
    assert low.mean() > 1.15
    counts = [int(np.sum(m.frequencies_hz < 3000.0)) for m in (arched, flat)]
    assert abs(counts[0] - counts[1]) <= 4  # modes are moved up from below, not removed


def test_a_gently_bent_bar_does_not_lock() -> None:
    """An inextensional bar 300 mm long with a rise of 9 mm keeps its bending modes within 3 %."""
    corners = np.array([(0, 0), (12, 0), (12, 300), (0, 300)], dtype=float)
    stiffness = MAPLE.plane_stiffness_pa()

    def strip(rise_mm: float) -> np.ndarray:
        fields = ShellFields(
            thickness_mm=lambda xy: np.full(len(xy), 3.0),
            stiffness_pa=lambda xy: np.broadcast_to(stiffness, (len(xy), 3, 3)),
            shear_pa=lambda _xy: MAPLE.transverse_shear_pa(),
            density_kg_m3=lambda xy: np.full(len(xy), 620.0),
            height_mm=lambda xy: rise_mm * 4.0 * xy[:, 1] * (300.0 - xy[:, 1]) / 300.0**2,
        )
        mesh = triangulate(Outline(PlateXY(corners)), 12.0)
        return solve(assemble(mesh, fields), 600.0).frequencies_hz[RIGID_MODES:]

    bent, straight = strip(9.0), strip(0.0)
    np.testing.assert_allclose(bent[:2], straight[:2], rtol=0.03)


def test_cache_serves_the_same_plate_and_survives_damage(
    back: PlateSpec, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(store, "_folder", lambda: tmp_path)
    monkeypatch.setattr(store, "_memory", {})
    back = replace(back, mesh_mm=45.0)
    first = store.plate_modes(back, 5, top_hz=500.0)
    (path,) = tmp_path.glob("*.npz")
    monkeypatch.setattr(store, "_memory", {})
    again = store.plate_modes(back, 5, top_hz=500.0)
    np.testing.assert_array_equal(first.frequencies_hz, again.frequencies_hz)
    np.testing.assert_allclose(first.nodal, again.nodal, atol=1e-5)
    path.write_bytes(path.read_bytes()[:1000])
    monkeypatch.setattr(store, "_memory", {})
    mended = store.plate_modes(back, 5, top_hz=500.0)
    np.testing.assert_array_equal(first.frequencies_hz, mended.frequencies_hz)
    other = store.plate_modes(replace(back, temperature_c=25.0), 5, top_hz=500.0)
    assert np.all(other.frequencies_hz[6:12] < first.frequencies_hz[6:12])
    assert len(list(tmp_path.glob("*.npz"))) == 2
    assert not list(tmp_path.glob("*.part"))
