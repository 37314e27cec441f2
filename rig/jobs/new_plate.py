"""Begin a plate folder."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rig.model.errors import UsageError
from rig.model.progress import Progress, silent


@dataclass(frozen=True)
class NewPlate:
    """The folder that was made."""

    plate: Path

    def as_json(self) -> dict[str, Any]:
        """The JSON contract of `platerig new`."""
        return {"plate": str(self.plate)}


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
    progress: Progress = silent,
) -> NewPlate:
    """Make NAME.plate; whatever is not given is kept as unknown.

    Raises UsageError for impossible values, OutlineError, FolderError when there is one already.
    """
    del progress  # done at once
    from rig.archive.naming import folder_path
    from rig.archive.outline_files import read_outline
    from rig.archive.plate_folder import PlateFolder
    from rig.model.plate_facts import PlateFacts

    _check_above("mean thickness", mean_thickness_mm, 0.0, "mm", allowed=False)
    _check_above("arching", arching_mm, 0.0, "mm", allowed=True)
    check_facts(mass_g, temperature_c, humidity_percent)
    outline = None if outline_file is None else read_outline(outline_file)
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
    )
    with PlateFolder.create(path, facts, outline) as made:
        return NewPlate(made.path)


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
