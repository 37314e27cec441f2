"""What "even" means: the target that a tone map is held against."""

from __future__ import annotations

import numpy as np

from rig.field.given_targets import (
    OtherTones,
    Target,
    drawn_target,
    mirror_target,
    scan_target,
)
from rig.field.graduation import taken_apart
from rig.field.smoothing import error_length_mm, rim_error_cents
from rig.model.drawn_profile import DrawnProfile
from rig.model.errors import UsageError
from rig.model.plate_size import times_violin
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import ReadingKind, TapTone, TargetKind
from rig.model.units import FloatArray

Against = OtherTones | DrawnProfile


def usual_target(reading: ReadingKind) -> TargetKind:
    """Flat for what the ear hears, smooth graduation for what tells thickness."""
    return "flat" if reading == "attack" else "smooth graduation"


def target_of(
    kind: TargetKind,
    tap_tone: TapTone,
    cents: FloatArray,
    scan: ScanRecord,
    against: Against | None = None,
) -> Target:
    """The target at the taps, with its own doubt.

    cents (n,): the tones against the scan's own middle value, which is the flat target. against:
    the other scan's tones, or the drawing, for the targets that need one. Raises UsageError where
    it is missing or another, AnalysisError where the target covers too little of the plate.
    """
    places = np.asarray(tap_tone.places)
    exact = np.zeros(len(cents))
    if kind == "flat":
        return Target(kind, exact, exact)
    if kind == "smooth graduation":
        found = taken_apart(
            places,
            cents,
            tap_tone.sd_cents,
            scan.outline,
            error_length_mm=error_length_mm(
                tap_tone.reading, tap_tone.estimator, times_violin(scan.outline)
            ),
            rim_cents=rim_error_cents(tap_tone.estimator),
        )
        # its doubt is in that of the patches, which are found together with it
        return Target(kind, found.smooth_cents, exact, patches=found.patches)
    if kind == "mirror side":
        return mirror_target(tap_tone, cents, scan.outline, scan.facts.bars or ())
    if kind == "drawn profile" and isinstance(against, DrawnProfile):
        return drawn_target(places, cents, against, scan.outline)
    wanted_face = {"earlier scan": True, "other face": False}.get(kind)
    if isinstance(against, OtherTones) and wanted_face == (against.face == scan.face):
        return scan_target(tap_tone, cents, scan.face, against, scan.outline)
    raise UsageError(
        f"The target “{kind}” was not given.",
        where=scan.scan,
        remedy="Name the scan or the file that it is taken from.",
    )
