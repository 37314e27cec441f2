"""The runner on a virtual rig: strikes, stops, retakes, failures."""

from __future__ import annotations

import threading
from dataclasses import replace

import numpy as np
import pytest
from scan_stand_ins import Bench, MemoryStore, Recorder, simple_reading, small_plan

from rig.devices.states import State
from rig.model.errors import LinkError, StorageFullError
from rig.model.plan import PlannedTap
from rig.model.scan_record import ScanState
from rig.scan import FinishReason, TapEvent
from rig.virtual.faults import FaultSpec


def test_every_planned_strike_is_made_once_in_order_and_stored() -> None:
    bench = Bench(small_plan(repeats=2))
    outcome = bench.run()
    assert (outcome.state, outcome.finish) == (ScanState.FINISHED, FinishReason.COMPLETE)
    assert (outcome.taps, outcome.strikes, outcome.retakes) == (20, 40, 0)
    assert outcome.rejected == ()
    slots = [(s.tap, s.repeat) for s in bench.store.strikes]
    assert slots == [(tap, repeat) for tap in range(20) for repeat in range(2)]
    assert bench.rig.board.counts["strikes"] == 40
    assert bench.rig.board.counts["moves"] == 20 + 1  # and one to park
    assert all(s.reading is not None and s.reading.quality == "good" for s in bench.store.strikes)


def test_strikes_fall_where_planned() -> None:
    bench = Bench()
    bench.run()
    planned = {t.number: (t.x_mm, t.y_mm) for t in small_plan().taps}
    truths = bench.rig.bench.truths
    gaps = [
        np.hypot(t.x_mm - planned[s.tap][0], t.y_mm - planned[s.tap][1])
        for t, s in zip(truths, bench.store.strikes, strict=True)
    ]
    assert max(gaps) < 1.5  # scatter of 0.3 mm and nothing else
    assert np.mean(gaps) < 0.6


def test_rig_time_stays_near_the_floor() -> None:
    outcome = Bench(small_plan(8, 8)).run()
    assert outcome.floor_s < outcome.rig_s < 1.04 * outcome.floor_s


def test_clip_holds_the_strike_and_ends_before_the_next_move() -> None:
    bench = Bench()
    bench.run()
    motions = []
    original = bench.rig.bench.motion_started
    assert original is not None
    for strike in bench.store.strikes:
        clip = strike.clip
        assert clip.duration_s == pytest.approx(0.32)
        assert clip.strike_sample == 960
        onset = strike.reading.onset_s if strike.reading else None
        # flight of the hammer, and the latency of the stream that nobody can know
        assert onset == pytest.approx(0.02 + 0.0075 + 0.004, abs=0.002)
        motions.append(np.std(clip.mic[-480:]))
    assert max(motions) < 0.002  # no motor noise (5e-4 rms of full scale) over the quiet floor


def test_same_seed_same_samples_at_any_speed() -> None:
    first, again, fast = Bench(speed=0.0), Bench(speed=0.0), Bench(speed=200.0)
    other = Bench(seed=2)
    for bench in (first, again, fast, other):
        bench.run()
    for a, b, c in zip(first.store.strikes, again.store.strikes, fast.store.strikes, strict=True):
        assert np.array_equal(a.clip.samples, b.clip.samples)
        assert np.array_equal(a.clip.samples, c.clip.samples)
    pairs = zip(first.store.strikes, other.store.strikes, strict=True)
    assert not any(np.array_equal(a.clip.samples, b.clip.samples) for a, b in pairs)


def test_listeners_hear_of_a_strike_after_it_is_stored_and_of_the_end_last() -> None:
    bench = Bench()
    known: list[int] = []

    def check(event: TapEvent) -> None:
        if event.step == "stored":
            known.append(len(bench.store.strikes))
            assert event.strike_id is not None
            assert bench.store.strikes[event.strike_id - 1].tap == event.tap.number

    bench.recorder = Recorder(check)
    outcome = bench.run()
    assert len(known) == 20
    assert bench.recorder.calls[0][1] is ScanState.RUNNING
    assert bench.recorder.calls[-1] == ("finished", outcome)
    progress = bench.recorder.named("progress")
    assert [p[1] for p in progress] == list(range(1, 21))
    assert progress[-1][3] == pytest.approx(0.0, abs=0.2)
    steps = [c[1].step for c in bench.recorder.named("tap") if c[1].tap.number == 7]
    assert steps == ["striking", "stored", "read"]


def test_a_listener_that_fails_cannot_hurt_the_scan(caplog: pytest.LogCaptureFixture) -> None:
    def fail(_event: TapEvent) -> None:
        raise RuntimeError("a broken window")

    bench = Bench()
    bench.recorder = Recorder(fail)
    with caplog.at_level("CRITICAL"):
        assert bench.run().state is ScanState.FINISHED


