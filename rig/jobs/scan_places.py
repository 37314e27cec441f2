"""Where the plate lies: found before a scan, looked at again during it, found anew to resume it."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from rig.model.errors import CameraError, PictureError
from rig.model.frames import Face, Pose
from rig.model.rig_settings import RIM_HEIGHT_MM

if TYPE_CHECKING:
    from rig.archive.plate_folder import PlateFolder
    from rig.jobs.compose import Rig
    from rig.model.outline import Outline
    from rig.scan import Sight

# Pictures of a plate that lay still agreed to 0.07 mm (virtual camera, lens known).
SLIPPED_MM = 0.7  # found this far from its earlier place a plate has moved
SLIPPED_UNSURE_MM = 1.2  # the same where the lens had to be estimated
FURTHEST_MM = 5.0  # moved further, the microphone no longer stands over it as it did


@dataclass(frozen=True)
class Seen:
    """What the camera said of the plate."""

    pose: Pose
    outline: Outline
    picture: Any
    rim_height_mm: float
    notes: tuple[str, ...]


def look(
    folder: PlateFolder, rig: Rig, scan: str | None, face: Face, rim_height_mm: float | None
) -> Seen:
    """Find the plate in a fresh picture; take the outline from it where the folder has none.

    scan: the one to be resumed, None for a new one. Raises PictureError.
    """
    from rig.vision.locate import locate_plate

    if rim_height_mm is None and scan is not None:
        rim_height_mm = folder.origin(scan).get("rim_height_mm")
    told_mm = RIM_HEIGHT_MM if rim_height_mm is None else rim_height_mm
    picture = rig.camera.frame().pixels
    settings, lens_notes = rig.settings_for(picture)
    stored = None if folder.outline_source == "stand-in" else folder.outline
    located = locate_plate(picture, settings, stored, face, rim_height_mm=told_mm)
    first_scan = not folder.scans()
    outline = stored or located.outline
    if first_scan and located.outline is not None:
        outline = located.outline  # the stored one, with sound holes that it lacks
    if located.pose is None or outline is None:
        raise PictureError(
            f"The plate was not found on the bed: {located.reason}",
            where=str(folder.path),
            remedy="Lay it flat on the bed with the markers in view, and scan again.",
        )
    if outline is not stored:
        folder.set_outline(outline, source="picture" if stored is None else "file and picture")
    seen_mm = told_mm if located.rim_height_mm is None else located.rim_height_mm
    notes = (*located.notes, *lens_notes)
    return Seen(located.pose, outline, picture, round(seen_mm, 2), notes)


def pose_to_resume(
    folder: PlateFolder, scan: str, found: Pose, *, lens_known: bool
) -> tuple[Pose, tuple[str, ...]]:
    """Where to strike the rest of a scan, and what to say of it.

    The pose it was begun with as long as the plate lies there; where it slipped a little, the new
    one, which is noted in the scan's origin. Raises PictureError where it lies elsewhere.
    """
    from rig.archive.naming import utc_now
    from rig.archive.scan_store import amend_origin

    origin = folder.origin(scan)
    moves = list(origin.get("moves") or [])
    before = Pose(**moves[-1]["pose"]) if moves else folder.pose(scan)
    outline = folder.outline
    if before is None or outline is None:
        return found, ()
    moved_mm = moved_by_mm(outline, before, found)
    if moved_mm <= slip_limit_mm(lens_known):
        return before, ()
    if moved_mm > FURTHEST_MM:
        raise PictureError(
            f"The plate has been moved by {moved_mm:.1f} mm since {scan} was begun.",
            where=str(folder.path),
            remedy="Lay it back, or start a new scan.",
        )
    strikes = len(folder.done(scan))
    moves.append({"utc": utc_now(), "after_strikes": strikes, "pose": asdict(found)})
    amend_origin(folder, scan, moves=moves)
    return found, (
        f"The plate lies {moved_mm:.1f} mm from where it lay before: it was found anew, and the "
        "rest is struck by its new place.",
    )


def moved_by_mm(outline: Outline, before: Pose, after: Pose) -> float:
    """How far the rim's farthest moved point went."""
    import numpy as np

    shift = after.to_bed(outline.rim) - before.to_bed(outline.rim)
    return float(np.max(np.hypot(shift[:, 0], shift[:, 1])))


def slip_limit_mm(lens_known: bool) -> float:
    """From how far on a plate counts as moved."""
    return SLIPPED_MM if lens_known else SLIPPED_UNSURE_MM


def check_picture(folder: PlateFolder, scan: str, rig: Rig, pose: Pose, rim_mm: float) -> Sight:
    """Look at the plate in the middle of a scan; what seems to have moved is looked at twice.

    A picture without the plate, or a camera that gives none, is a note: the scan goes on.
    """
    from rig.scan import Sight
    from rig.vision.locate import locate_plate

    outline = folder.outline
    if outline is None:
        return Sight(None, False)
    seen_mm: list[float] = []
    limit_mm = SLIPPED_MM
    for _ in range(2):
        try:
            picture = rig.camera.frame().pixels
        except CameraError as error:
            return Sight(None, False, f"No check picture could be taken: {error.what}")
        settings, _ = rig.settings_for(picture)
        limit_mm = slip_limit_mm(settings.camera.lens is not None)
        located = locate_plate(picture, settings, outline, pose.face, rim_height_mm=rim_mm)
        if located.pose is None:
            return Sight(None, False, f"A check picture did not show the plate: {located.reason}")
        seen_mm.append(moved_by_mm(outline, pose, located.pose))
        if seen_mm[-1] <= limit_mm:
            return Sight(seen_mm[-1], False)
        folder.store_image(scan, "moved", picture)
    moved_mm = min(seen_mm)
    return Sight(
        moved_mm,
        True,
        f"The plate has moved by {moved_mm:.1f} mm since it was found, seen in two pictures "
        f"(limit {limit_mm:.1f} mm). Lay it firmly, then resume the scan: it is found anew.",
    )
