"""Write a scan out for other programs, in the forms that they read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from rig.model.errors import AnalysisError, FolderDamagedError, UsageError
from rig.model.progress import Progress, silent

if TYPE_CHECKING:
    from rig.archive.exports import Exported, Sound
    from rig.archive.map_shapes import MapShapes
    from rig.archive.universal_files import ModeShape, NodeValues
    from rig.model.frames import Face
    from rig.model.scan_record import ScanRecord
    from rig.model.tone_map import ToneMap

Form = Literal["tap-set", "universal", "shapes", "template"]
FORMS: tuple[Form, ...] = ("tap-set", "universal", "shapes", "template")


def export(
    folder: Path | str,
    out_dir: Path | str,
    scan: str | None = None,
    progress: Progress = silent,
    *,
    forms: Sequence[Form] = ("tap-set",),
    sound: Sound = "wav",
    seen_from: Face = "outer",
) -> Exported:
    """Write a scan (the latest when none is named) into a new or empty directory.

    forms: `tap-set` (CSV, datapackage.json, recordings as WAV or FLAC), `universal` (universal file
    datasets 15, 55 and 58), `shapes` (outline, zones and contours as JSON), `template` (the same
    at true size as SVG and DXF, mirrored where seen_from is the inner face). Gathering the tap set
    or the universal file gives the same samples and numbers. Raises FolderMissingError,
    FolderError when the directory is not empty, StorageFullError, UsageError.
    """
    from rig.archive.exports import Exported, add_to_package, export_scan, require_empty
    from rig.archive.storage import storage_errors
    from rig.jobs.scan_readings import load_scan

    unknown = [form for form in forms if form not in FORMS]
    if unknown or not forms:
        raise UsageError(
            f"There is no form “{unknown[0]}” to export." if unknown else "No form is named.",
            remedy=f"There are: {', '.join(FORMS)}.",
        )
    out = Path(out_dir)
    require_empty(out)
    others = [form for form in FORMS if form in forms and form != "tap-set"]
    record, damage = None, None
    if others:
        try:
            record = load_scan(folder, scan, progress)  # first: it reads strikes not read yet
        except FolderDamagedError as problem:
            damage = problem
    made: Exported | None = None
    if "tap-set" in forms:
        made = export_scan(folder, out, scan, progress, sound=sound)
    if record is None:
        if made is None:
            assert damage is not None  # nothing was written and nothing could be
            raise damage
        note = () if damage is None else ("Without its database only the tap set can be written.",)
        return replace(made, notes=(*made.notes, *note))
    with storage_errors(out):
        out.mkdir(parents=True, exist_ok=True)
    if made is None:
        made = Exported(record.scan, out, (), 0, record.simulated, record.notes)
    tones, shapes = _map_and_shapes(folder, record, progress)
    added: dict[str, tuple[str, str]] = {}
    notes: list[str] = list(shapes.notes)
    if "universal" in others:
        strikes = _universal(out, record, tones, added, notes, progress)
        made = replace(made, strikes=max(made.strikes, strikes))
    if "shapes" in others:
        _shapes(out, shapes, added)
    if "template" in others:
        _template(out, shapes, seen_from, added)
    if "tap-set" in forms:
        add_to_package(out, added)
    return replace(made, files=(*made.files, *added), notes=(*made.notes, *notes))


def _map_and_shapes(
    folder: Path | str, record: ScanRecord, progress: Progress
) -> tuple[ToneMap | None, MapShapes]:
    """The map and its lines; a scan that carries no map leaves the outline and the reason."""
    from rig.archive.map_shapes import MapShapes
    from rig.jobs.drawn import drawn_map

    try:
        drawn = drawn_map(folder, record.scan, progress=progress)
        order = drawn.made.work_order
    except AnalysisError as problem:
        note = f"There is no map of this scan, so only the outline is drawn: {problem.what}"
        bare = MapShapes(record.facts.name, record.scan, record.outline, notes=(note,))
        return None, replace(bare, simulated=record.simulated)
    shapes = MapShapes(
        name=record.facts.name,
        scan=record.scan,
        outline=record.outline,
        made=drawn.made.tone_map,
        contours=drawn.above.contours,
        zones=tuple(zip(order.zones, drawn.zone_lines, strict=True)),
        start_mm=order.starting_spot_mm,
        simulated=record.simulated,
    )
    return drawn.made.tone_map, shapes


def _universal(
    out: Path,
    record: ScanRecord,
    tones: ToneMap | None,
    added: dict[str, tuple[str, str]],
    notes: list[str],
    progress: Progress,
) -> int:
    from rig.archive.universal_files import NodeValues, write_universal

    values: list[NodeValues] = []
    if tones is not None:
        middle = f"tone in cents against {tones.middle_hz:.2f} Hz"
        values = [
            NodeValues(f"{tones.reading} {middle}", tones.taps, tones.tone_cents),
            NodeValues("tone above target in cents", tones.taps, tones.excess_cents),
        ]
    name = f"{record.scan}.uff"
    modes = _mode_shapes(record, notes, progress)
    strikes = write_universal(out / name, record, modes, values, progress)
    added[name] = (
        "application/octet-stream",
        "Universal file: datasets 15, 55, 58b, 82, 151, 164.",
    )
    return strikes


def _mode_shapes(record: ScanRecord, notes: list[str], progress: Progress) -> list[ModeShape]:
    from rig.archive.universal_files import ModeShape
    from rig.jobs.modes import modes_of

    try:
        found = modes_of(record, progress=progress).modes
    except AnalysisError as problem:
        notes.append(f"The universal file holds no mode shapes: {problem.what}")
        return []
    return [ModeShape(m.hz, m.decay_s, found.taps, m.amplitude) for m in found.modes]


def _shapes(out: Path, shapes: MapShapes, added: dict[str, tuple[str, str]]) -> None:
    from rig.archive.map_shapes import write_shapes

    write_shapes(out / "shapes.json", shapes)
    about = "Outline, zones, contours, taps; like GeoJSON, but in mm of the plate frame."
    added["shapes.json"] = ("application/json", about)


def _template(
    out: Path, shapes: MapShapes, seen_from: Face, added: dict[str, tuple[str, str]]
) -> None:
    from rig.archive.template_drawings import write_dxf_template, write_svg_template

    write_svg_template(out / "template.svg", shapes, seen_from)
    write_dxf_template(out / "template.dxf", shapes, seen_from)
    about = f"Outline, contours and zones at true size, seen from the {seen_from} face."
    added["template.svg"] = ("image/svg+xml", about)
    added["template.dxf"] = ("image/vnd.dxf", about)
