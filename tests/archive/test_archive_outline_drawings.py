"""Outlines from SVG and DXF drawings: units, joined pieces, and what is refused."""

from __future__ import annotations

from pathlib import Path

import ezdxf
import numpy as np
import pytest

from rig.archive.outline_files import read_outline, write_outline
from rig.model import polygon
from rig.model.errors import OutlineError
from rig.model.outline import Outline
from rig.virtual.shapes import violin_outline

PLATE = violin_outline(sound_holes=True)


def svg(path: Path, body: str, size: str = 'width="300mm" height="400mm"') -> Path:
    box = 'viewBox="0 0 300 400"'
    path.write_text(f'<svg xmlns="http://www.w3.org/2000/svg" {size} {box}>{body}</svg>', "utf-8")
    return path


def ring_d(ring: np.ndarray, *, close: bool = True) -> str:
    """Page coordinates: y downwards, the plate's lower end at 380, centre line at 150."""
    points = " L ".join(f"{150 + x:.4f},{380 - y:.4f}" for x, y in ring)
    return f"M {points}" + (" Z" if close else "")


def plate_body(**how: bool) -> str:
    holes = "".join(f'<path d="{ring_d(hole)}"/>' for hole in PLATE.holes)
    return f'<path d="{ring_d(PLATE.rim, **how)}"/>{holes}<text x="5" y="9">back</text>'


def dxf(path: Path, ring: np.ndarray, unit: int, *, scale: float = 1.0) -> Path:
    drawing = ezdxf.new("R2010")
    drawing.header["$INSUNITS"] = unit
    drawing.modelspace().add_lwpolyline([tuple(p) for p in ring * scale], close=True)
    drawing.saveas(path)
    return path


def same(found: Outline, truth: Outline, most_mm: float = 0.05) -> None:
    shift = np.array([0.5 * (truth.rim[:, 0].min() + truth.rim[:, 0].max()), truth.rim[:, 1].min()])
    gap = polygon.distance_to_edge_mm(truth.rim - shift, found.rim)
    assert np.max(gap) < most_mm
    assert found.area_mm2 == pytest.approx(truth.area_mm2, rel=1e-3)
    assert len(found.holes) == len(truth.holes)


def test_svg_in_millimetres_is_turned_upright_and_laid_on_its_lower_end(tmp_path: Path) -> None:
    found = read_outline(svg(tmp_path / "back.svg", plate_body()))
    same(found, PLATE)
    assert found.rim[:, 1].min() == pytest.approx(0.0, abs=1e-6)


def test_svg_in_inches_with_a_turned_group(tmp_path: Path) -> None:
    size = f'width="{300 / 25.4}in" height="{400 / 25.4}in"'
    body = f'<g transform="rotate(180 150 200)"><path d="{ring_d(PLATE.rim)}"/></g>'
    with pytest.raises(OutlineError, match="wider above"):
        read_outline(svg(tmp_path / "over.svg", body, size))
    found = read_outline(svg(tmp_path / "back.svg", f"<g>{plate_body()}</g>", size))
    same(found, PLATE)


def test_svg_curves_are_followed_to_two_hundredths(tmp_path: Path) -> None:
    # an egg of four elliptic arcs: radii 100 across, 150 below and 190 above
    d = "M 50 230 A 100 190 0 0 1 250 230 A 100 150 0 0 1 50 230 Z"
    found = read_outline(svg(tmp_path / "egg.svg", f'<path d="{d}"/>'))
    truth = 0.5 * np.pi * 100 * (190 + 150)
    assert found.area_mm2 == pytest.approx(truth, rel=3e-4)
    assert found.size_mm == pytest.approx((200.0, 340.0), abs=0.03)


def test_dxf_of_every_unit(tmp_path: Path) -> None:
    rim = Outline(PLATE.rim)
    for unit, per_mm in ((4, 1.0), (1, 1 / 25.4), (5, 0.1), (6, 0.001), (0, 1.0)):
        same(read_outline(dxf(tmp_path / f"{unit}.dxf", rim.rim, unit, scale=per_mm)), rim)


