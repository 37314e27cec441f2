"""What a report and a map say of the rig's calibrations."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import report_samples as samples
from fpdf import FPDF
from matplotlib.text import Text

from rig.jobs.report_rig import calibrations_not_held
from rig.model.calibration import CalibrationNote
from rig.model.plate_facts import PlateFacts
from rig.model.scan_record import ScanRecord
from rig.report.document import write_report
from rig.report.map_figures import tone_map_sheet
from rig.report.pages import Pages

LACKING = CalibrationNote(
    "Calibrations at the time of the scan: gantry expired; in force: camera lens.",
    ("lens-20310504T120000Z",),
    ("Gantry: expired 3 days ago (made 2031-05-04).",),
)


def scan(name: str, note: CalibrationNote) -> ScanRecord:
    shape = samples.outline()
    return ScanRecord(name, "outer", "light", 9.0, shape, PlateFacts("p"), (), calibration=note)


def test_each_sentence_is_said_once_and_only_where_something_is_lacking() -> None:
    plain = CalibrationNote.of_origin({"gathered_from": "set"})
    scans = [scan("S0001", LACKING), scan("S0002", LACKING), scan("S0003", plain)]
    assert calibrations_not_held(scans) == [f"S0001, S0002: {LACKING.sentence}"]
    assert calibrations_not_held([scan("S0003", plain)]) == []


def test_foot_of_a_map_is_whole_and_below_everything_else() -> None:
    shape, made = samples.outline(), samples.tone_map(samples.outline())
    long = LACKING.sentence.replace("gantry", "gantry, tapper, sound, reference bar, study, " * 3)
    bare = tone_map_sheet(made, samples.surface(shape), shape)
    sheet = tone_map_sheet(made, samples.surface(shape), shape, foot=long)
    (foot,) = [t for t in sheet.figure.findobj(Text) if t.get_text().startswith("Calibrations at")]
    assert " ".join(foot.get_text().split()) == " ".join(long.split())
    assert sheet.height_mm > bare.height_mm
    box = foot.get_window_extent(sheet._canvas.get_renderer())  # type: ignore[no-untyped-call]
    assert box.y0 > 0.0
    others = [t for t in sheet.figure.texts if t is not foot]
    lowest = min(t.get_window_extent(sheet._canvas.get_renderer()).y0 for t in others)  # type: ignore[no-untyped-call]
    assert box.y1 < lowest


def test_pages_say_what_held_and_what_the_rig_can_tell_apart(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    told: list[str] = []
    original = FPDF.multi_cell

    def heard(self: FPDF, *args: Any, **options: Any) -> Any:
        if not options.get("dry_run"):
            told.append(str(args[2] if len(args) > 2 else options.get("text", "")))
        return original(self, *args, **options)

    monkeypatch.setattr(FPDF, "multi_cell", heard)
    monkeypatch.setattr(Pages, "place", lambda *_args, **_options: None)
    content = samples.content()
    face = content.faces[0]
    facts = replace(face.facts, calibration=(LACKING.sentence, *LACKING.cautions))
    face = replace(face, facts=facts, smallest="Smallest change that means something: 46 cents.")
    write_report(replace(content, faces=(face,), modes=None, change=None), tmp_path / "r.pdf")
    text = "\n".join(told)
    assert "Smallest change that means something: 46 cents." in text
    assert LACKING.sentence in text
    assert "Gantry: expired 3 days ago" in text
