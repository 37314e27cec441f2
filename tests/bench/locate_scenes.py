"""Scenes by lot for the bench of `locate`: plate, place, light, lens, and what hides the rim.

Drawn by lot from a seed; nothing here looks at what the product makes of a picture.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rig.model import polygon
from rig.model.frames import Face, PlateXY, Pose
from rig.model.outline import Outline
from rig.model.rig_settings import BedMarker, BedSettings, LensSettings, RigSettings
from rig.virtual.scene import render_scene
from rig.virtual.scene_optics import View, view_of_bed
from rig.virtual.scene_shapes import by_hand, cello_outline, guitar_outline, small_violin_outline
from rig.virtual.scene_surfaces import Light, Look, Occluder
from rig.virtual.scene_things import Slab, Thing, hand, inside_mm
from rig.virtual.settings import virtual_rig_settings
from rig.virtual.shapes import viola_outline, violin_outline

KINDS = ("plain", "hidden", "rail", "wooden bed", "glare", "clutter")
KIND_SHARES = (0.25, 0.25, 0.125, 0.125, 0.125, 0.125)
INSTRUMENTS = ("violin", "child's violin", "viola", "cello", "guitar")
INSTRUMENT_SHARES = (0.44, 0.08, 0.16, 0.16, 0.16)
MOST_HIDDEN = 0.20

BED_COLOURS = (
    (0.045, 0.075, 0.075),
    (0.02, 0.02, 0.022),
    (0.25, 0.25, 0.26),
    (0.05, 0.09, 0.22),
    (0.03, 0.13, 0.05),
    (0.55, 0.55, 0.53),
    (0.16, 0.05, 0.05),
    (0.30, 0.20, 0.11),  # brown, near to wood
)
WOODEN_BEDS = ((0.50, 0.34, 0.19), (0.62, 0.46, 0.27), (0.66, 0.53, 0.35), (0.38, 0.25, 0.13))


@dataclass(frozen=True)
class Scene:
    """Everything that is drawn by lot for one picture."""

    kind: str
    instrument: str
    outline: Outline
    stored: Outline  # as it was measured, which the product is given
    pose: Pose
    settings: RigSettings
    look: Look
    light: Light
    view: View
    things: tuple[Thing, ...]
    rim_height_mm: float
    missing: tuple[int, ...]
    blur_px: float
    seed: int

    def picture(self, **changes: object) -> np.ndarray:
        """(1080, 1920, 3) blue-green-red."""
        return render_scene(
            self.outline, self.pose, self.settings, rng=np.random.default_rng(self.seed),
            plate_look=self.look, light=self.light, view=self.view, occluders=self.things,
            rim_height_mm=self.rim_height_mm, missing_markers=self.missing, blur_px=self.blur_px,
            **changes,
        )  # fmt: skip

    def hidden(self) -> float:
        """Part of the rim that the camera cannot see because something stands before it."""
        return _hidden(self.outline, self.pose, self.view, self.things, self.rim_height_mm)

    def markers_in_view(self) -> int:
        """Markers whose label is neither taken away nor covered by the plate or a thing."""
        rim = self.pose.to_bed(self.outline.rim)
        eye = np.array(self.view.eye_mm)
        count = 0
        for marker in self.settings.bed.markers:
            if marker.id in self.missing:
                continue
            half = 0.5 * marker.size_mm * np.linspace(-1.0, 1.0, 7)
            x, y = np.meshgrid(marker.x_mm + half, marker.y_mm + half)
            xy = np.column_stack([x.ravel(), y.ravel()])
            over = xy + self.rim_height_mm / eye[2] * (eye[:2] - xy)
            hidden = polygon.contains(rim, over)
            for thing in self.things:
                heights = (
                    [thing.height_mm]
                    if isinstance(thing, Occluder)
                    else list(np.linspace(thing.base_mm, thing.top_mm, 5))
                )
                for height in heights:
                    at = xy + height / eye[2] * (eye[:2] - xy)
                    hidden |= inside_mm(thing, at[:, 0], at[:, 1]) > 0.0
            count += not bool(np.any(hidden))
        return count


def middle_of(outline: Outline) -> PlateXY:
    """Centroid of the rim's area, (1, 2)."""
    x, y = outline.rim[:, 0], outline.rim[:, 1]
    cross = x * np.roll(y, -1) - np.roll(x, -1) * y
    centroid = [
        np.sum((x + np.roll(x, -1)) * cross) / (3 * np.sum(cross)),
        np.sum((y + np.roll(y, -1)) * cross) / (3 * np.sum(cross)),
    ]
    return PlateXY(np.array([centroid]))


