"""Begin a plate folder."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.model.errors import UsageError
from rig.model.progress import Progress, silent

if TYPE_CHECKING:
    from rig.model.plate_facts import Bar, PlateFacts


@dataclass(frozen=True)
class NewPlate:
    """The folder that was made."""

    plate: Path
    facts: PlateFacts

    def as_json(self) -> dict[str, Any]:
        """The JSON contract of `platerig new`; heights and bars only where they were given."""
        out: dict[str, Any] = {"plate": str(self.plate)}
        if self.facts.arch_heights_mm is not None:
            out["arch_heights_mm"] = [list(point) for point in self.facts.arch_heights_mm]
        if self.facts.bars is not None:
            out["bars"] = [asdict(bar) for bar in self.facts.bars]
        return out


def new_plate(
    folder: Path | str,
    outline_file: Path | str | None = None,
    *,
    name: str | None = None,
    instrument: str | None = None,
    wood: str | None = None,
    mass_g: float | None = None,
    mean_thickness_mm: float | None = None,
    arching_mm: float | None = None,
    temperature_c: float | None = None,
    humidity_percent: float | None = None,
    reference: str | None = None,
    notes: str | None = None,
    heights_file: Path | str | None = None,
    bars: Sequence[Bar | str] = (),
    progress: Progress = silent,
) -> NewPlate:
    """Make NAME.plate; whatever is not given is kept as unknown.

    heights_file: CSV of measured heights of the arch, x_mm,y_mm,height_mm; bars glued inside may
    be written as x1,y1,x2,y2,height,width. Raises UsageError for impossible values, OutlineError,
    PlateFactsError for heights and bars that cannot be, FolderError when there is one already.
    """
    del progress  # done at once
    from rig.archive.height_files import read_heights
    from rig.archive.naming import folder_path
    from rig.archive.outline_files import read_outline
    from rig.archive.plate_folder import PlateFolder
    from rig.model.glued_bars import bar_of_text, checked_bars
    from rig.model.plate_facts import PlateFacts

    _check_above("mean thickness", mean_thickness_mm, 0.0, "mm", allowed=False)
    _check_above("arching", arching_mm, 0.0, "mm", allowed=True)
    check_facts(mass_g, temperature_c, humidity_percent)
    outline = None if outline_file is None else read_outline(outline_file)
    heights = None if heights_file is None else read_heights(heights_file, outline)
    glued = [bar_of_text(bar) if isinstance(bar, str) else bar for bar in bars]
    checked_bars(glued, outline)
    path = folder_path(folder)
    facts = PlateFacts(
        name=name or path.stem,
        instrument=instrument,
        wood=wood.strip().lower() if wood else None,
        mass_g=mass_g,
        mean_thickness_mm=mean_thickness_mm,
        arching_mm=arching_mm,
        temperature_c=temperature_c,
        humidity_percent=humidity_percent,
        reference=reference,
        notes=notes,
        arch_heights_mm=heights,
        bars=tuple(glued) or None,
    )
    with PlateFolder.create(path, facts, outline) as made:
        return NewPlate(made.path, facts)


def check_facts(
    mass_g: float | None = None,
    temperature_c: float | None = None,
    humidity_percent: float | None = None,
) -> None:
    """Raise UsageError for a mass, temperature or humidity that cannot be."""
    _check_above("mass", mass_g, 0.0, "g", allowed=False)
    _check_above("temperature", temperature_c, -273.15, "°C", allowed=False)
    _check_above("humidity", humidity_percent, 0.0, "%", allowed=True)
    if humidity_percent is not None and humidity_percent > 100:
        raise UsageError(f"A humidity of {humidity_percent:g} % cannot be.")


def _check_above(name: str, value: float | None, least: float, unit: str, *, allowed: bool) -> None:
    if value is None:
        return
    if not math.isfinite(value) or value < least or (value == least and not allowed):
        raise UsageError(
            f"A {name} of {value:g} {unit} cannot be.", remedy="Leave it out if it is unknown."
        )
