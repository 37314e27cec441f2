"""Sound holes seen through the plate: dark, bed-coloured places well inside the rim.

A hole shows the shaded bed below. So do few other things, but a dark tool or a knot can look like
it: a place counts when it has a mirror image across the centre line (or lies on that line), or
when it has the very tint of the bed. What is in doubt is left out and said.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from rig.model import polygon
from rig.model.frames import BedXY, PlateXY, Pose
from rig.model.units import FloatArray
from rig.vision.lens import CameraPose

_STEP_MM = 0.5
_FIRST_STEP_MM = 2.0  # of a first look, whether there is anything dark at all
_AROUND_MM = 24.0  # of the bed beyond the rim, which its colour is learned from
_FINE = 4  # the edge is followed on a raster this many times finer
_SPACING_MM = 1.0
_SMOOTH_MM = 0.6
_DARK = 0.50  # of the light of the wood around
_DARK_PAIR = 0.46
_DARK_ALONE = 0.34
_RIM_BAND_MM = 6.0
_PURFLING_MM = 3.0
_LEAST_MM2 = 35.0
_LEAST_ALONE_MM2 = 100.0
_SLIMMEST_MM = 1.8
_WIDEST_MM = 30.0
_WORTH_SAYING_MM2 = 60.0
_MIRROR_REACH_MM = 14.0
_MIRROR_LIKENESS = 0.5
_PLAIN_TINT = 0.3  # tints nearer than this in log colour may be the same
_FLAT_MM = 5.0  # from the rim inwards the arch begins
_USUAL_RISE = 0.16  # of the arch near sound holes, per mm from there inwards
_RISE_SD = 0.10
_HAND_SD_MM = 0.8  # how evenly holes are laid out about the centre line


@dataclass(frozen=True)
class SoundHoles:
    """holes: (n, 2) each, plate frame; notes: what was left out, and what was assumed."""

    holes: tuple[FloatArray, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Raster:
    """The plate seen from above in its own frame: row y, column x; depth into the wood in mm."""

    light: NDArray[np.float32]
    depth_mm: FloatArray
    low_mm: FloatArray
    step_mm: float

    def places(self, pixels: FloatArray) -> FloatArray:
        """(n, 2) column, row to plate-frame mm."""
        return np.asarray(self.low_mm + self.step_mm * pixels)


@dataclass(frozen=True)
class _Spot:
    """A dark place. colour: its median light, share: of that of the wood around; edge: (n, 2) mm
    at the height of the rim.
    """

    centre: FloatArray
    area_mm2: float
    colour: FloatArray
    share: float
    edge: FloatArray


def find_sound_holes(
    light: NDArray[np.float32],
    camera: CameraPose,
    pose: Pose,
    rim: FloatArray,
    rim_height_mm: float,
) -> SoundHoles:
    """Look for sound holes in a plate whose place is known.

    light: (rows, columns, 3) linear; rim: (n, 2), plate frame. A plate without holes gives none,
    so does a plate on a bed as light as the wood.
    """
    if not _any_dark(_raster(light, camera, pose, rim, rim_height_mm, _FIRST_STEP_MM)):
        return SoundHoles()
    raster = _raster(light, camera, pose, rim, rim_height_mm, _STEP_MM)
    bed, wood = _bed_colour(raster), _colour_around(raster)
    if bed is None or wood is None:
        return SoundHoles()
    spots = _dark_spots(raster, wood)
    if not spots:
        return SoundHoles()
    whole = np.median(wood[raster.depth_mm > _RIM_BAND_MM], axis=0).astype(np.float64)
    pairs, alone = _paired([s for s in spots if s.share < _DARK_ALONE or _like(s, bed, whole)])
    bedlike = [spot for spot in alone if _has_tint(spot, bed, whole)]
    unsure = [spot for spot in alone if not any(spot is other for other in bedlike)]
    unsure = [s for s in unsure if s.area_mm2 > _WORTH_SAYING_MM2 and s.share < _DARK_ALONE]
    notes = [_left_out(unsure)] if unsure else []
    taken = [spot for pair in pairs for spot in pair] + bedlike
    if not taken:
        return SoundHoles(notes=tuple(notes))
    rise = _rise(pairs, camera, pose, rim, rim_height_mm)
    holes, lifts = [], []
    for spot in taken:
        heights = rise * _arched(rim, spot.edge)
        hole = spot.edge + heights[:, None] * _towards_eye(camera, pose, spot.edge, rim_height_mm)
        if _is_hole(hole, rim):
            holes.append(hole)
            lifts.append(float(np.mean(heights)))
    if holes:
        lift = float(np.mean(lifts))
        many = "sound hole was" if len(holes) == 1 else "sound holes were"
        notes.insert(
            0,
            f"{len(holes)} {many} taken from this picture; by the arch the edges are taken to lie "
            f"about {abs(lift):.0f} mm {'above' if lift >= 0 else 'below'} the rim.",
        )
    return SoundHoles(tuple(holes), tuple(notes))


def _raster(
    light: NDArray[np.float32],
    camera: CameraPose,
    pose: Pose,
    rim: FloatArray,
    rim_height_mm: float,
    step_mm: float,
) -> _Raster:
    low = rim.min(axis=0) - _AROUND_MM
    columns, rows = np.ceil((np.ptp(rim, axis=0) + 2.0 * _AROUND_MM) / step_mm).astype(int)
    coarse = max(round(4.0 / step_mm), 2)
    x = np.arange(0, columns + coarse, coarse)
    y = np.arange(0, rows + coarse, coarse)
    X, Y = np.meshgrid(low[0] + step_mm * x, low[1] + step_mm * y)
    on_bed = pose.to_bed(PlateXY(np.column_stack([X.ravel(), Y.ravel()])))
    uv = np.nan_to_num(camera.project_level(on_bed, rim_height_mm), nan=-1e4).astype(np.float32)
    shrink = np.array([[1.0 / coarse, 0.0, 0.0], [0.0, 1.0 / coarse, 0.0]])
    u, v = (
        cv2.warpAffine(
            uv[:, i].reshape(X.shape), shrink, (int(columns), int(rows)),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE,
        )
        for i in range(2)
    )  # fmt: skip
    seen = cv2.remap(light, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    inside = np.zeros((int(rows), int(columns)), dtype=np.uint8)
    corners = np.round((rim - low) / step_mm * 16.0).astype(np.int32)
    cv2.fillPoly(inside, [corners], 1, shift=4)
    within = cv2.distanceTransform(inside, cv2.DIST_L2, 5)
    without = cv2.distanceTransform(1 - inside, cv2.DIST_L2, 5)
    depth = np.asarray((within - without) * step_mm, dtype=np.float64)
    return _Raster(np.asarray(seen, dtype=np.float32), depth, np.asarray(low), step_mm)


def _bed_colour(raster: _Raster) -> FloatArray | None:
    """(3,) median light of the bed close to the plate."""
    around = (raster.depth_mm < -8.0) & (raster.depth_mm > -_AROUND_MM) & (raster.light[..., 1] > 0)
    if around.sum() * raster.step_mm**2 < 125.0:
        return None
    return np.asarray(np.median(raster.light[around], axis=0), dtype=np.float64)


def _colour_around(raster: _Raster) -> NDArray[np.float32] | None:
    """(rows, columns, 3) usual light of the wood within some 35 mm of each place.

    A mean over the lighter places only, of cells of 4 mm: a hole does not weigh in.
    """
    wood = raster.depth_mm > _PURFLING_MM
    if wood.sum() * raster.step_mm**2 < 250.0:
        return None
    cell = max(round(4.0 / raster.step_mm), 1)
    grey = raster.light.mean(axis=2)
    typical = float(np.median(grey[wood]))
    use = (wood & (grey > 0.5 * typical)).astype(np.float32)
    shape = (max(grey.shape[1] // cell, 1), max(grey.shape[0] // cell, 1))
    weight = cv2.resize(use, shape, interpolation=cv2.INTER_AREA)
    total = cv2.resize(raster.light * use[..., None], shape, interpolation=cv2.INTER_AREA)
    sigma = 18.0 / (raster.step_mm * cell)
    weight = cv2.GaussianBlur(weight, (0, 0), sigma) + 1e-4
    total = cv2.GaussianBlur(total, (0, 0), sigma) + 1e-4 * np.float32(typical)
    size = (grey.shape[1], grey.shape[0])
    mean = cv2.resize(total / weight[..., None], size, interpolation=cv2.INTER_LINEAR)
    return np.asarray(mean)


def _any_dark(raster: _Raster) -> bool:
    """Whether anything within the rim is as dark as a hole; a quick look."""
    wood = _colour_around(raster)
    if wood is None:
        return False
    share = raster.light.sum(axis=2) / np.maximum(wood.sum(axis=2), 1e-4)
    dark = ((share < _DARK) & (raster.depth_mm > _PURFLING_MM)).astype(np.uint8)
    _, _, stats, _ = cv2.connectedComponentsWithStats(dark, connectivity=8)
    return bool(np.any(stats[1:, cv2.CC_STAT_AREA] * raster.step_mm**2 > 0.5 * _LEAST_MM2))


def _dark_spots(raster: _Raster, wood: NDArray[np.float32]) -> list[_Spot]:
    """Connected dark places that have the size of a hole and keep away from the rim."""
    share = raster.light.sum(axis=2) / np.maximum(wood.sum(axis=2), 1e-4)
    # closed over a millimetre: the nicks and narrow necks of a hole do not part it
    dark = ((share < _DARK) & (raster.depth_mm > _PURFLING_MM)).astype(np.uint8)
    brush = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (3, 3))
    dark = np.asarray(cv2.morphologyEx(dark, cv2.MORPH_CLOSE, brush), dtype=np.uint8)
    count, labels, stats, centres = cv2.connectedComponentsWithStats(dark, connectivity=8)
    spots = []
    for k in range(1, count):
        area = float(stats[k, cv2.CC_STAT_AREA]) * raster.step_mm**2
        if area < _LEAST_MM2:
            continue
        mask = np.asarray(labels == k, dtype=np.uint8)
        inmost = float(cv2.distanceTransform(mask, cv2.DIST_L2, 5).max())
        width = (2.0 * inmost - 1.0) * raster.step_mm
        if not _SLIMMEST_MM <= width <= _WIDEST_MM:
            continue
        if float(raster.depth_mm[mask > 0].min()) < _RIM_BAND_MM:
            continue
        core = cv2.erode(mask, brush) > 0
        if core.sum() < 8 or float(np.median(share[core])) > _DARK_PAIR:
            continue
        edge = _edge(raster, wood, mask, core)
        if edge is None:
            continue
        colour = np.asarray(np.median(raster.light[core], axis=0), dtype=np.float64)
        centre = raster.places(np.asarray(centres[k])[None])[0]
        spots.append(_Spot(centre, area, colour, float(np.median(share[core])), edge))
    return spots


def _edge(
    raster: _Raster, wood: NDArray[np.float32], mask: NDArray[np.uint8], core: NDArray[np.bool_]
) -> FloatArray | None:
    """Where the light is half way between hole and wood, as an (n, 2) ring in mm."""
    rows, columns = np.nonzero(mask)
    spare = 6
    top, left = max(rows.min() - spare, 0), max(columns.min() - spare, 0)
    box = np.s_[top : rows.max() + spare + 1, left : columns.max() + spare + 1]
    hole = np.median(raster.light[core], axis=0).astype(np.float64)
    step = wood[box] - hole
    measure = np.sum((raster.light[box] - hole) * step, axis=2) / np.sum(step * step, axis=2)
    fine = cv2.resize(
        measure.astype(np.float32), None, fx=_FINE, fy=_FINE, interpolation=cv2.INTER_CUBIC
    )
    seed = cv2.resize(mask[box], (fine.shape[1], fine.shape[0]), interpolation=cv2.INTER_NEAREST)
    _, labels = cv2.connectedComponents((fine < 0.5).astype(np.uint8))
    inside = labels[(seed > 0) & (labels > 0)]
    if inside.size == 0:
        return None
    body = (labels == np.bincount(inside).argmax()).astype(np.uint8)
    contours, _ = cv2.findContours(body, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    ring = np.asarray(max(contours, key=cv2.contourArea), dtype=np.float64)[:, 0, :]
    if len(ring) < 40:
        return None
    # contours run through the middle of the outermost dark pixels: half a fine pixel too far in
    outward = _outward(ring)
    ring = gaussian_filter1d(
        ring + 0.5 * outward, _SMOOTH_MM * _FINE / raster.step_mm, axis=0, mode="wrap"
    )
    pixels = (ring + 0.5) / _FINE - 0.5 + np.array([left, top])
    curve = raster.places(pixels)
    length = np.concatenate(
        [[0.0], np.cumsum(np.hypot(*np.diff(np.vstack([curve, curve[:1]]), axis=0).T))]
    )
    at = np.linspace(0.0, length[-1], max(int(length[-1] / _SPACING_MM), 12), endpoint=False)
    closed = np.vstack([curve, curve[:1]])
    ring = np.column_stack([np.interp(at, length, closed[:, i]) for i in range(2)])
    return ring if polygon.signed_area_mm2(ring) > 0 else ring[::-1].copy()


def _outward(ring: FloatArray) -> FloatArray:
    tangent = gaussian_filter1d(
        np.roll(ring, -1, axis=0) - np.roll(ring, 1, axis=0), 3.0, axis=0, mode="wrap"
    )
    tangent /= np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-9)[:, None]
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]])
    return np.asarray(normal * np.sign(polygon.signed_area_mm2(ring)))


def _paired(spots: list[_Spot]) -> tuple[list[tuple[_Spot, ...]], list[_Spot]]:
    """Mirrored pairs, places on the centre line that mirror into themselves, and the rest."""
    likeness = np.array([[_mirrored_likeness(a, b) for b in spots] for a in spots])
    free = set(range(len(spots)))
    pairs: list[tuple[_Spot, ...]] = []
    order = np.dstack(np.unravel_index(np.argsort(-likeness, axis=None), likeness.shape))[0]
    for i, j in order:
        if likeness[i, j] < _MIRROR_LIKENESS:
            break
        if i in free and j in free:
            pairs.append((spots[i],) if i == j else (spots[i], spots[j]))
            free -= {int(i), int(j)}
    return pairs, [spots[k] for k in sorted(free)]


def _mirrored_likeness(a: _Spot, b: _Spot) -> float:
    """Overlap of `a` with `b` mirrored, 0…1, both laid over each other; 0 when far from it."""
    mirrored = b.edge * np.array([-1.0, 1.0])
    shift = a.edge.mean(axis=0) - mirrored.mean(axis=0)
    areas = sorted((a.area_mm2, b.area_mm2))
    if np.hypot(*shift) > _MIRROR_REACH_MM or areas[1] > 2.0 * areas[0]:
        return 0.0
    low = np.minimum(a.edge.min(axis=0), (mirrored + shift).min(axis=0)) - 4.0
    size = np.maximum(a.edge.max(axis=0), (mirrored + shift).max(axis=0)) + 4.0 - low
    masks = []
    brush = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (7, 7))  # 1.5 mm more all round
    for ring in (a.edge, mirrored + shift):
        mask = np.zeros(tuple((size[::-1] / 0.5).astype(int) + 1), dtype=np.uint8)
        cv2.fillPoly(mask, [np.round((ring - low) / 0.5).astype(np.int32)], 1)
        masks.append(cv2.dilate(mask, brush) > 0)
    return float(np.sum(masks[0] & masks[1]) / np.sum(masks[0] | masks[1]))


def _has_tint(spot: _Spot, bed: FloatArray, wood: FloatArray) -> bool:
    """Whether a single dark place has the bed's own tint, and that tint is telling."""
    if spot.area_mm2 < _LEAST_ALONE_MM2 or spot.share > _DARK_ALONE:
        return False
    own, below, above = (_tint(colour) for colour in (spot.colour, bed, wood))
    telling = np.hypot(*below) > _PLAIN_TINT and np.hypot(*(below - above)) > 2.0 * _PLAIN_TINT
    return bool(telling and np.hypot(*(own - below)) < 0.7 * _PLAIN_TINT)


