"""The verbs plan, map --picture and report on a plate folder of synthetic recordings."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import report_samples as samples

from rig.archive.plate_folder import PlateFolder
from rig.cli.main import run
from rig.jobs.report import report
from rig.jobs.report_choice import choose
from rig.jobs.report_gather import Wanted, gather
from rig.jobs.tap_plan import tap_plan
from rig.jobs.unfinished import resumes_on_real_rig
from rig.model.clip import Clip
from rig.model.errors import StorageFullError, UsageError
from rig.model.plate_facts import PlateFacts
from rig.model.scan_record import ScanState
from rig.plan import grid_plan

RATE_HZ = 48_000


def tap_sound(x_mm: float, y_mm: float, rng: np.random.Generator, raised: float) -> Clip:
    """A few damped partials, brighter towards the right; 0.2 s, the strike at 20 ms."""
    time_s = np.arange(int(0.2 * RATE_HZ)) / RATE_HZ
    sound = np.zeros_like(time_s)
    for order, hz in enumerate((310.0, 640.0, 1180.0, 2350.0, 4100.0)):
        level = 0.1 * 10 ** (order * (x_mm / 1000.0 + raised))
        sound += level * np.exp(-time_s / 0.03) * np.sin(2 * np.pi * hz * time_s)
    start = int(0.02 * RATE_HZ)
    sound = np.concatenate([np.zeros(start), sound[:-start]])
    sound += rng.normal(0, 1e-4, len(sound))
    samples_24 = np.round(sound * 2**23 * 0.4).astype(np.int32)[:, None]
    return Clip(samples_24, RATE_HZ, strike_sample=start)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("plates") / "alder.plate"
    rng = np.random.default_rng(5)
    outline = samples.outline()
    with PlateFolder.create(path, PlateFacts(name="Alder back", wood="maple"), outline) as made:
        for number, face in enumerate(("outer", "inner", "outer")):
            plan = grid_plan(outline, face=face, strength="light", spacing_mm=30.0)  # type: ignore[arg-type]
            scan = made.new_scan(plan, origin={"simulated": number != 1})
            for tap in plan.taps:
                clip = tap_sound(tap.x_mm, tap.y_mm, rng, 0.01 * number)
                made.store_strike(
                    scan, tap=tap.number, repeat=0, x_mm=tap.x_mm, y_mm=tap.y_mm, clip=clip
                )
            made.set_state(scan, ScanState.FINISHED)
    return path


def answer(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    assert run([*arguments, "--json"]) == 0
    text = capsys.readouterr().out
    found: dict[str, Any] = json.loads(text)
    return found


def test_report_with_comparison_and_both_faces(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "new" / "alder.pdf"
    found = answer(
        ["report", str(folder), "--reading", "attack", "--kind", "record", "--out", str(out)],
        capsys,
    )  # the scans are found without being named, and the kind by its earlier name
    assert found["kind"] == "technical"
    assert out.read_bytes().startswith(b"%PDF")
    assert found["pages"] >= 6
    assert found["simulated"]
    assert len(found["sentences"]) == 3
    assert any("S0001 to S0003" in sentence for sentence in found["sentences"])
    assert "inner face (S0002) was scanned before S0003" in found["cautions"][0]
    assert {Path(path).stem for path in found["pictures"]} >= {
        "alder-S0001-above", "alder-S0002-above", "alder-S0003-above", "alder-change",
    }  # fmt: skip
    for path in found["pictures"] + found["tables"]:
        assert Path(path).stat().st_size > 20
        assert Path(path).parent == out.parent
    with open(next(p for p in found["tables"] if p.endswith("S0003-map.csv"))) as file:
        taps = len(list(csv.DictReader(file)))
    assert taps > 40


def test_report_of_a_real_scan_is_not_simulated_and_repeats(folder: Path, tmp_path: Path) -> None:
    made = [
        report(
            folder, scan="S0002", reading="attack", out=tmp_path / f"{name}.pdf",
            made_utc="2026-05-04T10:00:00Z",
        )
        for name in "ab"
    ]  # fmt: skip
    assert not made[0].simulated
    assert made[0].content_hash == made[1].content_hash
    assert made[0].pdf is not None
    assert made[1].pdf is not None
    assert made[0].pdf.read_bytes() == made[1].pdf.read_bytes()


def test_report_refuses_what_makes_no_sense(folder: Path, tmp_path: Path) -> None:
    pdf = tmp_path / "a.pdf"
    with pytest.raises(UsageError, match="both"):
        report(folder, before="S0001")
    with pytest.raises(UsageError, match="PDF or as one HTML"):
        report(folder, out=tmp_path / "report.doc")
    with pytest.raises(UsageError, match=r"ends in \.pdf"):
        report(folder, out=pdf, html=True)
    with pytest.raises(UsageError, match="same scan"):
        report(folder, scan="S0001", other_face="S0001", out=pdf)
    with pytest.raises(UsageError, match="same scan"):
        report(folder, before="S0001", after="S0001", out=pdf)
    with pytest.raises(UsageError, match="no kind of report “poster”"):
        report(folder, kind="poster", out=pdf)
    with pytest.raises(UsageError, match="no paper “A5”"):
        report(folder, paper="A5", out=pdf)
    with pytest.raises(UsageError, match="true size “upright”"):
        report(folder, true_size="upright", out=pdf)
    with pytest.raises(UsageError, match="no target"):
        report(folder, target="level", out=pdf)
    with pytest.raises(UsageError, match="not on the wood"):
        report(folder, start_mm=(300.0, 10.0), out=pdf)
    (tmp_path / "file").write_text("no directory")
    with pytest.raises(StorageFullError, match="cannot be written there"):
        report(folder, out=tmp_path / "file" / "a.pdf")
    assert not pdf.exists()


def test_earlier_name_of_the_working_sheet_still_holds(folder: Path, tmp_path: Path) -> None:
    made = report(folder, scan="S0002", kind="work", reading="attack", out=tmp_path / "work.html")
    assert made.kind == "bench"
    assert made.pdf is None
    assert made.html == tmp_path / "work.html"
    assert made.tables == made.pictures == ()
    assert json.loads(json.dumps(made.as_json()))["pages"] is None


def test_start_and_target_are_those_that_were_asked_for(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    drawing = tmp_path / "wish.csv"
    places = samples.grid(samples.outline(), 25.0)
    rows = [f"{x:.0f},{y:.0f},{0.2 * y:.0f}" for x, y in places]
    drawing.write_text("\n".join(["x_mm,y_mm,target_cents", *rows]), encoding="utf-8")
    scans = {"S0003": "earlier scan S0001", "S0001": "mirror side", "S0002": "other face S0003"}
    named = {"S0003": "S0001", "S0001": "mirror", "S0002": "other-face"}
    base = ["report", str(folder), "--kind", "bench", "--reading", "attack"]
    for scan, words in scans.items():
        out = tmp_path / f"{scan}.html"
        answer([*base, "--scan", scan, "--target", named[scan], "--out", str(out)], capsys)
        assert words in out.read_text(encoding="utf-8")
    out = tmp_path / "drawn.html"
    start = ["--target", str(drawing), "--start=10,180"]
    answer([*base, "--scan", "S0003", *start, "--out", str(out)], capsys)
    page = out.read_text(encoding="utf-8")
    assert "Start at x 10, y 180 mm" in page or "No high zone" in page
    assert "drawn profile wish.csv" in page


def test_another_scan_as_target_is_one_for_the_scan_shown_only(folder: Path) -> None:
    found = gather(folder, choose(folder), Wanted(kind="owner", target="S0001", reading="attack"))
    targets = {one.tone_map.scan: one.tone_map.target_name for one in found.maps}
    assert targets == {"S0003": "earlier scan S0001", "S0002": "flat", "S0001": "flat"}


def test_the_name_says_the_kind_where_none_is_given(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy = tmp_path / "copy.plate"
    shutil.copytree(folder, copy)
    base = ["report", str(copy), "--scan", "S0002", "--reading", "attack"]
    found = answer([*base, "--kind", "class", "--html", "--paper", "a3"], capsys)
    assert found["html"] == str(tmp_path / "copy-class.html")
    assert found["pdf"] is None
    made = answer([*base, "--kind", "bench", "--true-size", "inner", "--paper", "letter"], capsys)
    assert made["pdf"] == str(tmp_path / "copy-bench.pdf")
    assert made["pages"] == 3  # one for the bench, two sheets of letter paper


@pytest.mark.parametrize("show", ["tone", "above", "doubt"])
def test_map_picture(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], show: str
) -> None:
    picture = tmp_path / f"{show}.svg"
    found = answer(
        ["map", str(folder), "--scan", "S0001", "--reading", "attack", "--show", show,
         "--picture", str(picture)],
        capsys,
    )  # fmt: skip
    assert found["reading"] == "attack"
    assert b"<svg" in picture.read_bytes()


def test_plan_is_counted_saved_and_drawn(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table, picture = tmp_path / "taps.csv", tmp_path / "plan.png"
    arguments = ["plan", str(folder), "--spacing", "12", "--repeats", "2", "--out", str(table)]
    found = answer([*arguments, "--picture", str(picture)], capsys)
    assert found["strikes"] == 2 * found["taps"] == 2 * len(found["points"])
    with table.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [(float(r["x_mm"]), float(r["y_mm"])) for r in rows] == [
        (p["x_mm"], p["y_mm"]) for p in found["points"]
    ]
    assert picture.read_bytes().startswith(b"\x89PNG")
    way = np.array([(p["x_mm"], p["y_mm"]) for p in found["points"]])
    assert found["route_mm"] == pytest.approx(np.hypot(*np.diff(way, axis=0).T).sum(), abs=0.1)


def test_plan_keeps_its_margin(folder: Path) -> None:
    plan = tap_plan(folder, spacing_mm=10.0, margin_mm=12.0).plan
    assert samples.outline().edge_distance_mm(plan.places()).min() >= 12.0


def test_who_would_be_moved_by_resume(tmp_path: Path) -> None:
    outline = samples.outline()
    plan = grid_plan(outline, face="outer", strength="light", spacing_mm=40.0)
    path = tmp_path / "real.plate"
    with PlateFolder.create(path, PlateFacts(name="real"), outline) as made:
        assert not resumes_on_real_rig(path)
        first = made.new_scan(plan, origin={"simulated": True, "world": "maple-even"})
        assert not resumes_on_real_rig(path)
        made.set_state(first, ScanState.FINISHED)
        made.new_scan(plan, origin={"simulated": False, "rig_file": "rig.toml"})
    assert resumes_on_real_rig(path)
