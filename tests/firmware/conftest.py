"""Boards for the tests of this folder."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "devices"))  # protocol_example

from boards import Board, SimulatedBoard, Talk, build, new_board

EVERY_BOARD = ("virtual", "host", "host-3", "328p", "2560")


@pytest.fixture(scope="session")
def built() -> Path:
    """Folder with firmware and simulated boards."""
    return build()


@pytest.fixture(params=EVERY_BOARD)
def board(request: pytest.FixtureRequest, built: Path) -> Iterator[Board]:
    """Every board in turn."""
    with new_board(request.param, built) as board:
        yield board


@pytest.fixture
def talk(board: Board) -> Talk:
    """A computer at that board, greeted."""
    talk = Talk(board)
    talk.greet()
    return talk


@pytest.fixture(params=("host", "328p", "2560"))
def pinned(request: pytest.FixtureRequest, built: Path) -> Iterator[SimulatedBoard]:
    """Every board that has pins."""
    with new_board(request.param, built) as board:
        assert isinstance(board, SimulatedBoard)
        yield board
