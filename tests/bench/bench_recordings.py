"""Pitch of recorded strikes: platerig beside general tools, on the same stretch of sound.

    python tests/bench/bench_recordings.py [--fast]

--fast leaves out pYIN. Prints hits within each clip's own tolerance, median and 95th percentile
of the error in cents (no answer counts as 1200), milliseconds a clip after a warm-up, and that
processor time as a multiple of platerig's. Then what is claimed for struck wood of many modes, and
for what nobody struck: the speech and signal sounds that the system has under /usr/share/sounds
(Debian packages alsa-utils and sound-theme-freedesktop), if it has any.
"""

from __future__ import annotations

import csv
import sys
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np

from rig.archive.sound_files import read_clip_file
from rig.tone import read_clip

RECORDINGS = Path(__file__).parents[1] / "recordings"
SYSTEM_SOUNDS = Path("/usr/share/sounds")
Answer = float | None


def spectrum_peaks(x: np.ndarray, rate: int) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies and levels (dB) of the local maxima of a zero-padded Hann spectrum."""
    size = 2 ** int(np.ceil(np.log2(4 * len(x))))
    level = 20 * np.log10(np.abs(np.fft.rfft(x * np.hanning(len(x)), size)) + 1e-12)
    top = np.flatnonzero((level[1:-1] > level[:-2]) & (level[1:-1] >= level[2:])) + 1
    a, b, c = level[top - 1], level[top], level[top + 1]
    hz = (top + 0.5 * (a - c) / (a - 2 * b + c)) * rate / size
    keep = hz > 60.0
    return hz[keep], b[keep]


def fft_strongest(x: np.ndarray, rate: int) -> Answer:
    hz, level = spectrum_peaks(x, rate)
    return float(hz[np.argmax(level)])


def fft_lowest_12_db(x: np.ndarray, rate: int) -> Answer:
    hz, level = spectrum_peaks(x, rate)
    return float(hz[level > level.max() - 12.0][0])


def weighted_median(hz: np.ndarray, weight: np.ndarray) -> Answer:
    good = np.isfinite(hz) & (weight > 0)
    if not good.any():
        return None
    hz, weight = hz[good], weight[good]
    order = np.argsort(hz)
    half = np.searchsorted(np.cumsum(weight[order]), 0.5 * weight.sum())
    return float(hz[order][half])


def frame_energy(x: np.ndarray, count: int) -> np.ndarray:
    padded = np.pad(x, 2048)
    return np.array([np.sum(padded[k * 512 : k * 512 + 4096] ** 2) for k in range(count)])


def librosa_yin(x: np.ndarray, rate: int) -> Answer:
    import librosa

    hz = librosa.yin(x, fmin=60, fmax=6000, sr=rate, frame_length=4096, hop_length=512)
    return weighted_median(hz, frame_energy(x, len(hz)))


def librosa_pyin(x: np.ndarray, rate: int) -> Answer:
    import librosa

    hz, voiced, _ = librosa.pyin(
        x, fmin=60, fmax=6000, sr=rate, frame_length=4096, hop_length=512, fill_na=np.nan
    )
    return weighted_median(np.where(voiced, hz, np.nan), frame_energy(x, len(hz)))


def table(rows: list[dict[str, str]], fast: bool) -> None:
    clips = [read_clip_file(RECORDINGS / row["file"]) for row in rows]
    rng = np.random.default_rng(0)
    # half a second from the onset with a faint hiss, as a general tool would be given it
    sounds = [
        clip.mic[2400:26400] + 1e-4 * rng.normal(size=len(clip.mic[2400:26400])) for clip in clips
    ]
    tools: dict[str, Callable[[int], Answer]] = {
        "platerig read_clip": lambda i: read_clip(clips[i]).tone_hz,
        "FFT, strongest peak": lambda i: fft_strongest(sounds[i], 48000),
        "FFT, lowest peak within 12 dB": lambda i: fft_lowest_12_db(sounds[i], 48000),
        "librosa yin": lambda i: librosa_yin(sounds[i], 48000),
    }
    if not fast:
        tools["librosa pyin"] = lambda i: librosa_pyin(sounds[i], 48000)
    print(
        f"{'tool':32}{'hits':>9}{'median c':>10}{'p95 c':>9}{'ms/clip':>9}{'CPU ms':>8}{'ratio':>7}"
    )
    own_cpu = 0.0
    for name, tool in tools.items():
        tool(0)
        error, wall, cpu, hits = [], [], [], 0
        for i, row in enumerate(rows):
            begun, used = time.perf_counter(), time.process_time()
            found = tool(i)
            wall.append(time.perf_counter() - begun)
            cpu.append(time.process_time() - used)
            off = 1200.0
            if found is not None:
                off = abs(1200.0 * float(np.log2(found / float(row["f0_hz"]))))
            error.append(off)
            hits += off <= float(row["tol_cents"])
        own_cpu = own_cpu or float(np.median(cpu))
        print(
            f"{name:32}{hits:>5}/{len(rows):<3}{np.median(error):>10.2f}"
            f"{np.percentile(error, 95):>9.1f}{1e3 * np.median(wall):>9.1f}"
            f"{1e3 * np.median(cpu):>8.1f}{np.median(cpu) / own_cpu:>7.1f}"
        )


def spoken() -> None:
    """What is claimed for speech and signals: stretches of 1.2 s, one every second."""
    import soundfile

    from rig.model.clip import Clip

    claims, count = [], 0
    for path in sorted(SYSTEM_SOUNDS.rglob("*")):
        if path.suffix not in (".wav", ".oga", ".ogg"):
            continue
        x, rate = soundfile.read(path, always_2d=True, dtype="int32")
        for start in range(0, max(1, len(x) - rate // 4), rate):
            clip = Clip(x[start : start + round(1.2 * rate), :1] // 256, rate)
            reading = read_clip(clip)
            count += 1
            if reading.tone_hz is not None and reading.quality != "bad":
                claims.append((path.name, start // rate, reading.quality, reading.tone_hz))
    print(f"\nSystem sounds under {SYSTEM_SOUNDS}: {count} stretches, a tone is claimed for")
    for name, second, quality, hz in claims:
        print(f"  {name:32} from {second} s  {quality:9}{hz:8.1f} Hz")
    print("  none" if not claims else "")


def main() -> None:
    warnings.simplefilter("ignore")
    fast = "--fast" in sys.argv
    with (RECORDINGS / "expected.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    print("\nStruck bars, bells, tongues")
    table([row for row in rows if row["class_"] == "tone"], fast)
    print("\nStruck wood of many modes: what is claimed (the indicated value is a hint only)")
    for row in rows:
        if row["class_"] == "tap":
            reading = read_clip(read_clip_file(RECORDINGS / row["file"]))
            said = "no pitch" if reading.tone_hz is None else f"{reading.tone_hz:.0f} Hz"
            print(
                f"  {row['sample']:18} {float(row['f0_hz']):6.0f} Hz  {reading.quality:9}{said:10}"
                f"{' '.join(reading.reasons)}"
            )
    spoken()


if __name__ == "__main__":
    main()
