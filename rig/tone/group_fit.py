"""Groups of neighbouring damped partials, many groups fitted at once.

Every group has its own band of bins of its own segment. The groups are padded to one size and
carried through complex Gauss-Newton together, so that a strike costs a few array operations and
not a few for each group; for the model see `rig.tone.damped`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.model.units import FloatArray
from rig.tone.bands import Band, Rows
from rig.tone.damped import ComplexArray

_AT_REST = 0.5  # standard deviations; the step is then still taken
_ALIKE = 0.2  # correlation of neighbouring bins that noise in few bins has by chance
_LEVEL = 0.02  # change of the energy left
_STILL = 1e-5  # of the frequency: 0.02 cents
_RIDGE = 1e-12
_DAMPING = 1e-3  # of the steps, so that neighbours do not run into one
_MUCH_WORSE = 1.5
_WORSE = 1.0000001


@dataclass(eq=False)
class Group:
    """Partials fitted together: c·exp(s·t) and their conjugates, from the segment's start.

    s (k,) in 1/s, c (k,) half the real amplitude; sd_s of the real and of the imaginary part of
    s, each; sd_c as if s were known; error: energy of what the fit leaves of its band; bins: how
    many they are; resolution: of its band in 1/s; doubt: factor of the sd for what
    is left being no white noise. All but s and c are zero until it is fitted.
    """

    s: ComplexArray
    c: ComplexArray
    sd_s: FloatArray
    sd_c: FloatArray
    error: float = 0.0
    bins: int = 0
    resolution: float = 0.0
    doubt: float = 1.0

    @classmethod
    def of_poles(cls, s: ComplexArray, c: ComplexArray) -> Group:
        """A group not yet fitted; c may be a guess."""
        zero = np.zeros(len(s))
        return cls(s, c, zero, zero)

    def members(self, chosen: np.ndarray) -> Group:
        """The chosen members alone."""
        return Group(
            self.s[chosen],
            self.c[chosen],
            self.sd_s[chosen],
            self.sd_c[chosen],
        )

    def without(self, member: int) -> Group:
        """The group less one member."""
        return self.members(np.delete(np.arange(len(self.s)), member))

    def with_members(self, more: Group) -> Group:
        """Both groups as one."""
        return Group(
            np.concatenate([self.s, more.s]),
            np.concatenate([self.c, more.c]),
            np.concatenate([self.sd_s, more.sd_s]),
            np.concatenate([self.sd_c, more.sd_c]),
        )


def _padded(values: Sequence[ComplexArray], filling: complex) -> ComplexArray:
    """One row for each of the arrays, all as long as the longest."""
    padded = np.full((len(values), max(len(v) for v in values)), filling)
    for row, value in enumerate(values):
        padded[row, : len(value)] = value
    return padded


def fit_together(groups: Sequence[Group], bands: Sequence[Band], rounds: int) -> bool:
    """Refine all groups of one sound in place, each on its band with the others taken off.

    What they add to each other's bands hardly changes while they settle: after the first rounds
    it is renewed every other round. Returned is whether all came to rest.
    """
    fit = _Fit(groups, bands, _MUCH_WORSE)
    own = np.arange(len(groups))[:, None] == np.repeat(
        np.arange(len(groups)), [len(g.s) for g in groups]
    )
    for number in range(rounds):
        renewed = number < 2 or number % 2 == 1
        if renewed:
            fit.take_off(fit.s[fit.there], fit.c[fit.there], own)
        fit.step()
        if fit.at_rest and renewed and number > 0:
            break
    fit.finish()
    return fit.at_rest


def fit_trials(
    groups: Sequence[Group],
    bands: Sequence[Band],
    others: tuple[ComplexArray, ComplexArray, np.ndarray],
    rivals: Sequence[Group],
    rounds: int,
) -> FloatArray:
    """Refine groups in place, each by itself, and say what other groups would leave.

    others: s and c (m,) of the partials of the model, and which of them each group would replace
    (groups, m). rivals: groups that would explain the same bands otherwise; returned are the
    energies that they leave, (groups,).
    """
    fit = _Fit(groups, bands, _WORSE)
    fit.take_off(*others)
    for _ in range(rounds):
        fit.step()
        if fit.at_rest:
            break
    fit.finish()
    return fit.left_by(rivals)


class _Fit:
    """Gauss-Newton on several bands at once, amplitudes eliminated.

    With w = e^{s/f_s} a partial's transform is b·g, g = 1/(1 − w·φ), b = c·(1 − e^{sT}), and
    dg/ds = (g² − g)/f_s. So where a·g + β·g² fits the bins best, the step of s follows from
    c·ds = f_s·β/(1 − e^{sT}) and c·(1 − e^{sT}) = a + β + c·ds·T·e^{sT}.
    """

    def __init__(self, groups: Sequence[Group], bands: Sequence[Band], worse_from: float) -> None:
        self.groups = groups
        self.rows = rows = Rows(bands)
        self.s = _padded([g.s for g in groups], -1.0 + 1.0j)
        self.at_rest = False
        self._quiet = np.zeros(len(groups), dtype=bool)
        self._worse_from = worse_from
        self.c = _padded([g.c for g in groups], 0.0j)
        count, size = self.s.shape
        self.there = np.arange(size) < np.array([[len(g.s)] for g in groups])
        self._free = np.maximum(rows.widths - 2 * self.there.sum(axis=1), 1)
        self._columns = np.empty((*rows.y.shape, 2 * size + 1), dtype=np.complex128)
        self._columns[:, :, -1] = rows.y
        self._slow = np.pi / rows.duration_s
        scale = np.where(self.there, np.maximum(-self.s.real, self._slow) / rows.rate, 0.0)
        self._scale = np.concatenate([scale, scale**2], axis=1)
        self._scales = self._scale[:, :, None] * self._scale[:, None, :]
        self._index = np.arange(2 * size)
        self._ridge = np.zeros((count, 2 * size, 2 * size))
        self._ridge[:, self._index, self._index] = self._scale == 0.0
        self._best = np.full(count, np.inf)
        self._kept: tuple[ComplexArray, ...] = self.s, self.c, self.c
        self._move = np.zeros_like(self.s)
        self._normal = np.zeros((count, 2 * size, 2 * size), dtype=np.complex128)
        self._normal[:, self._index, self._index] = 1.0
        self._given = self._normal[:, :size, :size]

    def _gain(self, s: ComplexArray) -> ComplexArray:
        return np.asarray(1.0 - np.exp(s * self.rows.duration_s))

    def take_off(self, s: ComplexArray, c: ComplexArray, own: np.ndarray) -> None:
        """Subtract all partials s, c (m,) but a group's own (groups, m), and all images."""
        self._columns[:, :, -1] = self.rows.y - self.rows.sound(s, c, own)

    def step(self) -> None:
        """One round."""
        rows, s, columns = self.rows, self.s, self._columns
        size = s.shape[1]
        g = 1.0 / (1.0 - rows.phasor[:, :, None] * np.exp(s / rows.rate)[:, None, :])
        columns[:, :, :size] = g
        np.multiply(g, g, out=columns[:, :, size:-1])
        gram = columns.conj().swapaxes(1, 2) @ columns
        normal = gram[:, :-1, :-1] * self._scales
        trace = normal[:, self._index, self._index].real
        padding = trace == 0.0
        trace[padding] = 1.0
        self._ridge[:, self._index, self._index] = _RIDGE * trace + padding
        normal += self._ridge
        right = gram[:, :-1, -1:] * self._scale[:, :, None]
        given = np.linalg.inv(normal[:, :size, :size])
        alone = given @ right[:, :size]
        error = (gram[:, -1, -1] - (right[:, :size].conj() * alone).sum(axis=(1, 2))).real
        error = np.maximum(error, 1e-13 * gram[:, -1, -1].real)
        second = self._index[size:]
        damped = normal.copy()
        damped[:, second, second] += _DAMPING * trace[:, second]
        inverse = np.linalg.inv(damped)
        both = (inverse @ right)[:, :, 0] * self._scale
        b = alone[:, :, 0] * self._scale[:, :size]
        slope = rows.rate * both[:, size:]
        gain = self._gain(s) + 1e-300
        growth = slope * rows.duration_s * (1.0 - gain) / gain
        move = slope / (both[:, :size] + both[:, size:] + growth + 1e-300)
        longest = 2.0 * np.maximum(-s.real, self._slow)
        length = np.abs(move)
        if (length > longest).any():
            move = move * np.minimum(1.0, longest / (length + 1e-300))
        better = error <= self._best * self._worse_from
        level = np.abs(self._best - error) < _LEVEL * error
        if better.all():
            self._kept, self._best = (s, b / gain, b), error
            self._normal, self._given, self._move = normal, given, move
            still = _AT_REST * self._spread(inverse) * np.sqrt(0.5 * error / self._free)[:, None]
            quiet = (np.abs(move) <= still + _STILL * np.abs(s)) | ~self.there
            self._quiet = quiet.all(axis=1)
            self.at_rest = bool((self._quiet | level).all())
        else:
            self.at_rest = False
            self._quiet = np.zeros(len(error), dtype=bool)
            good = better[:, None]
            new = (s, b / gain, b)
            self._kept = tuple(np.where(good, n, o) for n, o in zip(new, self._kept, strict=True))
            self._best = np.where(better, error, self._best)
            self._normal = np.where(good[:, :, None], normal, self._normal)
            self._given = np.where(good[:, :, None], given, self._given)
            self._move = np.where(good, move, 0.3 * self._move)
        floor = 0.05 / rows.duration_s  # slowest decay a segment can tell, as 1/s
        s, self.c = self._kept[0] + self._move, self._kept[1]
        self.s = np.minimum(s.real, -floor) + 1j * s.imag

    def _spread(self, inverse: ComplexArray) -> FloatArray:
        """Standard deviation of s for unit noise, from the inverse normal matrices."""
        size = self.s.shape[1]
        second = self._index[size:]
        beta = np.sqrt(np.maximum(inverse[:, second, second].real, 0.0))
        beta *= self._scale[:, size:]
        return np.asarray(self.rows.rate * beta / (np.abs(self._kept[2]) + 1e-300))

    def finish(self) -> None:
        """Write the best values back into the groups, with the last step where it is small."""
        size = self.s.shape[1]
        s = np.where(self._quiet[:, None], self.s, self._kept[0])
        c = self._kept[1]
        noise = np.sqrt(0.5 * self._best / self._free)[:, None]
        doubt = self._doubt()
        sd_s = noise * self._spread(np.asarray(np.linalg.inv(self._normal)))
        first = self._index[:size]
        spread = np.sqrt(np.maximum(self._given[:, first, first].real, 0.0)) * self._scale[:, :size]
        sd_c = noise * spread / np.abs(self._gain(self._kept[0]))
        for row, group in enumerate(self.groups):
            k = len(group.s)
            group.resolution, group.doubt = float(self._slow[row, 0]), float(doubt[row])
            group.bins, group.error = int(self.rows.widths[row]), float(self._best[row])
            group.s, group.c = s[row, :k], c[row, :k]
            group.sd_s, group.sd_c = sd_s[row, :k], sd_c[row, :k]

    def _doubt(self) -> FloatArray:
        """How much more the standard deviations are for the likeness of neighbouring bins.

        What is left of white noise is unlike from bin to bin. A partial that nobody fitted, or one
        that decays in no straight line, leaves a smooth rest, which pulls its neighbours as one;
        the factor, (1 + r)/(1 − r) with r the correlation of neighbouring bins above 0.2, was
        found with sounds of forty overlapping partials.
        """
        size = self.s.shape[1]
        fitted = self._columns[:, :, :size] @ self._kept[2][:, :, None]
        rest = self._columns[:, :, -1] - fitted[:, :, 0]
        energy = (rest.real**2 + rest.imag**2).sum(axis=1) + 1e-300
        alike = (rest[:, 1:] * rest[:, :-1].conj()).sum(axis=1).real / energy
        alike = np.clip(alike - _ALIKE, 0.0, 0.8)
        return np.asarray((1.0 + alike) / (1.0 - alike))

    def left_by(self, rivals: Sequence[Group]) -> FloatArray:
        """Energy that other groups would leave in the same bands; (groups,)."""
        s = _padded([g.s for g in rivals], -1.0 + 1.0j)
        b = _padded([g.c for g in rivals], 0.0j) * self._gain(s)
        turned = self.rows.phasor[:, :, None] * np.exp(s / self.rows.rate)[:, None, :]
        rest = self._columns[:, :, -1] - ((1.0 / (1.0 - turned)) @ b[:, :, None])[:, :, 0]
        return np.asarray((rest.real**2 + rest.imag**2).sum(axis=1))
