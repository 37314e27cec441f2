"""`calibrate gantry`: planned, marked over the right side, read, stored, applied."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rig.calibrate.gantry import GantryCorrection
from rig.cli.main import run
from rig.jobs.calibrate_gantry import (
    correction_in_force,
    mark_dots,
    plan_dots,
    read_dots,
    write_dots,
)
from rig.model.frames import BedXY
from rig.model.rig_settings import RigSettings

EXAMPLE = Path(__file__).parents[2] / "calibration" / "example-rig.toml"
TRUE = GantryCorrection((0.3, -0.4), ((1.003, 0.0035), (0.0, 1.0)), (0.1, 0.1))


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(EXAMPLE.read_text("utf-8"), "utf-8")
    return path


@pytest.fixture
def table(tmp_path: Path) -> Path:
    dots = plan_dots(RigSettings())
    path = write_dots(tmp_path / "dots.csv", dots)
    told, side = np.array([[(d.x_mm, d.y_mm), (d.side_x, d.side_y)] for d in dots]).swapaxes(0, 1)
    seen = TRUE.to_bed(told, side) + 0.02 * np.random.default_rng(1).standard_normal(told.shape)
    rows = list(csv.reader(path.read_text("utf-8").splitlines()))
    rows[0] += ["seen_x_mm", "seen_y_mm"]
    for row, (x, y) in zip(rows[1:], seen, strict=True):
        row += [f"{x:.4f}", f"{y:.4f}"]
    rows[5][-1] = ""  # one dot not inked
    path.write_text("\n".join(",".join(row) for row in rows) + "\n", "utf-8")
    return path


def test_from_a_table_to_the_stored_correction(
    rig: Path, table: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert correction_in_force(rig) == (None, "Gantry: never calibrated.")
    assert run(["calibrate", "gantry", str(table), "--rig", str(rig), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["scale"][0] == pytest.approx(1.003, abs=1e-4)
    assert found["dots"] == found["planned"] - 1
    assert Path(found["path"]).parent == rig.parent / "calibration"
    correction, sentence = correction_in_force(rig)
    assert "holds 180 more days" in sentence
    assert correction is not None
    wanted = BedXY(np.array([[250.0, 300.0]]))
    assert TRUE.to_bed(correction.to_machine(wanted)) == pytest.approx(wanted, abs=0.02)
    assert run(["calibrate", "gantry", str(table), "--rig", str(rig)]) == 0
    text = capsys.readouterr().out
    assert "+0.300 %" in text.replace("0.299", "0.300").replace("0.301", "0.300")
    assert "ISO 230-2" in text


class Hand:
    """Notes where it is sent; the protocol's other calls are not needed."""

    def __init__(self) -> None:
        self.path: list[tuple[float, float]] = []
        self.struck: list[tuple[tuple[float, float], tuple[float, float], int]] = []

    def start_move(self, x_mm: float, y_mm: float) -> None:
        self.path.append((x_mm, y_mm))

    def wait_until_still(self) -> None:
        pass

    def strike(self, pulse_us: int) -> Any:
        self.struck.append((self.path[-2], self.path[-1], pulse_us))


def test_every_dot_is_come_to_from_its_side_within_the_limits() -> None:
    settings = RigSettings()
    dots, hand = plan_dots(settings), Hand()
    assert mark_dots(hand, dots, 4000) == len(dots) == len(hand.struck)  # type: ignore[arg-type]
    x0, y0, x1, y1 = settings.controller.limits_mm
    for (before, at, pulse), dot in zip(hand.struck, dots, strict=True):
        assert at == (dot.x_mm, dot.y_mm)
        assert np.sign(at[0] - before[0]) == dot.side_x
        assert np.sign(at[1] - before[1]) == dot.side_y
        assert pulse == 4000
    assert all(x0 <= x <= x1 and y0 <= y <= y1 for x, y in hand.path)
    assert mark_dots(hand, dots, 4000, stop_wanted=lambda: True) == 0  # type: ignore[arg-type]


def test_plan_survives_the_file(tmp_path: Path) -> None:
    dots = plan_dots(RigSettings())
    assert read_dots(write_dots(tmp_path / "d.csv", dots)) == (dots, None)


@pytest.mark.parametrize("text", ["", "x_mm,y_mm\n1,2\n", "\x00", "x_mm;y_mm\n1;2"])
def test_nonsense_tables(rig: Path, tmp_path: Path, text: str) -> None:
    path = tmp_path / "bad.csv"
    path.write_text(text, "utf-8")
    assert run(["calibrate", "gantry", str(path), "--rig", str(rig)]) == 2
    assert not (tmp_path / "calibration").exists()


def test_no_picture_and_a_picture_without_a_bed(rig: Path, tmp_path: Path) -> None:
    plan = write_dots(tmp_path / "dots.csv", plan_dots(RigSettings()))
    assert run(["calibrate", "gantry", str(plan), "--rig", str(rig)]) == 2
    import cv2

    cv2.imwrite(str(tmp_path / "grey.png"), np.full((540, 960, 3), 128, np.uint8))
    call = ["calibrate", "gantry", str(plan), "--rig", str(rig)]
    assert run([*call, "--picture", str(tmp_path / "grey.png")]) == 1
    assert run([*call, "--picture", str(tmp_path / "none.png")]) in (1, 2)
