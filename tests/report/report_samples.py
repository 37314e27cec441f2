"""Invented plates, maps and comparisons as dataclasses, for the figures and pages."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from rig.model.outline import Outline
from rig.model.plate_facts import PlateFacts
from rig.model.reading import RingPartial
from rig.model.tone_map import (
    ChangeZone,
    Comparison,
    HighZone,
    PartialShift,
    ToneMap,
    WorkOrder,
)
from rig.model.units import FloatArray
from rig.plan import grid_plan
from rig.report.content import ChangeSection, FaceSection, ReportContent, ReportKind, ScanFacts
from rig.report.sheet import Paper
from rig.virtual.shapes import violin_outline


@dataclass(frozen=True)
class SampleSurface:
    """A field on a 1 mm grid."""

    x_mm: FloatArray
    y_mm: FloatArray
    cents: FloatArray
    sd_cents: FloatArray


ZONES = ((-45.0, 95.0, 110.0), (48.0, 285.0, 160.0), (20.0, 60.0, 85.0))


@lru_cache
def outline(*, sound_holes: bool = False) -> Outline:
    return violin_outline(sound_holes=sound_holes)


def grid(shape: Outline, spacing_mm: float = 9.0) -> FloatArray:
    low, high = shape.rim.min(axis=0), shape.rim.max(axis=0)
    x, y = np.meshgrid(
        np.arange(low[0], high[0], spacing_mm), np.arange(low[1], high[1], spacing_mm)
    )
    xy = np.column_stack([x.ravel(), y.ravel()])
    return xy[shape.contains(xy) & (shape.edge_distance_mm(xy) > 7.0)]


def bumps(xy: FloatArray) -> FloatArray:
    total = np.zeros(xy.shape[:-1])
    for x, y, height in ZONES:
        total += height * np.exp(-((xy[..., 0] - x) ** 2 + (xy[..., 1] - y) ** 2) / (2 * 18.0**2))
    return total


def graduation(xy: FloatArray) -> FloatArray:
    r2 = (xy[..., 0] / 105.0) ** 2 + ((xy[..., 1] - 175.0) / 180.0) ** 2
    return np.asarray(260.0 - 520.0 * r2)


def doubt(xy: FloatArray, shape: Outline) -> FloatArray:
    flat = xy.reshape(-1, 2)
    edge = shape.edge_distance_mm(flat).reshape(xy.shape[:-1])
    return np.asarray(18.0 + 40.0 * np.exp(-edge / 5.0))


def tone_map(shape: Outline, *, simulated: bool = True) -> ToneMap:
    return _tone_map(bool(shape.holes), simulated)


@lru_cache
def _tone_map(sound_holes: bool, simulated: bool) -> ToneMap:
    shape = outline(sound_holes=sound_holes)
    places = grid(shape)
    rng = np.random.default_rng(3)
    sd = doubt(places, shape)
    excess = bumps(places) + rng.normal(0, 9, len(places))
    tone = graduation(places) + excess
    tone -= np.median(tone)
    excess -= np.median(excess)
    return ToneMap(
        scan="S0001",
        face="outer",
        reading="local",
        estimator="wave fit",
        target="smooth graduation",
        taps=tuple(range(len(places))),
        places=places,
        tone_cents=tone,
        sd_cents=sd,
        excess_cents=excess,
        middle_hz=3120.0,
        evenness_cents=512.0,
        evenness_low_cents=495.0,
        evenness_high_cents=530.0,
        repeatability_cents=17.0,
        ring=ring(),
        reasons=("Within 16 mm of the edge the wave fit is less sure.",),
        simulated=simulated,
    )


def ring() -> tuple[RingPartial, ...]:
    return tuple(
        RingPartial(hz=hz, sd_hz=0.02 + hz / 20000, decay_s=0.09 - hz / 20000, level_db=-i * 2.5)
        for i, hz in enumerate((91.32, 148.75, 230.1, 262.93, 341.57, 377.8, 455.21, 520.66))
    )


def work_order(made: ToneMap) -> WorkOrder:
    zones = []
    for rank, (x, y, height) in enumerate(ZONES, start=1):
        near = np.hypot(made.places[:, 0] - x, made.places[:, 1] - y) < 22
        zones.append(
            HighZone(
                rank=rank,
                x_mm=x,
                y_mm=y,
                area_mm2=float(near.sum() * 81.0),
                excess_cents=height,
                excess_sd_cents=16.0,
                confidence=0.98,
                taps=tuple(np.flatnonzero(near).tolist()),
            )
        )
    return WorkOrder(
        scan=made.scan,
        starting_spot_mm=(4.0, 172.0),
        starting_spot_reason="nearest place to the middle that is already even",
        zones=tuple(zones),
        sentence="Three zones stand above their surroundings by more than chance explains.",
    )


def surface(shape: Outline, what: str = "tone", step_mm: float = 5.0) -> SampleSurface:
    return _surface(bool(shape.holes), what, step_mm)


@lru_cache
def _surface(sound_holes: bool, what: str, step_mm: float) -> SampleSurface:
    shape = outline(sound_holes=sound_holes)
    low, high = shape.rim.min(axis=0), shape.rim.max(axis=0)
    x = np.arange(low[0], high[0] + step_mm, step_mm)
    y = np.arange(low[1], high[1] + step_mm, step_mm)
    xy = np.stack(np.meshgrid(x, y), axis=-1)
    fields = {
        "tone": lambda: graduation(xy) + bumps(xy) - 60.0,
        "excess": lambda: bumps(xy) - 8.0,
        "change": lambda: (
            -120.0 * np.exp(-((xy[..., 0] - 30) ** 2 + (xy[..., 1] - 250) ** 2) / (2 * 20.0**2))
            + 6.0 * np.sin(xy[..., 0] / 17.0) * np.cos(xy[..., 1] / 23.0)
        ),
    }
    cents = fields[what]()
    sd = doubt(xy, shape)
    off = ~shape.contains(xy.reshape(-1, 2)).reshape(cents.shape)
    cents[off] = np.nan
    sd[off] = np.nan
    return SampleSurface(x, y, cents, sd)


def comparison(shape: Outline, *, simulated: bool = True) -> Comparison:
    places = grid(shape)
    change = -120.0 * np.exp(
        -((places[:, 0] - 30) ** 2 + (places[:, 1] - 250) ** 2) / (2 * 20.0**2)
    )
    shifts = tuple(
        PartialShift(p.hz, p.hz * (1 - 0.0012 * (i + 1)), -2.08 * (i + 1), 0.4)
        for i, p in enumerate(ring())
    )
    return Comparison(
        before="S0001",
        after="S0002",
        reading="local",
        estimator="wave fit",
        places=places,
        change_cents=change,
        sd_cents=doubt(places, shape),
        significant=tuple((change < -50).tolist()),
        zones=(ChangeZone(30.0, 250.0, 2300.0, -104.0, 14.0, 0.999),),
        ring=shifts,
        evenness_before_cents=512.0,
        evenness_after_cents=431.0,
        cautions=("Taken off the left or the right side alike, the partials cannot tell which.",),
        sentence="One region fell by more than chance explains: −104 ± 14 cents at x 30, y 250 mm.",
        simulated=simulated,
    )


def content(
    *,
    simulated: bool = True,
    kind: ReportKind = "technical",
    paper: Paper = "A4",
    compared: bool = True,
) -> ReportContent:
    shape = outline()
    made = tone_map(shape, simulated=simulated)
    face = FaceSection(
        facts=ScanFacts(
            scan="S0001",
            strength="light",
            spacing_mm=9.0,
            taps=len(made.taps),
            strikes=len(made.taps),
            superseded=3,
            bad=1,
            recorded_utc="2026-05-04T09:30:00Z",
            world="maple-graded" if simulated else None,
            conditions={"temperature_c": 20.5, "humidity_percent": 48.0},
            microphone_xyz_mm=(60.0, 40.0, 200.0),
            pose_sd_mm=0.12,
        ),
        tone_map=made,
        work_order=work_order(made),
        tone_surface=surface(shape),
        excess_surface=surface(shape, "excess"),
        plan=grid_plan(shape, face="outer", strength="light", spacing_mm=9.0),
    )
    change = ChangeSection(comparison(shape, simulated=simulated), surface(shape, "change"))
    return ReportContent(
        plate=PlateFacts(
            name="Lindgren back 7", instrument="violin", wood="maple", mass_g=118.5, arching_mm=15.0
        ),
        outline=shape,
        faces=(face,),
        change=change if compared else None,
        kind=kind,
        paper=paper,
        made_utc="2026-05-04T10:00:00Z",
    )
