"""A scan as one universal file, the plain text and binary blocks that modal test programs read.

Datasets 151 (header), 164 (units: SI), 15 (nodes), 82 (the rim as a trace line), 58b (time
histories), 55 (mode shapes and tones at the nodes), as documented by the Structural Dynamics
Research Laboratory of the University of Cincinnati ("Universal File Formats"). A tap is a node: tap
0 is node 1. The rim's nodes count from 100001, the microphone is node 900001.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO

import numpy as np

from rig.archive.naming import SOFTWARE
from rig.archive.storage import PART_SUFFIX, storage_errors
from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.scan_record import ScanRecord, Strike
from rig.model.units import FloatArray

FIRST_RIM_NODE, MICROPHONE_NODE = 100_001, 900_001
_MM = 1e-3  # in metres
_LINE = 80  # columns of a record
_REAL_SINGLE, _REAL_DOUBLE = 2, 4  # ordinate data types
_LARGEST_EXACT_SINGLE = 2**24  # integers up to here are exact in single precision
_FACE_DIRECTION = {"outer": -3, "inner": 3}  # a blow goes into the wood
_TIME, _PRESSURE, _FORCE, _UNKNOWN = 17, 15, 13, 0  # specific data types


@dataclass(frozen=True)
class ModeShape:
    """A partial's shape: amplitude (n,), signed, at the taps, normal to the plate."""

    hz: float
    decay_s: float
    taps: Sequence[int]
    amplitude: FloatArray


@dataclass(frozen=True)
class NodeValues:
    """One number at each of some taps (n,), such as the tone in cents; `name` says what."""

    name: str
    taps: Sequence[int]
    values: FloatArray


def write_universal(
    path: Path,
    scan: ScanRecord,
    modes: Sequence[ModeShape] = (),
    values: Sequence[NodeValues] = (),
    progress: Progress = silent,
) -> int:
    """Write nodes, every channel of every strike in use, mode shapes and tones; return the strikes.

    Samples are parts of full scale, exact in the precision chosen, so that reading them back gives
    the same integers. Raises FolderError and StorageFullError; there is no half file afterwards.
    """
    strikes = [strike for strike in scan.strikes if not strike.superseded]
    part = path.with_name(path.name + PART_SUFFIX)
    with storage_errors(path):
        try:
            with part.open("wb") as file:
                _write_header(file, scan)
                _write_nodes(file, scan, strikes)
                for number, strike in enumerate(strikes, start=1):
                    _write_strike(file, scan, strike, number)
                    progress(ProgressEvent("writing time histories", number, len(strikes)))
                for number, mode in enumerate(modes, start=1):
                    _write_mode(file, scan, mode, number)
                for one in values:
                    _write_values(file, scan, one)
            part.replace(path)
        except BaseException:
            part.unlink(missing_ok=True)
            raise
    return len(strikes)


def _block(file: BinaryIO, number: int, lines: Iterable[str]) -> None:
    """One dataset between its two delimiters."""
    text = "".join(f"{line}\n" for line in ("    -1", f"{number:6d}{'':74}", *lines, "    -1"))
    file.write(text.encode("ascii"))


def _id(text: str) -> str:
    """An ID line: never blank, plain letters, no longer than the record."""
    plain = text.encode("ascii", "replace").decode("ascii")[:_LINE].strip()
    return f"{plain or 'NONE':80}"


def _day_and_time(utc: str | None) -> tuple[str, str]:
    """DD-MMM-YY and HH:MM:SS, as ID lines carry them; NONE where the time is not known."""
    try:
        moment = datetime.fromisoformat(utc or "").astimezone(UTC)
    except ValueError:
        return "NONE", ""
    months = ["JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC"]
    day = f"{moment.day:02d}-{months[moment.month - 1]}-{moment.year % 100:02d}"
    return day, f"{moment:%H:%M:%S}"


def _stamp(scan: ScanRecord) -> str:
    return "SIMULATED " if scan.simulated else ""


def _write_header(file: BinaryIO, scan: ScanRecord) -> None:
    day, time = _day_and_time(scan.recorded_utc)
    now, clock = _day_and_time(datetime.now(UTC).isoformat())
    what = f"{_stamp(scan)}tap scan {scan.scan}, {scan.face} face, {scan.strength} strike"
    _block(
        file,
        151,
        [
            _id(scan.facts.name),
            _id(what),
            _id(SOFTWARE),
            f"{day:10}{time:10}{0:10d}{0:10d}{0:10d}",
            f"{day:10}{time:10}",
            _id(SOFTWARE),
            f"{now:10}{clock:10}",
        ],
    )
    factors = [f"{value:25.17E}".replace("E", "D") for value in (1.0, 1.0, 1.0, 273.15)]
    _block(
        file, 164, [f"{1:10d}{'SI: Meter (newton)':20}{2:10d}", "".join(factors[:3]), factors[3]]
    )


def _write_nodes(file: BinaryIO, scan: ScanRecord, strikes: Sequence[Strike]) -> None:
    places: dict[int, tuple[float, float, float]] = {}
    for strike in strikes:
        places.setdefault(strike.tap + 1, (strike.x_mm, strike.y_mm, 0.0))
    rim = [FIRST_RIM_NODE + k for k in range(len(scan.outline.rim))]
    for node, (x, y) in zip(rim, scan.outline.rim, strict=True):
        places[node] = (float(x), float(y), 0.0)
    if scan.microphone_xyz_mm is not None:
        places[MICROPHONE_NODE] = scan.microphone_xyz_mm
    _block(
        file,
        15,
        [
            f"{node:10d}{0:10d}{0:10d}{0:10d}" + "".join(f"{_MM * v:13.5E}" for v in place)
            for node, place in sorted(places.items())
        ],
    )
    trace = [*rim, rim[0]]
    rows = [trace[k : k + 8] for k in range(0, len(trace), 8)]
    head = [f"{1:10d}{len(trace):10d}{0:10d}", _id("rim of the plate")]
    _block(file, 82, [*head, *("".join(f"{node:10d}" for node in row) for row in rows)])


