"""The partials of the whole plate, from all strikes of a scan at once.

Frequencies and decays are shared by all strikes, amplitudes and phases are each strike's own. In
a band of bins the transforms of all strikes (bins × strikes) are Y = G·C + V·E + noise, with the
columns of G the transforms of damped partials, g_k = (1 − z^N)/(1 − z·w_k), w_k = e^{−jω_k/f_s},
and V = [1, w … w⁴] standing for the smooth flanks of all partials outside the band. Since
g − z·W·g is constant over the bins, the signal subspace S of Y obeys P·S·T = P·W·S·T·Z with P the
projection off [1 … w⁵]: its eigenvalues are the poles (frequency-domain subspace identification
after McKelvey, Akçay & Ljung, IEEE Trans. Autom. Control 41 (1996) 960). From there the poles are
refined to maximum likelihood by variable projection (Golub & Pereyra 1973), for which the Gram
matrix Y·Yᴴ of the band is all that is needed; the normal matrix gives the standard deviations.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.model.clip import Clip
from rig.model.reading import RingPartial
from rig.model.units import FloatArray
from rig.tone.damped import ComplexArray, Segment, bin_phasors, response_and_slope
from rig.tone.fast_length import fast_length

_LOWEST_HZ = 50.0
_LONGEST_S = 0.5
_SHORTEST_S = 0.08
_SKIP_S = 0.001
_CORE_BINS = 60
_MARGIN_BINS = 24
_MARGIN_SHARE = 0.1  # of the frequency: four half widths at 4 % loss
_SMOOTH_TERMS = 5
_ROUNDS = 12
_ENOUGH_STRIKES = 40
_RANGE_DB = 50.0
_MOST_LOSS = 0.075  # decay rate ÷ angular frequency; what falls faster fills in for flanks


@dataclass(frozen=True)
class _Pool:
    """Transforms of all strikes, (bins, strikes), and the sound before the strikes."""

    bins: ComplexArray
    count: int
    rate: int
    before: list[FloatArray]
    sounds: list[FloatArray]

    @property
    def segment(self) -> Segment:
        return Segment(self.bins[:, 0], self.count, float(self.rate))


@dataclass(frozen=True)
class _Pole:
    s: complex
    sd: float
    power: float
    power_sd: float


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
    pool = _pool(clips, onsets_s, highest_hz)
    if pool is None:
        return ()
    step_hz = pool.rate / pool.count
    first = max(_SMOOTH_TERMS + 1, round(_LOWEST_HZ / step_hz))
    last = min(round(highest_hz / step_hz), len(pool.bins) - 1)
    starter = pool if pool.bins.shape[1] >= _ENOUGH_STRIKES else _delayed(pool)
    poles: list[_Pole] = []
    core = first
    while core < last:
        margin = max(_MARGIN_BINS, round(_MARGIN_SHARE * core))
        stop = min(core + max(_CORE_BINS, margin), last)
        poles += [
            pole
            for pole in _poles_of_band(pool, starter, max(1, core - margin), stop + margin)
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


def _pool(
    clips: Sequence[Clip], onsets_s: Sequence[float | None], highest_hz: float
) -> _Pool | None:
    if len(clips) != len(onsets_s):
        raise ValueError(f"{len(clips)} clips but {len(onsets_s)} onsets")
    usable = [
        (clip, onset) for clip, onset in zip(clips, onsets_s, strict=True) if onset is not None
    ]
    if not usable:
        return None
    rate = usable[0][0].sample_rate_hz
    starts = [round((onset + _SKIP_S) * rate) for _, onset in usable]
    lengths = np.array([len(c.samples) - s for (c, _), s in zip(usable, starts, strict=True)])
    wanted = min(float(np.percentile(lengths, 10)), _LONGEST_S * rate)
    count = fast_length(int(wanted)) if wanted >= _SHORTEST_S * rate else 0
    kept = [
        (clip, start)
        for (clip, _), start, length in zip(usable, starts, lengths, strict=True)
        if length >= count and clip.sample_rate_hz == rate
    ]
    if count == 0 or not kept:
        return None
    reach = int((1.0 + _MARGIN_SHARE) * highest_hz * count / rate) + _MARGIN_BINS + 2
    stop = min(count // 2, reach)
    bins = np.empty((len(kept), stop), dtype=np.complex128)
    before: list[FloatArray] = []
    sounds: list[FloatArray] = []
    for row, (clip, start) in enumerate(kept):
        mic = clip.samples[:, clip.mic_channel]
        sound = mic[start : start + count] / clip.full_scale
        quiet = mic[: max(0, start - round(2 * _SKIP_S * rate))] / clip.full_scale
        level = float(np.mean(quiet)) if len(quiet) > 0.02 * rate else float(np.mean(sound))
        bins[row] = np.fft.rfft(sound - level)[:stop]
        before.append(quiet)
        if len(kept) < _ENOUGH_STRIKES:
            sounds.append(sound - level)
    return _Pool(np.ascontiguousarray(bins.T), count, rate, before, sounds)


def _delayed(pool: _Pool) -> _Pool:
    """More strikes out of few: each also heard from later moments on, with a shorter stretch.

    The poles are the same and every delay changes the amplitudes, which is all that the subspace
    needs; the noise is no longer independent, so this serves for starting values only.
    """
    count = fast_length(round(0.6 * pool.count))
    delays = int(np.ceil(2 * _ENOUGH_STRIKES / len(pool.sounds)))
    stop = min(count // 2, int(np.ceil(len(pool.bins) * count / pool.count)))
    shifts = np.linspace(0, pool.count - count, delays).astype(int)
    pieces = [sound[shift : shift + count] for sound in pool.sounds for shift in shifts]
    bins = np.fft.rfft(np.array(pieces), axis=1)[:, :stop]
    return _Pool(np.ascontiguousarray(bins.T), count, pool.rate, [], [])


def _smooth(pool: _Pool, first: int, stop: int, terms: int) -> ComplexArray:
    """Orthonormal basis of the polynomials in w of the bins; (stop − first, terms)."""
    w = bin_phasors(pool.count)[first:stop]
    centred = w - np.mean(w)
    basis = centred[:, None] ** np.arange(terms)
    return np.asarray(np.linalg.qr(basis / np.abs(basis).max(axis=0))[0])


def _poles_of_band(pool: _Pool, starter: _Pool, first: int, stop: int) -> list[_Pole]:
    """Poles in the bins first … stop − 1."""
    stop = min(stop, len(pool.bins))
    width = stop - first
    if width < 24:
        return []
    y = pool.bins[first:stop]
    strikes = y.shape[1]
    gram = y @ y.conj().T
    if starter is pool:
        s = _start_values(pool, gram, strikes, first, stop)
    else:
        share = starter.count / pool.count
        low, high = max(1, int(first * share)), min(int(np.ceil(stop * share)), len(starter.bins))
        delayed = starter.bins[low:high]
        s = _start_values(starter, delayed @ delayed.conj().T, delayed.shape[1], low, high)
    for _ in range(3):
        if len(s) == 0:
            return []
        fitted = _refine(pool, gram, strikes, s, first, stop)
        sound = (
            (fitted.power > 4.0 * fitted.power_sd)
            & (fitted.sd < 0.5 * np.maximum(-fitted.s.real, 1.0))
            & (-fitted.s.real < 0.35 * fitted.s.imag)
        )
        if np.all(sound):
            break
        s = fitted.s[sound]
    return [
        _Pole(complex(fitted.s[i]), float(fitted.sd[i]), float(fitted.power[i]), 0.0)
        for i in np.flatnonzero(sound & (-fitted.s.real < _MOST_LOSS * fitted.s.imag))
    ]


def _start_values(
    pool: _Pool, gram: ComplexArray, strikes: int, first: int, stop: int
) -> ComplexArray:
    """Poles of the band by the subspace method."""
    width = stop - first
    flank = _smooth(pool, first, stop, _SMOOTH_TERMS)
    off = np.eye(width) - flank @ flank.conj().T
    values, vectors = np.linalg.eigh(off @ gram @ off)
    values = np.maximum(values[::-1], 0.0)
    free = width - _SMOOTH_TERMS
    many = min(strikes, free)
    noise = float(np.median(values[:many])) + 1e-30
    # largest eigenvalue of noise alone against its median (Marchenko & Pastur 1967)
    ratio = min(strikes, free) / max(strikes, free)
    limit = 1.5 * noise * (1.0 + np.sqrt(ratio)) ** 2 / max(1.0 - 0.35 * ratio, 0.3)
    order = int(np.sum(values[:many] > limit))
    order = min(order, width // 4)
    if order == 0:
        return np.zeros(0, dtype=np.complex128)
    signal = vectors[:, ::-1][:, :order]
    flank = _smooth(pool, first, stop, _SMOOTH_TERMS + 1)
    w = bin_phasors(pool.count)[first:stop, None]
    plain = signal - flank @ (flank.conj().T @ signal)
    turned = w * signal
    turned = turned - flank @ (flank.conj().T @ turned)
    system = np.linalg.lstsq(plain, turned, rcond=None)[0]
    z = 1.0 / np.linalg.eigvals(system)
    s = np.log(z) * pool.rate
    s = np.minimum(s.real, -0.2 * pool.rate / pool.count) + 1j * s.imag
    f = s.imag * pool.count / (2 * np.pi * pool.rate)
    inside = (f > first) & (f < stop) & (-s.real < 0.35 * np.abs(s.imag))
    return np.asarray(s[inside])


@dataclass(frozen=True)
class _BandFit:
    s: ComplexArray
    sd: FloatArray
    power: FloatArray
    power_sd: FloatArray


def _refine(
    pool: _Pool, gram: ComplexArray, strikes: int, s: ComplexArray, first: int, stop: int
) -> _BandFit:
    """Maximum likelihood from starting values: shared poles, free amplitudes of every strike."""
    width, count = stop - first, len(s)
    flank = _smooth(pool, first, stop, _SMOOTH_TERMS)
    total = float(np.trace(gram).real)
    best = np.inf
    trial: ComplexArray = s
    kept: ComplexArray = s
    step: ComplexArray = np.zeros(count, dtype=np.complex128)
    normal = np.eye(count, dtype=np.complex128)
    powers = np.zeros((count, count), dtype=np.complex128)
    inverse = np.eye(count, dtype=np.complex128)
    for _ in range(_ROUNDS):
        value, slope = response_and_slope(trial, pool.segment, first, stop)
        columns = np.concatenate([value, flank], axis=1)
        q = np.linalg.qr(columns)[0]
        explained = q.conj().T @ gram @ q
        error = total - float(np.trace(explained).real)
        if error > best * (1.0 + 1e-9):
            step = 0.3 * step
            trial = kept + step
            continue
        gain = 1.0 - error / best if np.isfinite(best) else 1.0
        best, kept = error, trial
        solve = np.linalg.pinv(columns, rcond=1e-10)[:count]
        across = solve @ gram  # C·Yᴴ
        powers = across @ solve.conj().T  # C·Cᴴ
        free_slope = slope - q @ (q.conj().T @ slope)
        normal = (free_slope.conj().T @ free_slope) * powers.T
        pull = np.einsum("bi,ib->i", free_slope.conj(), across.conj())
        inverse = solve @ solve.conj().T
        scale = np.sqrt(np.diag(normal).real) + 1e-300
        scaled = normal / np.outer(scale, scale) + 1e-10 * np.eye(count)
        move = np.linalg.solve(scaled, pull / scale) / scale
        limit = np.maximum(-trial.real, 1.0)
        step = np.asarray(move * np.minimum(1.0, limit / (np.abs(move) + 1e-300)))
        if gain < 1e-8:
            break
        trial = trial + step
        slowest = -0.05 * pool.rate / pool.count
        trial = np.asarray(np.minimum(trial.real, slowest) + 1j * trial.imag)
    noise = best / max(1.0, strikes * (width - count - _SMOOTH_TERMS))
    scale = np.sqrt(np.diag(normal).real) + 1e-300
    covariance = np.linalg.pinv(normal / np.outer(scale, scale), rcond=1e-12, hermitian=True)
    sd = np.sqrt(0.5 * noise * np.abs(np.diag(covariance))) / scale
    lead = np.exp(np.minimum(-2.0 * kept.real * _SKIP_S, 2.0))
    noise_power = noise * np.diag(inverse).real
    mean_power = np.diag(powers).real / strikes
    return _BandFit(
        kept,
        sd,
        np.maximum(mean_power - noise_power, 0.0) * lead,
        noise_power * lead / np.sqrt(strikes),
    )


def _stands(hz: float, decay_s: float, power: float, pool: _Pool, hum_hz: float | None) -> bool:
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
