"""Readings that every tap gives by itself: attack, contact, rebound."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from rig.field.attack_speed import SpeedCorrection, speed_corrected, speeds_of
from rig.field.nearest import nearest
from rig.model.errors import AnalysisError
from rig.model.frames import PlateXY
from rig.model.scan_record import ScanRecord, Strike
from rig.model.tone_map import ReadingKind, TapTone
from rig.model.units import FloatArray

TOUCH_FROM_EDGE_MM = 20.0  # nearer to the edge the hammer feels the edge

_Value = Callable[[Strike], tuple[float, float | None] | None]  # log2 of a frequency, sd in cents


def attack_tone(scan: ScanRecord) -> TapTone:
    """What a listener calls higher or lower, per tap, at one speed of the strikes.

    Where the speeds are known (speed gate, or impulse on the pickup) their part is taken off.
    Raises AnalysisError without readings.
    """
    fixed, correction = _at_one_speed(scan)

    def value(strike: Strike) -> tuple[float, float | None] | None:
        reading = strike.reading
        if reading is None or id(strike) not in fixed:
            return None
        return fixed[id(strike)], reading.attack_sd_cents

    tone = _per_tap(
        scan, "attack", "loudness-weighted centroid of the first 20 ms", value, 15.0,
        ("What the ear calls higher or lower; it follows local thickness poorly.",),
        "The strikes of this scan carry no attack reading.",
    )  # fmt: skip
    if correction.slope_sd_cents is None:
        return tone
    said = (
        f"Brought to one speed of strike: {correction.slope_cents:.0f} ± "
        f"{correction.slope_sd_cents:.0f} cents for twice the speed.",
    )
    return replace(tone, reasons=(*tone.reasons, *said))


def _at_one_speed(scan: ScanRecord) -> tuple[dict[int, float], SpeedCorrection]:
    """log2 of the attack of every strike that has one, by the strike's id(), speed taken out."""
    strikes: list[Strike] = []
    cents: list[float] = []
    for strike in scan.used_strikes():
        reading = strike.reading
        if reading is not None and reading.attack_hz is not None and reading.attack_hz > 0.0:
            strikes.append(strike)
            cents.append(1200.0 * float(np.log2(reading.attack_hz)))
    correction = speed_corrected(
        cents, speeds_of(strikes), [s.tap for s in strikes], [(s.x_mm, s.y_mm) for s in strikes]
    )
    fixed = {
        id(strike): float(value) / 1200.0
        for strike, value in zip(strikes, correction.cents, strict=True)
    }
    return fixed, correction


def contact_tone(scan: ScanRecord) -> TapTone:
    """How fast the plate throws the hammer back: half the inverse of the force pulse's width.

    Needs the hammer pickup. Raises AnalysisError where there is none.
    """

    def value(strike: Strike) -> tuple[float, float | None] | None:
        reading = strike.reading
        if reading is None or reading.contact_ms is None or reading.contact_ms <= 0:
            return None
        sd = None
        if reading.contact_sd_ms is not None:
            sd = 1200.0 / np.log(2.0) * reading.contact_sd_ms / reading.contact_ms
        return float(np.log2(500.0 / reading.contact_ms)), sd

    return _per_tap(
        scan, "contact", "width of the force pulse", value, 10.0,
        ("Tells stiffness under the hammer and of the surface; its cents are not those of pitch.",),
        "The strikes of this scan carry no contact reading; it needs the hammer pickup.",
    )  # fmt: skip


