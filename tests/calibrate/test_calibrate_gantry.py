"""The gantry from dots: drawn pictures of inked sheets, outliers, lost dots, nonsense."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.spatial import cKDTree

from rig.calibrate.gantry import GantryCorrection, dot_plan, fit_gantry, match_dots
from rig.calibrate.positioning import positioning
from rig.model.errors import AnalysisError
from rig.model.frames import BedXY
from rig.model.rig_settings import BedMarker, BedSettings, LensSettings
from rig.vision.bed import BedView, find_bed
from rig.vision.dots import find_dots
from rig.vision.lens import CameraPose

AREA = (80.0, 90.0, 420.0, 510.0)
LENS = LensSettings(fx=1480.0, fy=1480.0, cx=960.0, cy=540.0, k1=-0.08, k2=0.02)
MARKERS = tuple(
    BedMarker(i, x, y, 40.0)
    for i, (x, y) in enumerate([(35, 35), (465, 35), (465, 565), (35, 565)])
)
BED = BedSettings(markers=MARKERS)


def true_gantry() -> GantryCorrection:
    """0.3 % scale on X, 0.2° skew, 0.5 mm offset (0.3, −0.4), some backlash."""
    skew = np.radians(0.2)
    return GantryCorrection(
        (0.3, -0.4), ((1.003, float(np.sin(skew))), (0.0, float(np.cos(skew)))), (0.12, 0.06)
    )


def marked(seed: int, *, scatter_mm: float = 0.02) -> tuple[list, np.ndarray]:
    dots = dot_plan(AREA)
    told = np.array([(d.x_mm, d.y_mm) for d in dots])
    side = np.array([(d.side_x, d.side_y) for d in dots])
    rng = np.random.default_rng(seed)
    seen = true_gantry().to_bed(told, side) + scatter_mm * rng.standard_normal(told.shape)
    return dots, seen


def looking(tilt_deg: float, turn_deg: float) -> CameraPose:
    """A camera over the middle of the bed, leaning towards its front edge."""
    tilt, turn = np.radians([tilt_deg, turn_deg])
    lean = np.array(
        [[1, 0, 0], [0, -np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), -np.cos(tilt)]]
    )
    spin = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    rotation = lean @ spin
    return CameraPose(LENS, rotation, np.array([0.0, 0.0, 980.0]) - rotation @ [250.0, 300.0, 0.0])


def _printed(
    camera: CameraPose, pixels: np.ndarray, marker: BedMarker, bits: np.ndarray
) -> np.ndarray:
    at = camera.meet_level(pixels, 0.0) - [marker.x_mm, marker.y_mm]
    u, v = np.floor((at * [1, -1] + 20.0) / 40.0 * 6).astype(int).T
    inside = (u >= 0) & (u < 6) & (v >= 0) & (v < 6)
    bit = bits[np.clip(v, 0, 5), np.clip(u, 0, 5)]
    return np.where(inside, np.where(bit > 0, 0.8, 0.03), 0.75)


def picture(camera: CameraPose, places: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """1920 × 1080: bed, printed markers, ink dots of uneven size and blackness, falling light."""
    rows, columns = np.mgrid[0:1080, 0:1920]
    pixels = np.column_stack([columns.ravel(), rows.ravel()]).astype(float)
    ground = camera.meet_level(pixels, 0.0)
    light = np.full(len(ground), 0.75)
    steps = (np.arange(6) - 2.5) / 6.0
    shifts = [np.array([dx, dy]) for dx in steps for dy in steps]
    for m in MARKERS:
        bits = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50).generateImageMarker(m.id, 6)
        near = np.flatnonzero(np.max(np.abs(ground - [m.x_mm, m.y_mm]), axis=1) < 24.0)
        light[near] = np.mean([_printed(camera, pixels[near] + s, m, bits) for s in shifts], axis=0)
    radius = rng.uniform(0.75, 1.1, len(places))
    black = rng.uniform(0.6, 0.95, len(places))
    far, nearest = cKDTree(places).query(ground, distance_upper_bound=4.0)
    near = np.isfinite(far)
    # a pixel takes the light of its whole face: the mean of nine places on it
    thirds = (np.arange(3) - 1) / 3.0
    own = nearest[near]
    edge = np.zeros(len(own))
    for shift in [np.array([dx, dy]) for dx in thirds for dy in thirds]:
        away = np.hypot(*(camera.meet_level(pixels[near] + shift, 0.0) - places[own]).T)
        edge += np.clip((radius[own] - away) / 0.3 + 0.5, 0.0, 1.0) / 9.0
    light[near] *= 1.0 - black[own] * edge
    light *= 0.7 + 0.3 * ground[:, 0] / 500.0
    image = cv2.GaussianBlur(light.reshape(1080, 1920), (0, 0), 0.7)
    coded = np.where(image <= 0.0031308, 12.92 * image, 1.055 * image ** (1 / 2.4) - 0.055)
    return np.clip(255 * coded + 2.0 * rng.standard_normal(image.shape), 0, 255).astype(np.uint8)


@pytest.mark.parametrize(("tilt", "turn"), [(8.0, 0.0), (25.0, 90.0)])
def test_scale_skew_and_offset_from_a_picture_to_a_tenth(tilt: float, turn: float) -> None:
    rng = np.random.default_rng(int(tilt))
    dots, inked = marked(5)
    grey = picture(looking(tilt, turn), inked, rng)
    bed = find_bed(grey, BED, LENS)
    assert isinstance(bed, BedView), bed.reason
    seen = find_dots(grey, bed.camera, area_mm=(60.0, 60.0, 440.0, 540.0), height_mm=0.0)
    fit = fit_gantry(dots, match_dots(dots, seen.places_mm))
    assert fit.dots >= len(dots) - 3
    assert 100 * abs(fit.scale[0] - 1.003) < 0.03
    assert 100 * abs(fit.scale[1] - 1.0) < 0.03
    assert abs(fit.skew_deg - 0.2) < 0.02
    assert np.hypot(fit.offset_mm[0] - 0.3, fit.offset_mm[1] + 0.4) < 0.05
    for got, sd, truth in zip(
        fit.correction.backlash_mm, fit.backlash_sd_mm, (0.12, 0.06), strict=True
    ):
        assert abs(got - truth) < 4.0 * sd < 0.08


def test_exact_dots_give_exact_values_and_the_correction_undoes_them() -> None:
    dots, seen = marked(1, scatter_mm=0.0)
    fit = fit_gantry(dots, seen)
    assert fit.scale == pytest.approx((1.003, 1.0), abs=1e-9)
    assert fit.skew_deg == pytest.approx(0.2, abs=1e-9)
    assert fit.offset_mm == pytest.approx((0.3, -0.4), abs=1e-9)
    assert fit.correction.backlash_mm == pytest.approx((0.12, 0.06), abs=1e-9)
    side = np.ones((2, 2))
    wanted = BedXY(np.array([[100.0, 200.0], [333.0, 444.0]]))
    told = fit.correction.to_machine(wanted, side)
    assert true_gantry().to_bed(told, side) == pytest.approx(wanted, abs=1e-9)
    assert GantryCorrection.of_values(fit.correction.as_values()) == fit.correction


def test_the_correction_lets_only_scatter_stand() -> None:
    fit = fit_gantry(*marked(2, scatter_mm=0.02))
    assert fit.before is not None
    assert fit.after is not None
    x_before, x_after = fit.before[0], fit.after[0]
    assert x_before.mean_bidirectional == pytest.approx(0.003 * 334.0, abs=0.05)  # the scale
    assert x_before.mean_reversal == pytest.approx(0.12, abs=0.02)
    assert x_after.reversal < 0.03
    assert x_after.accuracy < 0.15 < x_before.accuracy


def test_standard_deviations_are_honest() -> None:
    z = []
    for seed in range(60):
        fit = fit_gantry(*marked(seed, scatter_mm=0.05))
        z.append([
            (fit.scale[0] - 1.003) / fit.scale_sd[0],
            (fit.skew_deg - 0.2) / fit.skew_sd_deg,
            (fit.correction.backlash_mm[0] - 0.12) / fit.backlash_sd_mm[0],
        ])  # fmt: skip
    assert np.sqrt(np.mean(np.square(z), axis=0)) == pytest.approx(1.0, abs=0.3)


def test_lost_dots_blots_and_a_far_shift_are_borne() -> None:
    dots, inked = marked(3)
    rng = np.random.default_rng(0)
    kept = rng.permutation(len(inked))[: int(0.9 * len(inked))]
    blots = np.column_stack([rng.uniform(70, 430, 15), rng.uniform(80, 520, 15)])
    seen = rng.permutation(np.vstack([inked[kept], blots])) + np.array([11.0, -7.0])
    fit = fit_gantry(dots, match_dots(dots, seen))
    assert fit.offset_mm == pytest.approx((11.3, -7.4), abs=0.03)
    assert fit.scale[0] == pytest.approx(1.003, abs=2e-4)


def test_what_is_no_sheet_is_refused() -> None:
    dots, _ = marked(4)
    rng = np.random.default_rng(1)
    with pytest.raises(AnalysisError):
        fit_gantry(dots, match_dots(dots, rng.uniform(80, 420, (150, 2))))
    with pytest.raises(AnalysisError, match="Only 0 dots"):
        fit_gantry(dots, np.full((len(dots), 2), np.nan))
    line = [d for d in dots if d.target_x == 0 and d.side_x == 1]
    with pytest.raises(AnalysisError, match="one line"):
        fit_gantry(line, np.array([(d.x_mm, d.y_mm) for d in line]))
    with pytest.raises(AnalysisError):
        dot_plan((0.0, 0.0, 50.0, 50.0))
    with pytest.raises(AnalysisError):
        GantryCorrection.of_values({"offset_mm": [0, 0], "matrix": [[2, 0], [0, 1]],
                                    "backlash_mm": [0, 0]})  # fmt: skip
    with pytest.raises(AnalysisError):
        positioning(np.zeros((1, 5)), np.zeros((1, 5)))


def test_an_empty_sheet_has_no_dots() -> None:
    grey = np.full((1080, 1920), 200, np.uint8)
    assert len(find_dots(grey, looking(8.0, 0.0)).places_mm) == 0
    assert len(find_dots(np.zeros_like(grey), looking(8.0, 0.0)).places_mm) == 0
