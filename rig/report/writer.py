"""What a report is written with: the same calls make the pages of a PDF or of one HTML file."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol

from rig.model.units import FloatArray
from rig.report.sheet import Paper, Sheet
from rig.report.true_size import TrueSizeMap


@dataclass(frozen=True)
class Photograph:
    """A picture of the plate on the bed, with its outline in pixels of that picture.

    jpeg: the picture; size_px: width, height; rings_px: rim first, then sound holes, each (n, 2);
    caption: what it shows.
    """

    scan: str
    jpeg: bytes
    size_px: tuple[int, int]
    rings_px: tuple[FloatArray, ...]
    caption: str


class Writer(Protocol):
    """The parts a report is put together of, in the order in which they are called."""

    def text_page(self, *, narrow: bool = False) -> None:
        """Begin a page of text; narrow: with the margins of a map, to hold more."""

    def sheet_page(
        self, title: str, lines: Sequence[str], sheet: Sheet, paper: Paper, alt: str
    ) -> None:
        """Begin a page that holds one figure at its own size; alt: what it shows."""

    def true_size_pages(self, drawn: TrueSizeMap) -> None:
        """The sheets on which a plate is printed as large as it is."""

    def title_block(self, title: str, under: str) -> None:
        """The title of the whole report."""

    def heading(self, text: str, *, keep_mm: float = 30.0) -> None:
        """A heading that stays with the `keep_mm` that follow."""

    def paragraph(self, text: str, *, strong: bool = False) -> None:
        """A paragraph."""

    def points(self, texts: Iterable[str], *, numbered: bool = False) -> None:
        """A list, dots or numbers before each."""

    def answer_lines(self, amount: int) -> None:
        """Empty lines to write on by hand."""

    def section_of_points(self, heading: str, texts: Sequence[str]) -> None:
        """A heading and its list, kept together on one page."""

    def grid(
        self, heads: Sequence[str], rows: Iterable[Sequence[str]], *, widths: Sequence[float],
        right: Sequence[int] = (),
    ) -> None:  # fmt: skip
        """A table; `widths` in mm, columns in `right` stand right."""

    def number_columns(self, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
        """A long table of numbers."""

    def pairs(self, rows: Iterable[tuple[str, str]], *, name_mm: float = 46.0) -> None:
        """Names and values in two columns."""

    def figure(self, sheet: Sheet, alt: str) -> None:
        """A figure between the text, at its own size."""

    def photograph(self, photograph: Photograph, *, height_mm: float) -> None:
        """A photograph with the outline drawn on it."""

    def beside(self, sheet: Sheet, alt: str, write: Callable[[], None]) -> None:
        """A figure at the left, and what `write` writes in the column at its right."""
