"""Guided capture for `calibrate lens`: what each picture brings, and what is still lacking."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.model.errors import CameraError, StorageFullError, UsageError
from rig.model.progress import Progress, ProgressEvent, silent

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from rig.calibrate.lens_coverage import Coverage
    from rig.devices.roles import Camera

_MOST_FRAMES = 3000  # ten minutes at five looks a second


@dataclass(frozen=True)
class Advice:
    """After one picture: whether it counts, why not, and the coverage up to here."""

    name: str
    used: bool
    why: str
    coverage: Coverage

    @property
    def words(self) -> str:
        """One line for the person who holds the sheet."""
        what = f"{self.name}: taken." if self.used else f"{self.name}: not taken, {self.why}."
        lacking = self.coverage.lacking()
        return f"{what} Next: {lacking[0]}." if lacking else f"{what} Enough."


@dataclass(frozen=True)
class Captured:
    """The pictures stored, and what they still lack."""

    pictures: tuple[Path, ...]
    coverage: Coverage

    def as_json(self) -> dict[str, Any]:
        """Plain JSON."""
        return {
            "pictures": [str(p) for p in self.pictures],
            "complete": self.coverage.complete,
            "covered": round(self.coverage.covered, 3),
            "tilts": sorted(self.coverage.tilts),
            "lacking": list(self.coverage.lacking()),
        }


def advise(
    pictures: Iterable[tuple[str, NDArray[np.uint8]]], paper: str = "a4"
) -> Iterator[Advice]:
    """Say of each picture, as it comes, what it brings: for a camera's stream or a folder.

    pictures: names and (rows, columns[, 3]) arrays. Raises UsageError where sizes differ.
    """
    from rig.calibrate.charuco import find_sheet
    from rig.calibrate.lens_coverage import no_views, with_view

    coverage: Coverage | None = None
    for name, picture in pictures:
        grey = picture if picture.ndim == 2 else picture[..., 1]
        size = (grey.shape[1], grey.shape[0])
        coverage = coverage or no_views(size)
        if size != coverage.size_px:
            raise UsageError(
                f"{name} has {size[0]} × {size[1]} pixels, others {coverage.size_px[0]} × "
                f"{coverage.size_px[1]}.",
                where=name,
                remedy="All pictures must come from one camera at one setting.",
            )
        seen = find_sheet(grey.copy(), paper, name)
        if isinstance(seen, str):
            why = seen.removeprefix(f"{name}: ").rstrip(".")
            yield Advice(name, False, why, coverage)
            continue
        coverage, counts = with_view(coverage, seen)
        yield Advice(name, counts, "" if counts else "it is like an earlier one", coverage)


def write_coverage(coverage: Coverage, out: Path | str) -> Path:
    """Write the map of coverage as a PNG. Raises UsageError, StorageFullError."""
    import cv2

    from rig.calibrate.lens_coverage import coverage_picture

    path = Path(out)
    if path.suffix.lower() != ".png":
        raise UsageError("The map of coverage is a PNG.", where=str(out), remedy="Name it .png.")
    _, packed = cv2.imencode(".png", coverage_picture(coverage))
    try:
        path.write_bytes(packed.tobytes())
    except OSError as problem:
        raise StorageFullError(
            f"The map of coverage could not be written: {problem.strerror or problem}.",
            where=str(path),
            remedy="Choose a place of your own.",
        ) from problem
    return path


def capture(
    camera: Camera,
    out: Path | str,
    *,
    paper: str = "a4",
    coverage_png: Path | str | None = None,
    most_frames: int = _MOST_FRAMES,
    stop_wanted: Callable[[], bool] = lambda: False,
    progress: Progress = silent,
) -> Captured:
    """Look through an open camera until nothing lacks; pictures that count are stored in `out`.

    The map of coverage is written anew after each. Raises CameraError where no picture counts.
    """
    import cv2

    folder = Path(out)
    folder.mkdir(parents=True, exist_ok=True)
    stored: list[Path] = []
    last: NDArray[np.uint8] | None = None

    def stream() -> Iterator[tuple[str, NDArray[np.uint8]]]:
        nonlocal last
        for number in range(most_frames):
            if stop_wanted():
                return
            last = camera.frame().pixels
            yield f"picture {number + 1}", last

    coverage: Coverage | None = None
    for advice in advise(stream(), paper):
        coverage = advice.coverage
        if advice.used and last is not None:
            path = folder / f"lens-{len(stored) + 1:02d}.png"
            _, packed = cv2.imencode(".png", last)
            path.write_bytes(packed.tobytes())
            stored.append(path)
            if coverage_png is not None:
                write_coverage(coverage, coverage_png)
        lacking = len(coverage.lacking())
        progress(ProgressEvent(advice.words, len(stored), len(stored) + lacking))
        if coverage.complete:
            break
    if coverage is None or not stored:
        raise CameraError(
            "The sheet was not seen in any picture.",
            where="camera",
            remedy="Hold the printed sheet flat before the camera, in good light.",
        )
    return Captured(tuple(stored), coverage)


def capture_of_rig(
    rig: Path | str,
    out: Path | str,
    *,
    paper: str = "a4",
    coverage_png: Path | str | None = None,
    progress: Progress = silent,
) -> Captured:
    """The same through the camera of a rig file. The gantry stays where it is."""
    from rig.jobs.compose import compose

    made = compose(rig_file=rig)
    with closing(made.camera):
        made.camera.open()
        return capture(made.camera, out, paper=paper, coverage_png=coverage_png, progress=progress)
