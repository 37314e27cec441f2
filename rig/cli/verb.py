"""What all verbs share: --json, --debug, an example in the help, progress, and the answer."""

from __future__ import annotations

import contextlib
import re
import sys
from collections.abc import Callable, Iterator
from functools import wraps
from pathlib import Path
from typing import Any

import click

from rig.cli.answer import Answer, Speaker, as_text

FOLDER = click.Path(path_type=Path, readable=False)  # the jobs' own errors say more
FILE = click.Path(path_type=Path, readable=False)
FACE = click.Choice(["outer", "inner"])
STRENGTH = click.Choice(["light", "firm"])
READING = click.Choice(["local", "attack", "contact", "rebound"])
TARGETS = {
    "flat": "flat", "smooth": "smooth graduation", "mirror": "mirror side",
    "other-face": "other face",
}  # fmt: skip

Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]


def verb(
    name: str, short: str, *, example: str
) -> Callable[[Callable[..., Answer]], click.Command]:
    """Make a click command of a function that returns an Answer.

    The function is given `progress`, a listener for the job's events, and `machine`, whether
    JSON was asked for.
    """

    def make(function: Callable[..., Answer]) -> click.Command:
        @wraps(function)
        def call(*, json_: bool, debug: bool, **options: Any) -> int:
            del debug  # looked at where failures are caught
            with _listener(quiet=json_) as progress:
                answer = function(progress=progress, machine=json_, **options)
            if json_:
                sys.stdout.write(as_text(answer.contract) + "\n")
            else:
                answer.say(Speaker())
            return answer.status

        call = click.option("--debug", is_flag=True, help="Show the traceback of a failure.")(call)
        call = click.option(
            "--json", "json_", is_flag=True, help="Write JSON for machines, and nothing else."
        )(call)
        epilog = "\b\nExample:\n" + "\n".join(f"  {line}" for line in example.splitlines())
        return click.command(name, short_help=short, epilog=epilog)(call)

    return make


@contextlib.contextmanager
def _listener(*, quiet: bool) -> Iterator[Any]:
    from rig.cli.watch import Watch
    from rig.model.progress import silent

    if quiet:
        yield silent
        return
    with Watch() as watch:
        yield watch


def folder_argument(function: Callable[..., Any]) -> Callable[..., Any]:
    """Add the argument NAME.plate."""
    return click.argument("folder", metavar="NAME.plate", type=FOLDER)(function)


def scan_option(help_text: str = "Which scan; the latest if left out.") -> Decorator:
    """Add the option --scan."""
    return click.option("--scan", metavar="S0001", help=help_text)


def reading_option(function: Callable[..., Any]) -> Callable[..., Any]:
    """Add the option --reading."""
    return click.option(
        "--reading", type=READING, help="What is mapped; local where the scan allows it."
    )(function)


def _target(text: str | None) -> str | None:
    """A target by its short name, in full; a scan or a file stays as it is."""
    if text is None or text in TARGETS:
        return None if text is None else TARGETS[text]
    if re.fullmatch(r"[Ss]\d{4,}|.+\.[Cc][Ss][Vv]", text):
        return text
    more = "an earlier scan such as S0001, or a file NAME.csv"
    raise click.BadParameter(f"'{text}' is none of {', '.join(TARGETS)}, {more}.")


def target_option(function: Callable[..., Any]) -> Callable[..., Any]:
    """Add the option --target."""
    return click.option(
        "--target",
        callback=lambda _c, _o, text: _target(text),
        metavar="NAME|S0001|FILE.csv",
        help="What even means: flat, smooth (a smooth graduation), mirror (the other side), "
        "other-face, an earlier scan, or a drawn profile (x_mm,y_mm,target_cents). Left out: flat "
        "for attack, smooth otherwise.",
    )(function)


def start_option(function: Callable[..., Any]) -> Callable[..., Any]:
    """Add the option --start, two numbers in mm of the plate frame."""

    def place(_context: Any, _option: Any, text: str | None) -> tuple[float, float] | None:
        if text is None:
            return None
        try:
            x, y = (float(part) for part in text.split(","))
        except ValueError:
            wrong = f"'{text}' is no place; write X,Y in mm, such as -10,180."
            raise click.BadParameter(wrong) from None
        return x, y

    return click.option(
        "--start",
        callback=place,
        metavar="X,Y",
        help="Begin the work order here (mm, plate frame) and not at the spot that was found.",
    )(function)


def check_kind(picture: Path) -> None:
    """Refuse an unknown kind of picture before the long work, not after it."""
    if picture.suffix.lower() not in (".png", ".svg", ".pdf"):
        raise click.BadParameter(f"{picture}: let the name end in .png, .svg or .pdf.")


def contract_of(result: Any) -> dict[str, Any]:
    """Return the JSON contract of a job's result."""
    contract: dict[str, Any] = result.as_json()
    return contract


def refuse_named(*names: str, needs: str) -> None:
    """Options that the user named and that go with another choice only."""
    from click.core import ParameterSource

    context = click.get_current_context()
    for parameter in context.command.params:
        source = context.get_parameter_source(parameter.name or "")
        if parameter.name in names and source is ParameterSource.COMMANDLINE:
            raise click.UsageError(f"{parameter.opts[0]} goes with {needs} only.")
