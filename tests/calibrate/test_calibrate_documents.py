"""What the commissioning steps and the bill of materials say is what the program goes by."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree

import pytest

from rig.calibrate.charuco import _DOUBTFUL_PX
from rig.calibrate.lens_coverage import ENOUGH_COVERED
from rig.calibrate.tapper import MOST_SCATTER
from rig.devices.levels import LEAST_ABOVE_NOISE_DB, LOUDEST_DB, SOFTEST_DB
from rig.jobs.check_steps import STRIKES
from rig.model.rig_settings import ControllerSettings

ROOT = Path(__file__).parents[2]
STEPS = (ROOT / "calibration" / "commissioning.md").read_text("utf-8")
PARTS = (ROOT / "calibration" / "bill-of-materials.md").read_text("utf-8")
CONFIG = (ROOT / "firmware_notes" / "reference" / "config.h").read_text("utf-8")


def built_in(name: str) -> list[float]:
    """The numbers that the reference firmware is built with under this name."""
    (line,) = re.findall(rf"^#define {name} (.+?)(?:/\*.*)?$", CONFIG, re.MULTILINE)
    return [float(number) for number in re.findall(r"-?\d+(?:\.\d+)?", line)]


def test_steps_are_numbered_in_order_and_each_names_a_command() -> None:
    rows = re.findall(r"^\| (\d+) \| [^|]+ \| ([^|]+) \|", STEPS, re.MULTILINE)
    assert [int(number) for number, _ in rows] == list(range(1, 21))
    for number, command in rows:
        assert "platerig " in command or "the same" in command, number


def test_numbers_to_expect_are_those_that_the_program_judges_by() -> None:
    low, high = f"−{abs(SOFTEST_DB):.0f}", f"−{abs(LOUDEST_DB):.0f}"
    for words in (
        f"peak between {low} and {high} dB",
        f"stand {LEAST_ABOVE_NOISE_DB:.0f} dB or more above the noise",
        f"`± (%)` {100 * MOST_SCATTER:.0f} or less",
        f"`held out` below {_DOUBTFUL_PX:.0f} px",
        f"{100 * ENOUGH_COVERED:.0f} % of the picture covered",
        f"`pass hammer: {STRIKES} light strikes",
    ):
        assert words in STEPS, words


def test_parts_fit_the_firmware_and_the_rig_file() -> None:
    _, _, x_mm, y_mm = ControllerSettings().limits_mm
    assert f"travel {x_mm:.0f} × {y_mm:.0f} mm" in PARTS
    assert built_in("TRAVEL_MM")[:2] == [x_mm, y_mm]
    assert f"{built_in('STEPS_PER_MM')[0]:.0f} steps a millimetre" in PARTS
    assert f"`GATE_WINDOW_MS` ({built_in('GATE_WINDOW_MS')[0]:.0f})" in PARTS
    assert f"{built_in('DUTY_PERCENT')[0]:.0f} % duty" in PARTS
    fallen = (2 * 9.81 * 0.015) ** 0.5
    assert f"{fallen:.2f} m/s" in PARTS


@pytest.mark.parametrize("name", ["bench.svg", "hammer.svg"])
def test_drawings_are_in_millimetres_and_nothing_leaves_the_sheet(name: str) -> None:
    drawing = ElementTree.parse(ROOT / "calibration" / name).getroot()
    _, _, wide, high = (float(part) for part in drawing.attrib["viewBox"].split())
    assert (drawing.attrib["width"], drawing.attrib["height"]) == (f"{wide:g}mm", f"{high:g}mm")
    words = [one for one in drawing.iter() if one.tag.endswith("text")]
    assert len(words) > 10
    for word in words:
        x, y, size = (float(word.attrib[key]) for key in ("x", "y", "font-size"))
        long = 0.55 * size * len(word.text or "")  # a letter of the usual type is 0.5 wide
        left = x - {"start": 0.0, "middle": 0.5, "end": 1.0}[word.attrib["text-anchor"]] * long
        assert left >= 0.0, word.text
        assert left + long <= wide, word.text
        assert size < y < high, word.text
