"""Local tone by the local wave fit: taps around a place are one picture of passing bending waves,
and the length of those waves at a known frequency tells the plate's h·√(E/ρ) there.

Needs no outline model, no mass and no plate model, so it stands beside the whole-plate inversion
as an independent second opinion.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rig.field.dispersion import PlateWaves, is_softwood, wood_ratios
from rig.field.local_likelihood import (
    STEP,
    Kernels,
    LocalLikelihood,
    Picture,
    Scales,
    kernels,
    local_likelihood,
    picture,
)
from rig.field.nearest import typical_spacing_mm
from rig.field.neighbourhoods import neighbourhoods
from rig.field.realignment import realigned
from rig.field.refine_ratios import refined_waves
from rig.field.responses import ComplexArray, TapResponses, tap_responses
from rig.model.errors import AnalysisError
from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import TapTone
from rig.model.units import FloatArray

STEP_CENTS = 1200.0 * np.log2(STEP)
ESTIMATOR = "local wave fit"


@dataclass(frozen=True)
class WaveFitOptions:
    """What may be turned. Defaults serve violin-sized plates on a 7 to 14 mm grid.

    band_hz None: chosen by wood, grid and strike. noise, width_mm: see wave_kernel. reach: how
    far from the plate's mean tone a place may lie, as a factor.
    """

    band_hz: tuple[float, float] | None = None
    radius_mm: float | None = None
    width_mm: float | None = None
    noise: float = 0.005
    edge_reach_mm: float = 36.0
    reach: float = 1.65
    rise_s: float = 0.0015
    decay_s: float = 0.006
    length_s: float = 0.025
    refine: bool = True
    use_pickup: bool = True
    rounds: int = 4


@dataclass(frozen=True)
class WaveReading:
    """Everything one scan gives the wave fit, ready to be read at any places."""

    responses: TapResponses
    picture: Picture
    waves: PlateWaves
    options: WaveFitOptions
    band_hz: tuple[float, float]
    radius_mm: float
    width_mm: float


def coarseness_reason(scan: ScanRecord) -> str | None:
    """Why the taps are too few or too far apart for local tone; None when they are not."""
    _, places = scan.tap_places()
    if len(places) < 40:
        return f"Only {len(places)} taps; local tone needs at least 40, a full plate about 500."
    spacing = typical_spacing_mm(places)
    if spacing > 15.0:
        return (
            f"The taps are {spacing:.0f} mm apart; the waves that tell local tone are 30 to 60 mm "
            "long and need taps at most 15 mm apart."
        )
    return None


def band_for(scan: ScanRecord, responses: TapResponses, waves: PlateWaves) -> tuple[float, float]:
    """Frequencies to read: short enough waves to be local, long enough for wood, grid and strike.

    The shortest wave must still span 2.4 tap spacings (sampling theorem with a margin).
    """
    low, high = 4000.0, 12000.0  # shear is in the dispersion, so soft wood needs no lower band
    spacing = typical_spacing_mm(responses.places)
    theta = np.linspace(0.0, np.pi / 2, 7)
    trial = np.linspace(2000.0, 14000.0, 61)
    k = waves.wavenumber(theta[:, None], trial[None, :], np.asarray(0.85 * waves.product_m2_s))
    shortest_mm = 2000.0 * np.pi / k.max(axis=0)
    fine = trial[shortest_mm > 2.4 * spacing]
    high = min(high, responses.top_hz, 0.44 * responses.sample_rate_hz)
    high = min(high, float(fine[-1]) if fine.size else 0.0)
    low = min(low, high / 2.0)
    if high < 2500.0:
        raise AnalysisError(
            f"Taps {spacing:.0f} mm apart and strikes that carry to {responses.top_hz:.0f} Hz "
            "leave no band in which local tone can be read.",
            where=scan.scan,
            remedy="Use a finer grid and a harder tip, or read the attack.",
        )
    return low, high


def windowed_spectra(
    responses: TapResponses, spectrum: ComplexArray, hz: FloatArray, options: WaveFitOptions
) -> ComplexArray:
    """(n, bins) spectra of the free vibration after the strike.

    The smooth rise takes out the driven near field; the decay keeps late echoes small.
    """
    rate = responses.sample_rate_hz
    start = round(responses.first_free_s * rate)
    count = round(options.length_s * rate)
    t = np.arange(count) / rate
    rise = np.where(t < options.rise_s, np.sin(0.5 * np.pi * t / options.rise_s) ** 2, 1.0)
    window = rise * np.exp(-t / options.decay_s)
    turns = np.exp(-2j * np.pi * np.outer(t, hz)) * window[:, None]
    return np.asarray(responses.impulse(spectrum)[:, start : start + count] @ turns)


def read_waves(
    scan: ScanRecord, options: WaveFitOptions | None = None, progress: Progress = silent
) -> WaveReading:
    """Align the strikes, take their spectra and find the plate's mean tone and wood ratios.

    Raises AnalysisError when the taps are too few or too coarse.
    """
    options = options or WaveFitOptions()
    reason = coarseness_reason(scan)
    if reason is not None:
        raise AnalysisError(reason, where=scan.scan, remedy="Use a finer grid or read the attack.")
    progress(ProgressEvent("Aligning the strikes", 0, 4))
    responses = tap_responses(scan, use_pickup=options.use_pickup)
    ratios = wood_ratios(scan.facts.wood)
    thickness = (scan.facts.mean_thickness_mm or ratios.thickness_mm) / 1000.0
    if scan.facts.mean_thickness_mm is None and scan.facts.mass_g is not None:
        area_m2 = scan.outline.area_mm2 * 1e-6
        told = scan.facts.mass_g / 1000.0 / area_m2 / ratios.density_kg_m3
        thickness = float(np.clip(told, 0.0015, 0.008))
    waves = PlateWaves(ratios, thickness, thickness * ratios.speed_m_s)
    band = options.band_hz or band_for(scan, responses, waves)
    spacing = typical_spacing_mm(responses.places)
    # Waves along the grain of soft wood are longer and need more taps to be told apart.
    reach = 3.45 if is_softwood(scan.facts.wood) else 3.02
    radius = options.radius_mm or float(np.clip(reach * spacing, 24.0, 36.0))
    width = options.width_mm or radius * 14.0 / 27.0
    step = 0.75 / options.decay_s / np.pi
    hz = np.arange(band[0], band[1], step)
    progress(ProgressEvent("Taking spectra", 1, 4))
    values = windowed_spectra(responses, responses.spectrum, hz, options)
    heard = picture(values, hz, 1.0 / (np.pi * options.decay_s))
    progress(ProgressEvent("Finding the wood's ratios", 2, 4))
    waves = refined_waves(
        heard, responses.places, scan.outline, waves,
        radius_mm=radius, width_mm=width, noise=options.noise, ratios_too=options.refine,
    )  # fmt: skip
    return WaveReading(responses, heard, waves, options, band, radius, width)


def kernels_at(reading: WaveReading, scan: ScanRecord, centres: FloatArray) -> Kernels:
    """Matrices that read the scan's taps at any `centres` (c, 2) of the plate frame."""
    options = reading.options
    groups = neighbourhoods(
        reading.responses.places, centres, scan.outline,
        radius_mm=reading.radius_mm, edge_reach_mm=options.edge_reach_mm,
    )  # fmt: skip
    scales = Scales.around(reading.picture, options.reach, 2.0)
    return kernels(
        groups, len(centres), reading.waves, scales,
        noise=options.noise, width_mm=reading.width_mm,
    )  # fmt: skip


