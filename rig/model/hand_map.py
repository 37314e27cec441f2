"""What a maker's own hand and ear found on a plate, on the plate frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from rig.model.frames import Face, PlateXY
from rig.model.units import FloatArray

HandKind = Literal["scratch", "marks", "judged", "pairs"]
HandUnit = Literal["cents", "z"]

HAND_KINDS: tuple[HandKind, ...] = ("scratch", "marks", "judged", "pairs")

# "Higher", "same" and "lower" as thirds of a normal distribution: the mean and the standard
# deviation of each third. With c the upper tertile and φ(c) the density there, the mean of the
# upper third is 3φ(c) and its variance 1 + 3cφ(c) − (3φ(c))²; of the middle third 1 − 6cφ(c).
THIRD_MEAN = 1.0908
THIRD_SD = 0.5292
MIDDLE_SD = 0.2456


@dataclass(frozen=True)
class HandMap:
    """A maker's findings on one face of a plate.

    places_mm: (n, 2) plate frame, whichever face is up; value: (n,) above 0 higher, below 0
    lower, in cents against the middle of the map (a scratch) or in standard deviations ("z": all
    that is only judged); sd: (n,) one standard deviation of each value; source: the file it came
    from; group: (n,) values compare only among places of the same number (pairs that no answer
    joins), all 0 elsewhere; notes: what the maker should know; simulated: a virtual hand.
    """

    places_mm: PlateXY
    value: FloatArray
    sd: FloatArray
    kind: HandKind
    source: str
    unit: HandUnit = "z"
    face: Face = "outer"
    group: tuple[int, ...] = ()
    notes: tuple[str, ...] = ()
    simulated: bool = False

    def __post_init__(self) -> None:
        """Refuse arrays that do not run in parallel: a mistake in the program, not the maker's."""
        n = len(self.places_mm)
        if self.places_mm.shape != (n, 2) or self.value.shape != (n,) or self.sd.shape != (n,):
            raise ValueError("places_mm, value and sd of a hand map must run in parallel")
        if not self.group:
            object.__setattr__(self, "group", (0,) * n)
        if len(self.group) != n:
            raise ValueError("every place of a hand map needs the number of its group")


@dataclass(frozen=True)
class Judgement:
    """One place called higher, same or lower than the plate at large. line: in the file."""

    x_mm: float
    y_mm: float
    answer: Literal["higher", "same", "lower"]
    line: int = 0


@dataclass(frozen=True)
class PairAnswer:
    """The first place called higher, same or lower than the second. line: in the file."""

    first_mm: tuple[float, float]
    second_mm: tuple[float, float]
    answer: Literal["higher", "same", "lower"]
    line: int = 0
