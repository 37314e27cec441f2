"""The camera's picture laid under the plate: of the moment a scan was begun, or of now."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from rig.model.errors import FolderError
from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.rig_settings import RIM_HEIGHT_MM, RigSettings

if TYPE_CHECKING:
    from rig.model.frames import Pose
    from rig.model.outline import Outline


@dataclass(frozen=True)
class PlatePicture:
    """rgba: (ny, nx, 4) uint8, rows from the lowest y upwards, nothing outside the camera's
    picture; box_mm: x, y of the lower left corner, width, height in the plate frame; said: what
    it shows."""

    rgba: NDArray[np.uint8]
    box_mm: tuple[float, float, float, float]
    said: str


def plate_picture(
    folder: Path | str, scan: str | None = None, *, progress: Progress = silent
) -> PlatePicture:
    """The picture that the plate was located in for a scan; scan None: the latest.

    Raises FolderError where the scan kept no picture, no pose or no settings of its rig,
    PictureError where the picture cannot be read.
    """
    from rig.archive.plate_folder import PlateFolder
    from rig.jobs.locate import read_picture

    progress(ProgressEvent("fetching the picture", 0, 1))
    with PlateFolder.open(folder) as opened:
        name = scan or opened.latest_scan()
        pictures = sorted((opened.path / "images").glob(f"{name}-registration-*.png"))
        pose, settings, outline = opened.pose(name), opened.settings(name), opened.outline
        arching_mm = opened.facts.arching_mm
    if not pictures or pose is None or settings is None or outline is None:
        raise FolderError(
            f"No picture of the plate on the bed was kept with {name}.", where=str(folder),
            remedy="Scans by a rig with a camera keep one.",
        )  # fmt: skip
    said = f"As the camera saw it before {name}, drawn straight from above."
    return _laid(read_picture(pictures[-1]), settings, pose, outline, arching_mm, said)


def laid_under(
    picture: NDArray[np.uint8], settings: RigSettings, pose: Pose, outline: Outline
) -> PlatePicture:
    """A fresh picture, (rows, columns, 3) uint8 in blue, green, red, under a plate at `pose`.

    Raises PictureError where the bed is not seen.
    """
    said = "As the camera sees it now, drawn straight from above."
    return _laid(picture, settings, pose, outline, None, said)


def _laid(
    picture: NDArray[np.uint8],
    settings: RigSettings,
    pose: Pose,
    outline: Outline,
    arching_mm: float | None,
    said: str,
) -> PlatePicture:
    from rig.jobs.hand import rise_of
    from rig.vision.plate_image import plate_image

    seen = plate_image(
        picture, settings, pose, outline, rim_height_mm=RIM_HEIGHT_MM,
        rise_mm=rise_of(pose.face, arching_mm)(outline),
    )  # fmt: skip
    alpha = np.where(seen.seen, 255, 0).astype(np.uint8)
    return PlatePicture(np.dstack([seen.rgb, alpha]), seen.box_mm, said)
