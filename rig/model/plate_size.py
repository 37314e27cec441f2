"""How large a plate is against a violin's, for lengths that were set on violin plates."""

from __future__ import annotations

import numpy as np

from rig.model.outline import Outline

_VIOLIN_MM2 = 54_000.0
_SAME_SIZE = 1.25  # up to large violas


def times_violin(outline: Outline) -> float:
    """How many times larger than a violin plate, in length; 1 for all up to a large viola."""
    times = float(np.sqrt(outline.area_mm2 / _VIOLIN_MM2))
    return times if times > _SAME_SIZE else 1.0
