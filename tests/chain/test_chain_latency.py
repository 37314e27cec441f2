"""Strikes are found in a stream that comes much later than its clock says, as behind a server."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from fault_rig import TAPS, fault_rig

from rig.model.clip import Clip
from rig.model.scan_record import ScanState
from rig.virtual.microphone import VirtualMicrophone


@pytest.mark.parametrize("pickup", [True, False], ids=["pickup", "microphone only"])
@pytest.mark.parametrize("latency_s", [0.0, 0.03, 0.09, 0.4])
def test_strike_lies_where_it_should_in_every_clip(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, latency_s: float, pickup: bool
) -> None:
    original = VirtualMicrophone.sample_at
    early = latency_s * 48_000
    monkeypatch.setattr(
        VirtualMicrophone, "sample_at", lambda self, moment_s: original(self, moment_s) - early
    )
    rig = fault_rig(tmp_path / "back.plate")
    if not pickup:
        settings = replace(rig.made.microphone._settings, pickup_channel=None)
        rig.made.microphone._settings = settings
    outcome = rig.run()
    assert outcome.state is ScanState.FINISHED
    strikes = rig.folder.scan_record(rig.scan).strikes
    rig.folder.close()
    assert len(strikes) == TAPS
    assert outcome.retakes == 0
    for strike in strikes:
        assert strike.reading is not None
        assert strike.reading.quality == "good"
        assert strike.reading.onset_s is not None
        # 20 ms ahead of the pulse, then the hammer's flight
        assert 0.02 < strike.reading.onset_s < 0.02 + 0.016
        assert strike.clip.duration_s == pytest.approx(0.32)
    pulses = [1e-3 * strike.clip.strike_sample for strike in strikes if strike.clip.strike_sample]
    assert np.ptp(pulses) == 0.0


class Jumping:
    """A microphone whose sample numbers jump after some strikes."""

    def __init__(self, inner: VirtualMicrophone, jumps: list[int], *, clock_too: bool) -> None:
        self._inner = inner
        self._jumps = iter(jumps)
        self._by = 0
        self._clock_too = clock_too

    def struck(self) -> None:
        self._by += next(self._jumps, 0)

    def open(self) -> None:
        self._inner.open()

    def close(self) -> None:
        self._inner.close()

    def position_samples(self) -> int:
        return self._inner.position_samples() + self._by

    def sample_at(self, moment_s: float) -> float:
        return self._inner.sample_at(moment_s) + (self._by if self._clock_too else 0)

    def take(self, first_sample: int, count: int) -> Clip:
        return self._inner.take(first_sample - self._by, count)


@pytest.mark.parametrize("jump", [2_400, 7_200, 24_000, -4_800], ids=str)
@pytest.mark.parametrize("clock_too", [True, False], ids=["board's clock", "stream's latency"])
def test_strikes_are_found_again_after_a_jump(tmp_path: Path, jump: int, clock_too: bool) -> None:
    """The board lost time, or samples were lost uncounted: up to half a second."""
    rig = fault_rig(tmp_path / "back.plate")
    microphone = Jumping(rig.made.microphone, [0, 0, jump], clock_too=clock_too)
    rig.made = replace(rig.made, microphone=microphone)  # type: ignore[arg-type]
    bench = rig.made.bench
    original = bench.strike

    def strike(*args: object) -> object:
        microphone.struck()
        return original(*args)  # type: ignore[arg-type]

    bench.strike = strike  # type: ignore[method-assign, assignment]
    outcome = rig.run()
    assert outcome.state is ScanState.FINISHED
    assert outcome.retakes <= (0 if clock_too else 4)
    standing = [s for s in rig.folder.scan_record(rig.scan).strikes if not s.superseded]
    rig.folder.close()
    for one in standing:
        assert one.reading is not None
        assert one.reading.quality == "good", (one.tap, one.reading.reasons, one.reading.onset_s)
        assert one.reading.onset_s is not None
        assert 0.02 < one.reading.onset_s < 0.02 + 0.016


def test_a_first_strike_that_misses_does_not_set_the_clock(tmp_path: Path) -> None:
    rig = fault_rig(tmp_path / "back.plate")
    missed = iter([1.0] + [0.0] * 50)
    bench = rig.made.bench
    original = bench.strike

    def strike(*args: object) -> object:
        bench.faults = replace(bench.faults, strike_missed=next(missed))
        return original(*args)  # type: ignore[arg-type]

    bench.strike = strike  # type: ignore[method-assign, assignment]
    outcome = rig.run()
    assert outcome.retakes == 1
    standing = [s for s in rig.folder.scan_record(rig.scan).strikes if not s.superseded]
    rig.folder.close()
    assert all(s.reading is not None and s.reading.quality == "good" for s in standing)
