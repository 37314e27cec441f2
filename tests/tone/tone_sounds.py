"""Sounds made for the tests of rig.tone: damped partials, noise, clips."""

from __future__ import annotations

import numpy as np

from rig.model.clip import Clip

RATE_HZ = 48000


def clip_of(x, rate_hz=RATE_HZ, bits=24, **facts) -> Clip:
    """Wrap full-scale floats, (n,) or (n, channels), as a clip of `bits` bits."""
    full_scale = 2 ** (bits - 1)
    columns = np.asarray(x, dtype=np.float64)
    columns = columns[:, None] if columns.ndim == 1 else columns
    whole = np.clip(np.round(columns * full_scale), -full_scale, full_scale - 1)
    return Clip(whole.astype(np.int32), rate_hz, full_scale, **facts)


def ring(partials, duration_s=0.5, rate_hz=RATE_HZ, delay_s=0.0):
    """Sum of a·e^(−t/τ)·cos(2πft + φ) for (f, τ, a, φ); starts `delay_s` after the first sample."""
    time = np.arange(round(duration_s * rate_hz)) / rate_hz - delay_s
    sounding = time >= 0.0
    x = np.zeros(len(time))
    for hz, decay_s, amplitude, phase in partials:
        fade = np.exp(-np.where(sounding, time, 0.0) / decay_s)
        x += np.where(sounding, amplitude * fade * np.cos(2 * np.pi * hz * time + phase), 0.0)
    return x


def strike(partials, *, before_s=0.05, duration_s=0.5, noise=1e-4, seed=0, rate_hz=RATE_HZ):
    """A struck ring after a quiet stretch, with white noise of the given rms throughout."""
    x = ring(partials, before_s + duration_s, rate_hz, delay_s=before_s)
    return x + noise * np.random.default_rng(seed).normal(size=len(x))


BAR = (
    (440.0, 0.25, 0.30, 0.3),
    (440.0 * 2.757, 0.06, 0.25, 1.1),
    (440.0 * 5.404, 0.02, 0.15, -0.7),
)
