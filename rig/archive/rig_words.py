"""What a word template of a plain board may be: one line of plain text with known fields."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from rig.devices.rs274_lines import fields_of
from rig.model.rig_settings import Rs274Settings

LONGEST = 80


def several(value: Any) -> Any:
    """One text stands for a list of one."""
    return [value] if isinstance(value, str) else value


def sendable(text: str) -> str:
    """A single character, or one line of printable ASCII without a line end."""
    if len(text) == 1 and text.isascii() and text not in "\r\n":
        return text
    if not text.strip() or len(text) > LONGEST or not (text.isascii() and text.isprintable()):
        raise ValueError(
            f"should be one character, or one line of at most {LONGEST} plain characters"
        )
    fields_of(text)
    return text


def with_fields(needed: set[str], allowed: set[str] | None = None) -> Callable[[str], str]:
    """A check that a template has the fields it needs and no unknown ones."""
    known = needed | (allowed or set())

    def check(text: str) -> str:
        found = fields_of(text)
        if not needed <= found <= known:
            wanted = " and ".join(f"{{{name}}}" for name in sorted(needed))
            raise ValueError(f"should hold {wanted}{_and_perhaps(allowed)} and no other braces")
        return text

    return check


def _and_perhaps(allowed: set[str] | None) -> str:
    names = " or ".join(f"{{{name}}}" for name in sorted(allowed or ()))
    return f", perhaps {names}," if names else ""


def with_dwell(text: str) -> str:
    """A dwell tells its length in one unit."""
    if fields_of(text) not in ({"seconds"}, {"milliseconds"}):
        raise ValueError("should hold {seconds} or {milliseconds} and no other braces")
    return text


def impossible_words(words: Rs274Settings | None) -> list[str]:
    """What the words of a plain board do not allow together; None: the section is missing."""
    section = "[controller.rs274]"
    if words is None or not words.halt:
        return [
            f"“halt” is missing in {section}: a plain board has no common word for it. Enter the "
            'character or word that stops yours at once, such as halt = "\\u0018".'
        ]
    wrong = []
    for name in ("start", "home", "arrived", "position", "pulse_on", "pulse_off", "halt", "clear"):
        value = getattr(words, name)
        for text in (value,) if isinstance(value, str) else value or ():
            if fields_of(text):
                wrong.append(f"“{name}” in {section} may hold no braces: {text!r}.")
            elif name in ("arrived", "pulse_on", "pulse_off") and len(text) == 1:
                wrong.append(f"“{name}” in {section} must be a line that the board acknowledges.")
    if words.pulse_on == words.pulse_off:
        wrong.append(f"“pulse_on” and “pulse_off” in {section} are the same.")
    elsewhere = (*words.start, *words.home, *words.clear, words.arrived)
    if words.pulse_on in elsewhere:
        wrong.append(f"“pulse_on” in {section} also stands where the hammer must stay off.")
    dwell = words.dwell.format(seconds="0.012345", milliseconds="12.345")
    size = sum(len(line) + 1 for line in (dwell, words.pulse_on, dwell, words.pulse_off))
    if size > words.bytes_in_flight:
        wrong.append(
            f"A pulse and the dwell ahead of it need {size} bytes and must go out in one piece; "
            f"bytes_in_flight in {section} is {words.bytes_in_flight}."
        )
    return wrong
