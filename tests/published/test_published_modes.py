"""Plate modes against plates whose modes are known: frequencies, shapes, nodal lines.

Orthotropic and square free plates: Ritz's method with Legendre polynomials, converged beyond six
figures (Leissa, J. Sound Vib. 31 (1973) 257 gives upper bounds for the square one). Free-free
bars: nodes of the first mode at 0.224158 of the length (Euler-Bernoulli). Modal assurance
criterion: Allemang & Brown, Proc. 1st Int. Modal Analysis Conf. (1982) 110.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from ritz_plate import RitzPlate, pooled_ring, ritz_plate, tapped, taps

from rig.field.plate_modes import PlateModes, mac, matched, plate_modes

ORTHOTROPIC_HZ = (58.379, 98.955, 123.159, 153.938, 169.310, 274.872, 285.112, 324.305, 338.075,
                  380.995, 464.834, 498.510)  # fmt: skip


def orthotropic() -> RitzPlate:
    return ritz_plate(360.0, 200.0, 3.0, 440.0, 11.6e9, 0.73e9, 0.78e9, 0.40)


def isotropic(a_mm: float, b_mm: float, h_mm: float) -> RitzPlate:
    young, nu = 10e9, 0.3
    return ritz_plate(a_mm, b_mm, h_mm, 500.0, young, young, young / 2 / (1 + nu), nu)


@pytest.fixture(scope="module")
def plate() -> RitzPlate:
    return orthotropic()


@pytest.fixture(scope="module")
def found(plate) -> PlateModes:
    scan = tapped(plate, taps(plate, 24.0), place_sd_mm=0.3)
    return plate_modes(scan, pooled_ring(scan), highest_hz=520.0)


def likeness(shape: np.ndarray, true: np.ndarray) -> float:
    return float((shape @ true) ** 2 / (shape @ shape) / (true @ true))


def test_orthotropic_plate_gives_back_its_frequencies(found, plate):
    np.testing.assert_allclose(plate.hz[:12], ORTHOTROPIC_HZ, atol=0.002)
    assert [mode.quality for mode in found.modes] == ["good"] * 12
    np.testing.assert_allclose([m.hz for m in found.modes], ORTHOTROPIC_HZ, rtol=1e-4)
    decays = [mode.decay_s for mode in found.modes]
    np.testing.assert_allclose(decays, 1 / (np.pi * 0.02 * plate.hz[:12]), rtol=0.01)


def test_orthotropic_plate_gives_back_its_shapes(found, plate):
    true = plate.shapes(np.asarray(found.places))
    for k, mode in enumerate(found.modes):
        assert likeness(mode.amplitude, true[:, k]) > 0.999
        assert mode.in_phase_share > 0.999
        scaled = true[:, k] / true[np.argmax(np.abs(mode.amplitude)), k]
        off = mode.amplitude - scaled * (mode.amplitude @ scaled) / (scaled @ scaled)
        assert 0.4 < np.sqrt(np.mean((off / mode.sd) ** 2)) < 1.5


def test_orthotropic_plate_gives_back_its_nodal_lines(found, plate):
    for k, lines in enumerate(found.nodal_lines):
        points = np.vstack(lines)
        size = np.abs(plate.shapes(points)[:, k])
        greatest = np.abs(plate.shapes(taps(plate, 6.0, 0.0))[:, k])
        # where the mode is at rest, to 3 % of its greatest motion
        assert np.sqrt(np.mean(size**2)) < 0.03 * greatest.max()
    # and all of the line is found: mode (1, 1) rests on the two mid lines
    lines = np.vstack(found.nodal_lines[0])
    for x, y in [(180.0, y) for y in range(10, 191, 20)] + [(x, 100.0) for x in range(10, 351, 20)]:
        assert np.min(np.hypot(lines[:, 0] - x, lines[:, 1] - y)) < 4.0
    off_lines = np.minimum(np.abs(lines[:, 0] - 180.0), np.abs(lines[:, 1] - 100.0))
    assert off_lines.max() < 4.0


def test_without_a_pickup_the_shapes_are_still_there(plate):
    scan = tapped(plate, taps(plate, 24.0), pickup=False, gain=0.05, seed=4)
    got = plate_modes(scan, pooled_ring(scan), highest_hz=520.0)
    assert got.normalised == "nothing"
    true = plate.shapes(np.asarray(got.places))
    assert len(got.modes) == 12
    for k, mode in enumerate(got.modes):
        assert likeness(mode.amplitude, true[:, k]) > 0.99
        assert mode.in_phase_share > 0.99


def test_bar_rests_at_0224_of_its_length():
    bar = isotropic(300.0, 24.0, 4.0)
    scan = tapped(bar, taps(bar, 11.0, 2.0), top_hz=2600.0)
    got = plate_modes(scan, pooled_ring(scan), highest_hz=300.0)
    bending = got.modes[0]
    euler = 4.73004074**2 / (2 * np.pi * 0.3**2) * np.sqrt(10e9 * 0.004**2 / 12 / 500.0)
    assert bending.hz == pytest.approx(euler, rel=0.003)
    crossings = np.sort([np.mean(line[:, 0]) for line in got.nodal_lines[0]])
    np.testing.assert_allclose(crossings / 300.0, [0.224158, 1 - 0.224158], atol=0.003)


def test_square_plate_pair_of_one_frequency():
    """The fourth and fifth mode of the square sound as one: a sum of both, as one place hears it.

    λ = ω a² √(ρh/D) = 13.4682, 19.5961, 24.2702, 34.8009 (twice).
    """
    square = isotropic(220.0, 220.0, 4.0)
    rigidity = 10e9 * 0.004**3 / 12 / (1 - 0.3**2)
    lam = square.hz * 2 * np.pi * 0.22**2 * np.sqrt(500.0 * 0.004 / rigidity)
    np.testing.assert_allclose(lam[:5], [13.4682, 19.5961, 24.2702, 34.8009, 34.8009], rtol=1e-5)
    scan = tapped(square, taps(square, 20.0), seed=2)
    got = plate_modes(scan, pooled_ring(scan), highest_hz=1.1 * square.hz[4])
    assert len(got.modes) == 4
    np.testing.assert_allclose([m.hz for m in got.modes], square.hz[:4], rtol=1e-4)
    true = square.shapes(np.asarray(got.places))
    for k in range(3):
        assert likeness(got.modes[k].amplitude, true[:, k]) > 0.999
    pair = np.linalg.lstsq(true[:, 3:5], got.modes[3].amplitude, rcond=None)[0]
    assert likeness(got.modes[3].amplitude, true[:, 3:5] @ pair) > 0.99


def test_assurance_criterion_of_two_scans_on_other_grids(found, plate):
    moved = taps(plate, 27.0, 9.0) + np.array([3.0, -2.0])
    scan = tapped(plate, moved, seed=7, place_sd_mm=0.3, name="S0002")
    again = plate_modes(scan, pooled_ring(scan), highest_hz=520.0)
    for k, pair in enumerate(matched(found, again)):
        assert pair.partner == k
        assert pair.mac is not None
        assert pair.mac > 0.99
        assert mac(found, again, k, k) == pytest.approx(pair.mac)
        assert mac(found, found, k, k) == pytest.approx(1.0)
    # different modes of an even plate are orthogonal
    assert mac(found, again, 0, 2) < 0.03
    assert mac(found, again, 3, 5) < 0.03


def test_one_place_of_a_mode_is_not_another_plates(found):
    """The criterion falls with what is not shared: half a shape flipped is no longer alike."""
    flipped = tuple(
        replace(m, amplitude=np.where(found.places[:, 0] > 180.0, -m.amplitude, m.amplitude))
        for m in found.modes
    )
    other = replace(found, modes=flipped)
    assert mac(found, other, 2, 2) < 0.5
