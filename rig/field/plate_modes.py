"""The plate's modes: how each ring partial is shared out over the plate.

Free of the hammer every strike is a sum of the same damped partials; what differs from tap to tap
is how much of each. Frequencies and decays are known from the whole scan (the pooled ring); here
the complex amplitudes of all partials are fitted to each strike jointly and divided by the
Laplace transform of its force at the pole, F(s) = ∫ f(t)·e^(−s·t) dt, which is exact for a linear
plate. By reciprocity the result, read over the taps, is the mode's shape times one complex number
that belongs to the place of the microphone; that number is turned away. With one microphone two
modes of the very same frequency show as one, their sum as heard there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rig.field.mode_amplitudes import Amplitudes, TapAmplitudes, tap_amplitudes
from rig.field.mode_surface import Spline, spline, zero_lines
from rig.field.nearest import nearest, typical_spacing_mm
from rig.model.errors import AnalysisError
from rig.model.frames import Face, PlateXY
from rig.model.outline import Outline
from rig.model.reading import RingPartial
from rig.model.scan_record import ScanRecord
from rig.model.units import FloatArray

HIGHEST_HZ = 1500.0
_FEWEST_TAPS = 12
_PLACE_SD_MM = 0.3
_LEAST_SNR_DB = 4.0  # of the shape that is drawn through the taps
_GOOD_SNR_DB = 12.0
_GOOD_SHARE = 0.95
_PAIR_REACH = 0.15  # partners of two scans lie within this share of the frequency
_WAVES_PER_TAP = 0.4


@dataclass(frozen=True)
class PlateMode:
    """One mode as the taps show it.

    amplitude: (n,) signed, greatest 1; sd: (n,) one standard deviation, same unit.
    in_phase_share: part of the motion's energy that is in phase, 0…1; 1 for a real mode; noise,
    which no smooth shape follows, left out. signal_to_noise_db: of the single taps; the smooth
    shape that is drawn through many of them is surer.
    """

    hz: float
    sd_hz: float
    decay_s: float
    level_db: float
    amplitude: FloatArray
    sd: FloatArray
    in_phase_share: float
    signal_to_noise_db: float
    quality: Literal["good", "doubtful"]
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True)
class PlateModes:
    """All modes of one scan, by frequency.

    normalised: what the amplitudes were divided by. left_out: partials without a shape, and why.
    """

    scan: str
    face: Face
    taps: tuple[int, ...]
    places: PlateXY
    outline: Outline
    modes: tuple[PlateMode, ...]
    normalised: Literal["force", "strike speed", "nothing"]
    left_out: tuple[tuple[float, str], ...] = ()
    simulated: bool = False

    @cached_property
    def shape(self) -> Spline:
        """The shapes of all modes between the taps."""
        return spline(np.asarray(self.places), np.column_stack([m.amplitude for m in self.modes]))

    @cached_property
    def nodal_lines(self) -> list[tuple[FloatArray, ...]]:
        """Of each mode the lines on the wood that stay at rest: (k, 2) points in mm."""
        return zero_lines(self.shape, self.outline) if self.modes else []


@dataclass(frozen=True)
class ModePair:
    """A mode and its partner in another scan of the plate; mac None: no partner."""

    mode: int
    partner: int | None
    mac: float | None


def plate_modes(
    scan: ScanRecord, ring: Sequence[RingPartial], *, highest_hz: float = HIGHEST_HZ
) -> PlateModes:
    """Shapes of the partials of `ring` up to `highest_hz`.

    ring: the pooled partials of the same scan; those above `highest_hz` are fitted along where
    they overlap. Raises AnalysisError with fewer than 12 usable taps or an empty ring.
    """
    if not any(partial.hz <= highest_hz for partial in ring):
        raise AnalysisError(
            f"No partial of the plate was found below {highest_hz:.0f} Hz, so there are no modes.",
            where=scan.scan,
        )
    found = tap_amplitudes(scan, ring, highest_hz)
    if len(found.taps) < _FEWEST_TAPS:
        raise AnalysisError(
            f"Only {len(found.taps)} taps can be used; a mode's shape needs {_FEWEST_TAPS}.",
            where=scan.scan,
            remedy="Scan on a finer grid.",
        )
    spacing_mm = typical_spacing_mm(found.places)
    modes, left_out = [], []
    turned = [in_phase(heard.values) for heard in found.partials]
    both = [np.column_stack(parts) for parts in zip(*turned, strict=True)]
    smooth = spline(found.places, np.hstack(both))
    drawn = np.split(smooth.at(found.places), 2, axis=1)
    for k, heard in enumerate(found.partials):
        shape = _Drawn(drawn[0][:, k], drawn[1][:, k], float(smooth.freedom[k]))
        mode = _mode(heard, turned[k], shape, found, spacing_mm)
        if isinstance(mode, str):
            left_out.append((heard.partial.hz, mode))
        else:
            modes.append(mode)
    return PlateModes(
        scan=scan.scan,
        face=scan.face,
        taps=found.taps,
        places=PlateXY(found.places),
        outline=scan.outline,
        modes=tuple(modes),
        normalised=found.normalised,
        left_out=tuple(left_out),
        simulated=scan.simulated,
    )


def mac(
    a: PlateModes, b: PlateModes, mode_a: int, mode_b: int, at: FloatArray | None = None
) -> float:
    """Modal assurance criterion, (Σ φa·φb)² / (Σ φa² · Σ φb²), 0…1, of two modes.

    The shapes are read between the taps at places that both scans cover, so the grids may
    differ (Allemang & Brown 1982). at: (k, 2) mm, other places. NaN without common places.
    """
    return float(mac_table(a, b, at)[mode_a, mode_b])


def mac_table(a: PlateModes, b: PlateModes, at: FloatArray | None = None) -> FloatArray:
    """The criterion of every mode of `a` with every mode of `b`; (modes of a, modes of b)."""
    where = common_places(a, b) if at is None else np.asarray(at)
    if len(where) == 0 or not a.modes or not b.modes:
        return np.full((len(a.modes), len(b.modes)), np.nan)
    one, other = a.shape.at(where), b.shape.at(where)
    energy = np.outer(np.sum(one**2, axis=0), np.sum(other**2, axis=0))
    return np.asarray((one.T @ other) ** 2 / np.maximum(energy, 1e-300))


def common_places(a: PlateModes, b: PlateModes) -> FloatArray:
    """Taps of `a` that have taps of `b` within its spacing, and the other way round; (k, 2) mm."""
    kept = []
    for one, other in ((a, b), (b, a)):
        places, beside = np.asarray(one.places), np.asarray(other.places)
        gap, _ = nearest(beside, places, 1)
        kept.append(places[gap[:, 0] <= 1.1 * typical_spacing_mm(beside)])
    return np.vstack(kept)


def matched(a: PlateModes, b: PlateModes) -> tuple[ModePair, ...]:
    """Of every mode of `a` the mode of `b` that is most like it, each taken once.

    Only modes within 15 % of the frequency are compared.
    """
    from scipy.optimize import linear_sum_assignment

    alike = mac_table(a, b)
    if alike.size == 0 or not np.isfinite(alike).any():
        return tuple(ModePair(k, None, None) for k in range(len(a.modes)))
    hz_a = np.array([mode.hz for mode in a.modes])
    hz_b = np.array([mode.hz for mode in b.modes])
    off = np.abs(np.log(hz_b[None, :] / hz_a[:, None])) / np.log1p(_PAIR_REACH)
    near = off <= 1.0
    score = np.where(near, alike - 0.3 * off, -10.0)
    rows, columns = linear_sum_assignment(-score)
    partner = {int(r): int(c) for r, c in zip(rows, columns, strict=True) if near[r, c]}
    return tuple(
        ModePair(k, partner.get(k), float(alike[k, partner[k]]) if k in partner else None)
        for k in range(len(a.modes))
    )


@dataclass(frozen=True)
class _Drawn:
    """The smooth parts in and out of phase at the taps, and the numbers the first one spends."""

    real: FloatArray
    aside: FloatArray
    freedom: float


def _mode(
    heard: Amplitudes,
    turned: tuple[FloatArray, FloatArray],
    drawn: _Drawn,
    found: TapAmplitudes,
    spacing_mm: float,
) -> PlateMode | str:
    """Turn a partial's amplitudes into a real shape, or say why there is none."""
    (real, aside), variance = turned, heard.variance
    noise = float(np.mean(variance))
    snr_db = _over_noise_db(float(np.mean(real**2 + aside**2)), noise)
    # what is out of phase is error of the same size as that in phase
    scale = max(float(np.mean(aside**2)) / (0.5 * noise), 1.0)
    left_in_shape = 0.5 * scale * noise * drawn.freedom / len(real)
    shape_snr_db = _over_noise_db(float(np.mean(drawn.real**2)), left_in_shape)
    if shape_snr_db < _LEAST_SNR_DB:
        return "too weak at the taps for a shape"
    share = float(np.sum(drawn.real**2) / np.sum(drawn.real**2 + drawn.aside**2))
    top = int(np.argmax(np.abs(real)))
    size2 = real[top] ** 2
    real = real / real[top]
    slope = _slope(found.places, real)
    sd = np.sqrt(
        scale * 0.5 * variance / size2
        + (_PLACE_SD_MM * slope) ** 2 / found.strikes
        + (found.gain_sd * real) ** 2 / found.strikes
    )
    reasons = _doubts(share, shape_snr_db, real, slope, spacing_mm)
    partial = heard.partial
    return PlateMode(
        hz=partial.hz,
        sd_hz=partial.sd_hz,
        decay_s=partial.decay_s,
        level_db=partial.level_db,
        amplitude=real,
        sd=sd,
        in_phase_share=share,
        signal_to_noise_db=snr_db,
        quality="doubtful" if reasons else "good",
        reasons=reasons,
    )


