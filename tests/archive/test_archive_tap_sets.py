"""Gathering hand recordings: what is wrong is listed with its reason, the rest is taken in."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from archive_samples import SQUARE, filled_folder, write_tap_set

from rig.archive.plate_folder import PlateFolder
from rig.archive.sound_files import read_clip_file
from rig.archive.stand_in_outline import outline_round
from rig.jobs.check import check
from rig.jobs.gather import gather
from rig.model.errors import OutlineError, TapSetError
from rig.model.frames import PlateXY
from rig.plan import grid_plan
from rig.virtual.shapes import violin_outline

GOOD = ["50,20,outer,light,a.wav", "50,40,outer,light,b.wav", "50,60,outer,light,c.wav"]
FILES = ("a.wav", "b.wav", "c.wav")
PLATE = 'name = "Back one"\nwood = "maple"\nmass_g = 112.5\nhumidity_percent = 48\n'


def test_a_clean_set_becomes_a_finished_scan(tmp_path: Path) -> None:
    made = write_tap_set(tmp_path / "set", GOOD, files=FILES, plate=PLATE)
    told: list[str] = []
    result = gather(made, tmp_path / "p", progress=lambda event: told.append(event.stage))
    assert result.as_json() == {
        "scan": "S0001",
        "taps": 3,
        "strikes": 3,
        "rejected": [],
        "scans": ["S0001"],
        "cautions": [],
    }
    assert told.count("storing") == 3
    with PlateFolder.open(tmp_path / "p.plate") as folder:
        record = folder.scan_record("S0001")
        assert folder.unfinished_scan() is None
        assert folder.facts.name == "Back one"
        assert (folder.facts.wood, folder.facts.mass_g) == ("maple", 112.5)
        row = folder.database.row("SELECT * FROM strike WHERE tap = 1")
    assert row is not None
    assert row["source"] == "b.wav"
    assert [(s.x_mm, s.y_mm) for s in record.strikes] == [(50, 20), (50, 40), (50, 60)]
    assert record.spacing_mm == 20.0
    assert record.conditions == {"humidity_percent": 48.0, "mass_g": 112.5}
    assert not record.simulated
    assert record.microphone_xyz_mm is None
    for strike, name in zip(record.strikes, FILES, strict=True):
        assert np.array_equal(strike.clip.samples, read_clip_file(made / name).samples)
        assert strike.clip.strike_sample is None
    assert check(tmp_path / "p.plate").as_json()["problems"] == []


BAD_ROWS = {
    "150,20,outer,light,d.wav": r"\(150, 20\) mm is off the wood, 50\.0 mm from",
    "50,80,outer,light,missing.wav": "the file is missing",
    "50,80,outer,light,aa.wav": r"the file is missing; there is a “a\.wav”",
    "50,20,outer,light,a.wav": "the same row stands on line 2 already",
    "50,99,outer,light,b.wav": "the same recording is given on line 3 for another place",
    "50,80,outher,light,d.wav": "face is “outher”: did you mean “outer”",
    "50,80,top,light,d.wav": "face is “top”: it is one of: outer, inner",
    "50,80,outer,,d.wav": "strength is empty",
    "nan,80,outer,light,d.wav": "x_mm is “nan”, which is not a finite number",
    "x,80,outer,light,d.wav": "x_mm is “x”, which is not a number",
    ",80,outer,light,d.wav": "x_mm is empty",
    "50,5,80,0,outer,light,d.wav": "decimal comma cannot stand beside commas",
    "50,80,outer,light,../set/d.wav": "must lie inside",
    "50,80,outer,light,": "no file is named",
    "50,80,outer,light,three.wav": r"too short for a tap: 3 sample\(s\)",
    "50,80,outer,light,rate.wav": "44100 samples a second where most of the set has 48000",
    "50,80,outer,light,silent.wav": "silent throughout",
    "50,80,outer,light,taps.csv": "cannot be read as a sound file",
    "50,80,outer,light,nan.wav": "not numbers",
}


@pytest.mark.parametrize("row", BAD_ROWS)
def test_a_bad_row_is_listed_and_the_rest_is_taken(tmp_path: Path, row: str) -> None:
    made = write_tap_set(tmp_path / "set", [*GOOD, row], files=(*FILES, "d.wav"))
    soundfile.write(made / "three.wav", np.ones(3) / 2, 48_000)
    soundfile.write(made / "rate.wav", np.ones(4800) / 2, 44_100)
    soundfile.write(made / "silent.wav", np.zeros(4800), 48_000)
    soundfile.write(made / "nan.wav", np.full(4800, np.nan), 48_000, subtype="FLOAT")
    result = gather(made, tmp_path / "p")
    assert (result.taps, result.strikes) == (3, 3)
    (rejected,) = result.rejected
    import re

    assert re.search(BAD_ROWS[row], rejected.reason), rejected.reason
    assert set(rejected.as_json()) == {"file", "reason"}


@pytest.mark.parametrize("separator", [";", "\t"])
def test_decimal_commas_and_other_separators_are_understood(tmp_path: Path, separator: str) -> None:
    rows = [r.replace(",", separator).replace("50", "50,5", 1) for r in GOOD]
    head = "\ufeffx_mm,y_mm,face,strength,file".replace(",", separator)
    made = write_tap_set(tmp_path / "set", rows, head=head, files=FILES)
    assert gather(made, tmp_path / "p").rejected == ()
    with PlateFolder.open(tmp_path / "p") as folder:
        assert {s.x_mm for s in folder.scan_record("S0001").strikes} == {50.5}


def test_optional_columns_are_used(tmp_path: Path) -> None:
    head = (
        "file,x_mm,y_mm,face,strength,repeat,mic_channel,pickup_channel,strike_speed_m_s,"
        "rebound_ratio"
    )
    rows = ["s1.wav,50,20,Outer,LIGHT,0,1,0,0.62,0.4", "s2.wav,50,20,outer,light,1,1,0,,"]
    made = write_tap_set(tmp_path / "set", rows, head=head)
    for name in ("s1.wav", "s2.wav"):
        stereo = np.random.default_rng(3).uniform(-0.5, 0.5, (4800, 2))
        soundfile.write(made / name, stereo, 48_000, subtype="PCM_24")
    result = gather(made, tmp_path / "p")
    assert (result.taps, result.strikes) == (1, 2)
    with PlateFolder.open(tmp_path / "p") as folder:
        first, second = folder.scan_record("S0001").strikes
        assert folder.plan("S0001").repeats == 2
        assert folder.scans()[0].taps_done == 1
    assert (first.clip.mic_channel, first.clip.pickup_channel) == (1, 0)
    assert (first.clip.strike_speed_m_s, first.clip.rebound_ratio) == (0.62, 0.4)
    assert (second.repeat, second.clip.strike_speed_m_s) == (1, None)


@pytest.mark.parametrize(
    ("cell", "words"),
    [
        ("repeat,-1", "not a whole number"),
        ("repeat,1.5", "not a whole number"),
        ("mic_channel,4", "microphone should be on channel 4"),
        ("strike_speed_m_s,0", "a strike has a speed above 0"),
        ("rebound_ratio,7", "rebound_ratio is 7"),
        ("strike_sample,99999", "behind the end"),
    ],
)
def test_optional_values_that_cannot_be_are_listed(tmp_path: Path, cell: str, words: str) -> None:
    name, value = cell.split(",")
    rows = [*(f"{r}," for r in GOOD), f"50,80,outer,light,d.wav,{value}"]
    head = f"x_mm,y_mm,face,strength,file,{name}"
    made = write_tap_set(tmp_path / "set", rows, head=head, files=(*FILES, "d.wav"))
    result = gather(made, tmp_path / "p")
    assert result.strikes == 3
    assert words in result.rejected[0].reason


def test_repeats_of_one_place_are_numbered_by_themselves(tmp_path: Path) -> None:
    rows = [f"50,{y},outer,light,{n}.wav" for n, y in enumerate((20, 20, 40, 20, 40))]
    files = tuple(f"{n}.wav" for n in range(5))
    result = gather(write_tap_set(tmp_path / "set", rows, files=files), tmp_path / "p")
    assert (result.taps, result.strikes) == (2, 5)
    with PlateFolder.open(tmp_path / "p") as folder:
        assert folder.done("S0001") == {(0, 0), (0, 1), (0, 2), (1, 0), (1, 1)}


def test_faces_and_strengths_become_scans_of_their_own(tmp_path: Path) -> None:
    rows = [GOOD[0], "50,40,inner,light,b.wav", "50,60,outer,firm,c.wav"]
    result = gather(write_tap_set(tmp_path / "set", rows, files=FILES), tmp_path / "p")
    assert (result.scan, result.scans) == ("S0001", ("S0001", "S0002", "S0003"))
    assert (result.taps, result.strikes) == (3, 3)
    with PlateFolder.open(tmp_path / "p") as folder:
        found = [(s.face, s.strength) for s in folder.scans()]
    assert found == [("outer", "light"), ("inner", "light"), ("outer", "firm")]


def test_nothing_usable_makes_no_folder(tmp_path: Path) -> None:
    made = write_tap_set(tmp_path / "set", GOOD)
    result = gather(made, tmp_path / "p")
    assert (result.scan, result.strikes, len(result.rejected)) == (None, 0, 3)
    assert not (tmp_path / "p.plate").exists()


def test_gathering_into_a_folder_adds_a_scan_and_keeps_what_it_knows(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "p")
    plate = 'wood = "spruce"\nmass_g = 70.0\n'
    made = write_tap_set(tmp_path / "set", GOOD, files=FILES, plate=plate)
    (made / "outline.csv").write_text("x_mm,y_mm\n0,0\n120,0\n120,200\n0,200\n")
    result = gather(made, path)
    assert result.scan == "S0002"
    with PlateFolder.open(path) as folder:
        assert (folder.facts.wood, folder.facts.mass_g) == ("maple", 70.0)
        assert folder.outline is not None
        assert folder.outline.size_mm == (100.0, 200.0)
    assert any("differs from the folder's by up to 20.0 mm" in c for c in result.cautions)
    assert any("plate.toml says wood = spruce" in c for c in result.cautions)


def test_without_an_outline_one_is_drawn_round_the_taps_and_said_so(tmp_path: Path) -> None:
    places = [(x, y) for y in range(10, 200, 36) for x in range(10, 100, 20)]
    rows = [f"{x},{y},outer,light,{n}.wav" for n, (x, y) in enumerate(places)]
    files = tuple(f"{n}.wav" for n in range(len(places)))
    made = write_tap_set(tmp_path / "set", rows, files=files, outline=False)
    result = gather(made, tmp_path / "p")
    assert result.strikes == len(places)
    assert "stand-in" in result.cautions[0]
    with PlateFolder.open(tmp_path / "p") as folder:
        record = folder.scan_record("S0001")
        assert folder.outline_source == "stand-in"
        assert folder.outline is not None
        assert bool(folder.outline.contains(np.array(places, dtype=float)).all())
    assert any("stand-in" in note for note in record.notes)
    lines = ["x_mm,y_mm", *(f"{x:g},{y:g}" for x, y in SQUARE)]
    (made / "outline.csv").write_text("\n".join(lines) + "\n")
    gather(made, tmp_path / "p")
    with PlateFolder.open(tmp_path / "p") as folder:
        assert folder.scan_record("S0001").outline.size_mm == (100.0, 200.0)


@pytest.mark.parametrize("spacing_mm", [5.0, 7.0, 12.0, 18.0])
def test_a_stand_in_follows_the_waist_of_a_violin(spacing_mm: float) -> None:
    true = violin_outline()
    plan = grid_plan(true, face="outer", strength="light", spacing_mm=spacing_mm)
    drawn = outline_round(plan.places())
    assert drawn.contains(plan.places()).all()
    assert drawn.area_mm2 == pytest.approx(true.area_mm2, rel=0.10)
    assert np.median(true.edge_distance_mm(drawn.rim)) < 7.0


def test_a_stand_in_holds_scattered_taps_too() -> None:
    true = violin_outline()
    places = np.random.default_rng(0).uniform([-104.0, 0.0], [104.0, 355.0], (400, 2))
    places = places[true.contains(places)]
    drawn = outline_round(PlateXY(places))
    assert drawn.contains(places).all()
    assert drawn.area_mm2 == pytest.approx(true.area_mm2, rel=0.10)


def test_without_an_outline_and_with_few_taps_the_error_says_what_to_add(tmp_path: Path) -> None:
    made = write_tap_set(tmp_path / "set", GOOD, files=FILES, outline=False)
    with pytest.raises(OutlineError, match="too few taps") as caught:
        gather(made, tmp_path / "p")
    assert "outline.csv" in caught.value.remedy
    assert not (tmp_path / "p.plate").exists()


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ("x_mm,y_mm\n0,0\n100,200\n100,0\n0,200\n", "crosses itself"),
        ("x,y\n0,0\n", "lacks the columns x_mm, y_mm"),
        ("x_mm,y_mm\n0,0\n1,nan\n", "line 3: y_mm is “nan”"),
        ("x_mm,y_mm\n0,0\n10,5,3\n", "line 3 holds 3 values where the head line has 2"),
        ("x_mm,y_mm\n0,0\n1,0\n1,1\n", "less than 20 cm²"),
        ("x_mm,y_mm\n", "holds no points"),
        ("", "it is empty"),
    ],
)
def test_a_bad_outline_is_refused_with_its_place(tmp_path: Path, lines: str, words: str) -> None:
    made = write_tap_set(tmp_path / "set", GOOD, files=FILES)
    (made / "outline.csv").write_text(lines)
    with pytest.raises(OutlineError, match=words) as caught:
        gather(made, tmp_path / "p")
    assert caught.value.where.endswith("outline.csv")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('mass_g = "112"', "mass_g is '112', but it should be a number"),
        ("mass_g = -1", "above 0"),
        ("mass_g = nan", "a finite number"),
        ("wood = maple", "plate.toml cannot be read"),
        ("wood = 3", "a text in quotes"),
        ("humidity_percent = 140", "from 0 to 100"),
        ("microphone_xyz_mm = [1, 2]", "three numbers"),
    ],
)
def test_a_wrong_plate_toml_is_refused(tmp_path: Path, text: str, words: str) -> None:
    made = write_tap_set(tmp_path / "set", GOOD, files=FILES, plate=text)
    with pytest.raises(TapSetError, match=words):
        gather(made, tmp_path / "p")


def test_unknown_names_are_passed_over_and_told(tmp_path: Path) -> None:
    rows = [f"{r},x" for r in GOOD]
    made = write_tap_set(
        tmp_path / "set",
        rows,
        head="x_mm,y_mm,face,strength,file,mood",
        files=FILES,
        plate="mass = 3\n",
    )
    cautions = gather(made, tmp_path / "p").cautions
    assert "the column “mood” is not known" in cautions[0]
    assert "“mass” is not known here and was passed over. Did you mean “mass_g”?" in cautions[1]


def test_a_table_without_its_columns_is_refused(tmp_path: Path) -> None:
    made = write_tap_set(tmp_path / "set", ["1,2"], head="x,y")
    with pytest.raises(TapSetError, match="lacks the columns x_mm, y_mm, face, strength, file"):
        gather(made, tmp_path / "p")
    (made / "taps.csv").unlink()
    with pytest.raises(TapSetError, match="there is no such file"):
        gather(made, tmp_path / "p")
    with pytest.raises(TapSetError, match="no such directory"):
        gather(tmp_path / "nowhere", tmp_path / "p")
