"""A small independent source of scans: a thin orthotropic free plate and a microphone.

Kirchhoff plate with Argyris triangles (scikit-fem), thickness varying inside the integrals;
radiation by a Rayleigh integral with delays. Left out: shear, arching, room, hammer dynamics
(the force pulse is a given bell whose width follows the local stiffness).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from rig.model.clip import Clip
from rig.model.outline import Outline
from rig.model.plate_facts import PlateFacts
from rig.model.scan_record import ScanRecord, Strike
from rig.virtual.shapes import violin_outline

Field = Callable[[np.ndarray, np.ndarray], np.ndarray]  # x_mm, y_mm → value

# GPa; x across the grain (R), y along it (L). Invented pieces near the handbook's ratios.
WOODS = {
    "maple": {"rho": 620.0, "exx": 1.55, "eyy": 11.2, "nu_yx": 0.42, "gxy": 1.2},
    "spruce": {"rho": 430.0, "exx": 0.95, "eyy": 11.8, "nu_yx": 0.40, "gxy": 0.82},
}


@dataclass(frozen=True)
class ThinPlate:
    """Modes of one plate and where it can be read."""

    outline: Outline
    wood: str
    thickness_mm: Field
    omega: np.ndarray  # (m,) rad/s
    phi: Callable[[np.ndarray], np.ndarray]  # (n, 2) mm → (n, m) mass-normalised
    mass_g: float

    def tone_cents(self, xy_mm: np.ndarray) -> np.ndarray:
        """True tone h·√(E/ρ) in cents (E and ρ are constant here)."""
        return 1200.0 * np.log2(self.thickness_mm(xy_mm[:, 0], xy_mm[:, 1]))


def graded(centre_mm: float = 4.5, edge_mm: float = 2.7) -> Field:
    """A smooth graduation, thick in the middle."""

    def thickness(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        r2 = (x / 95.0) ** 2 + ((y - 175.0) / 165.0) ** 2
        return edge_mm + (centre_mm - edge_mm) * np.exp(-1.6 * r2)

    return thickness


def even(mm: float = 3.4) -> Field:
    """The same everywhere."""
    return lambda x, y: np.full(np.shape(x), mm)


def with_bump(base: Field, x_mm: float, y_mm: float, rise_mm: float, width_mm: float) -> Field:
    """Add a Gaussian of full width at half maximum `width_mm`."""
    scale = width_mm / 2.3548

    def thickness(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        r2 = ((x - x_mm) ** 2 + (y - y_mm) ** 2) / scale**2
        return base(x, y) + rise_mm * np.exp(-0.5 * r2)

    return thickness


def _mesh(outline: Outline, step_mm: float):
    from scipy.spatial import Delaunay
    from skfem import MeshTri

    rim = outline.rim
    chord = np.concatenate(
        [[0.0], np.cumsum(np.hypot(*np.diff(np.vstack([rim, rim[:1]]), axis=0).T))]
    )
    count = int(chord[-1] / step_mm)
    at = np.linspace(0.0, chord[-1], count, endpoint=False)
    closed = np.vstack([rim, rim[:1]])
    edge = np.column_stack([np.interp(at, chord, closed[:, k]) for k in (0, 1)])
    ys = np.arange(rim[:, 1].min(), rim[:, 1].max(), step_mm * np.sqrt(0.75))
    rows = [
        np.column_stack(
            [
                np.arange(-150, 150, step_mm) + (i % 2) * step_mm / 2,
                np.full(int(np.ceil(300 / step_mm)), y),
            ]
        )
        for i, y in enumerate(ys)
    ]
    inner = np.vstack(rows)
    ring = Outline.checked(edge)
    inner = inner[ring.contains(inner)]
    inner = inner[ring.edge_distance_mm(inner) > 0.55 * step_mm]
    points = np.vstack([edge, inner])
    triangles = Delaunay(points).simplices
    keep = ring.contains(points[triangles].mean(axis=1))
    triangles = triangles[keep]
    used, inverse = np.unique(triangles, return_inverse=True)
    return MeshTri(points[used].T / 1000.0, inverse.reshape(-1, 3).T.astype(np.int64))


def solve(
    thickness: Field, wood: str = "maple", *, step_mm: float = 12.0, top_hz: float = 12500.0
) -> ThinPlate:
    """Modes of a violin-sized plate up to `top_hz`."""
    from scipy.sparse.linalg import eigsh
    from skfem import Basis, BilinearForm, ElementTriArgyris, asm
    from skfem.helpers import dd

    outline = violin_outline()
    w = WOODS[wood]
    rho, exx, eyy, gxy = w["rho"], w["exx"] * 1e9, w["eyy"] * 1e9, w["gxy"] * 1e9
    nu_xy = w["nu_yx"] * exx / eyy
    mu = 1.0 - w["nu_yx"] * nu_xy
    c11, c22, c12, c66 = exx / mu, eyy / mu, w["nu_yx"] * exx / mu, gxy
    basis = Basis(_mesh(outline, step_mm), ElementTriArgyris(), intorder=8)

    @BilinearForm
    def stiffness(u, v, q):
        h = thickness(q.x[0] * 1000, q.x[1] * 1000) / 1000
        a, b = dd(u), dd(v)
        return (
            h**3
            / 12
            * (
                c11 * a[0, 0] * b[0, 0]
                + c22 * a[1, 1] * b[1, 1]
                + c12 * (a[0, 0] * b[1, 1] + a[1, 1] * b[0, 0])
                + 4 * c66 * a[0, 1] * b[0, 1]
            )
        )

    @BilinearForm
    def inertia(u, v, q):
        return rho * thickness(q.x[0] * 1000, q.x[1] * 1000) / 1000 * u * v

    stiff, mass = asm(stiffness, basis).tocsc(), asm(inertia, basis).tocsc()
    scale = 1.0 / np.sqrt(mass.diagonal())
    from scipy.sparse import diags

    S = diags(scale)
    lam, vec = eigsh(S @ stiff @ S, k=190, M=S @ mass @ S, sigma=-1e5, which="LM")
    vec = S @ vec
    order = np.argsort(lam)
    lam, vec = lam[order], vec[:, order]
    keep = (lam > (2 * np.pi * 20.0) ** 2) & (lam < (2 * np.pi * top_hz) ** 2)
    vec = vec[:, keep]

    def phi(xy_mm: np.ndarray) -> np.ndarray:
        return np.asarray(basis.probes(np.asarray(xy_mm).T / 1000.0) @ vec)

    grid = _grid(outline, 4.0, 0.0)
    mass_g = float(
        rho * thickness(grid[:, 0], grid[:, 1]).mean() / 1000 * outline.area_mm2 * 1e-6 * 1000
    )
    return ThinPlate(outline, wood, thickness, np.sqrt(lam[keep]), phi, mass_g)


def _grid(outline: Outline, step: float, margin: float, shift=(0.0, 0.0)) -> np.ndarray:
    xs = np.arange(-110.0, 111.0, step) + shift[0]
    ys = np.arange(0.0, 360.0, step) + shift[1]
    xy = np.array([(x, y) for y in ys for x in xs])
    xy = xy[outline.contains(xy)]
    return xy[outline.edge_distance_mm(xy) >= max(margin, 0.5)]


def grid_places(
    plate: ThinPlate, spacing_mm: float = 9.0, margin_mm: float = 7.0, shift=(0.0, 0.0)
) -> np.ndarray:
    """A square grid of tap places inside the outline."""
    return _grid(plate.outline, spacing_mm, margin_mm, shift)


def scan(
    plate: ThinPlate,
    places: np.ndarray,
    seed: int,
    *,
    mic_mm=(130.0, 210.0, 200.0),
    pickup: bool = True,
    repeats: int = 1,
    jitter_us: float = 25.0,
    place_sd_mm: float = 0.3,
    snr_db: float = 40.0,
    spacing_mm: float = 9.0,
    pulse_s: float = 0.0002,
    unknown_onset: bool = False,
    scan_name: str = "S0001",
) -> ScanRecord:
    """Strike every place `repeats` times and record it as a scan; seeded, no other randomness."""
    rng = np.random.default_rng(seed)
    rate, n = 48000, 8192
    freq = np.fft.rfftfreq(n, 1 / rate)
    live = freq < 14000
    w = 2 * np.pi * freq[live]
    step = 5.0
    surface = _grid(plate.outline, step, 2.5)
    r = np.hypot(np.hypot(surface[:, 0] - mic_mm[0], surface[:, 1] - mic_mm[1]), mic_mm[2]) / 1000
    green = np.exp(-1j * np.outer(w, r) / 343.0) / (2 * np.pi * r) * 1.2 * (step / 1000) ** 2
    loss = 0.012 + 0.010 * w / (2 * np.pi * 8000)
    radiated = (green @ plate.phi(surface)) * (-(w**2))[:, None]
    transfer = radiated / (plate.omega[None] ** 2 * (1 + 1j * loss[:, None]) - w[:, None] ** 2)
    rolloff = 1.0 / (1.0 + (freq / 16000.0) ** 8)
    strikes = []
    level = None
    for repeat in range(repeats):
        true = places + rng.normal(0, place_sd_mm, places.shape)
        true = np.where(plate.outline.contains(true)[:, None], true, places)
        response = plate.phi(true) @ transfer.T
        width = pulse_s * (plate.thickness_mm(true[:, 0], true[:, 1]) / 3.5) ** -0.15
        speed = 1 + 0.05 * rng.standard_normal(len(places))
        delay = 0.020 + rng.uniform(0, 1 / rate, len(places))
        if unknown_onset:
            delay = delay + rng.uniform(0.0, 0.05, len(places))
        sigma = width / 4.8  # Gaussian bell, 7.7 dB down at 5 kHz
        force = speed[:, None] * np.exp(
            -0.5 * (sigma[:, None] * 2 * np.pi * freq) ** 2 - 2j * np.pi * freq * delay[:, None]
        )
        sound = np.zeros((len(places), len(freq)), complex)
        sound[:, live] = response * force[:, live]
        mic = np.fft.irfft(sound * rolloff, n)
        pick = np.fft.irfft(force * rolloff, n)
        if level is None:
            level = np.abs(mic).max() / 0.5, np.abs(pick).max() / 0.5
        mic /= level[0]
        pick /= level[1]
        rms = np.sqrt(np.mean(mic[:, int(0.021 * rate) : int(0.041 * rate)] ** 2))
        mic = mic + rng.normal(0, rms * 10 ** (-snr_db / 20), mic.shape)
        pick = pick + rng.normal(0, 0.0005, pick.shape)
        for i in range(len(places)):
            channels = [mic[i], pick[i]] if pickup else [mic[i]]
            samples = np.round(np.column_stack(channels) * 2**23).astype(np.int32)
            told = (
                None
                if unknown_onset
                else round((delay[i] + rng.normal(0, jitter_us * 1e-6)) * rate)
            )
            clip = Clip(samples, rate, pickup_channel=1 if pickup else None, strike_sample=told)
            strikes.append(Strike(len(strikes) + 1, i, repeat, *map(float, places[i]), clip))
    return ScanRecord(
        scan_name, "outer", "light", spacing_mm, plate.outline,
        PlateFacts("test plate", wood=plate.wood, mass_g=plate.mass_g), tuple(strikes),
        microphone_xyz_mm=None if unknown_onset else mic_mm, simulated=True,
    )  # fmt: skip


@lru_cache(maxsize=4)
def graded_maple() -> ThinPlate:
    """The plate most tests share."""
    return solve(graded(), "maple")
