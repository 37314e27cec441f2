"""What a report says of the rig: which one, and how old its calibrations were at the scan."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import PurePath

from rig.model.rig_settings import RigSettings
from rig.model.scan_record import ScanRecord


def calibrations_not_held(scans: Sequence[ScanRecord]) -> list[str]:
    """What of the rig's calibrations did not hold, each sentence once with its scans."""
    said: dict[str, list[str]] = {}
    for scan in scans:
        if scan.calibration.cautions:
            said.setdefault(scan.calibration.sentence, []).append(scan.scan)
    return [f"{', '.join(names)}: {sentence}" for sentence, names in said.items()]


def rig_pairs(
    scan: ScanRecord, settings: RigSettings | None, rig_file: str | None
) -> tuple[tuple[str, str], ...]:
    """The rig in a few words, then each calibration record that held with its age at the scan."""
    pairs: list[tuple[str, str]] = []
    if settings is not None:
        name = "virtual rig" if scan.world is not None else settings.name
        file = f" ({PurePath(rig_file).name})" if rig_file else ""
        pairs.append(("rig", f"{name}{file}"))
        tapper, microphone = settings.tapper, settings.microphone
        pulse = tapper.light_pulse_us if scan.strength == "light" else tapper.firm_pulse_us
        pairs.append(("hammer", f"{scan.strength} strike, pulse of {pulse} µs"))
        channels = "microphone" + ("" if microphone.pickup_channel is None else " and pickup")
        pairs.append(("sound", f"{microphone.rate_hz / 1000:g} kHz, {channels}"))
    pairs += [(f"record: {kind}", record_words(name, scan)) for kind, name in _records(scan)]
    return tuple(pairs)


def _records(scan: ScanRecord) -> Sequence[tuple[str, str]]:
    from rig.calibrate.records import KINDS

    return [
        (KINDS[kind][0] if kind in KINDS else kind, name) for kind, name in scan.calibration.records
    ]


def record_words(name: str, scan: ScanRecord) -> str:
    """A record's day and how old it was at the scan, by its name `KIND-YYYYMMDDTHHMMSSZ`."""
    try:
        made = datetime.strptime(name.rpartition("-")[2], "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
    except ValueError:
        return name
    day = f"made {made:%Y-%m-%d}"
    try:
        at = datetime.fromisoformat((scan.recorded_utc or "").replace("Z", "+00:00"))
    except ValueError:
        return f"{day} ({name})"
    days = (at - made).total_seconds() / 86400.0
    age = f"{days:.0f} days" if days >= 2 else f"{max(days * 24.0, 0.0):.0f} hours"
    return f"{day}, {age} old at the scan ({name})"
