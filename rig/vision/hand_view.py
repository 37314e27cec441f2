"""From picture to wood: rays met with the arched face of a plate whose pose is known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rig.model.errors import PictureError
from rig.model.frames import BedXY, Face, PlateXY, Pose
from rig.model.outline import Outline
from rig.model.rig_settings import RigSettings
from rig.model.units import FloatArray
from rig.vision.bed import BedView, MarkerSeen, NoBed, find_bed
from rig.vision.lens import CameraPose
from rig.vision.locate import Located, locate_plate

Heights = Callable[[FloatArray], FloatArray]
_ROUNDS = 6
_MOST_MOVED_MM = 1.5


@dataclass(frozen=True)
class PlateView:
    """A camera over a plate.

    rise_mm: height (n,) of the face above its rim at (n, 2) plate-frame places, below 0 on the
    hollow inner face; rim_height_mm: of the rim above the bed; outline: with the sound holes that
    the picture shows, unless holes_known from before; markers: of the bed.
    """

    camera: CameraPose
    pose: Pose
    outline: Outline
    rim_height_mm: float
    rise_mm: Heights
    markers: tuple[MarkerSeen, ...]
    holes_known: bool = True
    notes: tuple[str, ...] = ()

    def to_plate(self, pixels: FloatArray, above_mm: float = 0.0) -> PlateXY:
        """(n, 2) pixels to the (n, 2) places of wood over which, `above_mm` higher, they lie."""
        height = np.full(len(pixels), self.rim_height_mm + above_mm)
        places = np.zeros((len(pixels), 2))
        for _ in range(_ROUNDS):
            places = self.pose.to_plate(_meet(self.camera, pixels, height))
            height = self.rim_height_mm + above_mm + self.rise_mm(places)
        return PlateXY(np.asarray(places))

    def to_picture(self, places: FloatArray, above_mm: float = 0.0) -> FloatArray:
        """(n, 2) places of wood, or `above_mm` over them, to (n, 2) pixels."""
        bed = self.pose.to_bed(PlateXY(places))
        height = self.rim_height_mm + above_mm + self.rise_mm(places)
        return self.camera.project(np.column_stack([bed, height]))

    def px_per_mm(self) -> float:
        """Picture scale at the middle of the plate (geometric mean over directions)."""
        middle = np.asarray(self.outline.rim).mean(axis=0)
        corners = middle + np.array([[0.0, 0.0], [10.0, 0.0], [0.0, 10.0]])
        a, b, c = self.to_picture(corners)
        u, v = b - a, c - a
        return float(np.sqrt(abs(u[0] * v[1] - u[1] * v[0]))) / 10.0


def _meet(camera: CameraPose, pixels: FloatArray, height_mm: FloatArray) -> BedXY:
    """Where rays meet a height each of their own: straight between two levels."""
    low, high = camera.meet_level(pixels, 0.0), camera.meet_level(pixels, 100.0)
    return BedXY(low + (high - low) * (height_mm / 100.0)[:, None])


def find_view(
    picture: NDArray[np.uint8],
    settings: RigSettings,
    outline: Outline | None,
    face: Face,
    rise_of: Callable[[Outline], Heights],
    *,
    rim_height_mm: float,
) -> tuple[PlateView, Located]:
    """Place camera and plate from a picture of the bed; raises PictureError with the reason.

    outline None: taken from the picture. rise_of: the arch for an outline.
    """
    located = locate_plate(picture, settings, outline, face, rim_height_mm=rim_height_mm)
    bed = _bed(picture, settings)
    if located.pose is None or located.outline is None or isinstance(bed, NoBed):
        reason = located.reason or (bed.reason if isinstance(bed, NoBed) else "")
        raise PictureError(
            "The plate was not found in the picture.", where="picture", remedy=reason
        )
    height = rim_height_mm if located.rim_height_mm is None else located.rim_height_mm
    view = PlateView(
        camera=bed.camera,
        pose=located.pose,
        outline=located.outline,
        rim_height_mm=height,
        rise_mm=rise_of(located.outline),
        markers=bed.markers,
        holes_known=outline is not None and bool(outline.holes),
        notes=located.notes,
    )
    return view, located


def camera_moved_mm(
    first: NDArray[np.uint8], last: NDArray[np.uint8], settings: RigSettings
) -> float | None:
    """How far the bed seems to move between two pictures; None where it is not seen in both."""
    views = [_bed(picture, settings) for picture in (first, last)]
    cameras = [view.camera for view in views if isinstance(view, BedView)]
    if len(cameras) < 2:
        return None
    x, y = settings.bed.width_mm, settings.bed.depth_mm
    places = np.array([[0.3 * x, 0.3 * y], [0.7 * x, 0.3 * y], [0.5 * x, 0.7 * y]])
    there = cameras[1].meet_level(cameras[0].project_level(places, 0.0), 0.0)
    return float(np.max(np.hypot(*(there - places).T)))


def moved_too_far(moved_mm: float | None) -> bool:
    """Whether the camera or the bed was knocked while the film ran."""
    return moved_mm is not None and moved_mm > _MOST_MOVED_MM


def _bed(picture: NDArray[np.uint8], settings: RigSettings) -> BedView | NoBed:
    grey = np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    return find_bed(grey, settings.bed, settings.camera.lens)
