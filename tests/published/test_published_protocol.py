"""The line protocol's building blocks against published values."""

from __future__ import annotations

import math

import pytest

from rig.devices.lines import Line, checksum, decode, encode
from rig.devices.motion import Trapezoid, move_time_s


def test_crc_check_value() -> None:
    """0x29B1 over the nine digits: the check value under which this polynomial with this start
    value is listed in catalogues of CRCs (CRC-16/IBM-3740, also called CCITT-FALSE)."""
    assert checksum(b"123456789") == 0x29B1


def test_crc_of_nothing_and_of_one_byte() -> None:
    """The start value itself, and a value that follows from the definition by hand.

    One zero byte: 0xFFFF is divided on by x^8, which leaves the remainder table's entry for 0xFF
    (0x1EF0 in ITU-T V.41's polynomial x^16 + x^12 + x^5 + 1) beside the low byte moved up.
    """
    assert checksum(b"") == 0xFFFF
    assert checksum(b"\x00") == 0xFF00 ^ 0x1EF0


@pytest.mark.parametrize("bits", [1, 2, 16])
def test_crc_finds_what_its_theory_says(bits: int) -> None:
    """Every error of one bit, of two bits (within 32,767), every burst of up to 16 bits
    (Peterson and Brown, Cyclic codes for error detection, Proc. IRE 49, 1961)."""
    line = encode(Line("N", 62, ("STRIKE", "U3000"))).strip()
    whole = int.from_bytes(line[:-5], "big")
    size = 8 * len(line[:-5])
    good = checksum(line[:-5])
    if bits == 16:
        patterns = [
            (1 << 15 | inner << 1 | 1) << at for inner in range(0, 1 << 14, 37) for at in (0, 41)
        ]
    elif bits == 2:
        patterns = [1 << a | 1 << b for a in range(size) for b in range(a)]
    else:
        patterns = [1 << a for a in range(size)]
    for pattern in patterns:
        assert checksum((whole ^ pattern).to_bytes(size // 8, "big")) != good


def test_halt_line_of_the_page() -> None:
    """The one line that controllers recognise byte by byte."""
    assert encode(Line("N", 0, ("HALT",))) == b"N0 HALT*AA80\n"
    assert decode(b"N0 HALT*AA80").words == ("HALT",)


@pytest.mark.parametrize(
    ("distance", "speed", "acceleration", "expected_s"),
    [
        (100.0, 50.0, 100.0, 2.5),  # d/v + v/a, from rest to rest
        (25.0, 50.0, 100.0, 1.0),  # just reaches its speed: v/a twice
        (9.0, 50.0, 100.0, 0.6),  # 2 √(d/a)
    ],
)
def test_trapezoid_times(
    distance: float, speed: float, acceleration: float, expected_s: float
) -> None:
    """Uniformly accelerated motion: s = a t² / 2, v² = 2 a s (any textbook of mechanics)."""
    assert move_time_s(distance, speed, acceleration) == pytest.approx(expected_s, rel=1e-12)
    way = Trapezoid(distance, speed, acceleration)
    for share in (0.01, 0.1, 0.5, 0.9):
        t = share * expected_s
        ramp_s = way.peak_mm_s / acceleration
        if t < ramp_s:
            assert way.travelled_mm(t) == pytest.approx(0.5 * acceleration * t * t)
            assert way.speed_at(t) == pytest.approx(
                math.sqrt(2.0 * acceleration * way.travelled_mm(t))
            )
        assert way.travelled_mm(t) + way.travelled_mm(expected_s - t) == pytest.approx(distance)
