"""From tone per tap to the tone map: middle value, target, evenness beside repeatability."""

from __future__ import annotations

import numpy as np

from rig.field.targets import Against, target_of, usual_target
from rig.model.reading import RingPartial
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import TapTone, TargetKind, ToneMap
from rig.model.units import FloatArray, cents_between

_SEED = 20210  # of the resampling behind the evenness interval; any fixed number


def tone_map(
    scan: ScanRecord,
    tap_tone: TapTone,
    target: TargetKind | None = None,
    *,
    ring: tuple[RingPartial, ...] = (),
    against: Against | None = None,
) -> ToneMap:
    """Put the tones of a scan against their own middle value and a named target.

    target None: the usual one of the reading (tone per place against a smooth graduation, attack
    against flat). against: the other scan's tones or the drawing, where the target is one; errors
    as `target_of`.
    """
    chosen = target or usual_target(tap_tone.reading)
    middle_hz = float(np.exp(np.median(np.log(tap_tone.tone_hz))))
    cents = cents_between(tap_tone.tone_hz, middle_hz)
    wanted = target_of(chosen, tap_tone, cents, scan, against)
    low, high = _evenness_interval(cents, tap_tone.sd_cents)
    return ToneMap(
        scan=scan.scan,
        face=scan.face,
        reading=tap_tone.reading,
        estimator=tap_tone.estimator,
        target=chosen,
        taps=tap_tone.taps,
        places=tap_tone.places,
        tone_cents=cents,
        sd_cents=tap_tone.sd_cents,
        excess_cents=cents - wanted.cents,
        middle_hz=middle_hz,
        evenness_cents=evenness_cents(cents),
        evenness_low_cents=low,
        evenness_high_cents=high,
        repeatability_cents=tap_tone.repeatability_cents,
        ring=ring,
        verdict=tap_tone.verdict,
        reasons=tap_tone.reasons,
        misfit=tap_tone.misfit,
        simulated=scan.simulated,
        patches=wanted.patches,
        target_from=wanted.taken_from,
        target_sd_cents=wanted.sd_cents if wanted.sd_cents.any() else None,
        target_length_mm=wanted.length_mm,
        target_notes=wanted.notes,
    )


def evenness_cents(cents: FloatArray) -> float:
    """Spread from 5 % to 95 % of the taps."""
    low, high = np.quantile(cents, [0.05, 0.95])
    return float(high - low)


def _evenness_interval(cents: FloatArray, sd_cents: FloatArray) -> tuple[float, float]:
    """90 % interval of the evenness by resampling taps, each with its own doubt added."""
    rng = np.random.default_rng(_SEED)
    n = len(cents)
    pick = rng.integers(0, n, (400, n))
    noisy = cents[pick] + sd_cents[pick] * rng.standard_normal((400, n))
    plain = np.quantile(cents[pick], [0.05, 0.95], axis=1)
    shaken = np.quantile(noisy, [0.05, 0.95], axis=1)
    # Doubt widens a spread; the widening is known from the resampling and taken off again.
    widening = float(np.median(shaken[1] - shaken[0]) - np.median(plain[1] - plain[0]))
    low, high = np.quantile(shaken[1] - shaken[0], [0.05, 0.95]) - widening
    value = evenness_cents(cents)
    return float(min(low, value)), float(max(high, value))
