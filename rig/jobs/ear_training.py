"""`listen train` and `listen progress`: two taps of a plate, which is higher?"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from rig.model.ear import EarAnswer, EarWay, Side
from rig.model.errors import AnalysisError, UsageError
from rig.model.progress import Progress, silent

if TYPE_CHECKING:
    from rig.jobs.listening import Heard, HeardPlace
    from rig.tone.staircase import Threshold

MOST_TRIALS = 400
_FEWEST_TAPS = 6
_PAIRS = 4000
_NEAR = 12  # of the pairs nearest to the wanted difference one is drawn
_LEAST_SD_CENTS = 2.0
_EASIER = 3.0  # what `rig.tone.listening` widens a difference by

Ask = Callable[[int, "Heard"], Side | None]
Tell = Callable[["Question"], None]


@dataclass(frozen=True)
class Question:
    """One question as it was answered."""

    number: int
    heard: Heard
    answer: EarAnswer


@dataclass(frozen=True)
class Training:
    """A session. threshold None: too few answers, and `why` says so."""

    listener: str
    way: EarWay
    book: Path
    answers: tuple[EarAnswer, ...]
    threshold: Threshold | None
    why: str
    simulated: bool

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig listen train --json`."""
        return {
            "listener": self.listener,
            "way": self.way,
            "book": str(self.book),
            "questions": len(self.answers),
            "right": sum(answer.right for answer in self.answers),
            "threshold": _plain(self.threshold),
            "sentence": self.why if self.threshold is None else self.threshold.sentence,
            "simulated": self.simulated,
        }


@dataclass(frozen=True)
class Day:
    """A listener's answers of one day and one way of asking."""

    listener: str
    day: str
    way: EarWay
    questions: int
    right: int
    threshold: Threshold | None


