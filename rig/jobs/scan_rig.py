"""The rig a scan is made on, and what is known of air and plate: composed anew or as begun."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from rig.jobs.in_force import calibration_of
from rig.jobs.new_plate import check_facts
from rig.model.errors import UsageError
from rig.model.frames import Face, Pose

if TYPE_CHECKING:
    from rig.archive.plate_folder import PlateFolder
    from rig.jobs.compose import Rig
    from rig.model.rig_settings import RigSettings


@dataclass(frozen=True)
class Job:
    """The rig, and the scan to resume (None: a new one)."""

    scan: str | None
    rig: Rig
    face: Face


def new_rig(
    folder: PlateFolder,
    world: str | None,
    rig_file: Path | str | None,
    seed: int,
    speed: float | None,
    face: Face,
    pose: Pose | None,
    serial_log: Path | str | None,
    records: Path | str | None,
    conditions: dict[str, float],
) -> Rig:
    from rig.jobs.compose import compose

    rig = compose(
        world,
        rig_file,
        seed=seed,
        speed=1.0 if speed is None else speed,
        face=face,
        pose=pose,
        session=100_000 * len(folder.scans()),
        serial_log=serial_log,
        calibration=calibration_of(rig_file, records),
    )
    mass_g = folder.facts.mass_g
    if mass_g is not None and rig.facts is None:
        rig.origin["mass_g"] = mass_g
    rig.origin.update(conditions)
    if rig.calibration is not None and rig.calibration.note is not None:
        rig.origin["calibration"] = rig.calibration.note
    if rig.facts is not None:  # scales and rulers of the virtual workshop
        known = folder.facts
        names = ("instrument", "wood", "mass_g", "arching_mm", "temperature_c",
                 "humidity_percent", "arch_heights_mm", "bars")  # fmt: skip
        new = {n: getattr(rig.facts, n) for n in names if getattr(known, n) is None}
        if new:
            folder.update_facts(**new)
    return rig


def resumed(
    folder: PlateFolder,
    world: str | None,
    rig_file: Path | str | None,
    speed: float | None,
    serial_log: Path | str | None,
    records: Path | str | None,
) -> Job:
    """Compose the very rig of the unfinished scan, with the calibrations of its start."""
    from rig.jobs.compose import compose
    from rig.jobs.in_force import kept_from

    name = folder.unfinished_scan()
    if name is None:
        raise UsageError(
            "There is no unfinished scan to go on with.",
            where=str(folder.path),
            remedy="Start a new one without --resume.",
        )
    plan, origin = folder.plan(name), folder.origin(name)
    before = origin.get("world") or origin.get("rig_file")
    if before is None:
        raise UsageError(
            f"{name} was not made by a rig, so it cannot be resumed.", where=str(folder.path)
        )
    given = world or (str(Path(rig_file).resolve()) if rig_file is not None else None)
    if given is not None and given != before:
        raise UsageError(
            f"{name} was begun on {before}, not on {given}.",
            remedy="Resume it there, or start a new scan.",
        )
    laid, note = origin.get("laid"), origin.get("calibration")
    rig_file = origin.get("rig_file")
    if records is None and note is not None and rig_file is None:
        records = note.get("folder")
    rig = compose(
        origin.get("world"),
        rig_file,
        seed=int(origin.get("seed") or 1),
        speed=float(origin.get("speed", 1.0)) if speed is None else speed,
        face=plan.face,
        pose=None if laid is None else Pose(**laid),
        session=int(origin.get("session") or 0) + 1 + len(folder.done(name)),
        serial_log=serial_log,
        calibration=kept_from(note, calibration_of(rig_file, records)),
        slipped=bool(origin.get("slipped")),
    )
    _require_same_rig(folder.settings(name), rig.settings, name)
    return Job(name, rig, plan.face)


def _require_same_rig(before: RigSettings | None, now: RigSettings, scan: str) -> None:
    """Ports and devices may have other names today; the mechanics must be the same."""
    if before is None:
        return
    for what, then, today in (
        ("bed", before.bed, now.bed),
        ("tapper", before.tapper, now.tapper),
        ("limits", before.controller.limits_mm, now.controller.limits_mm),
        ("microphone position", before.microphone.position_mm, now.microphone.position_mm),
        ("sample rate", before.microphone.rate_hz, now.microphone.rate_hz),
    ):
        if then != today:
            raise UsageError(
                f"The rig file has changed since {scan} was begun: {what}.",
                remedy="Put it back as it was, or start a new scan.",
            )


def conditions_given(
    temperature_c: float | None,
    humidity_percent: float | None,
    mass_g: float | None,
    *,
    resume: bool,
) -> dict[str, float]:
    """What was said of air and plate, checked."""
    said = {
        "temperature_c": temperature_c, "humidity_percent": humidity_percent, "mass_g": mass_g
    }  # fmt: skip
    given = {name: value for name, value in said.items() if value is not None}
    if given and resume:
        raise UsageError(
            "Temperature, humidity and mass were stored when the scan was begun.",
            remedy="Leave them out to resume it.",
        )
    check_facts(**given)
    return given


def unknown_conditions(folder: PlateFolder, scan: str, *, simulated: bool) -> tuple[str, ...]:
    """One line where the scan does not know what the air was like and what the plate weighed."""
    known = folder.scan_record(scan, with_clips=False).conditions
    words = {"temperature_c": "temperature", "humidity_percent": "humidity", "mass_g": "mass"}
    missing = [word for name, word in words.items() if name not in known]
    if not missing or simulated:
        return ()
    options = ", ".join(f"--{word}" for word in missing)
    return (
        f"Not known for this scan: {', '.join(missing)} ({options}); a later comparison cannot "
        "tell wood from weather.",
    )


def note_slip(folder: PlateFolder, scan: str, rig: Rig) -> None:
    """A virtual plate that has slipped lies there still when the scan is resumed."""
    from rig.archive.scan_store import amend_origin

    if rig.lies is not None:
        pose, slipped = rig.lies()
        if slipped and not folder.origin(scan).get("slipped"):
            amend_origin(folder, scan, laid=asdict(pose), slipped=True)
