"""Small invented clips, plans, readings and tap sets that the archive tests share."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from rig.archive.plate_folder import PlateFolder
from rig.model.clip import Clip
from rig.model.outline import Outline
from rig.model.plan import Plan, PlannedTap
from rig.model.plate_facts import PlateFacts
from rig.model.reading import ClipReading, RingPartial

SQUARE = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 200.0], [0.0, 200.0]])


def square_outline() -> Outline:
    """100 mm × 200 mm: every test sees at once what is inside."""
    return Outline.checked(SQUARE)


def make_clip(seed: int = 0, *, samples: int = 960, bits: int = 24, channels: int = 2) -> Clip:
    """Noise over the whole range of the integers, the extremes included."""
    half = 2 ** (bits - 1)
    noise = np.random.default_rng(seed).integers(-half, half, (samples, channels), dtype=np.int64)
    noise[0], noise[1] = -half, half - 1
    return Clip(
        samples=noise.astype(np.int32),
        sample_rate_hz=48_000,
        full_scale=half,
        pickup_channel=1 if channels > 1 else None,
        strike_sample=96,
        strike_speed_m_s=0.512345678901,
        rebound_ratio=0.31,
    )


def make_plan(taps: int = 6, repeats: int = 1) -> Plan:
    """A row of taps up the middle of the square."""
    places = tuple(PlannedTap(n, 50.0, 10.0 + 9.0 * n) for n in range(taps))
    return Plan("outer", "light", 9, 8.0, repeats, places)


def make_reading(tone_hz: float | None = 351.25) -> ClipReading:
    """A reading with something in every field but the contact."""
    return ClipReading(
        onset_s=0.00201,
        ring=(RingPartial(351.25, 0.01, 0.08, 0.0), RingPartial(702.1, 0.02, 0.04, -11.5)),
        tone_hz=tone_hz,
        tone_sd_hz=0.011,
        attack_hz=1810.5,
        attack_sd_cents=14.0,
        contact_ms=None,
        contact_sd_ms=None,
        rebound_ratio=0.31,
        level_db=-6.25,
        quality="good",
        reasons=("no pickup: contact is not known",),
    )


def make_folder(path: Path) -> PlateFolder:
    """A new folder of the square plate, open for writing."""
    return PlateFolder.create(path, PlateFacts("square", wood="maple"), square_outline())


def filled_folder(path: Path, taps: int = 6) -> Path:
    """A closed folder with one finished scan; returns its path."""
    with make_folder(path) as folder:
        scan = folder.new_scan(make_plan(taps))
        for tap in range(taps):
            strike = store(folder, scan, tap)
            folder.store_reading(strike, make_reading())
        folder.set_state(scan, "finished")
        return folder.path


def store(folder: PlateFolder, scan: str, tap: int, repeat: int = 0) -> int:
    """Store the clip that belongs to a tap."""
    x_mm, y_mm = 50.0, 10.0 + 9.0 * tap
    clip = make_clip(seed=tap)
    return folder.store_strike(scan, tap=tap, repeat=repeat, x_mm=x_mm, y_mm=y_mm, clip=clip)


def write_tap_set(
    directory: Path,
    rows: list[str],
    *,
    head: str = "x_mm,y_mm,face,strength,file",
    files: tuple[str, ...] = (),
    outline: bool = True,
    plate: str | None = None,
    rate_hz: int = 48_000,
) -> Path:
    """A tap set whose sound files hold 24-bit noise."""
    directory.mkdir(parents=True, exist_ok=True)
    (directory / "taps.csv").write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    for number, name in enumerate(files):
        noise = np.random.default_rng(number).integers(-(2**22), 2**22, 2400, dtype=np.int32)
        soundfile.write(directory / name, noise << 8, rate_hz, subtype="PCM_24")
    if outline:
        lines = ["x_mm,y_mm", *(f"{x:g},{y:g}" for x, y in SQUARE), "0,0"]
        (directory / "outline.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    if plate is not None:
        (directory / "plate.toml").write_text(plate, encoding="utf-8")
    return directory


STRUCK_PLACES = tuple(
    PlannedTap(3 * row + column, 20.0 + 30.0 * column, 30.0 + 70.0 * row)
    for row in range(3)
    for column in range(3)
)


def struck(tap: int, seed: int, spread: float) -> Clip:
    """0.25 s of a struck plate: three partials, and an attack that rises across the plate."""
    rng = np.random.default_rng((seed, tap))
    time_s = np.arange(12_000) / 48_000 - 0.02
    after = time_s >= 0
    sound = np.zeros(12_000)
    for hz, decay_s, level in ((310.0, 0.06, 1.0), (545.0, 0.05, 0.7), (880.0, 0.04, 0.5)):
        sound += after * level * np.exp(-time_s / decay_s) * np.sin(2 * np.pi * hz * time_s)
    attack_hz = 1500.0 * 2 ** (spread * (tap % 3 - 1) / 12)
    sound += after * 1.5 * np.exp(-time_s / 0.006) * np.sin(2 * np.pi * attack_hz * time_s)
    samples = np.rint(2**20 * sound + rng.normal(0.0, 40.0, 12_000)).astype(np.int32)
    return Clip(samples[:, None], 48_000, strike_sample=960)


def struck_folder(
    path: Path, spreads: Sequence[float] = (1.0,), *, simulated: bool = False, **facts: Any
) -> Path:
    """A folder with a finished scan for each spread of the attack; no reading stored."""
    plate = PlateFacts(facts.pop("name", path.stem), **facts)
    with PlateFolder.create(path, plate, square_outline()) as folder:
        for number, spread in enumerate(spreads):
            plan = Plan("outer", "light", 30.0, 8.0, 1, STRUCK_PLACES)
            scan = folder.new_scan(plan, origin={"simulated": simulated})
            for tap in STRUCK_PLACES:
                folder.store_strike(
                    scan, tap=tap.number, repeat=0, x_mm=tap.x_mm, y_mm=tap.y_mm,
                    clip=struck(tap.number, number, spread),
                )  # fmt: skip
            folder.set_state(scan, "finished")
        return folder.path
