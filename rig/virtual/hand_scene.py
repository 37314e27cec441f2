"""Pictures of the virtual bed with what a hand adds: chalk on the plate, a tool with a marker.

The bed with the plate is rendered once; chalk, tool and shadow are laid into that picture's linear
light, and each picture gets its own sensor noise.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from rig.model.frames import PlateXY, Pose
from rig.model.outline import Outline
from rig.model.rig_settings import RigSettings
from rig.model.units import FloatArray
from rig.virtual.hand_stroke import HandMotion
from rig.virtual.plate.spec import Arching
from rig.virtual.scene import RIM_HEIGHT_MM, render_scene
from rig.virtual.scene_optics import View, project, view_of_bed
from rig.virtual.scene_surfaces import Colour, Light, Look

_SKIN: Colour = (0.50, 0.30, 0.22)
_FINE = 4  # bits of a pixel's part in polygon corners
_EXPOSURE_S = 1.0 / 60.0
_WOOD_LIGHT = 0.36  # usual light of the wood in full light, of the ordinary look


@dataclass(frozen=True)
class ChalkMark:
    """One mark on the face: place (x, y) mm of the plate frame, paint, shape and opacity 0…1."""

    x_mm: float
    y_mm: float
    colour: Colour
    width_mm: float = 10.0
    shape: Literal["dot", "cross", "square"] = "dot"
    opacity: float = 0.8


class HandScene:
    """One plate under the virtual camera, to be drawn upon.

    picture: one that `render_scene` took of the same plate, pose, look and view, to save its time.
    """

    def __init__(
        self,
        outline: Outline,
        pose: Pose,
        rig: RigSettings,
        *,
        seed: int = 1,
        look: Look | None = None,
        light: Light | None = None,
        view: View | None = None,
        rim_height_mm: float = RIM_HEIGHT_MM,
        picture: NDArray[np.uint8] | None = None,
    ) -> None:
        lens = rig.camera.lens
        assert lens is not None  # the virtual rig always has one
        self._lens, self._pose, self._rim_mm = lens, pose, rim_height_mm
        self._view = view or view_of_bed(rig.bed.width_mm, rig.bed.depth_mm, lens)
        look = look or Look()
        clean = picture if picture is not None else render_scene(
            outline, pose, rig, rng=np.random.default_rng([seed, 0]), plate_look=look, light=light,
            rim_height_mm=rim_height_mm, view=self._view, noise=0.0,
        )  # fmt: skip
        self._linear = _decoded(clean)
        # the arch of the plate's physics, truer to life than that of the rendered wood
        self._arch = Arching(look.arching_mm if pose.face == "outer" else -look.arching_mm)
        self._noise = np.random.default_rng([seed, 1])
        rows, columns = clean.shape[0] + 40, clean.shape[1] + 40  # some room to lay it elsewhere
        self._grain = self._noise.standard_normal((rows, columns, 3), dtype=np.float32)

    def pixels(self, places: FloatArray, above_mm: float | FloatArray = 0.0) -> FloatArray:
        """Where the camera sees (n, 2) plate-frame places, `above_mm` over the wood; (n, 2) px."""
        bed = self._pose.to_bed(PlateXY(places))
        height = self._rim_mm + self._arch.at(places) + above_mm
        return project(np.column_stack([bed, height]), self._view, self._lens)

    def chalked(self, marks: Sequence[ChalkMark]) -> NDArray[np.uint8]:
        """A picture of the plate with these marks on it; (1080, 1920, 3) blue-green-red."""
        light = self._linear.copy()
        for mark in marks:
            for ring in _rings(mark):
                cover = _cover(self.pixels(ring), np.zeros(2, dtype=np.int64), light)
                # the paint stands in the same light as the wood around it
                shade = self._linear.mean(axis=2, keepdims=True) / _WOOD_LIGHT
                paint = np.array(mark.colour[::-1], dtype=np.float32) * shade
                light += cover * mark.opacity * (paint - light)
        return self._sensor(light)

    def film(
        self,
        motion: HandMotion,
        *,
        pictures_per_s: float = 30.0,
        begin_s: float = 0.0,
        colour: Colour = (0.04, 0.42, 0.12),
        marker_mm: float = 7.0,
        tool_height_mm: float = 8.0,
        beside_mm: tuple[float, float] = (0.0, 0.0),
    ) -> Iterator[tuple[float, NDArray[np.uint8]]]:
        """Pictures of a hand at work, each with its time since the first one.

        marker_mm: width of the marker; tool_height_mm: of it above the point of the tool;
        beside_mm: where it sits beside the point, plate frame.
        """
        every = 1.0 / pictures_per_s
        moments = np.arange(begin_s, motion.time_s[-1] - every, every)
        # what no hand covers differs between pictures by its noise alone: a few draws will do
        bare = [self._sensor(self._linear) for _ in range(4)]
        for moment in moments:
            layers = [
                self._layers(motion, float(moment + part), marker_mm, tool_height_mm, beside_mm)
                for part in _EXPOSURE_S * np.array([-0.4, 0.0, 0.4])
            ]
            everything = np.vstack([ring for shapes in layers for ring in shapes])
            low = np.clip(np.floor(everything.min(axis=0)).astype(int) - 20, 0, [1919, 1079])
            high = np.clip(np.ceil(everything.max(axis=0)).astype(int) + 21, 1, [1920, 1080])
            box = np.s_[low[1] : high[1], low[0] : high[0]]
            ground = self._linear[box]
            total = np.zeros_like(ground)
            for shadow, finger, disc in layers:
                light = ground * (1.0 - 0.45 * _cover(shadow, low, ground, 4.0))
                light = _over(light, _cover(finger, low, ground), _SKIN)
                dimmed = (0.8 * colour[0], 0.8 * colour[1], 0.8 * colour[2])
                total += _over(light, _cover(disc, low, ground), dimmed)
            picture = bare[int(self._noise.integers(len(bare)))].copy()
            picture[box] = self._sensor(total / np.float32(len(layers)))
            yield float(moment - begin_s), picture

    def _layers(
        self,
        motion: HandMotion,
        at_s: float,
        marker_mm: float,
        tool_height_mm: float,
        beside_mm: tuple[float, float],
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Shadow, finger and marker as rings of pixels, back to front."""
        place = np.array([np.interp(at_s, motion.time_s, motion.place_mm[:, k]) for k in (0, 1)])
        lift = float(np.interp(at_s, motion.time_s, motion.lift_mm))
        place = place + np.array(beside_mm)
        angle = np.linspace(0.0, 2.0 * np.pi, 32, endpoint=False)
        ring = np.column_stack([np.cos(angle), np.sin(angle)])
        away = np.array([0.55, -0.83])  # the hand comes from the lower right
        shadow = np.vstack([place + 8.0 * ring + [6.0, -6.0], place + 12.0 * ring + 75.0 * away])
        tip = self.pixels(place + 2.5 * ring + 5.0 * away, tool_height_mm + lift)
        back = self.pixels(place + 9.0 * ring + 75.0 * away, tool_height_mm + lift + 45.0)
        disc = self.pixels(place + 0.5 * marker_mm * ring, tool_height_mm + lift)
        return _hull(self.pixels(shadow)), _hull(np.vstack([tip, back])), disc

    def _sensor(self, light: NDArray[np.float32]) -> NDArray[np.uint8]:
        """Shot and read noise as of the virtual camera."""
        rows, columns = light.shape[:2]
        row = int(self._noise.integers(self._grain.shape[0] - rows + 1))
        column = int(self._noise.integers(self._grain.shape[1] - columns + 1))
        grain = self._grain[row : row + rows, column : column + columns]
        noisy = light + grain * np.sqrt(light / np.float32(12000.0) + np.float32(1.44e-6))
        code = np.clip(noisy * 4095.0, 0.0, 4095.0).astype(np.int32)
        return np.asarray(_CODED[code], dtype=np.uint8)


