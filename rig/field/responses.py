"""Strikes of a scan turned into one plate response per tap, all on the clock of their own strike.

By reciprocity each frequency of the result, read over the taps, is a picture of the plate's motion
as if it were driven from the place of the microphone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.model.clip import Clip
from rig.model.errors import AnalysisError
from rig.model.frames import PlateXY
from rig.model.scan_record import ScanRecord, Strike
from rig.model.units import FloatArray

ComplexArray = NDArray[np.complex128]

SPEED_OF_SOUND_M_S = 343.0
LENGTH_S = 0.085  # of response kept; partials of plates in the hand have gone by then
_LEAD_S = 0.003  # kept ahead of the strike
_PULSE_S = 0.004  # after the strike the pickup is read for this long


@dataclass(frozen=True)
class TapResponses:
    """One response per tap with its strike at time zero.

    spectrum: (n, nf) complex at `hz` (nf,); divided by the force spectrum where `has_force`.
    halves: (2, n, nf) means of the even and the odd repeats where every tap has two or more,
    else None. top_hz: highest frequency at which the strikes still carry enough.
    delay_us: (n,) what alignment without a pickup moved each tap by, zeros with one.
    """

    taps: tuple[int, ...]
    places: PlateXY
    hz: FloatArray
    spectrum: ComplexArray
    sample_rate_hz: int
    has_force: bool
    first_free_s: float
    top_hz: float
    repeats: int
    halves: ComplexArray | None = None

    def impulse(self, spectrum: ComplexArray | None = None) -> FloatArray:
        """Responses over time, (n, samples), sample 0 at the strike."""
        chosen = self.spectrum if spectrum is None else spectrum
        return np.asarray(np.fft.irfft(chosen, 2 * (len(self.hz) - 1), axis=1))


def tap_responses(scan: ScanRecord, *, use_pickup: bool = True) -> TapResponses:
    """Align, divide by the force where there is a pickup, and average the repeats of each tap.

    Raises AnalysisError when there are no usable strikes or the clips differ in sample rate.
    """
    strikes = [s for s in scan.used_strikes() if len(s.clip.samples) >= 16]
    if not strikes:
        raise AnalysisError("The scan holds no usable strike.", where=scan.scan)
    rates = {s.clip.sample_rate_hz for s in strikes}
    if len(rates) > 1:
        raise AnalysisError(
            "The clips of this scan have different sample rates: "
            + ", ".join(f"{rate} Hz" for rate in sorted(rates))
            + ".",
            where=scan.scan,
            remedy="Resample them to one rate, or gather them as separate scans.",
        )
    rate = rates.pop()
    with_force = [s for s in strikes if s.clip.pickup is not None]
    has_force = use_pickup and len(with_force) >= 0.8 * len(strikes)
    if has_force:
        strikes = with_force
    count = int(2 ** np.ceil(np.log2(LENGTH_S * rate)))
    hz = np.asarray(np.fft.rfftfreq(count, 1.0 / rate), dtype=np.float64)
    if has_force:
        spectra, keep, top_hz = _divided_by_force(strikes, rate, count, hz)
    else:
        from rig.field.strike_alignment import aligned_by_sound

        spectra, keep, top_hz = aligned_by_sound(strikes, scan, rate, count, hz)
    strikes = [s for s, kept in zip(strikes, keep, strict=True) if kept]
    if not strikes:
        raise AnalysisError("No strike of this scan shows a clear blow.", where=scan.scan)
    return _averaged(scan, strikes, spectra[keep], hz, rate, has_force, top_hz)


def first_free_s(scan: ScanRecord, places: FloatArray) -> float:
    """Time after the strike from which the plate swings freely for every tap.

    The sound of the farthest tap has then passed the microphone by half a millisecond.
    """
    if scan.microphone_xyz_mm is None:
        return 0.0014
    x, y, z = scan.microphone_xyz_mm
    far_mm = np.max(np.hypot(np.hypot(places[:, 0] - x, places[:, 1] - y), z))
    return float(far_mm / 1000.0 / SPEED_OF_SOUND_M_S + 0.0005)


def segment(signal: FloatArray, start: int, count: int) -> FloatArray:
    """`count` samples from `start`, zeros where the clip does not reach."""
    out = np.zeros(count)
    low, high = max(start, 0), min(start + count, len(signal))
    if high > low:
        out[low - start : high - start] = signal[low:high]
    return out


def fade_out(count: int, rate: int) -> FloatArray:
    """A window that is 1 and ends in 10 ms of half a cosine."""
    window = np.ones(count)
    fade = min(int(0.010 * rate), count // 4)
    window[count - fade :] = 0.5 + 0.5 * np.cos(np.pi * (np.arange(fade) + 1) / fade)
    return window


def _pulse_peak(clip: Clip) -> int | None:
    """Sample of the greatest force, near the told strike when one was told; None: no pulse."""
    force = clip.pickup
    if force is None:
        return None
    rate = clip.sample_rate_hz
    if clip.strike_sample is None:
        low, high = 0, len(force)
    else:
        low = max(clip.strike_sample - int(0.015 * rate), 0)
        high = min(clip.strike_sample + int(0.030 * rate), len(force))
    if high <= low:
        return None
    force = force[low:high]
    force = np.abs(force - np.median(force))
    peak = int(np.argmax(force))
    noise = 1.4826 * float(np.median(force))
    return low + peak if force[peak] > 8.0 * noise + 1e-6 else None


def _divided_by_force(
    strikes: Sequence[Strike], rate: int, count: int, hz: FloatArray
) -> tuple[ComplexArray, NDArray[np.bool_], float]:
    lead, length = int(_LEAD_S * rate), int(_PULSE_S * rate)
    fade = fade_out(count, rate)
    gate = np.ones(lead + length)
    rise = max(lead // 3, 2)
    gate[:rise] = np.linspace(0.0, 1.0, rise)
    gate[-rise:] = np.linspace(1.0, 0.0, rise)
    sound = np.zeros((len(strikes), count))
    force = np.zeros((len(strikes), lead + length))
    keep = np.zeros(len(strikes), dtype=bool)
    for i, strike in enumerate(strikes):
        peak = _pulse_peak(strike.clip)
        pickup = strike.clip.pickup
        if peak is None or pickup is None:
            continue
        mic = strike.clip.mic
        sound[i] = segment(mic - np.mean(mic), peak - lead, count) * fade
        pulse = segment(pickup, peak - lead, lead + length)
        force[i] = (pulse - np.median(pulse)) * gate
        keep[i] = True
    pressed = np.fft.rfft(force, count, axis=1)
    size = np.abs(pressed) ** 2
    low_level = np.median(size[keep][:, (hz > 200) & (hz < 1000)]) if keep.any() else 1.0
    middle = np.median(size[keep], axis=0) if keep.any() else np.ones(len(hz))
    # ISO 7626-5 stops 10 to 20 dB below the low-frequency level; averaging over many taps and
    # bins carries further, to 40.
    weak = np.flatnonzero((middle < low_level * 1e-4) & (hz > 1000))
    top_hz = float(hz[weak[0]]) if weak.size else float(hz[-1])
    spectra = np.fft.rfft(sound, axis=1) * np.conj(pressed) / (size + 1e-5 * low_level)
    spectra *= _band_limits(hz, min(top_hz * 1.15, 0.47 * rate))
    return spectra, keep, top_hz


def _band_limits(hz: FloatArray, top_hz: float) -> FloatArray:
    """Smooth band limits: up between 60 and 150 Hz, down over the last 15 % below `top_hz`."""
    up = np.clip((hz - 60.0) / 90.0, 0.0, 1.0)
    down = np.clip((top_hz - hz) / (0.15 * top_hz), 0.0, 1.0)
    return np.asarray(np.sin(0.5 * np.pi * up) ** 2 * np.sin(0.5 * np.pi * down) ** 2)


def _averaged(
    scan: ScanRecord,
    strikes: Sequence[Strike],
    spectra: ComplexArray,
    hz: FloatArray,
    rate: int,
    has_force: bool,
    top_hz: float,
) -> TapResponses:
    rows: dict[int, list[int]] = {}
    for i, strike in enumerate(strikes):
        rows.setdefault(strike.tap, []).append(i)
    taps = tuple(sorted(rows))
    places = np.array(
        [np.mean([(strikes[i].x_mm, strikes[i].y_mm) for i in rows[t]], axis=0) for t in taps]
    )
    fewest = min(len(r) for r in rows.values())
    if fewest == 1 and len(strikes) == len(taps):
        mean = spectra[[rows[t][0] for t in taps]]
    else:
        mean = np.stack([spectra[rows[t]].mean(axis=0) for t in taps])
    halves = None
    if fewest >= 2:
        halves = np.stack(
            [np.stack([spectra[rows[t][k::2]].mean(axis=0) for t in taps]) for k in (0, 1)]
        )
    return TapResponses(
        taps=taps,
        places=PlateXY(places),
        hz=hz,
        spectrum=mean,
        sample_rate_hz=rate,
        has_force=has_force,
        first_free_s=first_free_s(scan, places),
        top_hz=top_hz,
        repeats=fewest,
        halves=halves,
    )
