"""Dated records of calibrations: what was found, when, under which conditions, how long it holds.

A record is one JSON file, `KIND-YYYYMMDDTHHMMSSZ.json`, in a folder `calibration` beside the rig
file. Records are never changed; a newer one takes the place of an older one.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from rig.archive.storage import write_durably
from rig.model.errors import FolderError, UsageError

FORMAT = "platerig calibration record 1"
FOLDER_NAME = "calibration"
# Days a record holds. Our own choice: what drifts daily is checked daily.
KINDS: dict[str, tuple[str, int]] = {
    "lens": ("camera lens", 365),
    "gantry": ("gantry", 180),
    "tapper": ("tapper", 30),
    "sound": ("sound", 30),
    "bar": ("reference bar", 1),
    "repeatability": ("repeatability study", 180),
}


@dataclass(frozen=True)
class Record:
    """One calibration. values: plain JSON; used: what it was made from; conditions: °C, % RH."""

    kind: str
    made_utc: str
    values: dict[str, Any]
    good_for_days: int
    rig: str = ""
    conditions: dict[str, float] = field(default_factory=dict)
    used: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    simulated: bool = False
    path: Path | None = None

    @property
    def name(self) -> str:
        """The name a scan and a map call it by."""
        return f"{self.kind}-{_stamp(parse_utc(self.made_utc))}"

    def age_days(self, now: datetime) -> float:
        """Days since it was made; below 0 when the clock stood wrong."""
        return (now - parse_utc(self.made_utc)) / timedelta(days=1)

    def expires(self) -> datetime:
        """When it ceases to hold."""
        return parse_utc(self.made_utc) + timedelta(days=self.good_for_days)


@dataclass(frozen=True)
class Standing:
    """How a kind of calibration stands: state, its newest record and a sentence for the map."""

    kind: str
    state: str  # "holds", "expired", "missing", "from the future" or "of another rig"
    record: Record | None
    sentence: str

    def as_json(self, now: datetime) -> dict[str, Any]:
        """For the list and for a scan's origin."""
        record = self.record
        return {
            "kind": self.kind,
            "state": self.state,
            "sentence": self.sentence,
            "record": None if record is None else record.name,
            "made_utc": None if record is None else record.made_utc,
            "age_days": None if record is None else round(record.age_days(now), 2),
            "expires_utc": None if record is None else record.expires().isoformat(),
            "values": None if record is None else record.values,
            "simulated": False if record is None else record.simulated,
        }


def parse_utc(text: str) -> datetime:
    """ISO 8601 with an offset or Z; ValueError for what is none."""
    found = datetime.fromisoformat(text)
    return found if found.tzinfo else found.replace(tzinfo=UTC)


