"""The virtual rig as its owner would describe it in a rig file.

Only what a real owner could know stands here: where the camera hangs is not among it.
"""

from __future__ import annotations

from rig.model.rig_settings import (
    BedMarker,
    BedSettings,
    CameraSettings,
    ControllerSettings,
    LensSettings,
    MicrophoneSettings,
    RigSettings,
    TapperSettings,
)

BED_WIDTH_MM = 500.0
BED_DEPTH_MM = 600.0
MARKER_SIZE_MM = 40.0
_MARKER_PLACES_MM = (
    (38.0, 38.0),
    (462.0, 38.0),
    (38.0, 300.0),
    (462.0, 300.0),
    (38.0, 562.0),
    (462.0, 562.0),
)


def virtual_rig_settings() -> RigSettings:
    """Return bed, markers, lens, microphone place, tapper offset and limits of the virtual rig."""
    markers = tuple(
        BedMarker(id=number, x_mm=x_mm, y_mm=y_mm, size_mm=MARKER_SIZE_MM)
        for number, (x_mm, y_mm) in enumerate(_MARKER_PLACES_MM)
    )
    return RigSettings(
        name="virtual rig",
        controller=ControllerSettings(port="virtual", limits_mm=(0.0, 0.0, 500.0, 600.0)),
        tapper=TapperSettings(offset_mm=(0.0, 0.0)),
        microphone=MicrophoneSettings(device="virtual", position_mm=(330.0, 345.0, 205.0)),
        camera=CameraSettings(
            source="virtual",
            lens=LensSettings(fx=1482.0, fy=1479.0, cx=968.0, cy=533.0, k1=-0.14, k2=0.035),
        ),
        bed=BedSettings(
            width_mm=BED_WIDTH_MM,
            depth_mm=BED_DEPTH_MM,
            marker_dictionary="DICT_4X4_50",
            markers=markers,
        ),
    )
