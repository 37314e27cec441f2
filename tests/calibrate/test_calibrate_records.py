"""Records: stored whole, read back, aged, never replaced."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from rig.calibrate.records import KINDS, load_all, new_record, standing, store
from rig.cli.main import run
from rig.jobs.calibrate_records import records_in_force, smallest_change_cents
from rig.model.errors import FolderError, UsageError

NOW = datetime(2031, 5, 4, 12, 0, tzinfo=UTC)


def test_a_record_comes_back_as_it_was_stored(tmp_path: Path) -> None:
    record = new_record(
        "gantry", {"scale_x": 1.003}, NOW, rig="rig.toml", conditions={"temperature_c": 21.0},
        used=("sheet.png",), notes=("two dots missing",),
    )  # fmt: skip
    path = store(tmp_path / "calibration", record)
    (found,), problems = load_all(tmp_path / "calibration")
    assert not problems
    assert found.path == path
    assert path.stem == record.name == "gantry-20310504T120000Z"
    assert (found.values, found.used, found.notes) == (record.values, record.used, record.notes)


def test_two_records_of_one_second_are_both_kept(tmp_path: Path) -> None:
    for value in (1, 2):
        store(tmp_path, new_record("sound", {"n": value}, NOW))
    assert [r.values["n"] for r in load_all(tmp_path)[0]] == [1, 2]


def test_states_by_age(tmp_path: Path) -> None:
    for kind, days in (("lens", 10), ("bar", 2), ("sound", -3), ("gantry", 400), ("gantry", 5)):
        store(tmp_path, new_record(kind, {}, NOW - timedelta(days=days)))
    states = {s.kind: s for s in standing(load_all(tmp_path)[0], NOW)}
    assert set(states) == set(KINDS)
    assert states["lens"].state == states["gantry"].state == "holds"
    assert states["bar"].state == "expired"
    assert "expired 1 day ago" in states["bar"].sentence
    assert states["sound"].state == "from the future"
    assert states["tapper"].state == "missing"


def test_nonsense_in_the_folder_is_named_and_does_not_hide_the_rest(tmp_path: Path) -> None:
    good = store(tmp_path, new_record("lens", {}, NOW))
    for name, text in (
        ("a.json", "{"), ("b.json", "[]"), ("c.json", '{"format": "other"}'),
        ("d.json", good.read_text().replace("2031-05", "2031-99")),
        ("e.json", good.read_text().replace('"lens"', '"soup"')),
        ("f.json", good.read_text().replace("365", '"long"')),
    ):  # fmt: skip
        (tmp_path / name).write_text(text)
    (tmp_path / "g.json").write_bytes(b"\xff\xfe\x00")
    records, problems = load_all(tmp_path)
    assert [r.kind for r in records] == ["lens"]
    assert len(problems) == 7


def test_unknown_kinds_and_places_that_cannot_be_written(tmp_path: Path) -> None:
    with pytest.raises(UsageError):
        new_record("soup", {}, NOW)
    (tmp_path / "file").write_text("x")
    with pytest.raises(FolderError):
        store(tmp_path / "file", new_record("lens", {}, NOW))


def test_list_says_what_is_missing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store(tmp_path, new_record("lens", {}, datetime.now(UTC)))
    assert run(["calibrate", "list", "--records", str(tmp_path)]) == 1
    text = capsys.readouterr().out
    assert "Gantry: never calibrated." in text
    assert "lens-" in text
    assert run(["calibrate", "list", "--records", str(tmp_path), "--json"]) == 1
    contract = json.loads(capsys.readouterr().out)
    assert {c["kind"]: c["state"] for c in contract["calibrations"]}["lens"] == "holds"
    for kind in KINDS:
        store(tmp_path, new_record(kind, {}, datetime.now(UTC)))
    assert run(["calibrate", "list", "--records", str(tmp_path)]) == 0
    assert run(["calibrate", "list", "--rig", str(tmp_path / "none.toml")]) == 2


def test_what_a_scan_uses_and_what_it_must_say(tmp_path: Path) -> None:
    store(tmp_path, new_record("lens", {}, NOW))
    store(tmp_path, new_record("bar", {}, NOW - timedelta(days=3)))
    found = records_in_force(records=tmp_path, now=NOW)
    assert found["used"] == ["lens-20310504T120000Z"]
    assert any("Reference bar: expired" in s for s in found["cautions"])
    assert len(found["cautions"]) == len(KINDS) - 1


def test_smallest_change_of_the_newest_study_that_holds(tmp_path: Path) -> None:
    def ask(reading: str, days: float = 1.0) -> float | None:
        now = NOW + timedelta(days=days)
        return smallest_change_cents(reading, records=tmp_path, now=now)[0]

    assert ask("local") is None
    for cents, day in ((9.0, -5), (12.5, 0)):
        study = {"reading": "local", "smallest_change_cents": cents}
        made = NOW + timedelta(days=day)
        store(tmp_path, new_record("repeatability", {"studies": [study]}, made))
    assert ask("local") == 12.5
    assert ask("attack") is None
    assert ask("local", days=400) is None
