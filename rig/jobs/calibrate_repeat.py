"""`calibrate repeat`: a repeatability study over the scans of one plate folder."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.jobs.calibrate_records import READINGS
from rig.model.errors import AnalysisError, UsageError
from rig.model.progress import Progress, silent
from rig.model.tone_map import ReadingKind

if TYPE_CHECKING:
    from rig.calibrate.records import Record
    from rig.calibrate.study import Study


@dataclass(frozen=True)
class RepeatResult:
    """Studies of every reading that all scans carry, and the record they were stored in."""

    studies: tuple[Study, ...]
    without: dict[str, str]  # readings that could not be studied, and why
    record: Record

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig calibrate repeat --json`."""
        return {
            "record": self.record.name,
            "path": str(self.record.path),
            "simulated": self.record.simulated,
            **self.record.values,
        }


def calibrate_repeat(
    folder: Path | str,
    scans: Sequence[str] = (),
    *,
    labels: Mapping[str, str] | None = None,
    reading: ReadingKind | None = None,
    records: Path | str | None = None,
    rig: Path | str | None = None,
    progress: Progress = silent,
) -> RepeatResult:
    """Study the scans named (none: all finished ones of the latest scan's face and strength).

    labels: scan → person, day or laying; scans without one share an empty label. reading None: all
    that can be read. Raises UsageError for unknown names, AnalysisError where nothing can be
    studied.
    """
    from rig.calibrate.study import ScanTones, study_of
    from rig.jobs.calibrate_records import keep, records_folder
    from rig.jobs.scan_readings import load_scan
    from rig.jobs.tones import tones_of

    target = records_folder(records, rig, folder)
    names = list(scans) or _usual_scans(folder)
    if len(set(names)) < len(names):
        raise UsageError("A scan is named twice.", remedy="Name every scan once.")
    given = dict(labels or {})
    strangers = [name for name in given if name not in names]
    if strangers:
        raise UsageError(
            f"A label is given for {', '.join(strangers)}, which is not in the study.",
            where=str(folder),
            remedy=f"Scans of the study: {', '.join(names)}.",
        )
    loaded = [load_scan(folder, name, progress) for name in names]
    if len({(s.face, s.strength) for s in loaded}) > 1:
        raise UsageError(
            "The scans are of different faces or strengths.",
            where=", ".join(f"{s.scan} {s.face} {s.strength}" for s in loaded),
            remedy="Study one face at one strength at a time.",
        )
    spacing = min(s.spacing_mm for s in loaded)
    found: list[Study] = []
    without: dict[str, str] = {}
    for kind in READINGS if reading is None else (reading,):
        try:
            found.append(
                study_of(
                    [
                        ScanTones(
                            s.scan, given.get(s.scan, ""), tones_of(s, kind, progress), s.conditions
                        )
                        for s in loaded
                    ],
                    within_mm=0.3 * spacing,
                )
            )
        except AnalysisError as problem:
            without[kind] = str(problem)
    if not found:
        raise AnalysisError(
            "No reading can be studied over these scans.",
            where=str(folder),
            remedy="; ".join(f"{kind}: {why}" for kind, why in without.items()),
        )
    values = {
        "plate": loaded[0].facts.name,
        "face": loaded[0].face,
        "strength": loaded[0].strength,
        "studies": [_as_values(study) for study in found],
        "not_studied": without,
    }
    notes = tuple(dict.fromkeys(c for study in found for c in study.cautions))
    record = keep(
        target,
        "repeatability",
        values,
        rig,
        used=tuple(f"{Path(folder).name} {name}" for name in names),
        conditions=_mean_conditions([s.conditions for s in loaded]),
        notes=notes,
        simulated=any(s.simulated for s in loaded),
    )
    return RepeatResult(tuple(found), without, record)


def _usual_scans(folder: Path | str) -> list[str]:
    from rig.archive.plate_folder import PlateFolder
    from rig.model.scan_record import ScanState

    with PlateFolder.open(folder) as opened:
        done = [s.scan for s in opened.scans() if s.state == ScanState.FINISHED]
        plans = {name: opened.plan(name) for name in done}
    if not done:
        raise UsageError("No scan of this folder is finished.", where=str(folder))
    last = plans[done[-1]]
    return [n for n in done if (plans[n].face, plans[n].strength) == (last.face, last.strength)]


def _mean_conditions(known: Sequence[Mapping[str, float]]) -> dict[str, float]:
    names = {name for one in known for name in one}
    return {
        name: sum(c[name] for c in known if name in c) / sum(name in c for c in known)
        for name in sorted(names)
    }


def _as_values(study: Study) -> dict[str, Any]:
    gauge = study.gauge
    sources = ("repeatability", "operator", "interaction", "reproducibility", "gauge", "place")
    return {
        "reading": study.reading,
        "scans": list(study.scans),
        "labels": list(study.labels),
        "places": gauge.places,
        "places_left_out": study.left_out,
        "sd_cents": {name: round(getattr(gauge, name), 3) for name in (*sources, "total")},
        "study_variation_percent": {n: round(v, 2) for n, v in gauge.percent.items()},
        "distinct_categories": gauge.distinct,
        "interaction_pooled": gauge.pooled,
        "anova": [asdict(row) for row in gauge.rows],
        "smallest_change_cents": round(study.change_cents, 2),
        "smallest_change_bounds_cents": [round(b, 2) for b in study.change_bounds_cents],
        "smallest_change_same_label_cents": round(study.change_same_label_cents, 2),
        "whole_plate_shift_cents": [round(float(s), 2) for s in study.shift_cents],
        "agreement_with_first": [asdict(a) for a in study.agreements],
        "verdict": study.verdict,
        "sentence": study.sentence,
        "cautions": list(study.cautions),
    }


def read_labels(path: Path | str) -> dict[str, str]:
    """Labels from a CSV with the columns scan and label."""
    import csv

    try:
        with open(path, encoding="utf-8-sig", newline="") as file:
            rows = list(csv.DictReader(file))
    except (OSError, UnicodeDecodeError, csv.Error) as problem:
        raise UsageError(f"The labels cannot be read: {problem}.", where=str(path)) from problem
    if not rows or not {"scan", "label"} <= set(rows[0]):
        raise UsageError(
            "The table of labels has no columns “scan” and “label”.",
            where=str(path),
            remedy="First line: scan,label; then such as S0001,Monday.",
        )
    labels: dict[str, str] = {}
    for row in rows:
        scan, label = (row["scan"] or "").strip(), (row["label"] or "").strip()
        if not scan or not label or scan in labels:
            raise UsageError(
                f"The table of labels has no clear label for “{scan}”.",
                where=str(path),
                remedy="Name every scan once, with its label.",
            )
        labels[scan] = label
    return labels
