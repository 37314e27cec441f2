"""Figures: true scale, nothing cut off, signs for grey prints, SIMULATED, same bytes."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import report_samples as samples
from matplotlib.text import Text

from rig.model.outline import Outline
from rig.plan import grid_plan
from rig.report import plate_drawing as draw
from rig.report.map_figures import change_sheet, map_picture, tone_map_sheet, uncertainty_sheet
from rig.report.plan_figure import plan_sheet
from rig.report.sheet import MM, Sheet, scale_for, scale_in_words
from rig.virtual.shapes import viola_outline


@pytest.fixture(scope="module")
def shape() -> Outline:
    return samples.outline(sound_holes=True)


def texts_of(sheet: Sheet) -> list[Text]:
    return [t for t in sheet.figure.findobj(Text) if t.get_visible() and t.get_text()]


def words_of(sheet: Sheet) -> str:
    return "\n".join(t.get_text() for t in texts_of(sheet))


def sheets(shape: Outline) -> dict[str, Sheet]:
    made = samples.tone_map(shape, simulated=True)
    order = samples.work_order(made)
    found = samples.comparison(shape, simulated=True)
    plan = grid_plan(shape, face="outer", strength="light", spacing_mm=9.0)
    return {
        "tone": tone_map_sheet(made, samples.surface(shape), shape, order, strength="light"),
        "excess": tone_map_sheet(
            made, samples.surface(shape, "excess"), shape, order, excess=True, headed=False
        ),
        "doubt": uncertainty_sheet(made, samples.surface(shape), shape),
        "change": change_sheet(found, samples.surface(shape, "change"), shape),
        "plan": plan_sheet(plan, shape, simulated=True),
    }


@pytest.fixture(scope="module")
def drawn(shape: Outline) -> dict[str, Sheet]:
    return sheets(shape)


@pytest.mark.parametrize(("paper", "scale"), [("A4", 1.5), ("A3", 1.0)])
def test_plate_is_drawn_at_the_scale_that_is_printed(shape: Outline, paper, scale) -> None:
    made = samples.tone_map(shape)
    sheet = tone_map_sheet(made, samples.surface(shape), shape, paper=paper)
    axes = sheet.figure.axes[0]
    sheet.figure.draw_without_rendering()
    box = axes.get_window_extent()
    paper_mm = np.array([box.width, box.height]) / sheet.figure.dpi / MM
    wood_mm = np.array([np.ptp(axes.get_xlim()), np.ptp(axes.get_ylim())])
    assert wood_mm / paper_mm == pytest.approx(scale, rel=1e-6)
    assert f"scale {scale_in_words(scale)}" in words_of(sheet)
    bar = re.search(r"(\d+) mm of wood", words_of(sheet))
    assert bar is not None
    assert f"= {int(bar.group(1)) / scale:.1f} mm on paper" in words_of(sheet)


def test_scales() -> None:
    assert scale_for((207, 355), (300, 400)) == 1.0
    assert scale_for((207, 355), (300, 240)) == 1.5
    assert scale_in_words(scale_for(viola_outline().size_mm, (142, 239))) == "1:1.75"


@pytest.mark.parametrize("name", ["tone", "excess", "doubt", "change", "plan"])
def test_no_text_leaves_the_sheet(drawn: dict[str, Sheet], name: str) -> None:
    sheet = drawn[name]
    sheet.figure.draw_without_rendering()
    width, height = sheet.figure.bbox.width, sheet.figure.bbox.height
    for text in texts_of(sheet):
        box = text.get_window_extent()
        assert box.x0 >= -1, text.get_text()
        assert box.x1 <= width + 1, text.get_text()
        assert box.y0 >= -1, text.get_text()
        assert box.y1 <= height + 1, text.get_text()


@pytest.mark.parametrize("name", ["tone", "excess", "doubt", "change", "plan"])
def test_words_in_the_key_do_not_overlap(drawn: dict[str, Sheet], name: str) -> None:
    sheet = drawn[name]
    sheet.figure.draw_without_rendering()
    boxes = [
        (t.get_text(), t.get_window_extent())
        for t in sheet.figure.texts  # heading, key and work order; map numbers are apart
    ]
    for i, (text, box) in enumerate(boxes):
        for other_text, other in boxes[i + 1 :]:
            overlap_x = min(box.x1, other.x1) - max(box.x0, other.x0)
            overlap_y = min(box.y1, other.y1) - max(box.y0, other.y0)
            assert min(overlap_x, overlap_y) <= 1.5, (text, other_text)


def test_simulated_is_in_every_figure_when_it_applies_and_in_none_otherwise(
    shape: Outline, drawn: dict[str, Sheet]
) -> None:
    for name, sheet in drawn.items():
        assert words_of(sheet).count("SIMULATED") == 2, name
    made = samples.tone_map(shape, simulated=False)
    real = tone_map_sheet(made, samples.surface(shape), shape)
    found = samples.comparison(shape, simulated=False)
    change = change_sheet(found, samples.surface(shape, "change"), shape)
    for sheet in (real, change):
        assert "SIMULATED" not in words_of(sheet)


def test_title_names_what_must_be_known(drawn: dict[str, Sheet]) -> None:
    words = words_of(drawn["tone"])
    for part in ("S0001", "outer face", "light strike", "local tone", "wave fit",
                 "smooth graduation", "cents", "repeatability 17"):  # fmt: skip
        assert part in words


def test_signs_stand_on_contours_so_that_grey_prints_can_be_read(drawn: dict[str, Sheet]) -> None:
    axes = drawn["tone"].figure.axes[0]
    numbers = [t.get_text() for t in axes.texts if re.fullmatch(r"[+−]\d+|0", t.get_text())]
    assert any(text.startswith("+") for text in numbers)
    assert any(text.startswith("−") for text in numbers)
    assert "0" in numbers


def test_zones_are_numbered_with_excess_and_doubt(drawn: dict[str, Sheet]) -> None:
    axes = drawn["excess"].figure.axes[0]
    labels = [t.get_text() for t in axes.texts]
    for rank, (x, y, excess) in enumerate(samples.ZONES, start=1):
        badge = next(t for t in axes.texts if t.get_text() == str(rank))
        assert badge.get_position() == (x, y)
        assert f"+{excess:.0f} ± 16" in labels


def test_contour_numbers_keep_clear_of_badges_and_stay_on_wood(
    shape: Outline, drawn: dict[str, Sheet]
) -> None:
    for name in ("tone", "excess", "change"):
        axes = drawn[name].figure.axes[0]
        drawn[name].figure.draw_without_rendering()
        numbers = [t for t in axes.texts if re.fullmatch(r"[+−]\d+|0", t.get_text())]
        assert numbers
        places = np.array([t.get_position() for t in numbers])
        assert shape.contains(places).all(), name
        badges = [t.get_window_extent() for t in axes.texts if "±" in t.get_text()]
        for number in numbers:
            box = number.get_window_extent()
            assert not any(box.overlaps(badge) for badge in badges), (name, number.get_text())


def test_region_outline_encloses_its_taps(shape: Outline) -> None:
    from matplotlib.figure import Figure

    places = samples.grid(shape)
    members = np.flatnonzero(np.hypot(places[:, 0] - 5, places[:, 1] - 95) < 25)
    axes = Figure().add_subplot()
    edge = draw.draw_region(axes, places, members, shape)
    ring = draw.Outline(rim=edge) if len(edge) else None
    assert ring is not None
    inside = ring.contains(places)
    assert inside[members].all()
    others = np.setdiff1d(np.arange(len(places)), members)
    assert inside[others].mean() < 0.02


def test_doubt_is_hatched_only_where_it_is_large(shape: Outline) -> None:
    from matplotlib.figure import Figure

    surface = samples.surface(shape)
    limit = draw.doubt_limit_cents(surface.sd_cents)
    assert limit == pytest.approx(2 * np.nanmedian(surface.sd_cents))
    assert draw.draw_doubt(Figure().add_subplot(), surface, shape, limit)
    even = replace(surface, sd_cents=np.where(np.isnan(surface.cents), np.nan, 12.0))
    assert not draw.draw_doubt(
        Figure().add_subplot(), even, shape, draw.doubt_limit_cents(even.sd_cents)
    )


def test_nice_steps_and_reach() -> None:
    assert draw.nice_step(900) == 100
    assert draw.nice_step(180) == 20
    reach, step = draw.colour_reach(np.array([-412.0, 380.0, np.nan]))
    assert step == 100
    assert reach == 500


@pytest.mark.parametrize("kind", ["png", "svg", "pdf"])
def test_same_map_same_bytes(shape: Outline, tmp_path: Path, kind: str) -> None:
    made = samples.tone_map(shape)
    surface = samples.surface(shape)
    first, second = (
        map_picture(made, samples.work_order(made), surface, shape, tmp_path / f"{n}.{kind}")
        for n in "ab"
    )
    assert first.read_bytes() == second.read_bytes()
    assert first.stat().st_size > 20_000


def test_a_map_of_one_value_can_be_drawn(shape: Outline) -> None:
    made = samples.tone_map(shape)
    flat = replace(made, tone_cents=np.zeros(len(made.taps)))
    surface = samples.surface(shape)
    still = replace(surface, cents=np.where(np.isnan(surface.cents), np.nan, 0.0))
    sheet = tone_map_sheet(flat, still, shape)
    sheet.figure.draw_without_rendering()
    assert "tap" in words_of(sheet)


def test_a_map_without_high_zones_says_so_but_not_on_the_sheet_to_fill_in(shape: Outline) -> None:
    made = samples.tone_map(shape)
    none = replace(samples.work_order(made), zones=())
    drawn = {
        blank: words_of(
            tone_map_sheet(made, samples.surface(shape), shape, none, excess=True, blank=blank)
        )
        for blank in (False, True)
    }
    assert "No high zone" in drawn[False]
    assert "No high zone" not in drawn[True]
    unknown = tone_map_sheet(made, samples.surface(shape), shape, None, excess=True)
    assert "No high zone" not in words_of(unknown)


def test_pyplot_is_never_used() -> None:
    import subprocess
    import sys

    program = (
        "import sys; sys.path.insert(0, 'tests/report'); import report_samples as s\n"
        "from rig.report.map_figures import tone_map_sheet\n"
        "o = s.outline(); m = s.tone_map(o)\n"
        "tone_map_sheet(m, s.surface(o), o).figure.draw_without_rendering()\n"
        "print('matplotlib.pyplot' in sys.modules)"
    )
    root = Path(__file__).parents[2]
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=root, capture_output=True, text=True, timeout=90,
        check=True,
    )  # fmt: skip
    assert done.stdout.strip() == "False"
