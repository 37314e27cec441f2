"""The hammer: curves are found again, faults named, pulses chosen."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from rig.calibrate.tapper import TestStrike, fit_tapper, wear
from rig.cli.main import run
from rig.model.errors import AnalysisError

PULSES = range(1500, 8001, 500)


def truth(pulse_us: float) -> float:
    """Below 2 ms the hammer does not arrive; above it its speed grows ever more slowly."""
    return 1.2 * (1.0 - np.exp(-(pulse_us - 1800.0) / 4000.0))


def series(
    *,
    seed: int = 1,
    scatter: float = 0.03,
    drift: float = 0.0,
    gain: float = 1.0,
    double_from: int = 7000,
) -> list[TestStrike]:
    rng = np.random.default_rng(seed)
    order = rng.permutation(np.repeat(PULSES, 6))
    found = []
    for i, pulse in enumerate(order):
        speed = gain * truth(pulse) * (1 + drift * i / len(order))
        speed *= 1 + scatter * rng.standard_normal()
        double = pulse >= double_from and rng.random() < 0.6
        found.append(TestStrike(int(pulse), float(speed) if speed > 0 else None, double))
    return found


def test_curve_rises_and_follows_the_truth() -> None:
    fit = fit_tapper(series())
    assert np.all(np.diff(fit.strength) >= 0)
    at = np.array([2600.0, 4100.0, 5777.0])
    assert fit.strength_at(at) == pytest.approx([truth(p) for p in at], rel=0.04)
    assert np.isnan(fit.strength_at(np.array([100.0, 20000.0]))).all()


def test_pulses_keep_clear_of_misses_and_double_strikes() -> None:
    fit = fit_tapper(series())
    assert fit.safe_us == (2000, 6500)
    assert fit.light_us == 2000
    assert fit.firm_us is not None
    assert truth(fit.firm_us) == pytest.approx(2.5 * truth(2000), rel=0.1)
    assert abs(fit.drift) < 3 * fit.drift_sd


def test_warming_up_is_told() -> None:
    fit = fit_tapper(series(drift=-0.2))
    assert fit.drift == pytest.approx(np.log(0.8), abs=0.05)
    assert any("weaker" in note for note in fit.notes)


def test_wear_against_last_time() -> None:
    before, now = fit_tapper(series(seed=1)), fit_tapper(series(seed=2, gain=0.8))
    change, sentence = wear(before, now)
    assert change == pytest.approx(-0.2, abs=0.03)
    assert "worn" in sentence
    assert "as last time" in wear(before, fit_tapper(series(seed=3)))[1]


def test_faults_leave_no_pulses_but_a_reason() -> None:
    sticky = fit_tapper(series(scatter=0.35))
    assert sticky.light_us is None
    assert any("sticks" in note for note in sticky.notes)
    always = fit_tapper([*series(), *(TestStrike(p, 0.5, True) for p in PULSES)])
    assert always.safe_us is None
    assert always.light_us is always.firm_us is None


def test_nonsense_is_refused() -> None:
    with pytest.raises(AnalysisError):
        fit_tapper([])
    with pytest.raises(AnalysisError):
        fit_tapper([TestStrike(3000, 0.5)] * 10)
    with pytest.raises(AnalysisError, match="outside"):
        fit_tapper([*series(), TestStrike(20_000, 1.0)])


def table(path: Path, strikes: list[TestStrike]) -> Path:
    lines = [
        f"{s.pulse_us},{'' if s.strength is None else s.strength},{int(s.double)}" for s in strikes
    ]
    path.write_text("\n".join(["pulse_us,speed_m_s,double", *lines]) + "\n", "utf-8")
    return path


def test_verb_stores_and_compares(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    call = ["calibrate", "tapper", "--records", str(tmp_path / "kept")]
    first = table(tmp_path / "a.csv", series(seed=1))
    assert run([*call, str(first)]) == 0
    text = capsys.readouterr().out
    assert "light_pulse_us = 2000" in text
    assert "no earlier record" in text
    second = table(tmp_path / "b.csv", series(seed=2, gain=0.75))
    assert run([*call, str(second), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["wear"] == pytest.approx(-0.25, abs=0.03)
    assert run([*call, str(table(tmp_path / "c.csv", series(scatter=0.4)))]) == 1


@pytest.mark.parametrize(
    "text", ["", "pulse_us\n3\n", "pulse_us,speed_m_s\nx,1\n", "pulse_us,speed_m_s\n3000,nan\n"]
)
def test_nonsense_tables(tmp_path: Path, text: str) -> None:
    (tmp_path / "t.csv").write_text(text, "utf-8")
    assert run(["calibrate", "tapper", str(tmp_path / "t.csv")]) == 2
