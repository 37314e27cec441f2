"""The force pulse of the hammer, from the pickup: how long the tip stayed on the wood."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.model.units import FloatArray

_SAME_BLOW_S = 0.003  # touches within this time belong to one blow
_SECOND_BLOW = 0.15  # share of the first peak from which a later pulse counts as a second blow
_SEARCH_S = 0.12


@dataclass(frozen=True)
class Contact:
    """One blow as the hammer felt it.

    start_s: first touch, within the clip; width_ms: impulse ÷ peak of the force; second_s: time
    of a second blow after the first, None when there is none.
    """

    start_s: float
    width_ms: float
    sd_ms: float
    second_s: float | None


def contact_of(pickup: FloatArray, sample_rate_hz: int, earliest: int = 0) -> Contact | None:
    """Read the force pulse from the pickup (n,), searched from sample `earliest` on.

    The baseline and the noise are taken before the pulse. None where no pulse stands 20 dB above
    the noise.
    """
    if len(pickup) - earliest < 16:
        return None
    rough = pickup - np.median(pickup[::8])
    peak = earliest + int(np.argmax(np.abs(rough[earliest:])))
    first = _first_pulse(rough, earliest, peak, sample_rate_hz)
    margin = max(4, round(0.0005 * sample_rate_hz))
    quiet = pickup[max(0, first - round(0.05 * sample_rate_hz)) : max(0, first - margin)]
    if len(quiet) < 8:
        return None
    base, sd = float(np.mean(quiet)), float(np.std(quiet))
    force = pickup - base
    if force[first] < 0.0:
        force = -force
    top = float(force[first])
    if top < 10.0 * sd or top <= 0.0:
        return None
    # the foot is where the pulse leaves the noise, not where the noise last crossed zero
    foot = max(2.0 * sd, 0.01 * top)
    start = first
    while start > 0 and force[start - 1] > foot:
        start -= 1
    stop = first
    while stop + 1 < len(force) and force[stop + 1] > foot:
        stop += 1
    span = force[max(0, start - 1) : stop + 2]
    impulse = float(np.sum(span)) / sample_rate_hz
    peak_force = _parabola_top(force, first)
    width_s = impulse / peak_force
    relative = np.hypot(
        sd * np.sqrt(len(span)) / sample_rate_hz / max(impulse, 1e-300), sd / peak_force
    )
    start_s = _foot_time(force, start, first, foot) / sample_rate_hz
    return Contact(
        start_s=start_s,
        width_ms=1e3 * width_s,
        sd_ms=float(1e3 * width_s * relative),
        second_s=_second_blow(force, start, stop, top, sd, sample_rate_hz),
    )


def _first_pulse(rough: FloatArray, earliest: int, peak: int, sample_rate_hz: int) -> int:
    """The earliest local top that reaches half of the largest and has its sign."""
    signed = rough * (1.0 if rough[peak] >= 0 else -1.0)
    window = signed[earliest : peak + 1]
    reached = earliest + int(np.argmax(window >= 0.5 * signed[peak]))
    stop = min(len(signed) - 1, reached + round(0.001 * sample_rate_hz))
    top = reached
    while top < stop and signed[top + 1] > signed[top]:
        top += 1
    return top


def _parabola_top(force: FloatArray, top: int) -> float:
    if top < 1 or top + 1 >= len(force):
        return float(force[top])
    a, b, c = (float(v) for v in force[top - 1 : top + 2])
    bend = a - 2.0 * b + c
    return b - 0.125 * (a - c) ** 2 / bend if bend < 0.0 else b


def _foot_time(force: FloatArray, start: int, top: int, foot: float) -> float:
    """Sample, with fraction, where the rising flank would leave zero."""
    half = 0.5 * float(force[top])
    upper = start
    while upper < top and force[upper] < half:
        upper += 1
    lower = max(start - 1, 0)
    rise = float(force[upper] - force[lower])
    if upper == lower or rise <= 0.0:
        return float(start)
    return float(lower + (foot - force[lower]) / rise * (upper - lower))


def _second_blow(
    force: FloatArray, start: int, stop: int, top: float, sd: float, sample_rate_hz: int
) -> float | None:
    later = max(stop + 1, start + round(_SAME_BLOW_S * sample_rate_hz))
    end = start + round(_SEARCH_S * sample_rate_hz)
    rest = force[later:end]
    if len(rest) == 0:
        return None
    limit = max(_SECOND_BLOW * top, 8.0 * sd)
    over = rest > limit
    if not over.any():
        return None
    return float((later + int(np.argmax(over)) - start) / sample_rate_hz)
