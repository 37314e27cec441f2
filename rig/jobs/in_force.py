"""What of the rig's calibrations a scan uses: looked up once, before anything moves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.model.errors import AnalysisError

if TYPE_CHECKING:
    from rig.calibrate.gantry import GantryCorrection
    from rig.calibrate.records import Record, Standing
    from rig.model.rig_settings import LensSettings, RigSettings


@dataclass(frozen=True)
class InForce:
    """note: for the scan's origin, plain JSON; None where none is kept (virtual rig).

    correction: of the gantry; lens: of the record that holds, for pictures of lens_size_px (width,
    height); lines: what the user is told before the scan.
    """

    note: dict[str, Any] | None = None
    correction: GantryCorrection | None = None
    lens: LensSettings | None = None
    lens_size_px: tuple[int, int] | None = None
    lines: tuple[str, ...] = ()

    def lens_for(
        self, settings: RigSettings, picture_size_px: tuple[int, int]
    ) -> tuple[RigSettings, tuple[str, ...]]:
        """The settings with the lens to use on pictures of this (width, height), and what to say.

        A record that holds stands above the rig file; one of another picture size cannot be used.
        """
        own = settings.camera.lens
        if self.note is None:
            return settings, ()
        if self.lens is None:
            said = "The rig file's lens is used" if own is not None else "The lens is estimated"
            return settings, (f"{said}, for no lens record holds. {self._lens_caution()}".strip(),)
        if self.lens_size_px is not None and tuple(picture_size_px) != self.lens_size_px:
            return settings, (
                f"The lens record is not used: it is of pictures of {self.lens_size_px[0]} × "
                f"{self.lens_size_px[1]} pixels, this one has {picture_size_px[0]} × "
                f"{picture_size_px[1]}.",
            )
        if own == self.lens:
            return settings, ()
        used = replace(settings, camera=replace(settings.camera, lens=self.lens))
        name = (self.note.get("records") or {}).get("lens", "the record")
        instead = "" if own is None else " instead of the rig file's"
        return used, (f"The lens of {name} is used{instead}.",)

    def _lens_caution(self) -> str:
        cautions = (self.note or {}).get("cautions", ())
        return next((str(c) for c in cautions if c.startswith("Camera lens")), "")


def calibration_of(rig_file: Path | str | None, records: Path | str | None) -> InForce:
    """What holds now for the rig of a file, or for a virtual rig with records of its own."""
    if rig_file is None:
        from rig.model.rig_settings import TapperSettings

        return in_force(None, records, TapperSettings().offset_mm)
    from rig.archive.rig_file import load_rig_file

    return in_force(rig_file, records, load_rig_file(rig_file).tapper.offset_mm)


def in_force(
    rig_file: Path | str | None, records: Path | str | None, offset_mm: tuple[float, float]
) -> InForce:
    """What holds now for this rig; a virtual rig has only what `records` names.

    offset_mm: of the hammer, as the rig is set up today. A record whose values cannot be used
    counts as one that does not hold, and says why.
    """
    from rig.calibrate.records import load_each, standing
    from rig.jobs.calibrate_records import records_folder, records_in_force

    if rig_file is None and records is None:
        return InForce()
    note = records_in_force(records=records, rig=rig_file)
    name = "" if rig_file is None else Path(rig_file).name
    found, _ = load_each(records_folder(records, rig_file))
    now = datetime.now(UTC)
    gantry, lens, bar = standing(
        found, now, ("gantry", "lens", "bar"), rig=name, real=rig_file is not None
    )
    correction, lens_settings, size = None, None, None
    if gantry.state == "holds" and gantry.record is not None:
        try:
            correction = correction_of(gantry.record, offset_mm)
        except AnalysisError as problem:
            _withdraw(note, "gantry", f"Gantry: the record cannot be used. {problem.what}")
    if lens.state == "holds" and lens.record is not None:
        try:
            lens_settings, size = _lens_of(lens.record.values)
        except (KeyError, TypeError, ValueError):
            _withdraw(note, "lens", "Camera lens: the record holds no lens.")
    if correction is not None:
        note["gantry_correction"] = correction.as_values()
    if lens_settings is not None:
        note["lens"] = {"lens": asdict(lens_settings), "size_px": size}
    lines = [*([] if _all_hold(note) else [note["sentence"]]), *_bar_lines(bar)]
    return InForce(note, correction, lens_settings, size, tuple(lines))


def kept_from(note: Mapping[str, Any] | None, now: InForce) -> InForce:
    """For a scan that is resumed: what held at its start, and what is different today.

    note: of the scan's origin; None where it noted nothing: then it was made without any.
    """
    from rig.calibrate.gantry import GantryCorrection

    if note is None:
        return InForce(lines=now.lines if now.note is None else ())
    values = note.get("gantry_correction")
    correction = None if values is None else GantryCorrection.of_values(values)
    was, today = dict(note.get("records") or {}), dict((now.note or {}).get("records") or {})
    differ = [
        f"{kind} ({was.get(kind, 'none')} at the start, {today.get(kind, 'none')} today)"
        for kind in sorted({*was, *today} - {"bar", "repeatability"})
        if was.get(kind) != today.get(kind)
    ]
    lines = list(now.lines)
    if differ:
        lines.append(
            f"Calibrations differ from those at the scan's start, which are kept: "
            f"{'; '.join(differ)}."
        )
    lens, size = (None, None) if note.get("lens") is None else _lens_of(note["lens"])
    return InForce(dict(note), correction, lens, size, tuple(lines))


def correction_of(record: Record, offset_mm: tuple[float, float] | None = None) -> GantryCorrection:
    """The correction of a gantry record.

    Raises AnalysisError for values that are none, and where the hammer sat elsewhere on the gantry
    when the dots were marked than the rig file says today.
    """
    from rig.calibrate.gantry import GantryCorrection

    values = record.values.get("correction")
    if not isinstance(values, dict):
        raise AnalysisError("It holds no correction.", remedy="Calibrate the gantry anew.")
    then = record.values.get("tapper_offset_mm")
    if then is not None and offset_mm is not None and tuple(then) != tuple(offset_mm):
        raise AnalysisError(
            f"The hammer's offset in the rig file was {_pair(then)} mm when the dots were marked "
            f"and is {_pair(offset_mm)} mm now.",
            remedy="Calibrate the gantry anew.",
        )
    return GantryCorrection.of_values(values)


def _lens_of(values: Mapping[str, Any]) -> tuple[LensSettings, tuple[int, int] | None]:
    from rig.model.rig_settings import LensSettings

    names = {field.name for field in fields(LensSettings)}
    lens = LensSettings(**{n: float(v) for n, v in values["lens"].items() if n in names})
    if not (lens.fx > 0.0 and lens.fy > 0.0):
        raise ValueError("no focal length")
    size = values.get("size_px")
    return lens, None if size is None else (int(size[0]), int(size[1]))


def _bar_lines(bar: Standing) -> list[str]:
    """One line where the reference bar was not tapped today, or was out of limits."""
    if bar.state != "holds" or bar.record is None:
        since = "" if bar.record is None else f" (last {bar.record.made_utc[:10]})"
        return [f"The reference bar was not tapped today{since}: `platerig calibrate bar`."]
    if bar.record.values.get("in_control") is False:
        return [
            "Today's tap of the reference bar was out of limits: look at the bar's supports, the "
            "room's warmth and the sample rate before you trust this scan."
        ]
    return []


def _withdraw(note: dict[str, Any], kind: str, caution: str) -> None:
    """Take a record that holds by its date but cannot be used out of the note."""
    name = note["records"].pop(kind, None)
    note["used"] = [one for one in note["used"] if one != name]
    note["states"][kind] = "unusable"
    note["cautions"].append(caution)
    note["sentence"] = note["sentence"].removesuffix(".") + f"; not usable: {kind}."


def _all_hold(note: Mapping[str, Any]) -> bool:
    return not note["cautions"] and not note["unreadable"]


def _pair(values: Any) -> str:
    return ", ".join(f"{float(v):g}" for v in values)
