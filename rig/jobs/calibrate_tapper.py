"""`calibrate tapper`: pulses of the hammer from a table of test strikes."""

from __future__ import annotations

import csv
import math
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.model.errors import AnalysisError, UsageError

if TYPE_CHECKING:
    from rig.calibrate.records import Record
    from rig.calibrate.tapper import TapperFit, TestStrike

_UNITS = ("speed_m_s", "level_db")


@dataclass(frozen=True)
class TapperResult:
    """The fit, what changed since the last record, and the record."""

    fit: TapperFit
    wear: float | None
    sentence: str
    record: Record

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig calibrate tapper --json`."""
        return {"record": self.record.name, "path": str(self.record.path), **self.record.values}


def calibrate_tapper(
    table: Path | str, *, records: Path | str | None = None, rig: Path | str | None = None
) -> TapperResult:
    """Fit a table of strikes (pulse_us, then speed_m_s or level_db, and double if known).

    An empty speed or level is a miss. The pulses are held against the rig file's limit. Raises
    UsageError for what is no such table, AnalysisError where it tells too little.
    """
    from rig.calibrate.records import load_all
    from rig.calibrate.tapper import TapperFit, fit_tapper, wear
    from rig.jobs.calibrate_records import keep, records_folder

    folder = records_folder(records, rig, table)
    most = 12_000
    if rig is not None:
        from rig.archive.rig_file import load_rig_file

        most = load_rig_file(rig).tapper.max_pulse_us
    strikes, unit = read_strike_table(table)
    fit = fit_tapper(strikes, most)
    earlier = [
        r for r in load_all(folder)[0] if r.kind == "tapper" and r.values.get("unit") == unit
    ]
    change, sentence = None, "There is no earlier record to compare with."
    if earlier:
        try:
            old = TapperFit(**earlier[-1].values["fit"])
            change, sentence = wear(old, fit)
        except (AnalysisError, KeyError, TypeError) as problem:
            sentence = f"It cannot be compared with {earlier[-1].name}: {problem}"
    values = {"unit": unit, "fit": asdict(fit), "wear": change, "sentence": sentence}
    record = keep(
        folder, "tapper", values, rig, used=(Path(table).name,), notes=(*fit.notes, sentence)
    )
    return TapperResult(fit, change, sentence, record)


def read_strike_table(path: Path | str) -> tuple[list[TestStrike], str]:
    """Strikes in order of time, and the unit their strength came in."""
    from rig.calibrate.tapper import TestStrike

    try:
        with open(path, encoding="utf-8-sig", newline="") as file:
            rows = list(csv.DictReader(file))
        unit = next((u for u in _UNITS if rows and u in rows[0]), None)
        if unit is None or "pulse_us" not in rows[0]:
            raise ValueError("the columns pulse_us and speed_m_s or level_db are missing")
        strikes = []
        for row in rows:
            text = (row[unit] or "").strip()
            strength = None
            if text:
                value = float(text)
                strength = value if unit == "speed_m_s" else 10.0 ** (value / 20.0)
                if not math.isfinite(strength) or strength < 0:
                    raise ValueError(f"{unit} is {text}")
            double = (row.get("double") or "").strip().lower() in ("1", "yes", "true")
            strikes.append(TestStrike(int(row["pulse_us"]), strength, double))
    except (OSError, ValueError, TypeError, OverflowError, csv.Error) as problem:
        raise UsageError(
            f"This is no table of test strikes: {problem}.",
            where=str(path),
            remedy="First line: pulse_us,speed_m_s,double (or level_db); a line for each strike.",
        ) from problem
    return strikes, unit
