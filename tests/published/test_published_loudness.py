"""Attack against loudness by ISO 532-1 and sharpness by DIN 45692, as the mosqito library has them.

The sounds are those of the library's own validation and of common examples: tones, narrow bands
one critical band wide, white and pink noise. mosqito itself is first held to the anchors of the
standards: 1 kHz at 40 dB is 1 sone, at 60 dB 4 sone; a band of 920-1080 Hz at 60 dB is 1 acum
(values from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pytest
from scipy.stats import spearmanr

from rig.tone.attack import attack_of, band_loudness
from rig.tone.erb import a_weighting_db, hz_of_erb_rate

RATE_HZ = 48000
SECONDS = 1.0


def tone(hz: float) -> np.ndarray:
    return np.sin(2 * np.pi * hz * np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ)


def noise(low_hz: float, high_hz: float, tilt: float = 0.0) -> np.ndarray:
    count = round(SECONDS * RATE_HZ)
    hz = np.fft.rfftfreq(count, 1 / RATE_HZ)
    spectrum = np.fft.rfft(np.random.default_rng(3).normal(size=count))
    inside = (hz >= low_hz) & (hz <= high_hz)
    return np.fft.irfft(spectrum * inside * np.maximum(hz, 1.0) ** tilt, count)


SOUNDS = {
    "250 Hz, 80 dB": (tone(250.0), 80.0),
    "1 kHz, 40 dB": (tone(1000.0), 40.0),
    "1 kHz, 60 dB": (tone(1000.0), 60.0),
    "4 kHz, 60 dB": (tone(4000.0), 60.0),
    "200-300 Hz": (noise(200.0, 300.0), 60.0),
    "920-1080 Hz": (noise(920.0, 1080.0), 60.0),
    "3650-4350 Hz": (noise(3650.0, 4350.0), 60.0),
    "7100-8900 Hz": (noise(7100.0, 8900.0), 60.0),
    "white": (noise(20.0, 24000.0), 60.0),
    "pink": (noise(20.0, 24000.0, -0.5), 60.0),
}


@dataclass(frozen=True)
class Heard:
    """What the reference says: sone, acum, and the middle of its specific loudness in Bark."""

    sone: float
    acum: float
    middle_bark: float


@lru_cache
def reference(name: str) -> Heard:
    from mosqito.sq_metrics import loudness_zwst, sharpness_din_st

    shape, level_db = SOUNDS[name]
    pascal = shape / np.sqrt(np.mean(shape**2)) * 2e-5 * 10.0 ** (level_db / 20.0)
    sone, specific, bark = loudness_zwst(pascal, RATE_HZ)
    acum = sharpness_din_st(pascal, RATE_HZ, weighting="din")
    return Heard(float(sone), float(acum), float(np.sum(specific * bark) / np.sum(specific)))


def pieces(name: str) -> list[np.ndarray]:
    """Stretches faded in over 5 ms, so that no click of the cut is heard."""
    shape, _ = SOUNDS[name]
    fade = np.ones(2000)
    fade[:240] = 0.5 - 0.5 * np.cos(np.pi * (np.arange(240) + 0.5) / 240)
    return [shape[start : start + 2000] * fade for start in range(0, 44000, 2000)]


def attack_hz(name: str) -> float:
    return float(np.median([attack_of(x, RATE_HZ, np.zeros(0)).hz for x in pieces(name)]))


def bark_of(hz: np.ndarray) -> np.ndarray:
    """Traunmüller, J. Acoust. Soc. Am. 88 (1990) 97-100."""
    z = 26.81 * hz / (1960.0 + hz) - 0.53
    z = np.where(z < 2.0, z + 0.15 * (2.0 - z), z)
    return np.where(z > 20.1, z + 0.22 * (z - 20.1), z)


@pytest.mark.parametrize(
    ("name", "sone", "acum"),
    [("1 kHz, 40 dB", 1.0, None), ("1 kHz, 60 dB", 4.0, None), ("920-1080 Hz", None, 1.0)],
)
def test_the_reference_itself(name, sone, acum):
    if sone is not None:
        assert reference(name).sone == pytest.approx(sone, rel=0.03)
    if acum is not None:
        assert reference(name).acum == pytest.approx(acum, abs=0.05)


def test_attack_orders_sounds_as_sharpness_does():
    sharpness = [reference(name).acum for name in SOUNDS]
    attack = [attack_hz(name) for name in SOUNDS]
    assert spearmanr(attack, sharpness).statistic >= 0.95
    # pairs that differ clearly in sharpness never change places
    for a in SOUNDS:
        for b in SOUNDS:
            if reference(a).acum > 1.15 * reference(b).acum:
                assert attack_hz(a) > attack_hz(b), (a, b)


def test_attack_is_the_middle_of_specific_loudness():
    """Within half a critical band of each other, after one offset common to all sounds.

    The reference spreads loudness further upwards: its middle lies higher throughout.
    """
    middle = bark_of(np.array([attack_hz(name) for name in SOUNDS]))
    off = middle - [reference(name).middle_bark for name in SOUNDS]
    assert -1.2 < np.mean(off) < 0.0
    assert np.sqrt(np.mean((off - np.mean(off)) ** 2)) < 0.5


def sharpness(name: str) -> float:
    """DIN 45692 applied to the specific loudness that the attack is made of, without its unit."""
    found = []
    for x in pieces(name):
        rates, loudness = band_loudness(x, RATE_HZ, np.zeros(0))
        bark = bark_of(hz_of_erb_rate(rates))
        weight = np.where(bark <= 15.8, 1.0, 0.15 * np.exp(0.42 * (bark - 15.8)) + 0.85)
        found.append(np.sum(loudness * weight * bark) / np.sum(loudness))
    return float(np.median(found))


def test_ratios_of_sharpness():
    """With 920-1080 Hz as 1 acum, as the standard has it: within 15 %.

    Low sounds alone come out up to 30 % too dull: what they mask above them grows with a level
    that the attack does not know.
    """
    one = sharpness("920-1080 Hz")
    for name in SOUNDS:
        ratio = sharpness(name) / one / (reference(name).acum / reference("920-1080 Hz").acum)
        least = 0.7 if name in ("250 Hz, 80 dB", "200-300 Hz") else 0.85
        assert least < ratio < 1.15, (name, ratio)


# IEC 61672-1:2013 table of A-weighting, at the exact base-ten frequencies
A_TABLE = [
    (10.0, -70.4), (12.589, -63.4), (15.849, -56.7), (19.953, -50.5), (25.119, -44.7),
    (31.623, -39.4), (39.811, -34.6), (50.119, -30.2), (63.096, -26.2), (79.433, -22.5),
    (100.0, -19.1), (125.893, -16.1), (158.489, -13.4), (199.526, -10.9), (251.189, -8.6),
    (316.228, -6.6), (398.107, -4.8), (501.187, -3.2), (630.957, -1.9), (794.328, -0.8),
    (1000.0, 0.0), (1258.925, 0.6), (1584.893, 1.0), (1995.262, 1.2), (2511.886, 1.3),
    (3162.278, 1.2), (3981.072, 1.0), (5011.872, 0.5), (6309.573, -0.1), (7943.282, -1.1),
    (10000.0, -2.5), (12589.254, -4.3), (15848.932, -6.6), (19952.623, -9.3),
]  # fmt: skip


def test_whole_table_of_a_weighting():
    hz, level_db = np.array(A_TABLE).T
    assert a_weighting_db(hz) == pytest.approx(level_db, abs=0.06)