def large_bed() -> BedSettings:
    """A bed for cellos and guitars: 640 × 920 mm, eight markers."""
    places = [(x, y) for y in (38.0, 320.0, 600.0, 882.0) for x in (38.0, 602.0)]
    markers = tuple(BedMarker(n, x, y, 50.0) for n, (x, y) in enumerate(places))
    return BedSettings(640.0, 920.0, "DICT_4X4_50", markers)


def draw_scene(seed: int, kind: str | None = None, instrument: str | None = None) -> Scene:
    """One scene by lot."""
    rng = np.random.default_rng([20, seed])
    kind = kind or str(rng.choice(KINDS, p=KIND_SHARES))
    instrument = instrument or str(rng.choice(INSTRUMENTS, p=INSTRUMENT_SHARES))
    spruce = bool(rng.random() < 0.4)
    outline = by_hand(_pattern(instrument, spruce), rng)
    face: Face = "outer" if rng.random() < 0.5 else "inner"
    large = instrument in ("cello", "guitar")
    base = virtual_rig_settings()
    bed = large_bed() if large else base.bed
    lens = LensSettings(
        fx=(f := float(rng.uniform(1200, 1900))), fy=f * float(rng.uniform(0.995, 1.005)),
        cx=959.5 + float(rng.normal(0, 8)), cy=539.5 + float(rng.normal(0, 8)),
        k1=float(rng.uniform(-0.2, 0.05)), k2=float(rng.uniform(-0.02, 0.05)),
    )  # fmt: skip
    settings = replace(base, bed=bed, camera=replace(base.camera, lens=lens))
    pose = _pose(rng, outline, face, bed, any_way=instrument != "cello")
    look = Look(
        wood="spruce" if spruce else "maple",
        flame=float(rng.uniform(0.1, 1.2)),
        varnish=float(rng.choice([0.0, 0.0, 0.0, 0.6, 1.0])) if face == "outer" else 0.0,
        arching_mm=_arching(rng, instrument),
        edge_thickness_mm=float(rng.uniform(0.5, 2.9)),
        bed_colour=BED_COLOURS[int(rng.integers(len(BED_COLOURS)))],
    )
    light = _light(rng)
    view = view_of_bed(
        bed.width_mm, bed.depth_mm, lens, azimuth_deg=float(rng.uniform(0, 360)),
        tilt_deg=float(rng.uniform(5, 45)), roll_deg=float(rng.uniform(-8, 8)),
        spare=float(rng.uniform(1.0, 1.1)),
    )  # fmt: skip
    if kind == "wooden bed":
        look = replace(look, bed_colour=WOODEN_BEDS[int(rng.integers(len(WOODEN_BEDS)))],
                       bed_grain=float(rng.uniform(0.03, 0.12)))  # fmt: skip
    if kind == "glare":
        # a lamp that stands where its reflection meets the camera somewhere on the plate
        pose = replace(pose, face="outer")
        look, light = _glaring(rng, look, light, view, pose, outline)
    rim_height_mm = float(3.0 + rng.normal(0.0, 0.3))
    things: tuple[Thing, ...] = ()
    for _ in range(200):
        things = _things(rng, kind, outline, pose)
        part = _hidden(outline, pose, view, things, rim_height_mm)
        if (0.06 if kind == "hidden" else 0.0) <= part <= MOST_HIDDEN:
            break
    else:
        things = ()
    missing = tuple(
        int(m) for m in rng.permutation(len(bed.markers))[: int(rng.integers(0, 3))]
    )  # fmt: skip
    return Scene(
        kind, instrument, outline, _measured(outline, seed), pose, settings, look, light, view,
        things, rim_height_mm, missing, float(rng.uniform(0.4, 1.1)), seed,
    )  # fmt: skip


def _measured(outline: Outline, seed: int) -> Outline:
    """The outline as a careful hand takes it: 0.04 % wrong in size, 0.06 mm off here and there."""
    rng = np.random.default_rng([21, seed])
    size = 1.0 + rng.normal(0.0, 0.0004)
    middle = middle_of(outline)[0]

    def taken(ring: np.ndarray) -> np.ndarray:
        step = np.roll(ring, -1, axis=0) - ring
        along = np.cumsum(np.hypot(*step.T))
        tangent = np.roll(ring, -1, axis=0) - np.roll(ring, 1, axis=0)
        tangent /= np.hypot(*tangent.T)[:, None]
        off = np.zeros(len(ring))
        for waves in range(2, 30):  # down to some 35 mm on a violin
            phase = rng.uniform(0.0, 2.0 * np.pi)
            off += rng.normal(0.0, 1.0) * np.cos(2 * np.pi * waves * along / along[-1] + phase)
        off *= 0.06 / max(float(np.std(off)), 1e-9)
        normal = np.column_stack([tangent[:, 1], -tangent[:, 0]])
        return middle + size * (ring - middle) + off[:, None] * normal

    holes = tuple(middle + size * (hole - middle) for hole in outline.holes)
    return Outline.checked(taken(outline.rim), holes, where="virtual outline")


