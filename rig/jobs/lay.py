"""Take a picture of the bed and say where the plate lies. Nothing moves."""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.jobs.locate import LocateResult, check_rim_height
from rig.model.frames import Face
from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.rig_settings import RIM_HEIGHT_MM

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from rig.jobs.plate_picture import PlatePicture
    from rig.model.outline import Outline


@dataclass(frozen=True)
class Laid:
    """The picture, (rows, columns, 3) uint8 in red, green, blue, and what it says.

    under: the same laid under the plate's frame, where the plate was found.
    """

    picture: NDArray[np.uint8]
    result: LocateResult
    simulated: bool
    under: PlatePicture | None = None

    @property
    def outline(self) -> Outline | None:
        """The outline that fits the picture."""
        return self.result.located.outline

    def as_json(self) -> dict[str, Any]:
        """As `locate`."""
        return self.result.as_json() | {"simulated": self.simulated}


def lay(
    folder: Path | str | None = None,
    *,
    world: str | None = None,
    rig_file: Path | str | None = None,
    seed: int = 1,
    face: Face = "outer",
    rim_height_mm: float = RIM_HEIGHT_MM,
    keep_outline: bool = False,
    progress: Progress = silent,
) -> Laid:
    """Look through the camera of a rig. The gantry stays where it is.

    folder: with the plate's outline; without one it is taken from the picture, and stored
    where keep_outline says so. Raises UsageError, RigFileError, CameraError, PictureError,
    FolderError.
    """
    from rig.jobs.compose import compose
    from rig.jobs.in_force import calibration_of
    from rig.jobs.locate import _stored_outline
    from rig.jobs.plate_picture import laid_under
    from rig.vision.locate import locate_plate

    check_rim_height(rim_height_mm)
    outline = _stored_outline(folder)
    progress(ProgressEvent("taking a picture", 0, 2))
    known = calibration_of(rig_file, None)
    rig = compose(world, rig_file, seed=seed, face=face, calibration=known)
    with closing(rig.camera):
        rig.camera.open()
        picture = rig.camera.frame().pixels
    progress(ProgressEvent("looking for the plate", 1, 2))
    settings, said = rig.settings_for(picture)
    located = locate_plate(picture, settings, outline, face, rim_height_mm=rim_height_mm)
    located = replace(located, notes=(*located.notes, *said))
    progress(ProgressEvent("looking for the plate", 2, 2))
    if keep_outline and folder is not None and outline is None and located.pose is not None:
        _keep(folder, located.outline)
    source = "picture" if outline is None else "plate folder"
    under = None
    if located.pose is not None and located.outline is not None:
        under = laid_under(picture, settings, located.pose, located.outline)
    rgb = picture if picture.ndim == 2 else picture[..., ::-1]
    return Laid(rgb.copy(), LocateResult(located, face, source), rig.simulated, under)


def _keep(folder: Path | str, outline: Outline | None) -> None:
    """Give the folder the outline that the picture shows; it can be planned on from now on."""
    from rig.archive.plate_folder import PlateFolder

    if outline is not None:
        with PlateFolder.open(folder, write=True) as opened:
            opened.set_outline(outline, source="picture")