@dataclass(frozen=True)
class EarProgress:
    """All days of a book by listener, and every listener over all days."""

    book: Path
    days: tuple[Day, ...]
    overall: tuple[Day, ...]
    faults: tuple[str, ...]
    picture: Path | None = None

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig listen progress --json`."""
        rows = {
            name: [vars(one) | {"threshold": _plain(one.threshold)} for one in days]
            for name, days in (("days", self.days), ("overall", self.overall))
        }
        picture = None if self.picture is None else str(self.picture)
        return {"book": str(self.book), **rows, "faults": list(self.faults), "picture": picture}


def train(
    folder: Path | str,
    *,
    listener: str,
    ask: Ask,
    tell: Tell = lambda _question: None,
    now: Callable[[], str],
    scan: str | None = None,
    way: EarWay = "taps",
    trials: int = 40,
    book: Path | None = None,
    seed: int | None = None,
    progress: Progress = silent,
) -> Training:
    """Ask which of two taps is higher, and again with a smaller or a larger difference.

    ask: lets both be heard and returns the answer, None to stop; tell: is given every question
    after it was answered; now: the time in UTC, ISO 8601. Every answer is in the book before the
    next question. Raises UsageError, AnalysisError where the scan has too few taps whose attack is
    known, and what `ask` raises.
    """
    from rig.archive.ear_book import add_answer, usual_book
    from rig.archive.plate_folder import PlateFolder
    from rig.tone.staircase import Staircase

    listener = listener.strip()
    if not listener:
        raise UsageError("Whose ear is it?", remedy="Say --name NAME.")
    if not 1 <= trials <= MOST_TRIALS:
        raise UsageError(f"{trials} questions are outside 1 to {MOST_TRIALS}.")
    with PlateFolder.open(folder) as opened:
        name, scan = opened.facts.name, scan or opened.latest_scan()
        simulated = bool(opened.origin(scan).get("simulated"))
    taps = _taps_with_attack(folder, scan, progress)
    book = book or usual_book()
    rng = np.random.default_rng(seed)
    stairs, answers = Staircase(), list[EarAnswer]()
    for number in range(1, trials + 1):
        heard, delta, sd = _question(folder, taps, way, stairs.level_cents, rng)
        said = ask(number, heard)
        if said is None:
            break
        first, second = heard.places[0].tap, heard.places[-1].tap
        answer = EarAnswer(now(), listener, name, scan, way, first, second, round(delta, 2),
                           round(sd, 2), said, simulated)  # fmt: skip
        add_answer(book, answer)
        answers.append(answer)
        tell(Question(number, heard, answer))
        stairs = stairs.answered(answer.right)
    found, why = _threshold(answers)
    return Training(listener, way, book, tuple(answers), found, why, simulated)


def ear_progress(
    book: Path | None = None,
    *,
    listener: str | None = None,
    picture: Path | None = None,
    progress: Progress = silent,
) -> EarProgress:
    """Thresholds day by day of one listener or of all in a book; picture: the class on one sheet.

    Raises FolderError without a book, UsageError for a listener who is not in it.
    """
    from rig.archive.ear_book import read_book, usual_book
    from rig.jobs.pictures import check_kind

    if picture is not None:
        check_kind(picture)
    book = book or usual_book()
    answers, faults = read_book(book)
    names = sorted({one.listener for one in answers})
    if listener is not None and listener not in names:
        raise UsageError(
            f"{listener} has not answered in this book.",
            where=str(book),
            remedy=f"There are: {', '.join(names)}." if names else "It is empty.",
        )
    groups: dict[tuple[str, str, EarWay], list[EarAnswer]] = defaultdict(list)
    whole: dict[tuple[str, str, EarWay], list[EarAnswer]] = defaultdict(list)
    for one in answers:
        if listener in (None, one.listener):
            groups[one.listener, one.day, one.way].append(one)
            whole[one.listener, "", one.way].append(one)
    days, overall = (
        tuple(
            Day(*key, len(mine), sum(one.right for one in mine), _threshold(mine)[0])
            for key, mine in sorted(found.items())
        )
        for found in (groups, whole)
    )
    made = EarProgress(book, days, overall, tuple(faults), picture)
    if picture is not None:
        from rig.jobs.pictures import saved
        from rig.report.ear_figure import ear_sheet

        sheet = ear_sheet(days, simulated=any(one.simulated for one in answers))
        saved(sheet, picture, progress)
    return made


def _threshold(answers: list[EarAnswer]) -> tuple[Threshold | None, str]:
    from rig.tone.staircase import threshold

    try:
        return threshold(
            [one.delta_cents for one in answers],
            [one.right for one in answers],
            [one.sd_cents for one in answers],
        ), ""
    except AnalysisError as few:
        return None, f"{few.what} {few.remedy}"


def _plain(found: Threshold | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "cents": round(found.cents, 1),
        "low_cents": round(found.low_cents, 1),
        "high_cents": round(found.high_cents, 1),
    }


def _taps_with_attack(folder: Path | str, scan: str, progress: Progress) -> list[HeardPlace]:
    """Good taps whose attack was read, once each."""
    from rig.jobs.listening import HeardPlace
    from rig.jobs.scan_readings import load_scan

    record = load_scan(folder, scan, progress)
    found = {
        strike.tap: HeardPlace(
            scan, record.face, strike.tap, strike.x_mm, strike.y_mm, read.quality,
            read.attack_hz, read.attack_sd_cents, read.tone_hz,
        )
        for strike in record.used_strikes()
        if (read := strike.reading) is not None and read.attack_hz and read.quality == "good"
    }  # fmt: skip
    if len(found) < _FEWEST_TAPS:
        raise AnalysisError(
            f"Only {len(found)} taps of {scan} can be asked about; {_FEWEST_TAPS} at least are "
            "needed.",
            where=str(folder),
            remedy="Name a scan with more good strikes.",
        )
    return list(found.values())


def _question(
    folder: Path | str,
    taps: list[HeardPlace],
    way: EarWay,
    level_cents: float,
    rng: np.random.Generator,
) -> tuple[Heard, float, float]:
    """Two sounds about `level_cents` apart: ready to hear, second above first, and its sd."""
    from rig.jobs.listening import Place, listen, moved

    if way == "moved":
        tap = taps[rng.integers(len(taps))]
        delta = level_cents * float(rng.choice([-1.0, 1.0]))
        return moved(folder, Place(tap.scan, tap.tap), delta), delta, 0.0
    pitch = np.array([1200.0 * np.log2(tap.attack_hz or 1.0) for tap in taps])
    sd = np.array([tap.attack_sd_cents or 0.0 for tap in taps])
    wider = _EASIER if way == "easy" else 1.0
    one, two = rng.integers(len(taps), size=(2, _PAIRS))
    apart = wider * (pitch[two] - pitch[one])
    usable = np.flatnonzero((one != two) & (np.abs(apart) > 0.5))
    off = np.abs(np.log(np.abs(apart[usable]) / level_cents))
    k = int(rng.choice(usable[np.argsort(off)[:_NEAR]]))
    places = [Place(taps[n].scan, taps[n].tap) for n in (one[k], two[k])]
    doubt = wider * max(float(np.hypot(sd[one[k]], sd[two[k]])), _LEAST_SD_CENTS)
    heard = listen(folder, places, "widened" if way == "easy" else "as recorded", gap_s=0.5)
    return heard, float(apart[k]), doubt
