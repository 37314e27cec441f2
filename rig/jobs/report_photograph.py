"""The picture that a scan was registered by, with the plate's outline where it was found."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from rig.model.errors import PlaterigError
from rig.model.rig_settings import RIM_HEIGHT_MM

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from rig.model.units import FloatArray
    from rig.report.writer import Photograph

_AROUND = 0.12  # of the plate's size, left to see of the bed on every side
_LONGEST_PX = 1100
_QUALITY = 82


def photograph(folder: Path, scan: str) -> Photograph | None:
    """The registration picture cut to the plate; None where the scan has none that shows it."""
    from rig.archive.plate_folder import PlateFolder
    from rig.archive.scan_reader import scan_outline
    from rig.jobs.hand import rise_of
    from rig.jobs.locate import read_picture
    from rig.report.writer import Photograph

    with PlateFolder.open(folder) as opened:
        pictures = sorted((opened.path / "images").glob(f"{scan}-registration-1.*"))
        pose, settings = opened.pose(scan), opened.settings(scan)
        outline = scan_outline(opened, opened.scan_row(scan))
        height_mm = opened.origin(scan).get("rim_height_mm")
        facts = opened.facts
    if not pictures or pose is None or settings is None or outline is None:
        return None
    try:
        picture = read_picture(pictures[0])
    except PlaterigError:
        return None
    from rig.vision.bed import NoBed, find_bed
    from rig.vision.hand_view import PlateView

    grey = np.asarray(picture.mean(axis=2), dtype=np.uint8)
    bed = find_bed(grey, settings.bed, settings.camera.lens)
    if isinstance(bed, NoBed):
        return None
    rim_mm = RIM_HEIGHT_MM if height_mm is None else float(height_mm)
    rise = rise_of(pose.face, facts.arching_mm)(outline)
    view = PlateView(bed.camera, pose, outline, rim_mm, rise, ())
    rings = [view.to_picture(np.asarray(ring)) for ring in (outline.rim, *outline.holes)]
    cut, low, scale = _cut(picture, rings[0])
    placed = tuple((ring - low) * scale for ring in rings)
    size = cut.shape[1], cut.shape[0]
    if not all(np.all((ring >= -size[0]) & (ring <= 3 * max(size))) for ring in placed):
        return None  # a camera so badly placed that the outline is nowhere near the picture
    about = "" if pose.sd_mm is None else f", found to about {pose.sd_mm:.2f} mm"
    return Photograph(
        scan, _jpeg(cut), size, placed,
        f"The {pose.face} face as the camera saw it before {scan}; in red the outline that the "
        f"scan went by{about}.",
    )  # fmt: skip


def _cut(
    picture: NDArray[np.uint8], rim_px: FloatArray
) -> tuple[NDArray[np.uint8], FloatArray, float]:
    """The part round the plate, made small; its upper left corner and the reduction."""
    import cv2

    around = _AROUND * np.ptp(rim_px, axis=0)
    low = np.maximum(np.floor(rim_px.min(axis=0) - around), 0.0)
    most = np.array([picture.shape[1], picture.shape[0]], dtype=np.float64)
    high = np.minimum(np.ceil(rim_px.max(axis=0) + around), most)
    left, top, right, bottom = (int(v) for v in (*low, *high))
    part = picture[top:bottom, left:right]
    scale = min(1.0, _LONGEST_PX / max(part.shape[:2]))
    size = round(part.shape[1] * scale), round(part.shape[0] * scale)
    small = cv2.resize(part, size, interpolation=cv2.INTER_AREA)
    return np.asarray(small, dtype=np.uint8), low, scale


def _jpeg(picture: NDArray[np.uint8]) -> bytes:
    import cv2

    _, coded = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
    return bytes(coded)
