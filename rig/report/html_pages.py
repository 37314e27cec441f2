"""The same report as one HTML file: pictures inside it, no script, light and dark, printable."""

from __future__ import annotations

import base64
from collections.abc import Callable, Iterable, Sequence
from html import escape
from io import BytesIO
from pathlib import Path

from rig import __version__
from rig.report.sheet import Paper, Sheet
from rig.report.true_size import TrueSizeMap
from rig.report.writer import Photograph

_DOTS_PER_INCH = 150
_STYLE = """
:root { color-scheme: light dark; --ink: #222; --ground: #fdfcfa; --faint: #666; --rule: #ccc;
  --warning: #9c2a00; }
@media (prefers-color-scheme: dark) {
  :root { --ink: #e8e6e1; --ground: #1c1b1a; --faint: #a5a29b; --rule: #4a4845;
    --warning: #ff9d70; }
}
body { color: var(--ink); background: var(--ground); font: 1rem/1.5 "DejaVu Sans", Verdana,
  sans-serif; max-width: 56rem; margin: 0 auto; padding: 1.5rem; }
h1 { font-size: 1.7rem; line-height: 1.2; margin: 0 0 .3rem; }
h2 { font-size: 1.15rem; border-bottom: 1px solid var(--rule); padding-bottom: .2rem;
  margin-top: 2.2rem; }
.under, .lines, figcaption, footer { color: var(--faint); }
.lines, figcaption, footer { font-size: .85rem; }
.lines p { margin: .1rem 0; }
figure { margin: 1rem 0; }
figure img, figure svg { max-width: 100%; height: auto; background: #fff; border-radius: 3px; }
.table { overflow-x: auto; }
table { border-collapse: collapse; font-size: .9rem; margin: .8rem 0; }
th, td { padding: .15rem .8rem .15rem 0; text-align: left; vertical-align: top; }
thead th, tbody tr + tr td { border-top: 1px solid var(--rule); }
thead th { border-top: 0; border-bottom: 1px solid var(--ink); }
tbody tr:first-child td { border-top: 0; }
.right { text-align: right; font-variant-numeric: tabular-nums; }
dl { display: grid; grid-template-columns: minmax(8rem, 14rem) 1fr; gap: .2rem 1rem; }
dt { color: var(--faint); } dd { margin: 0; overflow-wrap: anywhere; }
.beside { display: flex; flex-wrap: wrap; gap: 1.5rem; }
.beside > * { flex: 1 1 20rem; min-width: 0; }
.answer { border-bottom: 1px solid var(--rule); height: 2rem; }
.tag { color: var(--warning); font-weight: bold; }
.mark { position: fixed; inset: 0; display: flex; align-items: center; justify-content: center;
  pointer-events: none; overflow: hidden; z-index: 2; }
.mark span { transform: rotate(-52deg); font: bold min(18vw, 9rem)/1 sans-serif;
  color: var(--warning); opacity: .1; }
@page { margin: 15mm; }
@media print {
  :root { --ink: #000; --ground: #fff; --faint: #555; --rule: #bbb; --warning: #9c2a00; }
  body { max-width: none; padding: 0; font-size: 10pt; }
  section + section { break-before: page; } figure, tr, .beside { break-inside: avoid; }
  h2 { break-after: avoid; }
  figure img { max-height: 185mm; width: auto; }
  section.text figure img, figure svg { max-height: 95mm; width: auto; }
}
"""


