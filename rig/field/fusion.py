"""Local tone joined with what the hammer itself felt, each by its variance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rig.field.single_taps import TOUCH_FROM_EDGE_MM, contact_tone, rebound_tone
from rig.field.wave_fit import wave_fit
from rig.model.errors import AnalysisError
from rig.model.progress import Progress, silent
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import TapTone
from rig.model.units import FloatArray

# The scale of touch is fitted to the very tone that it is joined with, and takes on part of that
# tone's smooth errors: their errors are not independent. Found with arched virtual plates.
_SHARED_ERROR = 0.5  # correlation


def wave_fit_with_touch(scan: ScanRecord, progress: Progress = silent) -> TapTone:
    """The wave fit, joined with rebound and contact where the scan has them."""
    return with_touch(wave_fit(scan, progress), scan)


def with_touch(local: TapTone, scan: ScanRecord) -> TapTone:
    """Local tone joined with rebound and contact where the scan has them."""
    for name, read in (("rebound", rebound_tone), ("contact", contact_tone)):
        try:
            touch = read(scan)
        except AnalysisError:
            continue
        local = joined(local, touch, scan, name)
    return local


def joined(local: TapTone, touch: TapTone, scan: ScanRecord, name: str) -> TapTone:
    """Bring `touch` to the scale of local tone and average the two by their variances.

    The scale (a gentle curve from cents of touch to cents of local tone) and its scatter are read
    off the taps that have both, away from the edge; touch that does not follow local tone
    (correlation under 0.7) stays out.
    """
    row = {tap: i for i, tap in enumerate(local.taps)}
    depth = scan.outline.edge_distance_mm(np.asarray(touch.places))
    deep = depth >= TOUCH_FROM_EDGE_MM
    pairs = [(row[tap], j) for j, tap in enumerate(touch.taps) if tap in row and deep[j]]
    if len(pairs) < 60:
        return local
    here = np.array([i for i, _ in pairs])
    there = np.array([j for _, j in pairs])
    tone = 1200.0 * np.log2(local.tone_hz)
    felt = 1200.0 * np.log2(touch.tone_hz[there])
    expected, scatter, correlation = _curve(felt, tone[here])
    if correlation < 0.7:
        return local
    own = float(np.median(local.sd_cents[here]))
    touch_sd = np.sqrt(max(scatter**2 - own**2, (0.3 * scatter) ** 2))
    weight = 1.0 / touch_sd**2
    before = 1.0 / local.sd_cents[here] ** 2
    value = tone.copy()
    value[here] = (before * tone[here] + weight * expected) / (before + weight)
    sd = local.sd_cents.copy()
    own_part, touch_part = np.sqrt(before), np.sqrt(weight)  # share × sd, times the sum below
    together = before + weight + 2.0 * _SHARED_ERROR * own_part * touch_part
    sd[here] = np.minimum(np.sqrt(together) / (before + weight), sd[here])
    return replace(
        local,
        estimator=f"{local.estimator} {'and' if ' with ' in local.estimator else 'with'} {name}",
        tone_hz=2.0 ** (value / 1200.0),
        sd_cents=sd,
        reasons=(
            *local.reasons,
            f"Joined with {name} at {len(pairs)} taps (correlation {correlation:.2f}).",
        ),
    )


def _curve(x: FloatArray, y: FloatArray) -> tuple[FloatArray, float, float]:
    """Robust parabola of y over x at x (n,), scatter about it, and rank correlation."""
    from scipy.stats import spearmanr

    scaled = (x - np.median(x)) / max(float(np.std(x)), 1e-9)
    design = np.stack([np.ones(len(x)), scaled, scaled**2], axis=1)
    weight = np.ones(len(x))
    scatter, fitted = 1.0, y
    for _ in range(10):
        root = np.sqrt(weight)
        fitted = design @ np.linalg.lstsq(design * root[:, None], y * root, rcond=None)[0]
        left = y - fitted
        scatter = max(1.4826 * float(np.median(np.abs(left - np.median(left)))), 1e-6)
        weight = (1.0 - np.clip(np.abs(left) / (4.685 * scatter), 0.0, 1.0) ** 2) ** 2 + 1e-9
    return np.asarray(fitted), scatter, float(spearmanr(x, y).statistic)
