"""Pages in fpdf2: embedded type, margins, running heads, page numbers, the SIMULATED mark."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from typing import Any

from fpdf import FPDF
from fpdf.enums import TableBordersLayout, XPos, YPos
from fpdf.fonts import FontFace

from rig import __version__
from rig.report.placing import picture_and_words, write_words
from rig.report.sheet import MARGIN_MM, PAPER_MM, Paper, Sheet
from rig.report.true_size import TrueSizeMap
from rig.report.true_size_pages import true_size_pages
from rig.report.writer import Photograph

TEXT_MARGIN_MM = 20.0
_NARROW_MM = 12.0
_COLUMN_GAP_MM = 5.0
_FAMILY = "Body"
_INK = (34, 34, 34)
_GREY = (110, 110, 110)
_RED = (156, 42, 0)
_RULE = (190, 190, 190)


class Pages(FPDF):
    """A document of text pages and map pages; a `Writer`. Text stays on A4 where maps are on A3."""

    def __init__(self, title: str, *, simulated: bool, made_utc: str, paper: Paper = "A4") -> None:
        super().__init__(orientation="portrait", unit="mm", format=PAPER_MM["A4"])
        import matplotlib

        type_dir = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
        self.add_font(_FAMILY, "", type_dir / "DejaVuSans.ttf")
        self.add_font(_FAMILY, "B", type_dir / "DejaVuSans-Bold.ttf")
        self.running_title = title
        self.simulated = simulated
        self.made_utc = made_utc
        self.paper = paper
        self.side_mm = self._next_side_mm = TEXT_MARGIN_MM
        self.map_page = self._next_is_map = False
        self._next_is_bare = self._bare = False
        self._small = 1.0  # type of a page that must hold much
        self.c_margin = 0.0
        self.set_title(title)
        self.set_creator(f"platerig {__version__}")
        self.set_producer("fpdf2")
        self.set_lang("en-GB")
        self.set_creation_date(_moment(made_utc))
        self.alias_nb_pages("{pages}")
        self.set_text_color(*_INK)

    def header(self) -> None:
        """Running title at the left, SIMULATED at the right; called by fpdf on every page."""
        # only now: the footer before was the last page's
        self.map_page, self._bare = self._next_is_map, self._next_is_bare
        self.side_mm = self._next_side_mm
        if self._bare:
            return
        near = self.side_mm < TEXT_MARGIN_MM
        self.set_y(MARGIN_MM - 2.0 if near else 12.0)
        self.set_x(self.side_mm)
        self.set_font(_FAMILY, "", 7.5)
        self.set_text_color(*_GREY)
        self.cell(0, 4, self.running_title, new_x=XPos.LEFT, new_y=YPos.TOP)
        if self.simulated:
            self.set_font(_FAMILY, "B", 8.5)
            self.set_text_color(*_RED)
            self.cell(self.w - 2 * self.side_mm, 4, "SIMULATED", align="R")
        self.set_text_color(*_INK)
        self.set_y(MARGIN_MM + 4.0 if near else 24.0)

    def footer(self) -> None:
        """Version and moment at the left, page number at the right; the mark across the page."""
        if self._bare:
            return
        self.set_y(-9.0 if self.side_mm < TEXT_MARGIN_MM else -13.0)
        self.set_x(self.side_mm)
        self.set_font(_FAMILY, "", 7.5)
        self.set_text_color(*_GREY)
        made = f"platerig {__version__} · made {self.made_utc}"
        self.cell(0, 4, made, new_x=XPos.LEFT, new_y=YPos.TOP)
        room = self.get_string_width(f"page {self.page_no()} of 12")
        self.set_x(self.w - self.side_mm - room)
        self.cell(room + 5.0, 4, f"page {self.page_no()} of {{pages}}")
        self.set_text_color(*_INK)
        if self.simulated and not self.map_page:
            self.mark_page()

    def text_page(self, *, narrow: bool = False) -> None:
        """Begin a page of text."""
        side = _NARROW_MM if narrow else TEXT_MARGIN_MM
        self._small = 0.9 if narrow else 1.0
        self._next_is_map, self._next_is_bare, self._next_side_mm = False, False, side
        self.set_margins(side, 16.0 if narrow else 24.0, side)
        self.set_auto_page_break(True, 12.0 if narrow else 18.0)
        large = narrow or self.paper == "Letter"  # a sheet for the bench may be as large as a map
        self.add_page(format=PAPER_MM[self.paper if large else "A4"])

    def sheet_page(
        self, title: str, lines: Sequence[str], sheet: Sheet, paper: Paper, alt: str
    ) -> None:
        """Begin a page that holds one plate figure at its true scale."""
        self._next_is_map, self._next_is_bare, self._next_side_mm = True, False, MARGIN_MM
        self.set_margins(MARGIN_MM, MARGIN_MM, MARGIN_MM)
        self.set_auto_page_break(False)
        self.add_page(format=PAPER_MM[paper])
        self.set_font(_FAMILY, "B", 13)
        self.cell(0, 6, title, new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.set_font(_FAMILY, "", 7.5)
        for line in lines:
            self.multi_cell(0, 3.5, line, new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")
        top = max(self.get_y() + 2.0, MARGIN_MM + 4.0 + 6.0 + 3 * 3.5 + 1.0)
        self.place(sheet, MARGIN_MM, top, alt)

    def bare_page(self, page_mm: tuple[float, float]) -> None:
        """Begin a page without running head and foot."""
        self._next_is_map, self._next_is_bare = True, True
        self.set_margins(0.0, 0.0, 0.0)
        self.set_auto_page_break(False)
        turned = page_mm[0] > page_mm[1]
        size = page_mm[::-1] if turned else page_mm
        self.add_page(orientation="landscape" if turned else "portrait", format=size)

    def true_size_pages(self, drawn: TrueSizeMap) -> None:
        """The sheets on which a plate is printed as large as it is."""
        true_size_pages(self, _FAMILY, drawn)

    def place(
        self, sheet: Sheet, left: float, top: float, alt: str, *, dots_per_inch: int = 160
    ) -> None:
        """Put a figure at its own size, its words as real text."""
        from PIL import Image

        pixels, words = picture_and_words(sheet, dots_per_inch)
        picture = Image.fromarray(pixels)
        self.image(picture, left, top, sheet.width_mm, sheet.height_mm, alt_text=alt)
        write_words(self, words, left, top, _FAMILY)
        self.set_text_color(*_INK)

    def figure(self, sheet: Sheet, alt: str) -> None:
        """Put a figure between the text."""
        if self.will_page_break(sheet.height_mm + 2.0):
            self.add_page(same=True)
        top = self.get_y()
        self.place(sheet, self.l_margin, top, alt)
        self.set_y(top + sheet.height_mm + 2.0)

    def photograph(self, photograph: Photograph, *, height_mm: float) -> None:
        """Put a photograph with the outline drawn on it, and its caption below."""
        pixel_mm = min(self.epw / photograph.size_px[0], height_mm / photograph.size_px[1])
        width, height = (side * pixel_mm for side in photograph.size_px)
        if self.will_page_break(height + 8.0):
            self.add_page(same=True)
        left, top = self.l_margin, self.get_y()
        self.image(BytesIO(photograph.jpeg), left, top, width, height, alt_text=photograph.caption)
        for colour, thick in (((255, 255, 255), 0.7), (_RED, 0.35)):
            self.set_draw_color(*colour)
            self.set_line_width(thick)
            for ring in photograph.rings_px:
                corners = [(left + u * pixel_mm, top + v * pixel_mm) for u, v in ring]
                self.polyline(corners, polygon=True)
        self.set_y(top + height + 1.0)
        self.set_font(_FAMILY, "", 7.5)
        self.set_text_color(*_GREY)
        self.multi_cell(0, 3.5, photograph.caption, new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")
        self.set_text_color(*_INK)
        self.ln(2)

    def beside(self, sheet: Sheet, alt: str, write: Callable[[], None]) -> None:
        """Put a figure at the left, and what `write` writes in the column at its right."""
        left, top, below = self.l_margin, self.get_y(), self.b_margin
        self.place(sheet, left, top, alt)
        self.set_left_margin(left + sheet.width_mm + _COLUMN_GAP_MM)
        self.set_auto_page_break(False, below)  # the column stands beside the figure, come what may
        self.set_y(top)
        write()
        end = max(self.get_y(), top + sheet.height_mm)
        self.set_left_margin(left)
        self.set_auto_page_break(True, below)
        self.set_y(end + 2.0)

    def title_block(self, title: str, under: str) -> None:
        """Write the title of the report."""
        self.set_font(_FAMILY, "B", 20)
        self.multi_cell(0, 9, title, new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")
        self.ln(1)
        self.set_font(_FAMILY, "", 10)
        self.set_text_color(*_GREY)
        self.multi_cell(0, 5, under, new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")
        self.set_text_color(*_INK)
        self.ln(4)

    def heading(self, text: str, *, keep_mm: float = 30.0) -> None:
        """Write a heading that stays with the `keep_mm` that follow."""
        if self.will_page_break(keep_mm):
            self.add_page(same=True)
        self.ln(3 * self._small)
        self.set_font(_FAMILY, "B", 11.5 * self._small)
        self.cell(0, 6 * self._small, text, new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.set_draw_color(*_RULE)
        self.set_line_width(0.2)
        self.line(self.l_margin, self.get_y(), self.w - self.r_margin, self.get_y())
        self.ln(2.5 * self._small)

    def paragraph(self, text: str, *, strong: bool = False) -> None:
        """Write a paragraph."""
        line = 5.0 * self._small
        self.set_font(_FAMILY, "B" if strong else "", 9.5 * self._small)
        if self.will_page_break(min(self._height_mm(text, self.epw, line), 60.0)):
            self.add_page(same=True)
        self.multi_cell(0, line, text, new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")
        self.ln(1.8 * self._small)

    def points(self, texts: Iterable[str], *, numbered: bool = False) -> None:
        """Write a list, a dot or a number before each."""
        line, room = 4.6 * self._small, self.epw - 5.0
        self.set_font(_FAMILY, "", 9 * self._small)
        for number, text in enumerate(texts, start=1):
            if self.will_page_break(self._height_mm(text, room, line)):
                self.add_page(same=True)
            self.cell(5.0, line, f"{number}." if numbered else "•")
            self.multi_cell(room, line, text, new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")
            self.ln(0.8 * self._small)
        self.ln(1.0 * self._small)

    def answer_lines(self, amount: int) -> None:
        """Empty lines to write on by hand."""
        self.set_draw_color(*_RULE)
        self.set_line_width(0.2)
        for _ in range(amount):
            self.ln(8.0)
            self.line(self.l_margin + 5.0, self.get_y(), self.w - self.r_margin, self.get_y())
        self.ln(4.0)

    def section_of_points(self, heading: str, texts: Sequence[str]) -> None:
        """A heading and its list, kept together on one page."""
        self.set_font(_FAMILY, "", 9 * self._small)
        line = 4.6 * self._small
        high = sum(self._height_mm(text, self.epw - 5.0, line) + 0.8 for text in texts)
        self.heading(heading, keep_mm=12.5 * self._small + high)
        self.points(texts)

    def _height_mm(self, text: str, width: float, line: float) -> float:
        height = self.multi_cell(width, line, text, align="L", dry_run=True, output="HEIGHT")
        assert isinstance(height, float | int)
        return float(height)

    def grid(
        self, heads: Sequence[str], rows: Iterable[Sequence[str]], *, widths: Sequence[float],
        right: Sequence[int] = (),
    ) -> None:  # fmt: skip
        """Write a table; `widths` in mm, columns in `right` stand right. The head is repeated."""
        self.set_font(_FAMILY, "", 8.5)
        self.set_draw_color(*_RULE)
        aligns = tuple("RIGHT" if column in right else "LEFT" for column in range(len(heads)))
        with self.table(
            width=sum(widths),
            col_widths=tuple(widths),
            align="LEFT",
            text_align=aligns,
            line_height=5.2,
            padding=(0.2, 2.0, 0.2, 2.0),
            borders_layout=TableBordersLayout.HORIZONTAL_LINES,
            headings_style=FontFace(emphasis="BOLD", color=_INK),
        ) as table:
            table.row(heads)
            for cells in rows:
                table.row(cells)
        self.ln(3)

    def number_columns(self, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
        """Write a long table of numbers small, in three blocks side by side."""
        line, blocks = 3.4, 3
        block_mm = self.epw / blocks
        cell = (block_mm - 4.0) / len(heads)
        while rows:
            depth = int((self.page_break_trigger - self.get_y()) / line) - 1
            here, rows = rows[: depth * blocks], rows[depth * blocks :]
            depth = min(depth, -(-len(here) // blocks)) if not rows else depth
            top = self.get_y()
            for block in range(blocks):
                part = here[block * depth : (block + 1) * depth]
                if not part:
                    continue
                left = self.l_margin + block * block_mm
                for row, cells in enumerate((heads, *part)):
                    self.set_font(_FAMILY, "B" if row == 0 else "", 6.5)
                    base = top + (row + 0.75) * line
                    for column, text in enumerate(cells, start=1):
                        # not a cell each: there are thousands, and a cell takes three times as long
                        right = left + column * cell - self.get_string_width(text)
                        self.text(right, base, text)
            self.set_y(top + (depth + 1) * line + 2.0)
            if rows:
                self.add_page(same=True)

    def pairs(self, rows: Iterable[tuple[str, str]], *, name_mm: float = 46.0) -> None:
        """Write names and values in two columns."""
        for name, value in rows:
            self.set_font(_FAMILY, "", 9 * self._small)
            if self.will_page_break(6.0):
                self.add_page(same=True)
            self.set_text_color(*_GREY)
            line = 5 * self._small
            self.cell(name_mm, line, name)
            self.set_text_color(*_INK)
            room = self.epw - name_mm
            self.multi_cell(room, line, value, new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")
        self.ln(2)

    def mark_page(self) -> None:
        """Write SIMULATED across the page."""
        self.set_font(_FAMILY, "B", 84)
        self.set_text_color(*_RED)
        width = self.get_string_width("SIMULATED")
        with (
            self.local_context(fill_opacity=0.07),
            self.rotation(52, self.w / 2, self.h / 2),
        ):
            self.text(self.w / 2 - width / 2, self.h / 2 + 10, "SIMULATED")
        self.set_text_color(*_INK)


def _moment(utc: str) -> Any:
    try:
        return datetime.fromisoformat(utc.replace("Z", "+00:00"))
    except ValueError:
        return datetime(1970, 1, 1, tzinfo=UTC)
