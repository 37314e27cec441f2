"""One question of ear training and its answer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

EarWay = Literal["taps", "easy", "moved"]
Side = Literal["first", "second"]


@dataclass(frozen=True)
class EarAnswer:
    """Which of two sounds was called higher.

    way: two taps of a plate as they are; easy, with their difference made larger; moved, one tap
    and the same moved in pitch. delta_cents: second above first, as it was heard; sd_cents: how
    well that is known.
    """

    utc: str
    listener: str
    plate: str
    scan: str
    way: EarWay
    first_tap: int
    second_tap: int
    delta_cents: float
    sd_cents: float
    answer: Side
    simulated: bool = False  # the plate is one of the virtual rig

    @property
    def right(self) -> bool:
        """Whether the higher one was named."""
        return (self.answer == "second") == (self.delta_cents > 0.0)

    @property
    def day(self) -> str:
        """The date in UTC."""
        return self.utc[:10]
