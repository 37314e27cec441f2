"""The lens from pictures of the sheet: the printed page itself, seen by a known camera."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pytest

from rig.archive.rig_file import load_rig_file
from rig.calibrate.charuco import (
    PAPERS,
    SQUARE_MM,
    SQUARES,
    Seen,
    black_rectangles,
    board,
    calibrate_lens,
    find_sheet,
)
from rig.cli.main import run
from rig.jobs.calibrate_lens import write_sheet
from rig.model.errors import AnalysisError, UsageError
from rig.model.rig_settings import LensSettings
from rig.vision.lens import CameraPose

LENS = LensSettings(fx=1010.0, fy=1005.0, cx=652.0, cy=349.0, k1=-0.12, k2=0.05)
SIZE = (1280, 720)
DOTS_PER_MM = 6
MIDDLE = np.array([0.5 * SQUARES["a4"][0] * SQUARE_MM, -0.5 * SQUARES["a4"][1] * SQUARE_MM, 0.0])


def turned(rx: float, ry: float, rz: float) -> np.ndarray:
    out = np.diag([1.0, -1.0, -1.0])  # seen from above, up in the picture is up on the sheet
    for axis, deg in ((0, rx), (1, ry), (2, rz)):
        out = out @ cv2.Rodrigues(np.eye(3)[axis] * np.radians(deg))[0]
    return out


def view(rx: float, ry: float, rz: float, at: tuple[float, float, float]) -> CameraPose:
    """The sheet's middle stands at `at` in camera coordinates, in mm."""
    rotation = turned(rx, ry, rz)
    return CameraPose(LENS, rotation, np.array(at) - rotation @ MIDDLE)


VIEWS = [
    view(0, 0, 0, (0, 0, 380)), view(38, 0, 5, (-40, 0, 400)), view(-38, 0, 90, (30, 10, 400)),
    view(0, 40, 80, (-120, -10, 420)), view(0, -40, 95, (120, 10, 420)),
    view(25, 25, 30, (-150, -60, 470)), view(-25, 25, 120, (150, -50, 470)),
    view(25, -25, 200, (-140, 60, 470)), view(-30, -25, 60, (150, 60, 470)),
]  # fmt: skip


def page(paper: str) -> np.ndarray:
    """The board as its rectangles print it, with a white border of 10 mm."""
    columns, rows = SQUARES[paper]
    s, edge = DOTS_PER_MM * 2, 10
    whole = (round(rows * SQUARE_MM) + 2 * edge, round(columns * SQUARE_MM) + 2 * edge)
    image = np.full((whole[0] * s, whole[1] * s), 235, np.uint8)
    for x, y, w, h in black_rectangles(paper):
        x0, y0 = round((x + edge) * s), round((y + edge) * s)
        image[y0 : y0 + round(h * s), x0 : x0 + round(w * s)] = 15
    return cv2.resize(image, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)


PAGE = cv2.GaussianBlur(page("a4"), (0, 0), 0.4 * DOTS_PER_MM / 2.4)


def picture(camera: CameraPose, seed: int, sheet: np.ndarray = PAGE) -> np.ndarray:
    rows, columns = np.mgrid[0 : SIZE[1], 0 : SIZE[0]]
    pixels = np.column_stack([columns.ravel(), rows.ravel()]).astype(float)
    ground = camera.meet_level(pixels, 0.0) * [1.0, -1.0] + 10.0
    at = (ground * DOTS_PER_MM - 0.5).reshape(SIZE[1], SIZE[0], 2).astype(np.float32)
    seen = cv2.remap(sheet, at, None, cv2.INTER_LINEAR, borderValue=120).astype(float)
    noise = np.random.default_rng(seed).standard_normal(seen.shape)
    return np.clip(cv2.GaussianBlur(seen, (0, 0), 0.6) + 2.0 * noise, 0, 255).astype(np.uint8)


