"""map and zones --target: mirror, other face, an earlier scan, a drawn file; zones --start."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from contact_scans import Scan, contact_folder, graduation

from rig.archive.plate_folder import PlateFolder
from rig.cli.main import run
from rig.model.plan import Plan, PlannedTap
from rig.model.plate_facts import Bar, PlateFacts
from rig.virtual.shapes import violin_outline

OUTLINE = violin_outline()
HIGH = ((45.0, 90.0), (-45.0, 270.0))
CONTACT = ("--reading", "contact")
SCANS: tuple[Scan, ...] = (
    ("outer", "light", 0.0, 0.20), ("inner", "light", 0.0, 0.23), ("outer", "light", 170.0, 0.20),
)  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An outer and an inner scan, and an outer one that has risen at two places since."""
    facts = PlateFacts("Pear back", bars=(Bar(-17.0, 55.0, -21.0, 320.0, (11.0,), 5.5),))
    path = tmp_path_factory.mktemp("plates") / "pear.plate"
    return contact_folder(path, facts, OUTLINE, SCANS, HIGH)


def drawn(path: Path, step: float = 45.0, top: float = 370.0) -> Path:
    rows = ["x_mm;y_mm;target_cents"]
    for x in np.arange(-99.0, 125.0, step):
        for y in np.arange(0.0, top, step):
            rows.append(f"{x:g};{y:g};{graduation(x, y):.1f}".replace(".", ","))
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def zones(folder: Path, capsys: pytest.CaptureFixture[str], *options: str) -> dict[str, Any]:
    assert run(["zones", str(folder), *CONTACT, *options, "--json"]) == 0, capsys.readouterr().err
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_zones_against_each_target(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = drawn(tmp_path / "wanted.csv")
    for named, kind, source, words in (
        ("mirror", "mirror side", None, "above the mirror side"),
        ("other-face", "other face", "S0002", "above the other face at the same spot (S0002)"),
        ("S0002", "other face", "S0002", "above the other face at the same spot (S0002)"),
        ("s0001", "earlier scan", "S0001", "above the earlier scan S0001"),
        (str(file), "drawn profile", "wanted.csv", "above the drawn profile wanted.csv"),
    ):
        found = zones(folder, capsys, "--target", named)
        assert (found["target"], found["target_from"]) == (kind, source)
        assert words in found["sentence"]
        at = sorted((z["y_mm"], z["x_mm"]) for z in found["zones"])
        assert at == [
            (pytest.approx(90.0, abs=9.0), pytest.approx(45.0, abs=9.0)),
            (pytest.approx(270.0, abs=9.0), pytest.approx(-45.0, abs=9.0)),
        ], named
    assert run(["zones", str(folder), *CONTACT, "--target", "mirror"]) == 0
    assert "A bar is glued on the left of the centre line" in capsys.readouterr().out


def test_map_says_its_target_and_draws_it(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    call = ["map", str(folder), *CONTACT]
    assert run([*call, "--json"]) == 0
    usual = json.loads(capsys.readouterr().out)
    assert (usual["target"], usual["target_usual"]) == ("smooth graduation", True)
    assert all(p["excess_sd_cents"] == p["sd_cents"] for p in usual["points"])
    picture = tmp_path / "above.svg"
    assert run([*call, "--target", "S0001", "--show", "above", "--picture", str(picture)]) == 0
    text = capsys.readouterr().out
    assert "Target: earlier scan S0001." in text
    assert "matched by the median" in text
    assert picture.stat().st_size > 5000
    assert run([*call, "--target", "S0001", "--json"]) == 0
    against = json.loads(capsys.readouterr().out)
    assert against["target_usual"] is False
    assert all(p["excess_sd_cents"] > p["sd_cents"] for p in against["points"])
    assert run(call) == 0
    assert "Target: smooth graduation, the usual one of this reading." in capsys.readouterr().out


def test_the_start_moves_by_hand(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    low = zones(folder, capsys, "--target", "S0001", "--start", "30,60")
    top = zones(folder, capsys, "--target", "S0001", "--start", "-20,320")
    assert [z["y_mm"] < 180.0 for z in low["zones"]] == [True, False]
    assert [z["y_mm"] < 180.0 for z in top["zones"]] == [False, True]
    assert top["starting_spot"] == {"x_mm": -20.0, "y_mm": 320.0}
    assert top["starting_spot_by_hand"]
    assert top["starting_spot_reason"].startswith("Put here by hand")
    assert not zones(folder, capsys, "--target", "S0001")["starting_spot_by_hand"]


@pytest.mark.parametrize(
    ("options", "status", "said"),
    [
        (("--target", "left"), 2, "none of flat, smooth, mirror, other-face"),
        (("--target", "S0009"), 1, "There is no scan S0009"),
        (("--target", "S0003"), 2, "S0003 is no earlier scan than S0003"),
        (("--scan", "S0001", "--target", "S0003"), 2, "no earlier scan than S0001"),
        (("--target", "none.csv"), 2, "there is no such file"),
        (("--start", "140,20"), 2, "not on the wood"),
        (("--start", "nan,20"), 2, "not on the wood"),
        (("--start", "middle"), 2, "write X,Y in mm"),
    ],
)
def test_what_cannot_be_is_refused(
    folder: Path,
    capsys: pytest.CaptureFixture[str],
    options: tuple[str, ...],
    status: int,
    said: str,
) -> None:
    assert run(["zones", str(folder), *CONTACT, *options]) == status
    assert said in " ".join(capsys.readouterr().err.split())


def test_drawings_that_cannot_serve(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    call = ["zones", str(folder), *CONTACT, "--target"]
    half = drawn(tmp_path / "half.csv", top=180.0)
    assert run([*call, str(half)]) == 1
    assert "does not cover the plate" in capsys.readouterr().err
    half.write_text("x_mm,y_mm,target_cents\n1,2,high\n", encoding="utf-8")
    assert run([*call, str(half)]) == 2
    assert "line 2: target_cents is “high”" in " ".join(capsys.readouterr().err.split())


def test_a_folder_of_one_face_has_no_other(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "one.plate"
    taps = (PlannedTap(0, 0.0, 100.0),)
    with PlateFolder.create(path, PlateFacts("one"), OUTLINE) as made:
        made.new_scan(Plan("outer", "light", 14.0, 5.0, 1, taps))
    assert run(["zones", str(path), "--target", "other-face"]) == 2
    assert "no scan of the other face than S0001 (outer)" in capsys.readouterr().err
