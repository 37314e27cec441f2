"""What a report is made of; gathered by the job, laid out by `document`."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, field, is_dataclass
from typing import Any, Literal

import numpy as np

from rig.field.plate_modes import PlateModes
from rig.model.frames import Face, Strength
from rig.model.outline import Outline
from rig.model.plan import Plan
from rig.model.plate_facts import PlateFacts
from rig.model.thickness import ThicknessReadings
from rig.model.tone_map import Comparison, ToneMap, WorkOrder
from rig.report.hand_figure import HandSection
from rig.report.plate_drawing import SurfaceLike
from rig.report.sheet import Paper
from rig.report.words import true_minus
from rig.report.writer import Photograph

ReportKind = Literal["bench", "owner", "class", "technical"]


@dataclass(frozen=True)
class ScanFacts:
    """How one scan was made."""

    scan: str
    strength: Strength
    spacing_mm: float
    taps: int
    strikes: int
    superseded: int
    bad: int
    recorded_utc: str | None = None
    world: str | None = None
    conditions: dict[str, float] = field(default_factory=dict)
    microphone_xyz_mm: tuple[float, float, float] | None = None
    pose_sd_mm: float | None = None
    notes: tuple[str, ...] = ()
    calibration: tuple[str, ...] = ()  # what held of the rig's calibrations, and what did not
    rig: tuple[tuple[str, str], ...] = ()  # the rig, and each calibration record with its age


@dataclass(frozen=True)
class FaceSection:
    """One scan as a map, with its surfaces on a grid for drawing.

    earlier: the plate as it was before a change; shown for comparison, no work is ordered by it.
    """

    facts: ScanFacts
    tone_map: ToneMap
    work_order: WorkOrder
    tone_surface: SurfaceLike
    excess_surface: SurfaceLike
    plan: Plan | None = None
    earlier: bool = False
    smallest: str = ""  # the smallest change that means something, or that it is not known


@dataclass(frozen=True)
class ChangeSection:
    """A comparison of two scans, with its surface."""

    comparison: Comparison
    surface: SurfaceLike


@dataclass(frozen=True)
class ModesSection:
    """The modes of one scan; alike: of each, the likeness to its partner in the scan `against`."""

    modes: PlateModes
    alike: tuple[float | None, ...] | None = None
    against: str | None = None

    def numbers(self) -> list[Any]:
        """What is printed of them."""
        return [self.modes.scan, self.against, self.alike, self.modes.modes]


@dataclass(frozen=True)
class ThicknessSection:
    """The newest caliper readings of the plate; zones: what they say of each high zone, in order.

    cautions: where readings and scan are of different days.
    """

    readings: ThicknessReadings
    zones: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class ReportContent:
    """Everything that is printed. At least one face or a change."""

    plate: PlateFacts
    outline: Outline
    faces: tuple[FaceSection, ...] = ()
    change: ChangeSection | None = None
    modes: ModesSection | None = None
    hand: HandSection | None = None
    thickness: ThicknessSection | None = None
    photographs: tuple[Photograph, ...] = ()  # one of each scan that has one, in their order
    kind: ReportKind = "technical"
    paper: Paper = "A4"
    true_size: Face | None = None  # which face is up on the sheets at true size; None: no such
    made_utc: str = ""
    cautions: tuple[str, ...] = ()  # on what is shown and what could not be
    missing: tuple[str, ...] = ()  # what this kind of report would show if the folder held it

    @property
    def shown(self) -> FaceSection:
        """The scan that the report is about."""
        return self.faces[0]

    @property
    def other_face(self) -> FaceSection | None:
        """The other face's map, where there is one."""
        others = [f for f in self.faces if f.tone_map.face != self.shown.tone_map.face]
        return others[0] if others else None

    @property
    def before(self) -> FaceSection | None:
        """The same face before the change, where there is one."""
        return next((face for face in self.faces if face.earlier), None)

    @property
    def simulated(self) -> bool:
        """Whether any scan in it was made on the virtual rig."""
        in_change = self.change is not None and self.change.comparison.simulated
        by_hand = self.hand is not None and self.hand.simulated
        return in_change or by_hand or any(face.tone_map.simulated for face in self.faces)

    def sentences(self) -> tuple[str, ...]:
        """The findings in plain words."""
        found = [
            f"Scan {face.tone_map.scan}, {face.tone_map.face} face: {face.work_order.sentence}"
            for face in self.faces
            if not face.earlier
        ]
        if self.change is not None:
            comparison = self.change.comparison
            found.append(f"{comparison.before} to {comparison.after}: {comparison.sentence}")
        if self.hand is not None:
            found.append(f"Hand ({self.hand.name}): {self.hand.agreement.sentence}")
        return tuple(true_minus(sentence) for sentence in found)

    def content_hash(self) -> str:
        """SHA-256 of the numbers and facts printed, by which two reports can be compared."""
        numbers = {
            "plate": asdict(self.plate),
            "rim": self.outline.rim,
            "holes": list(self.outline.holes),
            "faces": [
                {"facts": f.facts, "map": f.tone_map, "work_order": f.work_order}
                for f in self.faces
            ],
            "change": None if self.change is None else self.change.comparison,
            "modes": None if self.modes is None else self.modes.numbers(),
            "hand": None if self.hand is None else self.hand.numbers(),
            "thickness": self.thickness,
        }
        text = json.dumps(numbers, sort_keys=True, default=_for_hash)
        return hashlib.sha256(text.encode()).hexdigest()


def _for_hash(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        return {name: getattr(value, name) for name in value.__dataclass_fields__}
    if isinstance(value, np.ndarray):
        return np.round(value.astype(np.float64), 6).tolist()
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"{type(value).__name__} has no place in a report's hash")
