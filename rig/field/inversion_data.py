"""From the clips of a scan to one response per tap, as the whole-plate inversion needs them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.model.errors import AnalysisError
from rig.model.scan_record import ScanRecord, Strike
from rig.model.units import FloatArray

ComplexArray = NDArray[np.complex128]
SOUND_M_S = 343.0
_BEFORE_S = 1.0e-3
_KEEP_S = 0.110


@dataclass(frozen=True)
class TapResponses:
    """Sound per unit force (with a pickup) or sound (without) of every tap.

    spectrum (n, length/2 + 1) with time zero at the blow; last_sample: the response is zero from
    there on; top_hz: highest frequency at which the blow carries enough force.
    """

    taps: tuple[int, ...]
    places_mm: FloatArray
    spectrum: ComplexArray
    rate_hz: float
    length: int
    last_sample: int
    top_hz: float
    has_pickup: bool
    strikes_per_tap: float
    notes: tuple[str, ...] = ()

    def replaced(self, spectrum: ComplexArray, places_mm: FloatArray) -> TapResponses:
        """The same taps with corrected spectra and places."""
        return TapResponses(
            self.taps, places_mm, spectrum, self.rate_hz, self.length, self.last_sample,
            self.top_hz, self.has_pickup, self.strikes_per_tap, self.notes,
        )  # fmt: skip


def tap_responses(scan: ScanRecord) -> TapResponses:
    """Combine the used strikes of every tap.

    With a pickup: H = Σ P F* / Σ |F|² over a tap's strikes. Strikes without a usable pulse are
    left out and counted in the notes. AnalysisError when fewer than 60 taps remain.
    """
    strikes = scan.used_strikes()
    rates = {s.clip.sample_rate_hz for s in strikes}
    if len(rates) > 1:
        raise AnalysisError(
            f"The clips of scan {scan.scan} have different sample rates: {sorted(rates)}.",
            remedy="Record the whole scan at one rate.",
        )
    with_pickup = [s for s in strikes if s.clip.pickup_channel is not None]
    if len(with_pickup) >= 0.8 * len(strikes) and len(with_pickup) >= 60:
        return _with_pickup(with_pickup, len(strikes))
    return _without_pickup(scan, len(strikes))


def _without_pickup(scan: ScanRecord, offered: int) -> TapResponses:
    """Strikes aligned by their sound; the force spectrum stays in, common to all taps."""
    from rig.field.responses import tap_responses as aligned_responses

    found = aligned_responses(scan, use_pickup=False)
    if len(found.taps) < 60:
        raise AnalysisError(
            f"Only {len(found.taps)} taps have a usable blow; the whole-plate inversion needs 60.",
            where=scan.scan,
            remedy="Scan with a finer grid.",
        )
    middle = (found.hz > 300) & (found.hz < 3000)
    length = 2 * (len(found.hz) - 1)
    return TapResponses(
        taps=found.taps,
        places_mm=np.asarray(found.places),
        spectrum=found.spectrum / np.abs(found.spectrum[:, middle]).mean(),
        rate_hz=float(found.sample_rate_hz),
        length=length,
        last_sample=length - int(0.012 * found.sample_rate_hz),
        top_hz=min(11_500.0, found.top_hz),
        has_pickup=False,
        strikes_per_tap=offered / len(found.taps),
        notes=("No hammer pickup: the strikes were aligned by their sound.",),
    )


def _with_pickup(strikes: list[Strike], offered: int) -> TapResponses:
    rate = float(strikes[0].clip.sample_rate_hz)
    length = 1 << int(np.ceil(np.log2((_KEEP_S + 0.05) * rate)))
    cross: dict[int, ComplexArray] = {}
    power: dict[int, FloatArray] = {}
    places: dict[int, list[tuple[float, float]]] = {}
    counted = 0
    force_power = np.zeros(length // 2 + 1)
    last = length
    cut = []
    for strike in strikes:
        pair = _cut_pair(strike, rate)
        if pair is not None:
            cut.append((strike, *pair))
    if cut:
        impulses = np.array([abs(np.sum(force)) for _, force, _ in cut])
        usual = np.median(impulses)
        cut = [c for c, i in zip(cut, impulses, strict=True) if 0.3 * usual < i < 3.0 * usual]
    for strike, force, sound in cut:
        f = np.fft.rfft(force, length)
        p = np.fft.rfft(sound, length)
        if np.sum(force) < 0:
            f, p = -f, -p
        last = min(last, len(sound) - int(_BEFORE_S * rate))
        cross[strike.tap] = cross.get(strike.tap, 0.0) + p * np.conj(f)
        power[strike.tap] = power.get(strike.tap, 0.0) + np.abs(f) ** 2
        places.setdefault(strike.tap, []).append((strike.x_mm, strike.y_mm))
        force_power += np.abs(f) ** 2
        counted += 1
    taps = tuple(sorted(cross))
    if len(taps) < 60:
        raise AnalysisError(
            f"Only {len(taps)} taps have a usable blow; the whole-plate inversion needs 60.",
            remedy="Scan with a finer grid, or check the hammer pickup.",
        )
    frequency = np.fft.rfftfreq(length, 1.0 / rate)
    level = force_power / force_power[(frequency > 300) & (frequency < 800)].mean()
    weak = np.flatnonzero((level < 10 ** (-2.6)) & (frequency > 1000))
    top = min(11_500.0, float(frequency[weak[0]]) if len(weak) else 0.46 * rate)
    floor = 10 ** (-3.2) * float(np.median([power[t].max() for t in taps]))
    spectrum = np.array([cross[t] / (power[t] + floor) for t in taps])
    notes = []
    if counted < offered:
        notes.append(f"{offered - counted} of {offered} strikes without a usable force pulse")
    return TapResponses(
        taps=taps,
        places_mm=np.array([np.mean(places[t], axis=0) for t in taps]),
        spectrum=spectrum / np.abs(spectrum[:, (frequency > 300) & (frequency < 3000)]).mean(),
        rate_hz=rate,
        length=length,
        last_sample=last,
        top_hz=top,
        has_pickup=True,
        strikes_per_tap=counted / len(taps),
        notes=tuple(notes),
    )


def _cut_pair(strike: Strike, rate: float) -> tuple[FloatArray, FloatArray] | None:
    """Force pulse and sound from 1 ms before the pulse on; None without a clear pulse."""
    clip = strike.clip
    pickup = clip.pickup
    if pickup is None:
        return None
    quiet = pickup - np.median(pickup)
    peak = int(np.argmax(np.abs(quiet)))
    noise = 1.4826 * float(np.median(np.abs(quiet)))
    if abs(quiet[peak]) < 20.0 * max(noise, 1e-9):
        return None
    first = peak - int(_BEFORE_S * rate)
    last = min(len(quiet), first + int((_BEFORE_S + _KEEP_S) * rate))
    if first < 0 or last - first < int(0.05 * rate):
        return None
    force = quiet[first : first + int(3.0e-3 * rate)].copy()
    edge = int(0.4e-3 * rate)
    ramp = np.sin(0.5 * np.pi * np.arange(edge) / edge) ** 2
    force[:edge] *= ramp
    force[-edge:] *= ramp[::-1]
    mic = clip.mic
    sound = mic[first:last] - np.mean(mic[max(0, first - int(0.01 * rate)) : first + edge])
    tail = int(4e-3 * rate)
    sound[-tail:] *= np.cos(0.5 * np.pi * np.arange(tail) / tail) ** 2
    return force, sound
