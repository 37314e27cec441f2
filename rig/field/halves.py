"""Two cores where the work splits by itself: numpy lets go of the interpreter inside products."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

Item = TypeVar("Item")
Answer = TypeVar("Answer")
_WORKERS = 2  # most of the time goes into products that two cores saturate


def side_by_side(work: Callable[[Item], Answer], items: Iterable[Item]) -> list[Answer]:
    """Return `work` of every item, in order, two at a time; the first error is raised."""
    with ThreadPoolExecutor(_WORKERS) as pool:
        return list(pool.map(work, items))
