"""The sheets of a map at true size, drawn in lines so that their scale is exact."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.model.units import FloatArray
from rig.report import plate_drawing as draw
from rig.report.palette import diverging
from rig.report.true_size import (
    BAR_MM,
    EDGE_MM,
    STRIP_MM,
    Tile,
    Tiling,
    TrueSizeMap,
    as_it_lies,
    tiling,
)

_POINT_MM = 25.4 / 72.0
_PIXELS_PER_MM = 3
_CROSS_MM = 100.0  # crosses at every full 100 mm of the plate frame
_JOIN_CROSSES_MM = 80.0  # along a join, so that every sheet has two of them at least
_GAP_MM = 6.0  # between drawing and column of words
_INK, _FAINT, _RED = (34, 34, 34), (110, 110, 110), (156, 42, 0)
_TITLE_PT, _WORDS_PT, _NUMBER_PT = 11.0, 8.0, 7.0


def true_size_pages(pdf: Any, family: str, drawn: TrueSizeMap) -> None:
    """Draw every sheet on a page of its own. pdf: the pages; family: its type."""
    way = tiling(drawn.outline, drawn.face_up, drawn.paper)
    reach, step = draw.colour_reach(drawn.surface.cents)
    picture = _coloured(drawn, reach)
    lines, numbers = _contours(drawn, step)
    for tile in way.tiles:
        pdf.bare_page(way.page_mm)
        sheet = _SheetPen(pdf, family, drawn, way, tile)
        with pdf.local_context(), pdf.rect_clip(*way.corner_mm, *way.window_mm):
            sheet.picture(picture)
            sheet.contours(lines, numbers)
            sheet.plate()
            sheet.zones()
        sheet.crosses()
        sheet.joins()
        sheet.words(step)
        if drawn.simulated:
            pdf.mark_page()


class _SheetPen:
    """Draws on one sheet, in millimetres of the plate as it lies."""

    def __init__(self, pdf: Any, family: str, drawn: TrueSizeMap, way: Tiling, tile: Tile) -> None:
        self.pdf, self.family, self.drawn, self.way, self.tile = pdf, family, drawn, way, tile

    def place(self, xy_mm: FloatArray) -> FloatArray:
        """Plate-frame places on the page."""
        return self.way.on_page(self.tile, as_it_lies(xy_mm, self.drawn.face_up))

    def line(
        self, xy_mm: FloatArray, width_mm: float, rgb: tuple[int, int, int] = _INK, *,
        closed: bool = False, dashed: bool = False,
    ) -> None:  # fmt: skip
        """A line through plate-frame places."""
        self.pdf.set_draw_color(*rgb)
        self.pdf.set_line_width(width_mm)
        if dashed:
            self.pdf.set_dash_pattern(2.0, 1.2)
        self.pdf.polyline([tuple(p) for p in self.place(xy_mm)], polygon=closed)
        if dashed:
            self.pdf.set_dash_pattern()

    def write(
        self, left: float, base: float, text: str, size_pt: float = _WORDS_PT, *,
        bold: bool = False, rgb: tuple[int, int, int] = _INK, align: str = "left",
        ground: bool = False,
    ) -> None:  # fmt: skip
        """One line of text at a place of the page; ground: on a white field of its own."""
        self.pdf.set_font(self.family, "B" if bold else "", size_pt)
        width = self.pdf.get_string_width(text)
        left -= {"left": 0.0, "middle": 0.5 * width, "right": width}[align]
        if ground:
            height = size_pt * _POINT_MM
            self.pdf.set_fill_color(255, 255, 255)
            self.pdf.rect(left - 0.5, base - 0.85 * height, width + 1.0, 1.1 * height, style="F")
        self.pdf.set_text_color(*rgb)
        self.pdf.text(left, base, text)

    def picture(self, picture: NDArray[np.uint8]) -> None:
        """The colours, one picture for all sheets."""
        from PIL import Image

        low, high = _box(self.drawn)
        corner = self.way.on_page(self.tile, np.array([[low[0], high[1]]]))[0]
        self.pdf.image(
            Image.fromarray(picture), *corner, high[0] - low[0], high[1] - low[1],
            alt_text=self.drawn.title,
        )  # fmt: skip

    def plate(self) -> None:
        """Rim, sound holes and centre line."""
        outline = self.drawn.outline
        for ring in (outline.rim, *outline.holes):
            self.line(np.asarray(ring), 0.35, closed=True)
        low, high = outline.rim[:, 1].min(), outline.rim[:, 1].max()
        self.line(np.array([[0.0, low], [0.0, high]]), 0.15, _FAINT, dashed=True)

    def contours(
        self, lines: list[tuple[float, FloatArray]], numbers: list[tuple[float, FloatArray]]
    ) -> None:
        """Lines of equal tone with their numbers."""
        for level, line in lines:
            self.line(line, 0.4 if level == 0.0 else 0.18, dashed=level < 0.0)
        for level, spot in numbers:
            (x, y) = self.place(spot)[0]
            text = draw.signed_number(level)
            self.write(x, y + 0.9, text, _NUMBER_PT, align="middle", ground=True)

    def zones(self) -> None:
        """Borders of the high zones, their numbers, and the starting spot."""
        drawn = self.drawn
        for zone, rows in zip(drawn.zones, drawn.zone_rows, strict=True):
            for border in _border(drawn, rows):
                self.line(border, 1.1, (255, 255, 255))
                self.line(border, 0.6)
            (x, y) = self.place(np.array([[zone.x_mm, zone.y_mm]]))[0]
            self.pdf.set_fill_color(255, 255, 255)
            self.pdf.set_draw_color(*_INK)
            self.pdf.set_line_width(0.4)
            self.pdf.circle(x, y, 3.6, style="DF")
            self.write(x, y + 1.5, str(zone.rank), 11.0, bold=True, align="middle")
            note = f"{draw.signed_number(zone.excess_cents)} ± {zone.excess_sd_cents:.0f}"
            self.write(x, y + 7.2, note, _WORDS_PT, bold=True, align="middle", ground=True)
        if drawn.start_mm is not None:
            spot = np.asarray(drawn.start_mm)
            for half in (np.array([5.0, 0.0]), np.array([0.0, 5.0])):
                arm = np.array([spot - half, spot + half])
                self.line(arm, 1.3, (255, 255, 255))
                self.line(arm, 0.7)

    def crosses(self) -> None:
        """Fine crosses at every full 100 mm, to check the printer and to lay the plate by."""
        low, high = _box(self.drawn)
        for x in np.arange(np.ceil(low[0] / _CROSS_MM), high[0] / _CROSS_MM) * _CROSS_MM:
            for y in np.arange(np.ceil(low[1] / _CROSS_MM), high[1] / _CROSS_MM) * _CROSS_MM:
                name = f"{draw.plain_number(self._unmirrored(x))}, {draw.plain_number(y)}"
                self._cross(np.array([self._unmirrored(x), y]), 4.0, name, _INK)

    def joins(self) -> None:
        """Where sheets overlap: a dashed line and crosses with letters, alike on both sheets."""
        x0, y0, width, height = self.way.box_mm
        letters = iter("ABCDEFGHIJKLMNOPQRSTUVWXYZ")
        for y in self.way.joins_y_mm:
            self._join(np.array([[x0, y], [x0 + width, y]]), next(letters))
        for x in self.way.joins_x_mm:
            self._join(np.array([[x, y0], [x, y0 + height]]), next(letters))

    def _join(self, ends: FloatArray, letter: str) -> None:
        """One line of overlap, between two places of the drawing as it lies."""
        with self.pdf.local_context(), self.pdf.rect_clip(*self.way.corner_mm, *self.way.window_mm):
            self.line(self._unmirrored_places(ends), 0.2, _RED, dashed=True)
        length = float(np.hypot(*(ends[1] - ends[0])))
        towards = (ends[1] - ends[0]) / length
        count = int(np.ceil((length - 14.0) / _JOIN_CROSSES_MM)) + 1
        for number, along in enumerate(np.linspace(7.0, length - 7.0, count), start=1):
            spot = self._unmirrored_places((ends[0] + along * towards)[None])[0]
            self._cross(spot, 5.0, f"{letter}{number}", _RED)

    def _cross(
        self, xy_mm: FloatArray, half_mm: float, name: str, rgb: tuple[int, int, int]
    ) -> None:
        if not self._on_sheet(as_it_lies(xy_mm[None], self.drawn.face_up)).all():
            return
        for half in (np.array([half_mm, 0.0]), np.array([0.0, half_mm])):
            self.line(np.array([xy_mm - half, xy_mm + half]), 0.12, rgb)
        (x, y) = self.place(xy_mm[None])[0]
        right = x > self.way.corner_mm[0] + 0.8 * self.way.window_mm[0]
        aside = -0.7 if right else 0.7  # at the right the words begin
        self.write(x + aside, y - 0.7, name, 5.5, rgb=rgb, align="right" if right else "left")

    def _on_sheet(self, lying_mm: FloatArray) -> NDArray[np.bool_]:
        low = np.array([self.tile.x0_mm, self.tile.y0_mm])
        return np.asarray(np.all((lying_mm > low) & (lying_mm < low + self.way.window_mm), axis=-1))

    def _unmirrored(self, x_mm: float) -> float:
        return float(x_mm if self.drawn.face_up == "outer" else -x_mm)

    def _unmirrored_places(self, lying_mm: FloatArray) -> FloatArray:
        return as_it_lies(lying_mm, self.drawn.face_up)  # twice mirrored is as it was

    def words(self, step: float) -> None:
        """Title, what lies how, how to check the print, and what the lines mean."""
        way, drawn = self.way, self.drawn
        if way.words_beside:
            left, top = way.corner_mm[0] + way.window_mm[0] + _GAP_MM, EDGE_MM + 4.0
            room = way.page_mm[0] - EDGE_MM - left
        else:
            left, top, room = EDGE_MM, EDGE_MM + 4.0, way.page_mm[0] - 2 * EDGE_MM
        if drawn.simulated:
            self.write(left, top, "SIMULATED", 10.0, bold=True, rgb=_RED)
            top += 6.0
        self.write(left, top, drawn.title, _TITLE_PT, bold=True)
        top += 2.0
        for text in self._sentences(step):
            self.pdf.set_font(self.family, "", 7.5 if way.words_beside else 6.5)
            self.pdf.set_text_color(*_INK)
            self.pdf.set_xy(left, top)
            line = 3.4 if way.words_beside else 2.9
            self.pdf.multi_cell(room, line, text, align="L")
            top = self.pdf.get_y() + (1.4 if way.words_beside else 0.5)
        foot = f"sheet {self.tile.number} of {len(way.tiles)} · page {self.pdf.page_no()} of "
        foot += "{pages}"
        if way.words_beside:
            bottom = way.page_mm[1] - EDGE_MM
            self._bar(left + 4.0, bottom - BAR_MM - 6.0, upright=True)
            self._foot(left, bottom - 4.0, foot)
        else:
            self._bar(way.page_mm[0] - EDGE_MM - BAR_MM - 2.0, EDGE_MM + 3.0, upright=False)
            self._foot(left, EDGE_MM + STRIP_MM - 5.0, foot)

    def _foot(self, left: float, top: float, text: str) -> None:
        self.pdf.set_font(self.family, "", 7.0)
        self.pdf.set_text_color(*_FAINT)
        self.pdf.set_xy(left, top)
        self.pdf.cell(0, 4.0, text)  # a cell, for only there the number of pages is filled in

    def _sentences(self, step: float) -> list[str]:
        drawn, many = self.drawn, len(self.way.tiles) > 1
        lies = f"Drawn as the plate lies with its {drawn.face_up} face up" + (
            ", seen from above; neck end at the top." if drawn.face_up == "outer"
            else ", seen from above: mirrored; neck end at the top."
        )  # fmt: skip
        check = (
            "Print at 100 %, “actual size”, never “fit to page”. The bar must measure 100.0 mm, "
            "and so must the gaps between the fine crosses, both ways (beside them x, y in mm)."
        )
        joined = (
            f"{len(self.way.tiles)} sheets belong together: cut one of two along the dashed line "
            "and lay its red crosses on those with the same names."
        )
        means = (
            f"Lines of equal tone every {step:g} cents, below 0 dashed. Numbers in rings: high "
            "zones in work order, cents above target ± standard deviation. Bold cross: start here."
        )
        return [*drawn.lines, lies, check, *([joined] if many else []), means]

    def _bar(self, left: float, top: float, *, upright: bool) -> None:
        """A bar of 100 mm with a mark every 10 mm."""
        self.pdf.set_draw_color(*_INK)
        self.pdf.set_line_width(0.25)
        for mark in range(11):
            size = 4.0 if mark in (0, 5, 10) else 2.2
            at = mark * BAR_MM / 10.0
            if upright:
                self.pdf.line(left, top + at, left + size, top + at)
            else:
                self.pdf.line(left + at, top, left + at, top + size)
        if upright:
            self.pdf.line(left, top, left, top + BAR_MM)
            self.write(left + 6.0, top + 0.5 * BAR_MM, "100 mm", _WORDS_PT, bold=True)
            self.write(left + 6.0, top + 0.5 * BAR_MM + 4.0, "scale 1:1", _WORDS_PT)
        else:
            self.pdf.line(left, top, left + BAR_MM, top)
            middle = left + 0.5 * BAR_MM
            self.write(middle, top + 7.5, "100 mm, scale 1:1", _WORDS_PT, align="middle", bold=True)


def _box(drawn: TrueSizeMap) -> tuple[FloatArray, FloatArray]:
    rim = as_it_lies(np.asarray(drawn.outline.rim), drawn.face_up)
    return rim.min(axis=0), rim.max(axis=0)


def _coloured(drawn: TrueSizeMap, reach: float) -> NDArray[np.uint8]:
    """The colours as the plate lies, (rows, columns, 3) over its box, white off the wood."""
    from scipy.interpolate import RegularGridInterpolator

    low, high = _box(drawn)
    columns, rows = (int(np.ceil(s * _PIXELS_PER_MM)) for s in high - low)
    x = low[0] + (np.arange(columns) + 0.5) * (high[0] - low[0]) / columns
    y = high[1] - (np.arange(rows) + 0.5) * (high[1] - low[1]) / rows
    lying = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    places = as_it_lies(lying, drawn.face_up)
    surface = drawn.surface
    read = RegularGridInterpolator(
        (surface.y_mm, surface.x_mm), draw.filled_to_rim(surface.cents), bounds_error=False,
        fill_value=None,
    )  # fmt: skip
    table = np.round(255.0 * diverging()).astype(np.uint8)
    level = (np.clip(read(places[:, ::-1]) / reach, -1.0, 1.0) + 1.0) / 2.0
    pixels: NDArray[np.uint8] = table[np.round(level * (len(table) - 1)).astype(int)]
    pixels = pixels.reshape(rows, columns, 3)
    pixels[~_on_wood(drawn, columns, rows)] = 255
    return pixels


def _on_wood(drawn: TrueSizeMap, columns: int, rows: int) -> NDArray[np.bool_]:
    """Which pixels lie on wood; (rows, columns)."""
    from PIL import Image, ImageDraw

    low, high = _box(drawn)
    mask = Image.new("1", (columns, rows))
    pen = ImageDraw.Draw(mask)
    scale = np.array([columns, -rows]) / (high - low)
    for number, ring in enumerate((drawn.outline.rim, *drawn.outline.holes)):
        lying = as_it_lies(np.asarray(ring), drawn.face_up)
        corners = (lying - (low[0], high[1])) * scale
        pen.polygon([(float(u), float(v)) for u, v in corners], fill=int(number == 0))
    return np.asarray(mask)


def _contours(
    drawn: TrueSizeMap, step: float
) -> tuple[list[tuple[float, FloatArray]], list[tuple[float, FloatArray]]]:
    """Lines (level, places) on the wood, and where their numbers stand (level, place)."""
    from contourpy import contour_generator

    surface, outline = drawn.surface, drawn.outline
    values = np.ma.masked_invalid(surface.cents)
    generator = contour_generator(surface.x_mm, surface.y_mm, values)
    levels = np.arange(np.ceil(values.min() / step), np.floor(values.max() / step) + 1) * step
    taken = np.vstack(
        [draw.badge_places((zone.x_mm, zone.y_mm)) for zone in drawn.zones] or [np.zeros((0, 2))]
    )
    lines: list[tuple[float, FloatArray]] = []
    numbers: list[tuple[float, FloatArray]] = []
    for level in levels:
        found = [np.asarray(one, dtype=np.float64) for one in generator.lines(level)]
        lines += [(float(level), one) for one in found if len(one) > 3]
        codes = [np.where(np.arange(len(one)) == 0, 1, 2) for one in found]
        spots = draw.contour_number_spots(found, codes, outline, taken if len(taken) else None)
        for spot in spots:
            numbers.append((float(level), np.array([spot])))
            taken = np.vstack([taken, [spot]])
    return lines, numbers


def _border(drawn: TrueSizeMap, rows: tuple[int, ...]) -> list[FloatArray]:
    """The border of a zone's wood, as lines on the plate."""
    from contourpy import contour_generator

    if not rows:
        return []
    x, y, inside, level = draw.region_depth(drawn.places, rows, drawn.outline)
    found = []
    for line in contour_generator(x, y, inside).lines(level):
        wood = drawn.outline.contains(np.asarray(line))
        parts = np.split(np.asarray(line), np.flatnonzero(np.diff(wood.astype(int))) + 1)
        found += [part for part in parts if len(part) > 1 and drawn.outline.contains(part[:1])[0]]
    return found
