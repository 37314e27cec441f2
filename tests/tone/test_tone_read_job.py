"""`read_file`: the JSON contract, and clear errors for what is no recording."""

from __future__ import annotations

import json

import numpy as np
import pytest
import soundfile
from tone_sounds import BAR, RATE_HZ, strike

from rig.jobs.read import read_file
from rig.model.errors import RecordingError


def saved(path, x, rate_hz=RATE_HZ, subtype="PCM_24"):
    soundfile.write(path, x, rate_hz, subtype=subtype)
    return path


@pytest.mark.parametrize("name", ["tap.wav", "tap.flac"])
def test_contract(tmp_path, name):
    answer = json.loads(json.dumps(read_file(saved(tmp_path / name, strike(BAR))).as_json()))
    (reading,) = answer["readings"]
    assert {"onset_s", "ring", "tone_hz", "attack_hz", "quality", "reasons"} <= set(reading)
    assert {"hz", "sd_hz", "decay_s", "level_db"} <= set(reading["ring"][0])
    assert reading["quality"] == "good"
    assert reading["tone_hz"] == pytest.approx(440.0, rel=1e-4)
    assert (reading["note"], round(reading["note_cents"], 1)) == ("A4", 0.0)


def test_several_strikes_and_channels(tmp_path):
    x = np.concatenate([strike(BAR, seed=1), strike(BAR, seed=2)])
    both = np.column_stack([np.zeros_like(x), x])
    path = saved(tmp_path / "two.wav", both)
    assert len(read_file(path, channel=1).readings) == 2
    assert "silent" in read_file(path, channel=0).readings[0].reasons[0]
    with pytest.raises(RecordingError):
        read_file(path, channel=2)


def test_bar(tmp_path):
    path = saved(tmp_path / "bar.wav", strike([(1770.0, 0.3, 0.4, 0.2)]))
    answer = read_file(path, bar=(120.0, 20.0, 5.0, 93.6)).as_json()
    assert answer["bar"]["young_gpa"] == pytest.approx(194.24, rel=1e-3)


def test_what_is_no_recording(tmp_path):
    text = tmp_path / "notes.wav"
    text.write_text("this is no sound")
    with pytest.raises(RecordingError):
        read_file(text)
    with pytest.raises(RecordingError):
        read_file(tmp_path / "missing.wav")
    with pytest.raises(RecordingError):
        read_file(saved(tmp_path / "three.wav", np.array([0.1, 0.2, 0.3])))
    holed = strike(BAR)
    holed[100] = np.nan
    with pytest.raises(RecordingError, match="not numbers"):
        read_file(saved(tmp_path / "nan.wav", holed, subtype="FLOAT"))


def test_silence_is_an_answer(tmp_path):
    result = read_file(saved(tmp_path / "silence.wav", np.zeros(RATE_HZ)))
    assert result.readings[0].quality == "bad"
    assert result.readings[0].tone_hz is None
