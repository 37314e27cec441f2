"""A scan as plain files: a tap set, CSV tables described by datapackage.json, and WAV or FLAC.

The directory is itself a tap set, so that gathering it gives the same samples and numbers.
`datapackage.json` follows the Frictionless Data Package and Table Schema standards (version 1).
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

from rig.archive.height_files import write_heights
from rig.archive.naming import SOFTWARE, existing_folder, utc_now
from rig.archive.outline_files import write_outline
from rig.archive.plate_folder import PlateFolder
from rig.archive.rig_file import toml_value
from rig.archive.sound_files import encode_clip
from rig.archive.storage import sha256_of, storage_errors, write_durably
from rig.archive.sweep import files_below, identify
from rig.archive.table_schema import (
    PARTIAL_FIELDS,
    READING_FIELDS,
    TAP_FIELDS,
    Field,
    table_resource,
)
from rig.model.arch_heights import ArchHeights
from rig.model.clip import Clip
from rig.model.errors import FolderDamagedError, FolderError
from rig.model.glued_bars import text_of_bar
from rig.model.outline import Outline
from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.reading import ClipReading

Sound = Literal["wav", "flac"]
_PACKAGE = "datapackage.json"


@dataclass(frozen=True)
class Exported:
    """What was written: file names below `directory`; notes say what could not be."""

    scan: str
    directory: Path
    files: tuple[str, ...]
    strikes: int
    simulated: bool
    notes: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Plain values; the sound files are counted, not listed."""
        return {
            "scan": self.scan,
            "directory": str(self.directory),
            "files": list(self.files),
            "strikes": self.strikes,
            "simulated": self.simulated,
            "notes": list(self.notes),
        }


@dataclass(frozen=True)
class _Item:
    """One strike to be written."""

    tap: int
    repeat: int
    x_mm: float
    y_mm: float
    face: str
    strength: str
    clip: Clip
    reading: ClipReading | None = None


@dataclass(frozen=True)
class _Content:
    """Everything one export writes."""

    scan: str
    items: tuple[_Item, ...]
    outline: Outline | None
    plate: dict[str, Any]  # for plate.toml
    simulated: bool
    notes: tuple[str, ...]
    heights: ArchHeights | None = None


def require_empty(out: Path) -> None:
    """Raise FolderError unless the directory is empty or not there yet."""
    with storage_errors(out):
        if out.exists() and (not out.is_dir() or any(out.iterdir())):
            raise FolderError(
                "The directory for the export is not empty; nothing was written.",
                where=str(out),
                remedy="Name a new directory.",
            )


def export_scan(
    folder: Path | str,
    out_dir: Path | str,
    scan: str | None = None,
    progress: Progress = silent,
    *,
    sound: Sound = "wav",
) -> Exported:
    """Write one scan (the latest when none is named) into a new or empty directory.

    sound: kind of the recordings; WAV all the same where FLAC cannot hold the numbers. Strikes that
    a retake replaced stay behind. From a folder whose database is damaged the recordings are still
    written, by what they say of themselves.
    """
    path = existing_folder(folder)
    out = Path(out_dir)
    require_empty(out)
    try:
        with PlateFolder.open(path) as opened:
            content = _content_of(opened, scan or opened.latest_scan())
    except FolderDamagedError as problem:
        content = _content_of_recordings(path, scan, problem)
    return _write(content, out, progress, sound)


def add_to_package(out: Path, added: Mapping[str, tuple[str, str]]) -> None:
    """Tell of further files in datapackage.json: by file, its media type and what it holds."""
    path = out / _PACKAGE
    with storage_errors(path):
        package = json.loads(path.read_text(encoding="utf-8"))
        for name, (media_type, description) in added.items():
            package["resources"].append(
                {
                    "name": "".join(c if c.isalnum() else "-" for c in name.lower()),
                    "path": name,
                    "mediatype": media_type,
                    "description": description,
                    **_bytes_and_hash(out / name),
                }
            )
        _write_package(path, package)