class HtmlPages:
    """A `Writer` of one HTML file."""

    def __init__(self, title: str, *, simulated: bool, made_utc: str) -> None:
        self.title, self.simulated, self.made_utc = title, simulated, made_utc
        self._parts: list[str] = []
        self._in_section = False

    def text(self) -> str:
        """The whole file."""
        mark = '<div class="mark" aria-hidden="true"><span>SIMULATED</span></div>\n'
        tag = '<p class="tag">SIMULATED</p>\n'
        end = "</section>\n" if self._in_section else ""
        return (
            '<!DOCTYPE html>\n<html lang="en-GB">\n<head>\n<meta charset="utf-8">\n'
            '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
            f'<meta name="generator" content="platerig {__version__}">\n'
            f"<title>{escape(self.title)}</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n"
            f"{mark if self.simulated else ''}<main>\n{tag if self.simulated else ''}"
            f"{''.join(self._parts)}{end}</main>\n"
            f"<footer><p>platerig {__version__} · made {escape(self.made_utc)}</p></footer>\n"
            "</body>\n</html>\n"
        )

    def output(self, path: Path) -> None:
        """Write the file; raises OSError."""
        path.write_text(self.text(), encoding="utf-8")

    def text_page(self, *, narrow: bool = False) -> None:
        """Begin a section; printed, it begins a page."""
        del narrow
        self._section("text")

    def sheet_page(
        self, title: str, lines: Sequence[str], sheet: Sheet, paper: Paper, alt: str
    ) -> None:
        """Begin a section that holds one figure; printed, it begins a page."""
        del paper
        self._section("sheet")
        self._parts.append(f"<h2>{escape(title)}</h2>\n")
        if lines:
            said = "".join(f"<p>{escape(line)}</p>" for line in lines)
            self._parts.append(f'<div class="lines">{said}</div>\n')
        self.figure(sheet, alt)

    def true_size_pages(self, drawn: TrueSizeMap) -> None:
        """Say where the true-size sheets are: browsers print at scales of their own."""
        self._section("text")
        self._parts.append(f"<h2>{escape(drawn.title)}</h2>\n")
        self.paragraph(
            "Sheets at true size, 1:1, to be laid under the plate are in the PDF only, for a "
            "browser prints at a scale of its own: write this report with a name that ends in .pdf."
        )

    def title_block(self, title: str, under: str) -> None:
        """The title of the whole report."""
        self._parts.append(f'<h1>{escape(title)}</h1>\n<p class="under">{escape(under)}</p>\n')

    def heading(self, text: str, *, keep_mm: float = 30.0) -> None:
        """A heading."""
        del keep_mm
        self._parts.append(f"<h2>{escape(text)}</h2>\n")

    def paragraph(self, text: str, *, strong: bool = False) -> None:
        """A paragraph."""
        inner = f"<strong>{escape(text)}</strong>" if strong else escape(text)
        self._parts.append(f"<p>{inner}</p>\n")

    def points(self, texts: Iterable[str], *, numbered: bool = False) -> None:
        """A list, dots or numbers before each; nothing for an empty one."""
        items = "".join(f"<li>{escape(text)}</li>\n" for text in texts)
        name = "ol" if numbered else "ul"
        if items:
            self._parts.append(f"<{name}>\n{items}</{name}>\n")

    def answer_lines(self, amount: int) -> None:
        """Empty lines to write on by hand."""
        self._parts.append('<div class="answer"></div>\n' * amount)

    def section_of_points(self, heading: str, texts: Sequence[str]) -> None:
        """A heading and its list."""
        self.heading(heading)
        self.points(texts)

    def grid(
        self, heads: Sequence[str], rows: Iterable[Sequence[str]], *, widths: Sequence[float],
        right: Sequence[int] = (),
    ) -> None:  # fmt: skip
        """A table."""
        del widths
        sides = [' class="right"' if column in right else "" for column in range(len(heads))]
        head = "".join(
            f'<th scope="col"{side}>{escape(text)}</th>' if text else "<td></td>"
            for side, text in zip(sides, heads, strict=True)
        )
        body = "".join(
            "<tr>"
            + "".join(
                f"<td{side}>{escape(text)}</td>" for side, text in zip(sides, row, strict=True)
            )
            + "</tr>\n"
            for row in rows
        )
        self._parts.append(
            f'<div class="table"><table>\n<thead><tr>{head}</tr></thead>\n'
            f"<tbody>\n{body}</tbody>\n</table></div>\n"
        )

    def number_columns(self, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
        """A long table of numbers, closed until it is wanted."""
        self._parts.append(f"<details><summary>{len(rows)} places</summary>\n")
        self.grid(heads, rows, widths=(), right=range(len(heads)))
        self._parts.append("</details>\n")

    def pairs(self, rows: Iterable[tuple[str, str]], *, name_mm: float = 46.0) -> None:
        """Names and values."""
        del name_mm
        items = "".join(
            f"<dt>{escape(name)}</dt><dd>{escape(value)}</dd>\n" for name, value in rows
        )
        if items:
            self._parts.append(f"<dl>\n{items}</dl>\n")

    def figure(self, sheet: Sheet, alt: str) -> None:
        """A figure as a picture inside the file."""
        picture = BytesIO()
        sheet.figure.savefig(
            picture, dpi=_DOTS_PER_INCH, format="png", metadata={"Software": None},
            facecolor="white",
        )  # fmt: skip
        wide = round(sheet.width_mm / 25.4 * 96.0)
        self._parts.append(
            f'<figure><img src="data:image/png;base64,{_coded(_small(picture.getvalue()))}" '
            f'width="{wide}" alt="{escape(alt)}"></figure>\n'
        )

    def photograph(self, photograph: Photograph, *, height_mm: float) -> None:
        """A photograph with the outline drawn over it as lines."""
        width, height = photograph.size_px
        across = round(height_mm / height * width / 25.4 * 96.0)
        rings = "".join(
            f'<polygon points="{" ".join(f"{u:.1f},{v:.1f}" for u, v in ring)}"/>'
            for ring in photograph.rings_px
        )
        caption = escape(photograph.caption)
        self._parts.append(
            f'<figure><svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
            f'width="{across}" role="img" aria-label="{caption}">'
            f'<image href="data:image/jpeg;base64,{_coded(photograph.jpeg)}" width="{width}" '
            f'height="{height}"/><g fill="none" stroke="#fff" stroke-width="6">{rings}</g>'
            f'<g fill="none" stroke="#9c2a00" stroke-width="3">{rings}</g></svg>'
            f"<figcaption>{caption}</figcaption></figure>\n"
        )

    def beside(self, sheet: Sheet, alt: str, write: Callable[[], None]) -> None:
        """A figure, and beside it, where there is room, what `write` writes."""
        self._parts.append('<div class="beside">\n')
        self.figure(sheet, alt)
        self._parts.append("<div>\n")
        write()
        self._parts.append("</div>\n</div>\n")

    def _section(self, kind: str) -> None:
        end = "</section>\n" if self._in_section else ""
        self._parts.append(f'{end}<section class="{kind}">\n')
        self._in_section = True


def _coded(data: bytes) -> str:
    return base64.b64encode(data).decode("ascii")


def _small(png: bytes) -> bytes:
    """The same picture in 256 colours, which is enough for maps and a third of the size."""
    from PIL import Image

    small = BytesIO()
    with Image.open(BytesIO(png)) as picture:
        few = picture.convert("RGB").quantize(256, method=Image.Quantize.FASTOCTREE)
        few.save(small, format="png", optimize=False)
    return small.getvalue()
