"""A tap set: a plain directory of recordings, made by hand or by other programs.

`taps.csv` (x_mm,y_mm,face,strength,file and optional columns), sound files, optionally
`outline.csv`, `heights.csv` and `plate.toml`. What is wrong with a row is said of that row; the
rest is used.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field, fields
from difflib import get_close_matches
from pathlib import Path
from typing import Any, cast

import numpy as np

from rig.archive.csv_tables import TableError, TableRow, read_table
from rig.archive.height_files import read_heights
from rig.archive.outline_files import read_outline
from rig.model.errors import TapSetError
from rig.model.frames import Face, Strength
from rig.model.glued_bars import bar_of_text, checked_bars
from rig.model.outline import Outline
from rig.model.plate_facts import PlateFacts

REQUIRED = ("x_mm", "y_mm", "face", "strength", "file")
OPTIONAL = (
    "repeat", "mic_channel", "pickup_channel", "strike_speed_m_s", "rebound_ratio",
    "strike_sample", "full_scale",
)  # fmt: skip
_FACES, _STRENGTHS = ("outer", "inner"), ("light", "firm")
_TEXT_FACTS = ("name", "instrument", "wood", "reference", "notes")
_SCAN_KEYS = ("simulated", "microphone_xyz_mm")


@dataclass(frozen=True)
class Rejected:
    """A recording that was not taken in, and why."""

    file: str
    reason: str

    def as_json(self) -> dict[str, str]:
        """Plain values."""
        return {"file": self.file, "reason": self.reason}


@dataclass(frozen=True)
class TapSetRow:
    """One recording of a tap set; channels and repeats count from 0."""

    line: int
    x_mm: float
    y_mm: float
    face: Face
    strength: Strength
    file: str
    repeat: int | None = None
    mic_channel: int = 0
    pickup_channel: int | None = None
    strike_speed_m_s: float | None = None
    rebound_ratio: float | None = None
    strike_sample: int | None = None
    full_scale: int | None = None


@dataclass(frozen=True)
class TapSet:
    """What a directory holds, before any sound file is opened.

    facts: what plate.toml says of the plate, by name. microphone_xyz_mm: plate frame.
    """

    directory: Path
    rows: tuple[TapSetRow, ...]
    rejected: tuple[Rejected, ...]
    outline: Outline | None
    facts: dict[str, Any] = field(default_factory=dict)
    simulated: bool = False
    microphone_xyz_mm: tuple[float, float, float] | None = None
    cautions: tuple[str, ...] = ()


def read_tap_set(directory: Path | str) -> TapSet:
    """Read taps.csv, outline.csv, heights.csv and plate.toml.

    Raises TapSetError when there is no usable taps.csv or plate.toml is wrong, OutlineError when
    outline.csv is no outline, PlateFactsError for heights or bars that cannot be.
    """
    directory = Path(directory)
    path = directory / "taps.csv"
    if not directory.is_dir():
        raise TapSetError(
            "This is a file, not a directory of recordings."
            if directory.exists()
            else "There is no such directory.",
            where=str(directory),
            remedy="Name the directory that holds taps.csv and the recordings.",
        )
    try:
        table = read_table(path, REQUIRED)
    except TableError as problem:
        raise TapSetError(
            f"taps.csv cannot be used: {problem}.",
            where=str(path),
            remedy=f"Its first line must name the columns: {','.join(REQUIRED)}.",
        ) from None
    if not table.rows and not table.faults:
        raise TapSetError(
            "taps.csv holds no taps.",
            where=str(path),
            remedy=f"Write one line per recording: {','.join(REQUIRED)}.",
        )
    rows: list[TapSetRow] = []
    rejected = [Rejected(f"taps.csv line {line}", reason) for line, reason in table.faults]
    used: dict[str, TapSetRow] = {}
    for raw in table.rows:
        name = raw.text("file") or f"taps.csv line {raw.line}"
        try:
            row = _row(raw, directory)
            _check_unused(row, used)
        except TableError as problem:
            rejected.append(Rejected(name, f"{problem} (taps.csv line {raw.line})"))
        else:
            used[row.file] = row
            rows.append(row)
    known = {*REQUIRED, *OPTIONAL}
    cautions = [
        f"taps.csv: the column “{name}” is not known here and was passed over."
        for name in table.columns
        if name and name not in known
    ]
    outline_path = directory / "outline.csv"
    outline = read_outline(outline_path) if outline_path.exists() else None
    values = _read_plate_toml(directory / "plate.toml", cautions)
    heights_path = directory / "heights.csv"
    if heights_path.exists():
        values["arch_heights_mm"] = read_heights(heights_path, outline)
    if "bars" in values:
        checked_bars(values["bars"], outline, where=str(directory / "plate.toml"))
    microphone = values.pop("microphone_xyz_mm", None)
    return TapSet(
        directory=directory,
        rows=tuple(rows),
        rejected=tuple(rejected),
        outline=outline,
        simulated=bool(values.pop("simulated", False)),
        microphone_xyz_mm=microphone,
        facts=values,
        cautions=tuple(cautions),
    )


def _row(raw: TableRow, directory: Path) -> TapSetRow:
    speed = raw.optional_number("strike_speed_m_s")
    ratio = raw.optional_number("rebound_ratio")
    if speed is not None and speed <= 0:
        raise TableError(f"strike_speed_m_s is {speed:g}; a strike has a speed above 0")
    if ratio is not None and not 0 <= ratio <= 2:
        raise TableError(f"rebound_ratio is {ratio:g}; speed after over before lies in 0 to 1")
    return TapSetRow(
        line=raw.line,
        x_mm=raw.number("x_mm"),
        y_mm=raw.number("y_mm"),
        face=cast(Face, _choice(raw, "face", _FACES)),
        strength=cast(Strength, _choice(raw, "strength", _STRENGTHS)),
        file=_file_name(raw, directory),
        repeat=raw.optional_whole("repeat"),
        mic_channel=raw.optional_whole("mic_channel") or 0,
        pickup_channel=raw.optional_whole("pickup_channel"),
        strike_speed_m_s=speed,
        rebound_ratio=ratio,
        strike_sample=raw.optional_whole("strike_sample"),
        full_scale=raw.optional_whole("full_scale"),
    )


def _choice(raw: TableRow, name: str, known: tuple[str, ...]) -> str:
    text = raw.text(name).lower()
    if text in known:
        return text
    near = get_close_matches(text, known, n=1)
    hint = f"did you mean “{near[0]}”?" if near else f"it is one of: {', '.join(known)}"
    raise TableError(f"{name} is “{raw.text(name)}”: {hint}" if text else f"{name} is empty")


def _file_name(raw: TableRow, directory: Path) -> str:
    """The path of a recording below the directory, as the table writes it, made plain."""
    name = raw.text("file")
    if not name:
        raise TableError("no file is named")
    path = Path(name)
    if not (directory / path).exists() and "\\" in name:
        path = Path(name.replace("\\", "/"))
    if path.is_absolute() or ".." in path.parts:
        raise TableError("the file must lie inside the tap set's own directory")
    if not (directory / path).is_file():
        siblings = [p.name for p in (directory / path).parent.glob("*") if p.is_file()]
        near = get_close_matches(path.name, siblings, n=1, cutoff=0.85)
        hint = f"; there is a “{near[0]}”" if near else ""
        raise TableError(f"the file is missing{hint}")
    return path.as_posix()


def _check_unused(row: TapSetRow, used: dict[str, TapSetRow]) -> None:
    earlier = used.get(row.file)
    if earlier is None:
        return
    same = (earlier.x_mm, earlier.y_mm, earlier.face) == (row.x_mm, row.y_mm, row.face)
    if same:
        raise TableError(f"the same row stands on line {earlier.line} already")
    raise TableError(
        f"the same recording is given on line {earlier.line} for another place "
        f"({earlier.x_mm:g}, {earlier.y_mm:g} mm, {earlier.face})"
    )


def _read_plate_toml(path: Path, cautions: list[str]) -> dict[str, Any]:
    try:
        values = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as problem:
        raise TapSetError(
            f"plate.toml cannot be read: {problem}.",
            where=str(path),
            remedy='Write one value a line, texts in quotes: wood = "maple", mass_g = 112.5.',
        ) from None
    known = [f.name for f in fields(PlateFacts) if f.name != "arch_heights_mm"]
    facts: dict[str, Any] = {}
    for name, value in values.items():
        if name in known or name in _SCAN_KEYS:
            facts[name] = _checked_fact(name, value, path)
            continue
        near = get_close_matches(name, [*known, *_SCAN_KEYS], n=1, cutoff=0.6)
        hint = f" Did you mean “{near[0]}”?" if near else ""
        cautions.append(f"plate.toml: “{name}” is not known here and was passed over.{hint}")
    return facts


def _checked_fact(name: str, value: Any, path: Path) -> Any:
    def wrong(should: str) -> TapSetError:
        return TapSetError(
            f"plate.toml: {name} is {value!r}, but it should be {should}.", where=str(path)
        )

    if name in _TEXT_FACTS:
        if not isinstance(value, str):
            raise wrong("a text in quotes")
        return value.strip() or None
    if name == "bars":
        if not isinstance(value, list) or not all(isinstance(bar, str) for bar in value):
            raise wrong('a list of texts, such as ["-17,55,-21,320,3/11/3,5.5"]')
        return tuple(bar_of_text(bar, where=str(path)) for bar in value) or None
    if name == "simulated":
        if not isinstance(value, bool):
            raise wrong("true or false")
        return value
    numbers = value if isinstance(value, list) else [value]
    if not all(isinstance(n, int | float) and not isinstance(n, bool) for n in numbers):
        raise wrong("a number without quotes, with a decimal point")
    if not np.isfinite(np.array(numbers, dtype=np.float64)).all():
        raise wrong("a finite number")
    if name == "microphone_xyz_mm":
        if len(numbers) != 3:
            raise wrong("three numbers, [x, y, z], in the plate frame")
        return tuple(float(n) for n in numbers)
    if isinstance(value, list):
        raise wrong("one number")
    if name in ("mass_g", "mean_thickness_mm") and value <= 0:
        raise wrong("above 0")
    if name == "arching_mm" and value < 0:
        raise wrong("0 or more")
    if name == "humidity_percent" and not 0 <= value <= 100:
        raise wrong("from 0 to 100")
    return float(value)
