"""Kept tones come back exactly, and never for another scan."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rig.archive import kept_tones
from rig.model.clip import Clip
from rig.model.frames import PlateXY
from rig.model.plate_facts import PlateFacts
from rig.model.scan_record import ScanRecord, Strike
from rig.model.tone_map import TapTone
from rig.virtual.shapes import violin_outline


@pytest.fixture(autouse=True)
def _own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))


def _scan() -> ScanRecord:
    clip = Clip(np.arange(200, dtype=np.int32).reshape(100, 2), 48_000, pickup_channel=1)
    strikes = tuple(Strike(i, i, 0, 10.0 * i, 50.0, clip) for i in range(3))
    return ScanRecord(
        "S0001", "outer", "light", 10.0, violin_outline(), PlateFacts("plate"), strikes
    )


def _tones() -> TapTone:
    return TapTone(
        reading="local",
        estimator="some fit",
        taps=(0, 1, 2),
        places=PlateXY(np.array([[0.0, 50.0], [10.0, 50.0], [20.0, 50.0]])),
        tone_hz=np.array([5000.0, 5100.1, 5200.2]),
        sd_cents=np.array([10.0, 11.0, 12.5]),
        repeatability_cents=None,
        reasons=("Read between 4 and 12 kHz.",),
        constants={"crown_mm": 12.5},
    )


def test_what_was_kept_comes_back_exactly() -> None:
    key = kept_tones.key_of(_scan(), "local")
    assert kept_tones.recall(key) is None
    kept_tones.keep(key, _tones())
    back = kept_tones.recall(key)
    assert back is not None
    for name in ("places", "tone_hz", "sd_cents"):
        assert np.array_equal(getattr(back, name), getattr(_tones(), name))
    assert back.reasons == _tones().reasons
    assert back.constants == _tones().constants
    assert back.taps == _tones().taps
    assert back.repeatability_cents is None


def test_anything_that_matters_changes_the_key() -> None:
    scan = _scan()
    first = scan.strikes[0]
    louder = replace(first.clip, samples=first.clip.samples + 1)
    others = [
        replace(scan, facts=PlateFacts("plate", mass_g=100.0)),
        replace(scan, face="inner"),
        replace(scan, strikes=scan.strikes[:2]),
        replace(scan, strikes=(replace(first, clip=louder), *scan.strikes[1:])),
        replace(scan, strikes=(replace(first, x_mm=0.1), *scan.strikes[1:])),
    ]
    keys = {kept_tones.key_of(s, "local") for s in [scan, *others]}
    keys.add(kept_tones.key_of(scan, "attack"))
    assert len(keys) == len(others) + 2


def test_a_torn_file_counts_as_nothing(tmp_path: Path) -> None:
    key = kept_tones.key_of(_scan(), "local")
    kept_tones.keep(key, _tones())
    path = tmp_path / "platerig" / "tones" / f"{key}.npz"
    path.write_bytes(path.read_bytes()[:100])
    assert kept_tones.recall(key) is None


def test_a_cache_that_cannot_be_written_is_no_failure(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("in the way")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "file"))
    kept_tones.keep("some-key", _tones())
    assert kept_tones.recall("some-key") is None