def _like(spot: _Spot, bed: FloatArray, wood: FloatArray) -> bool:
    """Whether the tint is nearer to that of the bed than to that of the wood."""
    own, below, above = (_tint(colour) for colour in (spot.colour, bed, wood))
    return bool(np.hypot(*(own - below)) < np.hypot(*(own - above)))


def _tint(colour: FloatArray) -> FloatArray:
    """Logarithms of blue and red against green; black and grey give zero."""
    log = np.log(np.maximum(colour, 1e-4))
    return np.array([log[0] - log[1], log[2] - log[1]])


def _towards_eye(
    camera: CameraPose, pose: Pose, places: FloatArray, rim_height_mm: float
) -> FloatArray:
    """Shift in the plate frame of what is seen at these (n, 2) places, per mm above the rim."""
    bed = pose.to_bed(PlateXY(places))
    eye = camera.eye_mm
    nearer = BedXY(bed + (eye[:2] - bed) / (eye[2] - rim_height_mm))
    return np.asarray(pose.to_plate(nearer) - places, dtype=np.float64)


def _arched(rim: FloatArray, places: FloatArray) -> FloatArray:
    """(n,) mm that the places lie within the arch, of which the height there is a share."""
    return np.maximum(polygon.distance_to_edge_mm(rim, places) - _FLAT_MM, 0.0)


