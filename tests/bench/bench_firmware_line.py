"""Firmware on a simulated chip behind a bad cable: does anything happen twice, or not at all?

    python tests/bench/bench_firmware_line.py [--board 328p] [--commands 20000] [--share 0.02]

In each direction the given share of lines is lost, as many garbled, doubled, and delayed by up to
0.1 s. Strikes, moves and steps are counted on the pins. First with the product's own link, which
waits for every answer; then with as many commands unanswered as the board allows; last the number
of lines a second on a good cable, in the board's time and in real time.
Boards: virtual, host, 328p, 2560.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import serial

sys.path.insert(0, str(Path(__file__).parents[1] / "firmware"))

from boards import Board, SimulatedBoard, Talk, build, new_board
from cable import BoardClock, Cable

from rig.devices.codec import Answer, HostCodec, RepeatWanted
from rig.devices.link import LineController
from rig.model.rig_settings import RigSettings
from rig.virtual.faults import FaultSpec, FaultyLine


def cable_to(board: Board, share: float, seed: int) -> Cable:
    """A cable with that share of each fault, both ways."""
    faults = FaultSpec(share, share, share, share, delay_s=0.1)
    ways = [FaultyLine(faults, np.random.default_rng((seed, way))) for way in range(2)]
    return Cable(board, *ways)


def steps_of(board: Board) -> float:
    """Steps of X and Y so far, from the pins."""
    return sum(board.counts()[4:6]) if isinstance(board, SimulatedBoard) else float("nan")


def tell_faults(cable: Cable) -> None:
    """What the cable did."""
    print(f"  {len(cable.commands)} commands in {cable.sent} lines: {cable.to_board.counts}")
    print(f"  lines back {cable.heard}: {cable.to_host.counts}")


def one_at_a_time(board: Board, commands: int, share: float, seed: int) -> None:
    """The product's link: move, wait, strike."""
    cable = cable_to(board, share, seed)
    controller = LineController(cable, BoardClock(cable), RigSettings(), session=seed)
    controller.open()
    controller.home()
    rng = np.random.default_rng(seed)
    begun, asked, strikes, missed, doubled, wrong = steps_of(board), 0.0, 0, 0, 0, 0
    at = np.zeros(2)
    while len(cable.commands) < commands:
        there = np.round(80.0 * rng.uniform(0.0, 15.0, 2)) / 80.0
        controller.start_move(*(float(v) for v in there))
        controller.wait_until_still()
        asked += float(np.sum(np.round(80.0 * np.abs(there - at))))
        at = there
        wrong += float(np.max(np.abs(np.array(board.place_mm()) - there))) > 0.05
        controller.strike(1000)
        strikes += 1
        made = board.strikes() - strikes - doubled + missed
        doubled += max(0, made)
        missed += max(0, -made)
    print("product's link, one command at a time")
    tell_faults(cable)
    print(f"  strikes acknowledged {strikes}, on the pin {board.strikes()}: ", end="")
    print(f"double {doubled}, missed {missed}")
    print(f"  moves acknowledged {strikes}, ended in a wrong place {wrong}; ", end="")
    print(f"steps asked {asked:.0f}, on the pins {steps_of(board) - begun:.0f}")


