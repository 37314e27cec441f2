"""Which calibrations of the rig held when a scan was made, and what the rig can tell apart."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

_BY_HAND = "No calibration known: the recordings were gathered, not made by this rig."
_VIRTUAL = "No calibration is needed on the virtual rig, and none was noted."
_BEFORE = "No calibration known: it was not noted when the scan was made."


@dataclass(frozen=True)
class CalibrationNote:
    """What a scan says of the rig's calibrations at its start.

    sentence: all of it in one; used: names of the records that held; cautions: a sentence for each
    kind that did not hold; records: kind → name of the record that held; folder: where they lie.
    """

    sentence: str = _BEFORE
    used: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    records: tuple[tuple[str, str], ...] = ()
    folder: str | None = None

    def as_json(self) -> dict[str, Any]:
        """For the answers of map, zones and report."""
        return {
            "sentence": self.sentence,
            "used": list(self.used),
            "cautions": list(self.cautions),
        }

    @classmethod
    def of_origin(cls, origin: Mapping[str, Any]) -> CalibrationNote:
        """Read what a scan's origin says; a scan that says nothing gets the reason why."""
        noted = origin.get("calibration")
        if isinstance(noted, Mapping):
            records = noted.get("records") or {}
            return cls(
                str(noted.get("sentence", _BEFORE)),
                tuple(noted.get("used", ())),
                tuple(noted.get("cautions", ())),
                tuple(sorted((str(kind), str(name)) for kind, name in records.items())),
                noted.get("folder"),
            )
        if "gathered_from" in origin:
            return cls(_BY_HAND)
        return cls(_VIRTUAL if origin.get("world") is not None else _BEFORE)


@dataclass(frozen=True)
class SmallestChange:
    """The smallest change that means something, by a repeatability study; cents None: no study."""

    cents: float | None = None
    sentence: str = "No repeatability study is known."


NOT_STUDIED = SmallestChange()
