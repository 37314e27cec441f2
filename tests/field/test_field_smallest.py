"""What the rig can tell apart counts: in zones, in comparisons, and in what is said of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rig.field import compare_scans, tone_map, work_order
from rig.field.comparison_cautions import MASS_SHARE, mass_cautions
from rig.field.differences import Difference
from rig.model.calibration import CalibrationNote
from rig.model.clip import Clip
from rig.model.frames import PlateXY
from rig.model.outline import Outline
from rig.model.plate_facts import PlateFacts
from rig.model.reading import ClipReading
from rig.model.scan_record import ScanRecord, Strike
from rig.model.tone_map import TapTone

TURN = np.linspace(0.0, 2.0 * np.pi, 80, endpoint=False)
RIM = np.column_stack([95.0 * np.cos(TURN), 170.0 + 170.0 * np.sin(TURN)])
OUTLINE = Outline.checked(RIM)
GRID = np.stack(np.meshgrid(np.arange(-84.0, 85.0, 12.0), np.arange(10.0, 335.0, 12.0)), -1)
PLACES = GRID.reshape(-1, 2)[OUTLINE.contains(GRID.reshape(-1, 2))]
CLIP = Clip(np.zeros((1, 2), dtype=np.int32), 48_000, pickup_channel=1)


def bump(height: float, x: float = 10.0, y: float = 150.0) -> np.ndarray:
    """A round patch 60 mm wide at half height, (n,) cents."""
    return height * np.exp(-np.sum((PLACES - [x, y]) ** 2, axis=1) / (2.0 * 25.5**2))


def scan(cents: np.ndarray, name: str = "S0001", seed: int = 1, **more: object) -> ScanRecord:
    """Strikes whose force pulse tells these cents, with 8 cents of scatter."""
    cents = cents + 8.0 * np.random.default_rng(seed).standard_normal(len(PLACES))
    strikes = tuple(
        Strike(
            n, n, 0, float(x), float(y), CLIP,
            ClipReading(0.0, (), None, None, None, None, float(2.0 ** (-c / 1200.0)), 0.005, None,
                        None, "good", ()),
        )
        for n, ((x, y), c) in enumerate(zip(PLACES, cents, strict=True))
    )  # fmt: skip
    record = ScanRecord(name, "outer", "light", 12.0, OUTLINE, PlateFacts("plate"), strikes)
    return replace(record, **more)  # type: ignore[arg-type]


def test_no_zone_stands_above_target_by_less_than_the_rig_can_tell() -> None:
    record = scan(bump(90.0))
    cents = bump(90.0) + 5.0 * np.random.default_rng(2).standard_normal(len(PLACES))
    tone = TapTone(
        "local", "test", tuple(range(len(PLACES))), PlateXY(PLACES),
        900.0 * 2.0 ** (cents / 1200.0),
        np.full(len(PLACES), 8.0), None,
    )  # fmt: skip
    made = tone_map(record, tone, "flat")
    (zone,) = work_order(made, record).zones
    assert 35.0 < zone.excess_cents < 100.0
    same = work_order(made, record, 20.0)  # less than anybody works at anyway
    assert [z.excess_cents for z in same.zones] == [zone.excess_cents]
    assert "can tell 20 cents apart" in same.sentence
    none = work_order(made, record, zone.excess_cents + 5.0)
    assert none.zones == ()
    assert none.smallest_change_cents == zone.excess_cents + 5.0
    assert none.sentence.startswith("Even within what this rig can tell: no place stands above")
    assert f"it can tell {zone.excess_cents + 5.0:.0f} cents apart" in none.sentence
    unknown = work_order(
        tone_map(record, replace(tone, tone_hz=0.0 * cents + 900.0), "flat"), record
    )
    assert "how much it can tell apart was not studied" in unknown.sentence


def test_change_below_what_the_rig_can_tell_is_not_called_a_change() -> None:
    before, after = scan(bump(0.0)), scan(bump(-250.0), "S0002", 2)
    found = compare_scans(before, after, reading="contact")
    assert found.smallest_change_cents is None
    assert len(found.zones) == 1
    assert any(found.significant)
    most = float(np.abs(found.change_cents).max())
    kept = compare_scans(
        before, after, reading="contact", smallest_change_cents={"contact": 0.3 * most}
    )
    assert len(kept.zones) == 1
    assert sum(kept.significant) < sum(found.significant)
    assert "This rig can tell" in kept.sentence
    lost = compare_scans(
        before, after, reading="contact", smallest_change_cents={"contact": most + 5.0}
    )
    assert lost.zones == ()
    assert not any(lost.significant)
    assert f"less than {most + 5.0:.0f} cents and is not called a change" in lost.sentence
    other = compare_scans(before, after, reading="contact", smallest_change_cents={"local": 500.0})
    assert other.zones == found.zones
    quiet = compare_scans(
        before, scan(bump(0.0), "S0002", 3), reading="contact",
        smallest_change_cents={"contact": 40.0},
    )  # fmt: skip
    assert quiet.sentence.endswith(
        "by more than chance would show and the 40 cents that this rig can tell apart."
    )


def test_air_mass_and_calibrations_that_differ_are_said() -> None:
    def note(**records: str) -> CalibrationNote:
        return CalibrationNote(records=tuple(records.items()), folder="calibration")

    before = scan(
        bump(0.0), conditions={"temperature_c": 20.0, "humidity_percent": 45.0, "mass_g": 100.0},
        calibration=note(lens="lens-1", gantry="gantry-1", bar="bar-1"),
    )  # fmt: skip
    after = replace(scan(bump(0.0), "S0002", 2), conditions=before.conditions,
                    calibration=replace(before.calibration))  # fmt: skip

    def cautions(**changed: object) -> str:
        now = replace(after, **changed)  # type: ignore[arg-type]
        return " ".join(compare_scans(before, now, reading="contact").cautions)

    assert cautions() == ""
    assert "24 °C" in cautions(conditions=before.conditions | {"temperature_c": 24.0})
    assert cautions(conditions=before.conditions | {"temperature_c": 22.9}) == ""
    assert "51 % humidity" in cautions(conditions=before.conditions | {"humidity_percent": 51.0})
    assert "weighs 3.0 g less" in cautions(conditions=before.conditions | {"mass_g": 97.0})
    assert cautions(conditions=before.conditions | {"mass_g": 99.5}) == ""
    said = cautions(calibration=note(lens="lens-2", bar="bar-2"))
    assert "camera lens (lens-1, then lens-2); gantry (gantry-1, then none)" in said
    assert "bar" not in said
    assert cautions(calibration=CalibrationNote()) == ""  # it does not say what held


@pytest.mark.parametrize(
    ("mass_g", "level", "word"),
    [
        (95.0, 0.0, ""),  # five per cent off all over: −88.8 cents
        (100.0, 0.0, "weighs 0.0 g more"),
        (92.0, 0.0, "weighs 8.0 g less"),
        (90.25, -88.8, ""),
    ],
)
def test_mass_is_held_against_what_the_change_of_local_tone_explains(
    mass_g: float, level: float, word: str
) -> None:
    before = scan(bump(0.0), conditions={"mass_g": 100.0})
    after = replace(before, conditions={"mass_g": mass_g})
    change = np.full(len(PLACES), 1200.0 * np.log2(0.95))
    none = np.zeros(len(PLACES))
    difference = Difference(
        PLACES, change, np.eye(len(PLACES)), 12.0, none, none, "local", "test",
        level_cents=(level, 1.0),
    )  # fmt: skip
    said = " ".join(mass_cautions(before, after, difference))
    assert (word in said) if word else (said == "")
    if word:
        assert f"about {5.0:.1f} g off (± {100.0 * MASS_SHARE:.1f} g)" in said
