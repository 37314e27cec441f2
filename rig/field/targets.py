"""What "even" means: the target that a tone map is held against."""

from __future__ import annotations

import numpy as np

from rig.field.graduation import taken_apart
from rig.field.smoothing import error_length_mm
from rig.model.outline import Outline
from rig.model.tone_map import Patch, ReadingKind, TapTone, TargetKind
from rig.model.units import FloatArray


def usual_target(reading: ReadingKind) -> TargetKind:
    """Flat for what the ear hears, smooth graduation for what tells thickness."""
    return "flat" if reading == "attack" else "smooth graduation"


def target_cents(
    target: TargetKind, tap_tone: TapTone, cents: FloatArray, outline: Outline
) -> tuple[FloatArray, tuple[Patch, ...]]:
    """The target (n,) at the taps, and the patches that stand out of it where it is fitted.

    cents (n,): the tones against the scan's own middle value, which is the flat target.
    """
    if target == "flat":
        return np.zeros(len(cents)), ()
    found = taken_apart(
        np.asarray(tap_tone.places),
        cents,
        tap_tone.sd_cents,
        outline,
        error_length_mm=error_length_mm(tap_tone.reading, tap_tone.estimator),
    )
    return found.smooth_cents, found.patches