@pytest.fixture(scope="module")
def pictures(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    base = tmp_path_factory.mktemp("lens")
    paths = []
    for i, camera in enumerate(VIEWS):
        paths.append(base / f"view-{i}.png")
        cv2.imwrite(str(paths[-1]), picture(camera, i))
    return paths


def test_known_lens_is_found_and_can_be_named_in_the_rig_file(
    pictures: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    example = Path(__file__).parents[2] / "calibration" / "example-rig.toml"
    text = example.read_text("utf-8")
    rig = tmp_path / "rig.toml"
    rig.write_text(text, "utf-8")
    call = ["calibrate", "lens", "--rig", str(rig), *map(str, pictures)]
    assert run([*call, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert not found["left_out"]
    for name, sd, most in zip(
        ("fx", "fy", "cx", "cy"), found["sd"], (0.004, 0.004, 0.006, 0.006), strict=False
    ):
        error = abs(found["lens"][name] - getattr(LENS, name))
        assert error < most * 1000.0, name
        assert sd < most * 1000.0
    assert found["lens"]["k1"] == pytest.approx(LENS.k1, abs=0.02)
    assert found["rms_px"] < 0.3
    assert found["held_out_px"] < 0.4
    start, end = text.index("[camera.lens]"), text.index("[bed]")
    named = f'lens = "calibration/{found["record"]}"\n\n'
    rig.write_text(text[:start] + named + text[end:], "utf-8")
    lens = load_rig_file(rig).camera.lens
    assert lens is not None
    assert lens.fx == pytest.approx(found["lens"]["fx"], abs=1e-6)
    assert run(call) == 0
    assert "held out" in capsys.readouterr().out


def test_the_printed_page_is_true_and_is_the_board(tmp_path: Path) -> None:
    for paper, (wide, high) in PAPERS.items():
        pdf = write_sheet(tmp_path / f"{paper}.pdf", paper)
        said = subprocess.run(["pdfinfo", str(pdf)], capture_output=True, text=True, check=True)
        size = next(line for line in said.stdout.splitlines() if line.startswith("Page size"))
        points = [float(word) for word in size.replace("x", " ").split() if word[0].isdigit()][:2]
        assert points == pytest.approx([wide / 25.4 * 72, high / 25.4 * 72], abs=0.1)
        draw = [
            "pdftoppm",
            "-r",
            "101.6",
            "-png",
            "-singlefile",
            str(pdf),
            str(pdf.with_suffix("")),
        ]
        subprocess.run(draw, check=True)  # 4 dots per mm
        seen = find_sheet(
            cv2.imread(str(pdf.with_suffix(".png")), cv2.IMREAD_GRAYSCALE), paper, "p"
        )
        assert isinstance(seen, Seen)
        columns, rows = SQUARES[paper]
        assert len(seen.on_sheet) == (columns - 1) * (rows - 1)
        apart = (seen.in_picture - seen.in_picture[0]) / 4.0
        assert apart == pytest.approx(seen.on_sheet - seen.on_sheet[0], abs=0.1)  # mm on paper
    with pytest.raises(UsageError):
        write_sheet(tmp_path / "sheet.png")
    with pytest.raises(UsageError):
        write_sheet(tmp_path / "sheet.pdf", "a3")
    with pytest.raises(UsageError):
        board("a3")


def test_unusable_pictures_are_named() -> None:
    good = picture(VIEWS[0], 1)
    assert "mirrored" in str(find_sheet(np.ascontiguousarray(good[:, ::-1]), "a4", "x.png"))
    assert "not seen" in str(find_sheet(np.full_like(good, 100), "a4", "x.png"))
    smeared = cv2.blur(good, (61, 1))
    assert isinstance(find_sheet(smeared, "a4", "x.png"), str)


def ideal(camera: CameraPose, name: str, shift: float = 0.0) -> Seen:
    corners = np.asarray(board("a4").getChessboardCorners(), dtype=float)[:, :2]
    pixels = camera.project(np.column_stack([corners * [1, -1], np.zeros(len(corners))]))
    pixels = pixels + shift * np.sin(corners / 15.0)
    inside = np.all((pixels > 0) & (pixels < np.array(SIZE)), axis=1)
    return Seen(name, corners[inside], pixels[inside])


def test_exact_corners_give_the_lens_as_opencv_gives_it() -> None:
    fit = calibrate_lens([ideal(v, f"{i}") for i, v in enumerate(VIEWS)], SIZE)
    for name in ("fx", "fy", "cx", "cy", "k1", "k2"):
        assert getattr(fit.lens, name) == pytest.approx(getattr(LENS, name), rel=1e-3), name
    assert fit.held_out_px < 0.01


def test_a_bent_sheet_is_left_out_and_thin_coverage_is_said() -> None:
    seen = [ideal(v, f"{i}") for i, v in enumerate(VIEWS)]
    rng = np.random.default_rng(1)
    noisy = [
        Seen(s.name, s.on_sheet, s.in_picture + 0.1 * rng.standard_normal(s.in_picture.shape))
        for s in seen
    ]
    fit = calibrate_lens([*noisy, ideal(VIEWS[1], "bent", shift=6.0)], SIZE)
    assert any(note.startswith("bent:") for note in fit.left_out)
    assert fit.lens.fx == pytest.approx(LENS.fx, rel=0.005)
    larger = calibrate_lens(noisy, (2560, 1440))
    assert any("covered" in note for note in larger.notes)


def test_too_few_or_too_alike_pictures_are_refused() -> None:
    with pytest.raises(AnalysisError, match="needed"):
        calibrate_lens([ideal(VIEWS[0], "a")] * 3, SIZE, ["b.png: the sheet is not seen."])
    rng = np.random.default_rng(2)
    flat = [ideal(view(0, 0, 10 * i, (0, 0, 420)), str(i)) for i in range(8)]
    flat = [
        Seen(s.name, s.on_sheet, s.in_picture + 0.2 * rng.standard_normal(s.in_picture.shape))
        for s in flat
    ]
    with pytest.raises(AnalysisError, match="do not tell the lens"):
        calibrate_lens(flat, SIZE)


def test_nonsense_at_the_verb(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "text.png").write_text("no picture")
    assert run(["calibrate", "lens", str(tmp_path / "text.png")]) == 1
    assert "None of the pictures" in capsys.readouterr().err
    assert run(["calibrate", "lens"]) == 2
    for i, size in enumerate(((40, 60), (50, 60))):
        cv2.imwrite(str(tmp_path / f"{i}.png"), np.zeros(size, np.uint8))
    assert run(["calibrate", "lens", str(tmp_path / "0.png"), str(tmp_path / "1.png")]) == 2
    assert not (tmp_path / "calibration").exists()
