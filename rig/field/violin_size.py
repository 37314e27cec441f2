"""Cellos and guitars read as violin plates seen from nearer.

The estimators of local tone know the waves that tell it by their length, 30 to 60 mm, and want taps
closer than half of that: right for a violin, wasteful for a plate four times as large, whose zones
are larger too. A plate n times as large in every direction, of the same wood, rings with n times
slower swings; its sound in the air keeps its speed, for ways and times grow alike (geometric
similarity of elastic bodies: Lord Rayleigh, The Theory of Sound, §381). So the whole scan is
reduced to a violin's size, lengths and times alike, read, and carried back.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rig.field.differences import Difference
from rig.model.errors import AnalysisError
from rig.model.frames import PlateXY
from rig.model.outline import Outline
from rig.model.plate_facts import Bar, PlateFacts
from rig.model.reading import ClipReading
from rig.model.scan_record import ScanRecord, Strike
from rig.model.tone_map import TapTone

# Wood is uneven over centimetres whatever the size of the plate; taps and waves as far apart as on
# a large one do not tell that (tests/bench/bench_large_plates.py, seeds 500 and 501).
_FINE_CENTS = 12.0


def reduced(scan: ScanRecord, times: float) -> ScanRecord:
    """The scan of a plate `times` smaller, its clips running as much faster."""
    if times == 1.0:
        return scan
    outline = scan.outline
    microphone = scan.microphone_xyz_mm
    return replace(
        scan,
        spacing_mm=scan.spacing_mm / times,
        outline=Outline(
            PlateXY(outline.rim / times), tuple(PlateXY(hole / times) for hole in outline.holes)
        ),
        facts=_facts(scan.facts, times),
        strikes=tuple(_strike(strike, times) for strike in scan.strikes),
        microphone_xyz_mm=None
        if microphone is None
        else (microphone[0] / times, microphone[1] / times, microphone[2] / times),
        pose=None,
    )


def _facts(facts: PlateFacts, times: float) -> PlateFacts:
    def shorter(value: float | None, power: int = 1) -> float | None:
        return None if value is None else value / times**power

    heights = facts.arch_heights_mm
    return replace(
        facts,
        mass_g=shorter(facts.mass_g, 3),
        mean_thickness_mm=shorter(facts.mean_thickness_mm),
        arching_mm=shorter(facts.arching_mm),
        arch_heights_mm=None
        if heights is None
        else tuple((x / times, y / times, z / times) for x, y, z in heights),
        bars=None if facts.bars is None else tuple(_bar(bar, times) for bar in facts.bars),
    )


def _bar(bar: Bar, times: float) -> Bar:
    return replace(
        bar,
        x1_mm=bar.x1_mm / times,
        y1_mm=bar.y1_mm / times,
        x2_mm=bar.x2_mm / times,
        y2_mm=bar.y2_mm / times,
        heights_mm=tuple(height / times for height in bar.heights_mm),
        width_mm=bar.width_mm / times,
    )


def _strike(strike: Strike, times: float) -> Strike:
    rate = round(strike.clip.sample_rate_hz * times)
    return replace(
        strike,
        x_mm=strike.x_mm / times,
        y_mm=strike.y_mm / times,
        clip=replace(strike.clip, sample_rate_hz=rate),
        reading=None if strike.reading is None else _reading(strike.reading, times),
    )


def _reading(reading: ClipReading, times: float) -> ClipReading:
    """Only what the estimators of local tone look at; differences in cents stay."""
    onset_s, contact_ms, sd_ms = reading.onset_s, reading.contact_ms, reading.contact_sd_ms
    return replace(
        reading,
        onset_s=None if onset_s is None else onset_s / times,
        contact_ms=None if contact_ms is None else contact_ms / times,
        contact_sd_ms=None if sd_ms is None else sd_ms / times,
    )


def tones_carried_back(found: TapTone, times: float) -> TapTone:
    """Tones of the plate at its own size; local tone stands for thickness, so it grows with it.

    Their doubt grows by what the wood's fine unevenness adds that is not read.
    """
    if times == 1.0:
        return found
    constants = dict(found.constants)
    if "crown_mm" in constants:
        constants["crown_mm"] *= times
    return replace(
        found,
        places=PlateXY(np.asarray(found.places) * times),
        tone_hz=found.tone_hz * times,
        sd_cents=np.hypot(found.sd_cents, _FINE_CENTS),
        reasons=(*found.reasons, _said(times)),
        constants=constants,
    )


def change_carried_back(found: Difference, times: float) -> Difference:
    """A change between two scans at the plate's own size."""
    if times == 1.0:
        return found
    return replace(
        found,
        places=found.places * times,
        spacing_mm=found.spacing_mm * times,
        notes=(*found.notes, _said(times)),
    )


def at_own_size(error: AnalysisError, times: float) -> AnalysisError:
    """The same refusal, saying of which size its millimetres are."""
    if times == 1.0:
        return error
    return AnalysisError(f"{error.what} {_said(times)}", where=error.where, remedy=error.remedy)


def _said(times: float) -> str:
    return (
        f"The plate was read reduced to a violin's size, 1 : {times:.2f}; millimetres named "
        "here are of that size."
    )
