"""What a report shows when nobody names the scans."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rig.archive.rows import ScanSummary
from rig.jobs.report_choice import Choice, choose_of
from rig.model.scan_record import ScanState


def summary(scan: str, face: str, done: int = 50, strength: str = "light") -> ScanSummary:
    return ScanSummary(
        scan=scan, state=ScanState.FINISHED, reason="", face=face, strength=strength,
        spacing_mm=9.0, taps_planned=50, taps_done=done, strikes=done, retakes=0,
        created_utc="", simulated=True, world=None, seed=None, plan_hash="",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("scans", "wanted"),
    [
        ([("S1", "outer")], Choice("S1", chosen=True)),
        ([("S1", "outer"), ("S2", "inner")], Choice("S2", "S1", chosen=True)),
        (
            [("S1", "outer"), ("S2", "inner"), ("S3", "outer")],
            Choice("S3", "S2", "S1", "S3", chosen=True),
        ),
        # a scan broken off early is passed over, a nearly whole one is not
        ([("S1", "outer"), ("S2", "outer", 4)], Choice("S1", chosen=True)),
        ([("S1", "outer", 45), ("S2", "outer")], Choice("S2", None, "S1", "S2", chosen=True)),
        ([("S1", "outer", 50, "firm"), ("S2", "outer")], Choice("S2", chosen=True)),
        (
            [("S1", "inner"), ("S2", "inner", 50, "firm"), ("S3", "outer")],
            Choice("S3", "S1", chosen=True),
        ),
        ([("S1", "outer", 4)], Choice("S1")),
    ],
)
def test_choice(scans: list[tuple[str, str]], wanted: Choice) -> None:
    assert choose_of([summary(*one) for one in scans], scans[-1][0]) == wanted


def test_a_scan_is_not_set_against_the_one_it_adds_taps_to() -> None:
    first, further = summary("S1", "outer"), replace(summary("S2", "outer"), further_to="S1")
    assert choose_of([first, further], "S2") == Choice("S2", chosen=True)
    carved = summary("S3", "outer")
    assert choose_of([first, further, carved], "S3") == Choice("S3", None, "S2", "S3", True)