def _pattern(instrument: str, spruce: bool) -> Outline:
    if instrument == "child's violin":
        return small_violin_outline()
    if instrument == "viola":
        return viola_outline()
    if instrument == "cello":
        return cello_outline()
    if instrument == "guitar":
        return guitar_outline(sound_hole=spruce)
    return violin_outline(sound_holes=spruce)


def _arching(rng: np.random.Generator, instrument: str) -> float:
    low, high = {"cello": (20.0, 28.0), "guitar": (0.5, 5.0)}.get(instrument, (10.0, 17.0))
    return float(rng.uniform(low, high))


def _pose(
    rng: np.random.Generator, outline: Outline, face: Face, bed: BedSettings, *, any_way: bool
) -> Pose:
    """Anywhere on the bed, or, where it only fits along it, nearly upright either way."""
    for _ in range(500):
        angle = float(rng.uniform(-180.0, 180.0))
        if not any_way:
            angle = float(rng.choice([0.0, 180.0]) + rng.uniform(-9.0, 9.0))
        reach = 0.1 * np.array([bed.width_mm, bed.depth_mm])
        middle = 0.5 * np.array([bed.width_mm, bed.depth_mm]) + rng.uniform(-reach, reach)
        turned = Pose(0.0, 0.0, angle, face)
        x, y = middle - turned.to_bed(middle_of(outline))[0]
        pose = Pose(float(x), float(y), (angle + 180.0) % 360.0 - 180.0, face)
        rim = pose.to_bed(outline.rim)
        if rim.min() > 4.0 and np.all(rim.max(axis=0) < [bed.width_mm - 4, bed.depth_mm - 4]):
            return pose
    raise RuntimeError("this plate does not fit on this bed")


def _light(rng: np.random.Generator) -> Light:
    away = rng.uniform(0.0, 2 * np.pi)
    low = rng.uniform(0.3, 0.9)
    return Light(
        towards=(float(low * np.cos(away)), float(low * np.sin(away)), 0.8),
        sky=float(rng.uniform(0.25, 0.7)),
        level=float(rng.uniform(0.35, 1.1)),
        slope=(float(rng.uniform(-0.9, 0.9)), float(rng.uniform(-0.9, 0.9))),
        spot_mm=(float(rng.uniform(0, 500)), float(rng.uniform(0, 600))),
        spot_width_mm=float(rng.uniform(250, 700)),
        spot_strength=float(rng.uniform(0.0, 0.6)),
        shadows=tuple(
            (float(rng.uniform(0, 500)), float(rng.uniform(0, 600)), float(rng.uniform(0, 180)),
             float(rng.uniform(10, 60)), float(rng.uniform(0.2, 0.6)))
            for _ in range(int(rng.integers(0, 3)))
        ),
    )  # fmt: skip


def _glaring(
    rng: np.random.Generator, look: Look, light: Light, view: View, pose: Pose, outline: Outline
) -> tuple[Look, Light]:
    spot = pose.to_bed(PlateXY(middle_of(outline) + rng.uniform(-60.0, 60.0, size=2)))[0]
    to_eye = np.array(view.eye_mm) - np.array([*spot, 3.0])
    to_eye /= np.linalg.norm(to_eye)
    towards = (-float(to_eye[0]), -float(to_eye[1]), float(to_eye[2]))
    look = replace(
        look, varnish=float(rng.uniform(0.7, 1.0)), gloss=float(rng.uniform(1.0, 4.0)),
        gloss_power=float(rng.uniform(150.0, 1500.0)),
    )  # fmt: skip
    return look, replace(light, towards=towards, sky=float(rng.uniform(0.25, 0.5)))


def _things(rng: np.random.Generator, kind: str, outline: Outline, pose: Pose) -> tuple[Thing, ...]:
    """What lies about in a scene of this kind."""
    rim = pose.to_bed(outline.rim)
    if kind == "rail":
        at = rim[int(rng.integers(len(rim)))]
        y = float(at[1] + rng.uniform(-20.0, 20.0))
        grey = float(rng.uniform(0.1, 0.5))
        return (Occluder((-300.0, y), (1000.0, y + float(rng.uniform(-8, 8))),
                         float(rng.uniform(9.0, 17.0)), float(rng.uniform(45.0, 90.0)),
                         (grey, grey, grey * 1.03)),)  # fmt: skip
    if kind == "hidden":
        made: list[Thing] = []
        for _ in range(int(rng.integers(1, 5))):
            made.extend(_one(rng, rim, touching=False))
        return tuple(made)
    if kind == "clutter":
        made = []
        for _ in range(int(rng.integers(2, 5))):
            made.extend(_one(rng, rim, touching=True))
        return tuple(made)
    if kind in ("wooden bed", "glare") and rng.random() < 0.3:
        return _one(rng, rim, touching=False)
    return ()