def rebound_tone(scan: ScanRecord) -> TapTone:
    """Tone from the hammer's loss of speed, one tap at a time.

    A light hammer loses −ln(ratio) ∝ v^(1/5) / impedance to the plate before any echo returns
    (Zener, Phys. Rev. 59 (1941) 669), and the impedance 8·√(Dρh) grows as the square of
    h·√(E/ρ) in wood of one density. Raises AnalysisError without a speed gate, and where the
    hammer is too heavy to rebound.
    """

    def value(strike: Strike) -> tuple[float, float | None] | None:
        ratio = strike.clip.rebound_ratio
        if ratio is None and strike.reading is not None:
            ratio = strike.reading.rebound_ratio
        if ratio is None or not 0.03 < ratio < 0.97:
            return None
        speed = strike.clip.strike_speed_m_s
        loss = -np.log(ratio)
        return float(
            np.log2(1000.0) - 0.5 * np.log2(loss) + (0.1 * np.log2(speed) if speed else 0.0)
        ), None

    return _per_tap(
        scan, "rebound", "hammer rebound", value, 12.0,
        ("Local to a few millimetres; doubtful within 20 mm of the edge.",),
        "The strikes of this scan carry no rebound; it needs the speed gate and a light hammer.",
    )  # fmt: skip


def _per_tap(
    scan: ScanRecord,
    reading: ReadingKind,
    estimator: str,
    value: _Value,
    floor_cents: float,
    reasons: tuple[str, ...],
    missing: str,
) -> TapTone:
    found: dict[int, list[tuple[float, float | None]]] = {}
    places: dict[int, list[tuple[float, float]]] = {}
    for strike in scan.used_strikes():
        one = value(strike)
        if one is None:
            continue
        found.setdefault(strike.tap, []).append(one)
        places.setdefault(strike.tap, []).append((strike.x_mm, strike.y_mm))
    taps = tuple(sorted(found))
    if not taps:
        raise AnalysisError(missing, where=scan.scan)
    middle = np.array([np.mean([v for v, _ in found[t]]) for t in taps])
    scatter = _repeat_sd_cents([[v for v, _ in found[t]] for t in taps])
    told = np.array(
        [np.sqrt(np.mean([(s or floor_cents) ** 2 for _, s in found[t]])) for t in taps]
    )
    count = np.array([len(found[t]) for t in taps])
    one_strike = told if scatter is None else np.maximum(told, scatter)
    if scatter is None and reading != "rebound":
        note: tuple[str, ...] = ("One strike per tap: repeatability cannot be told.",)
    elif scatter is None:
        one_strike = np.maximum(one_strike, _neighbour_sd_cents(np.array(
            [np.mean(places[t], axis=0) for t in taps]), middle))  # fmt: skip
        note = ("One strike per tap: scatter is read off neighbouring taps.",)
    else:
        note = ()
    expected = None if scatter is None else float(scatter / np.sqrt(np.median(count)))
    return TapTone(
        reading=reading,
        estimator=estimator,
        taps=taps,
        places=PlateXY(np.array([np.mean(places[t], axis=0) for t in taps])),
        tone_hz=2.0**middle,
        sd_cents=np.asarray(one_strike / np.sqrt(count)),
        repeatability_cents=expected,
        verdict="good",
        reasons=(*reasons, *note),
    )


def _repeat_sd_cents(values: list[list[float]]) -> float | None:
    """Pooled standard deviation of one strike, from taps struck at least twice."""
    many = [np.array(v) for v in values if len(v) >= 2]
    freedom = sum(len(v) - 1 for v in many)
    if freedom < 5:
        return None
    return float(1200.0 * np.sqrt(sum(np.sum((v - v.mean()) ** 2) for v in many) / freedom))


def _neighbour_sd_cents(places: FloatArray, log2_tone: FloatArray) -> float:
    """Scatter of a tap against the plane through its eight nearest neighbours, cents."""
    if len(places) < 12:
        return 0.0
    _, near = nearest(places, places, 9)
    offset = places[near[:, 1:]] - places[:, None, :]
    design = np.concatenate([np.ones((*offset.shape[:2], 1)), offset], axis=2)
    solver = np.linalg.pinv(design)[:, 0, :]
    predicted = np.sum(solver * log2_tone[near[:, 1:]], axis=1)
    left = (log2_tone - predicted) / np.sqrt(1.0 + np.sum(solver**2, axis=1))
    return float(1200.0 * 1.4826 * np.median(np.abs(left - np.median(left))))
