"""Dispersion, the edge's near field, neighbourhoods and the kernel."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rig.field.dispersion import PlateWaves, WoodRatios, directions, wood_ratios
from rig.field.edge_waves import edge_waves
from rig.field.neighbourhoods import neighbourhoods, straight_way
from rig.field.wave_kernel import inverse_covariances, open_covariance
from rig.model.outline import Outline
from rig.virtual.shapes import violin_outline

ISOTROPIC = WoodRatios(1.0, 1.0, 1e-9, 1e-9, 700.0, 3000.0, 3.0)


def waves_of(ratios: WoodRatios, thickness_m: float = 0.003) -> PlateWaves:
    return PlateWaves(ratios, thickness_m, thickness_m * ratios.speed_m_s)


def test_thin_isotropic_wavenumber_follows_kirchhoff() -> None:
    # k⁴ = 12ρω²/(c h²); rotary inertia is all that is left besides, about (kh)²/12.
    waves = waves_of(ISOTROPIC, 0.0005)
    k = waves.wavenumber(np.array([0.0, 0.7, 1.5]), np.array(1000.0), np.array(0.0005 * 3000.0))
    expected = np.sqrt(2 * np.pi * 1000.0 * np.sqrt(12.0) / (0.0005 * 3000.0))
    assert k == pytest.approx(expected, rel=2e-4)


def test_shear_and_rotary_inertia_follow_timoshenko() -> None:
    # Timoshenko beam, exact lower branch: with a = ρ/E (1 + E/κG), the dispersion relation is
    # EI k⁴ − ρI(1+E/κG)ω²k² − ρAω² + ρ²I ω⁴/κG = 0; the model leaves out the last term.
    ratio = 12.0  # E/κG
    waves = waves_of(replace(ISOTROPIC, shear_across=ratio, shear_along=ratio))
    h, c = 0.003, 3000.0
    for hz in (2000.0, 6000.0, 10000.0):
        omega = 2 * np.pi * hz
        second = (h**2 / 12.0) * (1 + ratio) * omega**2 / c**2
        last = omega**2 / c**2 - (h**2 / 12.0) * ratio * omega**4 / c**4
        i = h**2 / 12.0
        exact = np.sqrt((second + np.sqrt(second**2 + 4 * i * last)) / (2 * i))
        k = float(waves.wavenumber(np.array(0.3), np.array(hz), np.array(h * c)))
        assert k == pytest.approx(exact, rel=0.012)


def test_tone_is_proportional_to_thickness() -> None:
    waves = waves_of(wood_ratios("maple"))
    tone = waves.thin_tone_hz(waves.product_m2_s * np.array([1.0, 1.1]))
    assert 1200 * np.log2(tone[1] / tone[0]) == pytest.approx(165.0, abs=0.1)


def test_waves_are_longer_along_the_grain() -> None:
    for wood in ("maple", "spruce", "Picea abies spruce", None):
        waves = waves_of(wood_ratios(wood))
        across, along = waves.wavenumber(
            np.array([0.0, np.pi / 2]), np.array(6000.0), np.array(waves.product_m2_s)
        )
        assert along < 0.75 * across


def test_free_edge_of_an_isotropic_plate_at_normal_incidence() -> None:
    # Free beam end: reflected wave of the same size, near field √2 of it, decaying at k.
    found = edge_waves(waves_of(ISOTROPIC), np.array([1.0, 0.0]), 5000.0)
    straight = int(np.argmin(np.abs(found.along)))
    assert np.abs(found.parts[:, 1]) == pytest.approx(1.0, abs=1e-6)
    assert abs(found.parts[straight, 2]) == pytest.approx(np.sqrt(2.0), rel=0.01)
    assert found.across[straight, 2].imag == pytest.approx(1.0, rel=0.02)


@pytest.mark.parametrize("turn", [0.0, 0.6, 2.0])
def test_no_moment_and_no_force_on_the_free_edge(turn: float) -> None:
    """Numerically: the sum of the three waves fulfils both edge conditions of a turned plate."""
    ratios = WoodRatios(7.0, 0.7, 1e-9, 1e-9, 620.0, 4200.0, 3.0)
    waves = waves_of(ratios)
    inward = np.array([np.cos(turn), np.sin(turn)])
    found = edge_waves(waves, inward, 8000.0)
    # Each of the three parts must be a wave of the plate: k(direction) in the plate's own frame.
    for part in (0, 1):
        size = np.hypot(found.across[:, part].real, found.along)
        angle = np.arctan2(found.along, found.across[:, part].real) + turn
        k = waves.wavenumber(angle, np.array(8000.0), np.array(waves.product_m2_s))
        mean = np.exp(
            np.mean(
                np.log(
                    waves.wavenumber(directions(16), np.array(8000.0), np.array(waves.product_m2_s))
                )
            )
        )
        assert size == pytest.approx(k / mean, rel=2e-3)
    assert np.all(found.across[:, 2].imag > 0)


def test_covariance_of_open_waves_is_a_correlation() -> None:
    offset = np.random.default_rng(1).uniform(-25, 25, (20, 2))
    covariance = open_covariance(offset, waves_of(wood_ratios("maple")), np.array([4000.0, 9000.0]))
    assert np.diagonal(covariance, axis1=1, axis2=2) == pytest.approx(1.0, abs=1e-4)
    assert np.linalg.eigvalsh(covariance.astype(float)).min() > -1e-4


def test_inverse_covariance_belongs_to_its_determinant() -> None:
    outline = violin_outline()
    places = np.array([(x, y) for x in range(-30, 31, 10) for y in range(60, 121, 10)], float)
    (group, *_) = neighbourhoods(
        places, np.array([[0.0, 90.0]]), outline, radius_mm=25.0, edge_reach_mm=0.0
    )
    inverse, logdet = inverse_covariances(
        group, waves_of(wood_ratios("maple")), np.array([5000.0]), noise=0.01, width_mm=14.0
    )
    sign, value = np.linalg.slogdet(inverse[0].astype(float))
    assert sign == 1.0
    assert value == pytest.approx(-logdet[0], rel=1e-3)


def test_neighbours_across_a_sound_hole_are_not_read_together() -> None:
    outline = violin_outline(sound_holes=True)
    hole = outline.holes[0]
    middle = hole.mean(axis=0)
    aside = np.array([9.0, 0.0])
    left, right = middle - aside, middle + aside
    assert not straight_way(outline, left[None], right[None])[0]
    places = np.array([(x, y) for x in np.arange(-90, 91, 9.0) for y in np.arange(20, 340, 9.0)])
    places = places[outline.contains(places)]
    groups = neighbourhoods(places, left[None], outline, radius_mm=27.0, edge_reach_mm=36.0)
    members = places[groups[0].members[0]]
    beyond = straight_way(outline, np.broadcast_to(left, members.shape), members)
    assert beyond.all()
    assert len(members) >= 12


def test_equal_arrangements_share_one_group() -> None:
    square = Outline.checked(np.array([(0, 0), (200, 0), (200, 200), (0, 200)], float))
    places = np.array([(x, y) for x in np.arange(5, 200, 9.0) for y in np.arange(5, 200, 9.0)])
    groups = neighbourhoods(places, places, square, radius_mm=27.2, edge_reach_mm=0.0)
    assert sum(len(g.centres) for g in groups) == len(places)
    assert max(len(g.centres) for g in groups) > 0.4 * len(places)
