"""A scratch laid over its path: noise pitch by place, averaged on spots.

Each stroke over a spot is one witness: its frames share the hand's pressure and angle of that
moment. How much strokes over one spot differ is pooled over the plate and goes into every sd.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.field.hand_ties import STILL_MM_S, Clock, HandPath, speed_of
from rig.field.nearest import nearest
from rig.field.smoothing import even_grid
from rig.model.errors import AnalysisError
from rig.model.frames import Face, PlateXY
from rig.model.hand_map import HandMap
from rig.model.outline import Outline
from rig.model.units import FloatArray

SPOT_MM = 12.0
_OVERLAP = 1.5  # frames of 40 ms every 20 ms: two of three are independent
_LONGEST_GAP_S = 0.15
_FROM_TAP_S = 0.12
_LEAST_FRAMES = 3
_LANDING_FRAMES = 2
_FEWEST_SPOTS = 5
_FEWEST_DOUBLE = 4  # spots with two strokes, below which strokes are not compared
_USUAL_STROKE_CENTS = 60.0  # between strokes over one spot, where the scratch does not tell


@dataclass(frozen=True)
class PlacedNoise:
    """Frames of scratching that have a place.

    time_s: (n,) of the sound; place_mm: (n, 2); cents: (n,) against their median; sd_cents: (n,);
    speed_mm_s: (n,); stroke: (n,) number of the uninterrupted stroke. left_out: how many sounding
    frames had no place.
    """

    time_s: FloatArray
    place_mm: FloatArray
    cents: FloatArray
    sd_cents: FloatArray
    speed_mm_s: FloatArray
    stroke: NDArray[np.int64]
    left_out: int


def placed_noise(
    path: HandPath,
    clock: Clock,
    sound_s: FloatArray,
    pitch_hz: FloatArray,
    sd_cents: FloatArray,
    sounding: np.ndarray,
    outline: Outline,
) -> PlacedNoise:
    """Give every frame of scratching its place.

    pitch_hz, sd_cents: (m,) at the moments sound_s, NaN at breaks. Frames near the two taps,
    outside them, at the very start and end of a stroke, off the wood, where the marker stands or
    is out of sight are left out.
    """
    at = clock.film_time(sound_s)
    begin, end = clock.knocks_s
    use = _inner(sounding) & np.isfinite(pitch_hz)
    use &= (sound_s > begin + _FROM_TAP_S) & (sound_s < end - _FROM_TAP_S)
    wanted = int(use.sum())
    after = np.clip(np.searchsorted(path.time_s, at), 1, len(path.time_s) - 1)
    seen = (path.time_s[after] - path.time_s[after - 1] < _LONGEST_GAP_S) & (
        (at >= path.time_s[0]) & (at <= path.time_s[-1])
    )
    place = np.column_stack([np.interp(at, path.time_s, path.place_mm[:, k]) for k in (0, 1)])
    place = place + clock.offset_mm
    speed = np.interp(at, path.time_s, np.nan_to_num(speed_of(path)))
    use &= seen & (speed > STILL_MM_S)
    use[use] &= outline.contains(place[use])
    rows = np.flatnonzero(use)
    if len(rows) == 0:
        raise AnalysisError(
            "No scratching is heard while the marker is seen moving over the wood.",
            remedy="Check the two tap spots, the marker's colour and which face is up.",
        )
    stroke = np.cumsum(np.concatenate([[0], np.diff(rows) > 3])).astype(np.int64)
    cents = 1200.0 * np.log2(pitch_hz[rows])
    return PlacedNoise(
        time_s=sound_s[rows],
        place_mm=place[rows],
        cents=cents - float(np.median(cents)),
        sd_cents=sd_cents[rows],
        speed_mm_s=speed[rows],
        stroke=stroke,
        left_out=wanted - len(rows),
    )


def _inner(sounding: np.ndarray) -> np.ndarray:
    """Without the first and last frames of each stroke, in which the tool lands or leaves."""
    inner = sounding.copy()
    for by in range(1, _LANDING_FRAMES + 1):
        inner[by:] &= sounding[:-by]
        inner[:-by] &= sounding[by:]
    return inner


def scratch_map(
    noise: PlacedNoise,
    outline: Outline,
    *,
    source: str,
    face: Face = "outer",
    spot_mm: float = SPOT_MM,
    notes: tuple[str, ...] = (),
    simulated: bool = False,
) -> HandMap:
    """Average the noise pitch on spots of a grid; raises AnalysisError with too few spots.

    What a faster stroke adds to the pitch is found where strokes of different speed cross one
    spot, and taken off.
    """
    spots = even_grid(outline, spot_mm, 0.0)
    gap, index = nearest(spots, noise.place_mm)
    near = gap[:, 0] < 0.75 * spot_mm
    spot = index[:, 0]
    passes = _passes(noise, spot, near)
    if not passes:
        raise _too_few(source, 0)
    at = np.array([p[0] for p in passes])
    cents = np.array([p[1] for p in passes])
    own = np.array([p[2] for p in passes])
    pace = np.array([p[3] for p in passes])
    centre = np.array([p[4] for p in passes])
    slope, said = _pace_slope(at, cents, pace)
    cents = cents - slope * (pace - np.median(pace))
    between2, told = _between_strokes(at, cents, own)
    said_all = [*notes, *said]
    if not told:
        said_all.append(
            "Hardly any spot was crossed twice: how far strokes differ is assumed, not measured."
        )
    places, values, sds = [], [], []
    for k in np.unique(at):
        mine = at == k
        weight = 1.0 / (own[mine] ** 2 + between2)
        places.append(np.average(centre[mine], axis=0, weights=weight))
        values.append(float(np.average(cents[mine], weights=weight)))
        sds.append(float(1.0 / np.sqrt(weight.sum())))
    if len(values) < _FEWEST_SPOTS:
        raise _too_few(source, len(values))
    value = np.array(values)
    return HandMap(
        places_mm=PlateXY(np.array(places)),
        value=value - float(np.median(value)),
        sd=np.array(sds),
        kind="scratch",
        source=source,
        unit="cents",
        face=face,
        notes=tuple(said_all),
        simulated=simulated,
    )


def _too_few(source: str, count: int) -> AnalysisError:
    return AnalysisError(
        f"The scratch covers only {count} spots of the plate.",
        where=source,
        remedy="Scratch slowly over more of it, with the marker in view.",
    )


def _passes(
    noise: PlacedNoise, spot: NDArray[np.int64], near: np.ndarray
) -> list[tuple[int, float, float, float, FloatArray]]:
    """One entry for each stroke over each spot: spot, cents, own sd, log2 of the speed, centre."""
    found = []
    key = np.where(near, spot, -1)
    start = 0
    for k in range(1, len(key) + 1):
        if k < len(key) and key[k] == key[start] and noise.stroke[k] == noise.stroke[start]:
            continue
        span = slice(start, k)
        if key[start] >= 0 and k - start >= _LEAST_FRAMES:
            weight = 1.0 / np.maximum(noise.sd_cents[span], 5.0) ** 2
            sd = float(np.sqrt(_OVERLAP / weight.sum()))
            found.append(
                (
                    int(key[start]),
                    float(np.average(noise.cents[span], weights=weight)),
                    sd,
                    float(np.mean(np.log2(noise.speed_mm_s[span]))),
                    noise.place_mm[span].mean(axis=0),
                )
            )
        start = k
    return found


def _pace_slope(at: FloatArray, cents: FloatArray, pace: FloatArray) -> tuple[float, list[str]]:
    """Cents per doubling of the speed, from strokes over one spot; 0 unless it is beyond doubt."""
    _, label = np.unique(at, return_inverse=True)
    count = np.bincount(label)
    many = count[label] > 1
    freedom = int(many.sum()) - int((count > 1).sum()) - 1
    if freedom < 6:
        return 0.0, []
    dx = (pace - np.bincount(label, pace)[label] / count[label])[many]
    dy = (cents - np.bincount(label, cents)[label] / count[label])[many]
    size = float(dx @ dx)
    if size < 0.05:
        return 0.0, []
    slope = float(dx @ dy) / size
    error = float(np.sqrt(np.sum((dy - slope * dx) ** 2) / freedom / size))
    if abs(slope) < 3.0 * error:
        return 0.0, []
    way = "higher" if slope > 0.0 else "lower"
    return slope, [
        f"A stroke twice as fast sounds {abs(slope):.0f} ± {error:.0f} cents {way}; that was "
        "taken off."
    ]


def _between_strokes(at: FloatArray, cents: FloatArray, own: FloatArray) -> tuple[float, bool]:
    """Variance between strokes over one spot beyond their own doubt; whether it was measured."""
    squares, freedom, inner = 0.0, 0, 0.0
    for k in np.unique(at):
        mine = at == k
        n = int(mine.sum())
        if n > 1:
            squares += float(np.sum((cents[mine] - cents[mine].mean()) ** 2))
            inner += float(np.sum(own[mine] ** 2)) * (n - 1) / n
            freedom += n - 1
    if freedom < _FEWEST_DOUBLE:
        return _USUAL_STROKE_CENTS**2, False
    return max((squares - inner) / freedom, 0.0), True
