"""The rig file: one TOML file describes one rig; every mistake is named with its line.

Values that the file leaves out keep the defaults of `rig.model.rig_settings`; `rig_values` says of
every value whether it came from the file. TOML has no null: `pickup_channel = "none"` says
that there is no pickup.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from rig.archive.rig_words import impossible_words
from rig.archive.rows import Problem
from rig.archive.storage import storage_errors, write_durably
from rig.archive.toml_lines import line_of
from rig.model.errors import RigFileError
from rig.model.rig_settings import (
    BedMarker,
    BedSettings,
    CameraSettings,
    ControllerSettings,
    LensSettings,
    MicrophoneSettings,
    PortIdentity,
    RigSettings,
    Rs274Settings,
    TapperSettings,
)

_SECTIONS = ("lens", "identity", "rs274")  # tables within tables that may be missing
_MOST_BYTES = 2_000_000
_FIX = "Mend the line and try again; `platerig check --rig` shows every value and its origin."


@dataclass(frozen=True)
class RigValue:
    """One setting of a rig: key such as `controller.speed_mm_s`; origin "file" or "default"."""

    key: str
    value: Any
    origin: str


def load_rig_file(path: Path | str) -> RigSettings:
    """Read and check a rig file; raises RigFileError naming every mistake with key and line."""
    return _load(Path(path))[0]


def rig_values(path: Path | str) -> list[RigValue]:
    """Every setting with its value and where that came from; raises RigFileError."""
    settings, given = _load(Path(path))
    return list(_flat(settings, given))


def rig_cautions(settings: RigSettings, where: str) -> list[Problem]:
    """What may be loaded but will stand in the way of some job."""
    found = []

    def say(what: str, remedy: str) -> None:
        found.append(Problem(what, where, remedy))

    bed, microphone, tapper = settings.bed, settings.microphone, settings.tapper
    if len(bed.markers) < 3:
        say(
            f"The bed has {len(bed.markers)} marker(s); the plate is located from at least three.",
            "Fix printed markers to the bed and enter each as [[bed.marker]] with id, x_mm, y_mm, "
            "size_mm.",
        )
    for marker in bed.markers:
        if not (0 <= marker.x_mm <= bed.width_mm and 0 <= marker.y_mm <= bed.depth_mm):
            say(
                f"Marker {marker.id} lies off the bed (x {marker.x_mm:g}, y {marker.y_mm:g} mm).",
                "Measure its centre from the homed corner, X right and Y away.",
            )
    if tapper.light_pulse_us >= tapper.firm_pulse_us:
        say(
            f"The light pulse ({tapper.light_pulse_us} µs) is not shorter than the firm one "
            f"({tapper.firm_pulse_us} µs).",
            "Set light_pulse_us below firm_pulse_us in [tapper].",
        )
    if settings.camera.lens is None:
        say(
            "The camera's lens is not known: it will be estimated from the picture, or refused.",
            "Enter fx, fy, cx, cy (pixels) in [camera.lens].",
        )
    if microphone.position_mm is None:
        say(
            "The microphone's place is not known; the local tone needs it to about 20 mm.",
            "Enter position_mm = [x, y, z] in [microphone]: bed frame, z above the bed.",
        )
    controller = settings.controller
    if controller.port is None and controller.identity is None:
        say(
            "No port is named for the controller.",
            "Enter port in [controller], or what `platerig devices` says of it in "
            "[controller.identity].",
        )
    x0, y0, x1, y1 = controller.limits_mm
    if x0 < 0 or y0 < 0 or x1 > bed.width_mm or y1 > bed.depth_mm:
        say(
            f"The gantry's limits reach beyond the bed: x {x0:g} to {x1:g}, y {y0:g} to {y1:g} mm.",
            "Set limits_mm in [controller] within width_mm and depth_mm of [bed].",
        )
    return found


def settings_of_values(values: Mapping[str, Any]) -> RigSettings:
    """Settings back from `dataclasses.asdict`, as a scan keeps them; unknown keys are passed by."""
    bed = dict(values.get("bed") or {})
    camera = dict(values.get("camera") or {})
    markers = tuple(_make(BedMarker, marker) for marker in bed.get("markers") or ())
    lens = camera.get("lens")
    controller = dict(values.get("controller") or {})
    for name, kind in (("identity", PortIdentity), ("rs274", Rs274Settings)):
        if controller.get(name) is not None:
            controller[name] = _make(kind, controller[name])
    return RigSettings(
        name=str(values.get("name", "rig")),
        controller=_make(ControllerSettings, controller),
        tapper=_make(TapperSettings, values.get("tapper") or {}),
        microphone=_make(MicrophoneSettings, values.get("microphone") or {}),
        camera=_make(CameraSettings, {**camera, "lens": lens and _make(LensSettings, lens)}),
        bed=_make(BedSettings, {**bed, "markers": markers}),
    )


def write_rig_file(settings: RigSettings, path: Path | str) -> Path:
    """Write every known value; reading the file gives back the same settings."""
    path = Path(path)
    lines = ["# A rig of platerig. Millimetres, bed frame: X right, Y away, from the homed corner."]
    lines.append(f"name = {toml_value(settings.name)}")
    for room in fields(settings):
        part = getattr(settings, room.name)
        if is_dataclass(part):
            lines += ["", f"[{room.name}]", *_toml_lines(part)]
            for below in _SECTIONS:
                inner = getattr(part, below, None)
                if inner is not None:
                    lines += ["", f"[{room.name}.{below}]", *_toml_lines(inner)]
            for marker in getattr(part, "markers", ()):
                lines += ["", "[[bed.marker]]", *_toml_lines(marker)]
    with storage_errors(path):
        write_durably(path, ("\n".join(lines) + "\n").encode())
    return path


def _load(path: Path) -> tuple[RigSettings, dict[str, Any]]:
    """The settings, and the nested values that the file itself gives."""
    values, text = _parse(path)
    _fetch_lens_record(values, path)
    from pydantic import ValidationError

    from rig.archive.rig_schema import RigTable

    try:
        table = RigTable.model_validate(values)
    except ValidationError as problem:
        sentences = [_sentence(error, text) for error in problem.errors()]
        raise RigFileError(" ".join(sentences), where=str(path), remedy=_FIX) from None
    given = table.model_dump(exclude_unset=True)
    if "marker" in given.get("bed", {}):
        given["bed"]["markers"] = given["bed"].pop("marker")
    settings = settings_of_values(given)
    wrong = _impossible(settings)
    if wrong:
        raise RigFileError(" ".join(wrong), where=str(path), remedy=_FIX)
    return settings, given


def _parse(path: Path) -> tuple[dict[str, Any], str]:
    try:
        size = path.stat().st_size
        if size > _MOST_BYTES:
            raise RigFileError(
                f"This is no rig file: it has {size / 1e6:.0f} MB.",
                where=str(path),
                remedy="A rig file is a text of a few kilobytes.",
            )
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise RigFileError(
            "There is no such rig file.",
            where=str(path),
            remedy="Begin with a copy of calibration/example-rig.toml.",
        ) from None
    except (OSError, UnicodeDecodeError) as problem:
        raise RigFileError(f"The rig file cannot be read: {problem}.", where=str(path)) from None
    try:
        return tomllib.loads(text), text
    except tomllib.TOMLDecodeError as problem:
        raise RigFileError(
            f"The rig file is not valid TOML: {problem}.",
            where=str(path),
            remedy="Texts stand in quotes, numbers have a decimal point, sections look like [bed].",
        ) from None


def _fetch_lens_record(values: dict[str, Any], path: Path) -> None:
    """Put the numbers of a lens record in the place of its name."""
    camera = values.get("camera")
    if not isinstance(camera, dict) or not isinstance(camera.get("lens"), str):
        return
    name = camera["lens"]
    for candidate in (path.parent / name, path.parent / f"{name}.toml"):
        if candidate.is_file():
            record = _parse(candidate)[0]
            camera["lens"] = record.get("lens", record)
            return
    raise RigFileError(
        f"There is no lens record “{name}” beside the rig file.",
        where=str(path),
        remedy="Enter fx, fy, cx, cy in [camera.lens], or put the record there.",
    )


def _sentence(error: Any, text: str) -> str:
    """One mistake that pydantic found, in plain words with its line and section."""
    from rig.archive.rig_schema import keys_at

    path = [part for part in error["loc"] if not str(part).startswith(("function", "literal"))]
    keys = [part for part in path if isinstance(part, str)]
    place = _place(path, text)
    key = keys[-1] if keys else "?"
    if error["type"] == "extra_forbidden":
        known = keys_at(tuple(keys[:-1]))
        near = get_close_matches(key, known, n=1, cutoff=0.5)
        hint = f"did you mean “{near[0]}”?" if near else f"known here: {', '.join(known)}."
        return f"Unknown key “{key}” {place}: {hint}"
    if error["type"] == "missing":
        return f"“{key}” is missing {place}."
    message = str(error["msg"]).rstrip(".")
    for start in ("Value error, ", "Input ", "List "):
        message = message.removeprefix(start)
    message = message.partition(" after validation")[0]
    if error["type"] == "model_type":
        message = f"should be a table, written [{key}]"
    return f"“{key}” {place} is {error['input']!r}, but it {message}."


def _place(path: list[Any], text: str) -> str:
    if path and isinstance(path[-1], int):  # one of several values of a key
        path = path[:-1]
    section = ".".join(str(part) for part in path[:-1] if isinstance(part, str))
    line = line_of(text, path)
    number = [part for part in path if isinstance(part, int)]
    where = f"in [{section}]" if section else "at the top of the file"
    if number and section:
        where = f"in [[{section}]] number {number[0] + 1}"
    return f"{where}, line {line}" if line else where


def _impossible(settings: RigSettings) -> list[str]:
    """What each value allows by itself but the values together do not."""
    wrong = []
    tapper, microphone = settings.tapper, settings.microphone
    for name in ("light_pulse_us", "firm_pulse_us"):
        if getattr(tapper, name) > tapper.max_pulse_us:
            wrong.append(
                f"“{name}” in [tapper] is {getattr(tapper, name)} µs, more than max_pulse_us "
                f"({tapper.max_pulse_us} µs)."
            )
    x0, y0, x1, y1 = settings.controller.limits_mm
    if x0 >= x1 or y0 >= y1:
        wrong.append(
            "“limits_mm” in [controller] must be [x_min, y_min, x_max, y_max], minimum first."
        )
    if microphone.mic_channel == microphone.pickup_channel:
        wrong.append(
            f"Microphone and pickup are both on channel {microphone.mic_channel} in [microphone]; "
            "without a pickup write pickup_channel = “none”."
        )
    if settings.controller.link == "rs274":
        wrong += impossible_words(settings.controller.rs274)
    identity = settings.controller.identity
    if identity is not None and identity == PortIdentity():
        wrong.append("[controller.identity] says nothing: enter vid, pid, serial_number or more.")
    numbers = [marker.id for marker in settings.bed.markers]
    twice = sorted({number for number in numbers if numbers.count(number) > 1})
    if twice:
        wrong.append(f"Marker id {twice[0]} stands in two [[bed.marker]] tables.")
    return wrong


def _make(kind: Any, values: Mapping[str, Any]) -> Any:
    known = {field.name for field in fields(kind)}
    return kind(
        **{
            name: tuple(value) if isinstance(value, list) else value
            for name, value in values.items()
            if name in known
        }
    )


def _flat(part: Any, given: Any, prefix: str = "") -> list[RigValue]:
    found = []
    for field in fields(part):
        value = getattr(part, field.name)
        in_file = isinstance(given, dict) and field.name in given
        below = given[field.name] if in_file else {}
        key = f"{prefix}{field.name}"
        if value is None and field.name in ("identity", "rs274"):
            continue  # most rigs need neither
        if is_dataclass(value):
            found += _flat(value, below, f"{key}.")
        elif field.name == "markers" and value:
            for number, marker in enumerate(value):
                found += _flat(marker, below[number] if in_file else {}, f"bed.marker[{number}].")
        else:
            plain = list(value) if isinstance(value, tuple) else value
            found.append(RigValue(key, plain, "file" if in_file else "default"))
    return found


def _toml_lines(part: Any) -> list[str]:
    lines = []
    for field in fields(part):
        value = getattr(part, field.name)
        if field.name in (*_SECTIONS, "markers"):
            continue
        if value is None and field.name != "pickup_channel":
            lines.append(f"# {field.name} is not known")
        else:
            lines.append(f"{field.name} = {toml_value('none' if value is None else value)}")
    return lines


def toml_value(value: Any) -> str:
    """One value as TOML writes it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, tuple | list):
        return f"[{', '.join(toml_value(item) for item in value)}]"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    return repr(value)
