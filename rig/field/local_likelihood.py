"""How well waves of each length explain what a group of taps heard, for many places at once."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.field.dispersion import PlateWaves, directions
from rig.field.edge_waves import mean_wavenumber
from rig.field.neighbourhoods import Neighbourhood
from rig.field.wave_kernel import inverse_covariances
from rig.model.units import FloatArray

STEP = 1.025  # ratio of neighbouring frequency groups and of the finest candidate tones
AXIS_STEP = STEP**3  # of the length axis; between its points costs are interpolated by cubics
WORKERS = 2


@dataclass(frozen=True)
class Picture:
    """What the taps heard, cut into groups of neighbouring frequencies.

    values: (n, bins) complex64, each bin at unit rms over the taps; group: (bins,) index;
    group_hz, weight: (G,) middle frequency and number of independent values of each group.
    """

    values: NDArray[np.complex64]
    bin_hz: FloatArray
    group: NDArray[np.int64]
    group_hz: FloatArray
    weight: FloatArray


@dataclass(frozen=True)
class Scales:
    """The length axis (frequencies that stand for wave lengths at the mean tone) and candidates.

    steps: (J,) candidate tones, in steps of `STEP` around the mean tone.
    """

    axis_hz: FloatArray
    steps: FloatArray

    @staticmethod
    def around(picture: Picture, reach: float, every: float = 1.0) -> Scales:
        """Candidates within a factor `reach` of the mean tone, `every` so many steps."""
        most = float(np.ceil(np.log(reach) / np.log(STEP)))
        low = picture.group_hz[0] / STEP ** (1.15 * most) / AXIS_STEP
        high = picture.group_hz[-1] * STEP ** (1.15 * most) * AXIS_STEP
        count = int(np.ceil(np.log(high / low) / np.log(AXIS_STEP))) + 1
        return Scales(
            axis_hz=low * AXIS_STEP ** np.arange(count), steps=np.arange(-most, most + 0.5, every)
        )


def picture(values: NDArray[np.complex128], hz: FloatArray, bandwidth_hz: float) -> Picture:
    """Group the bins of (n, bins) windowed spectra in steps of `STEP`."""
    size = np.sqrt(np.mean(np.abs(values) ** 2, axis=0))
    scaled = (values / np.maximum(size, 1e-300)).astype(np.complex64)
    index = np.floor(np.log(hz / hz[0]) / np.log(STEP) + 1e-9).astype(np.int64)
    _, group = np.unique(index, return_inverse=True)
    count = np.bincount(group)
    middle = np.asarray(np.exp(np.bincount(group, np.log(hz)) / count), dtype=np.float64)
    spacing = float(hz[1] - hz[0]) if len(hz) > 1 else bandwidth_hz
    weight = np.asarray(count * min(1.0, spacing / bandwidth_hz), dtype=np.float64)
    return Picture(scaled, hz, group, middle, weight)


@dataclass(frozen=True)
class Kernels:
    """Inverse covariances of every arrangement of taps along the length axis.

    inverses: per arrangement (K, n, n); logdets: (K,). centres: how many places they serve.
    """

    groups: list[Neighbourhood]
    inverses: list[NDArray[np.float32]]
    logdets: list[NDArray[np.float32]]
    scales: Scales
    centres: int


@dataclass(frozen=True)
class LocalLikelihood:
    """Costs (minus log likelihood) over candidate tones at each centre: cost (c, G, J)."""

    cost: NDArray[np.float32]
    scales: Scales


def axis_index(picture_: Picture, waves: PlateWaves, scales: Scales) -> FloatArray:
    """Where on the length axis group g lies if the local tone is candidate j; (G, J)."""
    product = waves.product_m2_s * STEP**scales.steps
    theta = directions(8)
    k = waves.wavenumber(
        theta[:, None, None], picture_.group_hz[None, :, None], product[None, None, :]
    )
    wanted = np.mean(np.log(k), axis=0)
    axis = np.log(mean_wavenumber(waves, scales.axis_hz))
    return np.asarray(np.interp(wanted, axis, np.arange(len(axis), dtype=float)))


def kernels(
    groups: list[Neighbourhood],
    centres: int,
    waves: PlateWaves,
    scales: Scales,
    *,
    noise: float,
    width_mm: float,
) -> Kernels:
    """Prepare the matrices that `local_likelihood` reads pictures with."""
    used = [g for g in groups if len(g.offset_mm) >= 4]

    def one(group: Neighbourhood) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        inverse, logdet = inverse_covariances(
            group, waves, scales.axis_hz, noise=noise, width_mm=width_mm
        )
        return inverse, logdet.astype(np.float32)

    with ThreadPoolExecutor(WORKERS) as pool:
        found = list(pool.map(one, used))
    return Kernels(used, [f[0] for f in found], [f[1] for f in found], scales, centres)


def local_likelihood(heard: Picture, ready: Kernels, waves: PlateWaves) -> LocalLikelihood:
    """Compute the costs of a picture at the centres that `ready` was made for."""
    where = axis_index(heard, waves, ready.scales)
    low = np.clip(np.floor(where).astype(int), 1, len(ready.scales.axis_hz) - 3)
    shares = [s.astype(np.float32) for s in _cubic(where - low)]
    rows = np.arange(len(heard.group_hz))[:, None]
    values = _packed(heard)
    weight = heard.weight[:, None].astype(np.float32)
    cost = np.zeros((ready.centres, *where.shape), dtype=np.float32)

    def one(number: int) -> None:
        group, inverse = ready.groups[number], ready.inverses[number]
        logdet = ready.logdets[number]
        n = inverse.shape[1]
        flat = inverse.reshape(len(inverse), n * n).T
        for centre, members in zip(group.centres, group.members, strict=True):
            local = values[members].transpose(1, 0, 2)
            cross = np.matmul(local, local.transpose(0, 2, 1)).reshape(len(local), n * n)
            along_axis = n * np.log(np.maximum(cross @ flat, 1e-20)) + logdet
            between = sum(s * along_axis[rows, low + k] for k, s in enumerate(shares, start=-1))
            cost[centre] = between * weight

    with ThreadPoolExecutor(WORKERS) as pool:
        list(pool.map(one, range(len(ready.groups))))
    return LocalLikelihood(cost, ready.scales)


def _cubic(t: FloatArray) -> tuple[FloatArray, ...]:
    """Lagrange weights of the values at −1, 0, 1, 2 for a place t between 0 and 1."""
    return (
        -t * (t - 1) * (t - 2) / 6,
        (t + 1) * (t - 1) * (t - 2) / 2,
        -(t + 1) * t * (t - 2) / 2,
        (t + 1) * t * (t - 1) / 6,
    )


def _packed(picture_: Picture) -> NDArray[np.float32]:
    """Real and imaginary parts by group, (n, G, 2·widest group), zeros where a group is short."""
    groups = len(picture_.group_hz)
    widest = int(np.bincount(picture_.group).max())
    out = np.zeros((len(picture_.values), groups, 2 * widest), dtype=np.float32)
    for g in range(groups):
        mine = picture_.values[:, picture_.group == g] / np.sqrt(np.sum(picture_.group == g))
        width = mine.shape[1]
        out[:, g, :width] = mine.real
        out[:, g, widest : widest + width] = mine.imag
    return out
