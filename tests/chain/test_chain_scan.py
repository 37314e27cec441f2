"""One chain, in real time: serial line, chip, hammer pin, sound server, capture, reading, folder.

The product runs as its own process against a pseudo-terminal, a simulated ATmega328P and a
PulseAudio of its own; what it stored is held against the chip's pins and the sound that was sent.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sound_server import DEVICE, SoundServer
from workbench import Workbench, placed_strikes, platerig, write_rig_files

from rig.archive.plate_folder import PlateFolder
from rig.devices.serial_log import read_log
from rig.model.plate_facts import PlateFacts
from rig.virtual.rig import VirtualRig, build_rig

sys.path.insert(0, str(Path(__file__).parents[1] / "firmware"))

TAPS = 8


@dataclass
class Chain:
    """Everything but the product."""

    made: VirtualRig
    built: Path
    server: SoundServer
    place: Path

    @property
    def plate(self) -> Path:
        return self.place / "back.plate"

    def start(self, bench: Workbench, *options: str) -> subprocess.Popen[str]:
        """Begin or resume a scan on the bench's rig."""
        rig_file = write_rig_files(self.made, self.place, bench.port, DEVICE)
        if not self.plate.exists():
            with PlateFolder.create(self.plate, PlateFacts(name="back")):
                pass
        where = () if "--resume" in options else ("--rig", str(rig_file))
        return platerig(
            ["scan", str(self.plate), *where, "--hands-clear", "--json", *options],
            self.server.environment,
        )


@pytest.fixture(scope="module")
def made() -> VirtualRig:
    return build_rig("maple-even", 1, speed=0.0)


@pytest.fixture
def chain(made: VirtualRig, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chain]:
    from boards import build

    place = tmp_path_factory.mktemp("chain")
    with SoundServer() as server:
        yield Chain(made, build(), server, place)


def told(process: subprocess.Popen[str]) -> tuple[int, dict[str, Any], str]:
    """Exit status, JSON and what was said beside it."""
    out, err = process.communicate(timeout=100.0)
    return process.returncode, json.loads(out.splitlines()[-1]), err


def until_pulses(bench: Workbench, count: int, process: subprocess.Popen[str]) -> None:
    """Wait until the hammer pin has fired so often."""
    deadline = time.monotonic() + 60.0
    while len(bench.record.pulses) < count:
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < deadline
        time.sleep(0.01)


@pytest.mark.slow
def test_a_scan_survives_unplugging_and_agrees_with_pins_and_sound(chain: Chain) -> None:
    """The microphone is unplugged, then the cable is pulled; then the scan goes to its end."""
    with Workbench(chain.made, chain.built, chain.server.pipe) as bench:
        process = chain.start(bench, "--max-taps", str(TAPS))
        until_pulses(bench, 2, process)
        chain.server.stop()
        _ended_clearly(process, "sound")
        first = _stored(chain.plate)
        assert len(first) >= 1
        chain.server.start()
        process = chain.start(bench, "--resume", "--max-taps", str(TAPS))
        until_pulses(bench, len(bench.record.pulses) + 2, process)
        bench.pull_cable()
        _ended_clearly(process, "broke off")
    second = _stored(chain.plate)
    assert second.items() > first.items()
    _check_pulses(bench)

    log = chain.place / "line.log"
    with Workbench(chain.made, chain.built, chain.server.pipe) as bench:
        write_rig_files(chain.made, chain.place, bench.port, DEVICE)  # back under another name
        options = ("--resume", "--max-taps", str(TAPS), "--log-serial", str(log))
        status, result, _ = told(chain.start(bench, *options))
    assert status == 0, result
    assert (result["taps"], result["state"], result["simulated"]) == (TAPS, "stopped", False)
    last = _stored(chain.plate)
    assert last.items() >= second.items()
    assert sorted(last) == list(range(TAPS))
    assert len(bench.record.pulses) == TAPS - len(second) + result["retakes"]
    _check_pulses(bench)
    _check_places_and_sound(bench, chain, set(last) - set(second))
    sent = b"".join(data for _, way, data in read_log(log) if way == ">")
    assert sent.count(b" STRIKE ") >= len(bench.record.pulses)


def _ended_clearly(process: subprocess.Popen[str], words: str) -> None:
    status, result, said = told(process)
    assert status == 3, result
    assert words in result["error"]["what"].lower()
    assert "resume" in result["error"]["remedy"]
    assert "Traceback" not in said


def _check_pulses(bench: Workbench) -> None:
    """The pin was never on for longer than asked, and is off."""
    assert all(abs(pulse.length_us - 3000.0) <= 10.0 for pulse in bench.record.pulses)
    assert bench.record.left_on == 0


def _check_places_and_sound(bench: Workbench, chain: Chain, taps: set[int]) -> None:
    """Every clip is in the stream bit by bit, lies where the pin fired, and reads well."""
    with PlateFolder.open(chain.plate) as folder:
        plan, pose = folder.plan("S0001"), folder.pose("S0001")
        kept = folder.scan_record("S0001").strikes
    assert pose is not None
    strikes = [s for s in kept if not s.superseded and s.tap in taps]
    assert all(s.reading is not None and s.reading.quality == "good" for s in strikes)
    want = pose.to_bed(plan.places())
    found = placed_strikes(bench.record, chain.made, strikes)
    for one in found:
        assert np.hypot(*(want[one.tap] - one.at_mm)) < 0.05  # steps are 0.0125 mm
    seen_us = [1e6 * (one.seen - one.contact) / 48_000 for one in found]
    assert np.std(seen_us) < 50.0
    told_us = [1e6 * (one.told - one.pulse) / 48_000 for one in found]
    assert max(abs(error) for error in told_us) < 3000.0  # flight and latency are not known


def _stored(plate: Path) -> dict[int, bytes]:
    """First strike of every tap as it is kept, samples and all."""
    with PlateFolder.open(plate) as folder:
        strikes = folder.scan_record("S0001").strikes
        return {s.tap: s.clip.samples.tobytes() for s in reversed(strikes)}
