"""The tables of a rig file as pydantic models: which keys there are and what each may be.

They mirror `rig.model.rig_settings`, which holds the defaults; here every key may be left out but
those of a lens and of a marker.
"""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, FiniteFloat

from rig.archive.rig_words import sendable, several, with_dwell, with_fields

_DICTIONARY = re.compile(r"DICT_([4567])X\1_(50|100|250|1000)")

Positive = Annotated[FiniteFloat, Field(gt=0)]
PositiveWhole = Annotated[int, Field(gt=0)]
_SIDES = {"left": 0, "right": 1}


def _side(value: Any) -> Any:
    return _SIDES.get(value, value) if isinstance(value, str) else value


Channel = Annotated[int, Field(ge=0, le=63), BeforeValidator(_side)]


def _no_pickup(value: Any) -> Any:
    return None if value == "none" else value


def _camera_number(value: Any) -> Any:
    return str(value) if isinstance(value, int) and not isinstance(value, bool) else value


def _known_dictionary(value: str) -> str:
    if not _DICTIONARY.fullmatch(value):
        raise ValueError("should be a marker dictionary such as DICT_4X4_50")
    return value


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


Line = Annotated[str, AfterValidator(sendable)]
Lines = Annotated[list[Line], BeforeValidator(several)]
Words = Annotated[list[Annotated[str, Field(min_length=1)]], BeforeValidator(several)]


class IdentityTable(_Table):
    """[controller.identity]"""

    vid: Annotated[int | None, Field(ge=0, le=0xFFFF)] = None
    pid: Annotated[int | None, Field(ge=0, le=0xFFFF)] = None
    serial_number: Annotated[str | None, Field(min_length=1)] = None
    description: Annotated[str | None, Field(min_length=1)] = None


class Rs274Table(_Table):
    """[controller.rs274]"""

    banner: Annotated[str | None, Field(min_length=1)] = None
    acknowledgement: Annotated[str, Field(min_length=1)] = "ok"
    refusal: Words = []
    alarm: Words = []
    start: Lines = []
    home: Annotated[Lines, Field(min_length=1)] = []
    move: Annotated[Line, AfterValidator(with_fields({"x", "y"}, {"feed"}))] = ""
    arrived: Line = ""
    position: Line | None = None
    position_reply: Annotated[str, AfterValidator(with_fields({"x", "y"}))] = ""
    pulse_on: Line = ""
    dwell: Annotated[Line, AfterValidator(with_dwell)] = ""
    pulse_off: Line = ""
    halt: Annotated[Lines, Field(min_length=1)] = []
    clear: Lines = []
    lines_in_flight: Annotated[int, Field(ge=1, le=64)] = 1
    bytes_in_flight: Annotated[int, Field(ge=16, le=4096)] = 64


class ControllerTable(_Table):
    """[controller]"""

    link: Literal["platerig", "rs274"] = "platerig"
    port: str | None = None
    baud: PositiveWhole = 1
    speed_mm_s: Positive = 1.0
    acceleration_mm_s2: Positive = 1.0
    limits_mm: Annotated[list[FiniteFloat], Field(min_length=4, max_length=4)] = []
    settle_s: Annotated[FiniteFloat, Field(ge=0, le=10)] = 0.0
    heartbeat_s: Annotated[FiniteFloat, Field(gt=0, le=5)] = 1.0
    serial_log: Annotated[str | None, Field(min_length=1)] = None
    identity: IdentityTable | None = None
    rs274: Rs274Table | None = None


class TapperTable(_Table):
    """[tapper]"""

    light_pulse_us: PositiveWhole = 1
    firm_pulse_us: PositiveWhole = 1
    max_pulse_us: Annotated[int, Field(gt=0, le=100_000)] = 1
    max_duty: Annotated[FiniteFloat, Field(gt=0, le=1)] = 1.0
    offset_mm: Annotated[list[FiniteFloat], Field(min_length=2, max_length=2)] = []


class MicrophoneTable(_Table):
    """[microphone]"""

    device: str | None = None
    rate_hz: Annotated[int, Field(ge=8_000, le=768_000)] = 48_000
    mic_channel: Channel = 0
    pickup_channel: Annotated[Channel | None, BeforeValidator(_no_pickup)] = None
    position_mm: Annotated[list[FiniteFloat], Field(min_length=3, max_length=3)] | None = None
    before_s: Annotated[FiniteFloat, Field(ge=0, le=5)] = 0.0
    record_s: Annotated[FiniteFloat, Field(gt=0, le=60)] = 1.0


class LensTable(_Table):
    """[camera.lens]"""

    fx: Positive
    fy: Positive
    cx: FiniteFloat
    cy: FiniteFloat
    k1: FiniteFloat = 0.0
    k2: FiniteFloat = 0.0


class CameraTable(_Table):
    """[camera]"""

    source: Annotated[str | None, BeforeValidator(_camera_number)] = None
    exposure: FiniteFloat | None = None
    lock_exposure: bool = True
    lens: LensTable | None = None


class MarkerTable(_Table):
    """[[bed.marker]]"""

    id: Annotated[int, Field(ge=0, lt=1000)]
    x_mm: FiniteFloat
    y_mm: FiniteFloat
    size_mm: Positive


class BedTable(_Table):
    """[bed]"""

    width_mm: Positive = 1.0
    depth_mm: Positive = 1.0
    marker_dictionary: Annotated[str, AfterValidator(_known_dictionary)] = "DICT_4X4_50"
    marker: list[MarkerTable] = []


class RigTable(_Table):
    """The whole file."""

    name: str = "rig"
    controller: ControllerTable = ControllerTable()
    tapper: TapperTable = TapperTable()
    microphone: MicrophoneTable = MicrophoneTable()
    camera: CameraTable = CameraTable()
    bed: BedTable = BedTable()


_TABLES: dict[tuple[str, ...], type[_Table]] = {
    (): RigTable,
    ("controller",): ControllerTable,
    ("controller", "identity"): IdentityTable,
    ("controller", "rs274"): Rs274Table,
    ("tapper",): TapperTable,
    ("microphone",): MicrophoneTable,
    ("camera",): CameraTable,
    ("camera", "lens"): LensTable,
    ("bed",): BedTable,
    ("bed", "marker"): MarkerTable,
}


def keys_at(section: tuple[str, ...]) -> list[str]:
    """The keys that a section may hold."""
    table = _TABLES.get(section)
    return [] if table is None else list(table.model_fields)
