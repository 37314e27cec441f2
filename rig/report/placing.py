"""A figure taken apart into its picture and its words, so that a PDF holds real text.

The words are caught where matplotlib hands them to its renderer: only what is truly drawn is
caught, with the place, size, turn and colour it would have had. The pages are set in the same type.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.report.sheet import MM, Sheet

_POINT_MM = 25.4 / 72.0


@dataclass(frozen=True)
class PlacedWord:
    """One line of text: left end of its base line in mm from the figure's upper left corner.

    turn_deg: counter-clockwise; rgb, alpha: 0…1; halo_pt: width of the white rim, 0 without.
    """

    text: str
    left_mm: float
    base_mm: float
    size_pt: float
    bold: bool
    turn_deg: float
    rgb: tuple[float, float, float]
    alpha: float
    halo_pt: float


def picture_and_words(
    sheet: Sheet, dots_per_inch: int
) -> tuple[NDArray[np.uint8], list[PlacedWord]]:
    """Draw a sheet without its words: pixels (rows, columns, 3) uint8, and the words."""
    from matplotlib.backends.backend_agg import RendererAgg
    from matplotlib.text import Text

    words: list[PlacedWord] = []
    pixel_mm = 1.0 / (dots_per_inch * MM)

    class Catching(RendererAgg):
        def draw_text(
            self, gc: Any, x: float, y: float, s: str, prop: Any, angle: float,
            ismath: Any = False, mtext: Any = None,
        ) -> None:  # fmt: skip
            """Keep the text instead of drawing it."""
            del ismath
            if not s.strip():
                return
            red, green, blue, alpha = gc.get_rgb()
            bold = prop.get_weight() in ("bold", 700)
            halo = halos.get(id(mtext), 0.0)
            words.append(
                PlacedWord(
                    s, x * pixel_mm, y * pixel_mm, prop.get_size_in_points(), bold, float(angle),
                    (red, green, blue), alpha, halo,
                )
            )  # fmt: skip

    figure = sheet.figure
    # A rim round letters would be drawn as an outline, not handed over as text.
    rimmed = [text for text in figure.findobj(Text) if text.get_path_effects()]
    halos = {id(text): _rim_pt(text.get_path_effects()) for text in rimmed}
    kept = [text.get_path_effects() for text in rimmed]
    before = figure.dpi
    try:
        figure.dpi = dots_per_inch
        for text in rimmed:
            text.set_path_effects([])
        width, height = round(figure.bbox.width), round(figure.bbox.height)
        renderer: Any = Catching(width, height, dots_per_inch)  # type: ignore[no-untyped-call]
        figure.draw(renderer)
    finally:
        figure.dpi = before
        for text, effects in zip(rimmed, kept, strict=True):
            text.set_path_effects(effects)
    pixels = np.asarray(renderer.buffer_rgba())[..., :3]
    return np.ascontiguousarray(pixels), words


def _rim_pt(effects: Any) -> float:
    """Line width of the first stroke among path effects."""
    for effect in effects:
        width = getattr(effect, "_gc", {}).get("linewidth")
        if width is not None:
            return float(width)
    return 0.0


def write_words(pdf: Any, words: list[PlacedWord], left: float, top: float, family: str) -> None:
    """Write the words of a figure that stands at a place in mm on the page."""
    from fpdf.enums import TextMode

    for word in words:
        pdf.set_font(family, "B" if word.bold else "", word.size_pt)
        red, green, blue = (round(255 * part) for part in word.rgb)
        x, y = left + word.left_mm, top + word.base_mm
        with (
            pdf.local_context(fill_opacity=word.alpha, stroke_opacity=1.0),
            pdf.rotation(word.turn_deg, x, y),
        ):
            if word.halo_pt > 0.0:
                pdf.set_draw_color(255, 255, 255)
                pdf.set_line_width(word.halo_pt * _POINT_MM)
                with pdf.local_context(text_mode=TextMode.STROKE):
                    pdf.text(x, y, word.text)
            pdf.set_text_color(red, green, blue)
            pdf.text(x, y, word.text)
