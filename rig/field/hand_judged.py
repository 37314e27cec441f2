"""Places called higher, same or lower, by click or by chalk, as values on the plate frame."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rig.field.hand_pairs import SAME_SPOT_MM
from rig.model.errors import AnalysisError
from rig.model.frames import Face, PlateXY
from rig.model.hand_map import (
    MIDDLE_SD,
    THIRD_MEAN,
    THIRD_SD,
    HandKind,
    HandMap,
    Judgement,
)

_WORTH = {
    "higher": (THIRD_MEAN, THIRD_SD),
    "same": (0.0, MIDDLE_SD),
    "lower": (-THIRD_MEAN, THIRD_SD),
}


def judged_map(
    judgements: Sequence[Judgement],
    *,
    source: str,
    kind: HandKind = "judged",
    face: Face = "outer",
    notes: Sequence[str] = (),
    simulated: bool = False,
) -> HandMap:
    """The hand map of judged places; answers on one spot are averaged.

    "Higher" stands for the upper third of the plate, "lower" for the lower third, "same" for the
    middle third: the value is the mean of that third of a normal distribution, the sd its width.
    Raises AnalysisError where nothing is judged.
    """
    if not judgements:
        raise AnalysisError("No place is judged.", where=source, remedy="Mark some places first.")
    spots: list[list[Judgement]] = []
    for one in judgements:
        for spot in spots:
            if np.hypot(one.x_mm - spot[0].x_mm, one.y_mm - spot[0].y_mm) < SAME_SPOT_MM:
                spot.append(one)
                break
        else:
            spots.append([one])
    said = list(notes)
    split = [s for s in spots if {"higher", "lower"} <= {one.answer for one in s}]
    if split:
        where = ", ".join(f"x {s[0].x_mm:.0f}, y {s[0].y_mm:.0f} mm" for s in split[:3])
        said.append(
            f"{len(split)} place{'s were' if len(split) > 1 else ' was'} called higher as well "
            f"as lower ({where}): counted between, and doubtful."
        )
    values, sds = [], []
    for spot in spots:
        worth = np.array([_WORTH[one.answer] for one in spot])
        values.append(worth[:, 0].mean())
        own = float(np.mean(worth[:, 1] ** 2)) / len(spot)
        sds.append(np.sqrt(own + worth[:, 0].var() / len(spot)))
    return HandMap(
        places_mm=PlateXY(np.array([(s[0].x_mm, s[0].y_mm) for s in spots])),
        value=np.array(values),
        sd=np.array(sds),
        kind=kind,
        source=source,
        face=face,
        notes=tuple(said),
        simulated=simulated,
    )
