"""A whole scan of a thin plate, synthesised from modes on a mesh finer than the estimator's.

Development data for the whole-plate inversion: same plate physics, other mesh, other constants
(shear moduli 25-35 % off the handbook's), strike-speed and place scatter, noise. Radiation by a
Rayleigh sum with delays.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from rig.model.clip import Clip
from rig.model.outline import Outline
from rig.model.plate_facts import Bar, PlateFacts
from rig.model.scan_record import ScanRecord, Strike
from rig.plate.arching import ArchSurface, template_heights
from rig.plate.bars import bar_mass_kg
from rig.plate.plate_model import PlateModel, PlateModes
from rig.plate.wood import WOODS
from rig.virtual.shapes import violin_outline

RATE_HZ = 48_000
LENGTH = 32_768
TOP_HZ = 12_000.0
SOUND_M_S = 343.0
MICROPHONE_MM = (60.0, 120.0, 200.0)


Heights = Callable[[np.ndarray], np.ndarray]  # (k, 2) mm → (k,) mm, of the middle surface


@dataclass
class TrueThinPlate:
    """What the plate really is: thickness in mm, tone in cents, spots (x, y, height mm, width)."""

    outline: Outline
    wood: str
    modes: PlateModes
    thickness_mm: np.ndarray
    mass_g: float
    spots: list[tuple[float, float, float, float]]
    seed: int
    graded: bool
    ripple: np.ndarray
    arching_mm: float
    heights: Heights | None = None
    bars: tuple[Bar, ...] = ()

    def log_thickness(self, xy_mm: np.ndarray) -> np.ndarray:
        """ln of the thickness in mm at (k, 2) places."""
        return np.log(thickness_of(xy_mm, self.wood, self.graded, self.spots))

    def tone_cents(self, xy_mm: np.ndarray) -> np.ndarray:
        """True h·√(E/ρ) in cents, up to a constant."""
        stiffness = stiffness_ripple(xy_mm, self.ripple)
        return 1200.0 / np.log(2.0) * (self.log_thickness(xy_mm) + 0.5 * stiffness)

    def measured_heights(
        self, spacing_mm: float, sd_mm: float, seed: int = 0
    ) -> tuple[tuple[float, float, float], ...]:
        """Heights of the outer surface over the rim on a grid, as a gauge would read them."""
        rim = np.asarray(self.outline.rim)[::12]
        places = np.vstack([tap_grid(self.outline, spacing_mm), rim])
        outer = 0.5 * np.exp(self.log_thickness(places))
        if self.heights is not None:
            outer = outer + self.heights(places)
        outer += sd_mm * np.random.default_rng([seed, self.seed]).standard_normal(len(places))
        outer -= np.median(outer[-len(rim) :])
        return tuple(
            (float(x), float(y), float(z)) for (x, y), z in zip(places, outer, strict=True)
        )


def thickness_of(
    xy_mm: np.ndarray, wood: str, graded: bool, spots: list[tuple[float, float, float, float]]
) -> np.ndarray:
    """Thickness in mm: a graded or even plate with round thick spots (width at half height)."""
    x, y = xy_mm.T
    maple = wood.endswith("maple")
    rim, rise = (2.6, 1.9) if maple else (2.5, 0.6)
    if not graded:
        rim, rise = (3.2, 0.0) if maple else (2.8, 0.0)
    h = rim + rise * np.exp(-((x / 62.0) ** 2 + ((y - 165.0) / 85.0) ** 2))
    for sx, sy, height, width in spots:
        distance2 = (x - sx) ** 2 + (y - sy) ** 2
        h = h + height * np.exp(-4.0 * np.log(2.0) * distance2 / width**2)
    return h


def stiffness_ripple(xy_mm: np.ndarray, ripple: np.ndarray) -> np.ndarray:
    """Smooth random ln(stiffness) over the plate: a sum of plane waves; (k,)."""
    if not len(ripple):
        return np.zeros(len(xy_mm))
    waves = xy_mm @ ripple[:, :2].T + ripple[:, 2]
    return np.cos(waves) @ ripple[:, 3]


def tap_grid(outline: Outline, spacing_mm: float = 9.0, shift: float = 0.0) -> np.ndarray:
    """Square grid inside the outline, 8 mm from the edge."""
    low, high = outline.rim.min(axis=0), outline.rim.max(axis=0)
    x = np.arange(low[0] + shift, high[0], spacing_mm)
    y = np.arange(low[1] + shift, high[1], spacing_mm)
    grid = np.column_stack([g.ravel() for g in np.meshgrid(x, y)])
    grid = grid[outline.contains(grid)]
    return grid[outline.edge_distance_mm(grid) > 8.0]


def true_plate(
    seed: int,
    *,
    wood: str = "red maple",
    graded: bool = True,
    spot_count: int = 4,
    stiffness_scatter: float = 0.0,
    arching_mm: float = 0.0,
    heights: Heights | None = None,
    bars: tuple[Bar, ...] = (),
    bar_stiffness: float = 1.0,
    mesh_mm: float = 9.0,
    outline: Outline | None = None,
    modes: int = 250,
    change: tuple[float, float, float, float] | None = None,
) -> TrueThinPlate:
    """Make a random plate; its constants lie 5-15 % away from the handbook's.

    outline: a violin's if left out; heights: the arch, the estimator's template times arching_mm if
    left out; bars: their stiffness is bar_stiffness times what their section and wood say.
    """
    rng = np.random.default_rng(seed)
    outline = outline or violin_outline()
    species = WOODS[wood]
    off = rng.uniform(0.05, 0.15, 4) * rng.choice([-1.0, 1.0], 4)
    stiffness = species.stiffness().scaled(np.log1p(off))
    density = species.density_kg_m3 * (1.0 + rng.uniform(-0.06, 0.06))
    inner = tap_grid(outline, 4.0)
    inner = inner[outline.edge_distance_mm(inner) > 22.0]
    spots: list[tuple[float, float, float, float]] = []
    while len(spots) < spot_count:
        x, y = inner[rng.integers(len(inner))]
        if all(np.hypot(x - s[0], y - s[1]) > 65.0 for s in spots):
            spots.append((float(x), float(y), rng.uniform(0.3, 0.6), rng.uniform(25.0, 45.0)))
    ripple = np.zeros((0, 4))
    if stiffness_scatter > 0:
        waves = 24
        ripple = np.column_stack(
            [rng.normal(0, 1 / 25.0, (waves, 2)), rng.uniform(0, 2 * np.pi, waves),
             np.full(waves, stiffness_scatter * np.sqrt(2.0 / waves))]
        )  # fmt: skip
    all_spots = spots if change is None else [*spots, change]
    model = PlateModel.of(outline, size_mm=mesh_mm)
    thickness = thickness_of(model.places_mm, wood, graded, all_spots)
    # A stiffness field e^s equals thickness e^(s/3) in bending with density e^(-s/3).
    arch = None
    if heights is None and arching_mm:

        def heights(xy_mm: np.ndarray) -> np.ndarray:
            return arching_mm * template_heights(outline, xy_mm)

    if heights is not None:
        surface = ArchSurface(model.places_mm, 20.0)
        coefficients = surface.field.fitted(model.places_mm, heights(model.places_mm))
        arch = surface.arch(model.places_mm, coefficients)
    local = stiffness_ripple(model.places_mm, ripple)
    soft = np.random.default_rng([seed, 77]).uniform(0.75, 1.35, 2)
    shear_pa = soft * species.e_along * [species.ratio_shear_across, species.ratio_shear_along]
    solved = model.solve(
        thickness * 1e-3, stiffness, density, count=modes, arch=arch,
        shear_pa=(float(shear_pa[0]), float(shear_pa[1])),
        relative_stiffness=np.exp(local), bars=model.laid(bars),
        bar_stiffness=np.full(len(bars), bar_stiffness),
    )  # fmt: skip
    mass_kg = model.mass_kg(thickness * 1e-3, density) + sum(bar_mass_kg(bar) for bar in bars)
    return TrueThinPlate(
        outline, wood, solved, thickness, 1e3 * mass_kg,
        all_spots, seed, graded, ripple, arching_mm, heights, bars,
    )  # fmt: skip


def thin_scan(
    plate: TrueThinPlate,
    *,
    repeats: int = 1,
    pickup: bool = True,
    seed: int = 1,
    spacing_mm: float = 9.0,
    shift_mm: float = 0.0,
    relaid: tuple[float, float, float] = (0.0, 0.0, 0.0),
    place_sd_mm: float = 0.3,
    speed_sd: float = 0.05,
    noise: float = 0.001,
    start_jitter_s: float = 0.0,
    facts: dict[str, object] | None = None,
    record_s: float = 0.14,
) -> ScanRecord:
    """Tap the plate all over. relaid: error of the assumed pose, (mm, mm, degrees).

    noise: rms of the microphone's noise against the median peak of the clips.
    """
    rng = np.random.default_rng([seed, plate.seed])
    planned = tap_grid(plate.outline, spacing_mm, shift_mm)
    frequency = np.fft.rfftfreq(LENGTH, 1 / RATE_HZ)
    kept = np.count_nonzero(frequency <= TOP_HZ)
    frequency = frequency[:kept]
    omega = 2 * np.pi * frequency
    radiated = _radiation(plate.modes, omega)
    angle = np.deg2rad(relaid[2])
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    centre = np.array([0.0, 178.0])
    aimed = (planned - centre) @ turn.T + centre + np.array(relaid[:2])
    taper = np.clip((TOP_HZ - frequency) / 2000.0, 0.0, 1.0)
    sounds, forces = [], []
    for _ in range(repeats):
        true = aimed + rng.normal(0, place_sd_mm, aimed.shape)
        speed = 1.0 + speed_sd * rng.standard_normal(len(true))
        duration = 0.2e-3 * speed**-0.2 * (1 + 0.01 * rng.standard_normal(len(true)))
        force = speed[:, None] * _pulse(duration, frequency)
        spectrum = (plate.modes.at(true) @ radiated) * force * taper
        full = np.zeros((len(true), LENGTH // 2 + 1), dtype=complex)
        full[:, :kept] = spectrum
        sounds.append(np.fft.irfft(full, LENGTH))
        full[:, :kept] = force * taper
        forces.append(np.fft.irfft(full, LENGTH))
    level = np.median([np.max(np.abs(s), axis=1) for s in sounds])
    force_level = np.max(forces)
    before = 480
    count = before + int(record_s * RATE_HZ)
    strikes = []
    for repeat in range(repeats):
        for tap, (x, y) in enumerate(planned):
            lead = before + int(rng.uniform(-1, 1) * start_jitter_s * RATE_HZ)
            channels = [
                np.roll(sounds[repeat][tap], lead)[:count] / level / 8
                + noise / 8 * rng.standard_normal(count)
            ]
            if pickup:
                channels.append(
                    np.roll(forces[repeat][tap], lead)[:count] / force_level / 2
                    + 2e-5 * rng.standard_normal(count)
                )
            samples = np.round(np.column_stack(channels) * 2**23).astype(np.int32)
            clip = Clip(
                samples=samples, sample_rate_hz=RATE_HZ, mic_channel=0,
                pickup_channel=1 if pickup else None, strike_sample=lead,
            )  # fmt: skip
            strikes.append(Strike(len(strikes), tap, repeat, float(x), float(y), clip))
    known: dict[str, object] = {"name": "thin", "wood": plate.wood, "mass_g": plate.mass_g}
    if plate.arching_mm:
        known["arching_mm"] = plate.arching_mm
    if plate.bars:
        known["bars"] = plate.bars
    known.update(facts or {})
    return ScanRecord(
        scan="S0001", face="outer", strength="light", spacing_mm=spacing_mm,
        outline=plate.outline, facts=PlateFacts(**known), strikes=tuple(strikes),  # type: ignore[arg-type]
        microphone_xyz_mm=MICROPHONE_MM, simulated=True,
    )  # fmt: skip


def _pulse(duration_s: np.ndarray, frequency: np.ndarray) -> np.ndarray:
    """Spectrum of a half-sine force of unit impulse, from t = 0; (n, f)."""
    x = np.outer(duration_s, frequency)
    with np.errstate(divide="ignore", invalid="ignore"):
        shape = np.cos(np.pi * x) / (1 - 4 * x**2)
    shape[np.abs(4 * x**2 - 1) < 1e-9] = np.pi / 4
    return shape * np.exp(-1j * np.pi * x)


def _radiation(modes: PlateModes, omega: np.ndarray) -> np.ndarray:
    """(modes, f): sound at the microphone per unit modal force. Rayleigh sum with delays."""
    model = modes.model
    places_m = model.places_mm * 1e-3
    r = np.sqrt(
        (places_m[:, 0] - MICROPHONE_MM[0] * 1e-3) ** 2
        + (places_m[:, 1] - MICROPHONE_MM[1] * 1e-3) ** 2
        + (MICROPHONE_MM[2] * 1e-3) ** 2
    )
    # Bundle the points by distance in half-millimetre bins: fine enough for 12 kHz.
    number = np.round(r / 0.5e-3).astype(int)
    lowest = number.min()
    bundle = np.zeros((number.max() - lowest + 1, len(modes.omega2)))
    np.add.at(bundle, number - lowest, modes.at(model.places_mm) * (model.weights_m2 / r)[:, None])
    distance = (np.arange(len(bundle)) + lowest) * 0.5e-3
    travel = np.exp(-1j * np.outer(distance / SOUND_M_S, omega))
    volume = bundle.T @ travel
    eta = 0.012 + 0.010 * np.sqrt(modes.omega2) / (2 * np.pi) / 8000.0
    pole = modes.omega2[:, None] - omega**2 + 1j * omega * (np.sqrt(modes.omega2) * eta)[:, None]
    pole[:, 0] = np.inf
    return 1.2 / (2 * np.pi) * (-(omega**2)) * volume / pole
