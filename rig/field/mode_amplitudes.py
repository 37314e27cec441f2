"""Complex amplitudes of known partials in every strike of a scan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rig.field.responses import _pulse_peak, first_free_s
from rig.field.strike_alignment import _strike_sample
from rig.model.errors import AnalysisError
from rig.model.reading import RingPartial
from rig.model.scan_record import ScanRecord, Strike
from rig.model.units import FloatArray

ComplexArray = NDArray[np.complex128]

_BEFORE_S = 0.0012  # of the force pulse, ahead of its peak
_PULSE_S = 0.0030  # after its peak the hammer has left
_LONGEST_S = 0.30
_SHORTEST_S = 0.06
_HALF_BAND_HZ = 45.0
_SMOOTH_TERMS = 4
_GAIN_SD = {"force": 0.01, "strike speed": 0.03, "nothing": 0.06}
_LOW_PARTIALS = 5
_LOST_SHARE = 0.85
_FAR_S = 3e-3


@dataclass(frozen=True)
class Amplitudes:
    """One partial at the taps: values (n,) complex, variance (n,) of both parts together."""

    partial: RingPartial
    values: ComplexArray
    variance: FloatArray


@dataclass(frozen=True)
class TapAmplitudes:
    """All partials at all taps. strikes: (n,) behind each tap; gain_sd: of one strike, relative."""

    taps: tuple[int, ...]
    places: FloatArray
    strikes: FloatArray
    partials: tuple[Amplitudes, ...]
    normalised: Literal["force", "strike speed", "nothing"]
    gain_sd: float


@dataclass(frozen=True)
class _Heard:
    """Strikes cut to one length. sound: (n, samples) from `start` (sample of the clip) on."""

    strikes: list[Strike]
    sound: FloatArray
    start: NDArray[np.int64]
    moment: FloatArray  # (n,) of the strike, in samples of the clip
    rate: int


def tap_amplitudes(
    scan: ScanRecord, ring: Sequence[RingPartial], highest_hz: float
) -> TapAmplitudes:
    """Fit all partials of `ring` to every strike; those up to `highest_hz` are handed back.

    Raises AnalysisError where no strike can be used.
    """
    strikes = list(scan.used_strikes())
    with_force = [s for s in strikes if s.clip.pickup is not None]
    has_force = bool(strikes) and len(with_force) >= 0.8 * len(strikes)
    heard = _cut(scan, with_force if has_force else strikes, has_force)
    poles = np.array([-1.0 / p.decay_s + 2j * np.pi * p.hz for p in ring])
    chosen = [k for k, p in enumerate(ring) if p.hz <= highest_hz]
    bins = np.fft.rfft(heard.sound, axis=1).T
    values = np.empty((len(heard.strikes), len(chosen)), dtype=np.complex128)
    variance = np.empty((len(heard.strikes), len(chosen)))
    for column, k in enumerate(chosen):
        values[:, column], variance[:, column] = _fitted(
            bins, poles, k, heard.sound.shape[1], heard.rate
        )
    own = poles[chosen]
    normalised: Literal["force", "strike speed", "nothing"] = "nothing"
    if has_force:
        by, normalised = _force_at(heard, own), "force"
    else:
        lead = (heard.moment - heard.start) / heard.rate
        by = np.exp(-own[None, :] * lead[:, None])
        speeds = np.array([s.clip.strike_speed_m_s or np.nan for s in heard.strikes])
        if np.all(np.isfinite(speeds)):
            by, normalised = by * speeds[:, None], "strike speed"
    values, variance = values / by, variance / np.abs(by) ** 2
    if not has_force:
        values = _turned(values, own.imag)
    return _per_tap(heard, ring, chosen, values, variance, normalised)


def _cut(scan: ScanRecord, strikes: list[Strike], has_force: bool) -> _Heard:
    """The free part of every usable strike, all of one length."""
    rates = {s.clip.sample_rate_hz for s in strikes}
    if len(rates) > 1:
        raise AnalysisError(
            "The clips of this scan have different sample rates.",
            where=scan.scan,
            remedy="Resample them to one rate, or gather them as separate scans.",
        )
    _, places = scan.tap_places()
    rate = rates.pop() if rates else 0
    free_s = max(first_free_s(scan, places), _PULSE_S) if rate else 0.0
    kept, moments = [], []
    for strike in strikes:
        told = _pulse_peak(strike.clip) if has_force else _strike_sample(strike, scan)
        if told is None:
            continue
        if len(strike.clip.samples) - told >= (free_s + _SHORTEST_S) * rate:
            kept.append(strike)
            moments.append(float(told))
    if not kept:
        raise AnalysisError(
            "No strike of this scan has a clear blow and enough sound after it.", where=scan.scan
        )
    moment = np.array(moments)
    start = np.ceil(moment + free_s * rate).astype(np.int64)
    rest = np.array([len(s.clip.samples) for s in kept]) - start
    # the few strikes that were cut short must not shorten all others
    usual = float(np.median(rest))
    use = rest >= 0.8 * usual
    count = int(min(rest[use].min(), _LONGEST_S * rate))
    kept = [s for s, good in zip(kept, use, strict=True) if good]
    sound = np.empty((len(kept), count))
    for row, (strike, first) in enumerate(zip(kept, start[use], strict=True)):
        mic = strike.clip.mic
        sound[row] = mic[first : first + count] - np.mean(mic)
    return _Heard(kept, sound, start[use], moment[use], rate)


def _fitted(
    bins: ComplexArray, poles: ComplexArray, k: int, count: int, rate: int
) -> tuple[ComplexArray, FloatArray]:
    """Amplitude of partial `k` at the first sample, for every column of `bins`; its variance.

    In a band around the partial the transform of each strike is the sum of those of the partials
    there, (1 − z^N)/(1 − z·e^(−jω)) each, with their images at negative frequency, and of the
    flanks of all others, which are smooth.
    """
    step_hz = rate / count
    hz = poles.imag / (2 * np.pi)
    half = max(_HALF_BAND_HZ, 4.0 * -poles[k].real / (2 * np.pi), 10.0 * step_hz)
    for _ in range(6):
        low = max(round((hz[k] - half) / step_hz), 1)
        high = min(round((hz[k] + half) / step_hz), len(bins) - 1)
        inside = np.flatnonzero((hz > hz[k] - 1.5 * half) & (hz < hz[k] + 1.5 * half))
        if 2 * (high - low + 1) >= 3 * (2 * len(inside) + 2 * _SMOOTH_TERMS):
            break
        half *= 1.3
    band = np.arange(low, high + 1)
    turn = np.exp(-2j * np.pi * band / count)
    z = np.exp(poles[inside] / rate)
    own = (1 - z**count) / (1 - z * turn[:, None])
    image = (1 - np.conj(z) ** count) / (1 - np.conj(z) * turn[:, None])
    u = (band - band.mean()) / max(0.5 * (band[-1] - band[0]), 1.0)
    smooth = u[:, None] ** np.arange(_SMOOTH_TERMS)
    # a partial is C·z^n + its conjugate: real unknowns Re C and Im C
    columns = np.hstack([own + image, 1j * (own - image), smooth, 1j * smooth])
    design = np.vstack([columns.real, columns.imag])
    weights = np.linalg.norm(design, axis=0)
    design = design / weights
    seen = np.vstack([bins[band].real, bins[band].imag])
    inverse = np.linalg.pinv(design, rcond=1e-7)
    answer = inverse @ seen
    spare = max(len(design) - design.shape[1], 1)
    noise = np.sum((seen - design @ answer) ** 2, axis=0) / spare
    answer /= weights[:, None]
    at = int(np.flatnonzero(inside == k)[0])
    both = [at, at + len(inside)]
    spread = np.sum(inverse[both] ** 2, axis=1) / weights[both] ** 2
    # twice: a real tone of amplitude A is A/2 at positive and A/2 at negative frequency
    return 2.0 * (answer[both[0]] + 1j * answer[both[1]]), 4.0 * noise * float(np.sum(spread))


def _force_at(heard: _Heard, poles: ComplexArray) -> ComplexArray:
    """Laplace transform of each force pulse at each pole, from the first fitted sample on."""
    before, after = int(_BEFORE_S * heard.rate), int(_PULSE_S * heard.rate)
    gate = np.ones(before + after)
    rise = max(before // 3, 2)
    gate[:rise] = np.linspace(0.0, 1.0, rise)
    gate[-rise:] = np.linspace(1.0, 0.0, rise)
    offset = np.arange(-before, after)
    out = np.empty((len(heard.strikes), len(poles)), dtype=np.complex128)
    turning = np.exp(-poles[:, None] * offset[None, :] / heard.rate)
    for row, strike in enumerate(heard.strikes):
        pickup = strike.clip.pickup
        assert pickup is not None
        middle = round(heard.moment[row])
        at = np.clip(middle + offset, 0, len(pickup) - 1)
        pulse = (pickup[at] - np.median(pickup)) * gate
        late = (heard.start[row] - middle) / heard.rate
        out[row] = (turning @ pulse) * np.exp(poles * late) / heard.rate
    return out


def _turned(values: ComplexArray, omega: FloatArray) -> ComplexArray:
    """Mend the moments of strikes that only their sound tells.

    With true moments every partial is a real pattern times one complex number: each strike is
    moved to where most of its motion is in phase, low partials first. Strikes of which little
    comes into phase are looked for farther away.
    """
    out = values.copy()
    low = np.sort(omega)[:_LOW_PARTIALS][-1]
    for top_hz, reach_s in ((450.0, 2.5e-4), (900.0, 1.2e-4), (1e9, 6e-5), (1e9, 6e-5)):
        use = omega <= max(2 * np.pi * top_hz, low)
        for _ in range(4):
            delay, share = _best_delays(out[:, use], omega[use], reach_s, 101)
            delay -= np.median(delay)
            out = out * np.exp(1j * np.outer(delay, omega))
    lost = share < _LOST_SHARE
    if lost.any() and len(omega) >= _LOW_PARTIALS:
        delay, _ = _best_delays(out, omega, _FAR_S, 1201)
        out[lost] *= np.exp(1j * np.outer(delay[lost], omega))
    return out


def _best_delays(
    values: ComplexArray, omega: FloatArray, reach_s: float, steps: int
) -> tuple[FloatArray, FloatArray]:
    """Delay of each row (n, k) that brings most of it into phase with all, and that share."""
    part = values / np.sqrt(np.mean(np.abs(values) ** 2, axis=0))
    steady = part * np.exp(-0.5j * np.angle(np.sum(part**2, axis=0)))
    delays = np.linspace(-reach_s, reach_s, steps)
    # Σ Re(a·e^{jωτ})² is half of Σ|a|² + Re Σ a²·e^{2jωτ}
    alike = ((steady**2) @ np.exp(2j * np.outer(omega, delays))).real
    best = np.argmax(alike, axis=1)
    whole = np.maximum(np.sum(np.abs(steady) ** 2, axis=1), 1e-300)
    return delays[best], 0.5 + 0.5 * alike[np.arange(len(best)), best] / whole


def _per_tap(
    heard: _Heard,
    ring: Sequence[RingPartial],
    chosen: list[int],
    values: ComplexArray,
    variance: FloatArray,
    normalised: Literal["force", "strike speed", "nothing"],
) -> TapAmplitudes:
    """Means over the repeats of each tap."""
    rows: dict[int, list[int]] = {}
    for i, strike in enumerate(heard.strikes):
        rows.setdefault(strike.tap, []).append(i)
    taps = tuple(sorted(rows))
    places = np.array(
        [np.mean([(heard.strikes[i].x_mm, heard.strikes[i].y_mm) for i in rows[t]], axis=0)
         for t in taps]
    )  # fmt: skip
    strikes = np.array([len(rows[t]) for t in taps], dtype=np.float64)
    mean = np.array([values[rows[t]].mean(axis=0) for t in taps])
    spread = np.array([variance[rows[t]].mean(axis=0) / len(rows[t]) for t in taps])
    partials = tuple(
        Amplitudes(ring[k], mean[:, column], spread[:, column]) for column, k in enumerate(chosen)
    )
    return TapAmplitudes(taps, places, strikes, partials, normalised, _GAIN_SD[normalised])