def settled(reading: WaveReading, ready: Kernels) -> tuple[WaveReading, LocalLikelihood]:
    """Costs at the taps, strikes without a pickup brought into line by their neighbours first."""
    likelihood = local_likelihood(reading.picture, ready, reading.waves)
    # With a pickup moments and strengths are known better than the neighbours can tell.
    for _ in range(0 if reading.responses.has_force else reading.options.rounds):
        better = realigned(reading.picture, ready, likelihood, reading.waves)
        reading = replace(reading, picture=better)
        likelihood = local_likelihood(better, ready, reading.waves)
    return reading, likelihood


def lowest(cost: FloatArray, steps: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Place of the minimum of each row (n, J) by a parabola, in steps, and whether it is inside."""
    j = np.argmin(cost, axis=1)
    inside = (j > 0) & (j < cost.shape[1] - 1)
    j = np.clip(j, 1, cost.shape[1] - 2)
    rows = np.arange(len(cost))
    a, b, c = cost[rows, j - 1], cost[rows, j], cost[rows, j + 1]
    bend = a - 2 * b + c
    shift = np.where(bend > 0, 0.5 * (a - c) / np.where(bend > 0, bend, 1.0), 0.0)
    return steps[j] + np.clip(shift, -1.0, 1.0) * (steps[1] - steps[0]), inside


def block_costs(likelihood: LocalLikelihood, blocks: int) -> FloatArray:
    """Costs summed over `blocks` runs of neighbouring frequencies, (blocks, n, J)."""
    parts = np.array_split(np.arange(likelihood.cost.shape[1]), blocks)
    return np.stack([likelihood.cost[:, p].sum(axis=1, dtype=np.float64) for p in parts])


def jackknife(
    costs: FloatArray, steps: FloatArray
) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Tone in cents around the mean tone, its standard deviation (n,), whether inside the range.

    costs: (blocks, n, J). Leaving out one block of frequencies at a time shows how far the
    answer hangs on the chance pattern of waves in it (Efron & Stein 1981).
    """
    total = costs.sum(axis=0)
    best, inside = lowest(total, steps)
    b = len(costs)
    without = np.stack([lowest(total - c, steps)[0] for c in costs])
    spread = (b - 1) / b * np.sum((without - without.mean(axis=0)) ** 2, axis=0)
    return best * STEP_CENTS, np.sqrt(spread) * STEP_CENTS, inside


def wave_fit(
    scan: ScanRecord, progress: Progress = silent, options: WaveFitOptions | None = None
) -> TapTone:
    """Local tone at every tap by the local wave fit.

    Raises AnalysisError when the taps are too few, too coarse or the strikes too dull for it.
    """
    reading = read_waves(scan, options, progress)
    progress(ProgressEvent("Fitting waves", 3, 4))
    places = reading.responses.places
    ready = kernels_at(reading, scan, places)
    reading, likelihood = settled(reading, ready)
    from rig.field.wave_errors import standard_deviations

    cents, spread, inside = jackknife(block_costs(likelihood, 8), likelihood.scales.steps)
    cents, sd = standard_deviations(
        places, cents, spread, inside, scan.outline.edge_distance_mm(places), ready.groups
    )
    product = reading.waves.product_m2_s * 2.0 ** (cents / 1200.0)
    tone = reading.waves.thin_tone_hz(product)
    reasons = [
        f"Read between {reading.band_hz[0] / 1000:.1f} and {reading.band_hz[1] / 1000:.1f} kHz "
        f"from {len(places)} taps"
        + (" with the hammer pickup." if reading.responses.has_force else ".")
    ]
    verdict = "good"
    if not reading.responses.has_force:
        verdict = "use with care"
        reasons.append(
            "No hammer pickup: strikes were aligned by their sound, single spots doubtful."
        )
    ratios = reading.waves.ratios
    progress(ProgressEvent("Fitting waves", 4, 4))
    return TapTone(
        reading="local",
        estimator=ESTIMATOR,
        taps=reading.responses.taps,
        places=places,
        tone_hz=tone,
        sd_cents=sd,
        repeatability_cents=float(np.median(spread)),
        verdict="good" if verdict == "good" else "use with care",
        reasons=tuple(reasons),
        constants={
            "along_across": ratios.along_across,
            "twist": ratios.twist,
            "shear_across": ratios.shear_across,
            "mean_tone_hz": float(
                reading.waves.thin_tone_hz(np.asarray(reading.waves.product_m2_s))
            ),
        },
    )


def without_pickup(options: WaveFitOptions | None = None) -> WaveFitOptions:
    """The same options, the pickup channel left unused."""
    return replace(options or WaveFitOptions(), use_pickup=False)