def test_pause_holds_between_taps_and_resume_goes_on() -> None:
    bench = Bench()
    moves_in_pause: list[int] = []

    def act(event: TapEvent) -> None:
        if event.step == "striking" and event.tap.number == 6:
            bench.control.pause()
            threading.Timer(0.2, go_on).start()

    def go_on() -> None:
        moves_in_pause.append(bench.rig.board.counts["moves"])
        bench.control.resume()

    bench.recorder = Recorder(act)
    outcome = bench.run()
    assert outcome.state is ScanState.FINISHED
    assert moves_in_pause == [7]  # taps 0…6; the way to tap 7 has not begun
    states = [s[1] for s in bench.recorder.named("state")]
    assert states == [
        ScanState.RUNNING, ScanState.PAUSED, ScanState.RUNNING, ScanState.FINISHED
    ]  # fmt: skip
    assert outcome.strikes == 20


def test_stop_finishes_the_tap_parks_and_resume_makes_the_rest() -> None:
    bench = Bench()

    def act(event: TapEvent) -> None:
        if event.step == "striking" and event.tap.number == 6:
            bench.control.stop()

    bench.recorder = Recorder(act)
    outcome = bench.run()
    assert (outcome.state, outcome.finish) == (ScanState.STOPPED, FinishReason.STOPPED)
    assert [s.tap for s in bench.store.strikes] == list(range(7))
    assert bench.rig.board.place_mm == (0.0, 0.0)
    assert bench.store.states[-1][0] is ScanState.STOPPED
    again = Bench(store=bench.store, session=1)
    outcome = again.run()
    assert outcome.state is ScanState.FINISHED
    assert [s.tap for s in bench.store.strikes] == list(range(20))
    assert again.rig.board.counts["strikes"] == 13
    assert outcome.strikes == 20


def test_stop_ends_a_pause() -> None:
    bench = Bench()
    bench.control.pause()
    threading.Timer(0.2, bench.control.stop).start()
    outcome = bench.run()
    assert outcome.state is ScanState.STOPPED
    assert bench.store.strikes == []


def test_halt_now_loses_nothing_stored_and_forces_homing() -> None:
    bench = Bench(speed=1.0)

    def act(event: TapEvent) -> None:
        if event.step == "striking" and event.tap.number == 3:
            threading.Timer(0.05, bench.control.halt).start()

    bench.recorder = Recorder(act)
    outcome = bench.run()
    assert (outcome.state, outcome.finish) == (ScanState.HALTED, FinishReason.HALTED)
    assert bench.rig.board.state is State.HALTED
    assert bench.controller.position() is None
    assert [s.tap for s in bench.store.strikes] == [0, 1, 2]
    assert bench.recorder.calls[-1][0] == "finished"


@pytest.mark.parametrize(
    "faults",
    [
        FaultSpec(strike_missed=0.25),
        FaultSpec(strike_double=0.25),
        FaultSpec(strike_clipped=0.25),
        FaultSpec(sound_overflow=0.25),
    ],
    ids=["missed", "double", "clipped", "overflow"],
)
def test_poor_strikes_are_made_again_at_the_end_and_the_retake_stands(faults: FaultSpec) -> None:
    bench = Bench(small_plan(6, 5), faults=faults, seed=4)
    outcome = bench.run()
    faulty = [n for n, truth in enumerate(bench.rig.bench.truths[:30]) if truth.faults]
    assert len(faulty) >= 3
    assert outcome.state is ScanState.FINISHED
    assert outcome.retakes == len(outcome.struck_again) >= len(faulty)
    assert [strike.tap for strike in outcome.struck_again[: len(faulty)]] == faulty
    assert all(strike.reason for strike in outcome.struck_again)
    retaken = [e.tap.number for e in bench.recorder.events("striking") if e.retake == 1]
    assert retaken == faulty  # exactly those, in the plan's order, after all others
    used = [s for s in bench.store.strikes if not s.superseded]
    good = [s for s in used if s.reading is not None and s.reading.quality == "good"]
    rejected = {r.tap for r in outcome.rejected}
    assert {s.tap for s in good} | rejected == set(range(30))
    assert {s.tap for s in good} & rejected == set()


def test_what_never_works_is_rejected_with_its_reason() -> None:
    bench = Bench(small_plan(3, 1), faults=FaultSpec(strike_missed=1.0))
    outcome = bench.run()
    assert outcome.state is ScanState.FINISHED
    assert outcome.retakes == 6
    assert [r.reason for r in outcome.rejected] == ["no strike"] * 3
    overflown = Bench(small_plan(3, 1), faults=FaultSpec(sound_overflow=1.0))
    outcome = overflown.run()
    assert outcome.strikes == 0
    assert all("lost" in r.reason for r in outcome.rejected)
    assert len(overflown.recorder.events("skipped")) == 9


def test_a_merely_doubtful_strike_has_one_more_chance_only() -> None:
    bench = Bench(small_plan(3, 1))
    outcome = bench.run(read_clip=lambda clip: replace(simple_reading(clip), quality="doubtful"))
    assert outcome.retakes == 3
    assert outcome.rejected == ()
    assert len([s for s in bench.store.strikes if not s.superseded]) == 3


