"""Measured heights and glued bars: kept exactly, carried through, nonsense refused in words."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from archive_samples import make_clip, make_folder, make_plan, write_tap_set

from rig.archive.height_files import read_heights, write_heights
from rig.archive.outline_files import write_outline
from rig.archive.plate_folder import PlateFolder
from rig.jobs.export import export
from rig.jobs.gather import gather
from rig.jobs.new_plate import new_plate
from rig.jobs.overview import overview
from rig.model.errors import PlateFactsError, TapSetError
from rig.model.glued_bars import bar_of_text, text_of_bar
from rig.model.plate_facts import Bar
from rig.plate.arching import template_heights
from rig.virtual.shapes import violin_outline

OUTLINE = violin_outline()
ROWS = ["50,20,outer,light,a.wav", "50,40,outer,light,b.wav", "50,60,outer,light,c.wav"]
FILES = ("a.wav", "b.wav", "c.wav")
SQUARE_HEIGHTS = "x_mm,y_mm,height_mm\n50,20,6\n50,100,14\n20,100,6.5\n80,100,7\n50,198,0.2\n"


def heights(crown_mm: float = 15.0) -> np.ndarray:
    """A gauge's readings on a violin plate; (n, 3)."""
    x, y = np.meshgrid(np.arange(-80.0, 81.0, 20.0), np.arange(15.0, 350.0, 30.0))
    places = np.column_stack([x.ravel(), y.ravel()])
    places = places[OUTLINE.contains(places)]
    return np.column_stack([places, crown_mm * template_heights(OUTLINE, places)])


def table(path: Path, points: np.ndarray) -> Path:
    lines = ["x_mm,y_mm,height_mm", *(f"{x:.6f},{y:.6f},{z:.6f}" for x, y, z in points)]
    path.write_text("\n".join(lines) + "\n")
    return path


@pytest.fixture
def outline_file(tmp_path: Path) -> Path:
    return write_outline(tmp_path / "outline.csv", OUTLINE)


def test_a_new_folder_keeps_heights_and_bars_and_tells_them(
    tmp_path: Path, outline_file: Path
) -> None:
    file = table(tmp_path / "heights.csv", heights())
    made = new_plate(
        tmp_path / "top", outline_file, heights_file=file,
        bars=["-17, 55, -21, 320, 3/11/3, 5.5", "10,250,60,250,6,5,Maple"],
    )  # fmt: skip
    expected = (
        Bar(-17.0, 55.0, -21.0, 320.0, (3.0, 11.0, 3.0), 5.5),
        Bar(10.0, 250.0, 60.0, 250.0, (6.0,), 5.0, "maple"),
    )
    with PlateFolder.open(made.plate) as folder:
        kept = folder.facts
    assert kept.bars == expected
    assert kept.arch_heights_mm == read_heights(file)
    told = json.loads(json.dumps(made.as_json()))
    assert told["bars"][0]["heights_mm"] == [3.0, 11.0, 3.0]
    assert len(told["arch_heights_mm"]) == len(heights())
    seen = json.loads(json.dumps(overview(made.plate).as_json()))
    assert seen["facts"]["bars"][1]["wood"] == "maple"
    with PlateFolder.open(made.plate, write=True) as folder:
        changed = folder.update_facts(bars=expected[:1], mass_g=70.0)
        assert folder.facts == changed
        assert folder.facts.bars == expected[:1]


def test_heights_are_written_as_they_are_read(tmp_path: Path) -> None:
    given = tuple((float(x), float(y), float(z) / 3.0) for x, y, z in heights())
    assert read_heights(write_heights(tmp_path / "h.csv", given)) == given
    (tmp_path / "s.csv").write_text("x_mm;y_mm;height_mm\n" + "".join(
        f"{x};{y};{z}\n".replace(".", ",") for x, y, z in given
    ))  # fmt: skip
    assert read_heights(tmp_path / "s.csv") == given


def test_a_tap_set_brings_them_along_and_an_export_gives_them_back(tmp_path: Path) -> None:
    plate = 'wood = "spruce"\nbars = ["30,20,30.123456789,180,3/9/3,5.5"]\n'
    made = write_tap_set(tmp_path / "set", ROWS, files=FILES, plate=plate)
    (made / "heights.csv").write_text(SQUARE_HEIGHTS)
    gather(made, tmp_path / "a")
    export(tmp_path / "a", tmp_path / "out")
    assert gather(tmp_path / "out", tmp_path / "b").rejected == ()
    records = []
    for name in ("a", "b"):
        with PlateFolder.open(tmp_path / name) as folder:
            records.append(folder.scan_record("S0001").facts)
    assert (
        records[0].bars
        == records[1].bars
        == (Bar(30.0, 20.0, 30.123456789, 180.0, (3.0, 9.0, 3.0), 5.5),)
    )
    assert records[0].arch_heights_mm == records[1].arch_heights_mm
    assert records[0].arch_heights_mm is not None
    assert records[0].arch_heights_mm[1] == (50.0, 100.0, 14.0)
    package = json.loads((tmp_path / "out" / "datapackage.json").read_text())
    assert "heights.csv" in [one["path"] for one in package["resources"]]


