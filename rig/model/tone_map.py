"""Maps over the plate, high zones and comparisons. Pitch differences in cents throughout."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from rig.model.frames import Face, PlateXY
from rig.model.reading import RingPartial
from rig.model.units import FloatArray

ReadingKind = Literal["local", "attack", "contact", "rebound"]
TargetKind = Literal[
    "flat", "smooth graduation", "mirror side", "other face", "earlier scan", "drawn profile"
]
CompareKind = Literal["change", "faces", "strengths", "rigs", "plates"]
Verdict = Literal["good", "use with care", "refused"]


@dataclass(frozen=True)
class TapTone:
    """What an estimator of a per-place reading hands over, whichever estimator it was.

    tone_hz: (n,) absolute values, only their differences are claimed; sd_cents: (n,) one
    standard deviation of each value against the truth; repeatability_cents: scatter to expect
    between two scans of the same untouched plate, None where it cannot be told.
    """

    reading: ReadingKind
    estimator: str
    taps: tuple[int, ...]
    places: PlateXY
    tone_hz: FloatArray
    sd_cents: FloatArray
    repeatability_cents: float | None
    verdict: Verdict = "good"
    reasons: tuple[str, ...] = ()
    misfit: float | None = None
    constants: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Patch:
    """A round patch above (or below) the graduation around it.

    height_cents: at its middle, with its standard deviation; width_mm: at half height;
    confidence 0…1: probability that chance alone would not show as much anywhere on the plate.
    """

    x_mm: float
    y_mm: float
    width_mm: float
    height_cents: float
    sd_cents: float
    confidence: float

    @property
    def z(self) -> float:
        """Height against its doubt."""
        return self.height_cents / self.sd_cents


@dataclass(frozen=True)
class ToneMap:
    """The field over the plate, in cents against the scan's own middle value.

    excess_cents: (n,) tone above the named target, NaN where the target says nothing; evenness:
    5 % to 95 % spread of tone_cents. target_from: the scan or file that the target comes from;
    target_sd_cents: (n,) its own doubt, None where it has none, alike over target_length_mm.
    """

    scan: str
    face: Face
    reading: ReadingKind
    estimator: str
    target: TargetKind
    taps: tuple[int, ...]
    places: PlateXY
    tone_cents: FloatArray
    sd_cents: FloatArray
    excess_cents: FloatArray
    middle_hz: float
    evenness_cents: float
    evenness_low_cents: float  # 90 % confidence interval of the evenness
    evenness_high_cents: float
    repeatability_cents: float | None
    ring: tuple[RingPartial, ...]
    verdict: Verdict = "good"
    reasons: tuple[str, ...] = ()
    misfit: float | None = None
    simulated: bool = False
    patches: tuple[Patch, ...] = ()  # what stands out of a smooth graduation, high and low
    target_from: str | None = None
    target_sd_cents: FloatArray | None = None
    target_length_mm: float = 0.0
    target_notes: tuple[str, ...] = ()

    @property
    def excess_sd_cents(self) -> FloatArray:
        """Doubt (n,) of the excess: of the tone and of the target together."""
        if self.target_sd_cents is None:
            return self.sd_cents
        return np.hypot(self.sd_cents, self.target_sd_cents)

    @property
    def target_name(self) -> str:
        """The target with the scan or file it comes from: `earlier scan S0001`."""
        return f"{self.target} {self.target_from}" if self.target_from else self.target


@dataclass(frozen=True)
class HighZone:
    """A connected region whose tone is above target by more than chance allows."""

    rank: int  # place in the work order, from 1
    x_mm: float
    y_mm: float
    area_mm2: float
    excess_cents: float
    excess_sd_cents: float
    confidence: float  # 0…1: probability that this is no chance peak
    taps: tuple[int, ...]


@dataclass(frozen=True)
class WorkOrder:
    """High zones from the starting spot near the middle outwards."""

    scan: str
    starting_spot_mm: tuple[float, float] | None
    starting_spot_reason: str
    zones: tuple[HighZone, ...]
    sentence: str  # the finding in plain words
    smallest_change_cents: float | None = None  # that the rig can tell apart; None: not studied


@dataclass(frozen=True)
class PartialShift:
    """A ring partial found in both scans."""

    before_hz: float
    after_hz: float
    change_cents: float
    sd_cents: float


@dataclass(frozen=True)
class ChangeZone:
    """A connected region of significant change; negative change: the tone fell."""

    x_mm: float
    y_mm: float
    area_mm2: float
    change_cents: float
    sd_cents: float
    confidence: float


@dataclass(frozen=True)
class Agreement:
    """How well two maps agree, place by place, each against its own middle.

    limits_cents: 95 % of the differences lie within ± this (J. M. Bland & D. G. Altman, Lancet
    1986; i: 307-310); expected_cents: what the doubts alone would give; rank: Spearman's rank
    correlation of the two maps, None where they were not read independently.
    """

    limits_cents: float
    expected_cents: float
    rank: float | None = None


@dataclass(frozen=True)
class Comparison:
    """After minus before, at places of the plate frame.

    kind: what differs between the scans. evenness_change_sd_cents: doubt of the change of
    evenness. level_cents: how much higher the second map's middle is, where two rigs or plates
    are compared. agreement: None for a change by work.
    """

    before: str
    after: str
    reading: ReadingKind
    estimator: str
    places: PlateXY
    change_cents: FloatArray
    sd_cents: FloatArray
    significant: tuple[bool, ...]
    zones: tuple[ChangeZone, ...]
    ring: tuple[PartialShift, ...]
    evenness_before_cents: float
    evenness_after_cents: float
    cautions: tuple[str, ...]
    sentence: str
    simulated: bool = False
    smallest_change_cents: float | None = None  # that the rig can tell apart; None: not studied
    kind: CompareKind = "change"
    evenness_change_sd_cents: float | None = None
    level_cents: float | None = None
    agreement: Agreement | None = None
