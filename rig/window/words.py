"""All texts pass through here, so that they can be translated; numbers as people write them."""

from __future__ import annotations

from typing import Any

from rig.window.catalogue import Catalogue, Formatter, read_catalogue

LANGUAGES = {"en": "English", "de": "Deutsch", "it": "Italiano"}

_now: dict[str, Any] = {"language": "en", "words": {}, "sign": "."}


def system_language() -> str:
    """The first of the system's languages that there is a catalogue for, English otherwise."""
    from PyQt5.QtCore import QLocale

    names = [name.split("-")[0].lower() for name in QLocale.system().uiLanguages()]
    return next((name for name in names if name in LANGUAGES), "en")


def use_language(wanted: str | None) -> str:
    """Speak this language from now on; None, or one there is no catalogue for: the system's.

    Texts that are on the screen stay as they are. Returns the language.
    """
    from PyQt5.QtCore import QLocale

    system = wanted not in LANGUAGES
    language = system_language() if system else str(wanted)
    words: Catalogue = {} if language == "en" else read_catalogue(language)
    locale = QLocale.system() if system else QLocale(language)
    _now.update(language=language, words=words, sign=str(locale.decimalPoint()))
    return language


def language() -> str:
    """The language that is spoken."""
    return str(_now["language"])


def tr(text: str, *values: object) -> str:
    """The text in the user's language, English where there is no translation; values filled in."""
    found = _now["words"].get(text, (text,))[0]
    return Formatter(_now["sign"]).format(found, *values) if values else found


def trn(one: str, many: str, count: int, *values: object) -> str:
    """The text for one or for several; {0} is the count."""
    forms = _now["words"].get(one, (one, many))
    return Formatter(_now["sign"]).format(forms[0 if count == 1 else -1], count, *values)


def later(text: str) -> str:
    """Marks a text in a table; it is translated where it is shown, by `known`."""
    return text


def known(text: str) -> str:
    """A text out of a table or from a job; as it is where there is no translation."""
    return str(_now["words"].get(text, (text,))[0])


def decimal(text: str) -> str:
    """A number written with a point, with the sign that is usual here."""
    return text.replace(".", str(_now["sign"]))


def number(text: str, low: float, high: float) -> float | None:
    """A number typed with a decimal comma or point; None for anything else or out of range."""
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        return None
    return value if low <= value <= high else None


def signed(value: float, digits: int = 0) -> str:
    """`+12` or `−12`, with a true minus sign."""
    text = decimal(f"{value:+.{digits}f}")
    return text.lstrip("+-") if round(value, digits) == 0 else text.replace("-", "−")


def mm(value: float) -> str:
    """Whole millimetres with a true minus sign."""
    return f"{round(value)}".replace("-", "−")


def duration(seconds: float) -> str:
    """`45 s`, `3 min 05 s`, `1 h 12 min`."""
    whole = round(seconds)
    if whole < 60:
        return tr("{0} s", whole)
    if whole < 3600:
        return tr("{0} min {1:02d} s", whole // 60, whole % 60)
    return tr("{0} h {1:02d} min", whole // 3600, whole % 3600 // 60)
