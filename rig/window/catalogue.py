"""Catalogues of translations: the plain PO files of the window, and numbers in a language."""

from __future__ import annotations

import ast
import string
from pathlib import Path
from typing import Any

Catalogue = dict[str, tuple[str, ...]]  # English text (of one) → its forms: one, or one and several

FOLDER = Path(__file__).with_name("languages")


def read_catalogue(language: str) -> Catalogue:
    """The catalogue `languages/LANGUAGE.po`: msgid, msgid_plural, msgstr, msgstr[0], msgstr[1].

    An entry without a translation is left out. Raises ValueError for a line that is none of these
    and for a text that stands there twice.
    """
    found: Catalogue = {}
    entry: dict[str, str] = {}
    part = ""
    path = FOLDER / f"{language}.po"

    def take() -> None:
        forms = tuple(text for key, text in sorted(entry.items()) if key.startswith("msgstr"))
        text = entry.get("msgid", "")
        if text in found:
            raise ValueError(f"{path.name}: “{text}” stands there twice.")
        if text and all(forms):
            found[text] = forms
        entry.clear()

    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
        line = line.strip()
        if not line or line.startswith("#"):
            continue
        if not line.startswith('"'):
            part, _, line = line.partition(" ")
            if part == "msgid":
                take()
        if not part.startswith("msg") or not line.startswith('"'):
            raise ValueError(f"{path.name}, line {number}: no line of a catalogue.")
        entry[part] = entry.get(part, "") + ast.literal_eval(line)
    take()
    return found


class Formatter(string.Formatter):
    """Fills values in; numbers that are not whole get the decimal sign of the language."""

    def __init__(self, sign: str) -> None:
        self._sign = sign

    def format_field(self, value: Any, format_spec: str) -> Any:
        """One value."""
        text = super().format_field(value, format_spec)
        if self._sign != "." and format_spec[-1:] in ("f", "g", "e"):
            return text.replace(".", self._sign)
        return text
