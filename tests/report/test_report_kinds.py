"""Each kind of report as PDF and as HTML: what it must say, on how many pages, in what type."""

from __future__ import annotations

import base64
import re
import subprocess
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
import report_samples as samples

from rig.jobs.report_gather import missing
from rig.model.frames import PlateXY
from rig.model.thickness import ThicknessReadings
from rig.report import texts
from rig.report.content import ReportContent, ReportKind, ThicknessSection
from rig.report.document import write_report
from rig.report.sheet import Paper
from rig.report.writer import Photograph

KINDS: tuple[ReportKind, ...] = ("bench", "owner", "class", "technical")
VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "wbr"}


def photograph() -> Photograph:
    from io import BytesIO

    from PIL import Image

    picture = BytesIO()
    Image.new("RGB", (120, 200), (60, 80, 70)).save(picture, format="jpeg")
    ring = np.array([(20.0, 20.0), (100.0, 20.0), (100.0, 180.0), (20.0, 180.0)])
    return Photograph("S0001", picture.getvalue(), (120, 200), (ring,), "As the camera saw it.")


def full_content(kind: ReportKind, *, paper: Paper = "A4", simulated: bool = True) -> ReportContent:
    """Everything that the samples have: before, after, a caliper list, a photograph."""
    content = samples.content(kind=kind, paper=paper, simulated=simulated)
    face = content.faces[0]
    rig = (("rig", "corner bench (rig.toml)"), ("record: gantry", "made 2026-05-01, 3 days old"))
    now = replace(face, facts=replace(face.facts, scan="S0002", rig=rig),
                  tone_map=replace(face.tone_map, scan="S0002"))  # fmt: skip
    readings = ThicknessReadings(
        PlateXY(np.array([(0.0, 100.0), (30.0, 200.0)])), np.array([3.42, 4.1]),
        np.array([0.05, 0.05]), "outer", "2026-05-04", "caliper.csv",
    )  # fmt: skip
    zones = ("Zone 1: 3.42 ± 0.05 mm thick; 0.21 ± 0.04 mm less would reach the target.",)
    plate = replace(content.plate, reference="Countess Orla's back, job 12")
    whole = replace(
        content, plate=plate, faces=(now, replace(face, earlier=True)),
        thickness=ThicknessSection(readings, zones), photographs=(photograph(),),
    )  # fmt: skip
    if kind in ("bench", "class"):
        whole = replace(whole, faces=whole.faces[:1], change=None, photographs=())
    return replace(whole, missing=missing(whole))


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Callable[[ReportKind, str], Path]:
    """The report of a kind, written once."""
    folder = tmp_path_factory.mktemp("kinds")

    def one(kind: ReportKind, ending: str) -> Path:
        path = folder / f"{kind}.{ending}"
        if not path.exists():
            write_report(full_content(kind), path)
        return path

    return one


def text_of(pdf: Path, page: int | None = None) -> str:
    """Words of a PDF as poppler reads them, with single spaces."""
    pages = [] if page is None else ["-f", str(page), "-l", str(page)]
    done = subprocess.run(
        ["pdftotext", *pages, str(pdf), "-"], capture_output=True, text=True, check=True, timeout=60
    )
    return " ".join(done.stdout.split())


def pages_of(pdf: Path) -> int:
    done = subprocess.run(
        ["pdfinfo", str(pdf)], capture_output=True, text=True, check=True, timeout=60
    )
    found = re.search(r"Pages:\s+(\d+)", done.stdout)
    assert found is not None
    return int(found.group(1))


