"""Sound files in and out: every integer exactly as it was captured.

WAV, FLAC, AIFF (also W64, RF64, CAF, AU) of any depth are read; lossy formats are refused, since
they smear the very strike that is to be read. Written are FLAC (8, 16, 24 bits) and, where
FLAC cannot hold the numbers, WAV.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.model.clip import Clip
from rig.model.errors import RecordingError

_LOSSLESS_FORMATS = {"WAV", "WAVEX", "FLAC", "AIFF", "W64", "RF64", "CAF", "AU"}
_PCM_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
_MAX_FLAC_RATE_HZ = 655_350
_MIN_RATE_HZ, _MAX_RATE_HZ = 8_000, 768_000
_MIN_DURATION_S, _MAX_DURATION_S = 0.01, 1200.0
_RECORD_ANEW = "Record again to WAV or FLAC, 48 kHz and 24 bits if the recorder offers them."


@dataclass(frozen=True)
class RawSound:
    """What a sound file holds: samples (n, channels) int32, and the integer that stands for 1.0.

    comment: the text the file carries beside its sound, "" where there is none.
    """

    samples: NDArray[np.int32]
    sample_rate_hz: int
    full_scale: int
    comment: str = ""


def read_clip_file(
    path: Path | str, *, mic_channel: int = 0, pickup_channel: int | None = None
) -> Clip:
    """Read a recording made elsewhere; the strike lies anywhere in it (strike_sample is None).

    Channels count from 0. Raises RecordingError, with what to do, for a file that is missing,
    empty, no sound file, lossy, damaged, too short, too long, of an unusable rate, without the
    channel asked for, or that holds values that are not numbers.
    """
    path = Path(path)
    sound = read_raw(path)
    channels = sound.samples.shape[1]
    for role, number in (("microphone", mic_channel), ("pickup", pickup_channel)):
        if number is not None and not 0 <= number < channels:
            raise RecordingError(
                f"The {role} should be on channel {number}, counted from 0, but the file has "
                f"{channels} channel(s).",
                where=str(path),
                remedy="Name the channel that carries it.",
            )
    if pickup_channel is not None and pickup_channel == mic_channel:
        raise RecordingError(
            f"Microphone and pickup cannot both be channel {mic_channel}.", where=str(path)
        )
    _check_usable(sound, path)
    return Clip(
        samples=sound.samples,
        sample_rate_hz=sound.sample_rate_hz,
        full_scale=sound.full_scale,
        mic_channel=mic_channel,
        pickup_channel=pickup_channel,
    )


def read_raw(path: Path | str) -> RawSound:
    """Read all samples of a file without judging their length or rate; raises RecordingError."""
    import soundfile

    path = Path(path)
    try:
        if path.is_dir():
            raise RecordingError(
                "This is a directory, not a sound file.",
                where=str(path),
                remedy="Name one of the recordings in it; `platerig gather` takes them all.",
            )
        if not path.exists():
            raise RecordingError(
                "There is no such sound file.",
                where=str(path),
                remedy="Check the name and the folder.",
            )
        if path.stat().st_size == 0:
            raise RecordingError("The file is empty.", where=str(path), remedy=_RECORD_ANEW)
        path.open("rb").close()  # the library calls every refusal a "system error"
        with soundfile.SoundFile(str(path)) as file:
            return _read_open_file(file, path)
    except (soundfile.SoundFileError, OSError) as problem:
        raise RecordingError(
            f"This cannot be read as a sound file: {_bare(problem, path)}.",
            where=str(path),
            remedy="Give a WAV, FLAC or AIFF file; export the recording again if it was cut off.",
        ) from problem


def _bare(problem: Exception, path: Path) -> str:
    """The library's own words without the name of the file, which stands beside them."""
    if isinstance(problem, OSError) and problem.strerror:
        return problem.strerror
    words = str(problem).replace(f"Error opening {str(path)!r}: ", "").strip().rstrip(".")
    return words[:1].lower() + words[1:]


def _read_open_file(file: Any, path: Path) -> RawSound:
    if file.format not in _LOSSLESS_FORMATS:
        raise RecordingError(
            f"{file.format} is a lossy or unknown format; compression smears the strike.",
            where=str(path),
            remedy=_RECORD_ANEW,
        )
    expected = int(file.frames)
    bits = _PCM_BITS.get(file.subtype)
    if bits is None:
        samples, full_scale = _integers_of(file.read(dtype="float64", always_2d=True), path)
    else:
        samples = file.read(dtype="int32", always_2d=True)
        samples >>= 32 - bits  # the library left-aligns every depth in 32 bits
        full_scale = 2 ** (bits - 1)
    if len(samples) != expected:
        raise RecordingError(
            f"The file breaks off after {len(samples)} of {expected} samples.",
            where=str(path),
            remedy="Copy or export the recording again.",
        )
    return RawSound(samples, int(file.samplerate), full_scale, comment=str(file.comment or ""))


