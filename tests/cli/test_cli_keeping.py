"""What people read of export, pack, unpack, check --repair and shelf; what machines are told."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from rig.cli import verbs
from rig.cli.commands import folder as folder_commands
from rig.cli.commands import keeping
from rig.cli.main import run
from rig.jobs.export import FORMS
from rig.jobs.shelf import ORDERS

sys.path.insert(0, str(Path(__file__).parents[1] / "archive"))

from archive_samples import filled_folder, struck_folder


def answer(capsys: pytest.CaptureFixture[str], *words: object, status: int = 0) -> Any:
    """The JSON of a call that ends with this status."""
    assert run([*map(str, words), "--json"]) == status
    return json.loads(capsys.readouterr().out)


def text(capsys: pytest.CaptureFixture[str], *words: object, status: int = 0) -> str:
    """What a call prints for people."""
    assert run([*map(str, words)]) == status
    return capsys.readouterr().out


def test_choices_are_those_of_the_jobs() -> None:
    assert folder_commands.FORMS == FORMS
    assert keeping.ORDERS == ORDERS


def test_export_in_all_forms_and_back(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plate = struck_folder(tmp_path / "a")
    told = answer(capsys, "export", plate, tmp_path / "out", "--as", "all", "--sound", "flac")
    assert {"datapackage.json", "S0001.uff", "shapes.json", "template.svg", "template.dxf"} < set(
        told["files"]
    )
    again = answer(capsys, "gather", tmp_path / "out/S0001.uff", tmp_path / "b")
    assert (again["strikes"], again["rejected"]) == (9, [])
    back = answer(capsys, "new", tmp_path / "c", "--outline", tmp_path / "out/template.dxf")
    assert back["plate"].endswith("c.plate")
    one = answer(
        capsys, "export", plate, tmp_path / "t", "--as", "template", "--seen-from", "inner"
    )
    assert one["files"] == ["template.svg", "template.dxf"]
    assert "(mirrored)" in (tmp_path / "t/template.svg").read_text()


def test_pack_and_unpack_in_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plate = filled_folder(tmp_path / "a")
    shown = text(capsys, "pack", plate)
    assert "9 files, 0.1 MB, packed in" in shown
    assert f"Back again: platerig unpack {plate}.zip" in shown
    shown = text(capsys, "unpack", f"{plate}.zip", tmp_path / "b.plate")
    assert f"9 files laid out in {tmp_path}/b.plate." in shown
    data = bytearray(Path(f"{plate}.zip").read_bytes())
    data[data.index(b"fLaC") + 200] ^= 1
    (tmp_path / "bad.zip").write_bytes(data)
    shown = text(capsys, "unpack", tmp_path / "bad.zip", tmp_path / "c.plate", status=1)
    assert "This file is damaged: it is not what its hash says. (data/a.plate/audio/" in shown
    assert "Nothing was unpacked: 1 file" in shown
    told = answer(
        capsys, "unpack", tmp_path / "bad.zip", tmp_path / "c.plate", "--rescue", status=1
    )
    assert (told["files"], len(told["left_out"]), len(told["problems"])) == (8, 1, 1)


def test_repair_in_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plate = filled_folder(tmp_path / "a")
    text(capsys, "pack", plate)
    (plate / "audio/S0001/000002-r0.flac").unlink()
    shown = text(capsys, "check", plate, status=1)
    assert "--repair --from COPY.plate" in shown
    shown = text(capsys, "check", plate, "--repair", status=1)
    assert "There was nothing that could be repaired." in shown
    shown = text(capsys, "check", plate, "--repair", "--from", f"{plate}.zip")
    assert "Repaired: Fetched from the copy: audio/S0001/000002-r0.flac." in shown
    assert "No problem found." in shown
    assert answer(capsys, "check", plate)["problems"] == []


@pytest.mark.parametrize(
    "words",
    [
        ["check", "a.plate", "--from", "b.plate"],
        ["check", "--rig", "rig.toml", "--repair"],
        ["shelf", ".", "--workers", "2"],
        ["shelf", ".", "--read-again", "--workers", "0"],
        ["shelf", ".", "--sort", "colour"],
        ["shelf"],
        ["pack", "a.plate", "b.tar", "c"],
        ["unpack"],
        ["export", "a.plate", "out", "--as", "paper"],
    ],
)
def test_wrong_usage(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert answer(capsys, *words, status=2)["error"]["what"]


def plate_row(name: str, **other: Any) -> dict[str, Any]:
    row = {
        "plate": f"/shelf/{name}.plate", "name": name, "wood": None, "instrument": None,
        "reference": None, "mass_g": None, "scans": 1, "strikes": 55, "simulated": False,
        "first_utc": "2026-03-01T10:00:00Z", "last_utc": "2026-03-02T10:00:00Z", "reading": None,
        "evenness_before_cents": None, "evenness_after_cents": None, "partials_hz": [],
        "current": None, "unread": 0, "problem": None, "remedy": None,
    }  # fmt: skip
    return row | other


def test_shelf_in_words(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    group = {"plates": 1, "evenness_before_cents": None, "evenness_after_cents": None}
    contract = {
        "shelf": "/shelf", "found": 4,
        "plates": [
            plate_row("ash", wood="maple", mass_g=112.46, simulated=True, current=True,
                      evenness_before_cents=310.2, evenness_after_cents=120.0,
                      partials_hz=[91.2, 160.0]),
            plate_row("elm", current=False, evenness_after_cents=99.0),
            plate_row("oak", problem="It is broken.", remedy="Mend it."),
        ],
        "woods": [group | {"wood": "maple", "mass_g": 112.5, "evenness_before_cents": 310.2,
                           "evenness_after_cents": 120.0},
                  group | {"wood": None, "mass_g": None}],
        "read_again": None, "table": None,
    }  # fmt: skip
    module = SimpleNamespace(job=lambda *_a, **_o: SimpleNamespace(as_json=lambda: contract))
    monkeypatch.setitem(verbs.JOBS, "shelf", ("stub.shelf", "job"))
    monkeypatch.setitem(sys.modules, "stub.shelf", module)  # type: ignore[arg-type]
    shown = text(capsys, "shelf", "/shelf", status=1)
    lines = shown.splitlines()
    assert lines[0] == "3 plates of 4 below /shelf:"
    assert lines[2].split() == [
        "ash.plate", "(SIMULATED)", "maple", "–", "–", "112.5", "1", "2026-03-02", "310", "120",
        "91", "160",
    ]  # fmt: skip
    assert lines[3].split()[-3:] == ["–", "99*", "–"]
    assert "* read by an earlier analysis" in shown
    assert "maple: 1 plate, 112 g, evenness 310 → 120 cents (middle values)" in shown
    assert "wood not known: 1 plate (middle values)" in shown
    assert "It is broken. (/shelf/oak.plate)\n  What to do: Mend it." in shown
    assert "--read-again does it" in shown
    contract["plates"] = []
    assert "None of the 4 plates below /shelf fits." in text(capsys, "shelf", "/shelf")
    contract["found"] = 0
    assert "There is no plate folder below /shelf." in text(capsys, "shelf", "/shelf")


def test_shelf_from_end_to_end(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    (tmp_path / "shelf").mkdir()
    filled_folder(tmp_path / "shelf/a")
    words = ["shelf", tmp_path / "shelf", "--csv", tmp_path / "plates.csv"]
    told = answer(capsys, *words)
    assert [(row["name"], row["wood"], row["unread"]) for row in told["plates"]] == [
        ("square", "maple", 1)
    ]
    assert told["table"] == str(tmp_path / "plates.csv")
    assert told["read_again"] is None
    told = answer(capsys, *words, "--read-again", "--workers", "1", "--reading", "attack")
    assert told["read_again"]["read"] + len(told["read_again"]["failed"]) == 1