def test_a_folder_gains_them_once_and_keeps_its_own(tmp_path: Path) -> None:
    with make_folder(tmp_path / "p") as folder:
        scan = folder.new_scan(make_plan(1))
        folder.store_strike(scan, tap=0, repeat=0, x_mm=50.0, y_mm=10.0, clip=make_clip())
    made = write_tap_set(
        tmp_path / "set", ROWS, files=FILES, plate='bars = ["30,20,30,180,9,5.5"]\n'
    )
    (made / "heights.csv").write_text(SQUARE_HEIGHTS)
    assert gather(made, tmp_path / "p").cautions == ()
    (made / "heights.csv").write_text(SQUARE_HEIGHTS.replace("14", "13"))
    (made / "plate.toml").write_text('bars = ["30,20,30,180,8,5.5"]\n')
    cautions = gather(made, tmp_path / "p", again=True).cautions
    assert any("heights.csv differs" in said for said in cautions)
    assert any("30,20,30,180,8,5.5" in said for said in cautions)
    with PlateFolder.open(tmp_path / "p") as folder:
        facts = folder.facts
    assert facts.arch_heights_mm is not None
    assert facts.arch_heights_mm[1][2] == 14.0


WRONG = {
    "metres": (heights() * [1, 1, 1e-3], "looks like metres"),
    "places in metres": (heights() * [1e-3, 1e-3, 1], "within 5 mm of each other"),
    "turned": (heights() * [1, 1, -1], "sign is turned"),
    "depths": (heights() * [1, 1, -1] + np.array([0, 0, 20.0]), "lower than the rim"),
    "too few": (heights()[:4], "5 or more"),
    "too many": (np.tile(heights(), (40, 1)), "2000 are the most"),
    "off the wood": (heights() + np.array([45.0, 0, 0]), "lie off the wood; the first at"),
    "tenths": (heights() * [1, 1, 10], "arched so high"),
    "one corner": (heights()[:6] * [0.5, 1, 1], "cover only"),
}  # fmt: skip


@pytest.mark.parametrize("name", list(WRONG))
def test_heights_that_cannot_be_are_refused(tmp_path: Path, outline_file: Path, name: str) -> None:
    points, words = WRONG[name]
    file = table(tmp_path / "h.csv", points)
    with pytest.raises(PlateFactsError, match=words) as caught:
        new_plate(tmp_path / "top", outline_file, heights_file=file)
    assert caught.value.where == str(file)
    assert caught.value.remedy
    assert not (tmp_path / "top.plate").exists()


def test_a_bad_line_of_heights_is_named(tmp_path: Path) -> None:
    (tmp_path / "h.csv").write_text("x_mm,y_mm,height_mm\n0,100,1\n0,110,high\n")
    with pytest.raises(PlateFactsError, match="line 3: height_mm is “high”"):
        new_plate(tmp_path / "top", heights_file=tmp_path / "h.csv")
    with pytest.raises(PlateFactsError, match="there is no such file"):
        new_plate(tmp_path / "top", heights_file=tmp_path / "none.csv")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("-17,55,-21,320,11", "has 5 values"),
        ("-17,55,-21,320,high,5", "not a number"),
        ("-17,55,-17,60,11,5", "only 5 mm long"),
        ("-17,55,-21,320,0.011,0.005", "height outside"),
        ("-17,55,-21,320,11,500", "width outside"),
        ("-17,55,-21,420,11,5", r"leaves the wood at \(-20, 3"),
        ("nan,55,-21,320,11,5", "not a finite number"),
    ],
)
def test_bars_that_cannot_be_are_refused(
    outline_file: Path, tmp_path: Path, text: str, words: str
) -> None:
    with pytest.raises(PlateFactsError, match=words):
        new_plate(tmp_path / "top", outline_file, bars=[text])


def test_a_tap_set_with_heights_off_its_plate_is_refused(tmp_path: Path) -> None:
    made = write_tap_set(tmp_path / "set", ROWS, files=FILES)
    (made / "heights.csv").write_text(SQUARE_HEIGHTS.replace("80,100", "180,100"))
    with pytest.raises(PlateFactsError, match="off the wood"):
        gather(made, tmp_path / "p")
    (made / "heights.csv").unlink()
    (made / "plate.toml").write_text("bars = [[1, 2, 3, 4, 5, 6]]\n")
    with pytest.raises(TapSetError, match="a list of texts"):
        gather(made, tmp_path / "p")
    # the folder's own outline counts where the set brings none
    (made / "plate.toml").write_text('bars = ["30,20,30,280,9,5.5"]\n')
    (made / "outline.csv").unlink()
    with make_folder(tmp_path / "own"):
        pass
    with pytest.raises(PlateFactsError, match="leaves the wood"):
        gather(made, tmp_path / "own")


def test_a_bar_is_written_as_it_is_read() -> None:
    for bar in (
        Bar(-17.25, 55.0, -21.0, 320.125, (3.0, 11.5, 3.0), 5.5),
        Bar(0.0, 10.0, 100.0, 10.0, (8.0,), 6.0, "maple"),
    ):
        assert bar_of_text(text_of_bar(bar)) == bar