MUST_SAY: dict[str, tuple[str, ...]] = {
    "bench": (
        "Working sheet", "Work order", "Start at x 4, y 172 mm", "3120 Hz", "512 cents",
        "17 cents", "When to stop", "0.21 ± 0.04 mm less", "Cautions", "+110 ± 16",
    ),
    "owner": (
        "Record for the owner", "Countess Orla's back, job 12", "As the camera saw it.",
        "20.5 °C", "48 %", "Before and after", "−104 ± 14", "How to read the maps",
        "made 2026-05-01, 3 days old", "content hash",
        "The other face is not shown",
    ),
    "class": (
        "Hand-out for the class", "higher", "lower", "to fill in", "Questions",
        "For the teacher", "semitone",
    ),
    "technical": (
        "Full technical record", "Three zones stand above", "91.32", "Thickness by caliper",
        "The plate on the bed", "Tap plan of", "Method", "Limits", "All places of S0002",
        "content hash", "corner bench (rig.toml)", "No findings by hand are kept",
    ),
}  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_says_what_it_is_for(
    written: Callable[[ReportKind, str], Path], kind: ReportKind
) -> None:
    text = text_of(written(kind, "pdf"))
    for part in MUST_SAY[kind]:
        assert part in text, part


@pytest.mark.parametrize("kind", KINDS)
def test_every_page_is_numbered_and_marked_and_all_type_is_embedded(
    written: Callable[[ReportKind, str], Path], kind: ReportKind
) -> None:
    pdf = written(kind, "pdf")
    pages = pages_of(pdf)
    for page in range(1, pages + 1):
        text = text_of(pdf, page)
        assert f"page {page} of {pages}" in text
        assert "SIMULATED" in text
    fonts = subprocess.run(
        ["pdffonts", str(pdf)], capture_output=True, text=True, check=True, timeout=60
    ).stdout.splitlines()[2:]
    assert fonts
    for line in fonts:
        embedded, _, to_unicode = line.split()[-5:-2]
        assert "DejaVu" in line
        assert (embedded, to_unicode) == ("yes", "yes"), line


def test_words_of_a_figure_are_real_text(written: Callable[[ReportKind, str], Path]) -> None:
    text = text_of(written("class", "pdf"), 2)
    for part in ("equal tone every", "starting spot", "50 mm of wood, scale 1:1.5", "+160 ± 16"):
        assert part in text


@pytest.mark.parametrize("paper", ["A4", "A3", "Letter"])
def test_working_sheet_is_one_page_on_any_paper(tmp_path: Path, paper: Paper) -> None:
    content = full_content("bench", paper=paper)
    face = content.faces[0]
    many = tuple(replace(face.work_order.zones[k % 3], rank=k + 1) for k in range(12))
    assert content.thickness is not None
    crowded = replace(
        content,
        faces=(replace(face, work_order=replace(face.work_order, zones=many)),),
        thickness=replace(content.thickness, zones=content.thickness.zones * 5),
    )
    files = write_report(crowded, tmp_path / "bench.pdf")
    assert files.pages == 1
    assert "4 more stand on the map." in text_of(files.path)


def test_hand_out_without_numbers_has_none_on_its_map(
    written: Callable[[ReportKind, str], Path],
) -> None:
    with_numbers, without = (text_of(written("class", "pdf"), page) for page in (2, 3))
    assert re.search(r"\+\d+ ± \d+", with_numbers)
    assert not re.search(r"±", without)
    assert not re.search(r"[+−]\d{2,3}(?!\d| *\d* mm)", without.replace("−100 −50", ""))


def test_without_a_comparison_the_record_says_what_is_missing(tmp_path: Path) -> None:
    content = full_content("owner")
    alone = replace(content, faces=content.faces[:1], change=None, photographs=())
    alone = replace(alone, plate=replace(alone.plate, reference=None))
    alone = replace(alone, missing=missing(alone))
    text = text_of(write_report(alone, tmp_path / "owner.pdf").path)
    for part in ("There is no before and after", "No photograph", "No owner's reference",
                 "The plate's tone", "Tone: S0002"):  # fmt: skip
        assert part in text
    assert "Before and after" not in text


