"""All texts pass through here, so that they can be translated; numbers as people type them."""

from __future__ import annotations

from PyQt5.QtCore import QCoreApplication


def tr(text: str) -> str:
    """The text in the user's language, English where there is no translation."""
    return QCoreApplication.translate("window", text)


def number(text: str, low: float, high: float) -> float | None:
    """A number typed with a decimal comma or point; None for anything else or out of range."""
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        return None
    return value if low <= value <= high else None


def signed(value: float, digits: int = 0) -> str:
    """`+12` or `−12`, with a true minus sign."""
    text = f"{value:+.{digits}f}"
    return text.lstrip("+-") if float(text) == 0 else text.replace("-", "−")


def mm(value: float) -> str:
    """Whole millimetres with a true minus sign."""
    return f"{round(value)}".replace("-", "−")


def duration(seconds: float) -> str:
    """`45 s`, `3 min 05 s`, `1 h 12 min`."""
    whole = round(seconds)
    if whole < 60:
        return tr("{0} s").format(whole)
    if whole < 3600:
        return tr("{0} min {1:02d} s").format(whole // 60, whole % 60)
    return tr("{0} h {1:02d} min").format(whole // 3600, whole % 3600 // 60)