def _cover(
    ring: FloatArray, low: NDArray[np.int64], ground: NDArray[np.float32], blur_px: float = 0.6
) -> NDArray[np.float32]:
    """How much of each pixel of a part of the picture, from pixel `low` on, lies within the ring.

    (rows, columns, 1).
    """
    mask = np.zeros(ground.shape[:2], dtype=np.uint8)
    corners = np.round((ring - low) * 2**_FINE).astype(np.int32)
    cv2.fillPoly(mask, [corners], 255, lineType=cv2.LINE_AA, shift=_FINE)
    soft = cv2.GaussianBlur(mask.astype(np.float32) / 255.0, (0, 0), blur_px)
    return np.asarray(soft[:, :, None], dtype=np.float32)


def _over(
    light: NDArray[np.float32], cover: NDArray[np.float32], colour: Colour
) -> NDArray[np.float32]:
    """A colour (red, green, blue) laid over a part of the picture."""
    own = np.array(colour[::-1], dtype=np.float32)
    return np.asarray(light + cover * (own - light), dtype=np.float32)


def _rings(mark: ChalkMark) -> list[FloatArray]:
    """Outlines of the painted parts, plate frame."""
    half = 0.5 * mark.width_mm
    centre = np.array([mark.x_mm, mark.y_mm])
    if mark.shape == "dot":
        angle = np.linspace(0.0, 2.0 * np.pi, 40, endpoint=False)
        return [centre + half * np.column_stack([np.cos(angle), np.sin(angle)])]
    if mark.shape == "square":
        return [centre + half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])]
    pen = 1.3  # mm, half the breadth of a stroke of chalk
    bars = []
    for turn in (0.7, 0.7 + 0.5 * np.pi):
        along = half * np.array([np.cos(turn), np.sin(turn)])
        across = pen * np.array([-np.sin(turn), np.cos(turn)])
        bars.append(centre + np.array([-along - across, along - across,
                                       along + across, across - along]))  # fmt: skip
    return bars


def _hull(points: FloatArray) -> FloatArray:
    return np.asarray(cv2.convexHull(points.astype(np.float32))[:, 0], dtype=np.float64)


def _decoded(picture: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Linear light of an sRGB picture (IEC 61966-2-1)."""
    code = np.arange(256) / 255.0
    table = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    return table.astype(np.float32)[picture]


def _coding() -> NDArray[np.uint8]:
    light = np.arange(4096) / 4095.0
    code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.round(255.0 * code).astype(np.uint8)


_CODED = _coding()
