"""The command line: `platerig VERB …`. Thin on purpose: every verb is one function of `rig.jobs`.

Only click and small modules load at start; numpy and the rest come with the verb that needs them.
"""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Sequence
from difflib import get_close_matches

import click

from rig import __version__
from rig.cli.answer import as_text
from rig.cli.commands import (
    analysis,
    bench,
    calibration,
    checks,
    decision,
    folder,
    hand,
    hearing,
    keeping,
    listen,
    modes,
    planning,
    reporting,
    window,
)
from rig.model.errors import PlaterigError

VERB_ORDER = (
    "new", "window", "devices", "check", "locate", "plan", "scan", "gather", "read", "scratch",
    "map", "zones", "thickness", "preview", "compare", "history", "distinct", "hand", "listen",
    "modes", "report", "export", "pack", "unpack", "shelf", "calibrate",
)  # fmt: skip


class Verbs(click.Group):
    """Lists the verbs in the order of the work and names the nearest one after a slip."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return [verb for verb in VERB_ORDER if verb in self.commands]

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and not args[0].startswith("-") and self.get_command(ctx, args[0]) is None:
            near = get_close_matches(args[0], self.commands, n=1)
            hint = f" Did you mean '{near[0]}'?" if near else " See: platerig --help"
            raise click.UsageError(f"There is no verb '{args[0]}'.{hint}", ctx)
        return super().resolve_command(ctx, args)


@click.group(
    cls=Verbs,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Exit status: 0 done, 1 a problem was found, 2 wrong usage, 3 a device failed. "
    "'platerig VERB --help' shows an example.",
)
@click.version_option(__version__, prog_name="platerig")
def platerig() -> None:
    """Tap a violin plate all over and map where it still sounds too high."""


for _group in (
    folder,
    checks,
    bench,
    planning,
    hearing,
    analysis,
    decision,
    hand,
    listen,
    modes,
    reporting,
    calibration,
    keeping,
    window,
):
    for _command in _group.COMMANDS:
        platerig.add_command(_command)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and end the process with the status it earned."""
    for stream in (sys.stdout, sys.stderr):  # a terminal without ± must not stop a scan
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    sys.exit(run(list(sys.argv[1:] if arguments is None else arguments)))


def run(arguments: list[str]) -> int:
    """Run one call; return its exit status. Never shows a bare traceback unless --debug asks."""
    machine = "--json" in arguments
    try:
        status = platerig.main(args=arguments, prog_name="platerig", standalone_mode=False)
        sys.stdout.flush()
        return int(status or 0)
    except click.exceptions.Exit as end:
        return end.exit_code
    except click.ClickException as problem:
        return _say_usage(problem, machine)
    except PlaterigError as problem:
        return _say_problem(problem, machine)
    except (KeyboardInterrupt, click.Abort):
        return _tell(
            "Interrupted.",
            "",
            "Everything stored so far is kept; an unfinished scan goes on with: "
            "platerig scan FOLDER --resume",
            machine,
            status=1,
        )
    except BrokenPipeError:  # the reader (head, less) went away: no complaint
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except PermissionError as problem:
        return _tell(
            f"The system refused: {problem.strerror or problem}.",
            str(problem.filename or ""),
            "Ask for the right to read and write there, or work on a copy of your own.",
            machine,
            status=1,
        )
    except Exception as surprise:
        if "--debug" in arguments:
            raise
        return _say_surprise(surprise, machine)


def _say_usage(problem: click.ClickException, machine: bool) -> int:
    context = getattr(problem, "ctx", None)
    path = context.command_path if context is not None else "platerig"
    return _tell(problem.format_message(), path, f"See: {path} --help", machine, status=2)


def _say_problem(problem: PlaterigError, machine: bool) -> int:
    status = problem.exit_status
    return _tell(problem.what, problem.where, problem.remedy, machine, status=status)


def _say_surprise(surprise: Exception, machine: bool) -> int:
    from rig.cli.log_file import keep_traceback

    log = keep_traceback(surprise)
    where = f"written to {log}" if log else "could not be written to a file"
    return _tell(
        f"Something went wrong inside platerig: {type(surprise).__name__}: {surprise}",
        "",
        f"What was stored before is kept. The details were {where}; add --debug to see them here, "
        "and please send them to the makers of platerig.",
        machine,
        status=1,
    )


def _tell(what: str, where: str, remedy: str, machine: bool, *, status: int) -> int:
    """One problem in plain sentences on standard error, and as JSON where that was asked for."""
    sys.stderr.write(f"{what}\n")
    if where:
        sys.stderr.write(f"  Where: {where}\n")
    if remedy:
        sys.stderr.write(f"  What to do: {remedy}\n")
    if machine:
        error = {"what": what, "where": where, "remedy": remedy}
        sys.stdout.write(as_text({"error": error}) + "\n")
        sys.stdout.flush()
    return status


if __name__ == "__main__":
    main()
