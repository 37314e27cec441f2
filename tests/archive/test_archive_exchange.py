"""What other programs are given: checked with their own readers, and taken back unchanged."""

from __future__ import annotations

import json
import warnings
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from pathlib import Path

import ezdxf
import numpy as np
import pytest
from archive_samples import filled_folder, make_clip, make_folder, make_plan, make_reading

from rig.archive.map_shapes import MapShapes, shapes_json, write_shapes
from rig.archive.outline_files import read_outline
from rig.archive.plate_folder import PlateFolder
from rig.archive.template_drawings import write_dxf_template, write_svg_template
from rig.archive.universal_files import ModeShape, NodeValues, write_universal
from rig.jobs.export import export
from rig.jobs.gather import gather
from rig.model import polygon
from rig.model.errors import FolderDamagedError, OutlineError, TapSetError, UsageError
from rig.model.frames import PlateXY
from rig.model.outline import Outline
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import HighZone, ToneMap
from rig.virtual.shapes import violin_outline

EVEN = violin_outline(sound_holes=True)
# no plate is quite symmetric: leaning over by 4 mm, so that a mirrored one would show
LEAN = np.array([[1.0, 0.0], [4.0 / 355.0, 1.0]])
PLATE = Outline.checked(EVEN.rim @ LEAN, tuple(hole @ LEAN for hole in EVEN.holes))
ORIGIN = {
    "simulated": True, "microphone_xyz_mm": (12.5, 90.0, 201.25), "temperature_c": 19.7,
    "humidity_percent": 41.3, "mass_g": 111.25,
}  # fmt: skip


def scanned(path: Path, bits: int = 24) -> ScanRecord:
    """Two taps struck twice with something in every number, at places with no short decimals."""
    with make_folder(path) as folder:
        folder.update_facts(mass_g=111.25)
        scan = folder.new_scan(make_plan(2, repeats=2), origin=ORIGIN)
        for tap in range(2):
            for repeat in range(2):
                clip = replace(
                    make_clip(10 * tap + repeat, bits=bits),
                    strike_speed_m_s=0.4 + tap / 7,
                    rebound_ratio=0.3 + repeat / 70,
                )
                place = {"x_mm": 50.0 + tap / 3, "y_mm": 20.0 / 3.0 + 9.0 * tap}
                folder.store_strike(scan, tap=tap, repeat=repeat, clip=clip, **place)
        return folder.scan_record(scan)


def record_of(path: Path) -> ScanRecord:
    with PlateFolder.open(path) as folder:
        return folder.scan_record("S0001")


def same_strikes(one: ScanRecord, other: ScanRecord) -> None:
    empty = np.zeros((0, 2), dtype=np.int32)
    for a, b in zip(one.strikes, other.strikes, strict=True):
        assert (a.tap, a.repeat, a.x_mm, a.y_mm) == (b.tap, b.repeat, b.x_mm, b.y_mm)
        assert np.array_equal(a.clip.samples, b.clip.samples)
        assert str(replace(a.clip, samples=empty)) == str(replace(b.clip, samples=empty))


@pytest.mark.parametrize("sound", ["wav", "flac"])
def test_a_tap_set_comes_back_with_its_conditions(tmp_path: Path, sound: str) -> None:
    before = scanned(tmp_path / "a")
    result = export(tmp_path / "a", tmp_path / "out", sound=sound)
    assert f"audio/ (4 {sound.upper()} files)" in result.files
    assert len(list((tmp_path / "out/audio").glob(f"*.{sound}"))) == 4
    gather(tmp_path / "out", tmp_path / "b")
    after = record_of(tmp_path / "b")
    same_strikes(before, after)
    assert before.conditions == after.conditions == {
        "temperature_c": 19.7, "humidity_percent": 41.3, "mass_g": 111.25,
    }  # fmt: skip
    assert after.microphone_xyz_mm == before.microphone_xyz_mm


