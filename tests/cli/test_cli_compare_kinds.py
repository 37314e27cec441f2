"""compare: work, faces, strengths, rigs, and two plates scaled to each other."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from contact_scans import Scan, contact_folder

from rig.archive.kept_arrays import kept_folder
from rig.cli.main import run
from rig.model.outline import Outline
from rig.model.plate_facts import PlateFacts
from rig.virtual.shapes import violin_outline

OUTLINE = violin_outline()
HIGH = ((45.0, 90.0),)
SIZE = 1.12  # of the second plate, a viola from the same hand
SCANS: tuple[Scan, ...] = (
    ("outer", "light", 0.0, 0.20), ("inner", "light", 0.0, 0.23),
    ("outer", "firm", 0.0, 0.19), ("outer", "light", 170.0, 0.20),
)  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("plates") / "pear.plate"
    return contact_folder(path, PlateFacts("Pear back"), OUTLINE, SCANS, HIGH)


@pytest.fixture(scope="module")
def larger(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Graded like the first, but for one place that stands out; half a tone lower as a whole."""
    path = tmp_path_factory.mktemp("plates") / "quince.plate"
    scan: Scan = ("outer", "light", 170.0, 0.20 * 2 ** (50 / 1200))
    outline = Outline(SIZE * np.asarray(OUTLINE.rim))
    return contact_folder(
        path, PlateFacts("Quince back"), outline, [scan], HIGH, size=SIZE, seed=32
    )


def compared(
    capsys: pytest.CaptureFixture[str], folder: Path, before: str, after: str, *more: str
) -> dict[str, Any]:
    arguments = ["compare", str(folder), "--before", before, "--after", after, *more]
    assert run([*arguments, "--reading", "contact", "--json"]) == 0, capsys.readouterr().err
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def refused(capsys: pytest.CaptureFixture[str], folder: Path, *more: str) -> str:
    assert run(["compare", str(folder), *more]) == 2
    return " ".join(capsys.readouterr().err.split())


def test_the_kind_is_told_by_the_scans(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for after, kind, words in (
        ("S0002", "faces", "the outer face (S0001) and the inner face (S0002) differ nowhere"),
        ("S0003", "strengths", "the light strike (S0001) and the firm strike (S0003) differ no"),
    ):
        found = compared(capsys, folder, "S0001", after)
        assert found["kind"] == kind
        assert words in found["sentence"]
        assert not found["zones"]
        assert found["agreement"]["limits_cents"] > 0
        # 12 cents of scatter at every tap: two maps averaged over a scraper's pass
        assert 0.7 < found["agreement"]["limits_cents"] / found["agreement"]["expected_cents"] < 1.4
        assert not any("face was struck" in c or c.startswith("Struck") for c in found["cautions"])
    worked_on = compared(capsys, folder, "S0003", "S0004", "--as", "change")
    assert worked_on["kind"] == "change"
    assert "Struck firm before and light after." in worked_on["cautions"]
    carved = compared(capsys, folder, "S0001", "S0004")
    assert (carved["kind"], carved["agreement"]) == ("change", None)
    assert np.hypot(carved["zones"][0]["x_mm"] - 45, carved["zones"][0]["y_mm"] - 90) < 5
    assert 0 < carved["evenness_change_sd_cents"] < 20


def test_two_rigs_by_independent_maps(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = compared(capsys, folder, "S0001", "S0004", "--as", "rigs")
    assert found["kind"] == "rigs"
    assert "The second rig (S0004) reads" in found["sentence"]
    zone = found["zones"][0]
    assert np.hypot(zone["x_mm"] - 45, zone["y_mm"] - 90) < 6
    assert zone["change_cents"] > 80
    assert found["agreement"]["limits_cents"] > 1.5 * found["agreement"]["expected_cents"]
    assert 0.8 < found["agreement"]["rank"] < 1.0


def test_two_plates_of_different_size_are_scaled(
    folder: Path, larger: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = compared(capsys, folder, "S0001", "S0001", "--with", str(larger))
    assert found["kind"] == "plates"
    assert (found["before"], found["after"]) == ("Pear back S0001", "Quince back S0001")
    assert found["level_cents"] == pytest.approx(-50, abs=6)
    assert "below that of the first plate" in found["sentence"]
    assert found["ring"] == []
    assert len(found["zones"]) == 1  # told in the first plate's frame
    zone = found["zones"][0]
    assert np.hypot(zone["x_mm"] - 45, zone["y_mm"] - 90) < 6
    alike = compared(capsys, folder, "S0004", "S0001", "--with", str(larger))
    assert not alike["zones"]
    assert alike["agreement"]["rank"] > 0.95


def test_a_picture_of_a_difference(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    picture = tmp_path / "faces.svg"
    compared(capsys, folder, "S0001", "S0002", "--picture", str(picture))
    drawn = picture.read_text(encoding="utf-8")
    assert "Difference from S0001 to S0002" in drawn
    assert "the second reads lower" in drawn
    assert "the tone fell" not in drawn


def test_what_does_not_compare(
    folder: Path, larger: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pair = ("--before", "S0001", "--after")
    assert "Two plates lie in two folders" in refused(
        capsys, folder, *pair, "S0004", "--as", "plates"
    )
    said = refused(capsys, folder, *pair, "S0004", "--as", "faces")
    assert "do not compare as faces: both were struck light on the outer face" in said
    assert "the same face and strength" in refused(capsys, folder, *pair, "S0003", "--as", "rigs")
    other = ("S0001", "--with", str(larger))
    assert "as two plates or as two rigs" in refused(capsys, folder, *pair, *other, "--as", "faces")
    said = refused(capsys, folder, "--before", "S0002", "--after", *other)
    assert "the same face and strength" in said
    missing = ("S0001", "--with", str(larger.with_name("none.plate")))
    assert run(["compare", str(folder), *pair, *missing]) == 1
    assert "no plate folder" in capsys.readouterr().err


def test_a_change_is_read_once(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    first = compared(capsys, folder, "S0001", "S0004")

    def never(*_: object, **__: object) -> None:
        raise AssertionError("the change was read again")

    monkeypatch.setattr("rig.field.comparison.tap_tone", never)
    assert compared(capsys, folder, "S0001", "S0004") == first
    for kept in kept_folder().glob("*.change"):
        kept.write_bytes(kept.read_bytes()[:200])  # cut short: read anew
    with pytest.raises(AssertionError, match="read again"):
        compared(capsys, folder, "S0001", "S0004", "--debug")