def test_dxf_in_pieces_blocks_and_sleeping_layers(tmp_path: Path) -> None:
    drawing = ezdxf.new("R2010")
    drawing.header["$INSUNITS"] = 4
    drawing.layers.add("notes").off()
    space = drawing.modelspace()
    block = drawing.blocks.new("half")
    # an egg: half circle of 100 mm below, half ellipse above, in pieces drawn in odd directions
    block.add_arc((0, 0), 100.0, 180.0, 360.0)
    space.add_blockref("half", (0, 0))
    space.add_ellipse((0, 0), major_axis=(0, 200), ratio=0.5, start_param=0, end_param=np.pi / 2)
    space.add_ellipse((0, 0), major_axis=(0, 200), ratio=0.5, start_param=-np.pi / 2, end_param=0)
    space.add_circle((0, 60), 40.0)
    space.add_text("spruce")
    space.add_circle((0, 0), 300.0, dxfattribs={"layer": "notes"})
    drawing.saveas(tmp_path / "egg.dxf")
    found = read_outline(tmp_path / "egg.dxf")
    truth = 0.5 * np.pi * (100 * 100 + 100 * 200)
    assert abs(polygon.signed_area_mm2(found.rim)) == pytest.approx(truth, rel=1e-3)
    assert len(found.holes) == 1


def test_what_is_no_outline_is_refused_in_words(tmp_path: Path) -> None:
    def refused(path: Path, words: str) -> None:
        with pytest.raises(OutlineError, match=words) as caught:
            read_outline(path)
        assert path.name in str(caught.value.where)
        assert caught.value.remedy

    body = plate_body()
    refused(svg(tmp_path / "px.svg", body, 'width="300" height="400"'), "no unit")
    short = ring_d(PLATE.rim[:-3], close=False)
    refused(svg(tmp_path / "open.svg", f'<path d="{short}"/>'), "open: its ends lie")
    frame = '<rect x="1" y="1" width="298" height="398"/>'
    refused(svg(tmp_path / "frame.svg", frame + body), "several large closed curves")
    side = f'<g transform="rotate(90 150 200)">{body}</g>'
    refused(svg(tmp_path / "side.svg", side), "on its side")
    refused(svg(tmp_path / "none.svg", "<text>back</text>"), "no closed curve")
    small = 'width="30mm" height="40mm"'
    refused(svg(tmp_path / "small.svg", body, small), "centimetres")
    (tmp_path / "text.svg").write_text("no drawing", "utf-8")
    refused(tmp_path / "text.svg", "no SVG")
    (tmp_path / "text.dxf").write_text("no drawing", "utf-8")
    refused(tmp_path / "text.dxf", "no DXF")
    (tmp_path / "empty.dxf").write_bytes(b"")
    refused(tmp_path / "empty.dxf", "no DXF")
    refused(tmp_path / "nowhere.svg", "no such drawing")
    refused(dxf(tmp_path / "inch.dxf", PLATE.rim, 0, scale=1 / 25.4), "inches")
    refused(dxf(tmp_path / "eight.dxf", PLATE.rim[[0, 60, 30, 90, 120]], 4), "crosses itself|wider")


def test_a_table_of_the_wrong_unit_is_refused(tmp_path: Path) -> None:
    right = write_outline(tmp_path / "mm.csv", PLATE)
    same(read_outline(right), Outline(PLATE.rim, PLATE.holes), most_mm=1.0)
    lines = [f"{10 * x},{10 * y}" for x, y in PLATE.rim]
    (tmp_path / "tenths.csv").write_text("\n".join(["x_mm,y_mm", *lines]), "utf-8")
    with pytest.raises(OutlineError, match="tenths of a millimetre"):
        read_outline(tmp_path / "tenths.csv")
