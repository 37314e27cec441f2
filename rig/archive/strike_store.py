"""Storing strikes, readings and pictures so that a crash at any moment loses nothing."""

from __future__ import annotations

import hashlib
import json
import re
import sqlite3
import struct
import zlib
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from rig.archive import rows
from rig.archive.naming import utc_now
from rig.archive.rows import StrikeTag
from rig.archive.sound_files import encode_clip
from rig.archive.storage import storage_errors, write_durably
from rig.model.clip import Clip
from rig.model.errors import UsageError
from rig.model.reading import ClipReading

if TYPE_CHECKING:
    from rig.archive.plate_folder import PlateFolder

_KIND = re.compile(r"[a-z0-9][a-z0-9-]{0,39}")


def store(
    folder: PlateFolder,
    scan: str,
    *,
    tap: int,
    repeat: int,
    x_mm: float,
    y_mm: float,
    clip: Clip,
    pulse_us: int | None,
    pulse_time_us: int | None,
    source: str | None,
) -> int:
    """Sound file first, then the row; see `PlateFolder.store_strike`."""
    folder.require_writer()
    tap, repeat = int(tap), int(repeat)
    plan = folder.plan(scan)
    where = f"{folder.path}, {scan}, tap {tap}"
    if not 0 <= tap < len(plan.taps) or repeat < 0:
        raise UsageError(f"The plan of {scan} has no tap {tap}, repeat {repeat}.", where=where)
    if not np.isfinite([x_mm, y_mm]).all():
        raise UsageError("The place of the strike is not known.", where=where)
    with folder.database.one_at_a_time():
        take, file = _free_name(folder, scan, tap, repeat)
        tag = StrikeTag(
            scan=scan,
            tap=tap,
            repeat=repeat,
            take=take,
            x_mm=float(x_mm),
            y_mm=float(y_mm),
            face=plan.face,
            strength=plan.strength,
            simulated=bool(folder.origin(scan).get("simulated")),
            full_scale=int(clip.full_scale),
            mic_channel=int(clip.mic_channel),
            pickup_channel=_whole(clip.pickup_channel),
            strike_sample=_whole(clip.strike_sample),
            strike_speed_m_s=_real(clip.strike_speed_m_s),
            rebound_ratio=_real(clip.rebound_ratio),
            pulse_us=_whole(pulse_us),
            pulse_time_us=_whole(pulse_time_us),
            recorded_utc=utc_now(),
            source=source,
        )
        data, suffix = encode_clip(clip, tag.text())
        file += suffix
        path = folder.path / file
        with storage_errors(path):
            path.parent.mkdir(parents=True, exist_ok=True)
            write_durably(path, data, read_only=True)
        count, channels = clip.samples.shape
        with folder.database.transaction() as db:
            return insert_strike(
                db,
                tag,
                file=file,
                sha256=hashlib.sha256(data).hexdigest(),
                shape=(count, channels),
                sample_rate_hz=int(clip.sample_rate_hz),
            )


def insert_strike(
    db: sqlite3.Connection,
    tag: StrikeTag,
    *,
    file: str,
    sha256: str,
    shape: tuple[int, int],
    sample_rate_hz: int,
) -> int:
    """Add the row of a recording inside a transaction; the latest take of a repeat is used."""
    same = (tag.scan, tag.tap, tag.repeat)
    later = db.execute(
        "SELECT 1 FROM strike WHERE scan = ? AND tap = ? AND repeat = ? AND take > ?",
        (*same, tag.take),
    ).fetchone()
    if later is None:
        db.execute(
            "UPDATE strike SET superseded = 1, superseded_reason = 'a retake replaced it' "
            "WHERE scan = ? AND tap = ? AND repeat = ? AND superseded = 0",
            same,
        )
    values = (
        *same, tag.take, tag.x_mm, tag.y_mm, file, sha256, *shape, sample_rate_hz, tag.full_scale,
        tag.mic_channel, tag.pickup_channel, tag.strike_sample, tag.strike_speed_m_s,
        tag.rebound_ratio, tag.pulse_us, tag.pulse_time_us, tag.recorded_utc, tag.source,
        0 if later is None else 1, None if later is None else "a later take was there already",
    )  # fmt: skip
    marks = ", ".join("?" * len(values))
    strike_id = db.execute(f"INSERT INTO strike VALUES (NULL, {marks})", values).lastrowid
    assert strike_id is not None
    return strike_id


def _free_name(folder: PlateFolder, scan: str, tap: int, repeat: int) -> tuple[int, str]:
    """The next take of this repeat, and its file name without suffix; never one in use."""
    row = folder.database.row(
        "SELECT max(take) AS take FROM strike WHERE scan = ? AND tap = ? AND repeat = ?",
        (scan, tap, repeat),
    )
    take = 0 if row is None or row["take"] is None else int(row["take"]) + 1
    while True:
        again = f"-t{take}" if take else ""
        name = f"audio/{scan}/{tap:06d}-r{repeat}{again}"
        if not any((folder.path / f"{name}{suffix}").exists() for suffix in (".flac", ".wav")):
            return take, name
        take += 1


