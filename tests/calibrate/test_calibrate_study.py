"""Scans into a study: matching of taps, labels, cautions, the sentence."""

from __future__ import annotations

import numpy as np
import pytest

from rig.calibrate.study import ScanTones, study_of
from rig.model.errors import AnalysisError
from rig.model.frames import PlateXY
from rig.model.tone_map import TapTone

GRID = np.array([(x, y) for x in range(-80, 81, 20) for y in range(10, 331, 20)], dtype=float)
TRUE_CENTS = 60.0 * np.sin(GRID[:, 0] / 40.0) + 40.0 * np.cos(GRID[:, 1] / 70.0)


def scan(
    name: str,
    label: str,
    cents: np.ndarray,
    *,
    places: np.ndarray = GRID,
    temperature_c: float = 20.0,
    reading: str = "local",
) -> ScanTones:
    tone_hz = 300.0 * 2.0 ** (cents / 1200.0)
    tones = TapTone(
        reading, "test", tuple(range(len(places))), PlateXY(places), tone_hz,  # type: ignore[arg-type]
        np.full(len(places), 3.0), None,
    )  # fmt: skip
    conditions = {"temperature_c": temperature_c, "humidity_percent": 50.0}
    return ScanTones(name, label, tones, conditions)


def scans(
    labels: str, *, noise: float, by_label: float, shift: float = 0.0, seed: int = 1
) -> list[ScanTones]:
    rng = np.random.default_rng(seed)
    own = {label: by_label * rng.standard_normal(len(GRID)) for label in dict.fromkeys(labels)}
    return [
        scan(
            f"S{i + 1:04}",
            label,
            TRUE_CENTS + shift * i + own[label] + noise * rng.standard_normal(len(GRID)),
        )
        for i, label in enumerate(labels)
    ]


def test_scatter_is_told_and_a_shift_of_the_whole_plate_is_kept_apart() -> None:
    found = study_of(scans("AABBCC", noise=4.0, by_label=0.0, shift=7.0))
    assert found.gauge.gauge == pytest.approx(4.0, rel=0.1)
    assert found.change_cents == pytest.approx(2.772 * 4.0, rel=0.1)
    assert found.shift_cents == pytest.approx(7.0 * np.arange(6), abs=3.0)
    assert "scan to scan" in found.sentence


def test_layings_that_differ_from_place_to_place_dominate() -> None:
    found = study_of(scans("AABBCC", noise=2.0, by_label=9.0))
    assert not found.gauge.pooled
    assert found.gauge.interaction == pytest.approx(9.0, rel=0.15)
    assert "place to place" in found.sentence
    assert "supports" in found.sentence
    assert found.change_same_label_cents < found.change_cents / 3


def test_taps_are_matched_by_place_whatever_their_number() -> None:
    whole = scans("AAB", noise=0.0, by_label=0.0)
    order = np.random.default_rng(3).permutation(len(GRID))[5:]
    other = scan("S0009", "B", TRUE_CENTS[order], places=GRID[order] + 0.4)
    found = study_of([*whole, other])
    assert found.gauge.places == len(GRID) - 5
    assert found.left_out == 5
    assert found.gauge.gauge == pytest.approx(0.0, abs=1e-9)


def test_uneven_labels_leave_later_scans_out_and_say_so() -> None:
    found = study_of(scans("AAAB", noise=3.0, by_label=0.0))
    assert found.scans == ("S0001", "S0004")
    assert any("S0002, S0003" in caution for caution in found.cautions)


def test_climate_is_warned_about() -> None:
    warm = [scan("S0001", "", TRUE_CENTS), scan("S0002", "", TRUE_CENTS + 1, temperature_c=24.5)]
    assert any("4.5 °C" in caution for caution in study_of(warm).cautions)


def test_nonsense_is_refused() -> None:
    one = scans("A", noise=1.0, by_label=0.0)
    with pytest.raises(AnalysisError, match="One scan"):
        study_of(one)
    with pytest.raises(AnalysisError, match="different readings"):
        study_of([one[0], scan("S0002", "A", TRUE_CENTS, reading="attack")])
    far = scan("S0002", "A", TRUE_CENTS, places=GRID + 1000.0)
    with pytest.raises(AnalysisError, match="Only 0 places"):
        study_of([one[0], far])