def window(board: Board, commands: int, share: float, seed: int) -> None:
    """As many commands unanswered as the credit allows: strikes, moves and questions mixed."""
    Talk(board).greet(900 + seed)
    home = Talk(board)
    home.greet(901 + seed)
    home.home()
    cable = cable_to(board, share, seed)
    codec = HostCodec()
    board.answers.clear()
    board.send(HostCodec().command("HELLO", "S77", "P1")[1])
    board.run(0.02)
    board.answers.clear()
    codec.restart(credit_lines=4, credit_bytes=96)
    rng = np.random.default_rng(seed)
    asked: dict[int, tuple[str, ...]] = {}
    accepted: list[int] = []
    answered, silent_s = 0, 0.0
    pulses, begun, began_s = board.strikes(), steps_of(board), board.now_s()
    sent = 0
    while answered < commands:
        while sent < commands and codec.has_credit(44):
            kind = rng.random()
            there = np.round(80.0 * rng.uniform(0.0, 3.0, 2)) / 80.0
            words: tuple[str, ...] = ("STATUS",)
            if kind < 0.3:
                words = ("STRIKE", f"U{rng.integers(100, 400)}")
            elif kind < 0.6:
                words = ("MOVE", f"X{there[0]:.4f}", f"Y{there[1]:.4f}", "F9000.0")
            number, data = codec.command(*words)
            asked[number] = words
            cable.write(data)
            sent += 1
        again = silent_s > 0.03
        before = answered
        for item in codec.receive(cable.read(0.003)):
            again = again or isinstance(item, RepeatWanted)
            if isinstance(item, Answer):
                answered += 1
                if item.accepted:
                    accepted.append(item.number)
        silent_s = 0.0 if answered > before or again else silent_s + 0.003
        if again:
            cable.write(codec.repeat())
    struck, moved, at = 0, 0.0, np.zeros(2)
    for number in sorted(accepted):  # answers may come out of order
        words = asked[number]
        struck += words[0] == "STRIKE"
        if words[0] == "MOVE":
            there = np.array([float(word[1:]) for word in words[1:3]])
            moved += float(np.sum(np.round(80.0 * np.abs(there - at))))
            at = there
    print(f"four commands unanswered at a time, {commands} commands")
    tell_faults(cable)
    print(f"  strikes acknowledged {struck}, on the pin {board.strikes() - pulses}")
    board.run(0.3)
    print(f"  steps of acknowledged moves {moved:.0f}, on the pins {steps_of(board) - begun:.0f}")
    print(f"  {commands / (board.now_s() - began_s):.0f} commands a second of board time")


def throughput(board: Board, commands: int) -> None:
    """Lines a second with a good cable at 250,000 baud."""
    Talk(board).greet(55)
    cable = cable_to(board, 0.0, 1)
    codec = HostCodec()
    codec.restart(credit_lines=4, credit_bytes=96)
    cable.board.answers.clear()
    began_s, sent, answered = board.now_s(), 0, 0
    while answered < commands:
        while sent < commands and codec.has_credit(20):
            cable.write(codec.command("STATUS")[1])
            sent += 1
        answered += sum(isinstance(x, Answer) for x in codec.receive(cable.read(0.002)))
    rate = commands / (board.now_s() - began_s)
    print(f"good cable: {rate:.0f} commands and as many answers a second")
    if isinstance(board, SimulatedBoard):
        print(f"  most bytes that ever waited in the receive buffer: {board.counts()[-1]:.0f}")


def through_a_port(name: str, folder: Path, commands: int) -> None:
    """The same in real time, through a pseudo-terminal and pyserial."""
    chip = [str(folder / "simhost"), f"atmega{name}", str(folder / f"platerig-{name}.elf")]
    board = [str(folder / "hostboard")] if name == "host" else chip
    with subprocess.Popen(
        [*board, "--log", "/dev/null"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdin is not None
        with serial.Serial(process.stdout.readline().split()[1], 250_000, timeout=0.05) as port:
            for lines in (1, 4):
                port.write(HostCodec().command("HELLO", f"S{lines}", "P1")[1])
                port.read_until(b"platerig-reference-1*")
                codec = HostCodec()
                codec.restart(credit_lines=lines, credit_bytes=96)
                began_s, sent, answered = time.monotonic(), 0, 0
                while answered < commands:
                    while sent < commands and codec.has_credit(20):
                        port.write(codec.command("STATUS")[1])
                        sent += 1
                    found = codec.receive(port.read(max(1, port.in_waiting)))
                    answered += sum(isinstance(x, Answer) for x in found)
                rate = commands / (time.monotonic() - began_s)
                print(
                    f"real time, through pyserial, {lines} unanswered: {rate:.0f} commands a second"
                )
        process.stdin.close()


def main() -> None:
    """Print the counts of all four."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--board", default="328p")
    parser.add_argument("--commands", type=int, default=20_000)
    parser.add_argument("--share", type=float, default=0.02)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    folder = build()
    began = time.monotonic()
    print(f"board {options.board}, {100 * options.share:.1f} % of each fault in each direction")
    with new_board(options.board, folder) as board:
        one_at_a_time(board, options.commands, options.share, options.seed)
    with new_board(options.board, folder) as board:
        window(board, options.commands, options.share, options.seed)
    with new_board(options.board, folder) as board:
        throughput(board, 2000)
    if options.board != "virtual":
        through_a_port(options.board, folder, 1500)
    print(f"{time.monotonic() - began:.0f} s")


if __name__ == "__main__":
    main()
