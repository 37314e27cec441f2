"""Rig files: every mistake is named with key, section, line and the nearest right key."""

from __future__ import annotations

from pathlib import Path

import pytest

from rig.archive.rig_file import load_rig_file, rig_values, settings_of_values, write_rig_file
from rig.jobs.check import check
from rig.model.errors import RigFileError
from rig.model.rig_settings import (
    BedMarker,
    BedSettings,
    CameraSettings,
    ControllerSettings,
    LensSettings,
    MicrophoneSettings,
    PortIdentity,
    RigSettings,
    Rs274Settings,
    TapperSettings,
)

EXAMPLE = Path(__file__).parents[2] / "calibration" / "example-rig.toml"
PLAIN = "[controller]\nlink = 'rs274'\n[controller.rs274]\n"
MARKER = "[[bed.marker]]\nid = {id}\nx_mm = 1\ny_mm = 2.5\nsize_mm = 30\n"


def test_the_example_loads_without_a_caution() -> None:
    settings = load_rig_file(EXAMPLE)
    assert settings.controller.port == "/dev/ttyACM0"
    assert [m.id for m in settings.bed.markers] == [0, 1, 2, 3]
    assert settings.camera.lens == LensSettings(1480.0, 1480.0, 960.0, 540.0)
    result = check(EXAMPLE).as_json()
    assert result["problems"] == []
    assert {v["origin"] for v in result["values"] if v["value"] is not None} == {"file"}


