"""A figure laid out in millimetres, so that a plate is drawn at a scale that can be named.

matplotlib's Figure and the Agg canvas only; pyplot and its global state are never touched.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from rig.report.palette import FAINT, INK, WARNING

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MM = 1.0 / 25.4  # inches
Paper = Literal["A4", "A3", "Letter"]
PAPERS: tuple[Paper, ...] = ("A4", "A3", "Letter")
PAPER_MM: dict[Paper, tuple[float, float]] = {
    "A4": (210.0, 297.0),
    "A3": (297.0, 420.0),
    "Letter": (215.9, 279.4),
}
MARGIN_MM = 10.0
BODY_MM: dict[Paper, tuple[float, float]] = {
    "A4": (190.0, 245.0),
    "A3": (277.0, 368.0),
    "Letter": (195.0, 227.0),
}
HEADER_MM = 25.0
FOOT_MM = 11.0  # under the body, for three lines; more where the foot is longer
_FOOT_LINE = 110  # characters that certainly fit on a line of the foot
PAD_MM = 5.0  # round a picture that stands alone
COLUMN_MM = 41.0  # key beside the plate
TICKS_MM = 9.0
SCALES = (1.0, 1.25, 1.5, 1.75, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.5, 10.0)
SMALL_PT = 7.0
TEXT_PT = 8.0
TITLE_PT = 13.0


@dataclass(frozen=True)
class Heading:
    """Title and the lines under it, for pictures that stand alone."""

    title: str
    lines: tuple[str, ...] = ()


def scale_for(size_mm: tuple[float, float], room_mm: tuple[float, float]) -> float:
    """Return the smallest reduction of the list at which a plate of this size fits the room."""
    for scale in SCALES:
        if size_mm[0] / scale <= room_mm[0] and size_mm[1] / scale <= room_mm[1]:
            return scale
    return max(size_mm[0] / room_mm[0], size_mm[1] / room_mm[1])


def scale_in_words(scale: float) -> str:
    """`1:1`, `1:1.5`, …"""
    return f"1:{scale:g}" if scale in SCALES else f"1:{scale:.2f}"


class Sheet:
    """A figure of a given size in mm, with an optional heading at its top and lines at its foot.

    Places are in mm from the left and from the top of the body (below the heading).
    """

    def __init__(
        self,
        width_mm: float,
        height_mm: float,
        heading: Heading | None,
        *,
        simulated: bool,
        foot: str = "",
    ) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        self.pad_mm = PAD_MM if heading else 0.0
        self.above_mm = HEADER_MM if heading else 0.0
        self.width_mm = width_mm + 2 * self.pad_mm
        below_mm = max(FOOT_MM, 2.0 + 3.2 * (1 + len(foot) // _FOOT_LINE)) if foot else 0.0
        self.height_mm = height_mm + self.above_mm + 2 * self.pad_mm + below_mm
        self.simulated = simulated
        self.figure: Figure = Figure(
            figsize=(self.width_mm * MM, self.height_mm * MM), facecolor="white"
        )
        self._canvas = FigureCanvasAgg(self.figure)
        if heading:
            self._write_heading(heading)
        if foot:
            lines = self.wrapped(foot, width_mm)
            self.text(0.5, height_mm + 1.0, "\n".join(lines))

    def axes(self, left: float, top: float, width: float, height: float) -> Axes:
        """Add axes at a place in mm."""
        left += self.pad_mm
        bottom = self.height_mm - self.pad_mm - self.above_mm - top - height
        return self.figure.add_axes(
            (
                left / self.width_mm,
                bottom / self.height_mm,
                width / self.width_mm,
                height / self.height_mm,
            )
        )

    def text(self, left: float, top: float, text: str, **style: Any) -> None:
        """Write text whose upper left corner is at a place in mm."""
        options: dict[str, Any] = {"fontsize": SMALL_PT, "color": INK, "va": "top"} | style
        self.figure.text(
            (left + self.pad_mm) / self.width_mm,
            1.0 - (self.pad_mm + self.above_mm + top) / self.height_mm,
            text,
            **options,
        )

    def wrapped(self, text: str, width_mm: float, size_pt: float = SMALL_PT) -> list[str]:
        """Break text into lines that fit a width in mm."""
        lines: list[str] = []
        for word in text.split():
            longer = f"{lines[-1]} {word}" if lines else word
            if lines and self.text_width_mm(longer, size_pt) <= width_mm:
                lines[-1] = longer
            else:
                lines.append(word)
        return lines

    def text_width_mm(self, text: str, size_pt: float = SMALL_PT) -> float:
        """Width of one line of text in mm."""
        from matplotlib.font_manager import FontProperties

        style = FontProperties(size=size_pt)
        renderer = self._canvas.get_renderer()  # type: ignore[no-untyped-call]
        width, _, _ = renderer.get_text_width_height_descent(text, style, ismath=False)
        return float(width / self.figure.dpi / MM)

    def _write_heading(self, heading: Heading) -> None:
        top = -self.above_mm
        self.text(0.5, top + 1.5, heading.title, fontsize=TITLE_PT, fontweight="bold")
        lines = [line for line in heading.lines if line]
        for number, line in enumerate(lines):
            size = TEXT_PT
            room = self.width_mm - 2 * self.pad_mm
            while self.text_width_mm(line, size) > room and size > 5.5:
                size -= 0.25
            self.text(0.5, top + 8.5 + 4.2 * number, line, fontsize=size)

    def mark_simulated(self, axes: Axes) -> None:
        """Write SIMULATED across the axes and in the corner of the sheet, where it applies."""
        if not self.simulated:
            return
        axes.text(
            0.5,
            0.5,
            "SIMULATED",
            transform=axes.transAxes,
            ha="center",
            va="center",
            rotation=52,
            fontsize=52,
            fontweight="bold",
            color=INK,
            alpha=0.13,
            zorder=2.5,
            clip_on=True,
        )

    def simulated_tag(self, left: float, top: float) -> None:
        """Write the framed word beside a figure, where it applies."""
        if self.simulated:
            self.text(
                left,
                top,
                "SIMULATED",
                fontsize=TEXT_PT,
                fontweight="bold",
                color=WARNING,
                bbox={"boxstyle": "square,pad=0.3", "fc": "white", "ec": WARNING, "lw": 0.8},
            )

    def save(self, path: Path, *, dots_per_inch: int = 220) -> Path:
        """Write the figure; the kind follows the ending (png, svg, pdf). Same input, same bytes."""
        from matplotlib import rc_context

        kind = path.suffix.lower().lstrip(".") or "png"
        undated: dict[str, dict[str, object]] = {
            "png": {"Software": None},
            "svg": {"Date": None},
            "pdf": {"CreationDate": None},
        }
        # half the time for a tenth more bytes
        packing: dict[str, Any] = {"pil_kwargs": {"compress_level": 4}} if kind == "png" else {}
        path.parent.mkdir(parents=True, exist_ok=True)
        with rc_context({"svg.hashsalt": "platerig", "pdf.fonttype": 42, "svg.fonttype": "path"}):
            self.figure.savefig(
                path,
                dpi=dots_per_inch,
                format=kind,
                metadata=undated.get(kind),
                facecolor="white",
                **packing,
            )
        return path


def scale_bar(sheet: Sheet, left: float, top: float, scale: float) -> None:
    """Draw 50 mm of wood at the scale of the plate, so that a copy can be checked."""
    wood_mm = 50.0 if 50.0 / scale >= 8.0 else 200.0
    if wood_mm / scale > COLUMN_MM - 1.0:
        wood_mm = 20.0
    length = wood_mm / scale
    bar = sheet.axes(left, top, length, 2.0)
    bar.set_xlim(0, 1)
    bar.set_ylim(0, 1)
    bar.axis("off")
    bar.plot([0, 0, 1, 1], [1, 0.2, 0.2, 1], color=INK, lw=1.0, clip_on=False)
    sheet.text(left, top + 2.6, f"{wood_mm:g} mm of wood, scale {scale_in_words(scale)}")
    sheet.text(left, top + 5.8, f"= {length:.1f} mm on paper", color=FAINT)
