"""The verb group `hand`: what the maker's own hand and ear found, read and kept with the plate."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.model.errors import AnalysisError, FolderInUseError, UsageError
from rig.model.frames import Face
from rig.model.progress import Progress, ProgressEvent, silent

if TYPE_CHECKING:
    from rig.archive.hand_store import HandRecord
    from rig.model.hand_map import HandMap
    from rig.model.outline import Outline
    from rig.model.units import FloatArray

_USUAL_ARCH_MM = 13.0  # of a violin plate whose arching nobody noted; common practice, no source


@dataclass(frozen=True)
class StoredPlate:
    """What the plate folder knows: outline (None: none of its own), arching, whether virtual."""

    outline: Outline | None
    arching_mm: float | None
    simulated: bool


@dataclass(frozen=True)
class HandResult:
    """A hand map; record: its name in the plate folder, None where nothing was kept.

    more: what only this way of reading tells.
    """

    hand: HandMap
    record: str | None = None
    more: dict[str, Any] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig hand marks|track|pairs|judge --json`."""
        return hand_json(self.hand) | {"record": self.record} | self.more


@dataclass(frozen=True)
class HandList:
    """The records of a plate folder, oldest first."""

    plate: str
    records: tuple[HandRecord, ...]

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig hand list --json`."""
        return {
            "plate": self.plate,
            "records": [
                {
                    "record": one.name,
                    "made_utc": one.made_utc,
                    "kind": one.hand.kind,
                    "face": one.hand.face,
                    "places": len(one.hand.value),
                    "source": one.hand.source,
                    "files": list(one.files),
                    "simulated": one.hand.simulated,
                }
                for one in self.records
            ],
        }


def hand_json(hand: HandMap) -> dict[str, Any]:
    """A hand map as plain values."""
    return {
        "kind": hand.kind,
        "unit": hand.unit,
        "face": hand.face,
        "source": hand.source,
        "simulated": hand.simulated,
        "places": [
            {
                "x_mm": round(float(x), 2),
                "y_mm": round(float(y), 2),
                "value": round(float(value), 3),
                "sd": round(float(sd), 3),
                "group": int(group),
            }
            for (x, y), value, sd, group in zip(
                hand.places_mm, hand.value, hand.sd, hand.group, strict=True
            )
        ],
        "notes": list(hand.notes),
    }


def hand_judge(
    table: Path | str,
    *,
    plate: Path | str | None = None,
    face: Face = "outer",
    progress: Progress = silent,
) -> HandResult:
    """Read places judged higher, same or lower from a CSV, and keep them with the plate.

    Raises AnalysisError with the line at fault, UsageError, and the folder's own errors.
    """
    from rig.archive.hand_tables import read_judgements
    from rig.field.hand_judged import judged_map

    check_face(face)
    progress(ProgressEvent("Reading the answers", 0, 1))
    judgements = read_judgements(table)
    hand = judged_map(judgements, source=Path(table).name, face=face)
    return kept(hand, plate, [(Path(table), Path(table).name)], {})


def hand_pairs(
    table: Path | str,
    *,
    plate: Path | str | None = None,
    face: Face = "outer",
    progress: Progress = silent,
) -> HandResult:
    """Turn "here higher than there" from a CSV into a scale, and keep it with the plate.

    `more["next_pair"]`: the two places whose comparison would tell most. Errors as `hand_judge`.
    """
    from rig.archive.hand_tables import read_pairs
    from rig.field.hand_pairs import next_pair, pairs_map

    check_face(face)
    progress(ProgressEvent("Reading the answers", 0, 1))
    answers = read_pairs(table)
    hand, scale, pairs = pairs_map(answers, source=Path(table).name, face=face)
    wanted = next_pair(scale, pairs)
    ask = None
    if wanted is not None:
        ask = [
            {"x_mm": round(float(x), 2), "y_mm": round(float(y), 2)}
            for x, y in (hand.places_mm[k] for k in wanted)
        ]
    more = {"answers": len(answers), "tie": round(scale.tie, 3), "next_pair": ask}
    return kept(hand, plate, [(Path(table), Path(table).name)], {}, more)


def hand_list(plate: Path | str) -> HandList:
    """What is kept of the hand in a plate folder; raises the folder's own errors."""
    from rig.archive.hand_store import records
    from rig.archive.naming import existing_folder

    path = existing_folder(plate)
    return HandList(str(path), tuple(records(path)))


def kept(
    hand: HandMap,
    plate: Path | str | None,
    raw: Sequence[tuple[Path, str]],
    options: dict[str, Any],
    more: dict[str, Any] | None = None,
) -> HandResult:
    """Keep a hand map with its raw files in the plate folder; without a folder only return it."""
    if plate is None:
        return HandResult(hand, None, more or {})
    from rig.archive.hand_store import keep
    from rig.archive.plate_folder import PlateFolder

    stored = stored_plate(plate)
    hand = replace(_on_wood(hand, stored.outline), simulated=hand.simulated or stored.simulated)
    with PlateFolder.open(plate, write=True) as folder:
        record = keep(folder, hand, raw, options)
    return HandResult(hand, record.name, more or {})


def stored_plate(plate: Path | str | None) -> StoredPlate:
    """Outline and arching of a plate folder that something is to be kept in; nothing without one.

    Raises FolderInUseError before the long work, not after it, where another process writes.
    """
    if plate is None:
        return StoredPlate(None, None, False)
    from rig.archive.naming import existing_folder
    from rig.archive.plate_folder import PlateFolder
    from rig.archive.writer_lock import held

    if held(existing_folder(plate)):
        raise FolderInUseError(
            "Another scan or window is writing to this folder; nothing was read.",
            where=str(plate),
            remedy="Wait until it has ended, or leave --plate out and keep the result later.",
        )
    with PlateFolder.open(plate) as folder:
        return StoredPlate(
            None if folder.outline_source == "stand-in" else folder.outline,
            folder.facts.arching_mm,
            any(scan.simulated for scan in folder.scans()),
        )


def rise_of(
    face: Face, arching_mm: float | None
) -> Callable[[Outline], Callable[[FloatArray], FloatArray]]:
    """The arch over its rim for an outline, as a function of places; hollow on the inner face."""
    from rig.plate.arching import template_heights

    crown = _USUAL_ARCH_MM if arching_mm is None else arching_mm
    way = crown if face == "outer" else -crown
    return lambda outline: lambda places: way * template_heights(outline, places)


def arch_note(arching_mm: float | None) -> tuple[str, ...]:
    """What to say where the height of the arch had to be assumed."""
    if arching_mm is not None:
        return ()
    return (
        f"The height of the arch is not known: {_USUAL_ARCH_MM:g} mm was assumed. A plate folder "
        "made with --arching knows better.",
    )


def check_face(face: str) -> None:
    """Raise UsageError for what is no face."""
    if face not in ("outer", "inner"):
        raise UsageError(f'There is no face "{face}".', remedy='Say "outer" or "inner".')


def _on_wood(hand: HandMap, outline: Outline | None) -> HandMap:
    """Say which places lie beside the wood; refuse when most of them do."""
    if outline is None:
        return hand
    off = ~outline.contains(hand.places_mm) & (outline.edge_distance_mm(hand.places_mm) > 3.0)
    many = int(off.sum())
    if not many:
        return hand
    if 2 * many > len(off):
        raise AnalysisError(
            f"{many} of {len(off)} places lie beside the wood of this plate.",
            where=hand.source,
            remedy="Give mm of the plate frame: x to the right of the centre line seen from the "
            "outer face, y up from the lower end.",
        )
    return replace(hand, notes=(*hand.notes, f"{many} places lie beside the wood or in a hole."))
