"""The demo: its commands exist, its folder is safe to use, its pictures are small.

It is played as a whole by `demo/run`, which takes minutes.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import click
import pytest

from rig.cli.main import platerig
from rig.virtual.worlds import WORLD_NAMES, world_spec

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def workshop() -> ModuleType:
    spec = importlib.util.spec_from_file_location("workshop", ROOT / "demo" / "workshop.py")
    assert spec is not None
    assert spec.loader is not None
    made = importlib.util.module_from_spec(spec)
    sys.modules["workshop"] = made  # its dataclasses look themselves up there
    spec.loader.exec_module(made)
    return made


def test_every_step_is_a_command_that_platerig_knows(workshop: ModuleType) -> None:
    acts = workshop.scenes(7, 12.0)
    assert len({workshop.MIRA, workshop.JONAS, workshop.EDDA}) == 3
    verbs = set()
    for act in acts:
        for step in act.steps:
            name, *words = step.command
            command = platerig.commands[name]
            context = command.make_context(name, list(words), parent=click.Context(platerig))
            world = context.params.get("virtual") or context.params.get("world")
            assert world is None or world in WORLD_NAMES
            verbs.add(name)
    assert {"scan", "map", "zones", "compare", "check", "report", "shelf", "pack"} <= verbs


def test_the_cut_that_is_previewed_is_the_one_that_the_world_makes(workshop: ModuleType) -> None:
    (preview,) = (
        step.command
        for act in workshop.scenes(7, 12.0)
        for step in act.steps
        if step.command[0] == "preview"
    )
    (carved,) = world_spec("maple-regraduated").carved
    at, over, depth = (
        next(word for word in preview if word.startswith("--at=")),
        preview[preview.index("--over") + 1],
        preview[preview.index("--depth") + 1],
    )
    x, y = (float(part) for part in at.removeprefix("--at=").split(","))
    assert (x, y, float(over), -float(depth)) == (
        carved.x_mm, carved.y_mm, carved.width_mm, carved.depth_mm,
    )  # fmt: skip


def test_a_folder_with_anything_else_in_it_is_left_alone(
    workshop: ModuleType, tmp_path: Path
) -> None:
    (tmp_path / "class.pdf").write_bytes(b"an earlier demo's")
    (tmp_path / workshop.MIRA).mkdir()
    workshop.fresh(tmp_path)
    assert not list(tmp_path.iterdir())
    (tmp_path / "class.pdf").write_bytes(b"an earlier demo's")
    (tmp_path / "letters.pdf").write_bytes(b"somebody's")
    with pytest.raises(SystemExit, match=r"letters\.pdf"):
        workshop.fresh(tmp_path)
    assert (tmp_path / "class.pdf").exists()


def test_an_apostrophe_is_typed_between_double_quotes(workshop: ModuleType) -> None:
    assert workshop.typed(("new", "--name", "Mira's back", "a b")) == (
        "new --name \"Mira's back\" 'a b'"
    )


def test_the_pictures_of_the_readme_are_small() -> None:
    for name in ("tone-map.png", "change.png", "bench-sheet.png"):
        assert (ROOT / "demo" / name).stat().st_size <= 200_000
