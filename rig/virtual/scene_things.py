"""What else lies on the virtual bed or hangs over it: rails, hands, tools, offcuts, paper.

All of it hides what is below and throws a shadow on bed and plate. Nothing here knows how the
product looks for a plate.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from rig.model.units import FloatArray
from rig.virtual.scene_optics import Rays
from rig.virtual.scene_surfaces import Colour, Light, Occluder, Raster

_COARSE = 16  # samples between those at which it is first asked where a thing can be seen
_WALL_LAYERS = 5


@dataclass(frozen=True)
class Slab:
    """A block with a level top: an offcut, a rule, a sheet of paper.

    size_mm: along its own direction and across it; base_mm, top_mm: above the bed; grain: strength
    of streaks along it, 0 for none.
    """

    middle_mm: tuple[float, float]
    size_mm: tuple[float, float]
    turn_deg: float
    top_mm: float
    colour: Colour
    base_mm: float = 0.0
    grain: float = 0.0

    def across(self, x: Raster, y: Raster) -> tuple[Raster, Raster]:
        """Coordinates along and across the block, from its middle."""
        c, s = np.cos(np.deg2rad(self.turn_deg)), np.sin(np.deg2rad(self.turn_deg))
        dx, dy = x - self.middle_mm[0], y - self.middle_mm[1]
        return c * dx + s * dy, c * dy - s * dx


Thing = Occluder | Slab


def inside_mm(thing: Thing, x: Raster, y: Raster) -> Raster:
    """How far places lie within a thing seen from above, negative beside it."""
    if isinstance(thing, Slab):
        along, across = thing.across(x, y)
        gap = np.minimum(0.5 * thing.size_mm[0] - np.abs(along),
                         0.5 * thing.size_mm[1] - np.abs(across))  # fmt: skip
        return np.asarray(gap, dtype=np.float32)
    x0, y0 = thing.start_mm
    dx, dy = thing.end_mm[0] - x0, thing.end_mm[1] - y0
    along = np.clip(((x - x0) * dx + (y - y0) * dy) / max(dx * dx + dy * dy, 1e-9), 0.0, 1.0)
    gap = thing.radius_mm - np.hypot(x - x0 - along * dx, y - y0 - along * dy)
    return np.asarray(gap, dtype=np.float32)


def paint_things(
    things: Sequence[Thing],
    bundle: Rays,
    colour: Raster,
    light: Light,
    footprint_mm: float,
    evenness: Raster,
) -> None:
    """Paint things over what the rays met, in place; evenness: of the light, at bed height."""
    for thing in things:
        box = _box(thing, bundle)
        if box is None:
            continue
        part = Rays(bundle.eye_mm, bundle.x[box], bundle.y[box], bundle.z[box])
        canvas = colour[box]
        for height, shade in _layers(thing):
            x, y = part.meet_plane(height)
            inside = inside_mm(thing, x, y)
            cover = np.clip(0.5 + inside / footprint_mm, 0.0, 1.0)[:, :, None]
            own = np.full(inside.shape, shade, dtype=np.float32)
            if isinstance(thing, Slab):
                along, across = thing.across(x, y)
                own *= 1.0 + thing.grain * np.sin(2.1 * across + 0.8 * np.sin(0.05 * along))
            else:
                own *= 0.55 + 0.45 * np.clip(inside / thing.radius_mm, 0.0, 1.0)
            lit = (own * evenness[box])[:, :, None] * np.array(thing.colour, dtype=np.float32)
            canvas += cover * (lit * np.float32(light.level) - canvas)


def cast_shadow(things: Sequence[Thing], light: Light, x: Raster, y: Raster, z: Raster) -> Raster:
    """Part of the lamp's light that comes past all things to these places at heights z, 0…1."""
    towards = lamp_direction(light)
    throw = towards[:2] / max(float(towards[2]), 0.2)
    rows, columns = x.shape  # shadows are soft: every fourth sample will do
    few = (max(columns // 4, 2), max(rows // 4, 2))
    x, y, z = (
        np.asarray(cv2.resize(v.astype(np.float32), few, interpolation=cv2.INTER_AREA), np.float32)
        for v in (x, y, z)
    )
    lamp = np.ones_like(x)
    for thing in things:
        own = np.ones_like(lamp)
        for height, _ in _layers(thing):
            above = np.asarray(np.maximum(height - z, 0.0), dtype=np.float32)
            gap = -inside_mm(thing, x + np.float32(throw[0]) * above,
                             y + np.float32(throw[1]) * above)  # fmt: skip
            soft = np.clip(0.5 + gap / (0.3 * above + 2.0), 0.15, 1.0)
            own = np.minimum(own, np.where(above > 0.0, soft, 1.0))
        lamp *= own
    return np.asarray(cv2.resize(lamp, (columns, rows), interpolation=cv2.INTER_LINEAR))


def lamp_direction(light: Light) -> FloatArray:
    """Unit vector to the lamp, bed frame; (3,)."""
    towards = np.array(light.towards, dtype=np.float64)
    return np.asarray(towards / np.linalg.norm(towards))


def hand(tip_mm: FloatArray, away_deg: float, height_mm: float = 14.0) -> tuple[Occluder, ...]:
    """A hand that comes from this direction and holds the plate with its finger tips."""
    away = np.array([np.cos(np.deg2rad(away_deg)), np.sin(np.deg2rad(away_deg))])
    side = np.array([-away[1], away[0]])
    skin = (0.5, 0.3, 0.21)

    def limb(start: FloatArray, end: FloatArray, radius: float, up: float) -> Occluder:
        return Occluder((float(start[0]), float(start[1])), (float(end[0]), float(end[1])),
                        radius, up, skin)  # fmt: skip

    knuckles = tip_mm + 62.0 * away
    fingers = [
        limb(tip_mm + (19.0 * (k - 1.5)) * side + abs(k - 1.4) * 6.0 * away,
             knuckles + 17.0 * (k - 1.5) * side, 7.5, height_mm)
        for k in range(4)
    ]  # fmt: skip
    thumb = limb(tip_mm - 58.0 * side + 25.0 * away, knuckles - 30.0 * side + 40.0 * away, 9.0,
                 height_mm)  # fmt: skip
    palm = limb(knuckles + 12.0 * away, knuckles + 55.0 * away, 36.0, height_mm + 10.0)
    arm = limb(knuckles + 60.0 * away, knuckles + 420.0 * away, 29.0, height_mm + 25.0)
    return (*fingers, thumb, palm, arm)


def _layers(thing: Thing) -> Iterator[tuple[float, float]]:
    """Heights at which a thing is drawn, from below, and how light it is there."""
    if isinstance(thing, Occluder):
        yield thing.height_mm, 1.0
        return
    if thing.top_mm - thing.base_mm > 0.5:
        for height in np.linspace(thing.base_mm, thing.top_mm, _WALL_LAYERS)[:-1]:
            yield float(height), 0.55
    yield thing.top_mm, 1.0


def _box(thing: Thing, bundle: Rays) -> tuple[slice, slice] | None:
    """The part of the rays that may meet a thing."""
    coarse = np.s_[::_COARSE, ::_COARSE]
    few = Rays(bundle.eye_mm, bundle.x[coarse], bundle.y[coarse], bundle.z[coarse])
    seen = np.zeros(few.x.shape, dtype=bool)
    for height, _ in _layers(thing):
        x, y = few.meet_plane(height)
        step = np.hypot(np.gradient(x, axis=1), np.gradient(y, axis=1)) + np.hypot(
            np.gradient(x, axis=0), np.gradient(y, axis=0)
        )
        seen |= inside_mm(thing, x, y) > -1.5 * step
    rows, columns = np.nonzero(seen)
    if len(rows) == 0:
        return None
    return (
        slice(max((int(rows.min()) - 1) * _COARSE, 0), (int(rows.max()) + 2) * _COARSE),
        slice(max((int(columns.min()) - 1) * _COARSE, 0), (int(columns.max()) + 2) * _COARSE),
    )