def _rise(
    pairs: list[tuple[_Spot, ...]],
    camera: CameraPose,
    pose: Pose,
    rim: FloatArray,
    rim_height_mm: float,
) -> float:
    """Rise of the arch per mm inwards: what makes pairs even, held near the usual."""
    usual = _USUAL_RISE if pose.face == "outer" else -_USUAL_RISE
    weight = 1.0 / _RISE_SD**2
    total = usual * weight
    for pair in pairs:
        if len(pair) != 2:
            continue
        centres = np.array([spot.centre for spot in pair])
        shift = _towards_eye(camera, pose, centres, rim_height_mm)[:, 0] * _arched(rim, centres)
        slope, uneven = float(np.sum(shift)), float(np.sum(centres[:, 0]))
        total -= uneven * slope / (2.0 * _HAND_SD_MM**2)
        weight += slope * slope / (2.0 * _HAND_SD_MM**2)
    return total / weight


def _is_hole(hole: FloatArray, rim: FloatArray) -> bool:
    """Whether the ring can stand in an outline."""
    return bool(
        np.all(polygon.contains(rim, hole))
        and polygon.first_self_crossing(hole) is None
        and abs(polygon.signed_area_mm2(hole)) > 0.5 * _LEAST_MM2
    )


def _left_out(spots: list[_Spot]) -> str:
    places = ", ".join(f"x {s.centre[0]:.0f}, y {s.centre[1]:.0f} mm" for s in spots[:4])
    return (
        f"Dark places that may or may not be sound holes were left out ({places}): they have no "
        "mirror image across the centre line. Take away what lies on the plate, or give an "
        "outline file with the holes."
    )
