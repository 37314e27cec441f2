"""Replays the exchange of firmware_notes/protocol.md against any board."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

from rig.devices.lines import Line, decode, encode

PROTOCOL = Path(__file__).parents[2] / "firmware_notes" / "protocol.md"
WAIT = re.compile(r"\(([\d.]+) s(?:, STATUS every ([\d.]+) s from N(\d+))?\)")


def exchange() -> list[str]:
    """The lines of the example, in order."""
    text = PROTOCOL.read_text(encoding="utf-8")
    block = text.split("```exchange\n", 1)[1].split("```", 1)[0]
    return [line.rstrip() for line in block.splitlines() if line.strip()]


def table(heading: str) -> list[list[str]]:
    """Cells of the first table under a heading, header row left out."""
    text = PROTOCOL.read_text(encoding="utf-8").split(f"\n{heading}\n", 1)[1]
    rows = []
    for line in text.splitlines():
        if line.startswith("|"):
            rows.append([cell.strip().strip("`") for cell in line.strip("|").split("|")])
        elif rows:
            break
    return rows[2:]


def masked(line: Line) -> Line:
    """The same line with what is each board's own left open: its time, its name, a Z axis."""
    words = ["T" if re.fullmatch(r"T\d+", word) else word for word in line.words]
    words = ["NAME" if re.fullmatch(r"platerig-[a-z]+-\d+", word) else word for word in words]
    words = [word for word in words if not re.fullmatch(r"Z[-.\d]+", word)]
    return Line(line.kind, line.number, tuple(words))


def replay(send: Callable[[bytes], None], rest: Callable[[float], None], heard: list[bytes]) -> int:
    """Play the computer's side; compare every line of the controller. Returns lines compared.

    send: bytes to the board; rest: let time pass; heard: where the board's lines gather.
    """
    compared = 0
    for line in exchange():
        if line.startswith(">"):
            send(line[1:].strip().encode("ascii") + b"\n")
            rest(0.01)
        elif line.startswith("<"):
            expected = masked(decode(line[1:].strip().encode("ascii")))
            assert heard, f"the board stayed silent; expected {line}"
            assert masked(decode(heard.pop(0).strip())) == expected
            compared += 1
        elif match := WAIT.fullmatch(line.strip()):
            _wait(match, send, rest, heard)
    assert not heard, f"unexpected: {heard}"
    return compared


def _wait(
    match: re.Match[str],
    send: Callable[[bytes], None],
    rest: Callable[[float], None],
    heard: list[bytes],
) -> None:
    if match[2] is None:
        rest(float(match[1]))
        return
    number = int(match[3])
    for _ in range(round(float(match[1]) / float(match[2]))):
        send(encode(Line("N", number, ("STATUS",))))
        rest(float(match[2]))
        for answer in [h for h in heard if h.startswith(b"A%d " % number)]:
            heard.remove(answer)
        number += 1
