"""Virtual worlds by name, and the voice of the plate in them."""

from __future__ import annotations

import difflib
from dataclasses import replace
from functools import cache

import numpy as np

from rig.model.errors import UnknownWorldError
from rig.model.frames import Face, Pose
from rig.model.plate_facts import Bar, PlateFacts
from rig.virtual.faults import FaultSpec
from rig.virtual.plate.bars import GluedBar
from rig.virtual.plate.spec import Arching, Graduation, PlateSpec, Zone
from rig.virtual.plate.wood import MAPLE, SPRUCE
from rig.virtual.shapes import violin_outline
from rig.virtual.sound import Room
from rig.virtual.tapping import Hammer
from rig.virtual.voice import PlateVoice, StrikeSound, wood_seed
from rig.virtual.world_spec import (
    MIC_FULL_SCALE_PA,
    PICKUP_FULL_SCALE_N,
    PlateLook,
    WorldSpec,
)

__all__ = [
    "MIC_FULL_SCALE_PA",
    "PICKUP_FULL_SCALE_N",
    "WORLD_NAMES",
    "PlateVoice",
    "StrikeSound",
    "WorldSpec",
    "build_voice",
    "wood_seed",
    "world_spec",
]

_PLANTED = (
    Zone(-47.0, 88.0, 60.0, 0.50),
    Zone(38.0, 126.0, 58.0, 0.48),
    Zone(-14.0, 208.0, 60.0, 0.52),
    Zone(33.0, 291.0, 62.0, 0.50),
)
_CARVE = Zone(-47.0, 88.0, 58.0, -0.45)


def _maple_graded() -> WorldSpec:
    return WorldSpec(
        name="maple-graded",
        title="Graded maple back, four zones left too thick",
        description=(
            "An arched maple back, graded from 4.5 mm in the middle to about 2.6 mm near the "
            "edge, its stiffness scattered by 3 %; four zones stand about 0.5 mm too thick."
        ),
        plate=PlateSpec(
            wood=MAPLE,
            outline=violin_outline(),
            graduation=Graduation(middle_mm=4.4, edge_mm=2.1, reach_mm=(60.0, 94.0)),
            zones=_PLANTED,
            arching=Arching(12.5),
        ),
        wood_family="maple back one",
        planted=_PLANTED,
        look=PlateLook("maple", flame=0.6),
        facts=PlateFacts(
            name="maple back",
            instrument="violin",
            wood="maple",
            arching_mm=12.5,
            temperature_c=20.0,
            humidity_percent=45.0,
        ),
    )


def _maple_regraduated() -> WorldSpec:
    before = _maple_graded()
    return replace(
        before,
        name="maple-regraduated",
        title="The same maple back after one zone was carved",
        description=(
            "The back of maple-graded after 0.45 mm were taken off over 58 mm in its lower left; "
            "laid down again 15 mm and 4° away, on a slightly warmer day."
        ),
        plate=replace(before.plate, zones=(*_PLANTED, _CARVE), temperature_c=21.5),
        planted=_PLANTED[1:],
        carved=(_CARVE,),
        outer_pose=Pose(262.0, 113.5, 4.0, "outer"),
        facts=replace(before.facts, temperature_c=21.5, humidity_percent=43.0),
        humidity_percent=43.0,
    )


def _maple_even() -> WorldSpec:
    graded = _maple_graded()
    return replace(
        graded,
        name="maple-even",
        title="Evenly graded maple back",
        description="A maple back whose graduation is smooth: the control, with nothing to find.",
        plate=replace(graded.plate, zones=()),
        wood_family="maple back two",
        planted=(),
    )


def _without_pickup() -> WorldSpec:
    return replace(
        _maple_graded(),
        name="maple-graded-no-pickup",
        title="Graded maple back, microphone only",
        description="The plate of maple-graded under a hammer without pickup or speed gate.",
        has_pickup=False,
        has_gate=False,
    )


def _in_a_room() -> WorldSpec:
    return replace(
        _maple_graded(),
        name="maple-graded-room",
        title="Graded maple back in a live room",
        description="The plate of maple-graded in a room with echoes and 0.3 s of reverberation.",
        room=Room(),
    )


def _spruce_top() -> WorldSpec:
    planted = (Zone(-36.0, 70.0, 58.0, 0.40), Zone(34.0, 287.0, 56.0, 0.40))
    return WorldSpec(
        name="spruce-top",
        title="Spruce top with sound holes, two zones left too thick",
        description=(
            "An arched spruce top with sound holes, 3.2 mm in the middle and 2.4 mm near the edge, "
            "soft in shear across the grain; two zones stand 0.4 mm too thick."
        ),
        plate=PlateSpec(
            wood=SPRUCE,
            outline=violin_outline(sound_holes=True),
            graduation=Graduation(middle_mm=3.2, edge_mm=2.2),
            zones=planted,
            arching=Arching(14.5),
            mesh_mm=14.5,
        ),
        wood_family="spruce top one",
        planted=planted,
        hammer=Hammer(mass_kg=0.4e-3),
        look=PlateLook("spruce", flame=0.0),
        facts=PlateFacts(
            name="spruce top",
            instrument="violin",
            wood="spruce",
            arching_mm=14.5,
            temperature_c=20.0,
            humidity_percent=45.0,
        ),
    )


