"""Machine and hand in one figure and on one page of the report."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import report_samples as samples
from matplotlib.text import Text

from rig.field.hand_agreement import hand_agreement
from rig.field.hand_judged import judged_map
from rig.model.hand_map import Judgement
from rig.report.document import write_report
from rig.report.hand_figure import HandSection, hand_sheet
from rig.report.pages import Pages
from rig.report.sheet import Sheet


@pytest.fixture(scope="module")
def section() -> HandSection:
    shape = samples.outline()
    made = samples.tone_map(shape)
    rng = np.random.default_rng(1)
    pick = rng.choice(len(made.places), 40, replace=False)
    low, high = np.quantile(made.tone_cents, [1 / 3, 2 / 3])
    words = [
        "higher" if t > high else "lower" if t < low else "same" for t in made.tone_cents[pick]
    ]
    words[int(np.argmax(made.tone_cents[pick]))] = "lower"  # one that the maker hears otherwise
    hand = judged_map(
        [Judgement(x, y, w) for (x, y), w in zip(made.places[pick], words, strict=True)],
        source="judged.csv",
    )
    agreement = hand_agreement(hand, made, shape, rng=np.random.default_rng(2), draws=60)
    ear = "Which reading follows the ear best cannot be told yet; local is in front."
    return HandSection("H0003", hand, agreement, made, samples.surface(shape), ear, True)


def drawn(section: HandSection, simulated: bool = True) -> Sheet:
    return hand_sheet(
        section.tone_map, section.surface, samples.outline(), section.hand, section.agreement,
        name=section.name, ear=section.ear, simulated=simulated,
    )  # fmt: skip


def words_of(sheet: Sheet) -> str:
    return "\n".join(t.get_text() for t in sheet.figure.findobj(Text) if t.get_visible())


def test_the_figure_says_what_it_shows_and_stays_on_its_sheet(section):
    sheet = drawn(section)
    words = words_of(sheet)
    for part in (
        "Machine and hand", "S0001", "H0003", "judged places, 40 places", "rank correlation",
        "cannot be told yet", "Hand minus machine", "higher by hand", "beyond doubt", "at 1:2.5",
    ):  # fmt: skip
        assert part in words
    assert words.count("SIMULATED") == 3  # on both plates and in the key
    assert "SIMULATED" not in words_of(drawn(section, simulated=False))
    sheet.figure.draw_without_rendering()
    width, height = sheet.figure.bbox.width, sheet.figure.bbox.height
    for text in sheet.figure.findobj(Text):
        if text.get_visible() and text.get_text():
            box = text.get_window_extent()
            assert box.x0 >= -1, text.get_text()
            assert box.x1 <= width + 1, text.get_text()
            assert box.y0 >= -1, text.get_text()
            assert box.y1 <= height + 1, text.get_text()


def test_what_differs_beyond_doubt_stands_out(section):
    sure = np.asarray(section.agreement.sure)
    assert sure.sum() == 1
    sheet = drawn(section)
    dots = [c for axes in sheet.figure.axes for c in axes.collections
            if len(c.get_offsets()) == len(sure)]  # fmt: skip
    (difference,) = [c for c in dots if c.get_array() is not None]
    widths = np.asarray(difference.get_linewidths())
    assert widths[sure] > 2.0 * np.max(widths[~sure])
    np.testing.assert_allclose(difference.get_array(), section.agreement.difference)


def test_same_figure_same_bytes(section, tmp_path):
    one = drawn(section).save(tmp_path / "one.png", dots_per_inch=50).read_bytes()
    two = drawn(section).save(tmp_path / "two.png", dots_per_inch=50).read_bytes()
    assert one == two


def test_a_page_of_the_report(section, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    titles = []
    monkeypatch.setattr(
        Pages,
        "sheet_page",
        lambda _self, title, lines, _sheet, _paper, _alt: titles.append((title, lines)),
    )
    for name in ("tone_map_sheet", "uncertainty_sheet"):  # only the page of the hand matters here
        monkeypatch.setattr(f"rig.report.document.{name}", lambda *_args, **_options: None)
    content = samples.content(compared=False)
    shown = write_report(replace(content, hand=section), tmp_path / "hand.pdf")
    (lines,) = [lines for title, lines in titles if title == "Machine and hand"]
    assert any("H0003" in line for line in lines)
    assert shown.content_hash != content.content_hash()
    assert any("Hand (H0003)" in text for text in replace(content, hand=section).sentences())
    real = replace(samples.content(simulated=False, compared=False), hand=section)
    assert real.simulated
