"""What "even" means: the target that a tone map is held against."""

from __future__ import annotations

import numpy as np

from rig.model.tone_map import ReadingKind, TargetKind
from rig.model.units import FloatArray

_DEGREE = 4
_TUKEY = 4.685  # 95 % efficiency on normal errors (Tukey's biweight)


def usual_target(reading: ReadingKind) -> TargetKind:
    """Flat for what the ear hears, smooth graduation for what tells thickness."""
    return "flat" if reading == "attack" else "smooth graduation"


def target_cents(
    target: TargetKind, places: FloatArray, cents: FloatArray, sd_cents: FloatArray
) -> FloatArray:
    """The target (n,) at the taps. Flat is 0, the scan's own middle value."""
    if target == "flat":
        return np.zeros(len(cents))
    return smooth_graduation(places, cents, sd_cents)


def smooth_graduation(places: FloatArray, cents: FloatArray, sd_cents: FloatArray) -> FloatArray:
    """A quartic in x and y fitted so that a zone some 60 mm wide does not drag it; (n,).

    Weights by sd and Tukey's biweight, started from a fit by least absolute deviations. Lower
    degrees are used where there are few taps (eight taps per term).
    """
    degree = _DEGREE
    while degree > 0 and (degree + 1) * (degree + 2) // 2 * 8 > len(cents):
        degree -= 1
    design = polynomial_terms(places, degree)
    known = 1.0 / np.maximum(sd_cents, np.median(sd_cents) * 0.5 + 1e-9)
    weight = known.copy()
    coefficients = np.zeros(design.shape[1])
    for _ in range(15):
        coefficients = _solve(design, cents, weight)
        left = np.abs(cents - design @ coefficients) * known
        weight = known / np.sqrt(np.maximum(left, 0.05))
    for _ in range(15):
        left = (cents - design @ coefficients) * known
        scale = max(1.4826 * float(np.median(np.abs(left))), 1e-9)
        ratio = np.clip(np.abs(left) / (_TUKEY * scale), 0.0, 1.0)
        coefficients = _solve(design, cents, known * (1.0 - ratio**2))
    return np.asarray(design @ coefficients)


def polynomial_terms(places: FloatArray, degree: int) -> FloatArray:
    """All products x^i·y^j with i + j ≤ degree, of places scaled to about ±1; (n, terms)."""
    middle = 0.5 * (places.min(axis=0) + places.max(axis=0))
    half = np.maximum(0.5 * np.ptp(places, axis=0), 1.0)
    x, y = ((places - middle) / half).T
    terms = [x**i * y**j for i in range(degree + 1) for j in range(degree + 1 - i)]
    return np.stack(terms, axis=1)


def _solve(design: FloatArray, values: FloatArray, weight: FloatArray) -> FloatArray:
    answer = np.linalg.lstsq(design * weight[:, None], values * weight, rcond=1e-10)[0]
    return np.asarray(answer, dtype=np.float64)
