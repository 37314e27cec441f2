"""The partials of the whole plate, from all strikes of a scan at once.

Frequencies and decays are shared by all strikes, amplitudes and phases are each strike's own. In
a band of bins the transforms of all strikes (bins × strikes) are Y = G·C + V·E + noise, with the
columns of G the transforms of damped partials, g_k = (1 − z^N)/(1 − z·w_k), w_k = e^{−jω_k/f_s},
and V = [1, w … w⁴] standing for the smooth flanks of all partials outside the band. Since
g − z·W·g is constant over the bins, the signal subspace S of Y obeys P·S·T = P·W·S·T·Z with P the
projection off [1 … w⁵]: its eigenvalues are the poles (frequency-domain subspace identification
after McKelvey, Akçay & Ljung, IEEE Trans. Autom. Control 41 (1996) 960). From there the poles are
refined to maximum likelihood by variable projection (Golub & Pereyra 1973), for which the Gram
matrix Y·Yᴴ of the band is all that is needed; the normal matrix gives the standard deviations. Bins
are taken in units of the noise before the strikes.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rig.model.clip import Clip
from rig.model.reading import RingPartial
from rig.tone.scan_band import SMOOTH_TERMS, Pole, poles_of_band
from rig.tone.scan_pool import ENOUGH_STRIKES, Pool, delayed, pool_of

_LOWEST_HZ = 50.0
_CORE_BINS = 60
_MARGIN_BINS = 24
_MARGIN_SHARE = 0.1  # of the frequency: four half widths at 4 % loss
_RANGE_DB = 50.0


def ring_of_scan(
    clips: Sequence[Clip],
    onsets_s: Sequence[float | None],
    *,
    highest_hz: float = 2500.0,
    hum_hz: float | None = 50.0,
) -> tuple[RingPartial, ...]:
    """Find the plate's partials from 50 Hz to `highest_hz`, by frequency.

    clips: all strikes of a scan, of one sample rate; onsets_s: when each is heard, from the start
    of its clip (`ClipReading.onset_s`); strikes with None, or with less than 0.08 s after the
    onset, are passed over. level_db is the root mean square over the strikes, against the
    strongest partial. Standing tones (mains hum) are refused. Empty when no strike can be used.
    """
    pool = pool_of(clips, onsets_s, (1.0 + _MARGIN_SHARE) * highest_hz + 200.0)
    if pool is None:
        return ()
    step_hz = pool.rate / pool.count
    first = max(SMOOTH_TERMS + 1, round(_LOWEST_HZ / step_hz))
    last = min(round(highest_hz / step_hz), len(pool.bins) - 1)
    starter = pool if pool.strikes >= ENOUGH_STRIKES else delayed(pool)
    poles: list[Pole] = []
    core = first
    while core < last:
        margin = max(_MARGIN_BINS, round(_MARGIN_SHARE * core))
        stop = min(core + max(_CORE_BINS, margin), last)
        poles += [
            pole
            for pole in poles_of_band(pool, starter, max(1, core - margin), stop + margin)
            if core <= pole.s.imag / (2 * np.pi * step_hz) < stop
        ]
        core = stop
    if not poles:
        return ()
    top = max(pole.power for pole in poles)
    partials = []
    for pole in sorted(poles, key=lambda p: p.s.imag):
        level_db = 10.0 * float(np.log10(pole.power / top))
        hz, decay_s = float(pole.s.imag / (2 * np.pi)), float(-1.0 / pole.s.real)
        if level_db < -_RANGE_DB or _stands(hz, decay_s, pole.power, pool, hum_hz):
            continue
        partials.append(RingPartial(hz, pole.sd / (2 * np.pi), decay_s, level_db))
    return tuple(partials)


def _stands(hz: float, decay_s: float, power: float, pool: Pool, hum_hz: float | None) -> bool:
    """Whether the tone sounds before the strikes as after them; `power` is mean |amplitude/2|²."""
    if decay_s * pool.rate < 0.8 * pool.count:
        return False
    found = []
    for quiet in pool.before:
        if len(quiet) * hz > 2.0 * pool.rate:
            turned = np.exp(-2j * np.pi * hz / pool.rate * np.arange(len(quiet)))
            found.append(abs(np.mean(quiet * turned)) ** 2)
    if found:
        return float(np.mean(found)) > 0.25 * power
    if hum_hz is None:
        return False
    order = round(hz / hum_hz)
    return order > 0 and abs(hz - order * hum_hz) < 0.002 * hz + 0.2
