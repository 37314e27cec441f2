"""Ring partials followed over all scans of a plate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.field.comparison import matched_partials
from rig.model.reading import RingPartial

FOLLOWED_DB = -40.0  # weaker partials come and go with the noise
_CENTS = 1200.0 / np.log(2.0)


@dataclass(frozen=True)
class Track:
    """One partial: for every scan (in order) what it was there, None where it was not heard."""

    partials: tuple[RingPartial | None, ...]

    @property
    def first(self) -> RingPartial:
        """Where it was first heard."""
        return next(p for p in self.partials if p is not None)

    def change_cents(self, scan: int) -> tuple[float, float] | None:
        """Against where it was first heard, with sd; None where it was not heard."""
        now, first = self.partials[scan], self.first
        if now is None:
            return None
        sd = 0.0 if now is first else float(np.hypot(now.sd_hz / now.hz, first.sd_hz / first.hz))
        return float(_CENTS * np.log(now.hz / first.hz)), _CENTS * sd


def followed(
    rings: Sequence[tuple[RingPartial, ...]], *, least_db: float = FOLLOWED_DB
) -> tuple[Track, ...]:
    """Follow partials from scan to scan, each against where it was last heard.

    Partners are each other's nearest within 60 cents, as in a comparison of two scans. Only
    partials heard in two scans at least are told; by the frequency at which they were first heard.
    """
    tracks: list[list[RingPartial | None]] = []
    for number, ring in enumerate(rings):
        strong = tuple(p for p in ring if p.level_db >= least_db)
        last = [next(p for p in reversed(track) if p is not None) for track in tracks]
        taken: set[int] = set()
        for pair in matched_partials(tuple(last), strong):
            which = next(
                k for k, p in enumerate(last) if p.hz == pair.before_hz and len(tracks[k]) == number
            )
            now = next(p for p in strong if p.hz == pair.after_hz)
            tracks[which].append(now)
            taken.add(id(now))
        for track in tracks:
            if len(track) == number:
                track.append(None)
        tracks += [[*[None] * number, p] for p in strong if id(p) not in taken]
    told = [Track(tuple(t)) for t in tracks if sum(p is not None for p in t) >= 2]
    return tuple(sorted(told, key=lambda track: track.first.hz))
