"""A camera's lens from pictures of a printed chessboard with markers (ChArUco), and that sheet.

Zhang, IEEE Trans. PAMI 22 (2000) 1330-1334, as OpenCV does it, with the lens of the rig file:
focal lengths, middle, k1 and k2. How good it is, is told by corners that it was not fitted to.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from rig.model.errors import AnalysisError, UsageError
from rig.model.rig_settings import LensSettings
from rig.model.units import FloatArray

if TYPE_CHECKING:
    import cv2

Paper = Literal["a4", "letter"]
PAPERS: dict[str, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
SQUARES: dict[str, tuple[int, int]] = {"a4": (7, 9), "letter": (7, 8)}
SQUARE_MM, MARKER_MM, CELL_MM = 25.0, 17.5, 1.25  # one cell: half a marker's module
DICTIONARY = "DICT_5X5_100"  # not that of the bed's markers
LEAST_PICTURES, LEAST_CORNERS = 6, 10
COVERAGE_CELLS = (8, 6)
_BLURRED = 3.0  # times the usual error of a picture
_DOUBTFUL_PX, _FOCAL_SD, _THIN_COVERAGE = 1.0, 0.01, 0.6
_FOLDS = 5


@dataclass(frozen=True)
class Seen:
    """Corners of the sheet in one picture: on the sheet (n, 2) mm, in the picture (n, 2) px."""

    name: str
    on_sheet: FloatArray
    in_picture: FloatArray


@dataclass(frozen=True)
class LensFit:
    """lens with sd of fx, fy, cx, cy, k1, k2; rms_px: of the corners fitted to.

    held_out_px: rms of corners in pictures left out of the fit, placed by their other corners;
    coverage: (rows, columns) corners per cell of the picture; left_out: pictures and why.
    """

    lens: LensSettings
    sd: tuple[float, ...]
    size_px: tuple[int, int]
    rms_px: float
    held_out_px: float
    coverage: tuple[tuple[int, ...], ...]
    covered: float
    pictures: tuple[str, ...]
    left_out: tuple[str, ...]
    notes: tuple[str, ...]


def board(paper: str) -> cv2.aruco.CharucoBoard:
    """The board of a paper. Raises UsageError for an unknown paper."""
    import cv2

    if paper not in SQUARES:
        raise UsageError(f"There is no sheet for “{paper}”.", remedy="Say a4 or letter.")
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))
    return cv2.aruco.CharucoBoard(SQUARES[paper], SQUARE_MM, MARKER_MM, dictionary)


def black_rectangles(paper: str) -> list[tuple[float, float, float, float]]:
    """The board in black: (x, y, width, height) in mm from its upper left corner, y downwards."""
    columns, rows = SQUARES[paper]
    cells = round(SQUARE_MM / CELL_MM)
    picture = board(paper).generateImage((columns * cells, rows * cells), marginSize=0)
    found = []
    for y, row in enumerate(np.asarray(picture) < 128):
        edges = np.flatnonzero(np.diff(np.concatenate([[0], row.astype(np.int8), [0]])))
        for start, end in edges.reshape(-1, 2):
            found.append((start * CELL_MM, y * CELL_MM, (end - start) * CELL_MM, CELL_MM))
    return _stacked(found)


def _stacked(
    strips: list[tuple[float, float, float, float]],
) -> list[tuple[float, float, float, float]]:
    """Join strips that lie under each other, so that printers leave no hairline between them."""
    open_ones: dict[tuple[float, float], list[float]] = {}
    done = []
    for x, y, width, height in strips:
        key = (x, width)
        last = open_ones.get(key)
        if last is not None and last[0] + last[1] == y:
            last[1] += height
        else:
            if last is not None:
                done.append((x, last[0], width, last[1]))
            open_ones[key] = [y, height]
    return done + [(x, y, width, height) for (x, width), (y, height) in open_ones.items()]


def find_sheet(grey: NDArray[np.uint8], paper: str, name: str) -> Seen | str:
    """Corners of the sheet in a grey picture, or why it cannot be used."""
    import cv2

    sheet = board(paper)
    corners, ids, _, markers = cv2.aruco.CharucoDetector(sheet).detectBoard(grey)
    count = 0 if ids is None else len(ids)
    twice = [] if markers is None else np.ravel(markers).tolist()
    if len(twice) - len(set(twice)) >= 3:
        return f"{name}: two sheets are seen; take one of them away."
    if count < LEAST_CORNERS:
        if markers is not None and len(markers) >= 4:
            return f"{name}: only {count} corners of the sheet are sharp."
        mirrored = cv2.aruco.CharucoDetector(sheet).detectBoard(np.ascontiguousarray(grey[:, ::-1]))
        if mirrored[1] is not None and len(mirrored[1]) >= LEAST_CORNERS:
            return f"{name}: the picture, or the print, is mirrored."
        return f"{name}: the sheet is not seen."
    on_sheet, in_picture = sheet.matchImagePoints([*np.asarray(corners)], np.asarray(ids))
    return Seen(
        name,
        np.asarray(on_sheet, dtype=np.float64).reshape(-1, 3)[:, :2],
        np.asarray(in_picture, dtype=np.float64).reshape(-1, 2),
    )


def calibrate_lens(
    seen: Sequence[Seen], size_px: tuple[int, int], left_out: Sequence[str] = ()
) -> LensFit:
    """Fit the lens. Raises AnalysisError for too few pictures, or too alike ones."""
    used, lost = list(seen), list(left_out)
    _require(used, lost)
    fit = _fit(used, size_px)
    usual = float(np.median(fit.per_picture))
    odd = [i for i, e in enumerate(fit.per_picture) if e > _BLURRED * usual and e > 0.3]
    if odd and len(used) - len(odd) >= LEAST_PICTURES:
        lost += [
            f"{used[i].name}: its corners fit {fit.per_picture[i] / usual:.0f} times worse than "
            "usual (moved, or the sheet was bent)."
            for i in odd
        ]
        used = [s for i, s in enumerate(used) if i not in odd]
        fit = _fit(used, size_px)
    focal_sd = max(fit.sd[0] / fit.lens.fx, fit.sd[1] / fit.lens.fy)
    if focal_sd > _FOCAL_SD:
        raise AnalysisError(
            f"The pictures do not tell the lens: focal length ± {100 * focal_sd:.1f} %.",
            remedy="Tilt the sheet by 30 to 45° to all sides, and bring it close.",
        )
    coverage = _coverage(used, size_px)
    covered = float(np.mean(np.array(coverage) > 0))
    held_out = _held_out(used, size_px)
    notes = []
    if covered < _THIN_COVERAGE:
        notes.append(
            f"Only {100 * covered:.0f} % of the picture was covered: show the sheet "
            f"{_where(coverage)} as well."
        )
    if held_out > _DOUBTFUL_PX:
        notes.append(
            f"Corners left out of the fit lie {held_out:.1f} pixels off: is the sheet flat, the "
            "focus locked?"
        )
    unlike = abs(fit.lens.fx / fit.lens.fy - 1.0)
    if unlike > max(0.01, 4.0 * focal_sd):
        notes.append(
            f"Focal lengths across and along differ by {100 * unlike:.1f} %: was the sheet "
            "stretched in print? Measure both rulers."
        )
    return LensFit(
        fit.lens, fit.sd, size_px, fit.rms_px, held_out, coverage, covered,
        tuple(s.name for s in used), tuple(lost), tuple(notes),
    )  # fmt: skip


def _require(used: Sequence[Seen], lost: Sequence[str]) -> None:
    if len(used) < LEAST_PICTURES:
        raise AnalysisError(
            f"The sheet can be used in {len(used)} pictures; {LEAST_PICTURES} are needed.",
            where="; ".join(lost),
            remedy="Take a dozen sharp pictures, the sheet near, tilted, and in every corner.",
        )


@dataclass(frozen=True)
class _Fit:
    lens: LensSettings
    sd: tuple[float, ...]
    rms_px: float
    per_picture: tuple[float, ...]


def _fit(used: Sequence[Seen], size_px: tuple[int, int]) -> _Fit:
    import cv2

    flags = cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K3
    start: Any = np.eye(3)
    bend: Any = np.zeros(5)
    try:
        rms, matrix, bend, _, _, sd, _, each = cv2.calibrateCameraExtended(
            [_flat(s) for s in used],
            [s.in_picture.astype(np.float32).reshape(-1, 1, 2) for s in used],
            size_px, start, bend, flags=flags,
        )  # fmt: skip
    except cv2.error as problem:
        raise AnalysisError(
            "The pictures do not tell the lens.",
            remedy="Tilt the sheet by 30 to 45° to all sides, and bring it close.",
        ) from problem
    k = np.ravel(bend)
    values = (matrix[0, 0], matrix[1, 1], matrix[0, 2], matrix[1, 2], k[0], k[1])
    spread = np.ravel(sd)[:6]
    if not np.all(np.isfinite([*values, *spread])):
        raise AnalysisError("The pictures do not tell the lens.", remedy="Tilt the sheet more.")
    return _Fit(
        LensSettings(*(float(v) for v in values)),
        tuple(float(v) for v in spread),
        float(rms),
        tuple(float(v) for v in np.ravel(each)),
    )


def _flat(seen: Seen) -> NDArray[np.float32]:
    flat = np.column_stack([seen.on_sheet, np.zeros(len(seen.on_sheet))])
    return flat.astype(np.float32).reshape(-1, 1, 3)


def _held_out(used: Sequence[Seen], size_px: tuple[int, int]) -> float:
    """Rms in px over pictures not fitted to: placed by every other corner, judged by the rest."""
    import cv2

    squares: list[float] = []
    folds = min(_FOLDS, len(used) // 2)
    for fold in range(folds):
        lens = _fit([s for i, s in enumerate(used) if i % folds != fold], size_px).lens
        matrix = np.array([[lens.fx, 0.0, lens.cx], [0.0, lens.fy, lens.cy], [0.0, 0.0, 1.0]])
        bend = np.array([lens.k1, lens.k2, 0.0, 0.0])
        for s in used[fold::folds]:
            flat = np.column_stack([s.on_sheet, np.zeros(len(s.on_sheet))])
            own = np.ascontiguousarray(s.in_picture[::2])
            good, turn, shift = cv2.solvePnP(np.ascontiguousarray(flat[::2]), own, matrix, bend)
            if not good:
                continue
            there = cv2.projectPoints(np.ascontiguousarray(flat[1::2]), turn, shift, matrix, bend)[
                0
            ].reshape(-1, 2)
            squares += np.sum((there - s.in_picture[1::2]) ** 2, axis=1).tolist()
    return float(np.sqrt(np.mean(squares))) if squares else float("nan")


def _coverage(used: Sequence[Seen], size_px: tuple[int, int]) -> tuple[tuple[int, ...], ...]:
    columns, rows = COVERAGE_CELLS
    points = np.vstack([s.in_picture for s in used])
    counts, _, _ = np.histogram2d(
        points[:, 1], points[:, 0], bins=(rows, columns), range=((0, size_px[1]), (0, size_px[0]))
    )
    return tuple(tuple(int(v) for v in row) for row in counts)


def _where(coverage: tuple[tuple[int, ...], ...]) -> str:
    """The quarter of the picture with most empty cells, in words."""
    empty = np.array(coverage) == 0
    rows, columns = empty.shape
    quarters = {
        "at the upper left": empty[: rows // 2, : columns // 2],
        "at the upper right": empty[: rows // 2, columns // 2 :],
        "at the lower left": empty[rows // 2 :, : columns // 2],
        "at the lower right": empty[rows // 2 :, columns // 2 :],
    }
    return max(quarters, key=lambda name: int(quarters[name].sum()))
