"""Guided capture: what lacks is said picture by picture; the fit held against OpenCV's own."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from test_calibrate_lens import LENS, PAGE, SIZE, VIEWS, ideal, picture, view

from rig.calibrate.charuco import Seen, calibrate_lens, find_sheet
from rig.calibrate.lens_coverage import coverage_picture, leaning, no_views, with_view
from rig.cli.main import run
from rig.jobs.lens_guide import advise, capture, write_coverage
from rig.model.errors import CameraError, UsageError


def noisy(seen: list[Seen], sd_px: float, seed: int) -> list[Seen]:
    rng = np.random.default_rng(seed)
    return [
        Seen(s.name, s.on_sheet, s.in_picture + sd_px * rng.standard_normal(s.in_picture.shape))
        for s in seen
    ]


@pytest.mark.parametrize("focal", [0.8, 1.0, 1.25])
def test_tilts_are_told_by_the_edge_that_comes_near(focal: float) -> None:
    """The sheet's corners nearer to the camera, by the known camera, are those at that side."""
    for rx, ry in ((30, 0), (-30, 0), (0, 30), (0, -30), (0, 0), (8, -5)):
        camera = view(rx, ry, 0, (0, 0, 450))
        seen = ideal(camera, "x")
        points = np.column_stack([seen.on_sheet * [1, -1], np.zeros(len(seen.on_sheet))])
        depth = (points @ camera.rotation.T + camera.shift_mm)[:, 2]
        off = (seen.in_picture - [LENS.cx, LENS.cy]) * focal + [0.5 * SIZE[0], 0.5 * SIZE[1]]
        slope = np.linalg.lstsq(
            np.column_stack([off - off.mean(axis=0), np.ones(len(off))]), depth, rcond=None
        )[0]
        want = set()
        if max(abs(rx), abs(ry)) > 20:
            axis = int(np.argmax(np.abs(slope[:2])))
            want = {(("right", "left"), ("lower", "upper"))[axis][int(slope[axis] > 0)]}
        assert leaning(Seen("x", seen.on_sheet, off), SIZE) == want


def test_a_stream_of_pictures_is_told_what_lacks_until_nothing_does() -> None:
    shown = [picture(v, i) for i, v in enumerate(VIEWS[:2])]
    stream = [
        ("wall", np.full((SIZE[1], SIZE[0]), 120, np.uint8)),
        ("first", shown[0]),
        ("again", picture(VIEWS[0], 99)),
        ("second", shown[1]),
    ]
    told = list(advise(stream))
    assert [a.used for a in told] == [False, True, False, True]
    assert "not seen" in told[0].why
    assert "earlier" in told[2].why
    assert "show the sheet" in told[1].words
    assert len(told[3].coverage.tilts) == 1
    assert len(told[3].coverage.lacking()) < len(told[0].coverage.lacking())
    with pytest.raises(UsageError, match="pixels"):
        list(advise([*stream[:2], ("small", np.zeros((90, 120), np.uint8))]))


def corners_everywhere() -> list[Seen]:
    views = [
        view(rx, ry, rz, (x, y, 400))
        for rx, ry, rz, x, y in (
            (30, 0, 0, 0, 0), (-30, 0, 90, 0, 0), (0, 30, 90, 0, 0), (0, -30, 90, 0, 0),
            (0, 0, 90, -150, -60), (0, 5, 90, 150, -60), (5, 0, 90, -150, 60),
            (0, -5, 90, 150, 60), (20, 20, 45, 0, 0), (-20, -20, 120, 20, 0),
            (0, 0, 0, 0, 0), (25, 0, 90, 150, 0), (25, 0, 90, -150, 0),
        )
    ]  # fmt: skip
    return [ideal(v, str(i)) for i, v in enumerate(views)]


def test_coverage_comes_to_an_end_and_is_drawn(tmp_path: Path) -> None:
    coverage = no_views(SIZE)
    lacking = [len(coverage.lacking())]
    before = coverage_picture(coverage)
    for seen in corners_everywhere():
        coverage, counts = with_view(coverage, seen)
        assert counts
        lacking.append(len(coverage.lacking()))
    assert lacking == sorted(lacking, reverse=True)
    assert coverage.complete, coverage.lacking()
    after = cv2.imread(str(write_coverage(coverage, tmp_path / "seen.png")))
    field = slice(0, int(after.shape[1] * SIZE[1] / SIZE[0]))
    parts = [p[field].astype(int) for p in (before, after)]
    red = [np.mean(p[..., 2] > p[..., 1] + 30) for p in parts]
    assert red[0] > 0.8
    assert red[1] < 0.3
    with pytest.raises(UsageError):
        write_coverage(coverage, tmp_path / "seen.pdf")


