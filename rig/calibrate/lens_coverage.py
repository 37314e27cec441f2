"""Which views of the sheet are still lacking, while the pictures for the lens are being taken.

A lens is told well by corners all over the picture (its bending) and by a sheet tilted to all
sides (its focal length): Zhang 2000, as in `charuco.py`. Which tilts have been seen is judged with
a middling lens, for the true one is not known yet.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.calibrate.charuco import COVERAGE_CELLS, Seen
from rig.model.units import FloatArray

ENOUGH_PICTURES = 10
ENOUGH_COVERED = 0.8
TILT_DEG = 18.0  # a tilt counts from here on
_NEAR_SHARE = 0.25  # of the picture that the sheet fills when it is near
_ALIKE = 0.006  # of the picture's width, mean way of the corners to an earlier view
_USUAL_FOCAL = 0.85  # times the width of the picture
_SIDES = ("left", "right", "upper", "lower")


@dataclass(frozen=True)
class Coverage:
    """What the pictures so far show. counts: (rows, columns) corners per cell of the picture.

    tilts: sides of the picture at which the sheet has leant towards the camera; near: whether it
    has filled much of the picture; views: the pictures that count; last: of the picture shown
    last, its corners, (n, 2) px.
    """

    size_px: tuple[int, int]
    counts: tuple[tuple[int, ...], ...]
    tilts: frozenset[str] = frozenset()
    near: bool = False
    views: tuple[Seen, ...] = ()
    last: FloatArray | None = None

    @property
    def covered(self) -> float:
        """Part of the cells with a corner in them, 0…1."""
        return float(np.mean(np.array(self.counts) > 0))

    @property
    def complete(self) -> bool:
        """Whether the lens can be fitted well."""
        return not self.lacking()

    def lacking(self) -> tuple[str, ...]:
        """What to show next, most useful first."""
        wishes = []
        if self.covered < ENOUGH_COVERED:
            wishes.append(f"show the sheet {_emptiest(self.counts)} of the picture")
        wishes += [
            f"tilt the sheet so that its {side} edge comes towards the camera"
            for side in _SIDES
            if side not in self.tilts
        ]
        if not self.near:
            wishes.append("bring the sheet nearer, until it fills half the picture's height")
        if not wishes and len(self.views) < ENOUGH_PICTURES:
            wishes.append(f"take {ENOUGH_PICTURES - len(self.views)} more, each a little different")
        return tuple(wishes)


def no_views(size_px: tuple[int, int]) -> Coverage:
    """Before the first picture of this (width, height)."""
    columns, rows = COVERAGE_CELLS
    return Coverage(size_px, tuple((0,) * columns for _ in range(rows)))


def with_view(before: Coverage, seen: Seen) -> tuple[Coverage, bool]:
    """The coverage with one more view, and whether it counts: a view like an earlier one does not.

    It is not taken either where the sheet stands as before but for a hand's shaking.
    """
    if any(_alike(seen, view, before.size_px[0]) for view in before.views):
        return Coverage(before.size_px, before.counts, before.tilts, before.near, before.views,
                        seen.in_picture), False  # fmt: skip
    columns, rows = COVERAGE_CELLS
    width, height = before.size_px
    more, _, _ = np.histogram2d(
        seen.in_picture[:, 1], seen.in_picture[:, 0], bins=(rows, columns),
        range=((0, height), (0, width)),
    )  # fmt: skip
    counts = tuple(tuple(int(v) for v in row) for row in np.array(before.counts) + more)
    spread = np.ptp(seen.in_picture, axis=0)
    near = before.near or bool(spread[0] * spread[1] > _NEAR_SHARE * width * height)
    after = Coverage(
        before.size_px, counts, before.tilts | leaning(seen, before.size_px), near,
        (*before.views, seen), seen.in_picture,
    )  # fmt: skip
    return after, True


def leaning(seen: Seen, size_px: tuple[int, int]) -> frozenset[str]:
    """At which sides of the picture the sheet comes towards the camera, at most two.

    By the pose of the sheet under a middling lens: a focal length 20 % wrong turns a tilt of
    30° into one of 25 to 35°.
    """
    import cv2

    width, height = size_px
    focal = _USUAL_FOCAL * width
    matrix = np.array([[focal, 0.0, 0.5 * width], [0.0, focal, 0.5 * height], [0.0, 0.0, 1.0]])
    flat = np.column_stack([seen.on_sheet, np.zeros(len(seen.on_sheet))])
    good, turn, _ = cv2.solvePnP(
        np.ascontiguousarray(flat), np.ascontiguousarray(seen.in_picture), matrix, np.zeros(4)
    )
    if not good:
        return frozenset()
    normal = np.asarray(cv2.Rodrigues(turn)[0], dtype=np.float64)[:, 2]
    if normal[2] > 0.0:
        normal = -normal  # towards the camera, which looks along +z
    # where the face looks to the left its right edge is the nearer one
    across = float(np.rad2deg(np.arctan2(normal[0], -normal[2])))
    down = float(np.rad2deg(np.arctan2(normal[1], -normal[2])))
    sides = set()
    if abs(across) > TILT_DEG:
        sides.add("right" if across < 0.0 else "left")
    if abs(down) > TILT_DEG:
        sides.add("lower" if down < 0.0 else "upper")
    return frozenset(sides)


def coverage_picture(coverage: Coverage, width_px: int = 960) -> NDArray[np.uint8]:
    """The map of coverage, (rows, columns, 3) blue-green-red: what lacks is red and crossed out."""
    import cv2

    width, height = coverage.size_px
    scale = width_px / width
    columns, rows = COVERAGE_CELLS
    below = 150
    canvas = np.full((round(height * scale) + below, width_px, 3), 245, dtype=np.uint8)
    xs = np.linspace(0, width_px, columns + 1).round().astype(int)
    ys = np.linspace(0, height * scale, rows + 1).round().astype(int)
    for row in range(rows):
        for column in range(columns):
            corner, end = (xs[column], ys[row]), (xs[column + 1], ys[row + 1])
            count = coverage.counts[row][column]
            if count == 0:
                cv2.rectangle(canvas, corner, end, (205, 205, 250), -1)
                cv2.line(canvas, corner, end, (150, 150, 235), 1, cv2.LINE_AA)
            else:
                pale = max(235 - 12 * count, 120)
                cv2.rectangle(canvas, corner, end, (pale, 235, pale), -1)
                _write(canvas, str(count), (corner[0] + 6, corner[1] + 18), 0.45)
            cv2.rectangle(canvas, corner, end, (180, 180, 180), 1)
    for view in coverage.views:
        for x, y in view.in_picture * scale:
            cv2.circle(canvas, (round(x), round(y)), 2, (110, 90, 20), -1, cv2.LINE_AA)
    if coverage.last is not None:
        for x, y in coverage.last * scale:
            cv2.circle(canvas, (round(x), round(y)), 4, (0, 90, 220), 1, cv2.LINE_AA)
    top = round(height * scale)
    sides = ", ".join(f"{s} {'yes' if s in coverage.tilts else 'NO'}" for s in _SIDES)
    lines = [
        f"{len(coverage.views)} pictures, {100 * coverage.covered:.0f} % covered. "
        f"Tilts: {sides}. Near: {'yes' if coverage.near else 'NO'}.",
        *(f"- {wish}" for wish in coverage.lacking()[:4]),
    ]
    if coverage.complete:
        lines.append("Complete.")
    for k, line in enumerate(lines):
        _write(canvas, line, (10, top + 26 + 26 * k), 0.55)
    return canvas


def _write(canvas: NDArray[np.uint8], text: str, at: tuple[int, int], size: float) -> None:
    import cv2

    cv2.putText(canvas, text, (int(at[0]), int(at[1])), cv2.FONT_HERSHEY_SIMPLEX, size,
                (40, 40, 40), 1, cv2.LINE_AA)  # fmt: skip


def _alike(a: Seen, b: Seen, width: int) -> bool:
    here = {tuple(place): k for k, place in enumerate(np.round(a.on_sheet, 3).tolist())}
    pairs = [
        (here[tuple(place)], k)
        for k, place in enumerate(np.round(b.on_sheet, 3).tolist())
        if tuple(place) in here
    ]
    if len(pairs) < 6:
        return False
    i, j = np.array(pairs).T
    way = np.hypot(*(a.in_picture[i] - b.in_picture[j]).T)
    return bool(np.mean(way) < _ALIKE * width)


def _emptiest(counts: tuple[tuple[int, ...], ...]) -> str:
    """The part of a 3 × 3 division with most empty cells, in words."""
    empty = np.array(counts) == 0
    rows, columns = empty.shape
    names = (
        ("in the upper left", "at the top", "in the upper right"),
        ("at the left", "in the middle", "at the right"),
        ("in the lower left", "at the bottom", "in the lower right"),
    )
    best, most = names[0][0], -1
    for r, row_names in enumerate(names):
        for c, name in enumerate(row_names):
            part = empty[r * rows // 3 : (r + 1) * rows // 3,
                         c * columns // 3 : (c + 1) * columns // 3]  # fmt: skip
            if int(part.sum()) > most:
                best, most = name, int(part.sum())
    return best