def _content_of(folder: PlateFolder, scan: str) -> _Content:
    record = folder.scan_record(scan)
    facts = record.facts
    plate = {name: value for name, value in asdict(facts).items() if value is not None}
    plate.pop("arch_heights_mm", None)
    if facts.bars is not None:
        plate["bars"] = [text_of_bar(bar) for bar in facts.bars]
    plate |= record.conditions
    if record.microphone_xyz_mm is not None:
        plate["microphone_xyz_mm"] = record.microphone_xyz_mm
    items = tuple(
        _Item(s.tap, s.repeat, s.x_mm, s.y_mm, record.face, record.strength, s.clip, s.reading)
        for s in record.strikes
        if not s.superseded
    )
    return _Content(
        scan, items, record.outline, plate, record.simulated, record.notes, facts.arch_heights_mm
    )


def _content_of_recordings(folder: Path, scan: str | None, problem: FolderDamagedError) -> _Content:
    """Without a database: the newest take of each strike of one scan, from the files alone."""
    with ThreadPoolExecutor(4) as pool:
        known = [k for k in pool.map(identify, files_below(folder)) if k is not None]
    scans = sorted({tag.scan for tag, _ in known})
    if not scans or (scan is not None and scan not in scans):
        raise problem
    chosen = scan or scans[-1]
    newest: dict[tuple[int, int], tuple[int, _Item]] = {}
    simulated = False
    for tag, sound in known:
        key = (tag.tap, tag.repeat)
        if tag.scan != chosen or (key in newest and newest[key][0] > tag.take):
            continue
        simulated = simulated or tag.simulated
        clip = Clip(
            samples=sound.samples,
            sample_rate_hz=sound.sample_rate_hz,
            full_scale=tag.full_scale,
            mic_channel=tag.mic_channel,
            pickup_channel=tag.pickup_channel,
            strike_sample=tag.strike_sample,
            strike_speed_m_s=tag.strike_speed_m_s,
            rebound_ratio=tag.rebound_ratio,
        )
        item = _Item(tag.tap, tag.repeat, tag.x_mm, tag.y_mm, tag.face, tag.strength, clip)
        newest[key] = (tag.take, item)
    notes = (
        "The folder's database is damaged: this export was made from the recordings alone. "
        "Outline, facts about the plate and readings are missing; add outline.csv and plate.toml.",
        f"Scans found: {', '.join(scans)}.",
    )
    items = tuple(newest[key][1] for key in sorted(newest))
    return _Content(chosen, items, None, {"name": folder.stem}, simulated, notes)


def _write(content: _Content, out: Path, progress: Progress, sound: Sound) -> Exported:
    with storage_errors(out):
        (out / "audio").mkdir(parents=True, exist_ok=True)
        names = []
        for number, item in enumerate(content.items, start=1):
            data, suffix = encode_clip(item.clip, wav=sound == "wav")
            name = f"audio/{item.tap:06d}-r{item.repeat}{suffix}"
            (out / name).write_bytes(data)
            names.append(name)
            progress(ProgressEvent("writing recordings", number, len(content.items)))
        tables: dict[str, tuple[Field, ...]] = {
            "taps.csv": TAP_FIELDS,
            "readings.csv": READING_FIELDS,
            "partials.csv": PARTIAL_FIELDS,
        }
        _write_csv(out / "taps.csv", TAP_FIELDS, _tap_rows(content.items, names))
        _write_csv(out / "readings.csv", READING_FIELDS, _reading_rows(content.items, names))
        _write_csv(out / "partials.csv", PARTIAL_FIELDS, _partial_rows(content.items))
        if content.outline is not None:
            write_outline(out / "outline.csv", content.outline)
            rings = (Field("ring", "integer", "0: the rim; from 1: sound holes"),)
            tables["outline.csv"] = TAP_FIELDS[:2] + (rings if content.outline.holes else ())
        if content.heights is not None:
            write_heights(out / "heights.csv", content.heights)
            height = Field("height_mm", "number", "of the outer surface above the rim")
            tables["heights.csv"] = (*TAP_FIELDS[:2], height)
        (out / "plate.toml").write_text(_plate_toml(content), encoding="utf-8")
        package = _data_package(content, out, tables, names)
        _write_package(out / _PACKAGE, package)
    kind = sound.upper() if all(name.endswith(sound) for name in names) else "sound"
    files = (*sorted(tables), "plate.toml", _PACKAGE, f"audio/ ({len(names)} {kind} files)")
    return Exported(content.scan, out, files, len(content.items), content.simulated, content.notes)


