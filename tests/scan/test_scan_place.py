"""A plate that slips while it is tapped: noticed, said, nothing lost, and gone on from there."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scan_stand_ins import OUTLINE, POSE, Bench, MemoryStore, PlainSound, PlainVoice, small_plan

from rig.archive.plate_folder import PlateFolder
from rig.jobs.scan import scan
from rig.jobs.scan_places import moved_by_mm
from rig.model.frames import BedXY
from rig.model.scan_record import ScanState
from rig.scan import FinishReason, PlaceGuard, Sight
from rig.virtual.faults import HEALTHY, FaultSpec

SLIP = FaultSpec(slip_after=28, slip_mm=(1.2, -0.9))


class Eye:
    """A camera that tells the truth, and how often it was asked."""

    def __init__(self, bench: Bench, pose=POSE) -> None:  # type: ignore[no-untyped-def]
        self.bench, self.pose, self.looks = bench, pose, 0
        self.corner: list[tuple[float, float]] = []

    def __call__(self) -> Sight:
        self.looks += 1
        self.corner.append(self.bench.rig.board.place_mm)
        moved = moved_by_mm(OUTLINE, self.pose, self.bench.rig.bench.pose)
        return Sight(moved, moved > 0.7, f"Moved by {moved:.1f} mm." if moved > 0.7 else "")


def used_errors_mm(store: MemoryStore, truths: list[tuple[float, float]]) -> list[float]:
    """How far from its planned place each strike in use truly fell, by order of storing."""
    used = [s for s in store.strikes if not s.superseded]
    return [min(float(np.hypot(x - s.x_mm, y - s.y_mm)) for x, y in truths) for s in used]


def test_slip_is_seen_strikes_since_are_made_again_and_the_rest_lies_right() -> None:
    bench = Bench(small_plan(8, 8), faults=SLIP)
    eye = Eye(bench)
    outcome = bench.run(guard=PlaceGuard(eye, hear_every=10, look_every=20))
    assert (outcome.state, outcome.finish) == (ScanState.STOPPED, FinishReason.MOVED)
    assert outcome.error is None
    assert "Moved by 1.5 mm" in outcome.reason
    assert "made again when the scan is resumed" in outcome.reason
    assert outcome.strikes == 20  # what was struck until the last look that was fine
    assert all(np.hypot(*place) < 1.0 for place in eye.corner)  # out of the picture
    withdrawn = [s for s in bench.store.strikes if s.superseded]
    assert len(withdrawn) == 20
    assert bench.store.states[-1][0] is ScanState.STOPPED

    moved = bench.rig.bench.pose
    again = Bench(store=bench.store, session=1)
    again.rig.bench.pose = moved
    runner = again.runner(guard=PlaceGuard(Eye(again, moved), hear_every=10, look_every=20))
    bed = moved.to_bed(bench.store.plan("S0001").places())
    runner._striker._places = [(float(x), float(y)) for x, y in bed]
    finished = runner.run()
    assert finished.state is ScanState.FINISHED
    truths = bench.rig.bench.truths[:28] + again.rig.bench.truths  # blind after the slip left out
    errors = used_errors_mm(bench.store, [(t.x_mm, t.y_mm) for t in truths])
    assert len(errors) == 64
    assert max(errors) < 1.3


class PlaceVoice(PlainVoice):
    """Partials whose strength depends on the place as in a vibrating plate, waves 40 mm long."""

    def strike(
        self, x_mm: float, y_mm: float, speed_m_s: float, rng: object, *, fraction: float = 0.0
    ) -> PlainSound:
        t = np.arange(14_400) / 48_000.0
        waves = [
            np.cos(2 * np.pi * (x_mm * np.cos(n) + y_mm * np.sin(n)) / 40.0 + n)
            * np.sin(2 * np.pi * 170.0 * 1.11**n * t)
            for n in range(30)
        ]
        plain = super().strike(x_mm, y_mm, speed_m_s, rng)
        return replace(plain, mic=0.1 * speed_m_s * np.exp(-t / 0.05) * np.sum(waves, axis=0))


@pytest.mark.parametrize(
    ("faults", "looks"), [(HEALTHY, 1), (replace(SLIP, slip_mm=(4.0, 3.0)), 2)]
)
def test_first_place_that_sounds_otherwise_is_looked_at_at_once(
    faults: FaultSpec, looks: int
) -> None:
    bench = Bench(small_plan(8, 8), faults=faults)
    bench.rig.bench.voice = PlaceVoice()
    eye = Eye(bench)
    eye.pose = replace(POSE, x_mm=POSE.x_mm + 4.0, y_mm=POSE.y_mm + 3.0) if looks > 1 else POSE
    outcome = bench.run(guard=PlaceGuard(eye, hear_every=10, look_every=500))
    # the eye is told to find it in order, so that the run goes on and only the ear has spoken
    assert outcome.state is ScanState.FINISHED
    assert eye.looks >= looks
    heard = [note for note in outcome.notes if "sounded otherwise" in note]
    assert bool(heard) == (looks > 1)


def test_picture_without_a_plate_is_a_note_and_short_runs_are_only_looked_at_at_the_end() -> None:
    bench = Bench(small_plan(5, 2))
    guard = PlaceGuard(lambda: Sight(None, False, "A hand was in the picture."))
    outcome = bench.run(guard=guard)
    assert outcome.state is ScanState.FINISHED
    assert outcome.notes == ("A hand was in the picture.",)
    assert len(bench.rig.bench.truths) == 10  # nothing was struck for listening


def test_slipping_plate_from_scan_to_resume(tmp_path: Path) -> None:
    path = tmp_path / "slip.plate"
    first = scan(path, world="slipping-plate", spacing_mm=32.0, speed=0.0)
    contract = first.as_json()
    assert (contract["state"], contract["moved"]) == ("stopped", True)
    assert "has moved by 1.5 mm" in contract["reason"]
    assert first.outcome.strikes == 0
    with PlateFolder.open(path) as folder:
        assert folder.check() == []
        kept = folder.scan_record("S0001", with_clips=False).strikes
        assert len(kept) > 30
        assert {s.superseded for s in kept} == {True}
    second = scan(path, resume=True)
    assert second.outcome.state is ScanState.FINISHED
    assert any("found anew" in warning for warning in second.warnings)
    with PlateFolder.open(path) as folder:
        assert folder.check() == []
        before, origin = folder.pose("S0001"), folder.origin("S0001")
        assert len(folder.done("S0001")) == len(folder.plan("S0001").taps)
    assert before is not None
    after = origin["moves"][0]["pose"]
    shift = BedXY(np.array([[after["x_mm"] - before.x_mm, after["y_mm"] - before.y_mm]]))
    assert shift[0] == pytest.approx((1.2, -0.9), abs=0.25)
