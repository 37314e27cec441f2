"""Pictures of the virtual bed with a plate on it, as a camera with an ordinary lens sees it.

Every sub-pixel sample follows its ray to the bed, to the side wall of the plate and to its face;
edges are covered in proportion, so that sub-pixel places in the picture mean something. Light is
added up linearly, then blurred, exposed, made noisy and coded as sRGB.
Left out: light thrown back from wood to bed, occlusion of the face by its own arch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from rig.model.errors import UsageError
from rig.model.frames import PlateXY, Pose
from rig.model.outline import Outline
from rig.model.rig_settings import LensSettings, RigSettings
from rig.virtual.scene_optics import (
    PICTURE_HEIGHT_PX,
    PICTURE_WIDTH_PX,
    Rays,
    View,
    rays,
    view_of_bed,
)
from rig.virtual.scene_surfaces import (
    SHAPE_STEP_MM,
    Light,
    Look,
    MarkerRaster,
    PlateRaster,
    Raster,
    marker_raster,
    plate_raster,
)
from rig.virtual.scene_things import Thing, cast_shadow, lamp_direction, paint_things

RIM_HEIGHT_MM = 3.0
_OVERSAMPLING = 2
_STRIP_ROWS = 180  # picture rows worked on at a time, to keep memory small
_SHADOW_MARGIN_MM = 120
_SMOOTH_STEP = 8  # samples; some 3 mm on the bed


@dataclass(frozen=True)
class _Shade:
    """How much lamp and sky light reaches the bed; rasters of 1 mm."""

    lamp: Raster
    sky: Raster


@dataclass(frozen=True)
class _Scene:
    rig: RigSettings
    look: Look
    light: Light
    pose: Pose | None
    plate: PlateRaster | None
    rim_height_mm: float
    markers: MarkerRaster
    cloth: Raster
    shade: _Shade
    occluders: tuple[Thing, ...]
    footprint_mm: float


def scene_light(
    outline: Outline | None,
    pose: Pose | None,
    rig: RigSettings,
    *,
    rng: np.random.Generator,
    plate_look: Look | None = None,
    light: Light | None = None,
    rim_height_mm: float = RIM_HEIGHT_MM,
    missing_markers: Sequence[int] = (),
    view: View | None = None,
    occluders: Sequence[Thing] = (),
    blur_px: float = 0.6,
    motion_px: tuple[float, float] = (0.0, 0.0),
) -> Raster:
    """What falls on the sensor, (1080, 1920, 3), for any number of pictures by `sensor_picture`.

    outline or pose None: an empty bed. rim_height_mm: upper edge of the rim above the bed.
    view: None for the camera of the virtual rig. motion_px: how far, across and down, the camera
    was shaken while the picture was taken. rng draws wood and cloth.
    """
    lens = rig.camera.lens
    if lens is None:
        raise UsageError(
            "The virtual camera needs the lens it is to imitate.", where="rig file, [camera.lens]"
        )
    look, light = plate_look or Look(), light or Light()
    view = view or view_of_bed(rig.bed.width_mm, rig.bed.depth_mm, lens)
    plate = None
    if outline is not None and pose is not None:
        plate = plate_raster(outline, pose.face, look, rng)
    cloth = gaussian_filter(rng.normal(size=(512, 512)), 1.2, mode="wrap")
    scene = _Scene(
        rig=rig,
        look=look,
        light=light,
        pose=pose,
        plate=plate,
        rim_height_mm=rim_height_mm,
        markers=marker_raster(rig.bed, tuple(missing_markers)),
        cloth=(cloth / cloth.std()).astype(np.float32),
        shade=_shade_on_bed(plate, pose, rig, light, rim_height_mm),
        occluders=tuple(occluders),
        footprint_mm=float(np.linalg.norm(np.subtract(view.eye_mm, view.target_mm)))
        / (lens.fx * _OVERSAMPLING),
    )
    linear = _expose(scene, view, lens)
    if blur_px > 0.0:
        linear = np.asarray(cv2.GaussianBlur(linear, (0, 0), blur_px), dtype=np.float32)
    return _shaken(linear, motion_px)


def render_scene(
    outline: Outline | None,
    pose: Pose | None,
    rig: RigSettings,
    *,
    rng: np.random.Generator,
    noise: float = 1.0,
    sensor_rng: np.random.Generator | None = None,
    **scene: Any,
) -> NDArray[np.uint8]:
    """Take one picture: (1080, 1920, 3) uint8, blue-green-red.

    scene: as of `scene_light`. noise: 1 for an ordinary sensor, 0 for none. rng draws wood and
    cloth, and the sensor noise too unless it has its own sensor_rng.
    """
    return sensor_picture(
        scene_light(outline, pose, rig, rng=rng, **scene), noise, sensor_rng or rng
    )


def _shaken(linear: Raster, motion_px: tuple[float, float]) -> Raster:
    """The picture smeared evenly along a straight way."""
    length = float(np.hypot(*motion_px))
    if length < 0.1:
        return linear
    reach = int(np.ceil(0.5 * length)) + 1
    kernel = np.zeros((2 * reach + 1, 2 * reach + 1), dtype=np.float32)
    for part in np.linspace(-0.5, 0.5, 8 * reach + 1):
        u, v = reach + part * motion_px[0], reach + part * motion_px[1]
        column, row = int(u), int(v)
        for dx in (0, 1):
            for dy in (0, 1):
                kernel[row + dy, column + dx] += abs(1 - dx - (u - column)) * abs(
                    1 - dy - (v - row)
                )
    return np.asarray(cv2.filter2D(linear, -1, kernel / kernel.sum()), dtype=np.float32)


def _expose(scene: _Scene, view: View, lens: LensSettings) -> Raster:
    """The light on the sensor, averaged over each pixel; (1080, 1920, 3), linear."""
    picture = np.empty((PICTURE_HEIGHT_PX, PICTURE_WIDTH_PX, 3), dtype=np.float32)
    for row in range(0, PICTURE_HEIGHT_PX, _STRIP_ROWS):
        last = min(row + _STRIP_ROWS, PICTURE_HEIGHT_PX)
        bundle = rays(view, lens, range(row * _OVERSAMPLING, last * _OVERSAMPLING), _OVERSAMPLING)
        samples = _seen(scene, bundle)
        picture[row:last] = cv2.resize(
            samples, (PICTURE_WIDTH_PX, last - row), interpolation=cv2.INTER_AREA
        )
    return picture


def _seen(scene: _Scene, bundle: Rays) -> Raster:
    """Colour met by every ray; (rows, columns, 3) linear."""
    x, y = bundle.meet_plane(0.0)
    colour = _bed_colour(scene, x, y)
    if scene.plate is not None and scene.pose is not None:
        _lay_plate(scene, scene.plate, scene.pose, bundle, colour)
    if scene.occluders:
        paint_things(scene.occluders, bundle, colour, scene.light, scene.footprint_mm,
                     _evenness(scene.light, *bundle.meet_plane(0.0)))  # fmt: skip
    return colour


def _bed_colour(scene: _Scene, x: Raster, y: Raster) -> Raster:
    """Bed cloth, table beyond it, printed labels, and the shadows that fall on them."""
    bed, look, light = scene.rig.bed, scene.look, scene.light
    inside = np.minimum(
        np.minimum(x, np.float32(bed.width_mm) - x), np.minimum(y, np.float32(bed.depth_mm) - y)
    )
    on_bed = np.clip(0.5 + inside / scene.footprint_mm, 0.0, 1.0)[:, :, None]
    cloth = cv2.remap(
        scene.cloth, np.mod(x * 2.0, 511.0), np.mod(y * 2.0, 511.0), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_WRAP,
    )  # fmt: skip
    albedo = on_bed * np.array(look.bed_colour, dtype=np.float32) + (1.0 - on_bed) * np.array(
        look.table_colour, dtype=np.float32
    )
    albedo *= (1.0 + 0.035 * cloth)[:, :, None]
    if look.bed_grain > 0.0:
        streaks = cv2.remap(
            scene.cloth, np.mod(x * 0.06, 511.0), np.mod(y * 1.3 + 0.02 * x, 511.0),
            cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP,
        )  # fmt: skip
        albedo *= np.maximum(1.0 + look.bed_grain * streaks, 0.2)[:, :, None]
    u, v = scene.markers.place(x, y)
    paper = cv2.remap(scene.markers.paper, u, v, cv2.INTER_LINEAR).astype(np.float32) / 255.0
    white = cv2.remap(scene.markers.white, u, v, cv2.INTER_LINEAR).astype(np.float32) / 255.0
    printed = (0.03 + 0.75 * white)[:, :, None] * np.array([1.0, 0.99, 0.96], dtype=np.float32)
    albedo += paper[:, :, None] * (printed - albedo)
    place = (x + np.float32(_SHADOW_MARGIN_MM - 0.5), y + np.float32(_SHADOW_MARGIN_MM - 0.5))
    lamp = _sample(scene.shade.lamp, place, 1.0)
    sky = _sample(scene.shade.sky, place, 1.0)
    up = lamp_direction(light)[2]
    if scene.occluders:
        lamp = lamp * cast_shadow(scene.occluders, light, x, y, np.zeros_like(x))
    strength = light.level * _evenness(light, x, y) * (
        light.sky * sky + (1.0 - light.sky) * up * lamp
    )  # fmt: skip
    return np.asarray(
        albedo * strength[:, :, None] * np.array(light.tint, dtype=np.float32), dtype=np.float32
    )


def _lay_plate(scene: _Scene, plate: PlateRaster, pose: Pose, bundle: Rays, colour: Raster) -> None:
    """Paint side wall and face over the bed, in place, inside the box where they can be."""
    x, y = bundle.meet_plane(scene.rim_height_mm)
    plate_x, plate_y = _to_plate(pose, x, y)
    rim = _sample(plate.rim_mm, plate.shape_place(plate_x, plate_y), -50.0)
    rows, columns = np.nonzero(rim > -8.0)
    if len(rows) == 0:
        return
    box = np.s_[rows.min() : rows.max() + 1, columns.min() : columns.max() + 1]
    part = Rays(bundle.eye_mm, bundle.x[box], bundle.y[box], bundle.z[box])
    x, y, rim = x[box], y[box], rim[box]
    look, light = scene.look, scene.light
    tint = np.array(light.tint, dtype=np.float32) * np.float32(light.level)
    evenness = _evenness(light, x, y)
    canvas = colour[box]
    base = _sample(plate.colour, plate.colour_place(plate_x[box], plate_y[box]), 0.0)
    middle = np.median(plate.colour.reshape(-1, 3)[::97], axis=0).astype(np.float32)

    wall_light = (0.62 * (light.sky + 0.5 * (1.0 - light.sky)) * evenness)[:, :, None]
    for height in np.linspace(scene.rim_height_mm - look.edge_thickness_mm,
                              scene.rim_height_mm, 6)[:-1]:  # fmt: skip
        wall_rim = _sample(
            plate.rim_mm, plate.shape_place(*_to_plate(pose, *part.meet_plane(height))), -50.0
        )
        cover = np.clip(0.5 + wall_rim / scene.footprint_mm, 0.0, 1.0)[:, :, None]
        canvas += cover * (middle * wall_light * tint - canvas)

    # Follow the ray on to the arched face: what is drawn there shifts, the rim itself does not.
    arch_x, arch_y = plate_x[box], plate_y[box]
    for _ in range(3):
        lift = _sample(plate.height_mm, plate.shape_place(arch_x, arch_y), 0.0)
        reach = (scene.rim_height_mm + lift - part.eye_mm[2]) / np.minimum(part.z, -1e-3)
        arch_x, arch_y = _to_plate(
            pose, part.eye_mm[0] + reach * part.x, part.eye_mm[1] + reach * part.y
        )
    place = plate.shape_place(arch_x, arch_y)
    base = _sample(plate.colour, plate.colour_place(arch_x, arch_y), 0.0)
    lamp, gloss = _face_light(scene, plate, pose, part, place)
    if scene.occluders:
        past = cast_shadow(scene.occluders, light, x, y, scene.rim_height_mm + lift)
        lamp, gloss = lamp * past, gloss * past
    face = base * tint * (evenness * (light.sky + (1.0 - light.sky) * lamp))[:, :, None]
    face += (gloss * evenness)[:, :, None] * tint
    holes = np.clip(0.5 + _sample(plate.edge_mm, place, 1.0) / scene.footprint_mm, 0.0, 1.0)
    within = np.clip((rim - 4.0) / 2.0, 0.0, 1.0)  # the rim's own edge is drawn below
    dark = np.array(look.bed_colour, dtype=np.float32) * 0.25 * light.level
    # the far wall of a hole hides what is below where the ray meets wood a thickness lower
    down = _to_plate(pose, *_lowered(part, scene.rim_height_mm + lift, look.edge_thickness_mm))
    wall = np.clip(
        0.5 + _sample(plate.edge_mm, plate.shape_place(*down), 1.0) / scene.footprint_mm, 0.0, 1.0
    )[:, :, None]
    through = dark + wall * (middle * (0.5 * light.sky * evenness)[:, :, None] * tint - dark)
    face += (within * (1.0 - holes))[:, :, None] * (through - face)
    cover = np.clip(0.5 + rim / scene.footprint_mm, 0.0, 1.0)[:, :, None]
    canvas += cover * (face - canvas)


def _lowered(part: Rays, height: Raster, depth_mm: float) -> tuple[Raster, Raster]:
    """Bed-frame places where the rays are `depth_mm` below these heights; (rows, columns) each."""
    reach = (height - depth_mm - part.eye_mm[2]) / np.minimum(part.z, -1e-3)
    return part.eye_mm[0] + reach * part.x, part.eye_mm[1] + reach * part.y


def _face_light(
    scene: _Scene, plate: PlateRaster, pose: Pose, part: Rays, place: tuple[Raster, Raster]
) -> tuple[Raster, Raster]:
    """Lamp light on the sloping face, and the gloss of its varnish."""
    slope_y, slope_x = np.gradient(plate.height_mm, SHAPE_STEP_MM)
    grad_x = _sample(np.asarray(slope_x, dtype=np.float32), place, 0.0)
    grad_y = _sample(np.asarray(slope_y, dtype=np.float32), place, 0.0)
    axes = pose.to_bed(_plate_axes()) - np.array([pose.x_mm, pose.y_mm])
    bed_x = grad_x * axes[0, 0] + grad_y * axes[1, 0]
    bed_y = grad_x * axes[0, 1] + grad_y * axes[1, 1]
    length = np.sqrt(1.0 + bed_x**2 + bed_y**2)
    lx, ly, lz = lamp_direction(scene.light)
    lamp = np.clip((lz - lx * bed_x - ly * bed_y) / length, 0.0, None)
    if scene.look.varnish <= 0.0:
        return lamp.astype(np.float32), np.zeros_like(lamp, dtype=np.float32)
    norm = np.sqrt(part.x**2 + part.y**2 + part.z**2)
    hx, hy, hz = lx - part.x / norm, ly - part.y / norm, lz - part.z / norm
    half = np.sqrt(hx**2 + hy**2 + hz**2)
    facing = np.clip((hz - hx * bed_x - hy * bed_y) / (half * length), 0.0, 1.0)
    gloss = scene.look.gloss * scene.look.varnish * facing**scene.look.gloss_power
    return lamp.astype(np.float32), gloss.astype(np.float32)


def _shade_on_bed(
    plate: PlateRaster | None, pose: Pose | None, rig: RigSettings, light: Light, rim_mm: float
) -> _Shade:
    """Soft shadow of the arched plate, and the sky it hides close to its rim."""
    columns = int(rig.bed.width_mm) + 2 * _SHADOW_MARGIN_MM
    rows = int(rig.bed.depth_mm) + 2 * _SHADOW_MARGIN_MM
    if plate is None or pose is None:
        full = np.ones((rows, columns), dtype=np.float32)
        return _Shade(full, full)
    x, y = np.meshgrid(
        np.arange(columns) + 0.5 - _SHADOW_MARGIN_MM, np.arange(rows) + 0.5 - _SHADOW_MARGIN_MM
    )
    towards = lamp_direction(light)
    throw = towards[:2] / max(float(towards[2]), 0.2)
    lift = np.maximum(plate.height_mm, 0.0)
    hidden = np.zeros((rows, columns), dtype=np.float32)
    for level in np.linspace(0.0, float(lift.max()) * 0.98, 6 if lift.max() > 1.0 else 1):
        body = ((plate.rim_mm > 0.0) & (lift >= level)).astype(np.float32)
        height = rim_mm + level
        place = plate.shape_place(*_to_plate(pose, x + throw[0] * height, y + throw[1] * height))
        cast = cv2.GaussianBlur(_sample(body, place, 0.0), (0, 0), 0.5 + 0.18 * height)
        hidden = np.maximum(hidden, cast)
    whole = (plate.rim_mm > 0.0).astype(np.float32)
    body = _sample(whole, plate.shape_place(*_to_plate(pose, x, y)), 0.0)
    near = cv2.GaussianBlur(body, (0, 0), 1.0 + 1.6 * rim_mm)
    return _Shade((1.0 - 0.92 * hidden).astype(np.float32), (1.0 - 0.6 * near).astype(np.float32))


def sensor_picture(linear: Raster, noise: float, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Shot noise (full well about 12 000 electrons), read noise, sRGB curve (IEC 61966-2-1)."""
    spread = noise * np.sqrt(np.maximum(linear, 0.0) / 12000.0 + 0.0012**2)
    light = linear + spread * rng.standard_normal(linear.shape, dtype=np.float32)
    light = np.clip(light, 0.0, 1.0)
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.ascontiguousarray(np.round(coded[:, :, ::-1] * 255.0).astype(np.uint8))


