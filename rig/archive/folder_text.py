"""README.txt and manifest-sha256.txt: what a reader finds in a folder without platerig."""

from __future__ import annotations

from pathlib import Path

from rig.archive.database import DATABASE_NAME
from rig.archive.storage import sha256_of, write_durably

MANIFEST_NAME = "manifest-sha256.txt"
README_NAME = "README.txt"

README = """\
This directory holds everything that was recorded on one plate of a stringed instrument.
It was written by platerig, free software that taps a plate all over and maps how high each
place sounds. Nothing in it is ever overwritten or deleted; it can be copied as it is.

Files
  plate.sqlite          the database (SQLite 3); its tables are explained below
  audio/SCAN/TAP-rREPEAT.flac
                        one recording per strike, integers exactly as captured, all channels;
                        -t1, -t2 … are retakes; .wav where FLAC cannot hold the numbers. Each file
                        repeats in its comment, as JSON, which strike it is and where it fell.
  images/               pictures, such as the one that the plate was located in
  hand/H0001/           (if there) what the maker's own hand found: the recording, film, picture or
                        table as it came, and record.json with places, values and how it was read
  thickness/T0001.json  (if there) thickness of the wood as the maker measured it: places, mm, the
                        day, and the list as it came
  quarantine/           (if there) files left half written by a crash, kept in case they matter
  manifest-sha256.txt   SHA-256 of each file; check with: sha256sum -c manifest-sha256.txt
  README.txt            this text

Frames and units
  Plate frame: millimetres, seen from the outer face with the neck end up, x to the right of
  the centre line, y up from the lower end; a point of wood keeps its x, y whichever face is up.
  Times are UTC (ISO 8601). Pitch in hertz, differences in cents (1200 log2 of the ratio).
  A value that is not known is empty (NULL), never 0.

Tables of plate.sqlite (PRAGMA user_version is the schema number)
  plate      one row: name, instrument, wood, mass_g, mean_thickness_mm, arching_mm (crown above
             the rim), temperature_c, humidity_percent, reference (the owner's mark), notes,
             arch_heights_mm (JSON list of [x_mm, y_mm, height of the outer surface above the rim]),
             bars (JSON list of bars glued to the inner face: x1_mm, y1_mm, x2_mm, y2_mm of the
             ends, heights_mm at even steps between them, width_mm, wood)
  outline    rings: JSON list of rings, each a list of [x_mm, y_mm]; the rim first, then sound
             holes. source says where it came from. The newest row counts.
  scan       one row per pass over the plate: face (outer, inner), strength (light, firm),
             spacing_mm of the grid, the frozen plan (JSON) and its hash, state (planned, running,
             paused, finished, stopped, halted), simulated (1: a virtual rig, no real plate),
             world and seed of the virtual rig, pose (JSON: plate frame to bed frame),
             microphone_x_mm/y/z (plate frame), temperature_c, humidity_percent,
             rig_settings (JSON) as they were, origin (JSON) as the scan was started
  strike     one row per recording: scan, tap (number in the plan, from 0), repeat, take, x_mm and
             y_mm where it fell, file, sha256, samples, channels, sample_rate_hz, full_scale (the
             integer that stands for 1.0), mic_channel and pickup_channel (from 0), strike_sample
             (where the strike lies in the recording, if known), strike_speed_m_s, rebound_ratio
             (speed after over before), pulse_us and pulse_time_us (the controller's), source (the
             file it came from), superseded (1: a retake replaced it)
  reading    what was heard in a strike: onset_s, tone_hz (the one pitch a musician would name),
             attack_hz (what a listener calls higher or lower), contact_ms, rebound_ratio,
             level_db (against full scale), sd columns are one standard deviation; quality (good,
             doubtful, bad), reasons (JSON list), ring (JSON list of partials: hz, sd_hz,
             decay_s, level_db); analysis and parameters say what made it. The newest counts.
  image      kind and file of each picture
  event      what happened to the folder, in order
"""


def withdraw_manifest(folder: Path) -> None:
    """Take the manifest away while the folder changes; closing writes a new one."""
    (folder / MANIFEST_NAME).unlink(missing_ok=True)


def write_texts(folder: Path, known: dict[str, str]) -> None:
    """Write README.txt and the manifest.

    known: hashes taken when the files were stored; they are not taken anew, so that a file that
    was damaged since does not pass.
    """
    readme = folder / README_NAME
    if not readme.exists() or readme.read_bytes() != README.encode():
        write_durably(readme, README.encode())
    hashes = dict(known)
    for name in (DATABASE_NAME, README_NAME):
        hashes[name] = sha256_of(folder / name)
    lines = [f"{digest}  {file}\n" for file, digest in sorted(hashes.items())]
    write_durably(folder / MANIFEST_NAME, "".join(lines).encode())


def read_manifest(folder: Path) -> dict[str, str] | None:
    """File → hash; None when there is no manifest."""
    try:
        text = (folder / MANIFEST_NAME).read_text(encoding="utf-8")
    except (FileNotFoundError, UnicodeDecodeError):
        return None
    pairs = (line.split("  ", 1) for line in text.splitlines() if "  " in line)
    return {file: digest for digest, file in pairs}