class Strict(HTMLParser):
    """Notes every tag that is closed wrongly, every picture without a text, everything fetched."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.wrong: list[str] = []
        self.tags: list[str] = []
        self.fetched: list[str] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        told = dict(attrs)
        if len(told) != len(attrs):
            self.wrong.append(f"attribute twice in {tag}")
        if tag == "img" and not told.get("alt"):
            self.wrong.append("picture without a text")
        if tag == "svg" and not told.get("aria-label"):
            self.wrong.append("drawing without a text")
        for name in ("src", "href"):
            if name in told and not (told[name] or "").startswith("data:"):
                self.fetched.append(str(told[name]))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open[-1] != tag:
            self.wrong.append(f"</{tag}> while {self.open[-1:]} is open")
        else:
            self.open.pop()

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in ("style", "script"):
            self.words.append(data)


@pytest.mark.parametrize("kind", KINDS)
def test_html_is_whole_well_formed_and_says_the_same(
    written: Callable[[ReportKind, str], Path], kind: ReportKind
) -> None:
    page = written(kind, "html").read_text(encoding="utf-8")
    assert page.startswith("<!DOCTYPE html>")
    parser = Strict()
    parser.feed(page)
    parser.close()
    assert parser.wrong == []
    assert parser.open == []
    assert parser.fetched == []
    assert "script" not in parser.tags
    assert parser.tags.count("h1") == 1
    assert parser.tags.count("h2") >= 3
    assert parser.tags.count("main") == 1
    text = " ".join(" ".join(parser.words).split()).replace("’", "'")
    in_figures = {"+110 ± 16", "equal tone every"}
    for part in MUST_SAY[kind]:
        if part not in in_figures:
            assert part in text, part
    assert text.count("SIMULATED") >= 3
    for coded in re.findall(r'src="data:image/png;base64,([^"]+)"', page):
        assert base64.b64decode(coded, validate=True).startswith(b"\x89PNG")
    assert "prefers-color-scheme: dark" in page
    assert "@media print" in page


def test_html_of_a_real_scan_carries_no_mark(tmp_path: Path) -> None:
    content = full_content("bench", simulated=False)
    out = write_report(content, tmp_path / "bench.html")
    assert out.pages is None
    assert "SIMULATED" not in out.path.read_text(encoding="utf-8")


def test_html_shows_names_with_signs_as_they_are(tmp_path: Path) -> None:
    content = full_content("bench")
    named = replace(content, plate=replace(content.plate, name='<b>"Orla" & Söhne'))
    page = write_report(named, tmp_path / "named.html").path.read_text(encoding="utf-8")
    assert "<b>" not in page
    parser = Strict()
    parser.feed(page)
    assert '<b>"Orla" & Söhne' in "".join(parser.words)


def test_same_content_same_bytes(
    written: Callable[[ReportKind, str], Path], tmp_path: Path
) -> None:
    for ending in ("pdf", "html"):
        again = write_report(full_content("bench"), tmp_path / f"again.{ending}")
        assert again.path.read_bytes() == written("bench", ending).read_bytes()


def test_a_reading_that_is_no_thickness_is_not_called_one(tmp_path: Path) -> None:
    for kind in ("owner", "class"):
        content = full_content(kind)  # type: ignore[arg-type]  # two of the kinds
        heard = tuple(
            replace(face, tone_map=replace(face.tone_map, reading="attack"))
            for face in content.faces
        )
        page = write_report(replace(content, faces=heard), tmp_path / f"{kind}.html").path
        text = page.read_text(encoding="utf-8")
        assert texts.NOT_THICKNESS in text
        assert texts.HIGHER_IS_THICKER not in text


def test_cautions_stand_in_every_kind_that_is_worked_by(
    written: Callable[[ReportKind, str], Path],
) -> None:
    bench, record = (text_of(written(kind, "pdf")) for kind in ("bench", "technical"))
    for sentence in texts.BENCH_CAUTIONS:
        assert sentence in bench
    for sentence in texts.CAUTIONS:
        assert sentence in record
