"""Where the gantry may be sent. Looked at before anything goes out on the line."""

from __future__ import annotations

import math

from rig.model.errors import ControllerRefusedError
from rig.model.rig_settings import RigSettings


def gantry_place(x_mm: float, y_mm: float, settings: RigSettings) -> tuple[float, float]:
    """Where the gantry must stand for the hammer to be at a place of the bed frame, mm.

    Raises ControllerRefusedError where that is outside the gantry's limits.
    """
    dx, dy = settings.tapper.offset_mm
    x, y = x_mm - dx, y_mm - dy
    x0, y0, x1, y1 = settings.controller.limits_mm
    if not (math.isfinite(x) and math.isfinite(y) and x0 <= x <= x1 and y0 <= y <= y1):
        raise ControllerRefusedError(
            "The controller will not move outside its limits.",
            where=f"hammer at x {x_mm:.2f}, y {y_mm:.2f} mm; gantry limits x {x0:g} to {x1:g}, "
            f"y {y0:g} to {y1:g} mm",
        )
    return x, y
