"""Sheets at true size, measured in the finished PDF: by its vectors, and by where its words stand.

Both are read back with poppler (pdftocairo, pdftotext), never from our own constants.
"""

from __future__ import annotations

import re
import subprocess
from dataclasses import replace
from itertools import combinations, pairwise
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
import report_samples as samples

from rig.model.frames import Face
from rig.model.outline import Outline
from rig.report.pages import Pages
from rig.report.sheet import PAPER_MM, Paper
from rig.report.true_size import OVERLAP_MM, TrueSizeMap, tiling
from rig.virtual.shapes import viola_outline

POINT_MM = 25.4 / 72.0  # PDF's unit, ISO 32000-1, 8.3.2.3
SVG = "{http://www.w3.org/2000/svg}"


def drawn(paper: Paper, face_up: Face, shape: Outline | None = None) -> TrueSizeMap:
    shape = shape or samples.outline()
    made = samples.tone_map(samples.outline())
    order = samples.work_order(made)
    return TrueSizeMap(
        title="Above target, true size", lines=("Lindgren back 7",), outline=shape,
        surface=samples.surface(samples.outline(), "excess"), places=made.places,
        zones=order.zones, zone_rows=tuple(zone.taps for zone in order.zones),
        start_mm=order.starting_spot_mm, face_up=face_up, paper=paper, simulated=True,
    )  # fmt: skip


def printed(drawing: TrueSizeMap, folder: Path) -> Path:
    pages = Pages("T", simulated=True, made_utc="2026-05-04T10:00:00Z", paper=drawing.paper)
    pages.true_size_pages(drawing)
    out = folder / "true.pdf"
    pages.output(str(out))
    return out


def lines_of(pdf: Path, page: int) -> list[np.ndarray]:
    """Every stroked line of a page, each (n, 2) mm from the upper left corner, by its transform.

    Unless told not to, pdftocairo shrinks pages of a broken number of points by itself.
    """
    svg = pdf.with_suffix(f".{page}.svg")
    subprocess.run(
        ["pdftocairo", "-svg", "-noshrink", "-nocenter", "-f", str(page), "-l", str(page),
         str(pdf), str(svg)],
        check=True, timeout=60,
    )  # fmt: skip
    found = []
    for path in ElementTree.parse(svg).iter(f"{SVG}path"):
        # one version of poppler says it in attributes, another in a style
        style = dict(re.findall(r"([\w-]+)\s*:\s*([^;]+)", path.get("style", ""))) | path.attrib
        if not re.sub(r"\s", "", style.get("stroke", "")).startswith("rgb(13.3"):
            continue
        if style.get("fill") != "none":
            continue
        a, b, c, d, e, f = (
            float(v) for v in re.findall(r"[-\d.]+", path.get("transform", "matrix(1,0,0,1,0,0)"))
        )
        numbers = [float(v) for v in re.findall(r"[-\d.]+", path.get("d", ""))]
        points = np.array(numbers).reshape(-1, 2)
        place = points @ np.array([[a, b], [c, d]]) + (e, f)
        found.append(place * POINT_MM)
    return found


def longest(lines: list[np.ndarray]) -> np.ndarray:
    """The line with most corners: the rim."""
    return max(lines, key=len)