def _tap_rows(items: Sequence[_Item], names: Sequence[str]) -> Iterable[tuple[Any, ...]]:
    for item, name in zip(items, names, strict=True):
        clip = item.clip
        yield (
            item.x_mm, item.y_mm, item.face, item.strength, name, item.repeat, clip.mic_channel,
            clip.pickup_channel, clip.strike_speed_m_s, clip.rebound_ratio, clip.strike_sample,
            clip.full_scale,
        )  # fmt: skip


def _reading_rows(items: Sequence[_Item], names: Sequence[str]) -> Iterable[tuple[Any, ...]]:
    for item, name in zip(items, names, strict=True):
        r = item.reading
        if r is not None:
            yield (
                item.tap, item.repeat, item.x_mm, item.y_mm, name, r.onset_s, r.tone_hz,
                r.tone_sd_hz, r.attack_hz, r.attack_sd_cents, r.contact_ms, r.contact_sd_ms,
                r.rebound_ratio, r.level_db, r.quality, " ".join(r.reasons),
            )  # fmt: skip


def _partial_rows(items: Sequence[_Item]) -> Iterable[tuple[Any, ...]]:
    for item in items:
        for p in item.reading.ring if item.reading is not None else ():
            yield (item.tap, item.repeat, p.hz, p.sd_hz, p.decay_s, p.level_db)


def _write_csv(path: Path, columns: Sequence[Field], rows: Iterable[tuple[Any, ...]]) -> None:
    memory = io.StringIO()
    writer = csv.writer(memory, lineterminator="\n")
    writer.writerow([column.name for column in columns])
    for row in rows:
        writer.writerow(["" if v is None else repr(v) if isinstance(v, float) else v for v in row])
    path.write_text(memory.getvalue(), encoding="utf-8")


def _plate_toml(content: _Content) -> str:
    lines = [f"# scan {content.scan}, written by {SOFTWARE}"]
    if content.simulated:
        lines.append("# SIMULATED: a virtual rig made these recordings; there is no such plate.")
        lines.append("simulated = true")
    lines += [f"{name} = {toml_value(value)}" for name, value in content.plate.items()]
    return "\n".join(lines) + "\n"


def _bytes_and_hash(path: Path) -> dict[str, Any]:
    return {"bytes": path.stat().st_size, "hash": f"sha256:{sha256_of(path)}"}


def _write_package(path: Path, package: dict[str, Any]) -> None:
    text = json.dumps(package, indent=2, ensure_ascii=False)
    write_durably(path, f"{text}\n".encode())


def _data_package(
    content: _Content, out: Path, tables: dict[str, tuple[Field, ...]], names: Sequence[str]
) -> dict[str, Any]:
    stamp = "SIMULATED. " if content.simulated else ""
    resources = [
        {
            **table_resource(name, columns),
            **_bytes_and_hash(out / name),
        }
        for name, columns in tables.items()
    ]
    if names:
        flac = all(name.endswith(".flac") for name in names)
        resources.append(
            {
                "name": "audio",
                "path": list(names),
                "mediatype": "audio/flac" if flac else "audio/wav",
                "description": "One recording per strike, integers exactly as captured.",
            }
        )
    slug = "".join(c if c.isalnum() else "-" for c in f"{content.plate['name']}".lower())
    return {
        "profile": "data-package",
        "name": f"{slug}-{content.scan.lower()}".strip("-"),
        "title": f"Tap scan {content.scan} of {content.plate['name']}",
        "description": f"{stamp}Plate frame: millimetres, seen from the outer face, neck end up, x "
        "to the right of the centre line, y up from the lower end. Empty: not known.",
        "created": utc_now(),
        "simulated": content.simulated,
        "software": SOFTWARE,
        "notes": list(content.notes),
        "resources": resources,
    }
