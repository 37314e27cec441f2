"""The bed from its markers: right, wrong, moved, missing, and without a lens."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from rig.model.rig_settings import BedMarker, RigSettings
from rig.virtual.scene import render_scene
from rig.virtual.scene_optics import project, view_of_bed
from rig.vision.bed import BedView, NoBed, find_bed


def grey(picture: np.ndarray) -> np.ndarray:
    return cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)


def with_marker(settings: RigSettings, number: int, **changes: float) -> RigSettings:
    """The same rig file with one marker entered wrongly."""
    markers = tuple(replace(m, **changes) if m.id == number else m for m in settings.bed.markers)
    return replace(settings, bed=replace(settings.bed, markers=markers))


def place_error_mm(found: BedView, settings: RigSettings, height_mm: float) -> float:
    """Largest error over the bed at a height, against the camera that took the picture."""
    lens = settings.camera.lens
    assert lens is not None
    x, y = np.meshgrid([60.0, 250.0, 440.0], [60.0, 300.0, 540.0])
    places = np.column_stack([x.ravel(), y.ravel(), np.full(9, height_mm)])
    pixels = project(places, view_of_bed(500.0, 600.0, lens), lens)
    gap = found.camera.meet_level(pixels, height_mm) - places[:, :2]
    return float(np.max(np.hypot(gap[:, 0], gap[:, 1])))


def test_bed_to_a_twentieth_of_a_millimetre(empty_picture, settings):
    found = find_bed(grey(empty_picture), settings.bed, settings.camera.lens)
    assert isinstance(found, BedView)
    assert {m.id for m in found.markers if m.used} == {0, 1, 2, 3, 4, 5}
    assert found.corner_rms_mm < 0.06
    assert place_error_mm(found, settings, 3.0) < 0.06
    assert found.notes == ()


@pytest.mark.parametrize(
    "changes", [{"x_mm": 462.0 + 4.0}, {"y_mm": 300.0 - 1.5}, {"size_mm": 36.0}]
)
def test_marker_in_the_wrong_place_is_named(empty_picture, settings, changes):
    wrong = with_marker(settings, 3, **changes)
    found = find_bed(grey(empty_picture), wrong.bed, wrong.camera.lens)
    assert isinstance(found, BedView)
    assert [m.id for m in found.markers if not m.used] == [3]
    assert any("Marker 3" in note for note in found.notes)
    assert place_error_mm(found, settings, 3.0) < 0.1


def test_two_markers_swapped_are_both_left_out(empty_picture, settings):
    places = {m.id: m for m in settings.bed.markers}
    swapped = tuple(
        replace(m, x_mm=places[{1: 4, 4: 1}.get(m.id, m.id)].x_mm,
                y_mm=places[{1: 4, 4: 1}.get(m.id, m.id)].y_mm)
        for m in settings.bed.markers
    )  # fmt: skip
    found = find_bed(
        grey(empty_picture), replace(settings.bed, markers=swapped), settings.camera.lens
    )
    assert isinstance(found, BedView)
    assert sorted(m.id for m in found.markers if not m.used) == [1, 4]


def test_three_markers_that_disagree_are_refused(settings):
    picture = render_scene(
        None, None, settings, rng=np.random.default_rng(1), missing_markers=(0, 4, 5)
    )
    wrong = with_marker(settings, 2, x_mm=45.0)
    found = find_bed(grey(picture), wrong.bed, wrong.camera.lens)
    assert isinstance(found, NoBed)
    assert "do not agree" in found.reason


def test_no_markers_says_what_was_expected(settings):
    nothing = np.full((1080, 1920), 120, dtype=np.uint8)
    found = find_bed(nothing, settings.bed, settings.camera.lens)
    assert isinstance(found, NoBed)
    assert "DICT_4X4_50" in found.reason
    assert "0, 1, 2, 3, 4, 5" in found.reason


def test_dark_picture_is_called_dark(settings):
    found = find_bed(np.full((1080, 1920), 4, dtype=np.uint8), settings.bed, settings.camera.lens)
    assert isinstance(found, NoBed)
    assert "dark" in found.reason


def test_another_rigs_file_is_suspected(empty_picture, settings):
    others = tuple(replace(m, id=m.id + 20) for m in settings.bed.markers)
    found = find_bed(
        grey(empty_picture), replace(settings.bed, markers=others), settings.camera.lens
    )
    assert isinstance(found, NoBed)
    assert "rig file of this bed" in found.reason


def test_two_markers_in_the_rig_file_are_too_few(empty_picture, settings):
    few = replace(settings.bed, markers=settings.bed.markers[:2])
    found = find_bed(grey(empty_picture), few, settings.camera.lens)
    assert isinstance(found, NoBed)
    assert "[[bed.marker]]" in found.reason


def test_unknown_dictionary_is_refused(empty_picture, settings):
    odd = replace(settings.bed, marker_dictionary="DICT_9X9")
    found = find_bed(grey(empty_picture), odd, settings.camera.lens)
    assert isinstance(found, NoBed)
    assert "DICT_9X9" in found.reason


def test_all_markers_printed_too_large_is_noticed_and_harmless(empty_picture, settings):
    # the bed carries 40 mm markers; a rig file that says 38 mm is the same mistake reversed
    small = tuple(
        BedMarker(id=m.id, x_mm=m.x_mm, y_mm=m.y_mm, size_mm=38.0) for m in settings.bed.markers
    )
    found = find_bed(
        grey(empty_picture), replace(settings.bed, markers=small), settings.camera.lens
    )
    assert isinstance(found, BedView)
    assert any("5 % larger" in note for note in found.notes)
    assert place_error_mm(found, settings, 0.0) < 0.2


def test_without_a_lens_it_is_estimated_and_said(empty_picture, settings):
    found = find_bed(grey(empty_picture), settings.bed, None)
    assert isinstance(found, BedView)
    assert found.lens_sd_mm > 0.0
    assert any("no [camera.lens]" in note for note in found.notes)
    assert found.camera.lens.fx == pytest.approx(1480.0, rel=0.03)
    assert found.camera.lens.k1 == pytest.approx(-0.14, abs=0.05)
    assert place_error_mm(found, settings, 3.0) < 0.3


def test_without_a_lens_three_markers_are_refused(settings):
    picture = render_scene(
        None, None, settings, rng=np.random.default_rng(2), missing_markers=(1, 2, 5)
    )
    found = find_bed(grey(picture), settings.bed, None)
    assert isinstance(found, NoBed)
    assert "lens" in found.reason
