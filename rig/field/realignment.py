"""Moment and strength of each strike, mended by what the taps around it should have it hear."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rig.field.dispersion import PlateWaves
from rig.field.local_likelihood import (
    Kernels,
    LocalLikelihood,
    Picture,
    axis_index,
)
from rig.model.units import FloatArray

_REACH_S = 36e-6  # a third of a period at 9 kHz
_SHARE = 0.9
_GAIN_SD = 0.08  # natural log; strike speeds scatter by some 5 %


def realigned(
    heard: Picture, ready: Kernels, likelihood: LocalLikelihood, waves: PlateWaves
) -> Picture:
    """Turn and scale each tap towards its prediction from its neighbours.

    The prediction leaves the tap itself out: u_i − (C⁻¹u)_i / (C⁻¹)_ii. Without a pickup the
    strikes' moments are only known to some 5 µs, a fifth of a turn at 10 kHz.
    """
    guess = predicted(heard, ready, likelihood, waves)
    known = np.asarray(np.isfinite(guess).all(axis=1))
    cross = np.where(known[:, None], np.conj(heard.values) * np.nan_to_num(guess), 0.0)
    trial = np.linspace(-_REACH_S, _REACH_S, 25)
    turns = np.exp(-2j * np.pi * np.outer(heard.bin_hz, trial))
    alike = (cross @ turns).real
    best = np.argmax(alike, axis=1)
    inner = np.clip(best, 1, len(trial) - 2)
    rows = np.arange(len(alike))
    a, b, c = alike[rows, inner - 1], alike[rows, inner], alike[rows, inner + 1]
    bend = a - 2 * b + c
    shift = np.where(bend < 0, 0.5 * (a - c) / np.where(bend < 0, bend, -1.0), 0.0)
    delay = trial[inner] + np.clip(shift, -1.0, 1.0) * (trial[1] - trial[0])
    own = np.sum(np.abs(heard.values) ** 2, axis=1)
    told = np.sum(np.abs(np.nan_to_num(guess)) ** 2, axis=1)
    turned = np.sum(cross * np.exp(-2j * np.pi * np.outer(delay, heard.bin_hz)), axis=1).real
    coherence = turned / np.maximum(np.sqrt(own * told), 1e-12)
    believed = known & (coherence > 0.5)
    delay = np.where(believed, _SHARE * (delay - np.median(delay[believed])), 0.0)
    gain = np.where(believed, np.log(np.maximum(turned / np.maximum(own, 1e-12), 0.2)), 0.0)
    gain -= np.median(gain[believed]) if believed.any() else 0.0
    gain = np.clip(gain, -3 * _GAIN_SD, 3 * _GAIN_SD)
    factor = np.exp(_SHARE * gain[:, None] + 2j * np.pi * np.outer(delay, heard.bin_hz))
    return replace(heard, values=(heard.values * factor).astype(np.complex64))


def predicted(
    heard: Picture, ready: Kernels, likelihood: LocalLikelihood, waves: PlateWaves
) -> NDArray[np.complex64]:
    """What each tap should have heard by its neighbours, (n, bins); NaN where they cannot say.

    The centres of `ready` must be the taps themselves.
    """
    where = axis_index(heard, waves, ready.scales)
    low = np.clip(np.floor(where).astype(int), 0, len(ready.scales.axis_hz) - 2)
    share = (where - low).astype(np.float32)
    best = np.argmin(likelihood.cost.sum(axis=1), axis=1)
    out = np.full(heard.values.shape, np.nan, dtype=np.complex64)
    for group, inverse in zip(ready.groups, ready.inverses, strict=True):
        middle = int(np.argmin(np.sum(group.offset_mm**2, axis=1)))
        if float(np.hypot(*group.offset_mm[middle])) > 0.5:
            continue
        for centre, members in zip(group.centres, group.members, strict=True):
            at, part = low[:, best[centre]], share[:, best[centre], None]
            row = (1 - part) * inverse[at, middle] + part * inverse[at + 1, middle]  # (G, n)
            row = (row / row[:, middle : middle + 1])[heard.group]
            around: FloatArray = heard.values[members].T * row
            out[centre] = heard.values[centre] - around.sum(axis=1)
    return out
