"""Free rectangular thin plates by Ritz's method with Legendre polynomials, and taps on them.

Independent of rig/plate and rig/virtual. The modes' sound at the microphone is the mode's shape
at the tap times a complex number of its own, as any radiation makes it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import legendre
from scipy.linalg import eigh
from scipy.signal import lfilter

from rig.model.clip import Clip
from rig.model.outline import Outline
from rig.model.plate_facts import PlateFacts
from rig.model.scan_record import ScanRecord, Strike

RATE = 48_000


@dataclass(frozen=True)
class RitzPlate:
    """a_mm along x, b_mm along y, corner at 0, 0. vectors: (order², modes), mass-normalised."""

    a_mm: float
    b_mm: float
    hz: np.ndarray
    vectors: np.ndarray
    order: int

    @property
    def outline(self) -> Outline:
        a, b = self.a_mm, self.b_mm
        return Outline.checked(np.array([[0, 0], [a, 0], [a, b], [0, b]]))

    def shapes(self, xy_mm: np.ndarray) -> np.ndarray:
        """(k, modes) at (k, 2) places."""
        x = legendre.legvander(2 * xy_mm[:, 0] / self.a_mm - 1, self.order - 1)
        y = legendre.legvander(2 * xy_mm[:, 1] / self.b_mm - 1, self.order - 1)
        return (x[:, :, None] * y[:, None, :]).reshape(len(xy_mm), -1) @ self.vectors


def ritz_plate(
    a_mm: float, b_mm: float, h_mm: float, rho: float, ex: float, ey: float, gxy: float,
    nu_xy: float, order: int = 14,
) -> RitzPlate:  # fmt: skip
    """V = h³/24 ∫ c11 w_xx² + 2 c12 w_xx w_yy + c22 w_yy² + 4 G w_xy²; moduli in Pa."""
    a, b, h = a_mm / 1000, b_mm / 1000, h_mm / 1000
    mu = 1.0 - nu_xy**2 * ey / ex
    c11, c22, c12 = ex / mu, ey / mu, nu_xy * ey / mu
    u, w = legendre.leggauss(order + 4)
    p = [legendre.legval(u, np.eye(order)[i]) for i in range(order)]
    d1 = [legendre.legval(u, legendre.legder(np.eye(order)[i])) for i in range(order)]
    d2 = [legendre.legval(u, legendre.legder(np.eye(order)[i], 2)) for i in range(order)]

    def product(f: list[np.ndarray], g: list[np.ndarray], length: float, power: int) -> np.ndarray:
        return (np.array(f) * w) @ np.array(g).T * (2 / length) ** power * length / 2

    x00, y00 = product(p, p, a, 0), product(p, p, b, 0)
    x22, y22 = product(d2, d2, a, 4), product(d2, d2, b, 4)
    x11, y11 = product(d1, d1, a, 2), product(d1, d1, b, 2)
    x20, y02 = product(d2, p, a, 2), product(p, d2, b, 2)
    cross = np.kron(x20, y02)
    stiff = h**3 / 12 * (
        c11 * np.kron(x22, y00) + c22 * np.kron(x00, y22) + c12 * (cross + cross.T)
        + 4 * gxy * np.kron(x11, y11)
    )  # fmt: skip
    mass = rho * h * np.kron(x00, y00)
    squared, vectors = eigh(stiff, mass)
    keep = squared > (2 * np.pi * 5.0) ** 2
    return RitzPlate(a_mm, b_mm, np.sqrt(squared[keep]) / (2 * np.pi), vectors[:, keep], order)


def taps(plate: RitzPlate, spacing_mm: float, margin_mm: float = 5.0) -> np.ndarray:
    """An even grid of about this spacing; (n, 2) mm."""
    sides = []
    for side in (plate.a_mm, plate.b_mm):
        count = max(round((side - 2 * margin_mm) / spacing_mm) + 1, 2)
        sides.append(np.linspace(margin_mm, side - margin_mm, count))
    return np.stack(np.meshgrid(*sides), axis=-1).reshape(-1, 2)


def tapped(
    plate: RitzPlate, places: np.ndarray, *, seed: int = 1, loss: float = 0.02,
    snr_db: float = 45.0, pickup: bool = True, top_hz: float = 2600.0, gain: float = 0.1,
    place_sd_mm: float = 0.0, seconds: float = 0.34, name: str = "S0001",
) -> ScanRecord:  # fmt: skip
    """Strike every place once with a bell-shaped pulse 0.5 ms wide."""
    rng = np.random.default_rng(seed)
    use = plate.hz < top_hz
    hz = plate.hz[use]
    poles = -np.pi * loss * hz + 2j * np.pi * hz
    # of the rig, the same for every scan of it
    radiation = np.exp(2j * np.pi * np.random.default_rng(99).random(len(hz)))
    shapes = plate.shapes(places + rng.normal(0, place_sd_mm, places.shape))[:, use]
    count = int(seconds * RATE)
    n = np.arange(count)
    sounds, forces = [], []
    for row in shapes:
        moment = 0.02 * RATE + rng.uniform(-20, 20)
        force = (1 + gain * rng.standard_normal()) * np.exp(-0.5 * ((n - moment) / 6.0) ** 2)
        sound = np.zeros(count)
        for pole, weight, size in zip(poles, radiation, row, strict=True):
            rung = lfilter([1.0], [1.0, -np.exp(pole / RATE)], force.astype(complex))
            sound += (weight * size * rung).real
        sounds.append(sound)
        forces.append(force)
    mic = np.array(sounds) / np.max(np.abs(sounds)) * 0.5
    loud = np.sqrt(np.mean(mic[:, 1200:3000] ** 2))
    mic = mic + rng.normal(0, loud * 10 ** (-snr_db / 20), mic.shape)
    pick = 0.4 * np.array(forces) + rng.normal(0, 2e-4, mic.shape)
    strikes = []
    for i, (x, y) in enumerate(places):
        channels = np.column_stack([mic[i], pick[i]] if pickup else [mic[i]])
        clip = Clip(
            np.round(channels * 2**23).astype(np.int32), RATE, pickup_channel=1 if pickup else None,
            strike_sample=int(0.02 * RATE),
        )  # fmt: skip
        strikes.append(Strike(i + 1, i, 0, float(x), float(y), clip))
    return ScanRecord(
        name, "outer", "light", 20.0, plate.outline, PlateFacts("rectangle"), tuple(strikes),
        simulated=True,
    )  # fmt: skip


def pooled_ring(scan: ScanRecord):
    """The ring as the product pools it."""
    from rig.tone import read_clip, ring_of_scan

    clips = [s.clip for s in scan.strikes]
    return ring_of_scan(clips, [read_clip(clip).onset_s for clip in clips])
