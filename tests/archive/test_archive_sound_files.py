"""Sound files: integers survive exactly, and what is no recording is refused with a remedy."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from archive_samples import make_clip
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.archive.sound_files import encode_clip, read_clip_file, read_raw, write_flac, write_wav
from rig.model.clip import Clip
from rig.model.errors import RecordingError

DEPTHS = [
    ("WAV", "PCM_U8", 8), ("WAV", "PCM_16", 16), ("WAV", "PCM_24", 24), ("WAV", "PCM_32", 32),
    ("FLAC", "PCM_S8", 8), ("FLAC", "PCM_16", 16), ("FLAC", "PCM_24", 24),
    ("AIFF", "PCM_S8", 8), ("AIFF", "PCM_16", 16), ("AIFF", "PCM_24", 24), ("AIFF", "PCM_32", 32),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "subtype", "bits"), DEPTHS)
@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 192_000])
def test_every_integer_is_read_exactly(
    tmp_path: Path, kind: str, subtype: str, bits: int, rate_hz: int
) -> None:
    clip = make_clip(bits=bits, samples=2400)
    path = tmp_path / f"tap.{kind.lower()}"
    soundfile.write(path, clip.samples << (32 - bits), rate_hz, subtype=subtype, format=kind)
    read = read_clip_file(path, mic_channel=1, pickup_channel=0)
    assert np.array_equal(read.samples, clip.samples)
    assert (read.full_scale, read.sample_rate_hz) == (2 ** (bits - 1), rate_hz)
    assert (read.mic_channel, read.pickup_channel, read.strike_sample) == (1, 0, None)
    assert read.mic.min() == -1.0


@pytest.mark.parametrize("write", [write_flac, write_wav])
@pytest.mark.parametrize("bits", [8, 16, 24, 32])
def test_written_clips_come_back(tmp_path: Path, write: object, bits: int) -> None:
    clip = make_clip(bits=bits)
    path = write(tmp_path / "clip", clip, comment="which strike this is")  # type: ignore[operator]
    raw = read_raw(path)
    assert np.array_equal(raw.samples, clip.samples)
    assert (raw.full_scale, raw.comment) == (clip.full_scale, "which strike this is")


def test_flac_holds_24_bits_and_wav_takes_over_where_it_cannot() -> None:
    assert encode_clip(make_clip(bits=24))[1] == ".flac"
    assert encode_clip(make_clip(bits=32))[1] == ".wav"
    assert encode_clip(make_clip(channels=9))[1] == ".wav"


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.integers(-(2**23), 2**23 - 1), min_size=1, max_size=40),
    st.sampled_from([2**15, 2**22, 2**23]),
)
def test_any_integers_survive_the_encoder(values: list[int], full_scale: int) -> None:
    import io

    clip = Clip(np.array([values], dtype=np.int32).T, 48_000, full_scale=full_scale)
    data, _ = encode_clip(clip)
    depth = int(soundfile.info(io.BytesIO(data)).subtype.removeprefix("PCM_").removeprefix("S"))
    back = soundfile.read(io.BytesIO(data), dtype="int32", always_2d=True)[0] >> (32 - depth)
    assert np.array_equal(back, clip.samples)


def test_float_files_are_scaled_and_a_loud_one_keeps_its_level(tmp_path: Path) -> None:
    wave = np.sin(np.arange(2400) / 7.0)
    for peak in (0.25, 1.0, 2.5):
        soundfile.write(tmp_path / "f.wav", peak * wave, 48_000, subtype="FLOAT")
        clip = read_clip_file(tmp_path / "f.wav")
        assert np.max(np.abs(clip.mic - peak * wave)) < 2.0**-20
        assert np.abs(clip.samples).max() < 2**23


BAD_FILES = {
    "empty": (b"", "empty"),
    "text": (b"this is not sound\n" * 50, "cannot be read as a sound file"),
    "broken header": (b"RIFF\x00\x00\x00\x00WAVEfmt ", "cannot be read as a sound file"),
}


@pytest.mark.parametrize("name", BAD_FILES)
def test_what_is_no_sound_file_is_refused(tmp_path: Path, name: str) -> None:
    data, words = BAD_FILES[name]
    path = tmp_path / "tap.wav"
    path.write_bytes(data)
    with pytest.raises(RecordingError, match=words) as caught:
        read_clip_file(path)
    assert caught.value.where == str(path)
    assert caught.value.remedy


def test_missing_file_and_directory_are_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="no such sound file"):
        read_clip_file(tmp_path / "none.wav")
    with pytest.raises(RecordingError, match="directory"):
        read_clip_file(tmp_path)


def test_a_clip_of_three_samples_is_too_short(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "t.wav", np.zeros(3), 48_000)
    with pytest.raises(RecordingError, match="too short for a tap: 3 sample"):
        read_clip_file(tmp_path / "t.wav")


def test_values_that_are_not_numbers_are_refused_with_their_place(tmp_path: Path) -> None:
    wave = np.zeros(2400)
    wave[1234:1236] = [np.nan, np.inf]
    soundfile.write(tmp_path / "n.wav", wave, 48_000, subtype="FLOAT")
    with pytest.raises(RecordingError, match="2 samples are not numbers, the first at sample 1234"):
        read_clip_file(tmp_path / "n.wav")


def test_unusable_rate_is_refused(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "r.wav", np.zeros(2400), 4_000)
    with pytest.raises(RecordingError, match="4000 Hz"):
        read_clip_file(tmp_path / "r.wav")


def test_lossy_formats_are_refused(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "l.ogg", np.zeros(4800), 48_000)
    with pytest.raises(RecordingError, match="smears the strike"):
        read_clip_file(tmp_path / "l.ogg")


def test_a_channel_the_file_lacks_is_named(tmp_path: Path) -> None:
    path = write_wav(tmp_path / "mono", make_clip(channels=1))
    with pytest.raises(RecordingError, match="pickup should be on channel 1"):
        read_clip_file(path, pickup_channel=1)
    with pytest.raises(RecordingError, match="microphone should be on channel 3"):
        read_clip_file(path, mic_channel=3)


def test_a_flac_cut_off_is_refused(tmp_path: Path) -> None:
    path = write_flac(tmp_path / "whole", make_clip(samples=48_000))
    path.write_bytes(path.read_bytes()[:60_000])
    with pytest.raises(RecordingError):
        read_clip_file(path)