def _over_noise_db(whole: float, noise: float) -> float:
    """Level of what stands above the noise against the noise."""
    return 10.0 * float(np.log10(max(whole / max(noise, 1e-300) - 1.0, 1e-3)))


def in_phase(values: NDArray[np.complex128]) -> tuple[FloatArray, FloatArray]:
    """(n,) complex amplitudes turned by the best common phase: the part in phase and the rest."""
    turned = values * np.exp(-0.5j * np.angle(np.sum(values**2)))
    return np.asarray(turned.real), np.asarray(turned.imag)


def _doubts(
    share: float, shape_snr_db: float, real: FloatArray, slope: FloatArray, spacing_mm: float
) -> tuple[str, ...]:
    reasons = []
    if share < _GOOD_SHARE:
        reasons.append(
            f"Only {100.0 * share:.0f} % of it moves in phase: two modes may lie too close to part."
        )
    if shape_snr_db < _GOOD_SNR_DB:
        reasons.append(f"Its shape stands only {shape_snr_db:.0f} dB above the noise.")
    # for a wave of length L the rms slope is 2π/L times the rms amplitude
    waves = float(np.sqrt(np.mean(slope**2) / np.mean(real**2))) / (2.0 * np.pi) * spacing_mm
    if waves > _WAVES_PER_TAP / 2.0:
        reasons.append("The grid is coarse for its short waves.")
    return tuple(reasons)


def _slope(places: FloatArray, real: FloatArray) -> FloatArray:
    """Steepness of the shape at the taps, per mm, from a plane through the taps near; (n,)."""
    count = min(7, len(places))
    _, near = nearest(places, places, count)
    offset = places[near] - places[:, None, :]
    design = np.concatenate([np.ones((len(places), count, 1)), offset], axis=2)
    normal = np.einsum("nki,nkj->nij", design, design) + 1e-3 * np.eye(3)
    told = np.einsum("nki,nk->ni", design, real[near])
    plane = np.linalg.solve(normal, told[..., None])[..., 0]
    return np.asarray(np.hypot(plane[:, 1], plane[:, 2]))