def store_readings(
    folder: PlateFolder,
    pairs: Iterable[tuple[int, ClipReading]],
    analysis: str,
    parameters: dict[str, Any],
) -> int:
    """Add readings in one transaction; returns the number of the last, 0 when there were none."""
    folder.require_writer()
    tagged = (analysis, json.dumps(parameters, sort_keys=True), utc_now())
    columns = ", ".join(rows.READING_COLUMNS)
    marks = ", ".join("?" * (len(rows.READING_COLUMNS) + 6))
    sql = (
        f"INSERT INTO reading (strike_id, analysis, parameters, made_utc, {columns}, reasons, ring)"
        f" VALUES ({marks})"
    )
    last = 0
    with folder.database.transaction() as db:
        for given_id, reading in pairs:
            strike_id = int(given_id)
            if not db.execute("SELECT 1 FROM strike WHERE strike_id = ?", (strike_id,)).fetchone():
                raise UsageError(f"There is no strike {strike_id}.", where=str(folder.path))
            values = (strike_id, *tagged, *rows.reading_values(reading))
            last = db.execute(sql, values).lastrowid or 0
    return last


def supersede(folder: PlateFolder, strike_id: int, reason: str) -> None:
    """Take a strike out of use."""
    folder.require_writer()
    with folder.database.transaction() as db:
        changed = db.execute(
            "UPDATE strike SET superseded = 1, superseded_reason = ? WHERE strike_id = ?",
            (reason, int(strike_id)),
        ).rowcount
    if changed == 0:
        raise UsageError(f"There is no strike {strike_id}.", where=str(folder.path))


def reinstate(folder: PlateFolder, strike_id: int) -> None:
    """Take a superseded strike back into use, where no other one has taken its place since."""
    folder.require_writer()
    with folder.database.transaction() as db:
        changed = db.execute(
            "UPDATE strike SET superseded = 0, superseded_reason = '' WHERE strike_id = ? "
            "AND NOT EXISTS (SELECT 1 FROM strike o WHERE o.scan = strike.scan "
            "AND o.tap = strike.tap AND o.repeat = strike.repeat AND o.superseded = 0)",
            (int(strike_id),),
        ).rowcount
    if changed == 0:
        raise UsageError(
            f"Strike {strike_id} is not there, or another one stands in its place.",
            where=str(folder.path),
        )


def store_image(
    folder: PlateFolder, scan: str | None, kind: str, image: bytes | np.ndarray
) -> Path:
    """Keep a picture under images/; the name says what it shows."""
    folder.require_writer()
    if not _KIND.fullmatch(kind):
        raise UsageError(f"“{kind}” is no short name for a picture, such as “location”.")
    if scan is not None:
        folder.plan(scan)
    data = image if isinstance(image, bytes) else png_of(image)
    suffix = ".jpg" if data[:2] == b"\xff\xd8" else ".png"
    with folder.database.one_at_a_time():
        number = 1
        while True:
            file = f"images/{scan or 'plate'}-{kind}-{number}{suffix}"
            path = folder.path / file
            if not path.exists():
                break
            number += 1
        with storage_errors(path):
            path.parent.mkdir(exist_ok=True)
            write_durably(path, data, read_only=True)
        with folder.database.transaction() as db:
            db.execute(
                "INSERT INTO image (scan, kind, file, sha256, saved_utc) VALUES (?, ?, ?, ?, ?)",
                (scan, kind, file, hashlib.sha256(data).hexdigest(), utc_now()),
            )
    return path


def png_of(pixels: np.ndarray) -> bytes:
    """PNG bytes (ISO/IEC 15948) of (h, w) grey or (h, w, 3) blue-green-red uint8 pixels."""
    if pixels.dtype != np.uint8 or pixels.ndim not in (2, 3) or pixels.size == 0:
        raise UsageError(f"A picture of shape {pixels.shape}, {pixels.dtype} cannot be kept.")
    if pixels.ndim == 3 and pixels.shape[2] != 3:
        raise UsageError(f"A picture needs 1 or 3 colours, not {pixels.shape[2]}.")
    colour = pixels.ndim == 3
    lines = (pixels[:, :, ::-1] if colour else pixels).reshape(pixels.shape[0], -1)
    filtered = np.empty((lines.shape[0], lines.shape[1] + 1), dtype=np.uint8)
    filtered[:, 0] = 2  # each line as its difference from the one above: packs better
    filtered[0, 1:] = lines[0]
    filtered[1:, 1:] = lines[1:] - lines[:-1]
    height, width = pixels.shape[:2]
    header = struct.pack(">IIBBBBB", width, height, 8, 2 if colour else 0, 0, 0, 0)

    def chunk(name: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
        )

    body = zlib.compress(filtered.tobytes(), level=3)
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        (chunk(b"IHDR", header), chunk(b"IDAT", body), chunk(b"IEND", b""))
    )


def _whole(value: Any) -> int | None:
    return None if value is None else int(value)


def _real(value: Any) -> float | None:
    return None if value is None else float(value)
