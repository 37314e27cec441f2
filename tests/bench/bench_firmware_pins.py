"""The reference firmware's figures, measured on the pins of simulated chips, by the cycle.

python tests/bench/bench_firmware_pins.py [328p 2560 host]
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "firmware"))

from boards import SimulatedBoard, Talk, build, line

from rig.devices.motion import Trapezoid
from rig.devices.states import State

HALT = line(0, "HALT")
BYTE_S = 11 / 250_000  # as the simulated serial port takes it


def homed(name: str) -> tuple[SimulatedBoard, Talk]:
    """A fresh board, ready."""
    board = SimulatedBoard(name, build())
    talk = Talk(board)
    talk.greet()
    talk.home()
    assert talk.ask("SET", "A4000", "H500") == ("OK",)
    return board, talk


def say(what: str, value: str) -> None:
    """One row."""
    print(f"  {what:<62}{value:>14}")


def pulses(name: str, rng: np.random.Generator) -> None:
    """Length of the pulse on the pin, with and without a talking computer."""
    board, talk = homed(name)
    worst_us, told_us = 0.0, []
    for length in [100, 12_000, *rng.integers(100, 12_001, 60)]:
        while (answer := talk.ask("STRIKE", f"U{length}"))[0] == "NO":
            talk.ask("STATUS")
        talk.send("STATUS")
        talk.send("STATUS")
        board.run(0.02)
        start_s, end_s = board.pins.pulses[-1]
        worst_us = max(worst_us, abs(1e6 * (end_s - start_s) - float(length)))
        told_us.append(1e6 * start_s - float(answer[1][1:]))
    say("pulse length, worst error of 62 (100 to 12,000 µs)", f"{worst_us:.2f} µs")
    say("told time of the pulse against the pin, spread", f"{np.ptp(told_us):.2f} µs")
    board.close()


def halts(name: str, rng: np.random.Generator) -> None:
    """From the last byte of HALT, or the input, to the end of pulse and motion."""
    hammer_ms, step_ms, button_ms, button_step_ms = [], [], [], []
    board, talk = homed(name)
    for k in range(40):
        button = k % 2 == 1
        if talk.state() is State.HALTED:
            board.order("halt 0")
            board.run(0.01)
            talk.home()
        board.run(0.13)
        if k % 4 < 2:
            talk.send("STRIKE", "U12000")
            board.run(0.003 + float(rng.uniform(0.0, 0.006)))
        else:
            talk.send("MOVE", "X350.0", "Y250.0", "F15000.0")
            board.run(0.02 + float(rng.uniform(0.0, 0.3)))
        began_s = board.now_s()
        if button:
            board.order("halt 1")
        else:
            board.send(HALT)
            began_s += len(HALT) * BYTE_S
        board.run(0.1)
        if k % 4 < 2:
            after_ms = 1000.0 * (board.pins.pulses[-1][1] - began_s)
            (button_ms if button else hammer_ms).append(after_ms)
        else:
            after_ms = 1000.0 * (board.counts()[8] / 16e6 - began_s)
            (button_step_ms if button else step_ms).append(after_ms)
    say("HALT, last byte to hammer off, worst of 10", f"{max(hammer_ms):.3f} ms")
    say("HALT, last byte to last step, worst of 10", f"{max(step_ms):.3f} ms")
    say("halt input to hammer off, worst of 10", f"{max(button_ms):.3f} ms")
    say("halt input to last step, worst of 10", f"{max(button_step_ms):.3f} ms")
    board.close()


def silences(name: str) -> None:
    """From the last byte of the last command to the last step."""
    for heartbeat_ms in (50, 200, 500):
        board, talk = homed(name)
        talk.ask("SET", f"H{heartbeat_ms}")
        data = talk.send("MOVE", "X400.0", "Y300.0", "F6000.0")
        began_s = board.now_s() + len(data) * BYTE_S
        board.run(0.8)
        silent_ms = 1000.0 * (board.counts()[8] / 16e6 - began_s)
        say(f"silence to last step, heartbeat {heartbeat_ms} ms", f"{silent_ms:.1f} ms")
        board.close()


def hangs(name: str) -> None:
    """A crash in a pulse and in a motion."""
    for off in (0, 1):
        board, talk = homed(name)
        talk.send("STRIKE", "U12000")
        board.run(0.004)
        board.order(f"hang {off}")
        board.run(0.3)
        start_s, end_s = board.pins.pulses[-1]
        how = "interrupts off" if off else "interrupts on"
        say(
            f"crash in a pulse of 12 ms, {how}: length on the pin",
            f"{1e3 * (end_s - start_s):.3f} ms",
        )
        board.close()
        board, talk = homed(name)
        talk.ask("MOVE", "X400.0", "Y300.0", "F15000.0")
        board.run(0.2)
        began_s = board.now_s()
        board.order(f"hang {off}")
        board.run(0.3)
        last_ms = 1000.0 * (board.counts()[8] / 16e6 - began_s)
        say(f"crash in a motion, {how}: to the last step", f"{max(0.0, last_ms):.1f} ms")
        say(
            f"crash in a motion, {how}: to the restart",
            f"{1e3 * (board.pins.restarts[-1] - began_s):.1f} ms",
        )
        board.close()


def rates(name: str) -> None:
    """Steps at full speed with the serial line full both ways."""
    for x, y in ((200.0, 0.0), (150.0, 150.0), (150.0, 149.0)):
        board, talk = homed(name)
        board.order("steps 1")
        board.pins.steps.clear()
        talk.send("MOVE", f"X{x}", f"Y{y}", "F15000.0")
        board.run(0.01)
        number, told = talk.number, talk.lines()
        sent = answered = 1
        while not any(told_line.words[0] == "STILL" for told_line in told):
            board.send(b"".join(line(number + sent + k, "STATUS") for k in range(4)))
            sent += 4
            while answered < sent:
                board.run(0.0005)
                new = talk.lines()
                answered += sum(told_line.kind == "A" for told_line in new)
                told += new
        steps = np.array(board.pins.steps)
        times = steps[steps[:, 1] == 0][:, 0]
        way = Trapezoid(float(np.hypot(x, y)), 250.0, 4000.0)
        share = x / np.hypot(x, y)
        rate_hz = 250.0 * share * 80.0
        cruise = np.diff(times)
        middle = cruise[len(cruise) // 4 : -len(cruise) // 4]
        first_s = float(np.sqrt(2.0 * way.distance_mm / len(times) / 4000.0))
        late_us = 1e6 * (times[-1] - times[0] + first_s - way.duration_s)
        lines_s = answered / way.duration_s
        axes = "one axis" if y == 0.0 else "two axes"
        say(f"{axes}, {x:.0f} × {y:.0f} mm: steps made / asked", f"{len(steps)}/{80 * (x + y):.0f}")
        say("    step rate of X in the cruise", f"{1e-3 / np.mean(middle):.2f} kHz")
        say(
            "    worst interval against the mean",
            f"{1e6 * np.abs(middle - 1 / rate_hz).max():.1f} µs",
        )
        say("    duration against the closed form", f"{late_us:+.0f} µs")
        say("    lines answered a second meanwhile", f"{lines_s:.0f}")
        say("    shortest step pulse", f"{board.counts()[-2] / 16:.2f} µs")
        board.close()


def main() -> None:
    """Print one table a board."""
    for name in sys.argv[1:] or ["328p", "2560"]:
        rng = np.random.default_rng(1)
        print(name)
        pulses(name, rng)
        halts(name, rng)
        silences(name)
        hangs(name)
        rates(name)


if __name__ == "__main__":
    main()
