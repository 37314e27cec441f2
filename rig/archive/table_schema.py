"""The columns of exported tables, described in Frictionless Table Schema (version 1)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Field:
    """One column: name, Frictionless type, and what it says."""

    name: str
    type: str
    description: str
    choices: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """The field descriptor."""
        field: dict[str, Any] = {
            "name": self.name,
            "type": self.type,
            "description": self.description,
        }
        if self.choices:
            field["constraints"] = {"enum": list(self.choices)}
        return field


TAP_FIELDS = (
    Field("x_mm", "number", "place of the strike, plate frame, right of the centre line"),
    Field("y_mm", "number", "place of the strike, plate frame, up from the lower end"),
    Field("face", "string", "which face was struck", ("outer", "inner")),
    Field("strength", "string", "how hard", ("light", "firm")),
    Field("file", "string", "the recording"),
    Field("repeat", "integer", "which strike on this place, from 0"),
    Field("mic_channel", "integer", "channel of the microphone, from 0"),
    Field("pickup_channel", "integer", "channel of the hammer's pickup, from 0"),
    Field("strike_speed_m_s", "number", "speed of the hammer before the blow"),
    Field("rebound_ratio", "number", "speed of the hammer after over before the blow"),
    Field("strike_sample", "integer", "sample at which the strike began, where known"),
    Field("full_scale", "integer", "the integer that stands for 1.0 in the recording"),
)
READING_FIELDS = (
    Field("tap", "integer", "number in the order of the scan, from 0"),
    Field("repeat", "integer", "which strike on this place, from 0"),
    Field("x_mm", "number", "place of the strike, plate frame"),
    Field("y_mm", "number", "place of the strike, plate frame"),
    Field("file", "string", "the recording"),
    Field("onset_s", "number", "when the strike begins in the recording, s"),
    Field("tone_hz", "number", "the one pitch a musician would name"),
    Field("tone_sd_hz", "number", "one standard deviation of tone_hz"),
    Field("attack_hz", "number", "what a listener calls higher or lower in the first 20 ms"),
    Field("attack_sd_cents", "number", "one standard deviation of attack_hz, cents"),
    Field("contact_ms", "number", "width of the force pulse (impulse over peak)"),
    Field("contact_sd_ms", "number", "one standard deviation of contact_ms"),
    Field("rebound_ratio", "number", "speed of the hammer after over before the blow"),
    Field("level_db", "number", "peak of the microphone channel against full scale"),
    Field("quality", "string", "whether the reading may be used", ("good", "doubtful", "bad")),
    Field("reasons", "string", "why"),
)
PARTIAL_FIELDS = (
    Field("tap", "integer", "number in the order of the scan, from 0"),
    Field("repeat", "integer", "which strike on this place, from 0"),
    Field("hz", "number", "frequency of the partial"),
    Field("sd_hz", "number", "one standard deviation of hz"),
    Field("decay_s", "number", "time in which the amplitude falls to 1/e"),
    Field("level_db", "number", "against the strongest partial, at the strike"),
)


def table_resource(path: str, columns: tuple[Field, ...]) -> dict[str, Any]:
    """The resource descriptor of a CSV table."""
    return {
        "name": path.removesuffix(".csv"),
        "path": path,
        "profile": "tabular-data-resource",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "dialect": {"delimiter": ",", "header": True, "lineTerminator": "\n"},
        "schema": {
            "fields": [column.as_json() for column in columns],
            "missingValues": [""],
        },
    }
