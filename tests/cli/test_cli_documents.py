"""The documents say what is true: their commands exist, their examples run, their paths are there.

Fenced blocks marked `sh` in the README are run in order in an empty folder, word for word. All
other blocks are parsed as far as click parses them; code in running text is looked up by verb and
option.
"""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from rig.cli.main import VERB_ORDER, platerig, run

ROOT = Path(__file__).parents[2]
DOCUMENTS = sorted(
    ROOT / name
    for pattern in (
        "README.md", "DEVELOPERS.md", "demo/README.md", "tests/README.md", "calibration/*.md",
        "firmware_notes/**/*.md",
    )
    for name in (path.relative_to(ROOT) for path in ROOT.glob(pattern))
    if ".venv" not in name.parts
)  # fmt: skip
FENCE = re.compile(r"^```(\w*)\n(.*?)^```", re.MULTILINE | re.DOTALL)
CODE = re.compile(r"`([^`\n]+(?:\n[^`\n]+)?)`")
LINK = re.compile(r"\[[^\]]*\]\(([^)\s]+)\)")
MADE_LATER = ("demo/out", "tests/out", "build/", "firmware_notes/reference/build", ".venv")
TOP = ("rig/", "tests/", "demo/", "calibration/", "firmware_notes/")

by_document = pytest.mark.parametrize(
    "document", DOCUMENTS, ids=lambda path: str(path.relative_to(ROOT))
)


def blocks(document: Path) -> Iterator[tuple[str, list[str]]]:
    """The kind of every fenced block, and its lines without comments."""
    for kind, body in FENCE.findall(document.read_text("utf-8")):
        yield kind, [re.sub(r"\s+#.*$", "", line).strip() for line in body.splitlines()]


def commands(lines: list[str]) -> list[list[str]]:
    """The words of every line that calls platerig, without its name."""
    called = [re.sub(r"^(\$ )?(\.venv/bin/)?", "", line) for line in lines]
    return [shlex.split(line)[1:] for line in called if line.startswith("platerig ")]


def in_running_text(document: Path) -> list[str]:
    """Everything between single back quotes, outside fenced blocks."""
    text = FENCE.sub("", document.read_text("utf-8"))
    return [" ".join(code.split()) for code in CODE.findall(text)]


def parse(words: list[str]) -> None:
    """Let click read a call as far as it can without doing anything."""
    command: click.Command = platerig
    context = click.Context(platerig, info_name="platerig")
    rest = list(words)
    while isinstance(command, click.Group) and rest and not rest[0].startswith("-"):
        name, found, rest = command.resolve_command(context, rest)
        assert found is not None
        command = found
        context = click.Context(command, info_name=name, parent=context)
    try:
        command.make_context("platerig " + " ".join(words), rest, parent=context.parent)
    except click.exceptions.Exit:  # --help, --version
        return


def looked_up(words: list[str]) -> None:
    """Whether the verbs and options that a text names are there; what they act on may lack."""
    command: click.Command = platerig
    for word in words:
        if isinstance(command, click.Group) and re.fullmatch(r"[a-z|]+", word):
            found = [command.commands.get(name) for name in word.split("|")]
            assert None not in found, f"no verb {word}"
            command = found[0] or command
        elif word.startswith("--"):
            option = word.partition("=")[0]
            known = {name for one in command.params for name in one.opts} | {"--help", "--version"}
            assert option in known, f"{command.name} has no {option}"


@by_document
def test_every_command_in_a_block_is_one(document: Path) -> None:
    for _, lines in blocks(document):
        for words in commands(lines):
            try:
                parse(words)
            except click.ClickException as problem:
                pytest.fail(f"platerig {' '.join(words)}: {problem.format_message()}")


@by_document
def test_every_command_in_running_text_is_known(document: Path) -> None:
    for code in in_running_text(document):
        if code.startswith("platerig ") and "VERB" not in code:
            looked_up(code.replace("…", " ").split()[1:])


@by_document
def test_every_link_resolves(document: Path) -> None:
    for link in LINK.findall(document.read_text("utf-8")):
        target, _, heading = link.partition("#")
        if "://" in target:
            continue
        there = document if not target else (document.parent / target).resolve()
        assert there.exists(), link
        if heading:
            titles = re.findall(r"^#+ (.+)$", there.read_text("utf-8"), re.MULTILINE)
            anchors = [re.sub(r"[^\w\- ]", "", t.lower()).replace(" ", "-") for t in titles]
            assert heading in anchors, link


@by_document
def test_every_path_named_is_there(document: Path) -> None:
    for code in in_running_text(document):
        path = code.split(" ")[0]
        if any(sign in path for sign in "<>…*$") or any(part in path for part in MADE_LATER):
            continue
        if path.startswith(TOP) or re.fullmatch(r"[\w-]+\.md", path):
            places = (document.parent, ROOT)
            assert any((place / path).exists() for place in places), code


def test_the_readme_mentions_every_verb() -> None:
    text = (ROOT / "README.md").read_text("utf-8")
    missing = [verb for verb in VERB_ORDER if not re.search(rf"platerig {verb}\b", text)]
    assert not missing
    assert set(VERB_ORDER) == set(platerig.commands)


def test_a_slip_in_a_document_would_be_found() -> None:
    with pytest.raises(click.ClickException):
        parse(["mpa", "back.plate"])
    with pytest.raises(click.ClickException):
        parse(["map", "back.plate", "--colour"])
    with pytest.raises(click.ClickException):
        parse(["compare", "back.plate"])
    with pytest.raises(AssertionError):
        looked_up(["calibrate", "hammers"])
    with pytest.raises(AssertionError):
        looked_up(["map", "--colour"])


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_the_examples_of_the_readme_run_in_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    ran = []
    for kind, lines in blocks(ROOT / "README.md"):
        for words in commands(lines) if kind == "sh" else []:
            status = run(words)
            said = capsys.readouterr()
            assert status == 0, f"platerig {' '.join(words)}\n{said.out}\n{said.err}"
            ran.append(words[0])
            named = [word for word in words if re.search(r"\.(png|pdf|html|zip|csv)$", word)]
            assert all((tmp_path / name).exists() for name in named), words
    assert {"new", "scan", "map", "zones", "report", "pack", "shelf"} <= set(ran)