def _one(rng: np.random.Generator, rim: np.ndarray, *, touching: bool) -> tuple[Thing, ...]:
    """One thing at the rim: reaching over it, or lying against it."""
    k = int(rng.integers(len(rim)))
    at, tangent = rim[k], rim[(k + 3) % len(rim)] - rim[k - 3]
    tangent = tangent / np.hypot(*tangent)
    out = np.array([tangent[1], -tangent[0]])
    if np.dot(out, at - rim.mean(axis=0)) < 0.0:
        out = -out
    deg = float(np.rad2deg(np.arctan2(tangent[1], tangent[0])))
    wood = tuple(float(rng.uniform(0.85, 1.15)) * c for c in (0.56, 0.38, 0.2))
    if touching:
        what = str(rng.choice(["offcut", "rule", "paper", "tool"]))
    else:
        what = str(rng.choice(["hand", "tool", "weight", "paper over"]))
    if what == "hand":
        away = float(np.rad2deg(np.arctan2(out[1], out[0]))) + float(rng.uniform(-40, 40))
        return hand(at - float(rng.uniform(5.0, 35.0)) * out, away)
    if what == "weight":
        middle = at - float(rng.uniform(-3.0, 8.0)) * out
        grey = float(rng.uniform(0.04, 0.5))
        return (Slab(_pair(middle), (float(rng.uniform(18, 40)),) * 2, float(rng.uniform(0, 90)),
                     25.0, (grey, grey, grey), base_mm=3.0),)  # fmt: skip
    if what == "paper over":
        middle = at + float(rng.uniform(8.0, 25.0)) * out
        return (Slab(_pair(middle), (float(rng.uniform(30, 90)), 60.0),
                     deg + float(rng.uniform(-25, 25)), 5.2, (0.8, 0.8, 0.78), base_mm=5.0),
                )  # fmt: skip
    if what == "tool":
        tip, end = at + 2.0 * out, at + 150.0 * tangent + float(rng.uniform(20, 90)) * out
        blade = at + 0.45 * (end - at)
        return (Occluder(_pair(tip), _pair(blade), 2.5, 3.0, (0.35, 0.36, 0.38)),
                Occluder(_pair(blade), _pair(end), 9.0, 9.0, (0.45, 0.2, 0.06)))  # fmt: skip
    # lies on the bed against the rim: its near side touches or nearly touches the plate
    turn = deg + float(rng.uniform(-12.0, 12.0))
    if what == "offcut":
        size = (float(rng.uniform(40, 120)), float(rng.uniform(20, 45)))
        top, colour, grain = float(rng.uniform(2.0, 20.0)), wood, 0.08
    elif what == "rule":
        size, top, colour, grain = (150.0, 25.0), 1.0, (0.55, 0.56, 0.58), 0.0
    else:
        size, top, colour, grain = (120.0, 80.0), 0.2, (0.78, 0.77, 0.74), 0.0
    middle = at + (0.5 * size[1] + float(rng.uniform(0.0, 3.0))) * out
    return (Slab(_pair(middle), size, turn, top, colour, grain=grain),)  # type: ignore[arg-type]


def _hidden(
    outline: Outline, pose: Pose, view: View, things: tuple[Thing, ...], rim_height_mm: float
) -> float:
    """Part of the rim before which something stands, by rays from the eye to 400 places."""
    rim = pose.to_bed(outline.rim)
    step = np.roll(rim, -1, axis=0) - rim
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*step.T))])
    closed = np.vstack([rim, rim[:1]])
    s = np.linspace(0.0, along[-1], 400, endpoint=False)
    xy = np.column_stack([np.interp(s, along, closed[:, i]) for i in range(2)])
    eye = np.array(view.eye_mm)
    hidden = np.zeros(len(xy), dtype=bool)
    for thing in things:
        if isinstance(thing, Occluder):
            heights = [thing.height_mm]
        else:
            heights = list(np.linspace(thing.base_mm, thing.top_mm, 5))
        for height in heights:
            if height < rim_height_mm:
                continue
            part = (height - rim_height_mm) / (eye[2] - rim_height_mm)
            at = xy + part * (eye[:2] - xy)
            hidden |= inside_mm(thing, at[:, 0], at[:, 1]) > 0.0
    return float(np.mean(hidden))


def _pair(place: np.ndarray) -> tuple[float, float]:
    return float(place[0]), float(place[1])