def test_rim_on_a3_is_as_large_as_the_plate(tmp_path: Path) -> None:
    shape = samples.outline()
    rim = longest(lines_of(printed(drawn("A3", "outer"), tmp_path), 1))
    length = np.ptp(rim[:, 1])
    assert length == pytest.approx(shape.size_mm[1], abs=0.2)
    assert np.ptp(rim[:, 0]) == pytest.approx(shape.size_mm[0], abs=0.2)
    # and every corner of it: distances between far places, off by no more than 0.2 mm on 300
    wood = np.asarray(shape.rim)
    corners = rim[: len(wood)]
    for i, j in combinations(range(0, len(wood), len(wood) // 12), 2):
        on_paper = np.hypot(*(corners[i] - corners[j]))
        on_wood = np.hypot(*(wood[i] - wood[j]))
        assert on_paper == pytest.approx(on_wood, abs=0.2)


@pytest.mark.parametrize("paper", ["A4", "A3", "Letter"])
def test_bar_measures_100_mm_and_the_crosses_stand_100_mm_apart(
    tmp_path: Path, paper: Paper
) -> None:
    pdf = printed(drawn(paper, "outer"), tmp_path)
    for page in range(1, len(tiling(samples.outline(), "outer", paper).tiles) + 1):
        lines = [line for line in lines_of(pdf, page) if len(line) == 2]
        long = [np.hypot(*(a - b)) for a, b in lines if np.hypot(*(a - b)) > 90.0]
        assert any(length == pytest.approx(100.0, abs=0.05) for length in long)
        middles = [np.mean(line, axis=0) for line in lines if np.ptp(line, axis=0).max() == 8.0
                   or abs(np.hypot(*(line[0] - line[1])) - 8.0) < 0.02]  # fmt: skip
        apart = np.array([b - a for a, b in combinations(middles, 2)])
        assert len(middles) >= 12  # two arms each
        assert np.max(np.abs(apart - 100.0 * np.round(apart / 100.0))) < 0.05


def test_overlapping_sheets_put_together_are_the_plate(tmp_path: Path) -> None:
    """The rim of both sheets, laid by the crosses that both carry, is one rim."""
    shape = samples.outline()
    pdf = printed(drawn("A4", "outer"), tmp_path)
    rims = [longest(lines_of(pdf, page)) for page in (1, 2)]
    words = [_words(pdf, page) for page in (1, 2)]
    assert words[0].keys() & words[1].keys() >= {"A1", "A2", "A3", "A4"}
    shifts = [words[0][name] - words[1][name] for name in ("A1", "A4")]
    assert shifts[0] == pytest.approx(shifts[1], abs=0.1)
    np.testing.assert_allclose(rims[1] + shifts[0], rims[0], atol=0.1)
    both = np.vstack([rims[0], rims[1] + shifts[0]])
    assert np.ptp(both[:, 1]) == pytest.approx(shape.size_mm[1], abs=0.2)


def test_neighbouring_sheets_of_a_large_plate_share_two_crosses(tmp_path: Path) -> None:
    cello = Outline.checked(2.1 * np.asarray(samples.outline().rim))
    grown = replace(samples.surface(samples.outline(), "excess"))
    drawing = replace(
        drawn("A4", "inner", cello), zones=(), zone_rows=(), start_mm=None,
        surface=replace(grown, x_mm=2.1 * grown.x_mm, y_mm=2.1 * grown.y_mm),
    )  # fmt: skip
    pdf = printed(drawing, tmp_path)
    tiles = tiling(cello, "inner", "A4").tiles
    assert len(tiles) >= 6
    names = [
        {name for name in _words(pdf, tile.number) if re.fullmatch(r"[A-Z]\d+", name)}
        for tile in tiles
    ]
    for one, other in combinations(tiles, 2):
        if abs(one.column - other.column) + abs(one.row - other.row) == 1:
            assert len(names[one.number - 1] & names[other.number - 1]) >= 2


def test_words_beside_the_crosses_stand_where_they_say(tmp_path: Path) -> None:
    found = _words(printed(drawn("A3", "outer"), tmp_path), 1)
    low, high = found["0,0"], found["0,300"]
    assert low - high == pytest.approx([0.0, 300.0], abs=0.2)


def test_with_the_inner_face_up_the_sheet_is_mirrored(tmp_path: Path) -> None:
    outer, inner = (
        longest(lines_of(printed(drawn("A3", face), tmp_path), 1)) for face in ("outer", "inner")
    )
    np.testing.assert_allclose(outer[:, 1], inner[:, 1], atol=0.05)
    turned = outer[:, 0].max() + outer[:, 0].min() - outer[:, 0]
    np.testing.assert_allclose(turned, inner[:, 0], atol=0.05)


@pytest.mark.parametrize("paper", ["A4", "A3", "Letter"])
@pytest.mark.parametrize("shape", [samples.outline(), viola_outline()])
def test_sheets_cover_the_plate_and_overlap(shape: Outline, paper: Paper) -> None:
    way = tiling(shape, "outer", paper)
    rim = np.asarray(shape.rim)
    seen = np.zeros(len(rim), dtype=bool)
    for tile in way.tiles:
        low = np.array([tile.x0_mm, tile.y0_mm])
        seen |= np.all((rim >= low) & (rim <= low + way.window_mm), axis=1)
        corner = np.array(way.corner_mm)
        assert np.all(corner >= 5.0)
        assert np.all(corner + way.window_mm <= np.array(way.page_mm) - 5.0)
    assert seen.all()
    starts = sorted({tile.y0_mm for tile in way.tiles})
    assert all(b - a <= way.window_mm[1] - OVERLAP_MM for a, b in pairwise(starts))
    assert sorted(way.page_mm) == sorted(PAPER_MM[paper])


def test_every_sheet_says_how_it_is_to_be_printed(tmp_path: Path) -> None:
    pdf = printed(drawn("Letter", "inner"), tmp_path)
    for page in (1, 2):
        text = subprocess.run(
            ["pdftotext", "-f", str(page), "-l", str(page), str(pdf), "-"], check=True,
            capture_output=True, text=True, timeout=60,
        ).stdout  # fmt: skip
        plain = " ".join(text.split())
        for part in ("SIMULATED", "inner face up", "mirrored", "100 mm", "Print at 100 %",
                     f"sheet {page} of 2", f"page {page} of 2"):  # fmt: skip
            assert part in plain, part


def _words(pdf: Path, page: int) -> dict[str, np.ndarray]:
    """The first letter's lower left corner of every label of a page, mm, by its text."""
    text = subprocess.run(
        ["pdftotext", "-bbox", "-f", str(page), "-l", str(page), str(pdf), "-"], check=True,
        capture_output=True, text=True, timeout=60,
    ).stdout  # fmt: skip
    pattern = r'<word xMin="([\d.]+)" yMin="[\d.]+" xMax="[\d.]+" yMax="([\d.]+)">([^<]*)</word>'
    words = [(float(x), float(y), word) for x, y, word in re.findall(pattern, text)]
    found: dict[str, np.ndarray] = {}
    for (x, y, word), (_, _, after) in zip(words, [*words[1:], (0.0, 0.0, "")], strict=True):
        name = word + after if word.endswith(",") and re.fullmatch(r"−?\d+", after) else word
        found.setdefault(name, np.array([x, y]) * POINT_MM)
    return found
