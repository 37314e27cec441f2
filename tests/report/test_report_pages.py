"""The PDF: real text in embedded type, every page numbered and marked, same content same bytes."""

from __future__ import annotations

import csv
import re
from collections import defaultdict
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import report_samples as samples
from fpdf import FPDF

from rig import __version__
from rig.model.errors import StorageFullError
from rig.model.plate_facts import Bar, PlateFacts
from rig.report import texts
from rig.report.document import write_report
from rig.report.pages import Pages
from rig.report.tables import write_change_table, write_map_table, write_zone_table
from rig.report.words import true_minus


@pytest.fixture
def printed(monkeypatch: pytest.MonkeyPatch) -> dict[int, list[str]]:
    """Collects the text that is printed, by page."""
    found: dict[int, list[str]] = defaultdict(list)

    def watch(name: str, where: int) -> None:
        original = getattr(FPDF, name)

        def told(self: FPDF, *args: Any, **options: Any) -> Any:
            text = args[where] if len(args) > where else options.get("text", "")
            if not options.get("dry_run"):
                found[self.page].append(str(text))
            return original(self, *args, **options)

        monkeypatch.setattr(FPDF, name, told)

    watch("cell", 2)
    watch("multi_cell", 2)
    watch("text", 2)
    return found


@pytest.fixture
def no_pictures(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave the figures out where only the text matters."""
    monkeypatch.setattr(Pages, "place", lambda *_args, **_options: None)
    sheet = SimpleNamespace(height_mm=240.0, width_mm=190.0)
    for name in ("tone_map_sheet", "uncertainty_sheet", "plan_sheet"):
        monkeypatch.setattr(f"rig.report.document.{name}", lambda *_args, **_options: sheet)
    monkeypatch.setattr("rig.report.owner_record.change_sheet", lambda *_args, **_options: sheet)


def test_pages_say_what_they_must(printed: dict[int, list[str]], tmp_path: Path) -> None:
    content = samples.content()
    files = write_report(content, tmp_path / "work.pdf")
    assert sorted(printed) == list(range(1, files.pages + 1))
    for page, words in printed.items():
        text = " ".join(words)
        assert f"page {page} of" in text
        assert "SIMULATED" in text
        assert f"platerig {__version__}" in text
    everything = " ".join(word for page in sorted(printed) for word in printed[page])
    for part in (
        "Lindgren back 7", "Three zones stand above", "Evenness", "+110 ± 16", "−104 ± 14",
        "91.32", "20.5 °C", "48 %", "wave fit", "smooth graduation",
        "Not known for this plate: mean thickness.",
        content.content_hash()[:8], "2026-05-04T10:00:00Z",
    ):  # fmt: skip
        assert part in everything, part
    for words in (*texts.CAUTIONS, *texts.METHODS["local"], *texts.LIMITS["local"], texts.ZONES):
        assert words in everything


@pytest.mark.usefixtures("no_pictures")
def test_real_scans_are_not_called_simulated(printed: dict[int, list[str]], tmp_path: Path) -> None:
    write_report(samples.content(simulated=False), tmp_path / "work.pdf")
    assert "SIMULATED" not in " ".join(w for words in printed.values() for w in words)


@pytest.mark.usefixtures("no_pictures")
def test_one_simulated_scan_marks_every_page(printed: dict[int, list[str]], tmp_path: Path) -> None:
    content = samples.content(simulated=False)
    assert content.change is not None
    mixed = replace(content.change.comparison, simulated=True)
    content = replace(content, change=replace(content.change, comparison=mixed))
    write_report(content, tmp_path / "work.pdf")
    assert all("SIMULATED" in words for words in printed.values())


def test_text_is_real_in_embedded_type_and_bytes_repeat(tmp_path: Path) -> None:
    content = samples.content(compared=False, kind="bench")
    first = write_report(content, tmp_path / "a.pdf")
    second = write_report(content, tmp_path / "b.pdf")
    raw = first.path.read_bytes()
    assert raw == second.path.read_bytes()
    assert b"/FontFile2" in raw
    assert b"/ToUnicode" in raw
    assert b"DejaVuSans" in raw
    assert re.findall(rb"/BaseFont\s*/(\S+)", raw)
    assert all(b"DejaVu" in name for name in re.findall(rb"/BaseFont\s*/(\S+)", raw))


def test_content_hash_follows_the_content_and_nothing_else() -> None:
    content = samples.content(compared=False)
    known = content.content_hash()
    assert samples.content(compared=False).content_hash() == known
    assert replace(content, made_utc="2027-01-01T00:00:00Z", paper="A3").content_hash() == known
    other = replace(content, plate=PlateFacts(name="another"))
    assert other.content_hash() != known
    face = content.faces[0]
    moved = replace(face.tone_map, tone_cents=face.tone_map.tone_cents + 0.01)
    assert replace(content, faces=(replace(face, tone_map=moved),)).content_hash() != known


@pytest.mark.usefixtures("no_pictures")
def test_maps_have_the_size_of_the_paper(tmp_path: Path) -> None:
    write_report(samples.content(paper="A3", compared=False), tmp_path / "a3.pdf")
    raw = (tmp_path / "a3.pdf").read_bytes()
    boxes = [
        tuple(float(v) / 72 * 25.4 for v in box.split()[2:])
        for box in re.findall(rb"/MediaBox\s*\[([^\]]+)\]", raw)
    ]
    assert any(box == pytest.approx((297, 420), abs=0.2) for box in boxes)
    assert any(box == pytest.approx((210, 297), abs=0.2) for box in boxes)


@pytest.mark.usefixtures("no_pictures")
def test_record_holds_every_place_and_the_plan(
    printed: dict[int, list[str]], tmp_path: Path
) -> None:
    content = samples.content(kind="technical", compared=False)
    write_report(content, tmp_path / "record.pdf")
    everything = [word for words in printed.values() for word in words]
    assert any("Tap plan of S0001" in word for word in everything)
    taps = set(everything)
    assert all(str(tap) in taps for tap in content.faces[0].tone_map.taps)


@pytest.mark.usefixtures("no_pictures")
def test_nothing_is_written_below_the_margin(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lowest: list[tuple[float, float]] = []  # where a line began, where the margin begins
    original = FPDF.cell

    def told(self: FPDF, *args: Any, **options: Any) -> Any:
        if not getattr(self, "map_page", True) and not self.in_footer:
            lowest.append((self.get_y(), self.h - self.b_margin))
        return original(self, *args, **options)

    monkeypatch.setattr(FPDF, "cell", told)
    write_report(samples.content(kind="technical"), tmp_path / "record.pdf")
    assert lowest
    assert all(y <= margin for y, margin in lowest)


@pytest.mark.usefixtures("no_pictures")
def test_a_place_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no directory")
    with pytest.raises(StorageFullError, match="could not be written"):
        write_report(samples.content(compared=False), tmp_path / "file" / "a.pdf")


def test_evenness_never_stands_alone() -> None:
    made = samples.tone_map(samples.outline())
    assert "17 cents at a place" in texts.evenness_sentence(made)
    assert "not known" in texts.evenness_sentence(replace(made, repeatability_cents=None))


def test_tables_read_back(tmp_path: Path) -> None:
    shape = samples.outline()
    made = samples.tone_map(shape)
    with write_map_table(tmp_path / "map.csv", made).open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(made.taps)
    assert float(rows[5]["tone_cents"]) == pytest.approx(made.tone_cents[5], rel=1e-6)
    assert float(rows[5]["x_mm"]) == pytest.approx(made.places[5, 0], rel=1e-6)
    order = samples.work_order(made)
    with write_zone_table(tmp_path / "zones.csv", order).open(encoding="utf-8") as file:
        assert [row["rank"] for row in csv.DictReader(file)] == ["1", "2", "3"]
    found = samples.comparison(shape)
    with write_change_table(tmp_path / "change.csv", found).open(encoding="utf-8") as file:
        sure = [row["significant"] == "1" for row in csv.DictReader(file)]
    assert sure == list(found.significant)


def test_true_minus() -> None:
    assert true_minus("at x -56, fell by -3.5 cents") == "at x −56, fell by −3.5 cents"
    assert true_minus("5-95 % of S-0001, 2026-05-04") == "5-95 % of S-0001, 2026-05-04"


@pytest.mark.usefixtures("no_pictures")
def test_measured_heights_and_bars_are_printed(
    printed: dict[int, list[str]], tmp_path: Path
) -> None:
    content = samples.content()
    heights = ((0.0, 180.0, 15.0),) * 7
    bars = (Bar(-17.0, 55.0, -21.0, 320.0, (3.0, 11.0, 3.0), 5.5),)
    plate = replace(content.plate, arching_mm=None, arch_heights_mm=heights, bars=bars)
    write_report(replace(content, plate=plate), tmp_path / "work.pdf")
    text = " ".join(line for page in printed.values() for line in page)
    assert "measured at 7 places" in text
    assert "265 mm long, 11 mm high, 5.5 mm wide" in text
    assert "Not known for this plate: mean thickness." in text