def test_an_empty_file_is_all_defaults(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text("")
    assert load_rig_file(path) == RigSettings()
    assert {v.origin for v in rig_values(path)} == {"default"}


def test_every_value_tells_its_origin(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text("[controller]\nspeed_mm_s = 80\n" + MARKER.format(id=4))
    values = {v.key: (v.value, v.origin) for v in rig_values(path)}
    assert values["controller.speed_mm_s"] == (80.0, "file")
    assert values["controller.baud"] == (250_000, "default")
    assert values["bed.marker[0].y_mm"] == (2.5, "file")
    assert values["bed.width_mm"] == (500.0, "default")


def test_writing_and_reading_give_the_same_rig(tmp_path: Path) -> None:
    rig = RigSettings(
        name='the "old" bench, Nürnberg',
        controller=ControllerSettings(
            link="rs274",
            port="/dev/x",
            limits_mm=(1.0, 2.0, 3.5, 4.0),
            serial_log="line.log",
            identity=PortIdentity(0x1209, 1, "A7", "bench"),
            rs274=Rs274Settings(banner="ready", home=("G28", "G92 X0 Y0"), halt=("\x18", "M5")),
        ),
        tapper=TapperSettings(offset_mm=(-3.25, 1e-7)),
        microphone=MicrophoneSettings(pickup_channel=None, position_mm=(1.0, 2.0, 3.0)),
        camera=CameraSettings("2", LensSettings(1000.5, 1001.0, 960.0, 540.0, -0.1, 0.02)),
        bed=BedSettings(markers=(BedMarker(0, 1.0, 2.0, 30.0), BedMarker(7, 4.0, 5.0, 30.0))),
    )
    assert load_rig_file(write_rig_file(rig, tmp_path / "rig.toml")) == rig
    from dataclasses import asdict

    assert settings_of_values({**asdict(rig), "later_addition": 1}) == rig


WRONG = {
    "[controller]\nspeed_mm_sec = 4\n": (
        r"Unknown key “speed_mm_sec” in \[controller\], line 2: did you mean “speed_mm_s”\?"
    ),
    "[controler]\nspeed_mm_s = 4\n": (
        r"Unknown key “controler” at the top of the file, line 1: did you mean “controller”\?"
    ),
    "[tapper]\nqwerty = 1\n": "known here: light_pulse_us, firm_pulse_us",
    "[controller]\nbaud = 9600\nspeed_mm_s = -4\n": (
        r"“speed_mm_s” in \[controller\], line 3 is -4, but it should be greater than 0"
    ),
    '[controller]\nspeed_mm_s = "fast"\n': "should be a valid number",
    "[microphone]\nmic_channel = true\n": "should be a valid integer",
    "[microphone]\nbefore_s = inf\n": "should be a finite number",
    "[microphone]\nposition_mm = [1, 2]\n": "should have at least 3 items",
    "[tapper]\nlight_pulse_us = 99999\n": r"99999 µs, more than max_pulse_us \(12000 µs\)",
    "[tapper]\nmax_duty = 1.5\n": "less than or equal to 1",
    "[controller]\nlink = 'rs-274'\n": "should be 'platerig' or 'rs274'",
    "[controller]\nlink = 'rs274'\n": "“halt” is missing in .controller.rs274.: a plain board",
    PLAIN + "halt = ''\n": "“halt” in .controller.rs274., line 4 is '', but it should be one char",
    PLAIN + "halt = []\n": "should have at least 1 item",
    PLAIN + 'halt = "M5\\nM9"\n': "should be one character, or one line",
    PLAIN + "halt = '!'\nmove = 'G1 X{x}'\n": r"“move” .* should hold {x} and {y}, perhaps {feed}",
    PLAIN + "halt = '!'\nmove = 'G1 X{x} Y{y} Z{z}'\n": "and no other braces",
    PLAIN + "halt = '!'\nmove = 'G1 X{x} Y{y'\n": "line 5",
    PLAIN + "halt = '!'\ndwell = 'G4 P1'\n": "should hold {seconds} or {milliseconds}",
    PLAIN + "halt = '!'\npulse_on = 'M9'\n": "“pulse_on” and “pulse_off” in .* are the same",
    PLAIN + "halt = '!'\npulse_on = '+'\n": "must be a line that the board acknowledges",
    PLAIN + "halt = '!'\npulse_on = 'G28'\n": "where the hammer must stay off",
    PLAIN + "halt = '!'\npulse_off = 'M9 {x}'\n": "may hold no braces",
    PLAIN + "halt = '!'\nbytes_in_flight = 18\n": "need 32 bytes and must go out in one piece",
    PLAIN + "halt = '!'\nlines_in_flight = 0\n": "greater than or equal to 1",
    PLAIN + "hault = '!'\n": "did you mean “halt”",
    "[controller.identity]\nvid = 70000\n": "less than or equal to 65535",
    "[controller.identity]\nvendor = 1\n": "known here: vid, pid, serial_number, description",
    "[controller.identity]\n": "says nothing",
    "[microphone]\nmic_channel = 'middle'\n": "should be a valid integer",
    "[controller]\nlimits_mm = [5, 0, 1, 2]\n": "minimum first",
    "[bed]\nmarker_dictionary = 'DICT_4x4_50'\n": "should be a marker dictionary",
    "bed = 3\n": r"should be a table, written \[bed\]",
    "[microphone]\npickup_channel = 0\n": "both on channel 0",
    "[camera.lens]\nfx = 1\n": r"“fy” is missing in \[camera\.lens\], line 1",
    MARKER.format(id=4) + MARKER.format(id=4): "Marker id 4 stands in two",
    MARKER.format(id=1) + MARKER.format(id=2).replace("y_mm", "y_mmm"): (
        r"“y_mmm” in \[\[bed\.marker\]\] number 2, line 9: did you mean “y_mm”"
    ),
    "x = \n": "not valid TOML",
    "[camera]\nlens = 'wide'\n": "no lens record “wide” beside the rig file",
}


@pytest.mark.parametrize("text", WRONG)
def test_mistakes_are_named(tmp_path: Path, text: str) -> None:
    path = tmp_path / "rig.toml"
    path.write_text(text)
    with pytest.raises(RigFileError, match=WRONG[text]) as caught:
        load_rig_file(path)
    assert caught.value.where == str(path)
    assert caught.value.remedy
    assert caught.value.exit_status == 2


def test_a_missing_or_binary_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(RigFileError, match="no such rig file"):
        check(tmp_path / "rig.toml")
    (tmp_path / "rig.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(RigFileError, match="cannot be read"):
        check(tmp_path / "rig.toml")


def test_a_lens_record_stands_in_for_its_name(tmp_path: Path) -> None:
    (tmp_path / "wide.toml").write_text("fx = 1\nfy = 2\ncx = 3\ncy = 4\n")
    (tmp_path / "rig.toml").write_text("[camera]\nsource = 0\nlens = 'wide'\n")
    camera = load_rig_file(tmp_path / "rig.toml").camera
    assert camera == CameraSettings("0", LensSettings(1.0, 2.0, 3.0, 4.0))


def test_no_pickup_is_said_with_none(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text('[microphone]\npickup_channel = "none"\n')
    assert load_rig_file(tmp_path / "rig.toml").microphone.pickup_channel is None


def test_what_stands_in_the_way_is_told_by_check(tmp_path: Path) -> None:
    text = "[tapper]\nlight_pulse_us = 7000\n" + MARKER.format(id=1).replace("1", "-1", 2)
    (tmp_path / "rig.toml").write_text(text.replace("id = -1", "id = 1"))
    whats = " ".join(p["what"] for p in check(tmp_path / "rig.toml").as_json()["problems"])
    for words in (
        "1 marker(s)", "Marker 1 lies off the bed", "light pulse (7000 µs) is not shorter",
        "lens is not known", "microphone's place is not known", "No port",
    ):  # fmt: skip
        assert words in whats


def test_words_of_a_plain_board_from_the_file_and_by_default(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(PLAIN + 'halt = "\\u0018"\nhome = ["G28", "G92 X0 Y0"]\n')
    words = load_rig_file(tmp_path / "rig.toml").controller.rs274
    assert words is not None
    assert words.halt == ("\x18",)
    assert words.home == ("G28", "G92 X0 Y0")
    assert (words.pulse_on, words.dwell, words.pulse_off) == ("M8", "G4 P{seconds}", "M9")
    values = {v.key: v.origin for v in rig_values(tmp_path / "rig.toml")}
    assert values["controller.rs274.halt"] == "file"
    assert values["controller.rs274.move"] == "default"


def test_default_words_are_rs274_ngc() -> None:
    """Words of RS-274/NGC: NISTIR 6556 (2000), chapters 3.5 and 3.6; from memory."""
    import re

    known = {"G1", "G4", "G21", "G28", "G90", "G94", "M8", "M9"}
    words = Rs274Settings()
    lines = [*words.start, *words.home, words.move, words.arrived, words.pulse_on, words.dwell,
             words.pulse_off]  # fmt: skip
    for line in lines:
        first, *rest = line.split()
        assert first in known
        assert all(re.fullmatch(r"[A-Z]({\w+}|[\d.]+)", word) for word in rest)


def test_channels_have_names_too(tmp_path: Path) -> None:
    text = "[microphone]\nmic_channel = 'right'\npickup_channel = 'left'\n"
    (tmp_path / "rig.toml").write_text(text)
    microphone = load_rig_file(tmp_path / "rig.toml").microphone
    assert (microphone.mic_channel, microphone.pickup_channel) == (1, 0)


def test_limits_beyond_the_bed_are_told(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text("[controller]\nlimits_mm = [0, 0, 500, 650]\n")
    whats = " ".join(p["what"] for p in check(tmp_path / "rig.toml").as_json()["problems"])
    assert "reach beyond the bed" in whats


def test_the_example_of_the_notes_on_plain_boards_loads(tmp_path: Path) -> None:
    import re

    notes = EXAMPLE.parents[1] / "firmware_notes" / "plain-boards.md"
    text = notes.read_text(encoding="utf-8")
    example = re.search(r"```toml\n(.*?)```", text, re.DOTALL)
    assert example is not None
    (tmp_path / "rig.toml").write_text(example[1], encoding="utf-8")
    words = load_rig_file(tmp_path / "rig.toml").controller.rs274
    assert words is not None
    assert words.halt == ("\x18",)
    defaults = Rs274Settings()
    for key in ("start", "home", "move", "arrived", "pulse_on", "dwell", "pulse_off"):
        value = getattr(defaults, key)
        for line in (value,) if isinstance(value, str) else value:
            assert f"`{line}`" in text
