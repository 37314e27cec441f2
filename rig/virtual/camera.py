"""The virtual camera: the same pictures over and over, each with fresh sensor noise."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

import numpy as np

from rig.devices.roles import Clock, Frame
from rig.model.errors import CameraError
from rig.model.frames import Pose
from rig.model.outline import Outline
from rig.model.rig_settings import RigSettings
from rig.virtual.scene import RIM_HEIGHT_MM, scene_light, sensor_picture
from rig.virtual.scene_optics import View
from rig.virtual.scene_surfaces import Light, Look, Raster
from rig.virtual.scene_things import Thing


class VirtualCamera:
    """A camera over the virtual bed; it knows where the plate lies, its user does not.

    outline or pose None: nothing lies on the bed. The wood is the same in every picture of one
    seed, the sensor noise is not. clock: None stamps pictures with the time of day.
    """

    def __init__(
        self,
        outline: Outline | None,
        pose: Pose | None,
        settings: RigSettings,
        look: Look | None = None,
        seed: int = 1,
        clock: Clock | None = None,
        missing_markers: Sequence[int] = (),
        *,
        light: Light | None = None,
        rim_height_mm: float = RIM_HEIGHT_MM,
        view: View | None = None,
        occluders: Sequence[Thing] = (),
    ) -> None:
        self._outline = outline
        self._pose = pose
        self._settings = settings
        self._look = look
        self._seed = seed
        self._clock = clock
        self._missing = tuple(missing_markers)
        self._light = light
        self._rim_height_mm = rim_height_mm
        self._view = view
        self._occluders = tuple(occluders)
        self._taken = 0
        self._seen: tuple[Pose | None, Raster] | None = None
        self._is_open = False

    def open(self) -> None:
        """Make the camera ready; may be called again."""
        self._is_open = True

    def lay(self, pose: Pose | None) -> None:
        """Put the plate elsewhere, turn it over, or take it away, as a hand would."""
        self._pose = pose

    def frame(self) -> Frame:
        """Take one fresh picture; raises CameraError when the camera is not open."""
        if not self._is_open:
            raise CameraError(
                "The camera was asked for a picture before it was opened.",
                where="virtual camera",
                remedy="Open it first.",
            )
        surfaces = np.random.default_rng([self._seed, 0])  # the same wood in every picture
        sensor = np.random.default_rng([self._seed, 1, self._taken])
        self._taken += 1
        if self._seen is None or self._seen[0] != self._pose:
            light = scene_light(
                self._outline,
                self._pose,
                self._settings,
                rng=surfaces,
                plate_look=self._look,
                light=self._light,
                rim_height_mm=self._rim_height_mm,
                missing_markers=self._missing,
                view=self._view,
                occluders=self._occluders,
            )
            self._seen = self._pose, light  # as long as nothing moves only the noise is new
        pixels = sensor_picture(self._seen[1], 1.0, sensor)
        return Frame(pixels=pixels, utc=self._utc())

    def close(self) -> None:
        """Let go of the camera; safe to call twice."""
        self._is_open = False

    def _utc(self) -> str:
        if self._clock is not None:
            return self._clock.utc()
        return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