def _evenness(light: Light, x: Raster, y: Raster) -> Raster:
    """Relative strength of the light over the bed; smooth, so worked out on every few samples."""
    rows, columns = x.shape
    few = (max(columns // _SMOOTH_STEP, 2), max(rows // _SMOOTH_STEP, 2))
    x, y = (
        np.asarray(cv2.resize(v.astype(np.float32), few, interpolation=cv2.INTER_AREA), np.float32)
        for v in (x, y)
    )
    spot = ((x - light.spot_mm[0]) ** 2 + (y - light.spot_mm[1]) ** 2) / light.spot_width_mm**2
    strength = 1.0 + light.slope[0] * (x - 250.0) / 1e3 + light.slope[1] * (y - 300.0) / 1e3
    strength = strength * (1.0 - light.spot_strength + light.spot_strength * np.exp(-0.5 * spot))
    for x0, y0, direction_deg, half_width, depth in light.shadows:
        angle = np.deg2rad(direction_deg)
        across = -(x - x0) * np.sin(angle) + (y - y0) * np.cos(angle)
        strength = strength * (1.0 - depth / (1.0 + (across / half_width) ** 4))
    strength = np.asarray(np.clip(strength, 0.05, None), dtype=np.float32)
    return np.asarray(cv2.resize(strength, (columns, rows), interpolation=cv2.INTER_LINEAR))


def _to_plate(pose: Pose, x: Raster, y: Raster) -> tuple[Raster, Raster]:
    """Bed-frame rasters to plate-frame rasters."""
    axes = pose.to_bed(_plate_axes()) - np.array([pose.x_mm, pose.y_mm])
    dx, dy = x - np.float32(pose.x_mm), y - np.float32(pose.y_mm)
    return (
        (dx * np.float32(axes[0, 0]) + dy * np.float32(axes[0, 1])).astype(np.float32),
        (dx * np.float32(axes[1, 0]) + dy * np.float32(axes[1, 1])).astype(np.float32),
    )


def _plate_axes() -> PlateXY:
    return PlateXY(np.eye(2))


def _sample(raster: Raster, place: tuple[Raster, Raster], beyond: float) -> Raster:
    return np.asarray(
        cv2.remap(
            raster, *place, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT,
            borderValue=(beyond, beyond, beyond, beyond),
        ),
        dtype=np.float32,
    )  # fmt: skip
