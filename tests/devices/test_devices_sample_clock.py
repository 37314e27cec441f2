"""Offset and drift between controller, computer and sound interface."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rig.devices.sample_clock import LeastDelay, PulseClock, StreamClock, StrikeClock

RATE = 48_000


@pytest.mark.parametrize("drift_ppm", [-200.0, 0.0, 80.0, 400.0])
@pytest.mark.parametrize("latency_s", [0.003, 0.060])
def test_stream_clock_finds_offset_and_drift_under_bursts(
    drift_ppm: float, latency_s: float
) -> None:
    rng = np.random.default_rng(1)
    true_rate = RATE * (1.0 + 1e-6 * drift_ppm)
    clock = StreamClock(RATE)
    errors_us = []
    for number in range(6000):
        counted = 480 * (number + 1)
        burst_s = 0.077 if rng.random() < 0.05 else 0.0
        now_s = counted / true_rate + latency_s + rng.exponential(0.003) + burst_s
        clock.observe(now_s, counted)
        if number > 2000 and number % 50 == 0:
            moment_s = counted / true_rate + 0.25  # a little ahead of what has come
            true = true_rate * (moment_s - latency_s)
            errors_us.append(1e6 * (clock.sample_at(moment_s) - true) / RATE)
    assert math.sqrt(np.mean(np.square(errors_us))) < 25.0


def test_stream_clock_before_there_is_a_drift_to_see() -> None:
    clock = StreamClock(RATE)
    for number in range(20):
        clock.observe(0.01 * number + 0.004, 480 * number)
    assert clock.sample_at(0.104) == pytest.approx(4800.0, abs=1.0)
    clock.forget()
    with pytest.raises(ValueError, match="nothing observed"):
        clock.sample_at(1.0)


def test_line_touches_the_least_delayed_from_below() -> None:
    rng = np.random.default_rng(5)
    line = LeastDelay(2.0, 0.1)
    x = np.sort(rng.uniform(0.0, 100.0, 400))
    delay = rng.exponential(1.0, 400)
    for a, d in zip(x, delay, strict=True):
        line.observe(a, 7.0 + 2.05 * a + d)
    for a in (0.0, 50.0, 100.0):
        assert line.at(a) - (7.0 + 2.05 * a) == pytest.approx(0.0, abs=0.15)
    assert all(line.at(a) <= 7.0 + 2.05 * a + d + 1e-9 for a, d in zip(x, delay, strict=True))


@pytest.mark.parametrize("drift_ppm", [-5000.0, 40.0, 5000.0])
def test_pulse_clock_never_leaves_what_question_and_answer_allow(drift_ppm: float) -> None:
    rng = np.random.default_rng(4)
    clock = PulseClock()
    errors_s = []
    for number in range(80):
        pulse_s = 50.0 + 0.6 * number
        board_us = round(1e6 * pulse_s * (1.0 + 1e-6 * drift_ppm)) - 20_000_000
        late_s = 0.002 + (0.1 if number % 5 == 3 else 0.0) + rng.uniform(0.0, 0.002)
        found_s = clock.moment_s(board_us, pulse_s + late_s, pulse_s - 0.003)
        assert pulse_s - 0.003 <= found_s <= pulse_s + late_s
        errors_s.append(found_s - pulse_s)
    assert max(abs(e) for e in errors_s) < 0.008
    assert np.std(errors_s[40:]) < 3e-4


def strikes(
    count: int,
    *,
    drift_ppm: float = 3000.0,
    flight_s: float = 0.0075,
    speed_scatter: float = 0.05,
    seed: int = 2,
) -> list[tuple[int, float, float, float]]:
    """Board time, true contact sample, guessed pulse sample, strike speed."""
    rng = np.random.default_rng(seed)
    rows = []
    for number in range(count):
        pulse_s = 10.0 + 0.62 * number + rng.uniform(0.0, 0.1)
        speed = 0.5 * (1.0 + speed_scatter * rng.standard_normal())
        contact_s = pulse_s + flight_s - 0.006 + 0.003 / speed
        guess_s = pulse_s + rng.uniform(-0.001, 0.001)
        board_us = round(1e6 * pulse_s * (1.0 + 1e-6 * drift_ppm))
        rows.append((board_us, contact_s * RATE, guess_s * RATE, speed))
    return rows


def test_strike_clock_without_scatter_is_right_after_a_few_strikes() -> None:
    clock = StrikeClock(RATE)
    errors_us = []
    for board_us, contact, guess, _ in strikes(40, speed_scatter=0.0):
        found = clock.contact(board_us)
        if found is not None:
            errors_us.append(1e6 * (found[0] - contact) / RATE)
        clock.saw(board_us, contact, guess)
    assert max(abs(e) for e in errors_us[1:]) < 200.0
    assert max(abs(e) for e in errors_us[6:]) < 10.0


def test_strike_clock_with_the_gates_speed_knows_the_flight() -> None:
    clock = StrikeClock(RATE)
    errors_us, sds_us = [], []
    for board_us, contact, guess, speed in strikes(60):
        found = clock.contact(board_us, speed)
        if found is not None:
            errors_us.append(1e6 * (found[0] - contact) / RATE)
            sds_us.append(1e6 * found[1] / RATE)
        clock.saw(board_us, contact, guess, speed)
    assert math.sqrt(np.mean(np.square(errors_us[10:]))) < 50.0
    assert max(sds_us[10:]) < 50.0


def test_strike_clock_without_a_gate_averages_the_scatter() -> None:
    clock = StrikeClock(RATE)
    flights, errors = [], []
    for board_us, contact, guess, _ in strikes(60):
        found = clock.contact(board_us)
        if found is not None:
            errors.append(1e6 * (found[0] - contact) / RATE)
        flights.append(contact)
        clock.saw(board_us, contact, guess)
    # the flight's own scatter is 300 µs; the line adds little to it
    assert math.sqrt(np.mean(np.square(errors[10:]))) < 380.0


def test_wrong_sightings_are_left_out_and_a_true_step_is_followed() -> None:
    clock = StrikeClock(RATE)
    rows = strikes(40, speed_scatter=0.0)
    for number, (board_us, contact, guess, _) in enumerate(rows[:20]):
        wrong = 900.0 if number in (7, 12) else 0.0  # a knock on the bench
        clock.saw(board_us, contact + wrong, guess)
    found = clock.contact(rows[20][0])
    assert found is not None
    assert found[0] == pytest.approx(rows[20][1], abs=5.0)
    assert clock.restarts == 0
    for board_us, contact, guess, _ in rows[20:]:  # the driver dropped 960 samples
        clock.saw(board_us, contact - 960.0, guess - 960.0)
    found = clock.contact(rows[-1][0])
    assert clock.restarts == 1
    assert found is not None
    assert found[0] == pytest.approx(rows[-1][1] - 960.0, abs=5.0)


def test_pulse_stays_where_it_was_guessed_unless_the_stream_is_late() -> None:
    near, late = StrikeClock(RATE), StrikeClock(RATE)
    rows = strikes(12, speed_scatter=0.0)
    assert near.pulse(rows[0][0], 1234.0) == 1234.0
    for board_us, contact, guess, _ in rows[:-1]:
        near.saw(board_us, contact, guess)
        late.saw(board_us, contact + 0.09 * RATE, guess)  # 90 ms behind a sound server
    board_us, contact, guess, _ = rows[-1]
    assert near.pulse(board_us, guess) == pytest.approx(guess, abs=0.0015 * RATE)
    assert late.pulse(board_us, guess) == pytest.approx(
        contact + (0.09 - 0.008) * RATE, abs=0.001 * RATE
    )
