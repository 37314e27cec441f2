"""`calibrate sheet --bed`: the bed of a rig file with its markers, at true size on paper."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.model.errors import StorageFullError, UsageError

if TYPE_CHECKING:
    from rig.calibrate.bed_sheet import BedSheets, BedTile, Rectangle
    from rig.model.rig_settings import BedMarker, RigSettings

BAR_MM = 100
_INK, _FAINT, _RED = 0, 130, (156, 42, 0)
_ALONE_PER_PAGE_MM = 10.0  # white between markers that are cut out one by one


def write_bed_sheet(rig: Path | str, out: Path | str, paper: str = "a4") -> Path:
    """Write the bed of a rig file as a PDF at true size, on as many sheets as it takes.

    Raises UsageError for an unknown paper, a name that is no PDF's, and a bed without markers.
    """
    from rig.archive.rig_file import load_rig_file
    from rig.calibrate.bed_sheet import bed_sheets

    path = Path(out)
    if path.suffix.lower() != ".pdf":
        raise UsageError("The sheet is a PDF.", where=str(out), remedy="Let the name end in .pdf.")
    settings = load_rig_file(rig)
    try:
        pages = _Pages(settings, bed_sheets(settings.bed, paper), paper)
    except UsageError as problem:
        raise UsageError(problem.what, where=str(rig), remedy=problem.remedy) from problem
    try:
        path.write_bytes(pages.drawn())
    except OSError as problem:
        raise StorageFullError(
            f"The sheet could not be written: {problem.strerror or problem}.",
            where=str(path),
            remedy="Choose a place of your own.",
        ) from problem
    return path


class _Pages:
    """Draws the sheets. Places are in mm of the bed frame until they meet the page."""

    def __init__(self, settings: RigSettings, sheets: BedSheets, paper: str) -> None:
        from fpdf import FPDF

        from rig.calibrate.bed_sheet import marker_rectangles

        self.settings, self.sheets, self.paper = settings, sheets, paper
        self.black = {id(m): marker_rectangles(settings.bed, m) for m in settings.bed.markers}
        self.pdf: Any = FPDF(unit="mm", format=sheets.page_mm)
        self.pdf.set_auto_page_break(False)
        self.pdf.set_title("Bed markers")
        self.pdf.set_creator("platerig")
        self.pdf.set_font("helvetica", size=7)
        self.corner = (0.0, 0.0)  # on the page, of the bed place below
        self.origin = (0.0, 0.0)

    def drawn(self) -> bytes:
        """The whole document."""
        for tile in self.sheets.tiles:
            self._tile(tile)
        if self.sheets.alone:
            self._alone()
        return bytes(self.pdf.output())

    def _at(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        return self.corner[0] + x_mm - self.origin[0], self.corner[1] - (y_mm - self.origin[1])

    def _line(self, x0: float, y0: float, x1: float, y1: float, width_mm: float = 0.15) -> None:
        self.pdf.set_line_width(width_mm)
        self.pdf.line(*self._at(x0, y0), *self._at(x1, y1))

    def _filled(self, rectangles: list[Rectangle]) -> None:
        self.pdf.set_fill_color(_INK)
        for x, y, width, height in rectangles:
            left, base = self._at(x, y)
            self.pdf.rect(left, base - height, width, height, style="F")

    def _tile(self, tile: BedTile) -> None:
        from rig.calibrate.bed_sheet import EDGE_MM, quiet_mm

        pdf, sheets, bed = self.pdf, self.sheets, self.settings.bed
        pdf.add_page()
        wide, high = sheets.window_mm
        self.corner, self.origin = (EDGE_MM, EDGE_MM + high), (tile.x0_mm, tile.y0_mm)
        with pdf.local_context(), pdf.rect_clip(EDGE_MM, EDGE_MM, wide, high):
            self._bed()
            for marker in bed.markers:
                if sheets.whole_on(tile, marker, quiet_mm(bed, marker)):
                    self._filled(self.black[id(marker)])
                    self._names(marker)
                else:
                    self._frame(marker)
            self._cuts(tile)
        self._words(EDGE_MM + high + 6.0, self._about(tile))

    def _bed(self) -> None:
        """Its border, the way of the gantry, the crosses, and the homed corner."""
        from rig.calibrate.bed_sheet import CROSS_MM

        pdf, bed = self.pdf, self.settings.bed
        pdf.set_draw_color(_INK)
        self._rectangle((0.0, 0.0, bed.width_mm, bed.depth_mm), 0.5)
        pdf.set_draw_color(_FAINT)
        pdf.set_dash_pattern(3.0, 2.0)
        self._rectangle(self.settings.controller.limits_mm, 0.2)
        pdf.set_dash_pattern()
        pdf.set_text_color(_FAINT)
        pdf.set_font_size(6)
        for column in range(int(bed.width_mm // CROSS_MM) + 1):
            for row in range(int(bed.depth_mm // CROSS_MM) + 1):
                x, y = column * CROSS_MM, row * CROSS_MM
                self._line(x - 4.0, y, x + 4.0, y)
                self._line(x, y - 4.0, x, y + 4.0)
                left, base = self._at(x, y)
                pdf.text(left + 1.0, base - 1.0, f"{x:g}, {y:g}")
        pdf.set_text_color(_INK)
        pdf.set_draw_color(_INK)
        for ends, name in (((25.0, 0.0), "X"), ((0.0, 25.0), "Y")):
            self._line(0.0, 0.0, *ends, 0.9)
            pdf.set_font_size(9)
            left, base = self._at(*ends)
            pdf.text(left + 1.0, base - 1.0, name)

    def _rectangle(self, box: tuple[float, float, float, float], width_mm: float) -> None:
        x0, y0, x1, y1 = box
        for ends in ((x0, y0, x1, y0), (x1, y0, x1, y1), (x1, y1, x0, y1), (x0, y1, x0, y0)):
            self._line(*ends, width_mm)

    def _names(self, marker: BedMarker) -> None:
        """Its number and place under it, and an arrow for its own up, both clear of its white."""
        from rig.calibrate.bed_sheet import quiet_mm

        half = 0.5 * marker.size_mm + quiet_mm(self.settings.bed, marker)
        self.pdf.set_font_size(7)
        self.pdf.set_text_color(_INK)
        left, base = self._at(marker.x_mm - 0.5 * marker.size_mm, marker.y_mm - half)
        words = f"marker {marker.id}: x {marker.x_mm:g}, y {marker.y_mm:g}, {marker.size_mm:g} mm"
        self.pdf.text(left, base + 3.0, words)
        top = marker.y_mm + half
        for x in (-2.0, 0.0, 2.0):
            self._line(marker.x_mm + x, top + (0.0 if x == 0.0 else 3.0), marker.x_mm, top + 5.0)
        across, beside = 0.5 * marker.size_mm, half + 1.0
        for side in (-1.0, 1.0):  # ticks that point at its centre
            x = marker.x_mm + side * beside
            self._line(x, marker.y_mm, x + side * min(4.0, across), marker.y_mm)

    def _frame(self, marker: BedMarker) -> None:
        half = 0.5 * marker.size_mm
        self.pdf.set_draw_color(_FAINT)
        x, y = marker.x_mm, marker.y_mm
        self._rectangle((x - half, y - half, x + half, y + half), 0.1)
        if marker in self.sheets.alone:
            self.pdf.set_font_size(7)
            left, base = self._at(x, y)
            self.pdf.text(left - half + 2.0, base, f"glue marker {marker.id} here")
        self.pdf.set_draw_color(_INK)

    def _cuts(self, tile: BedTile) -> None:
        """Where this sheet is cut, or laid over its neighbour."""
        del tile
        self.pdf.set_draw_color(*_RED)
        self.pdf.set_dash_pattern(2.0, 1.5)
        bed = self.settings.bed
        for x in self.sheets.cuts_x_mm:
            self._line(x, 0.0, x, bed.depth_mm)
        for y in self.sheets.cuts_y_mm:
            self._line(0.0, y, bed.width_mm, y)
        self.pdf.set_dash_pattern()
        self.pdf.set_draw_color(_INK)

    def _about(self, tile: BedTile) -> list[str]:
        many = len(self.sheets.tiles)
        columns = len(self.sheets.cuts_x_mm) + 1
        joined = (
            f"Sheet {tile.number} of {many}: place {tile.column + 1} of {columns} from the left, "
            f"row {tile.row + 1} from the front. Cut along the red lines, join at the crosses."
            if many > 1
            else "The whole bed."
        )
        return [
            joined,
            "Print at 100 %, never 'fit to page'. The bar and the crosses must measure 100.0 mm, "
            "both ways; if not, print anew.",
            "Glue flat, matte side up, X along the gantry's X. Then measure every marker's centre "
            "and side and write them into the rig file.",
        ]

    def _words(self, top: float, lines: list[str]) -> None:
        from rig.calibrate.bed_sheet import EDGE_MM

        pdf = self.pdf
        pdf.set_draw_color(_INK)
        pdf.set_text_color(_INK)
        pdf.set_line_width(0.2)
        for mark in range(BAR_MM // 10 + 1):
            size = 4.0 if mark % 5 == 0 else 2.5
            pdf.line(EDGE_MM + 10 * mark, top, EDGE_MM + 10 * mark, top - size)
        pdf.line(EDGE_MM, top, EDGE_MM + BAR_MM, top)
        pdf.set_font_size(8)
        pdf.text(EDGE_MM + BAR_MM + 3.0, top, f"100 mm · bed of {self._name()}, {self.paper}")
        pdf.set_font_size(7.5)
        for number, line in enumerate(lines, start=1):
            pdf.text(EDGE_MM, top + 1.5 + 3.8 * number, line)

    def _name(self) -> str:
        name = self.settings.name.encode("latin-1", "replace").decode("latin-1")
        return name if len(name) <= 30 else name[:29] + "."

    def _alone(self) -> None:
        """Markers that no sheet shows whole, to be cut out one by one."""
        from rig.calibrate.bed_sheet import EDGE_MM, WORDS_MM, quiet_mm

        wide, high = self.sheets.page_mm
        note = ["To be cut out with the white round them and glued where the sheets say.",
                "Print at 100 %, never 'fit to page'. The bar must measure 100.0 mm."]  # fmt: skip
        left, top, deepest = EDGE_MM, EDGE_MM, 0.0
        fresh = True
        for marker in self.sheets.alone:
            side = marker.size_mm + 2 * quiet_mm(self.settings.bed, marker)
            if not fresh and left + side > wide - EDGE_MM:
                left, top, deepest = EDGE_MM, top + deepest, 0.0
            if not fresh and top + side + 12.0 > high - WORDS_MM - EDGE_MM:
                left, top, deepest, fresh = EDGE_MM, EDGE_MM, 0.0, True
            if fresh:
                self.pdf.add_page()
                self._words(high - WORDS_MM - EDGE_MM + 6.0, note)
                fresh = False
            self.corner = (left + 0.5 * side, top + 6.0 + 0.5 * side)
            self.origin = (marker.x_mm, marker.y_mm)
            self._filled(self.black[id(marker)])
            self._names(marker)
            left += max(side, 50.0) + _ALONE_PER_PAGE_MM
            deepest = max(deepest, side + 12.0)
