"""The verb `shelf`: all plate folders below a directory, listed, searched, compared, read again."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Any, Literal

from rig.jobs.further_taps import begun_with
from rig.model.errors import FolderMissingError, UsageError
from rig.model.progress import Progress, ProgressEvent, silent

if TYPE_CHECKING:
    from rig.archive.shelf_index import ShelfIndex
    from rig.archive.shelf_look import ShelfPlate, ShelfScan
    from rig.jobs.pools import Pool
    from rig.model.tone_map import ReadingKind

Order = Literal[
    "name", "wood", "instrument", "mass", "scans", "date", "evenness", "change", "partial"
]
ORDERS: tuple[Order, ...] = (
    "name", "wood", "instrument", "mass", "scans", "date", "evenness", "change", "partial",
)  # fmt: skip
Outcomes = dict[str, tuple[dict[str, Any], bool]]


@dataclass(frozen=True)
class ShelfRow:
    """A plate on the shelf.

    evenness_before_cents, evenness_after_cents: of the first and the last scan that were made and
    read alike (face, strength, reading); before is None where there is one only, both are None
    where no scan was read again yet. current: whether by the analysis of today.
    """

    plate: str
    name: str
    wood: str | None
    instrument: str | None
    reference: str | None
    notes: str | None
    mass_g: float | None
    scans: int
    strikes: int
    simulated: bool
    first_utc: str | None
    last_utc: str | None
    reading: str | None = None
    evenness_before_cents: float | None = None
    evenness_after_cents: float | None = None
    partials_hz: tuple[float, ...] = ()
    current: bool | None = None
    unread: int = 0
    problem: str | None = None
    remedy: str | None = None

    @property
    def change_cents(self) -> float | None:
        """How much the evenness changed; below 0 the plate became more even."""
        if self.evenness_before_cents is None or self.evenness_after_cents is None:
            return None
        return self.evenness_after_cents - self.evenness_before_cents

    def as_json(self) -> dict[str, Any]:
        """Plain values; what is not known is None."""
        return {**vars(self), "partials_hz": list(self.partials_hz)}


@dataclass(frozen=True)
class WoodGroup:
    """All plates of one wood in the list; medians of those that are known."""

    wood: str | None
    plates: int
    evenness_before_cents: float | None
    evenness_after_cents: float | None
    mass_g: float | None


@dataclass(frozen=True)
class ReadAgain:
    """What reading again came to: scans read now, known already, and those that failed."""

    read: int
    known: int
    failed: tuple[tuple[str, str, str], ...] = ()  # folder, scan, reason

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        failed = [{"plate": p, "scan": s, "reason": r} for p, s, r in self.failed]
        return {"read": self.read, "known": self.known, "failed": failed}


@dataclass(frozen=True)
class Shelf:
    """The plates that were asked for, in the order asked for; `found`: folders there are in all."""

    directory: Path
    plates: tuple[ShelfRow, ...]
    found: int
    groups: tuple[WoodGroup, ...]
    read_again: ReadAgain | None = None
    table: Path | None = None

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig shelf --json`."""
        return {
            "shelf": str(self.directory),
            "found": self.found,
            "plates": [row.as_json() for row in self.plates],
            "woods": [vars(group) for group in self.groups],
            "read_again": None if self.read_again is None else self.read_again.as_json(),
            "table": None if self.table is None else str(self.table),
        }


def shelf(
    directory: Path | str,
    *,
    wood: str | None = None,
    instrument: str | None = None,
    search: str | None = None,
    order: Order = "name",
    descending: bool = False,
    reading: ReadingKind | None = None,
    read_again: bool = False,
    workers: int | None = None,
    dask: str | None = None,
    table: Path | None = None,
    index: Path | None = None,
    progress: Progress = silent,
) -> Shelf:
    """List all plate folders below a directory; no folder is ever changed by it.

    search: words that must all occur in a plate's name, wood, instrument, reference, notes or path.
    read_again: read every scan of the plates listed from its recordings with the present analysis,
    unless the index has it from the same analysis already: interrupted, it goes on where it was.
    reading: what the maps are made of (None: as `map`). workers: processes, all processors when
    None; dask: address of a scheduler instead. table: CSV to write. index: the index file, the
    user's own when None. Raises FolderMissingError, UsageError, StorageFullError.
    """
    from rig.archive.shelf_index import ShelfIndex
    from rig.archive.shelf_look import folders_below
    from rig.archive.shelf_table import check_table, write_table
    from rig.jobs.pools import chosen_pool

    root = Path(directory)
    if not root.is_dir():
        raise FolderMissingError(
            "There is no such directory.",
            where=str(root),
            remedy="Name a directory that holds plate folders.",
        )
    if order not in ORDERS:
        raise UsageError(f"“{order}” is no order.", remedy=f"There are: {', '.join(ORDERS)}.")
    if table is not None:
        check_table(table)
    pool = chosen_pool(workers, dask)  # before the long work
    root = root.absolute()
    wanted = reading or "usual"
    with ShelfIndex(index) as kept:
        progress(ProgressEvent("looking for plate folders"))
        plates = kept.plates(root, folders_below(root), progress)
        chosen = [one for one in plates if _is_wanted(one, wood, instrument, search)]
        outcomes = kept.outcomes(wanted)
        done = None
        if read_again:
            done = _read_all(kept, chosen, outcomes, reading, pool, progress)
            outcomes = kept.outcomes(wanted)
    rows = _ordered([_row(one, outcomes) for one in chosen], order, descending)
    if table is not None:
        write_table(table, [row.as_json() for row in rows])
    return Shelf(root, tuple(rows), len(plates), _groups(rows), done, table)