def test_capture_stores_what_counts_and_stops(tmp_path: Path) -> None:
    frames = [np.zeros((SIZE[1], SIZE[0], 3), np.uint8)] + [
        cv2.cvtColor(picture(v, i), cv2.COLOR_GRAY2BGR) for i, v in enumerate(VIEWS[:3])
    ]
    left = iter(frames)
    camera = SimpleNamespace(frame=lambda: SimpleNamespace(pixels=next(left)))
    said: list[str] = []
    done = capture(
        camera, tmp_path / "lens", coverage_png=tmp_path / "seen.png", most_frames=4,
        progress=lambda event: said.append(event.stage),
    )  # fmt: skip
    assert [p.name for p in done.pictures] == ["lens-01.png", "lens-02.png", "lens-03.png"]
    assert np.array_equal(cv2.imread(str(done.pictures[0])), frames[1])
    assert (tmp_path / "seen.png").exists()
    assert "not taken" in said[0]
    assert "Next:" in said[1]
    assert json.loads(json.dumps(done.as_json()))["complete"] is False
    blind = SimpleNamespace(frame=lambda: SimpleNamespace(pixels=frames[0]))
    with pytest.raises(CameraError, match="not seen"):
        capture(blind, tmp_path / "none", most_frames=2)


def test_the_fit_is_opencvs_own_and_leaving_terms_out_costs_nothing() -> None:
    """Outside check: cv2.calibrateCamera on the same corners, same model and its full model."""
    seen = noisy(corners_everywhere(), 0.15, 3)
    fit = calibrate_lens(seen, SIZE)
    flat = [
        np.column_stack([s.on_sheet, np.zeros(len(s.on_sheet))]).astype(np.float32) for s in seen
    ]
    pixels = [s.in_picture.astype(np.float32) for s in seen]
    flags = cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K3
    rms, matrix, bend, _, _ = cv2.calibrateCamera(flat, pixels, SIZE, None, None, flags=flags)
    ours = [fit.lens.fx, fit.lens.fy, fit.lens.cx, fit.lens.cy, fit.lens.k1, fit.lens.k2]
    theirs = [matrix[0, 0], matrix[1, 1], matrix[0, 2], matrix[1, 2], *np.ravel(bend)[:2]]
    assert ours == pytest.approx(theirs, rel=1e-4, abs=1e-4)
    assert fit.rms_px == pytest.approx(rms, rel=1e-3)
    _, full, free, _, _ = cv2.calibrateCamera(flat, pixels, SIZE, None, None)
    u, v = np.meshgrid(np.linspace(100, 1180, 9), np.linspace(80, 640, 7))
    grid = np.column_stack([u.ravel(), v.ravel()])
    straight = [
        cv2.undistortPoints(grid.reshape(-1, 1, 2), m, b).reshape(-1, 2) * LENS.fx
        for m, b in ((matrix, bend), (full, free))
    ]
    apart = straight[0] - straight[1]
    apart -= apart.mean(axis=0)  # principal point and turn of the camera trade places
    assert np.sqrt(np.mean(np.sum(apart**2, axis=1))) < 1.0
    for value, truth, sd in zip(ours, [LENS.fx, LENS.fy, LENS.cx, LENS.cy], fit.sd, strict=False):
        assert abs(value - truth) < 4.0 * sd
    # held out: the corners' own noise, and what placing the sheet by half of them adds
    assert fit.held_out_px == pytest.approx(0.15 * np.sqrt(2), rel=0.35)


def test_a_sheet_printed_too_small_gives_the_same_lens_a_stretched_one_is_named() -> None:
    seen = noisy(corners_everywhere(), 0.1, 4)
    true = calibrate_lens(seen, SIZE)
    small = [Seen(s.name, s.on_sheet * 0.96, s.in_picture) for s in seen]
    shrunk = calibrate_lens(small, SIZE)
    assert shrunk.lens.fx == pytest.approx(true.lens.fx, rel=1e-3)
    assert shrunk.lens.k1 == pytest.approx(true.lens.k1, abs=1e-3)
    drawn = [Seen(s.name, s.on_sheet * [1.0, 0.96], s.in_picture) for s in seen]
    assert any("stretched" in note for note in calibrate_lens(drawn, SIZE).notes)


def test_two_sheets_in_one_picture_are_refused() -> None:
    rows, columns = PAGE.shape
    both = np.full((rows + 60, 2 * columns + 120), 120, np.uint8)
    both[30 : 30 + rows, 30 : 30 + columns] = PAGE
    both[30 : 30 + rows, columns + 90 : 2 * columns + 90] = PAGE
    small = cv2.resize(both, None, fx=0.35, fy=0.35, interpolation=cv2.INTER_AREA)
    assert "two sheets" in str(find_sheet(small, "a4", "both.png"))


def test_the_verb_draws_coverage_and_asks_for_pictures(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    names = []
    for i in (0, 1):
        names.append(str(tmp_path / f"{i}.png"))
        cv2.imwrite(names[-1], picture(VIEWS[i], i))
    png = tmp_path / "seen.png"
    assert run(["calibrate", "lens", *names, "--coverage", str(png)]) == 1
    assert "needed" in capsys.readouterr().err
    assert cv2.imread(str(png)) is not None  # drawn although two pictures are too few
    assert run(["calibrate", "lens", "--capture", str(tmp_path / "p")]) == 2
    assert run(["calibrate", "lens", names[0], "--capture", str(tmp_path / "p")]) == 2