def test_retake_that_is_worse_does_not_take_the_place_of_the_first() -> None:
    bench = Bench(small_plan(3, 1))
    calls: list[int] = []

    def worse_and_worse(clip):  # type: ignore[no-untyped-def]
        calls.append(1)
        return replace(simple_reading(clip), quality="doubtful" if len(calls) <= 3 else "bad")

    bench.run(read_clip=worse_and_worse)
    assert len(bench.store.strikes) == 3
    assert not any(s.superseded for s in bench.store.strikes)


def test_tap_out_of_reach_is_skipped_and_the_rest_is_done() -> None:
    plan = small_plan()
    taps = list(plan.taps)
    taps[4] = PlannedTap(4, 900.0, 0.0)
    bench = Bench(replace(plan, taps=tuple(taps)))
    outcome = bench.run()
    assert outcome.state is ScanState.FINISHED
    assert [r.tap for r in outcome.rejected] == [4]
    assert "limits" in outcome.rejected[0].reason
    assert [s.tap for s in bench.store.strikes] == [n for n in range(20) if n != 4]
    assert [e.tap.number for e in bench.recorder.events("skipped")] == [4]


def test_bad_cable_and_bad_hammer_together() -> None:
    faults = FaultSpec(
        line_lost=0.02, line_garbled=0.02, line_doubled=0.02, line_delayed=0.02,
        strike_missed=0.05, strike_double=0.05, strike_clipped=0.05, sound_overflow=0.05,
    )  # fmt: skip
    bench = Bench(small_plan(8, 6), faults=faults, seed=3)
    outcome = bench.run()
    assert outcome.state is ScanState.FINISHED
    asked = len(bench.recorder.events("striking"))
    assert bench.rig.board.counts["strikes"] == asked == 48 + outcome.retakes
    assert len(outcome.rejected) <= 2


def test_pulled_cable_ends_the_scan_clearly_and_it_can_be_resumed() -> None:
    bench = Bench()

    def act(event: TapEvent) -> None:
        if event.step == "striking" and event.tap.number == 5:
            bench.rig.transport.unplug()

    bench.recorder = Recorder(act)
    outcome = bench.run()
    assert (outcome.state, outcome.finish) == (ScanState.HALTED, FinishReason.DEVICE)
    assert isinstance(outcome.error, LinkError)
    assert "broke off" in outcome.reason
    assert [s.tap for s in bench.store.strikes] == list(range(5))
    assert Bench(store=bench.store, session=1).run().strikes == 20


def test_stalled_sound_stream_spoils_strikes_but_not_the_scan() -> None:
    bench = Bench(small_plan(3, 2))

    def act(event: TapEvent) -> None:
        if event.step == "striking" and event.retake == 0:
            bench.rig.microphone.stall(event.tap.number == 2)

    bench.recorder = Recorder(act)
    outcome = bench.run()
    assert outcome.state is ScanState.FINISHED
    skipped = [e.tap.number for e in bench.recorder.events("skipped")]
    assert skipped in ([2], [2, 3])  # the loss may come to light within the next strike
    assert outcome.strikes == 6
    for strike in bench.store.strikes:
        assert strike.reading is not None
        assert strike.reading.onset_s == pytest.approx(0.0315, abs=0.003)


def test_full_disk_stops_the_scan_and_keeps_what_is_stored() -> None:
    bench = Bench()
    bench.store.fail_after = 8
    bench.store.error = StorageFullError("The disk is full.")
    outcome = bench.run()
    assert (outcome.state, outcome.finish) == (ScanState.STOPPED, FinishReason.STORAGE)
    assert outcome.error is bench.store.error
    assert len(bench.store.strikes) == 8
    assert bench.rig.board.counts["strikes"] < 20
    bench.store.fail_after = None
    assert Bench(store=bench.store, session=1).run().strikes == 20


def test_a_bug_halts_the_rig_tells_the_end_and_is_raised() -> None:
    bench = Bench()

    class Broken(MemoryStore):
        def done(self, scan: str) -> set[tuple[int, int]]:
            raise ZeroDivisionError

    bench.store = Broken(small_plan())
    with pytest.raises(ZeroDivisionError):
        bench.run()
    assert bench.rig.board.state is State.HALTED
    assert bench.recorder.calls[-1][0] == "finished"
    assert bench.recorder.calls[-1][1].finish is FinishReason.FAULT


def test_strikes_left_unread_or_poor_by_an_earlier_run_are_taken_up() -> None:
    bench = Bench(small_plan(4, 2))
    bench.run()
    strikes = bench.store.strikes
    strikes[1] = replace(strikes[1], reading=None)
    poor = strikes[2].reading
    assert poor is not None
    strikes[2] = replace(strikes[2], reading=replace(poor, quality="bad", reasons=("weak",)))
    again = Bench(store=bench.store, session=1)
    outcome = again.run()
    assert outcome.state is ScanState.FINISHED
    assert again.rig.board.counts["strikes"] == 1  # tap 2 once more, nothing else
    assert bench.store.strikes[1].reading is not None
    assert bench.store.strikes[2].superseded


def test_end_after_so_many_taps() -> None:
    bench = Bench()
    outcome = bench.run(max_taps=6)
    assert (outcome.state, outcome.finish) == (ScanState.STOPPED, FinishReason.LIMITED)
    assert outcome.taps == 6
