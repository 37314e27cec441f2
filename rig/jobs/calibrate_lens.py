"""`calibrate sheet` and `calibrate lens`: the printed sheet, and the lens from pictures of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.model.errors import AnalysisError, PictureError, StorageFullError, UsageError
from rig.model.progress import Progress, ProgressEvent, silent

if TYPE_CHECKING:
    from rig.calibrate.charuco import LensFit
    from rig.calibrate.lens_coverage import Coverage
    from rig.calibrate.records import Record

RULER_MM = (150, 200)  # across and along


@dataclass(frozen=True)
class LensResult:
    """The fit, its record, and the file that a rig file can name as its lens."""

    fit: LensFit
    record: Record
    lens_file: Path
    coverage: Coverage
    coverage_png: Path | None = None

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig calibrate lens --json`."""
        return {
            "record": self.record.name,
            "path": str(self.record.path),
            "lens_file": str(self.lens_file),
            "made_utc": self.record.made_utc,
            "lacking": list(self.coverage.lacking()),
            "coverage_png": None if self.coverage_png is None else str(self.coverage_png),
            **self.record.values,
        }


def write_sheet(out: Path | str, paper: str = "a4") -> Path:
    """Write the sheet as a PDF at true size, with a ruler along two sides to check the print.

    Raises UsageError for an unknown paper or a name that is no PDF's.
    """
    from fpdf import FPDF

    from rig.calibrate.charuco import PAPERS, SQUARE_MM, SQUARES, black_rectangles

    path = Path(out)
    if path.suffix.lower() != ".pdf":
        raise UsageError("The sheet is a PDF.", where=str(out), remedy="Let the name end in .pdf.")
    rectangles = black_rectangles(paper) if paper in PAPERS else []
    if not rectangles:
        raise UsageError(f"There is no sheet for “{paper}”.", remedy="Say a4 or letter.")
    wide, high = PAPERS[paper]
    pdf = FPDF(unit="mm", format=(wide, high))
    pdf.set_auto_page_break(False)
    pdf.set_title("Lens calibration sheet")
    pdf.set_creator("platerig")
    pdf.add_page()
    columns, rows = SQUARES[paper]
    left, top = (wide - columns * SQUARE_MM) / 2.0 + 4.0, 14.0
    pdf.set_fill_color(0, 0, 0)
    for x, y, w, h in rectangles:
        pdf.rect(left + x, top + y, w, h, style="F")
    pdf.set_line_width(0.15)
    pdf.set_font("helvetica", size=7)
    base = top + rows * SQUARE_MM + 9.0
    _ruler(pdf, left, base, RULER_MM[0], across=True)
    _ruler(pdf, left - 11.0, top, RULER_MM[1], across=False)
    pdf.set_font("helvetica", size=8)
    pdf.text(left, top - 6.0, "platerig: lens calibration sheet, " + paper.upper())
    pdf.text(
        left,
        base + 10.0,
        "Print at 100 % (not 'fit to page'), matte paper. Both rulers must measure true; glue it "
        "flat on a board.",
    )
    try:
        path.write_bytes(bytes(pdf.output()))
    except OSError as problem:
        raise StorageFullError(
            f"The sheet could not be written: {problem.strerror or problem}.",
            where=str(path),
            remedy="Choose a place of your own.",
        ) from problem
    return path


def _ruler(pdf: Any, x: float, y: float, length_mm: int, *, across: bool) -> None:
    for mm in range(length_mm + 1):
        tick = 4.0 if mm % 10 == 0 else 2.8 if mm % 5 == 0 else 1.8
        if across:
            pdf.line(x + mm, y, x + mm, y - tick)
        else:
            pdf.line(x, y + mm, x + tick, y + mm)
        if mm % 50 == 0:
            at = (x + mm - 1.0, y + 3.0) if across else (x - 4.5, y + mm + 1.0)
            pdf.text(*at, str(mm))
    end = (x + length_mm, y) if across else (x, y + length_mm)
    pdf.line(x, y, *end)


def calibrate_lens_of(
    pictures: Sequence[Path | str],
    *,
    capture: Path | str | None = None,
    paper: str = "a4",
    records: Path | str | None = None,
    rig: Path | str | None = None,
    coverage_png: Path | str | None = None,
    progress: Progress = silent,
) -> LensResult:
    """Fit the lens to pictures of the sheet and store it, also as a file for the rig file.

    A picture that cannot be used is named in the result. capture: a folder for pictures that are
    taken now with the camera of the rig, until nothing lacks. coverage_png: for a map of what the
    pictures cover; it is written even where they do not tell the lens. Raises UsageError for
    pictures of different sizes, AnalysisError where they do not tell the lens.
    """
    from rig.calibrate.charuco import board, calibrate_lens, find_sheet
    from rig.calibrate.lens_coverage import no_views, with_view
    from rig.jobs.calibrate_records import keep, records_folder
    from rig.jobs.lens_guide import capture_of_rig, write_coverage
    from rig.jobs.locate import read_picture

    if capture is not None and rig is not None:
        taken = capture_of_rig(
            rig, capture, paper=paper, coverage_png=coverage_png, progress=progress
        )
        pictures = [*pictures, *taken.pictures]
    if not pictures:
        raise UsageError("No picture is given.", remedy="Take a dozen pictures of the sheet.")
    board(paper)
    folder = records_folder(records, rig, pictures[0])
    seen, lost, size = [], [], None
    coverage: Coverage | None = None
    for done, picture in enumerate(pictures):
        wish = "" if coverage is None or not coverage.lacking() else coverage.lacking()[0]
        said = f"Looking at the sheet; lacking so far: {wish}" if wish else "Looking at the sheet"
        progress(ProgressEvent(said, done, len(pictures)))
        name = Path(picture).name
        try:
            image = read_picture(picture)
        except PictureError as problem:
            lost.append(f"{name}: {problem.what}")
            continue
        grey = image if image.ndim == 2 else image[..., 1]
        here = (grey.shape[1], grey.shape[0])
        if size is None:
            size = here
        elif here != size:
            raise UsageError(
                f"{name} has {here[0]} × {here[1]} pixels, others {size[0]} × {size[1]}.",
                where=str(picture),
                remedy="All pictures must come from one camera at one setting.",
            )
        found = find_sheet(grey.copy(), paper, name)
        if isinstance(found, str):
            lost.append(found)
        else:
            seen.append(found)
            coverage, _ = with_view(coverage or no_views(here), found)
    if size is None:
        raise AnalysisError("None of the pictures can be read.", where="; ".join(lost))
    coverage = coverage or no_views(size)
    png = None if coverage_png is None else write_coverage(coverage, coverage_png)
    fit = calibrate_lens(seen, size, lost)
    values = asdict(fit) | {"paper": paper}
    record = keep(folder, "lens", values, rig, used=fit.pictures, notes=(*fit.notes, *fit.left_out))
    assert record.path is not None  # just stored
    lens_file = record.path.with_suffix(".toml")
    lines = [f"{name} = {value!r}" for name, value in asdict(fit.lens).items()]
    lens_file.write_text("[lens]\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return LensResult(fit, record, lens_file, coverage, png)