def test_the_data_package_is_valid_for_frictionless(tmp_path: Path) -> None:
    """Checked by the reference library of the standard (frictionless-py)."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its own, at import
        from frictionless import validate
    export(filled_folder(tmp_path / "a"), tmp_path / "out", forms=("tap-set", "shapes"))
    package = tmp_path / "out/datapackage.json"
    assert validate(str(package)).valid
    told = {one["name"] for one in json.loads(package.read_text())["resources"]}
    assert told == {"taps", "readings", "partials", "outline", "audio", "shapes-json"}
    table = tmp_path / "out/taps.csv"
    table.write_text(table.read_text().replace("light", "loud"))
    assert not validate(str(package)).valid


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_a_universal_file_comes_back_sample_by_sample(tmp_path: Path, bits: int) -> None:
    before = scanned(tmp_path / "a", bits)
    export(tmp_path / "a", tmp_path / "out", forms=("universal",))
    found = gather(tmp_path / "out/S0001.uff", tmp_path / "b")
    assert (found.taps, found.strikes, found.rejected) == (2, 4, ())
    after = record_of(tmp_path / "b")
    same_strikes(before, after)
    assert after.simulated
    assert after.facts.name == before.facts.name
    assert after.microphone_xyz_mm == pytest.approx(before.microphone_xyz_mm, abs=2e-3)
    assert np.allclose(after.outline.rim, before.outline.rim, atol=2e-3)


def test_pyuff_reads_nodes_histories_and_shapes(tmp_path: Path) -> None:
    import pyuff

    record = scanned(tmp_path / "a")
    mode = ModeShape(351.25, 0.08, (0, 1), np.array([1.0, -0.25]))
    tones = NodeValues("tone in cents", (0, 1), np.array([-31.5, np.nan]))
    path = tmp_path / "scan.uff"
    assert write_universal(path, record, [mode], [tones]) == 4
    sets = pyuff.UFF(str(path)).read_sets()
    assert [one["type"] for one in sets] == [151, 164, 15, 82, *[58] * 8, 55, 55]
    nodes = sets[2]
    assert nodes["node_nums"][:2] == [1, 2]
    assert nodes["x"][1] == pytest.approx(0.050 + 1e-3 / 3, abs=1e-6)  # metres
    strike = record.strikes[0]
    microphone, pickup = sets[4], sets[5]
    assert np.array_equal(microphone["data"], strike.clip.mic)
    assert np.array_equal(pickup["data"], strike.clip.pickup)
    assert microphone["abscissa_inc"] == pytest.approx(1 / 48_000, rel=1e-5)
    assert (microphone["ref_node"], microphone["ref_dir"], microphone["func_type"]) == (1, -3, 1)
    assert (pickup["rsp_node"], pickup["rsp_dir"]) == (1, -3)
    shape, values = sets[12], sets[13]
    assert (shape["freq"], shape["mode_n"]) == (351.25, 1)
    assert shape["modal_damp_vis"] == pytest.approx(1 / (2 * np.pi * 351.25 * 0.08), rel=1e-5)
    assert list(shape["r3"]) == [1.0, -0.25]
    assert (list(values["node_nums"]), list(values["r3"])) == ([1], [-31.5])
    assert "SIMULATED" in sets[0]["description"]


def foreign_file(path: Path, *, length: float = 1000.0) -> Path:
    """As another program may write it: text, millimetres, one force and one spectrum among them."""
    import pyuff

    rng = np.random.default_rng(3)
    places = np.array([[40.0, 30.0], [60.0, 90.0], [50.0, 150.0]])
    file = pyuff.UFF(str(path))
    units = {"type": 164, "units_code": 5, "length": length, "force": 1.0, "temp": 1.0,
             "temp_offset": 273.15}  # fmt: skip
    nodes = {"type": 15, "node_nums": [1, 2, 3], "x": places[:, 0], "y": places[:, 1],
             "z": np.zeros(3)}  # fmt: skip
    file.write_sets([units, nodes], mode="overwrite")
    for node, kind, number in ((1, 15, 1), (2, 15, 1), (3, 15, 1), (3, 13, 1), (2, 15, 4)):
        data = rng.normal(size=600)
        function = {
            "type": 58, "func_type": number, "rsp_node": 99, "rsp_dir": 3, "ref_node": node,
            "ref_dir": -3, "data": data if number == 1 else data + 1j, "x": np.arange(600) / 44_100,
            "abscissa_spacing": 1, "abscissa_min": 0.0, "abscissa_inc": 1 / 44_100,
            "abscissa_spec_data_type": 17, "ordinate_spec_data_type": kind,
            "orddenom_spec_data_type": 0,
        }  # fmt: skip
        file.write_sets([function])
    return path


def test_histories_of_other_programs_are_gathered(tmp_path: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own
        path = foreign_file(tmp_path / "bench.unv")
    with pytest.raises(OutlineError, match="no outline") as caught:
        gather(path, tmp_path / "none")
    assert "platerig new" in caught.value.remedy
    make_folder(tmp_path / "b").close()
    found = gather(path, tmp_path / "b")
    assert (found.taps, found.strikes) == (3, 3)
    told = " ".join(found.cautions)
    assert "2 function(s) were passed over" in told
    assert "outer and light were taken" in told
    after = record_of(tmp_path / "b")
    assert [(s.x_mm, s.y_mm) for s in after.strikes] == [(40, 30), (60, 90), (50, 150)]
    assert {s.clip.sample_rate_hz for s in after.strikes} == {44_100}
    assert max(int(np.abs(s.clip.samples).max()) for s in after.strikes) == 2**23 - 1


def test_what_is_whole_of_a_damaged_universal_file_is_taken(tmp_path: Path) -> None:
    before = scanned(tmp_path / "a")
    export(tmp_path / "a", tmp_path / "out", forms=("universal",))
    data = bytearray((tmp_path / "out/S0001.uff").read_bytes())
    first = data.index(b"tap=0 repeat=1 channel=0")
    data[data.index(b"full_scale=8388608", first) + 11] = ord("x")  # no number any more
    second = data.index(b"tap=1 repeat=0 channel=1")
    place = data.index(b"full scale", second)
    for _ in range(3):  # to the end of the eleventh line of text
        place = data.index(b"\n", place) + 1
    data[place : place + 4] = np.float32(np.nan).tobytes()
    (tmp_path / "bad.uff").write_bytes(data)
    found = gather(tmp_path / "bad.uff", tmp_path / "b")
    assert found.strikes == 2
    assert any("2 strike(s) in the file are not as they were written" in c for c in found.cautions)
    kept = [(s.tap, s.repeat) for s in before.strikes if (s.tap, s.repeat) in {(0, 0), (1, 1)}]
    after = record_of(tmp_path / "b")
    for key, strike in zip(kept, after.strikes, strict=True):
        truth = next(s for s in before.strikes if (s.tap, s.repeat) == key)
        assert np.array_equal(strike.clip.samples, truth.clip.samples)


@pytest.mark.parametrize("content", [b"", b"not one\n", b"    -1\n    58\nNONE\n    -1\n"])
def test_nonsense_is_no_universal_file(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "a.uff").write_bytes(content)
    with pytest.raises(TapSetError) as caught:
        gather(tmp_path / "a.uff", tmp_path / "b")
    assert caught.value.remedy
    assert not (tmp_path / "b.plate").exists()


def drawn_shapes() -> MapShapes:
    """An invented map of three taps with one zone and contours on both sides of the target."""
    places = PlateXY(np.array([[-40.0, 90.0], [40.0, 90.0], [0.0, 250.0]]))
    made = ToneMap(
        "S0002", "inner", "local", "waves", "flat", (0, 1, 2), places, np.array([30.0, -10.0, 0.0]),
        np.ones(3), np.array([30.0, -10.0, np.nan]), 900.0, 40.0, 30.0, 50.0, 5.0, (),
    )  # fmt: skip
    turn = np.linspace(0.0, 2 * np.pi, 60)
    round_ = np.column_stack([np.cos(turn), np.sin(turn)])
    border = np.array([-40.0, 90.0]) + 20.0 * round_
    zone = HighZone(1, -40.0, 90.0, 1257.0, 30.0, 4.0, 0.97, (0,))
    contours = {25.0: [border], -25.0: [np.array([40.0, 90.0]) + 25.0 * round_], 0.0: []}
    return MapShapes(
        "back & belly", "S0002", PLATE, made, contours, [(zone, [border])], (-10.0, 180.0), True
    )


@pytest.mark.parametrize("kind", ["svg", "dxf"])
@pytest.mark.parametrize("seen_from", ["outer", "inner"])
def test_templates_are_at_true_size(tmp_path: Path, kind: str, seen_from: str) -> None:
    write = write_svg_template if kind == "svg" else write_dxf_template
    path = write(tmp_path / f"t.{kind}", drawn_shapes(), seen_from)  # type: ignore[arg-type]
    found = read_outline(path)
    assert len(found.holes) == len(PLATE.holes)  # closed contours are no sound holes
    truth = [PLATE.rim, *PLATE.holes]  # a mirrored drawing is turned back
    low, high = truth[0].min(axis=0), truth[0].max(axis=0)
    shift = np.array([(low[0] + high[0]) / 2, low[1]])
    rims = [(found.rim, truth[0])]
    for hole in found.holes:
        nearest = min(truth[1:], key=lambda r: np.hypot(*(r.mean(0) - shift - hole.mean(0))))
        rims.append((hole, nearest))
    for ring, other in rims:
        assert np.max(polygon.distance_to_edge_mm(other - shift, ring)) <= 0.01


def test_the_svg_says_its_size_and_what_it_shows(tmp_path: Path) -> None:
    root = ElementTree.parse(write_svg_template(tmp_path / "t.svg", drawn_shapes())).getroot()
    _, _, wide, high = (float(v) for v in root.attrib["viewBox"].split())
    assert (root.attrib["width"], root.attrib["height"]) == (f"{wide:.4f}mm", f"{high:.4f}mm")
    name = "{http://www.w3.org/2000/svg}"
    words = [text.text for text in root.iter(f"{name}text")]
    assert "SIMULATED: there is no such plate" in words
    assert "back & belly, scan S0002" in words
    assert {"1 (+30)", "+25", "-25"} <= set(words)
    layers = {group.attrib["id"] for group in root.iter(f"{name}g")}
    assert {"plate-outline", "plate-sound-holes", "zones", "contours-high", "start"} <= layers


def test_the_dxf_is_sound_and_in_millimetres(tmp_path: Path) -> None:
    drawing = ezdxf.readfile(write_dxf_template(tmp_path / "t.dxf", drawn_shapes(), "inner"))
    assert drawing.units == ezdxf.units.MM
    assert drawing.audit().errors == []
    space = drawing.modelspace()
    assert "Seen from the inner face (mirrored)" in [t.dxf.text for t in space.query("TEXT")]
    check = [
        np.ptp(np.array(line.get_points("xy")), axis=0)
        for line in space.query('LWPOLYLINE[layer=="notes"]')
    ]
    assert any(np.allclose(size, (100.0, 0.0)) for size in check)
    zone = space.query('LWPOLYLINE[layer=="zones"]').first
    assert zone is not None
    middle = np.mean(np.array(zone.get_points("xy"))[:-1], axis=0)
    assert middle == pytest.approx([40.0, 90.0], abs=0.1)  # mirrored


def test_shapes_say_that_they_are_no_places_on_earth(tmp_path: Path) -> None:
    shapes = drawn_shapes()
    told = json.loads(write_shapes(tmp_path / "shapes.json", shapes).read_text())
    assert (
        "Not geographic: coordinates are millimetres in the plate frame" in told["coordinates_are"]
    )
    assert told["simulated"] is True
    kinds = [one["properties"]["kind"] for one in told["features"]]
    assert kinds == ["outline", "high zone", "contour", "contour", *["tap"] * 3, "starting spot"]
    rings = [np.array(ring) for ring in told["features"][0]["geometry"]["coordinates"]]
    assert np.array_equal(rings[0][0], rings[0][-1])
    assert np.allclose(rings[0][:-1], PLATE.rim, atol=1e-4)
    areas = [polygon.signed_area_mm2(ring[:-1]) for ring in rings]
    assert areas[0] > 0 > max(areas[1:])  # RFC 7946, 3.1.6: right-hand rule
    assert told["features"][6]["properties"]["excess_cents"] is None  # not known, and never 0


def test_without_a_map_the_outline_and_the_reason_are_left(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    with PlateFolder.open(path, write=True) as folder:
        for strike in folder.scan_record("S0001").strikes:
            folder.store_reading(strike.strike_id, replace(make_reading(), quality="bad"))
    result = export(path, tmp_path / "out", forms=("shapes", "template"))
    assert set(result.files) == {"shapes.json", "template.svg", "template.dxf"}
    assert "so only the outline is drawn" in result.notes[0]
    assert len(read_outline(tmp_path / "out/template.svg").rim) == 4
    told = json.loads((tmp_path / "out/shapes.json").read_text())
    assert [one["properties"]["kind"] for one in told["features"]] == ["outline"]


def test_a_damaged_folder_still_gives_its_recordings(tmp_path: Path) -> None:
    path = filled_folder(tmp_path / "a")
    (path / "plate.sqlite").write_bytes(b"gone" * 2000)
    result = export(path, tmp_path / "out", forms=("tap-set", "template"))
    assert result.strikes == 6
    assert result.notes[-1] == "Without its database only the tap set can be written."
    with pytest.raises(FolderDamagedError):
        export(path, tmp_path / "other", forms=("template",))
    assert not (tmp_path / "other").exists()


def test_forms_that_are_not_there_are_named(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no form “paper”"):
        export(filled_folder(tmp_path / "a"), tmp_path / "out", forms=("paper",))  # type: ignore[arg-type]
    assert not (tmp_path / "out").exists()


def test_shapes_of_a_bare_plate() -> None:
    told = shapes_json(MapShapes("bare", None, PLATE))
    assert (told["scan"], told["face"], len(told["features"])) == (None, None, 1)
