"""The whole job under a real X server; pictures of its screen are kept."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from x_server import x_server

HERE = Path(__file__).parent


@pytest.mark.slow
def test_the_whole_job_by_real_events(tmp_path: Path) -> None:
    """The pictures lie in PLATERIG_ARTEFACTS, else in the test's own folder."""
    artefacts = Path(os.environ.get("PLATERIG_ARTEFACTS", tmp_path / "artefacts"))
    artefacts.mkdir(parents=True, exist_ok=True)
    with x_server() as environment:
        ran = subprocess.run(
            [sys.executable, "-m", "pytest", str(HERE / "job_by_hand.py"), "-x", "-q",
             "--basetemp", str(tmp_path / "job")],
            env=environment | {"PLATERIG_ARTEFACTS": str(artefacts)},
            cwd=HERE.parents[1], capture_output=True, text=True, timeout=110, check=False,
        )  # fmt: skip
    assert ran.returncode == 0, f"pictures in {artefacts}\n{ran.stdout[-4000:]}{ran.stderr[-2000:]}"
    pictures = sorted(artefacts.glob("*.png"))
    assert [picture.name[0] for picture in pictures] == list("12345678")
    assert all(picture.stat().st_size > 10_000 for picture in pictures)
