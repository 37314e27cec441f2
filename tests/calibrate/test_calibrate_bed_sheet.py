"""The bed's markers on paper: put together, the printed sheets are the bed of the rig file."""

from __future__ import annotations

import subprocess
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from rig.archive.rig_file import load_rig_file
from rig.calibrate.bed_sheet import EDGE_MM, BedSheets, bed_sheets, quiet_mm
from rig.cli.main import run
from rig.jobs.bed_sheet import write_bed_sheet
from rig.model.errors import UsageError
from rig.model.rig_settings import BedMarker, BedSettings, LensSettings
from rig.vision.bed import BedView, find_bed

EXAMPLE = Path(__file__).parents[2] / "calibration" / "example-rig.toml"
DOTS_PER_MM = 4
LENS = LensSettings(fx=1500.0, fy=1500.0, cx=960.0, cy=540.0)


def printed(pdf: Path) -> list[np.ndarray]:
    """The pages in grey, DOTS_PER_MM."""
    dpi = str(25.4 * DOTS_PER_MM)
    subprocess.run(["pdftoppm", "-r", dpi, "-gray", str(pdf), str(pdf.with_suffix(""))], check=True)
    pages = sorted(pdf.parent.glob(f"{pdf.stem}-*.pgm"))
    return [np.asarray(cv2.imread(str(page), cv2.IMREAD_GRAYSCALE)) for page in pages]


def joined(pages: list[np.ndarray], bed: BedSettings, sheets: BedSheets) -> np.ndarray:
    """The cut sheets laid side by side: a picture from straight above, its row 0 the far side."""
    d = DOTS_PER_MM
    whole = np.zeros((round(bed.depth_mm * d), round(bed.width_mm * d)), dtype=np.uint8)
    for page, tile in zip(pages, sheets.tiles, strict=False):
        x0, y0, x1, y1 = sheets.cut_window(tile)
        left = EDGE_MM + x0 - tile.x0_mm
        top = EDGE_MM + sheets.window_mm[1] - (y1 - tile.y0_mm)
        rows, columns = round((y1 - y0) * d), round((x1 - x0) * d)
        part = page[round(top * d) :, round(left * d) :][:rows, :columns]
        row, column = round((bed.depth_mm - y1) * d), round(x0 * d)
        part = part[: whole.shape[0] - row, : whole.shape[1] - column]
        whole[row : row + part.shape[0], column : column + part.shape[1]] = part
    return whole


def seen_askew(whole: np.ndarray, bed: BedSettings) -> np.ndarray:
    """What an oblique camera with LENS sees of it."""
    turn, _ = cv2.Rodrigues(np.array([np.pi * 0.86, 0.0, 0.0]))
    eye = np.array([0.5 * bed.width_mm, -180.0, 1150.0])
    from_bed = np.column_stack([turn[:, 0], turn[:, 1], -turn @ eye])
    lens = np.array([[LENS.fx, 0, LENS.cx], [0, LENS.fy, LENS.cy], [0, 0, 1.0]])
    dots = np.array(
        [[1 / DOTS_PER_MM, 0, 0], [0, -1 / DOTS_PER_MM, bed.depth_mm], [0, 0, 1.0]]
    )  # half a dot is 0.1 mm
    return cv2.warpPerspective(whole, lens @ from_bed @ dots, (1920, 1080), borderValue=90)


@pytest.mark.parametrize("paper", ["a3", "letter"])
def test_the_sheets_put_together_are_the_bed_of_the_rig_file(tmp_path: Path, paper: str) -> None:
    bed = load_rig_file(EXAMPLE).bed
    pages = printed(write_bed_sheet(EXAMPLE, tmp_path / "bed.pdf", paper))
    sheets = bed_sheets(bed, paper)
    assert len(pages) == len(sheets.tiles)
    found = find_bed(seen_askew(joined(pages, bed, sheets), bed), bed, LENS)
    assert isinstance(found, BedView)
    assert [marker.used for marker in found.markers] == [True] * 4
    assert found.corner_rms_mm < 0.15


def test_a_marker_at_a_cut_gets_a_page_of_its_own(tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    text = EXAMPLE.read_text("utf-8").replace("x_mm = 465.0\ny_mm = 35.0", "x_mm = 250\ny_mm = 35")
    rig.write_text(text, "utf-8")
    bed = load_rig_file(rig).bed
    sheets = bed_sheets(bed, "a3")
    assert [marker.id for marker in sheets.alone] == [1]
    pages = printed(write_bed_sheet(rig, tmp_path / "bed.pdf", "a3"))
    assert len(pages) == len(sheets.tiles) + 1
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(pages[-1])
    assert np.ravel(ids).tolist() == [1]
    side = np.linalg.norm(corners[0][0, 1] - corners[0][0, 0]) / DOTS_PER_MM
    assert side == pytest.approx(40.0, abs=0.3)


@pytest.mark.parametrize("paper", ["a4", "a3", "letter"])
@pytest.mark.parametrize("size_mm", [(160.0, 160.0), (500.0, 600.0), (205.0, 1313.0)])
def test_cut_sheets_cover_the_bed_without_overlap(size_mm: tuple[float, float], paper: str) -> None:
    at_random = np.random.default_rng(5)
    markers = tuple(
        BedMarker(n, *(float(v) for v in at_random.uniform(30.0, np.array(size_mm) - 30.0)), 25.0)
        for n in range(12)
    )
    bed = BedSettings(*size_mm, "DICT_4X4_50", markers)
    sheets = bed_sheets(bed, paper)
    windows = [sheets.cut_window(tile) for tile in sheets.tiles]
    area = sum((x1 - x0) * (y1 - y0) for x0, y0, x1, y1 in windows)
    assert area == pytest.approx(bed.width_mm * bed.depth_mm)
    for marker in markers:
        white = quiet_mm(bed, marker)
        shown = sum(sheets.whole_on(tile, marker, white) for tile in sheets.tiles)
        assert shown == (0 if marker in sheets.alone else 1)


def test_what_cannot_be_printed_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bed = load_rig_file(EXAMPLE).bed
    large = replace(bed, markers=(BedMarker(0, 100.0, 100.0, 200.0),))
    for wrong, paper in (
        (replace(bed, markers=()), "a4"), (replace(bed, width_mm=9000.0), "a4"),
        (large, "a4"), (bed, "a5"),
    ):  # fmt: skip
        with pytest.raises(UsageError):
            bed_sheets(wrong, paper)
    many = EXAMPLE.read_text("utf-8").replace("id = 3", "id = 77")
    (tmp_path / "rig.toml").write_text(many, "utf-8")
    out = str(tmp_path / "bed.pdf")
    assert run(["calibrate", "sheet", out, "--bed", "--rig", str(tmp_path / "rig.toml")]) == 2
    assert "no marker 77" in capsys.readouterr().err
    assert run(["calibrate", "sheet", out, "--bed"]) == 2
    assert run(["calibrate", "sheet", out[:-3] + "png", "--bed", "--rig", str(EXAMPLE)]) == 2
    assert run(["calibrate", "sheet", out, "--paper", "a3"]) == 2
    assert run(["calibrate", "sheet", out, "--bed", "--rig", str(EXAMPLE)]) == 0
    assert "100 mm" in capsys.readouterr().out
