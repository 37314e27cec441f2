"""The verb `listen`: ear training on taps of real plates."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.cli.answer import SIMULATED_LINE, Answer, Speaker, number
from rig.cli.verb import FILE, contract_of, folder_argument, scan_option, verb
from rig.cli.verbs import job

if TYPE_CHECKING:
    from rig.jobs.ear_training import Question
    from rig.jobs.listening import Heard
    from rig.model.ear import Side

_KEYS: dict[str, Side | None] = {"1": "first", "2": "second", "q": None}
_WAYS = ("taps", "easy", "moved")


@click.group(
    "listen",
    short_help="Train the ear: two taps, which is higher?",
    context_settings={"help_option_names": ["-h", "--help"]},
)
def listen() -> None:
    """Ask an ear which of two taps is higher, find how small a difference it tells, keep count."""


def _book_option(function: Any) -> Any:
    return click.option(
        "--book", type=FILE, metavar="FILE.csv",
        help="Where the answers are kept; in the user's own data if left out.",
    )(function)  # fmt: skip


@verb(
    "train",
    "Ask which of two taps is higher, harder and harder.",
    example='platerig listen train maple-back.plate --name "Ida" --trials 40\n'
    "platerig listen train maple-back.plate --name Ida --way easy",
)
@folder_argument
@click.option("--name", "listener", required=True, help="Whose ear it is.")
@scan_option()
@click.option("--way", type=click.Choice(_WAYS), default="taps", show_default=True,
              help="taps as they are; easy: their difference enlarged; moved: one tap and the same "
              "moved in pitch, for differences that are known exactly.")  # fmt: skip
@click.option("--trials", type=click.IntRange(1, 400), default=40, show_default=True)
@_book_option
@click.option("--seed", type=int, help="Ask the same questions again.")
def train(folder: Path, progress: Any, machine: bool, **options: Any) -> Answer:
    """Ask which of two taps is higher: 1 or 2, r to hear them again, q to stop.

    Three right answers in a row make it harder, a wrong one easier. Every answer is kept at once.
    """

    def tell(question: Question) -> None:
        if machine:
            return
        answer = question.answer
        cents = f"{abs(answer.delta_cents):.0f} ± {answer.sd_cents:.0f} cents"
        way = "higher" if answer.delta_cents > 0 else "lower"
        verdict = "Right" if answer.right else "Not so"
        sys.stderr.write(f"  {verdict}: by its attack the second is {way}, {cents}.\n")

    contract = contract_of(
        job("listen train")(folder, ask=_ask, tell=tell, now=_now, progress=progress, **options)
    )

    def say(to: Speaker) -> None:
        if contract["simulated"]:
            to.line(SIMULATED_LINE)
        to.line(f"{contract['listener']}: {contract['sentence']}")
        to.line(f"Answers kept in {contract['book']}")

    return Answer(contract, say)


def _now() -> str:
    return f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}"


def _ask(question: int, heard: Heard) -> Side | None:
    """Let both be heard and take a key."""
    from rig.jobs.listening import play

    play(heard)
    while True:
        sys.stderr.write(f"{question}: which is higher, 1 or 2? (r: again, q: stop) ")
        sys.stderr.flush()
        line = sys.stdin.readline()
        key = line.strip().lower()
        if not line:  # the end of the input
            return None
        if key in _KEYS:
            return _KEYS[key]
        if key == "r":
            play(heard)


@verb(
    "progress",
    "Show how small a difference each ear tells, day by day.",
    example="platerig listen progress --book class.csv --picture class.pdf",
)
@_book_option
@click.option("--name", "listener", help="Only this one.")
@click.option("--picture", type=FILE, help="Draw the class on one sheet (png, svg or pdf).")
def progress_(progress: Any, machine: bool, **options: Any) -> Answer:
    """Show thresholds with their uncertainty, by listener, day and way of asking."""
    del machine
    contract = contract_of(job("listen progress")(progress=progress, **options))

    def say(to: Speaker) -> None:
        rows = [
            (
                one["listener"], one["day"], one["way"], str(one["questions"]), str(one["right"]),
                _range(one["threshold"]),
            )
            for one in contract["days"]
        ]  # fmt: skip
        rows += [
            (one["listener"], "all days", one["way"], str(one["questions"]), str(one["right"]),
             _range(one["threshold"]))
            for one in contract["overall"]
        ]  # fmt: skip
        to.table(("listener", "day", "way", "asked", "right", "told 3 of 4 times (cents)"), rows)
        to.lines(f"  Left out: {fault}" for fault in contract["faults"])
        if contract["picture"]:
            to.line(f"Picture: {contract['picture']}")

    return Answer(contract, say)


def _range(found: dict[str, float] | None) -> str:
    if found is None:
        return "too few answers"
    low, high = number(found["low_cents"]), number(found["high_cents"])
    return f"{number(found['cents'])} ({low} to {high})"


listen.add_command(train)
listen.add_command(progress_)

COMMANDS = (listen,)
