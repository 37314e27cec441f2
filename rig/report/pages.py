"""Pages in fpdf2: embedded type, margins, running heads, page numbers, the SIMULATED mark."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from typing import Any

from fpdf import FPDF
from fpdf.enums import TableBordersLayout, XPos, YPos
from fpdf.fonts import FontFace

from rig import __version__
from rig.report.sheet import MARGIN_MM, PAPER_MM, Paper, Sheet

TEXT_MARGIN_MM = 20.0
_FAMILY = "Body"
_INK = (34, 34, 34)
_GREY = (110, 110, 110)
_RED = (156, 42, 0)
_RULE = (190, 190, 190)


class Pages(FPDF):
    """A document of text pages on A4 and map pages on A4 or A3."""

    def __init__(self, title: str, *, simulated: bool, made_utc: str) -> None:
        super().__init__(orientation="portrait", unit="mm", format="A4")
        import matplotlib

        type_dir = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
        self.add_font(_FAMILY, "", type_dir / "DejaVuSans.ttf")
        self.add_font(_FAMILY, "B", type_dir / "DejaVuSans-Bold.ttf")
        self.running_title = title
        self.simulated = simulated
        self.made_utc = made_utc
        self.map_page = False
        self._next_is_map = False
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
        self.map_page = self._next_is_map  # only now: the footer before was the last page's
        side = self._side_mm()
        self.set_y(MARGIN_MM - 2.0 if self.map_page else 12.0)
        self.set_x(side)
        self.set_font(_FAMILY, "", 7.5)
        self.set_text_color(*_GREY)
        self.cell(0, 4, self.running_title, new_x=XPos.LEFT, new_y=YPos.TOP)
        if self.simulated:
            self.set_font(_FAMILY, "B", 8.5)
            self.set_text_color(*_RED)
            self.cell(self.w - 2 * side, 4, "SIMULATED", align="R")
        self.set_text_color(*_INK)
        self.set_y(MARGIN_MM + 4.0 if self.map_page else 24.0)

    def footer(self) -> None:
        """Version and moment at the left, page number at the right; the mark across the page."""
        side = self._side_mm()
        self.set_y(-9.0 if self.map_page else -13.0)
        self.set_x(side)
        self.set_font(_FAMILY, "", 7.5)
        self.set_text_color(*_GREY)
        made = f"platerig {__version__} · made {self.made_utc}"
        self.cell(0, 4, made, new_x=XPos.LEFT, new_y=YPos.TOP)
        room = self.get_string_width(f"page {self.page_no()} of 12")
        self.set_x(self.w - side - room)
        self.cell(room + 5.0, 4, f"page {self.page_no()} of {{pages}}")
        self.set_text_color(*_INK)
        if self.simulated and not self.map_page:
            self._mark_page()

    def text_page(self) -> None:
        """Begin a page of text."""
        self._next_is_map = False
        self.set_margins(TEXT_MARGIN_MM, 24.0, TEXT_MARGIN_MM)
        self.set_auto_page_break(True, 18.0)
        self.add_page(format="A4")

    def sheet_page(self, title: str, lines: Sequence[str], sheet: Sheet, paper: Paper) -> None:
        """Begin a page that holds one plate figure at its true scale."""
        self._next_is_map = True
        self.set_margins(MARGIN_MM, MARGIN_MM, MARGIN_MM)
        self.set_auto_page_break(False)
        self.add_page(format=PAPER_MM[paper])
        self.set_font(_FAMILY, "B", 13)
        self.cell(0, 6, title, new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.set_font(_FAMILY, "", 7.5)
        for line in lines:
            self.multi_cell(0, 3.5, line, new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")
        top = max(self.get_y() + 2.0, MARGIN_MM + 4.0 + 6.0 + 3 * 3.5 + 1.0)
        self.place(sheet, MARGIN_MM, top)

    def place(self, sheet: Sheet, left: float, top: float, *, dots_per_inch: int = 220) -> None:
        """Put a figure at its own size."""
        picture = BytesIO()
        sheet.figure.savefig(
            picture,
            dpi=dots_per_inch,
            format="png",
            metadata={"Software": None},
            facecolor="white",
            pil_kwargs={"compress_level": 1},  # fpdf packs the pixels itself
        )
        picture.seek(0)
        self.image(picture, left, top, sheet.width_mm, sheet.height_mm, alt_text=self.running_title)

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
        self.ln(3)
        self.set_font(_FAMILY, "B", 11.5)
        self.cell(0, 6, text, new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.set_draw_color(*_RULE)
        self.set_line_width(0.2)
        self.line(self.l_margin, self.get_y(), self.w - self.r_margin, self.get_y())
        self.ln(2.5)

    def paragraph(self, text: str, *, strong: bool = False) -> None:
        """Write a paragraph."""
        self.set_font(_FAMILY, "B" if strong else "", 9.5)
        if self.will_page_break(min(self._height_mm(text, self.epw, 5.0), 60.0)):
            self.add_page(same=True)
        self.multi_cell(0, 5, text, new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")
        self.ln(1.8)

    def points(self, texts: Iterable[str]) -> None:
        """Write a list, one dot each."""
        self.set_font(_FAMILY, "", 9)
        for text in texts:
            if self.will_page_break(self._height_mm(text, self.epw - 5.0, 4.6)):
                self.add_page(same=True)
            self.cell(5.0, 4.6, "•")
            self.multi_cell(
                self.epw - 5.0, 4.6, text, new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L"
            )
            self.ln(0.8)
        self.ln(1.0)

    def height_of_points_mm(self, texts: Iterable[str]) -> float:
        """Height that `points` will need."""
        self.set_font(_FAMILY, "", 9)
        return 1.0 + sum(self._height_mm(text, self.epw - 5.0, 4.6) + 0.8 for text in texts)

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
        """Write a long table of numbers small, in two blocks side by side."""
        line, blocks, block_mm = 3.9, 2, self.epw / 2
        cell = (block_mm - 6.0) / len(heads)
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
                    self.set_font(_FAMILY, "B" if row == 0 else "", 7)
                    self.set_xy(left, top + row * line)
                    for text in cells:
                        self.cell(cell, line, text, align="R")
            self.set_y(top + (depth + 1) * line + 2.0)
            if rows:
                self.add_page(same=True)

    def pairs(self, rows: Iterable[tuple[str, str]]) -> None:
        """Write names and values in two columns."""
        for name, value in rows:
            self.set_font(_FAMILY, "", 9)
            if self.will_page_break(6.0):
                self.add_page(same=True)
            self.set_text_color(*_GREY)
            self.cell(46, 5, name)
            self.set_text_color(*_INK)
            self.multi_cell(self.epw - 46, 5, value, new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")
        self.ln(2)

    def _side_mm(self) -> float:
        return MARGIN_MM if self.map_page else TEXT_MARGIN_MM

    def _mark_page(self) -> None:
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