def _is_wanted(
    plate: ShelfPlate, wood: str | None, instrument: str | None, search: str | None
) -> bool:
    for asked, known in ((wood, plate.wood), (instrument, plate.instrument)):
        if asked is not None and (known or "").casefold() != asked.strip().casefold():
            return False
    said = (plate.name, plate.wood, plate.instrument, plate.reference, plate.notes, plate.path)
    text = " ".join(word for word in said if word).casefold()
    return all(word in text for word in (search or "").casefold().split())


def _read_all(
    index: ShelfIndex,
    plates: Sequence[ShelfPlate],
    outcomes: Outcomes,
    reading: ReadingKind | None,
    pool: Pool,
    progress: Progress,
) -> ReadAgain:
    from rig.jobs.shelf_reading import ScanToRead, read_again

    marks: dict[ScanToRead, str] = {}
    known = 0
    for plate in plates:
        for scan in plate.scans:
            if scan.strikes == 0:
                continue
            outcome, current = outcomes.get(scan.mark, ({}, False))
            if current and not outcome.get("lost"):
                known += 1
            else:
                marks[ScanToRead(plate.path, scan.scan, reading)] = scan.mark
    failed: list[tuple[str, str, str]] = []
    progress(ProgressEvent("reading again", 0, len(marks)))
    with closing(pool.run(read_again, list(marks))) as running:
        for number, (task, outcome) in enumerate(running, start=1):
            if outcome.get("failed"):
                failed.append((task.folder, task.scan, str(outcome["problem"])))
            else:
                index.keep(marks[task], reading or "usual", outcome)
            progress(ProgressEvent("reading again", number, len(marks)))
    return ReadAgain(len(marks) - len(failed), known, tuple(sorted(failed)))


def _row(plate: ShelfPlate, outcomes: Outcomes) -> ShelfRow:
    further_to = {scan.scan: scan.further_to for scan in plate.scans}
    newest = {begun_with(scan.scan, further_to): scan.scan for scan in plate.scans}
    read = [
        (scan, *outcomes[scan.mark])
        for scan in plate.scans
        if scan.mark in outcomes
        and scan.scan in newest.values()  # one for every state of the plate
        and outcomes[scan.mark][0].get("evenness_cents") is not None
    ]
    dates = sorted(scan.created_utc for scan in plate.scans)
    told: dict[str, Any] = {}
    if read:
        last_scan, last, current = read[-1]
        alike = [outcome for scan, outcome, _ in read if _alike(scan, outcome, last_scan, last)]
        told = {
            "reading": last["reading"],
            "evenness_after_cents": last["evenness_cents"],
            "evenness_before_cents": alike[0]["evenness_cents"] if len(alike) > 1 else None,
            "partials_hz": tuple(last["partials_hz"]),
            "current": current,
        }
    return ShelfRow(
        plate=plate.path,
        name=plate.name,
        wood=plate.wood,
        instrument=plate.instrument,
        reference=plate.reference,
        notes=plate.notes,
        mass_g=plate.mass_g,
        scans=len(plate.scans),
        strikes=sum(scan.strikes for scan in plate.scans),
        simulated=plate.simulated,
        first_utc=dates[0] if dates else None,
        last_utc=dates[-1] if dates else None,
        unread=sum(scan.strikes > 0 and scan.mark not in outcomes for scan in plate.scans),
        problem=plate.problem,
        remedy=plate.remedy,
        **told,
    )


def _alike(one: ShelfScan, outcome: dict[str, Any], other: ShelfScan, last: dict[str, Any]) -> bool:
    """Only what was made and read alike can be set against each other."""
    made = (one.face, one.strength, one.simulated) == (other.face, other.strength, other.simulated)
    return made and outcome["reading"] == last["reading"]


def _ordered(rows: list[ShelfRow], order: Order, descending: bool) -> list[ShelfRow]:
    """Sorted; what is not known stands last either way."""
    keys: dict[Order, Callable[[ShelfRow], Any]] = {
        "name": lambda row: row.name.casefold(),
        "wood": lambda row: row.wood,
        "instrument": lambda row: row.instrument,
        "mass": lambda row: row.mass_g,
        "scans": lambda row: row.scans,
        "date": lambda row: row.last_utc,
        "evenness": lambda row: row.evenness_after_cents,
        "change": lambda row: row.change_cents,
        "partial": lambda row: row.partials_hz[0] if row.partials_hz else None,
    }
    key = keys[order]
    by_name = sorted(rows, key=lambda row: (row.name.casefold(), row.plate))
    known = [row for row in by_name if key(row) is not None]
    return [
        *sorted(known, key=key, reverse=descending),
        *(row for row in by_name if key(row) is None),
    ]


def _groups(rows: Sequence[ShelfRow]) -> tuple[WoodGroup, ...]:
    sound = [row for row in rows if row.problem is None]
    woods = sorted({row.wood for row in sound}, key=lambda wood: (wood is None, wood))
    found = []
    for wood in woods:
        mine = [row for row in sound if row.wood == wood]
        pairs = [row for row in mine if row.change_cents is not None]
        found.append(
            WoodGroup(
                wood,
                len(mine),
                _middle([row.evenness_before_cents for row in pairs]),
                _middle([row.evenness_after_cents for row in pairs]),
                _middle([row.mass_g for row in mine]),
            )
        )
    return tuple(found)


def _middle(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return round(median(known), 1) if known else None