def _stamp(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")


def new_record(kind: str, values: dict[str, Any], now: datetime, **more: Any) -> Record:
    """A record of this moment with the kind's age limit. Raises UsageError for an unknown kind."""
    if kind not in KINDS:
        raise UsageError(
            f"There is no kind of calibration “{kind}”.", remedy=f"Kinds: {', '.join(KINDS)}."
        )
    made = now.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    more.setdefault("good_for_days", KINDS[kind][1])
    return Record(kind, made, values, **more)


def store(folder: Path, record: Record) -> Path:
    """Write the record under its name, whole or not at all; an older record is never replaced."""
    content = {"format": FORMAT} | {k: v for k, v in asdict(record).items() if k != "path"}
    text = json.dumps(_finite(content), ensure_ascii=False, indent=1, allow_nan=False) + "\n"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / f"{record.name}.json"
        number = 2
        while path.exists():
            path = folder / f"{record.name}-{number}.json"
            number += 1
        write_durably(path, text.encode())
    except OSError as problem:
        raise FolderError(
            f"The record could not be stored: {problem.strerror or problem}.",
            where=str(folder),
            remedy="Make room or choose a place of your own; what was measured is shown above.",
        ) from problem
    return path


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(k): _finite(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value.item() if hasattr(value, "item") else value


def load(path: Path) -> Record:
    """Read one record. Raises FolderError for a file that is none."""
    try:
        raw = json.loads(path.read_text(encoding="utf-8"))
        if not isinstance(raw, dict) or raw.pop("format", None) != FORMAT:
            raise ValueError(f"its format is not “{FORMAT}”")
        raw["used"], raw["notes"] = tuple(raw["used"]), tuple(raw["notes"])
        record = Record(**raw, path=path)
        parse_utc(record.made_utc)
        if record.kind not in KINDS or not isinstance(record.values, dict):
            raise ValueError(f"its kind is “{record.kind}”")
        if not (isinstance(record.good_for_days, int) and record.good_for_days >= 0):
            raise ValueError("good_for_days is no whole number")
    except (OSError, ValueError, TypeError, KeyError, AttributeError) as problem:
        raise FolderError(
            f"This file is no calibration record: {problem}.",
            where=str(path),
            remedy="Take it out of the folder, or calibrate anew.",
        ) from problem
    return record


def load_all(folder: Path) -> tuple[list[Record], list[str]]:
    """All records, oldest first, and a sentence for every file that could not be read."""
    records, problems = load_each(folder)
    return records, list(problems.values())


def load_each(folder: Path) -> tuple[list[Record], dict[str, str]]:
    """The same, with the sentences by the names of their files."""
    records, problems = [], {}
    for path in sorted(folder.glob("*.json")):
        try:
            records.append(load(path))
        except FolderError as problem:
            problems[path.name] = str(problem)
    return sorted(records, key=_order), problems


def _order(record: Record) -> tuple[datetime, int, str]:
    """By moment; the later of one second has the longer, then the higher file name."""
    name = "" if record.path is None else record.path.stem
    return parse_utc(record.made_utc), len(name), name


def standing(
    records: Iterable[Record],
    now: datetime,
    kinds: Iterable[str] = tuple(KINDS),
    *,
    rig: str = "",
    real: bool = False,
) -> list[Standing]:
    """How each kind stands at this moment; the newest record of a kind counts.

    A record dated more than a day ahead is not trusted: one of the two clocks is wrong. rig: name
    of the rig file; a record that names another rig is left aside. real: the rig is a real one, for
    which a record made on a virtual rig does not hold.
    """
    newest: dict[str, Record] = {}
    strange: dict[str, tuple[Record, str]] = {}
    for record in records:
        foreign = ""
        if rig and record.rig and record.rig != rig:
            foreign = f"of another rig ({record.rig})"
        elif real and record.simulated:
            foreign = "of a virtual rig"
        if foreign:
            strange[record.kind] = record, foreign
            continue
        held = newest.get(record.kind)
        if held is None or parse_utc(record.made_utc) >= parse_utc(held.made_utc):
            newest[record.kind] = record
    return [_one(kind, newest.get(kind), now, strange.get(kind)) for kind in kinds]


def _one(
    kind: str, record: Record | None, now: datetime, strange: tuple[Record, str] | None
) -> Standing:
    words = KINDS[kind][0]
    words = words[0].upper() + words[1:]
    if record is None and strange is not None:
        other, why = strange
        return Standing(
            kind, "of another rig", other, f"{words}: the record {other.name} is {why}."
        )
    if record is None:
        return Standing(kind, "missing", None, f"{words}: never calibrated.")
    age = record.age_days(now)
    if age < -1.0:
        return Standing(
            kind, "from the future", record,
            f"{words}: the record is dated {_days(-age)} ahead; a clock is wrong.",
        )  # fmt: skip
    if now > record.expires():
        over = age - record.good_for_days
        return Standing(
            kind, "expired", record,
            f"{words}: expired {_days(over)} ago (made {record.made_utc[:10]}).",
        )  # fmt: skip
    left = record.good_for_days - age
    return Standing(
        kind, "holds", record,
        f"{words}: made {record.made_utc[:10]}, holds {_days(left, more=True)}."
        + (" It was made on a virtual rig." if record.simulated else ""),
    )  # fmt: skip


def _days(days: float, *, more: bool = False) -> str:
    """`3 days`, `1 more day`, `5 hours`."""
    number, unit = (round(days), "day") if days >= 0.95 else (max(round(24.0 * days), 1), "hour")
    return f"{number}{' more' if more else ''} {unit}{'' if number == 1 else 's'}"


_STATES = {
    "missing": "never calibrated",
    "expired": "expired",
    "from the future": "dated ahead of the clock",
    "of another rig": "only of another rig",
}


def in_one_sentence(standings: Iterable[Standing], unreadable: Iterable[str] = ()) -> str:
    """What held and what did not. unreadable: names of files that are no record."""
    by_state: dict[str, list[str]] = {}
    for one in standings:
        by_state.setdefault(one.state, []).append(KINDS[one.kind][0])
    parts = [
        f"{', '.join(by_state[state])} {words}"
        for state, words in _STATES.items()
        if state in by_state
    ]
    broken = list(unreadable)
    if broken:
        parts.append(f"not readable: {', '.join(broken)}")
    held = by_state.get("holds", [])
    if not parts:
        return "Calibrations at the time of the scan: all held."
    parts.append(f"in force: {', '.join(held)}" if held else "none in force")
    return f"Calibrations at the time of the scan: {'; '.join(parts)}."


def folder_of(rig_file: Path | None, beside: Path | None = None) -> Path:
    """Where records of this rig are kept: `calibration` beside the rig file, or beside `beside`."""
    base = rig_file if rig_file is not None else beside
    return (base.parent if base is not None else Path()) / FOLDER_NAME
