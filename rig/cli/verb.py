"""What all verbs share: --json, --debug, an example in the help, progress, and the answer."""

from __future__ import annotations

import contextlib
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
TARGET = click.Choice(["flat", "smooth"])
TARGET_NAMES = {"flat": "flat", "smooth": "smooth graduation", None: None}

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


def target_option(function: Callable[..., Any]) -> Callable[..., Any]:
    """Add the option --target."""
    return click.option(
        "--target",
        type=TARGET,
        help="What even means: flat, the same everywhere, or smooth, a smooth graduation.",
    )(function)


def check_kind(picture: Path) -> None:
    """Refuse an unknown kind of picture before the long work, not after it."""
    if picture.suffix.lower() not in (".png", ".svg", ".pdf"):
        raise click.BadParameter(f"{picture}: let the name end in .png, .svg or .pdf.")


def contract_of(result: Any) -> dict[str, Any]:
    """Return the JSON contract of a job's result."""
    contract: dict[str, Any] = result.as_json()
    return contract
