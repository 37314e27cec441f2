"""Between the model's dataclasses and what the database holds."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import asdict, dataclass, fields
from typing import Any

import numpy as np

from rig.model.clip import Clip
from rig.model.errors import FolderDamagedError
from rig.model.frames import Pose
from rig.model.outline import Outline
from rig.model.plan import LeftOut, Plan, PlannedTap
from rig.model.plate_facts import Bar, PlateFacts
from rig.model.reading import ClipReading, RingPartial
from rig.model.scan_record import ScanState

FACT_COLUMNS = tuple(field.name for field in fields(PlateFacts))
READING_COLUMNS = (
    "onset_s", "tone_hz", "tone_sd_hz", "attack_hz", "attack_sd_cents", "contact_ms",
    "contact_sd_ms", "rebound_ratio", "level_db", "quality",
)  # fmt: skip


@dataclass(frozen=True)
class ScanSummary:
    """One line about a scan. taps_done: taps with every planned repeat stored and not replaced.

    strikes: used strikes; retakes: strikes that a later one replaced.
    """

    scan: str
    state: ScanState
    reason: str
    face: str
    strength: str
    spacing_mm: float
    taps_planned: int
    taps_done: int
    strikes: int
    retakes: int
    created_utc: str
    simulated: bool
    world: str | None
    seed: int | None
    plan_hash: str
    further_to: str | None = None  # the scan that this one adds taps to

    def as_json(self) -> dict[str, Any]:
        """Plain values, as `platerig check --json` prints them."""
        return {**asdict(self), "state": self.state.value}


@dataclass(frozen=True)
class Problem:
    """Something that is wrong: what, where, and what the user can do."""

    what: str
    where: str
    remedy: str

    def as_json(self) -> dict[str, str]:
        """Plain values."""
        return asdict(self)


@dataclass(frozen=True)
class StrikeTag:
    """What a recording says of itself in its own file, so that it can be adopted without a row."""

    scan: str
    tap: int
    repeat: int
    take: int
    x_mm: float
    y_mm: float
    face: str
    strength: str
    simulated: bool
    full_scale: int
    mic_channel: int
    pickup_channel: int | None
    strike_sample: int | None
    strike_speed_m_s: float | None
    rebound_ratio: float | None
    pulse_us: int | None
    pulse_time_us: int | None
    recorded_utc: str
    source: str | None = None

    def text(self) -> str:
        """One line of JSON for the comment of the sound file."""
        return json.dumps({"platerig": 1, **asdict(self)}, ensure_ascii=True)

    @classmethod
    def of_text(cls, text: str) -> StrikeTag | None:
        """Read the comment of a sound file; None when it is not ours or not complete."""
        try:
            values = json.loads(text)
            if values.pop("platerig") != 1:
                return None
            tag = cls(**values)
            if not (isinstance(tag.scan, str) and isinstance(tag.tap, int)):
                return None
            if not np.isfinite([float(tag.x_mm), float(tag.y_mm)]).all():
                return None
        except (ValueError, KeyError, TypeError, AttributeError):
            return None
        return tag


def to_text(value: Any) -> str:
    """JSON of a value that may hold numpy numbers; anything stranger as its text."""
    return json.dumps(value, default=lambda v: v.tolist() if hasattr(v, "tolist") else str(v))


def facts_of(row: sqlite3.Row) -> PlateFacts:
    """The plate row as facts."""
    values = {name: row[name] for name in FACT_COLUMNS}
    if values["arch_heights_mm"] is not None:
        points = json.loads(values["arch_heights_mm"])
        values["arch_heights_mm"] = tuple((float(x), float(y), float(z)) for x, y, z in points)
    if values["bars"] is not None:
        values["bars"] = tuple(
            Bar(**{**bar, "heights_mm": tuple(bar["heights_mm"])})
            for bar in json.loads(values["bars"])
        )
    return PlateFacts(**values)


def fact_columns(facts: PlateFacts) -> dict[str, Any]:
    """Every fact as its column keeps it: lists as JSON."""
    values = asdict(facts)
    for name in ("arch_heights_mm", "bars"):
        if values[name] is not None:
            values[name] = json.dumps(values[name])
    return values


def outline_to_text(outline: Outline) -> str:
    """Rim and holes as JSON, every coordinate exact."""
    return json.dumps([np.asarray(ring).tolist() for ring in (outline.rim, *outline.holes)])


def outline_of_text(text: str, where: str) -> Outline:
    """Rim and holes back from JSON."""
    rings = [np.array(ring, dtype=np.float64) for ring in json.loads(text)]
    return Outline.checked(rings[0], tuple(rings[1:]), where=where)


def plan_to_text(plan: Plan) -> str:
    """The whole plan as JSON; numbers keep their type, so that the hash survives."""
    return json.dumps(asdict(plan), sort_keys=True)


def plan_of_text(text: str, expected_hash: str, where: str) -> Plan:
    """The plan back from JSON; raises FolderDamagedError when it is not the plan that was saved."""
    values = json.loads(text)
    taps = tuple(PlannedTap(**tap) for tap in values.pop("taps"))
    left_out = tuple(LeftOut(**item) for item in values.pop("left_out"))
    plan = Plan(**values, taps=taps, left_out=left_out)
    if plan.hash() != expected_hash:
        raise FolderDamagedError(
            "The stored plan does not match its own fingerprint.",
            where=where,
            remedy="Start a new scan; the recordings of this one can still be read.",
        )
    return plan


def pose_of_text(text: str | None) -> Pose | None:
    """The pose back from JSON."""
    return None if text is None else Pose(**json.loads(text))


def reading_values(reading: ClipReading) -> tuple[Any, ...]:
    """Values for READING_COLUMNS, reasons and ring."""
    ring = [[p.hz, p.sd_hz, p.decay_s, p.level_db] for p in reading.ring]
    numbers = [getattr(reading, name) for name in READING_COLUMNS[:-1]]
    plain = [None if value is None else float(value) for value in numbers]
    return (*plain, reading.quality, json.dumps(list(reading.reasons)), json.dumps(ring))


def reading_of(row: sqlite3.Row) -> ClipReading:
    """A reading row as a reading."""
    values = {name: row[name] for name in READING_COLUMNS}
    ring = tuple(RingPartial(*(_number(v) for v in partial)) for partial in json.loads(row["ring"]))
    return ClipReading(**values, ring=ring, reasons=tuple(json.loads(row["reasons"])))


def clip_of(row: sqlite3.Row, samples: np.ndarray) -> Clip:
    """A strike row and its samples as a clip."""
    return Clip(
        samples=samples,
        sample_rate_hz=row["sample_rate_hz"],
        full_scale=row["full_scale"],
        mic_channel=row["mic_channel"],
        pickup_channel=row["pickup_channel"],
        strike_sample=row["strike_sample"],
        strike_speed_m_s=row["strike_speed_m_s"],
        rebound_ratio=row["rebound_ratio"],
    )


def _number(value: float | None) -> float:
    return float("nan") if value is None else float(value)
