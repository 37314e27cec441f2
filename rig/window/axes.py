"""Axes whose numbers are written as the language writes them."""

from __future__ import annotations

from typing import Any

import pyqtgraph as pg

from rig.window.words import decimal


class Axis(pg.AxisItem):
    """The language's decimal sign, and a true minus."""

    def tickStrings(self, values: Any, scale: float, spacing: float) -> list[str]:
        """As pyqtgraph does, in the user's writing."""
        return [decimal(text).replace("-", "−") for text in
                super().tickStrings(values, scale, spacing)]  # fmt: skip


def axes() -> dict[str, Axis]:
    """For a new plot."""
    return {side: Axis(side) for side in ("left", "bottom")}
