"""The shared poles of all strikes in one band of bins; for the method see `rig.tone.scan_ring`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.model.units import FloatArray
from rig.tone.damped import ComplexArray, bin_phasors, response_and_slope
from rig.tone.scan_pool import SKIP_S, Pool

SMOOTH_TERMS = 5
_ROUNDS = 12
_MOST_MORE = 8
_ALIKE = 10.0  # difference of log likelihoods, penalty included
_ABOVE_NOISE = 0.6
_PLACED = 0.25  # half widths: a partial whose place is in more doubt is left out
_BESIDE = 16  # bins beyond a band, whose partials still bend its flanks
_MOST_LOSS = 0.075  # decay rate ÷ angular frequency; what falls faster fills in for flanks


@dataclass(frozen=True)
class Pole:
    """A shared pole s in 1/s, its standard deviation, mean |amplitude/2|² over the strikes."""

    s: complex
    sd: float
    power: float


def _columns(
    pool: Pool, s: ComplexArray, first: int, stop: int
) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
    """Transforms of unit partials, their slopes, and smooth flanks, in units of the noise."""
    value, slope = response_and_slope(s, pool.segment, first, stop)
    loudness = pool.loudness[first:stop, None]
    flank = _smooth(pool, first, stop, SMOOTH_TERMS) / loudness
    return value / loudness, slope / loudness, flank


def _smooth(pool: Pool, first: int, stop: int, terms: int) -> ComplexArray:
    """Orthonormal basis of the polynomials in w of the bins; (stop − first, terms)."""
    w = bin_phasors(pool.count)[first:stop]
    centred = w - np.mean(w)
    basis = centred[:, None] ** np.arange(terms)
    return np.asarray(np.linalg.qr(basis / np.abs(basis).max(axis=0))[0])


def poles_of_band(pool: Pool, starter: Pool, first: int, stop: int) -> list[Pole]:
    """Poles in the bins first … stop − 1."""
    stop = min(stop, len(pool.bins))
    if stop - first < 24:
        return []
    y = pool.bins[first:stop]
    plain = y @ y.conj().T
    loudness = pool.loudness[first:stop]
    gram = plain / np.outer(loudness, loudness)
    if starter is pool:
        shared = _Subspace(pool, plain, first, stop)
    else:
        share = starter.count / pool.count
        low, high = max(1, int(first * share)), min(int(np.ceil(stop * share)), len(starter.bins))
        delayed = starter.bins[low:high]
        shared = _Subspace(starter, delayed @ delayed.conj().T, low, high)
    fits: list[_BandFit] = []
    order, worse = shared.order, 0
    most = order if starter is pool else order + _MOST_MORE
    while order <= most and worse < 3:
        fitted = _sound_fit(pool, gram, shared.poles(order), first, stop)
        order += 1
        if fitted is None:
            worse += 1
            continue
        worse = 0 if all(fitted.cost < other.cost for other in fits) else worse + 1
        fits.append(fitted)
    if not fits:
        return []
    best = min(fits, key=lambda fit: fit.cost)
    for _ in range(_MOST_MORE):
        trials = _with_one_more(pool, gram, best.s, first, stop)
        richer = [_sound_fit(pool, gram, s, first, stop) for s in trials]
        fits += [fit for fit in richer if fit is not None]
        better = min(fits, key=lambda fit: fit.cost)
        if better is best:
            break
        best = better
    sd = np.hypot(best.sd, _doubt(best, fits))
    placed = (sd < _PLACED * -best.s.real) & (-best.s.real < _MOST_LOSS * best.s.imag)
    return [
        Pole(complex(best.s[i]), float(sd[i]), float(best.power[i])) for i in np.flatnonzero(placed)
    ]


def _with_one_more(
    pool: Pool, gram: ComplexArray, s: ComplexArray, first: int, stop: int
) -> list[ComplexArray]:
    """The poles and one more: where the fit leaves the most, and beside one that may be two.

    Two poles closer than their widths differ from one by its slope, with a share of its own in
    every strike; what is left is asked for that.
    """
    value, slope, flank = _columns(pool, s, first, stop)
    q = np.linalg.qr(np.concatenate([value, flank], axis=1))[0]
    left = gram - q @ (q.conj().T @ gram)
    left = left - (left @ q) @ q.conj().T
    density = np.convolve(np.diag(left).real, np.ones(5), mode="same")
    top = 3 + int(np.argmax(density[3:-3]))
    loss = float(np.median(-s.real / s.imag))
    turn = 2 * np.pi * (first + top) * pool.rate / pool.count
    beside = slope - q @ (q.conj().T @ slope)
    share = np.einsum("bi,bc,ci->i", beside.conj(), left, beside).real
    share = share / np.maximum(np.sum(np.abs(beside) ** 2, axis=0), 1e-300)
    k = int(np.argmax(share))
    apart = -0.3j * s[k].real
    split = np.append(np.delete(s, k), [s[k] - apart, s[k] + apart])
    return [np.append(s, (-loss + 1.0j) * turn), split]


def _doubt(best: _BandFit, fits: Sequence[_BandFit]) -> FloatArray:
    """How far other numbers of partials, nearly as likely, would move those of the best fit."""
    doubt = np.zeros(len(best.s))
    for fit in fits:
        if fit is best:
            continue
        away = np.min(np.abs(fit.s.imag[:, None] - best.s.imag), axis=0)
        weight = np.exp((best.cost - fit.cost) / _ALIKE)
        doubt = np.maximum(doubt, weight * np.minimum(away, -best.s.real))
    return doubt


def _sound_fit(
    pool: Pool, gram: ComplexArray, s: ComplexArray, first: int, stop: int
) -> _BandFit | None:
    """Refine poles, without those that turn out to carry nothing or to have no place."""
    strikes = pool.bins.shape[1]
    step = 2 * np.pi * pool.rate / pool.count
    # noise is known to about half of itself at any one frequency, however many strikes there are
    least = max(4.0, _ABOVE_NOISE * float(np.sqrt(strikes)))
    while len(s):
        fitted = _refine(pool, gram, strikes, s, first, stop)
        beside = (fitted.s.imag < first * step) | (fitted.s.imag > (stop - 1) * step)
        sound = (
            (fitted.power > least * fitted.power_sd)
            & (beside | (fitted.sd < 0.5 * np.maximum(-fitted.s.real, 1.0)))
            & (-fitted.s.real < 0.35 * fitted.s.imag)
        )
        if np.all(sound):
            return fitted
        s = fitted.s[sound]
    return None


class _Subspace:
    """What the strikes share in a band: starting values for any number of poles.

    gram (bins, bins): the bins' transforms, multiplied over the strikes; order: how many poles
    stand out of the noise.
    """

    def __init__(self, pool: Pool, gram: ComplexArray, first: int, stop: int) -> None:
        self._pool, self._first, self._stop = pool, first, stop
        width, strikes = stop - first, pool.bins.shape[1]
        flank = _smooth(pool, first, stop, SMOOTH_TERMS)
        off = np.eye(width) - flank @ flank.conj().T
        values, vectors = np.linalg.eigh(off @ gram @ off)
        values = np.maximum(values[::-1], 0.0)
        self._vectors = vectors[:, ::-1]
        free = width - SMOOTH_TERMS
        many = min(strikes, free)
        noise = float(np.median(values[:many])) + 1e-30
        # largest eigenvalue of noise alone against its median (Marchenko & Pastur 1967)
        ratio = min(strikes, free) / max(strikes, free)
        limit = 1.5 * noise * (1.0 + np.sqrt(ratio)) ** 2 / max(1.0 - 0.35 * ratio, 0.3)
        self._most = width // 4
        self.order = min(int(np.sum(values[:many] > limit)), self._most)

    def poles(self, order: int) -> ComplexArray:
        """Poles of the strongest `order` directions that lie in the band."""
        pool, first, stop = self._pool, self._first, self._stop
        if order == 0 or order > self._most:
            return np.zeros(0, dtype=np.complex128)
        signal = self._vectors[:, :order]
        flank = _smooth(pool, first, stop, SMOOTH_TERMS + 1)
        w = bin_phasors(pool.count)[first:stop, None]
        plain = signal - flank @ (flank.conj().T @ signal)
        turned = w * signal
        turned = turned - flank @ (flank.conj().T @ turned)
        system = np.linalg.lstsq(plain, turned, rcond=None)[0]
        z = 1.0 / np.linalg.eigvals(system)
        s = np.log(z) * pool.rate
        s = np.minimum(s.real, -0.2 * pool.rate / pool.count) + 1j * s.imag
        f = s.imag * pool.count / (2 * np.pi * pool.rate)
        inside = (f > first - _BESIDE) & (f < stop + _BESIDE) & (-s.real < 0.35 * np.abs(s.imag))
        return np.asarray(s[inside])


@dataclass(frozen=True)
class _BandFit:
    s: ComplexArray
    sd: FloatArray
    power: FloatArray
    power_sd: FloatArray
    cost: float


def _refine(
    pool: Pool, gram: ComplexArray, strikes: int, s: ComplexArray, first: int, stop: int
) -> _BandFit:
    """Maximum likelihood from starting values: shared poles, free amplitudes of every strike."""
    width, count = stop - first, len(s)
    total = float(np.trace(gram).real)
    best = np.inf
    trial: ComplexArray = s
    kept: ComplexArray = s
    step: ComplexArray = np.zeros(count, dtype=np.complex128)
    normal = np.eye(count, dtype=np.complex128)
    powers = np.zeros((count, count), dtype=np.complex128)
    inverse = np.eye(count, dtype=np.complex128)
    for _ in range(_ROUNDS):
        value, slope, flank = _columns(pool, trial, first, stop)
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
        slowest = -0.002 * pool.rate / pool.count
        trial = np.asarray(np.minimum(trial.real, slowest) + 1j * trial.imag)
    values = strikes * width
    noise = best / max(1.0, strikes * (width - count - SMOOTH_TERMS))
    scale = np.sqrt(np.diag(normal).real) + 1e-300
    covariance = np.linalg.pinv(normal / np.outer(scale, scale), rcond=1e-12, hermitian=True)
    sd = np.sqrt(0.5 * noise * np.abs(np.diag(covariance))) / scale
    lead = np.exp(np.minimum(-2.0 * kept.real * SKIP_S, 2.0))
    noise_power = noise * np.diag(inverse).real
    mean_power = np.diag(powers).real / strikes
    return _BandFit(
        kept,
        sd,
        np.maximum(mean_power - noise_power, 0.0) * lead,
        noise_power * lead / np.sqrt(strikes),
        values * np.log(best) + count * _price(strikes, values),
    )


def _price(strikes: int, values: int) -> float:
    """What a partial must lower −log likelihood by: more than noise alone does where it fits best.

    Each strike's amplitude takes up a noise's worth on average, √(strikes) around it, and the
    noise at one frequency is not known exactly.
    """
    free = 1.0 + strikes
    return float(1.15 * free + 4.0 * np.sqrt(free) + 2.0 * np.log(values))
