"""Plate folders with contact readings at every tap and no sound: cheap scans for the verbs."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from rig.archive.plate_folder import PlateFolder
from rig.model.clip import Clip
from rig.model.frames import Face, Strength
from rig.model.outline import Outline
from rig.model.plan import Plan, PlannedTap
from rig.model.plate_facts import PlateFacts
from rig.model.reading import ClipReading
from rig.model.scan_record import ScanState

Scan = tuple[Face, Strength, float, float]  # cents of the high places, contact at the middle in ms


def graduation(x: float, y: float) -> float:
    return -300.0 * (x / 100.0) ** 2 - 200.0 * ((y - 175.0) / 175.0) ** 2


def contact_reading(contact_ms: float) -> ClipReading:
    return ClipReading(
        onset_s=None, ring=(), tone_hz=None, tone_sd_hz=None, attack_hz=None,
        attack_sd_cents=None, contact_ms=contact_ms, contact_sd_ms=0.007 * contact_ms,
        rebound_ratio=None, level_db=-6.0, quality="good", reasons=(),
    )  # fmt: skip


def contact_folder(
    path: Path,
    facts: PlateFacts,
    outline: Outline,
    scans: Sequence[Scan],
    high: Sequence[tuple[float, float]],
    *,
    size: float = 1.0,
    seed: int = 31,
) -> Path:
    """A folder with a scan per entry; `high`: the places that stand out, size: of the plate."""
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.arange(-98.0, 99.0, 14.0), np.arange(9.0, 350.0, 14.0))
    xy = size * np.column_stack([x.ravel(), y.ravel()])
    xy = xy[outline.contains(xy) & (outline.edge_distance_mm(xy) > 5.0)]
    taps = tuple(PlannedTap(n, float(a), float(b)) for n, (a, b) in enumerate(xy))
    silence = Clip(np.zeros((16, 1), dtype=np.int32), 48000)
    with PlateFolder.create(path, facts, outline) as made:
        for face, strength, high_cents, middle_ms in scans:
            scan = made.new_scan(Plan(face, strength, 14.0 * size, 5.0, 1, taps))
            read = []
            for tap in taps:
                cents = graduation(tap.x_mm / size, tap.y_mm / size) + rng.normal(0.0, 12.0)
                for sx, sy in high:
                    gap = np.hypot(tap.x_mm / size - sx, tap.y_mm / size - sy)
                    cents += high_cents * np.exp(-0.5 * (gap / 18.0) ** 2)
                strike = made.store_strike(
                    scan, tap=tap.number, repeat=0, x_mm=tap.x_mm, y_mm=tap.y_mm, clip=silence
                )
                read.append((strike, contact_reading(middle_ms * 2.0 ** (-cents / 1200.0))))
            made.store_readings(read)
            made.set_state(scan, ScanState.FINISHED)
    return path
