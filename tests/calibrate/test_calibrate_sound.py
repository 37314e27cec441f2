"""The sound chain: clocks, hum and noise that were put in are read back; charts judge."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from rig.calibrate.control_chart import chart_limits, judge
from rig.calibrate.sound import read_clock, read_quiet
from rig.cli.main import run
from rig.model.errors import AnalysisError

RATE_HZ = 48_000


def tone(hz: float, seconds: float, noise: float = 1e-3, seed: int = 1) -> np.ndarray:
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    return 0.3 * np.sin(2 * np.pi * hz * t) + noise * np.random.default_rng(seed).standard_normal(
        len(t)
    )


@pytest.mark.parametrize("ppm", [-800.0, -31.0, 0.0, 4.0, 250.0])
def test_clock_error_is_read_to_a_part_per_million(ppm: float) -> None:
    found = read_clock(tone(440.0 * (1 + ppm * 1e-6), 10.0), RATE_HZ, 440.0)
    assert found.error_ppm == pytest.approx(ppm, abs=1.0)
    assert found.sd_ppm < 1.0
    assert found.level_db == pytest.approx(20 * np.log10(0.3 / 2**0.5), abs=0.1)


def test_doubt_of_the_clock_is_honest() -> None:
    z = [
        (f.error_ppm - 20.0) / f.sd_ppm
        for f in (read_clock(tone(1000.02, 4.0, 0.05, seed), RATE_HZ, 1000.0) for seed in range(30))
    ]
    assert np.sqrt(np.mean(np.square(z))) == pytest.approx(1.0, abs=0.4)


def test_a_wandering_clock_is_seen() -> None:
    t = np.arange(10 * RATE_HZ) / RATE_HZ
    x = 0.3 * np.sin(2 * np.pi * 1000.0 * (t + 1e-4 * t**2 / 20.0))
    found = read_clock(x, RATE_HZ, 1000.0)
    assert found.wander_ppm == pytest.approx(40.0, abs=3.0)


@pytest.mark.parametrize(
    "x",
    [
        tone(440.0, 1.0),
        tone(470.0, 5.0),
        1e-3 * np.random.default_rng(1).standard_normal(5 * RATE_HZ),
        np.zeros(5 * RATE_HZ),
        np.concatenate([tone(440.0, 3.0), np.zeros(RATE_HZ), tone(440.0, 3.0)]),
    ],
)
def test_what_is_no_reference_tone_is_refused(x: np.ndarray) -> None:
    with pytest.raises(AnalysisError):
        read_clock(x, RATE_HZ, 440.0)


def test_noise_and_hum() -> None:
    rng = np.random.default_rng(2)
    noise = 1e-4 * rng.standard_normal(5 * RATE_HZ)
    still = read_quiet(noise + 0.02, RATE_HZ)
    assert still.noise_db == pytest.approx(-80.0, abs=0.2)
    assert still.offset == pytest.approx(0.02, abs=1e-4)
    assert still.hum_hz is None
    white = {band[:2]: band[2] for band in still.bands}
    assert white[(100.0, 2000.0)] == pytest.approx(-80.0 + 10 * np.log10(1900 / 24000), abs=0.5)
    t = np.arange(len(noise)) / RATE_HZ
    for mains in (50.0, 60.0):
        hum = sum(a * np.sin(2 * np.pi * n * mains * 1.0004 * t) for n, a in ((1, 2e-3), (3, 1e-3)))
        found = read_quiet(noise + hum, RATE_HZ)
        assert found.hum_hz == mains
        assert found.hum_db == pytest.approx(10 * np.log10((4e-6 + 1e-6) / 2), abs=0.5)
    with pytest.raises(AnalysisError):
        read_quiet(noise[:1000], RATE_HZ)


def test_chart_of_a_published_example() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.2, flowrate; from memory. There 3/1.128 stands for 2.66."""
    limits = chart_limits([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    assert limits.mean == pytest.approx(50.81, abs=1e-9)
    assert limits.mean_range == pytest.approx(1.8778, abs=5e-5)
    assert limits.high == pytest.approx(55.8041, abs=2e-3)
    assert limits.low == pytest.approx(45.8159, abs=2e-3)
    assert limits.range_high == pytest.approx(3.267 * 1.8778, abs=1e-3)


def test_false_alarms_are_rare_and_shifts_are_seen() -> None:
    rng = np.random.default_rng(3)
    alarms = [judge(rng.standard_normal(25), rng.standard_normal()).in_control for _ in range(400)]
    assert alarms.count(False) < 20
    shifted = [judge(rng.standard_normal(25), 5.0).in_control for _ in range(100)]
    assert shifted.count(False) > 95
    drift = judge([0.1, -0.2, 0.0, -0.1, -0.3, 1.0, 1.1, 0.9, 1.0, 1.2, 1.0, 0.9], 1.1)
    assert any("drifts" in s for s in drift.sentences)
    assert judge([1.0] * 4, 1.0).in_control is None
    assert judge([1.0] * 9, 1.001, floor=0.01).in_control is True


def bar_file(path: Path, hz: float, seed: int) -> Path:
    t = np.arange(int(0.8 * RATE_HZ)) / RATE_HZ - 0.05
    one = sum(
        a * np.exp(-t / d) * np.sin(2 * np.pi * f * t + 0.3)
        for f, d, a in ((hz, 0.25, 0.4), (2.757 * hz, 0.1, 0.1), (5.404 * hz, 0.1, 0.2))
    )
    x = np.tile(np.where(t >= 0, one, 0.0), 2)
    soundfile.write(
        path, x + 1e-4 * np.random.default_rng(seed).standard_normal(len(x)), RATE_HZ, "PCM_24"
    )
    return path


def test_the_daily_bar(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    call = [
        "calibrate",
        "bar",
        "--bar",
        "300,30.00,6.00,423.9",
        "--records",
        str(tmp_path / "kept"),
    ]
    rng = np.random.default_rng(1)
    for day in range(6):
        file = bar_file(tmp_path / f"{day}.wav", 347.0 + 0.05 * rng.standard_normal(), day)
        assert run([*call, str(file), "--json"]) == 0
    found = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert found["in_control"] is True
    assert found["limits"]["baseline"] == 5
    assert run([*call, str(bar_file(tmp_path / "odd.wav", 350.0, 9))]) == 1
    assert "OUT OF LIMITS" in capsys.readouterr().out
    assert len(list((tmp_path / "kept").glob("bar-*.json"))) == 7
    again = bar_file(tmp_path / "again.wav", 347.0, 11)
    assert run([*call, str(again), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["limits"]["baseline"] == 6  # the odd one left out


def test_sound_verb(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    quiet, fork = tmp_path / "quiet.wav", tmp_path / "fork.wav"
    soundfile.write(
        quiet, tone(440.0, 3.0)[::-1] * 0.0 + 1e-4 * tone(50.0, 3.0, 0.3), RATE_HZ, "PCM_24"
    )
    soundfile.write(fork, tone(440.05, 5.0), RATE_HZ, "PCM_24")
    call = ["calibrate", "sound", "--records", str(tmp_path / "kept")]
    assert run([*call, "--silence", str(quiet), "--tone", str(fork), "--hz", "440", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["clock"]["error_ppm"] == pytest.approx(0.05 / 440 * 1e6, abs=1.0)
    assert found["quiet"]["noise_db"] < -80
    assert run([*call, "--tone", str(fork), "--hz", "439.5"]) == 1  # 2 cents off
    assert "cents off" in capsys.readouterr().out
    assert run(call) == 2
    assert run([*call, "--tone", str(fork)]) == 2
    assert run([*call, "--silence", str(tmp_path / "none.wav")]) == 1
