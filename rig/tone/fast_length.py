"""Lengths that transform fast."""

from __future__ import annotations

import numpy as np


def fast_length(count: int) -> int:
    """Largest even number ≤ count with only the factors 2, 3 and 5; count ≥ 2."""
    best = 2
    power5 = 1
    while power5 <= count:
        power3 = power5
        while power3 * 2 <= count:
            best = max(best, power3 * 2 ** int(np.log2(count / power3)))
            power3 *= 3
        power5 *= 5
    return best