def _integers_of(values: NDArray[np.float64], path: Path) -> tuple[NDArray[np.int32], int]:
    """Float samples as 24-bit integers; a file louder than 1.0 keeps its level, never clips."""
    bad = ~np.isfinite(values)
    if bad.any():
        first = int(np.flatnonzero(bad.any(axis=1))[0])
        raise RecordingError(
            f"{int(bad.sum())} samples are not numbers, the first at sample {first}.",
            where=str(path),
            remedy="Export the recording again as 24-bit integers.",
        )
    peak = float(np.max(np.abs(values), initial=0.0))
    spare_bits = max(0, int(np.ceil(np.log2(peak)))) if peak > 1.0 else 0
    if spare_bits > 15:
        raise RecordingError(
            f"The float samples reach {peak:.3g} where 1.0 is full scale.",
            where=str(path),
            remedy="Export the recording again as 24-bit integers.",
        )
    full_scale = 2 ** (23 - spare_bits)
    whole = np.clip(np.rint(values * full_scale), -(2**23), 2**23 - 1)
    return whole.astype(np.int32), full_scale


def _check_usable(sound: RawSound, path: Path) -> None:
    rate = sound.sample_rate_hz
    if not _MIN_RATE_HZ <= rate <= _MAX_RATE_HZ:
        raise RecordingError(
            f"A sample rate of {rate} Hz is outside {_MIN_RATE_HZ} to {_MAX_RATE_HZ} Hz.",
            where=str(path),
            remedy=_RECORD_ANEW,
        )
    count = len(sound.samples)
    duration_s = count / rate
    if duration_s < _MIN_DURATION_S:
        raise RecordingError(
            f"The recording is too short for a tap: {count} sample(s), {1000 * duration_s:.2f} ms.",
            where=str(path),
            remedy="A tap needs about 0.3 s, with a little quiet before the strike.",
        )
    if duration_s > _MAX_DURATION_S:
        raise RecordingError(
            f"The recording is {duration_s / 60:.0f} minutes long; "
            f"at most {_MAX_DURATION_S / 60:.0f} can be read at once.",
            where=str(path),
            remedy="Cut it into shorter files.",
        )


def encode_clip(clip: Clip, comment: str = "", *, wav: bool = False) -> tuple[bytes, str]:
    """Return the clip as the bytes of a sound file, and the file's suffix (".flac" or ".wav").

    The smallest depth that holds every integer is taken, so that reading gives back the same
    integers. Encoded in memory, so that a full disk shows when the bytes are written, not silently
    inside the sound library.
    """
    import soundfile

    samples = np.ascontiguousarray(clip.samples, dtype=np.int32)
    if samples.ndim != 2 or samples.shape[0] == 0 or samples.shape[1] == 0:
        raise RecordingError(f"A clip of shape {samples.shape} holds no sound.")
    bits = _depth_needed(samples, clip.full_scale)
    in_flac = (
        not wav
        and bits <= 24
        and samples.shape[1] <= 8
        and clip.sample_rate_hz <= _MAX_FLAC_RATE_HZ
    )
    name, suffix = ("FLAC", ".flac") if in_flac else ("WAV", ".wav")
    depth = {8: "PCM_S8" if in_flac else "PCM_U8"}.get(bits, f"PCM_{bits}")
    memory = io.BytesIO()
    with soundfile.SoundFile(
        memory, "w", clip.sample_rate_hz, samples.shape[1], depth, format=name
    ) as file:
        if comment:
            file.comment = comment
        file.write(samples << (32 - bits) if bits < 32 else samples)
    return memory.getvalue(), suffix


def write_flac(path: Path | str, clip: Clip, comment: str = "") -> Path:
    """Write a clip beside the folder machinery (exports, tests); returns the path, suffix set."""
    return _write(path, clip, comment, wav=False)


def write_wav(path: Path | str, clip: Clip, comment: str = "") -> Path:
    """Write a clip as WAV of the depth it was captured in; returns the path, suffix set."""
    return _write(path, clip, comment, wav=True)


def _write(path: Path | str, clip: Clip, comment: str, *, wav: bool) -> Path:
    from rig.archive.storage import storage_errors

    data, suffix = encode_clip(clip, comment, wav=wav)
    target = Path(path).with_suffix(suffix)
    with storage_errors(target):
        target.write_bytes(data)
    return target


def _depth_needed(samples: NDArray[np.int32], full_scale: int) -> int:
    low, high = int(samples.min()), int(samples.max())
    for bits in (8, 16, 24, 32):
        half = 2 ** (bits - 1)
        if full_scale <= half and -half <= low and high < half:
            return bits
    raise RecordingError(f"A full scale of {full_scale} does not fit into 32 bits.")
