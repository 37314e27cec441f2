"""Lines of the controller protocol."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.devices.lines import (
    MAX_LINE_BYTES,
    Line,
    LineError,
    LineSplitter,
    checksum,
    decode,
    encode,
    word_value,
)

WORD = st.from_regex(r"[A-Z][A-Z0-9.\-]{0,8}", fullmatch=True)
LINES = st.builds(
    Line, st.sampled_from("NARE"), st.integers(0, 65_535), st.lists(WORD, max_size=6).map(tuple)
)


def test_checksum_has_the_catalogue_check_value() -> None:
    # CRC-16/IBM-3740, also called CRC-16/CCITT-FALSE: check value over "123456789", as in the
    # catalogue of parametrised CRC algorithms (reveng.sourceforge.io/crc-catalogue).
    assert checksum(b"123456789") == 0x29B1


@given(LINES)
def test_what_is_written_is_read(line: Line) -> None:
    data = encode(line)
    assert len(data) <= MAX_LINE_BYTES
    assert decode(data.rstrip(b"\n")) == line


@given(LINES, st.integers(0, 10**6), st.integers(1, 255))
def test_one_changed_byte_is_noticed(line: Line, place: int, change: int) -> None:
    data = bytearray(encode(line)[:-1])
    data[place % len(data)] ^= change
    with pytest.raises(LineError):
        decode(bytes(data))


@pytest.mark.parametrize(
    "line",
    [
        Line("Q", 1, ("HOME",)),
        Line("N", 70_000, ("HOME",)),
        Line("N", 1, ("TWO WORDS",)),
        Line("N", 1, ("STAR*",)),
        Line("N", 1, ("",)),
        Line("N", 1, ("X" * 100,)),
    ],
)
def test_what_breaks_the_rules_is_not_written(line: Line) -> None:
    with pytest.raises(LineError):
        encode(line)


def test_numbers_behind_letters() -> None:
    words = ("STRIKE", "U3000", "X-1.25", "OK")
    assert word_value(words, "U") == 3000
    assert word_value(words, "X") == -1.25
    assert word_value(words, "S") is None  # STRIKE is a name, no S word
    assert word_value(words, "F") is None


@pytest.mark.parametrize("word", ["X1e5", "X--1", "X1.2.3", "X1.23456", "X0x10", "X+1", "X1,5"])
def test_no_plain_number_is_refused(word: str) -> None:
    with pytest.raises(LineError):
        word_value((word,), "X")


@given(st.lists(LINES, max_size=5), st.integers(1, 7))
def test_lines_come_whole_out_of_any_pieces(lines: list[Line], size: int) -> None:
    stream = b"".join(encode(line) for line in lines)
    splitter = LineSplitter()
    found = []
    for start in range(0, len(stream), size):
        found += splitter.feed(stream[start : start + size])
    assert [decode(raw or b"") for raw in found] == lines


def test_overlong_line_is_dropped_whole_and_the_next_one_heard() -> None:
    good = encode(Line("N", 3, ("HOME",)))
    found = LineSplitter().feed(b"x" * 500 + b"\n" + b"\r\n\n" + good)
    assert found == [None, good.rstrip(b"\n")]
