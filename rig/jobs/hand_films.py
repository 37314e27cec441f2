"""Films: a video file, or a folder of pictures with times.csv (`file,time_s`)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.model.errors import PictureError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Picture = NDArray[np.uint8]

TIMES_NAME = "times.csv"
_FEWEST = 30
_KEPT = 15
_LONGEST_S = 1200.0


@dataclass(frozen=True)
class Film:
    """pictures: of a folder, in order, with their times; empty for a video file."""

    path: Path
    pictures: tuple[tuple[Path, float], ...] = ()

    @property
    def raw(self) -> list[tuple[Path, str]]:
        """Every file that belongs to the film, and its name in the record."""
        if not self.pictures:
            return [(self.path, self.path.name)]
        files = [self.path / TIMES_NAME, *(path for path, _ in self.pictures)]
        return [(path, f"film/{path.relative_to(self.path).as_posix()}") for path in files]

    def frames(self) -> Iterator[tuple[float, Picture]]:
        """Time in s and picture, one after the other; raises PictureError."""
        for time_s, take in self._steps():
            picture = take()
            if picture is not None:
                yield time_s, picture

    def sample(self, count: int = _KEPT) -> tuple[list[Picture], int]:
        """About `count` pictures spread evenly over the film, and how many it has in all.

        The number of pictures that a video file claims to hold is often wrong: it is counted.
        """
        found: list[tuple[int, Picture]] = []
        every, total = 1, 0
        for number, (_, take) in enumerate(self._steps()):
            total = number + 1
            if number % every:
                continue
            picture = take()
            if picture is None:
                continue
            found.append((number, picture))
            if len(found) >= 2 * count:
                every *= 2
                found = [one for one in found if one[0] % every == 0]
        if total < _FEWEST:
            raise PictureError(
                f"The film has only {total} pictures.",
                where=str(self.path),
                remedy="Film the whole scratch, 15 pictures a second or more.",
            )
        return [picture for _, picture in found], total

    def _steps(self) -> Iterator[tuple[float, Any]]:
        """Time of each picture, and a function that decodes it."""
        if self.pictures:
            from rig.jobs.locate import read_picture

            for path, time_s in self.pictures:
                yield time_s, lambda path=path: read_picture(path)
            return
        import cv2

        video = cv2.VideoCapture(str(self.path))
        try:
            if not video.isOpened():
                raise PictureError(
                    "This film cannot be opened: no video, or of a kind that is not known.",
                    where=str(self.path),
                    remedy="Give an MP4, AVI or MOV file, or a folder of pictures with times.csv.",
                )
            fps = float(video.get(cv2.CAP_PROP_FPS))
            number, last = 0, -1.0
            while video.grab():
                time_s = float(video.get(cv2.CAP_PROP_POS_MSEC)) / 1000.0
                if time_s <= last and fps > 0.0:  # some containers tell no times
                    time_s = last + 1.0 / fps
                number, last = number + 1, time_s
                if time_s > _LONGEST_S:
                    raise PictureError(
                        f"The film is longer than {_LONGEST_S / 60.0:.0f} minutes.",
                        where=str(self.path),
                        remedy="Cut it to the scratch itself, or film one part after the other.",
                    )

                def take() -> Any:
                    good, picture = video.retrieve()
                    return picture if good else None

                yield time_s, take
        finally:
            video.release()


def film_of(path: Path | str) -> Film:
    """A film by its path; raises PictureError for what is none."""
    path = Path(path)
    if path.is_file():
        return Film(path)
    if not path.is_dir():
        raise PictureError("There is no film here.", where=str(path), remedy="Check the path.")
    from rig.archive.csv_tables import TableError, read_table

    table_path = path / TIMES_NAME
    remedy = f"Lay {TIMES_NAME} beside the pictures: file,time_s, a line for each."
    try:
        table = read_table(table_path, ("file", "time_s"))
        if table.faults:
            line, reason = table.faults[0]
            raise TableError(f"line {line} holds {reason}")
        found = []
        for row in table.rows:
            try:
                found.append((row.text("file"), row.number("time_s")))
            except TableError as problem:
                raise TableError(f"line {row.line}: {problem}") from None
    except TableError as problem:
        raise PictureError(
            f"The times of the pictures cannot be read: {problem}.",
            where=str(table_path),
            remedy=remedy,
        ) from None
    missing = [name for name, _ in found if not name or not (path / name).is_file()]
    outside = [name for name, _ in found if not _inside(path, path / name)]
    if missing or outside:
        raise PictureError(
            f"{len(missing or outside)} pictures named in {TIMES_NAME} are not in the folder, "
            f"the first “{(missing or outside)[0]}”.",
            where=str(path),
            remedy=remedy,
        )
    times = [time_s for _, time_s in found]
    if any(b <= a for a, b in pairwise(times)):
        raise PictureError(
            f"The times in {TIMES_NAME} do not grow from line to line.",
            where=str(table_path),
            remedy=remedy,
        )
    if len(found) < _FEWEST:
        raise PictureError(
            f"The film has only {len(found)} pictures.",
            where=str(path),
            remedy="Film the whole scratch, 15 pictures a second or more.",
        )
    return Film(path, tuple((path / name, time_s) for name, time_s in found))


def _inside(folder: Path, path: Path) -> bool:
    return path.resolve().is_relative_to(folder.resolve())
