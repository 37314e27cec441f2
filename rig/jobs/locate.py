"""The verb `locate`: where the plate lies on the bed, from one picture."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.model.errors import PictureError, UsageError
from rig.model.frames import Face
from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.rig_settings import RIM_HEIGHT_MM, RigSettings

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from rig.model.outline import Outline
    from rig.vision.locate import Located


@dataclass(frozen=True)
class LocateResult:
    """The plate's place, or why it was not found.

    outline_source: "plate folder" or "picture".
    """

    located: Located
    face: Face
    outline_source: str

    @property
    def found(self) -> bool:
        """Whether there is a pose."""
        return self.located.pose is not None

    @property
    def exit_status(self) -> int:
        """0 found, 1 not found."""
        return 0 if self.found else 1

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig locate --json`."""
        located, pose = self.located, self.located.pose
        answer: dict[str, Any] = {"found": self.found}
        if pose is None:
            answer["reason"] = located.reason
        else:
            answer |= {
                "x_mm": round(pose.x_mm, 3),
                "y_mm": round(pose.y_mm, 3),
                "angle_deg": round(pose.angle_deg, 4),
                "face": pose.face,
                "outline_rms_mm": _rounded(pose.outline_rms_mm, 3),
                "sd_mm": _rounded(pose.sd_mm, 3),
                "angle_sd_deg": _rounded(located.angle_sd_deg, 4),
                "rim_height_mm": _rounded(located.rim_height_mm, 2),
                "rim_seen": _rounded(located.covered, 3),
                "outline_source": self.outline_source,
            }
        answer["warnings"] = list(located.notes)
        answer["marker_rms_mm"] = _rounded(located.marker_rms_mm, 3)
        answer["markers"] = [
            {
                "id": marker.id,
                "used": marker.used,
                # nan where the markers seen were too few to judge any
                "residual_mm": round(marker.residual_mm, 3)
                if marker.residual_mm == marker.residual_mm
                else None,
            }
            for marker in located.markers
        ]
        return answer


def locate(
    image: Path | str,
    rig_file: Path | str | None = None,
    settings: RigSettings | None = None,
    *,
    plate: Path | str | None = None,
    face: Face = "outer",
    rim_height_mm: float = RIM_HEIGHT_MM,
    records: Path | str | None = None,
    progress: Progress = silent,
) -> LocateResult:
    """Find the plate in a picture file of the bed.

    The rig comes as a file or as settings. plate: folder with the outline; without one, or where
    the folder has none of its own, the outline is taken from the picture. rim_height_mm: upper
    edge of the rim above the bed. records: where the rig's calibrations lie, if not in
    `calibration` beside the rig file; a lens record that holds is used. Raises PictureError for a
    file that is no picture, UsageError without a rig.
    """
    from rig.vision.locate import locate_plate

    if face not in ("outer", "inner"):
        raise UsageError(f'There is no face "{face}".', remedy='Say "outer" or "inner".')
    check_rim_height(rim_height_mm)
    if settings is None:
        if rig_file is None:
            raise UsageError(
                "The bed, its markers and the lens are not known.", remedy="Give a rig file."
            )
        from rig.archive.rig_file import load_rig_file

        settings = load_rig_file(rig_file)
    progress(ProgressEvent("reading the picture", 0, 2))
    picture = read_picture(image)
    said: tuple[str, ...] = ()
    if rig_file is not None or records is not None:
        from rig.jobs.in_force import calibration_of

        size = picture.shape[1], picture.shape[0]
        settings, said = calibration_of(rig_file, records).lens_for(settings, size)
    outline = _stored_outline(plate)
    progress(ProgressEvent("looking for the plate", 1, 2))
    located = locate_plate(picture, settings, outline, face, rim_height_mm=rim_height_mm)
    located = replace(located, notes=(*located.notes, *said))
    progress(ProgressEvent("looking for the plate", 2, 2))
    return LocateResult(located, face, "picture" if outline is None else "plate folder")


def check_rim_height(rim_height_mm: float) -> None:
    """Raise UsageError for a height that no plate on a bed has."""
    if not 0.0 <= rim_height_mm <= 100.0:
        raise UsageError(
            f"A rim {rim_height_mm:g} mm above the bed cannot be meant.",
            remedy="Give the height of the rim's upper edge above the bed, 0 to 100 mm.",
        )


def read_picture(image: Path | str) -> NDArray[np.uint8]:
    """Any picture file that OpenCV reads, (rows, columns, 3) uint8; raises PictureError."""
    import cv2
    import numpy as np

    path = Path(image)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise PictureError(
            f"The picture cannot be read: {error.strerror or error}.",
            where=str(path),
            remedy="Check the path.",
        ) from error
    picture = None
    if data:
        try:
            picture = cv2.imdecode(np.frombuffer(data, dtype=np.uint8), cv2.IMREAD_COLOR)
        except cv2.error:
            picture = None
    if picture is None:
        raise PictureError(
            "This file is no picture, or it is damaged.",
            where=str(path),
            remedy="Give a PNG or JPEG file.",
        )
    return np.asarray(picture, dtype=np.uint8)


def _stored_outline(plate: Path | str | None) -> Outline | None:
    """The outline of the plate folder; None without a folder, or where it is only a stand-in."""
    if plate is None:
        return None
    from rig.archive.plate_folder import PlateFolder

    with PlateFolder.open(plate) as folder:
        return None if folder.outline_source == "stand-in" else folder.outline


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