def _barred_top() -> WorldSpec:
    plain = _spruce_top()
    bar = GluedBar((-17.0, 52.0), (-20.5, 318.0), middle_mm=11.0, end_mm=3.0, width_mm=5.5)
    plate = replace(plain.plate, bars=(bar,))
    share = np.linspace(0.0, 1.0, 9)
    told = tuple(round(float(height), 1) for height in bar.height_mm(share))
    return replace(
        plain,
        name="spruce-top-barred",
        title="The spruce top with its bass bar glued in",
        description=(
            "The top of spruce-top with a bass bar, 11 mm high in its middle, glued inside; the "
            "bar and the arch's measured heights are told."
        ),
        plate=plate,
        facts=replace(
            plain.facts,
            name="spruce top with bar",
            arch_heights_mm=_gauged(plate),
            bars=(Bar(*bar.start_mm, *bar.end_at_mm, told, bar.width_mm, "spruce"),),
        ),
    )


def _gauged(plate: PlateSpec) -> tuple[tuple[float, float, float], ...]:
    """Heights of the outer surface above the rim every 25 mm, to 0.1 mm as a gauge shows them."""
    x, y = np.meshgrid(np.arange(-100.0, 101.0, 25.0), np.arange(5.0, 351.0, 25.0))
    places = np.column_stack([x.ravel(), y.ravel()])
    places = places[plate.outline.contains(places)]
    rim = 0.5 * plate.graduation.edge_mm
    heights = plate.arching.at(places) + 0.5 * plate.thickness_mm(places) - rim
    return tuple(
        (float(px), float(py), round(float(z), 1))
        for (px, py), z in zip(places, heights, strict=True)
    )


def _faulty_rig() -> WorldSpec:
    return replace(
        _maple_graded(),
        name="faulty-rig",
        title="The graded maple back on a rig with many faults",
        description=(
            "The plate of maple-graded on a rig that loses and garbles replies, strikes twice or "
            "not at all, clips, drops sound samples and hides a bed marker."
        ),
        faults=FaultSpec(
            line_lost=0.02,
            line_garbled=0.02,
            line_doubled=0.01,
            line_delayed=0.01,
            strike_missed=0.04,
            strike_double=0.05,
            strike_clipped=0.03,
            sound_overflow=0.02,
            marker_missing=1,
        ),
    )


def _crooked_gantry() -> WorldSpec:
    return replace(
        _maple_even(),
        name="crooked-gantry",
        title="The even maple back under a gantry that is not true",
        description=(
            "The plate of maple-even under a gantry whose X axis is 0.3 % long, whose Y axis leans "
            "by 0.2° and whose hammer sits 0.5 mm aside: to be corrected by its calibration."
        ),
        faults=FaultSpec(
            gantry_scale=(1.003, 1.0), gantry_skew_deg=0.2, gantry_offset_mm=(0.5, 0.0)
        ),
    )


def _slipping_plate() -> WorldSpec:
    return replace(
        _maple_even(),
        name="slipping-plate",
        title="The even maple back, which slips during the scan",
        description=(
            "The plate of maple-even on supports that are too smooth: at its thirtieth strike it "
            "slips by 1.5 mm."
        ),
        faults=FaultSpec(slip_after=30, slip_mm=(1.2, -0.9)),
    )


def _empty_bed() -> WorldSpec:
    return replace(
        _maple_even(),
        name="empty-bed",
        title="A bed with no plate on it",
        description="Nothing lies on the bed: there is no plate to find or to strike.",
        has_plate=False,
    )


_MAKERS = {
    "maple-graded": _maple_graded,
    "maple-regraduated": _maple_regraduated,
    "maple-even": _maple_even,
    "maple-graded-no-pickup": _without_pickup,
    "maple-graded-room": _in_a_room,
    "spruce-top": _spruce_top,
    "spruce-top-barred": _barred_top,
    "faulty-rig": _faulty_rig,
    "crooked-gantry": _crooked_gantry,
    "slipping-plate": _slipping_plate,
    "empty-bed": _empty_bed,
}
WORLD_NAMES: tuple[str, ...] = tuple(_MAKERS)


@cache
def _made(name: str) -> WorldSpec:
    return _MAKERS[name]()


def world_spec(name: str) -> WorldSpec:
    """The world of this name; raises UnknownWorldError naming the nearest and listing all."""
    if name not in _MAKERS:
        near = difflib.get_close_matches(name, WORLD_NAMES, n=1, cutoff=0.3)
        hint = f"Did you mean {near[0]!r}? " if near else ""
        raise UnknownWorldError(
            f"There is no virtual world called {name!r}.",
            remedy=f"{hint}The worlds are: {', '.join(WORLD_NAMES)}.",
        )
    return _made(name)


def build_voice(
    spec: WorldSpec, seed: int, *, face: Face = "outer", pose: Pose | None = None
) -> PlateVoice:
    """The struck plate of a world with this face up, in this pose (None: the world's own).

    Solves the plate (seconds) unless the same plate was solved before (see plate/store.py).
    The wood depends on `seed` only through `wood_seed(spec, seed)`.
    """
    return PlateVoice(spec, seed, face, pose)
