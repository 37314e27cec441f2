"""zones --floor-mm: no zone where the wood forbids it, and how deep the others ask for."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rig.archive.plate_folder import PlateFolder
from rig.cli.main import run
from rig.jobs.make_map import MapResult
from rig.model.frames import PlateXY
from rig.model.plate_facts import PlateFacts
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import ToneMap
from rig.virtual.shapes import violin_outline

SPOTS = ((-45.0, 95.0, 3.6), (40.0, 285.0, 2.5))  # thick, and stiff where it is thin


def made() -> MapResult:
    """A map of local tone with two high places."""
    outline, rng = violin_outline(), np.random.default_rng(11)
    x, y = np.meshgrid(np.arange(-96.0, 97.0, 12.0), np.arange(12.0, 350.0, 12.0))
    xy = np.column_stack([x.ravel(), y.ravel()])
    xy = xy[outline.contains(xy) & (outline.edge_distance_mm(xy) > 6.0)]
    cents = rng.normal(0.0, 8.0, len(xy))
    for sx, sy, _ in SPOTS:
        cents += 150.0 * np.exp(-0.5 * (np.hypot(*(xy - np.array([sx, sy])).T) / 18.0) ** 2)
    cents -= np.median(cents)
    tone_map = ToneMap(
        scan="S0001", face="outer", reading="local", estimator="test", target="flat",
        taps=tuple(range(len(xy))), places=PlateXY(xy), tone_cents=cents,
        sd_cents=np.full(len(xy), 9.0), excess_cents=cents, middle_hz=3000.0,
        evenness_cents=90.0, evenness_low_cents=80.0, evenness_high_cents=100.0,
        repeatability_cents=9.0, ring=(),
    )  # fmt: skip
    scan = ScanRecord(
        "S0001", "outer", "light", 12.0, outline, PlateFacts("floor"), (),
        recorded_utc="2026-11-20T10:00:00Z",
    )  # fmt: skip
    return MapResult(tone_map, scan)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "floor.plate"
    with PlateFolder.create(path, PlateFacts("floor"), violin_outline()):
        pass
    monkeypatch.setattr("rig.jobs.zones.make_map", lambda *_, **__: made())
    return path


def measured(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Caliper readings all over, on the day before the scan."""
    rows = ["x_mm,y_mm,thickness_mm"]
    rng = np.random.default_rng(12)
    outline = violin_outline()
    for x in np.arange(-85.0, 86.0, 17.0):
        for y in np.arange(15.0, 345.0, 17.0):
            here = np.array([[x, y]])
            if outline.contains(here)[0] and outline.edge_distance_mm(here)[0] > 5.0:
                thick = 3.0 + rng.normal(0.0, 0.04)
                for sx, sy, mm in SPOTS:
                    gap = np.hypot(x - sx, y - sy)
                    thick += (mm - 3.0) * np.exp(-0.5 * (gap / 18.0) ** 2)
                rows.append(f"{x:.1f},{y:.1f},{thick:.2f}")
    path = tmp_path / "caliper.csv"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    assert run(["thickness", str(folder), str(path), "--date", "2026-11-19"]) == 0
    capsys.readouterr()


def zones(folder: Path, capsys: pytest.CaptureFixture[str], *options: str) -> dict[str, Any]:
    assert run(["zones", str(folder), *options, "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_without_readings_the_zones_stay_and_a_floor_stops_nothing(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plain = zones(folder, capsys)
    assert len(plain["zones"]) == 2
    assert plain["depths"] == []
    floored = zones(folder, capsys, "--floor-mm", "2.4")
    assert len(floored["zones"]) == 2
    assert "the floor stops nothing" in floored["depth_notes"][0]
    assert all("measure here first" in d["sentence"] for d in floored["depths"])


def test_depths_and_the_floor(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    measured(folder, tmp_path, capsys)
    free = zones(folder, capsys)
    assert len(free["zones"]) == 2
    by_place = {round(d["x_mm"], -1): d for d in free["depths"]}
    thick, stiff = by_place[-40.0 if -40.0 in by_place else -50.0], by_place[40.0]
    assert thick["thickness_mm"] == pytest.approx(3.6, abs=0.12)
    share = 1.0 - 2.0 ** (-free["zones"][0]["excess_cents"] / 1200.0)
    assert 0.2 < thick["depth_mm"] < 0.4
    assert share > 0.05
    assert thick["explained"] > 0.6
    assert stiff["explained"] < 0.0
    assert "Stiff rather than thick" in stiff["sentence"]
    assert any("2026-11-19" in note for note in free["depth_notes"])

    floored = zones(folder, capsys, "--floor-mm", "2.6")
    assert [z["rank"] for z in floored["zones"]] == [1]
    assert floored["zones"][0]["x_mm"] < 0.0
    assert [d["allowed"] for d in floored["depths"]].count(False) == 1
    assert "Left out, being at the floor already" in floored["sentence"]
    assert run(["zones", str(folder), "--floor-mm", "2.6"]) == 0
    text = capsys.readouterr().out
    assert "No wood is to come off here" in text
    assert "mm less would reach the target" in text

    none = zones(folder, capsys, "--floor-mm", "4.0")
    assert none["zones"] == []
    assert none["sentence"].startswith("Nothing is to be taken off")
    assert "even within what this rig can tell" in none["sentence"]


@pytest.mark.parametrize("floor", ["0", "-1", "0.0022", "22", "nan"])
def test_a_floor_that_is_none_is_refused(
    folder: Path, capsys: pytest.CaptureFixture[str], floor: str
) -> None:
    assert run(["zones", str(folder), "--floor-mm", floor]) == 2
    assert "no thickness to stop at" in capsys.readouterr().err


def test_readings_that_cannot_be_read_are_told(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    measured(folder, tmp_path, capsys)
    file = folder / "thickness" / "T0001.json"
    file.chmod(0o644)
    file.write_text("{}")
    assert run(["zones", str(folder)]) == 1
    assert "thickness readings cannot be read" in capsys.readouterr().err