def _write_strike(file: BinaryIO, scan: ScanRecord, strike: Strike, number: int) -> None:
    """One dataset 58b for each channel: 11 records of text, then the samples."""
    clip = strike.clip
    direction = _FACE_DIRECTION[scan.face]
    day, time = _day_and_time(scan.recorded_utc)
    facts = {
        "strike_sample": clip.strike_sample,
        "speed_m_s": clip.strike_speed_m_s,
        "rebound": clip.rebound_ratio,
    }
    known = " ".join(f"{name}={value!r}" for name, value in facts.items() if value is not None)
    single = clip.full_scale <= _LARGEST_EXACT_SINGLE
    kind, numbers = (_REAL_SINGLE, "<f4") if single else (_REAL_DOUBLE, "<f8")
    for channel in range(clip.samples.shape[1]):
        role, measured = "other", _UNKNOWN
        if channel == clip.mic_channel:
            role, measured = "microphone", _PRESSURE
        elif channel == clip.pickup_channel:
            role, measured = "pickup", _FORCE
        node, way = (MICROPHONE_NODE, 0) if role != "pickup" else (strike.tap + 1, direction)
        data = (clip.samples[:, channel] / clip.full_scale).astype(numbers).tobytes()
        lines = [
            _id(f"{scan.scan} tap={strike.tap} repeat={strike.repeat} channel={channel} {role}"),
            _id(f"x_mm={float(strike.x_mm)!r} y_mm={float(strike.y_mm)!r}"),
            _id(f"{day} {time}"),
            _id(
                f"face={scan.face} strength={scan.strength} rate_hz={clip.sample_rate_hz} "
                f"full_scale={clip.full_scale} {_stamp(scan).lower()}"
            ),
            _id(known),
            f"{1:5d}{number:10d}{strike.repeat:5d}{0:10d} {'NONE':10}{node:10d}{way:4d}"
            f" {'NONE':10}{strike.tap + 1:10d}{direction:4d}",
            f"{kind:10d}{len(clip.samples):10d}{1:10d}{0.0:13.5E}{1.0 / clip.sample_rate_hz:13.5E}"
            f"{0.0:13.5E}",
            _axis(_TIME, "time", "s"),
            _axis(measured, role, "full scale"),
            _axis(_UNKNOWN, "NONE", "NONE"),
            _axis(_UNKNOWN, "NONE", "NONE"),
        ]
        # 58b, little endian, IEEE 754, eleven lines of text, then so many bytes
        identity = f"{58:6d}b{1:6d}{2:6d}{11:12d}{len(data):12d}{0:6d}{0:6d}{0:12d}{0:12d}"
        text = "".join(f"{line}\n" for line in ("    -1", identity, *lines))
        file.write(text.encode("ascii") + data + b"    -1\n")  # no line end after the samples


def _axis(kind: int, label: str, unit: str) -> str:
    return f"{kind:10d}{0:5d}{0:5d}{0:5d} {label:20} {unit:20}"


def _write_mode(file: BinaryIO, scan: ScanRecord, mode: ModeShape, number: int) -> None:
    """Dataset 55, normal mode: real motion along z; damping as the viscous ratio."""
    ratio = 1.0 / (2.0 * math.pi * mode.hz * mode.decay_s) if mode.decay_s > 0 else 0.0
    day, time = _day_and_time(scan.recorded_utc)
    lines = [
        _id(f"{_stamp(scan)}{scan.facts.name}"),
        _id(f"{scan.scan}, {scan.face} face"),
        _id(f"{day} {time}"),
        _id("partials of the plate, largest amplitude 1"),
        f"Mode Same {number:10d}Frequency {mode.hz:13.5E}",
        "".join(f"{value:10d}" for value in (1, 2, 2, 8, 2, 3)),
        "".join(f"{value:10d}" for value in (2, 4, 1, number)),
        f"{mode.hz:13.5E}{0.0:13.5E}{ratio:13.5E}{0.0:13.5E}",
    ]
    _block(file, 55, [*lines, *_node_lines(mode.taps, mode.amplitude)])


def _write_values(file: BinaryIO, scan: ScanRecord, one: NodeValues) -> None:
    """Dataset 55 without an analysis: a value at each tap, in the third place of a vector."""
    lines = [
        _id(f"{_stamp(scan)}{scan.facts.name}"),
        _id(one.name),
        _id(" ".join(_day_and_time(scan.recorded_utc))),
        _id(f"{scan.scan}, {scan.face} face; value in the third place"),
        _id("NONE"),
        "".join(f"{value:10d}" for value in (0, 0, 2, 1, 2, 3)),
        "".join(f"{value:10d}" for value in (1, 1, 1)),
        f"{0.0:13.5E}",
    ]
    _block(file, 55, [*lines, *_node_lines(one.taps, one.values)])


def _node_lines(taps: Sequence[int], values: FloatArray) -> Iterable[str]:
    for tap, value in zip(taps, values, strict=True):
        if np.isfinite(value):
            yield f"{int(tap) + 1:10d}"
            yield f"{0.0:13.5E}{0.0:13.5E}{float(value):13.5E}"
