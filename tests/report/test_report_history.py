"""The figure of a plate's history."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import report_samples as samples

from rig.field.history import Track, followed
from rig.model.reading import RingPartial
from rig.report.history_figure import HistoryColumn, history_sheet


def columns(count: int) -> list[HistoryColumn]:
    made = samples.tone_map(samples.outline())
    found = []
    for k in range(count):
        one = replace(made, evenness_cents=512.0 - 20 * k, repeatability_cents=None if k else 17.0)
        conditions = {"mass_g": 110.5 - k} if k else {}
        found.append(
            HistoryColumn(
                f"S{k + 1:04d}", f"2026-11-{k + 1:02d}", "outer, light", None if k == 2 else one,
                conditions, k == 1,
            )
        )  # fmt: skip
    return found


def tracks(count: int, partials: int = 20) -> tuple[Track, ...]:
    hz = np.geomspace(90.0, 1500.0, partials)
    return followed(
        [
            tuple(RingPartial(float(f) * (1.0 - 2e-3 * k), f * 3e-4, 0.05, -5.0) for f in hz)
            for k in range(count)
        ]
    )


@pytest.mark.parametrize("count", [1, 2, 5, 20])
def test_history_is_drawn(tmp_path: Path, count: int) -> None:
    sheet = history_sheet("Alder", columns(count), tracks(count), simulated=count == 5)
    upper, lower = sheet.figure.axes[:2]
    dashed = [line for line in upper.lines if line.get_linestyle() == "--"]
    assert len(dashed) == (1 if count > 1 else 0)
    lows = {bar.get_x() for bar in lower.patches}
    assert len(lows) == 1  # only one scan says how well it repeats
    names = [text.get_text() for text in upper.texts if text.get_text().endswith("Hz")]
    assert len(names) == (14 if count > 1 else 0)
    if count > 1:
        places = sorted(t.xy[1] for t in upper.texts if t.get_text().endswith("Hz"))
        low, high = upper.get_ylim()
        assert np.min(np.diff(places)) > (high - low) / 40.0  # no name covers another
    words = " ".join(text.get_text() for text in sheet.figure.texts)
    assert "S0001" in words
    assert ("SIMULATED" in words) == (count == 5)
    first = sheet.save(tmp_path / "a.png", dots_per_inch=60).read_bytes()
    assert first.startswith(b"\x89PNG")


def test_scans_that_could_not_be_read_are_said_to_be(tmp_path: Path) -> None:
    empty = [replace(c, made=None, conditions={}) for c in columns(3)]
    sheet = history_sheet("Alder", empty, (), simulated=False, headed=False)
    upper, lower = sheet.figure.axes[:2]
    assert "no partial was heard in two scans" in [t.get_text() for t in upper.texts]
    assert [t.get_text() for t in lower.texts] == ["not read"] * 3
    sheet.save(tmp_path / "a.svg")
