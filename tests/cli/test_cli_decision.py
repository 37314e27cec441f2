"""thickness, preview, history, distinct, plan --where doubtful, with nonsense."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rig.archive.kept_arrays import kept_folder
from rig.archive.kept_rings import keep_ring, recall_ring
from rig.archive.plate_folder import PlateFolder
from rig.cli.main import run
from rig.model.clip import Clip
from rig.model.outline import Outline
from rig.model.plate_facts import PlateFacts
from rig.model.reading import RingPartial
from rig.model.scan_record import ScanState
from rig.plan import grid_plan
from rig.virtual.shapes import violin_outline

RATE_HZ = 48_000
PARTIALS = (310.0, 640.0, 1180.0, 4100.0)


def tap_sound(x_mm: float, rng: np.random.Generator, raised: float, noise: float) -> Clip:
    """A few damped partials, brighter towards the right; 0.25 s, the strike at 20 ms."""
    time_s = np.arange(int(0.25 * RATE_HZ)) / RATE_HZ
    sound = np.zeros_like(time_s)
    bright = 1e-3 * x_mm + noise * rng.standard_normal()
    for order, hz in enumerate(PARTIALS):
        level = 0.1 * 10 ** (order * bright)
        sound += level * np.exp(-time_s / 0.05) * np.sin(2 * np.pi * hz * (1 + raised) * time_s)
    start = int(0.02 * RATE_HZ)
    sound = np.concatenate([np.zeros(start), sound[:-start]]) + rng.normal(0, 1e-3, len(sound))
    return Clip(
        np.round(sound * 2**23 * 0.3).astype(np.int32)[:, None], RATE_HZ, strike_sample=start
    )


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three coarse scans: two alike, then a firm one of a plate 0.6 % higher."""
    path = tmp_path_factory.mktemp("plates") / "lime.plate"
    rng, outline = np.random.default_rng(5), violin_outline()
    facts = PlateFacts(name="Lime back", wood="maple", mass_g=105.0)
    with PlateFolder.create(path, facts, outline) as made:
        for strength, raised, origin in (
            ("light", 0.0, {"temperature_c": 20.0, "humidity_percent": 45.0, "mass_g": 105.0}),
            ("light", 0.0, {"temperature_c": 20.5, "humidity_percent": 46.0, "mass_g": 105.0}),
            ("firm", 0.006, {"temperature_c": 25.0, "humidity_percent": 60.0, "mass_g": 101.0}),
        ):
            plan = grid_plan(outline, face="outer", strength=strength, spacing_mm=36.0, repeats=2)  # type: ignore[arg-type]
            scan = made.new_scan(plan, origin={"simulated": False, **origin})
            for tap in plan.taps:
                for repeat in range(2):
                    clip = tap_sound(tap.x_mm, rng, raised, 0.003)
                    made.store_strike(
                        scan, tap=tap.number, repeat=repeat, x_mm=tap.x_mm, y_mm=tap.y_mm, clip=clip
                    )
            made.set_state(scan, ScanState.FINISHED)
    return path


@pytest.fixture
def bare(tmp_path: Path) -> Path:
    path = tmp_path / "bare.plate"
    facts = PlateFacts("bare", wood="maple", mass_g=32.0, arching_mm=0.0)
    small = Outline.checked(0.55 * np.asarray(violin_outline().rim))  # quick to solve
    with PlateFolder.create(path, facts, small):
        pass
    return path


def answer(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    assert run([*arguments, "--json"]) == 0, capsys.readouterr().err
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def said(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    assert run(arguments) == 0
    return capsys.readouterr().out


def refused(arguments: list[str], capsys: pytest.CaptureFixture[str], status: int) -> str:
    assert run(arguments) == status
    return capsys.readouterr().err


def test_thickness_is_kept_and_listed(
    bare: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "No thickness readings" in said(["thickness", str(bare)], capsys)
    path = tmp_path / "caliper.csv"
    path.write_text("x_mm;y_mm;thickness_mm\n0;95;4,2\n-25;52;3,4\n", encoding="utf-8")
    text = said(["thickness", str(bare), str(path), "--date", "2026-11-01"], capsys)
    assert "Kept as T0001: 2 readings, 3.40 to 4.20 mm, measured 2026-11-01." in text
    path.write_text("x_mm,y_mm,thickness_mm\n0,95,4.1\n", encoding="utf-8")
    found = answer(["thickness", str(bare), str(path), "--face", "inner"], capsys)
    assert found["kept"] == "T0002"
    assert [r["name"] for r in found["records"]] == ["T0001", "T0002"]
    assert found["records"][1]["face"] == "inner"
    assert "caliper.csv" in said(["thickness", str(bare), "--list"], capsys)


@pytest.mark.parametrize(
    ("options", "status", "words"),
    [
        (["{list}", "--date", "2031-01-01"], 2, "no day"),
        (["{list}", "--date", "yesterday"], 2, "no day"),
        (["{list}", "--list"], 2, "--list only lists"),
        (["nowhere.csv"], 1, "there is no such file"),
        (["{list}", "--face", "left"], 2, "left"),
        (["--against", "S0001"], 1, "keeps no thickness readings"),
    ],
)
def test_thickness_refuses_nonsense(
    bare: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[str],
    status: int, words: str,
) -> None:  # fmt: skip
    path = tmp_path / "caliper.csv"
    path.write_text("x_mm,y_mm,thickness_mm\n0,95,4.1\n", encoding="utf-8")
    options = [o.replace("{list}", str(path)) for o in options]
    assert words in refused(["thickness", str(bare), *options], capsys, status)
    assert not (bare / "thickness").exists()


def test_thickness_against_a_scan_without_local_tone(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "caliper.csv"
    path.write_text("x_mm,y_mm,thickness_mm\n0,95,4.1\n", encoding="utf-8")
    assert run(["thickness", str(folder), str(path)]) == 0
    capsys.readouterr()
    error = refused(["thickness", str(folder), "--against", "S0001"], capsys, 1)
    assert "does not carry local tone" in error


def test_preview_of_a_plate_without_scans(bare: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = answer(
        ["preview", str(bare), "--at", "-25,52", "--over", "30", "--depth", "0.1"], capsys
    )
    assert found["source"] == "outline and mass"
    assert found["scan"] is None
    assert found["cut"]["x_mm"] == -25.0
    assert found["tone_cents"] == pytest.approx(
        1200.0 * np.log2(1.0 - 0.1 / found["thickness_mm"]), abs=0.1
    )
    assert len(found["modes"]) == 40
    assert found["modes"][0]["sd_cents"] > 0.0
    assert "15 %" in found["limits"]


@pytest.mark.parametrize(
    ("options", "status", "words"),
    [
        (["--at", "0,900", "--over", "30", "--depth", "0.1"], 2, "not on the wood"),
        (["--at", "middle", "--over", "30", "--depth", "0.1"], 2, "is no place"),
        (["--at", "1,2,3", "--over", "30", "--depth", "0.1"], 2, "is no place"),
        (["--at", "nan,5", "--over", "30", "--depth", "0.1"], 2, "is no place"),
        (["--at", "0,95", "--over", "1", "--depth", "0.1"], 2, "cannot be previewed"),
        (["--at", "0,95", "--over", "30", "--depth", "0"], 2, "takes nothing off"),
        (["--at", "0,95", "--over", "30", "--depth", "9"], 2, "a preview holds up to 15 %"),
        (["--over", "30", "--depth", "0.1"], 2, "--at"),
        (["--at", "0,95", "--over", "30", "--depth", "0.1", "--scan", "S9"], 1, "no scan S9"),
    ],
)
def test_preview_refuses_nonsense(
    bare: Path, capsys: pytest.CaptureFixture[str], options: list[str], status: int, words: str
) -> None:
    assert words in refused(["preview", str(bare), *options], capsys, status)


def peaks(clips: list[Clip], onsets: list[float]) -> list[RingPartial]:
    """In place of the pooled ring, which takes long: peaks of the mean spectrum of all clips."""
    first = int(onsets[0] * RATE_HZ) + 200
    size = 1 << 18
    power = np.zeros(size // 2 + 1)
    for clip in clips:
        wave = clip.mic[first:]
        power += np.abs(np.fft.rfft(wave * np.hanning(len(wave)), size)) ** 2
    hz = np.fft.rfftfreq(size, 1.0 / RATE_HZ)
    found = []
    for low, high in ((200, 450), (450, 900), (900, 2000), (3000, 5000)):
        band = np.flatnonzero((hz > low) & (hz < high))
        top = band[int(np.argmax(power[band]))]
        found.append(RingPartial(float(hz[top]), 0.05, 0.05, -3.0))
    return found


def test_history_follows_partials_and_marks_differences(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.setattr("rig.tone.ring_of_scan", peaks)
    picture = tmp_path / "history.png"
    found = answer(["history", str(folder), "--picture", str(picture)], capsys)
    assert picture.read_bytes().startswith(b"\x89PNG")
    scans = found["scans"]
    assert [s["scan"] for s in scans] == ["S0001", "S0002", "S0003"]
    assert [s["mass_g"] for s in scans] == [105.0, 105.0, 101.0]
    assert scans[0]["differs"] == scans[1]["differs"] == []
    assert any("firm" in line for line in scans[2]["differs"])
    assert any("humidity" in line for line in scans[2]["differs"])
    assert scans[0]["reading"] == "attack"
    assert scans[0]["evenness_low_cents"] <= scans[0]["evenness_cents"]
    tracks = [p for p in found["partials"] if min(abs(p["hz"] - hz) for hz in PARTIALS) < 2.0]
    assert len(tracks) >= 3
    for track in tracks:
        _, same, higher = track["over_scans"]
        assert abs(same["change_cents"]) < 1.0
        assert higher["change_cents"] == pytest.approx(1200.0 * np.log2(1.006), abs=1.0)
    text = said(["history", str(folder)], capsys)
    assert "S0003: Struck light before and firm after." in text


def test_history_recalls_what_was_kept(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rig.tone.ring_of_scan", peaks)
    answer(["history", str(folder)], capsys)

    def never(*_: object) -> None:
        raise AssertionError("read again")

    monkeypatch.setattr("rig.field.tap_tone", never)
    monkeypatch.setattr("rig.tone.ring_of_scan", never)
    assert len(answer(["history", str(folder)], capsys)["scans"]) == 3


def test_a_kept_ring_is_the_same_and_a_broken_one_is_no_ring() -> None:
    ring = (RingPartial(310.123456789, 0.01, 0.05, -3.0), RingPartial(640.0, 0.02, 0.04, 0.0))
    key = "test-of-kept-rings"
    keep_ring(key, ring)
    assert recall_ring(key) == ring
    file = kept_folder() / f"{key}.ring.json"
    for broken in ("", "[[1, 2]]", "{}x", '[["a", 1, 2, 3]]'):
        file.write_text(broken)
        assert recall_ring(key) is None
    file.unlink()
    assert recall_ring(key) is None


def test_history_of_nothing(bare: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "no scan in this folder" in refused(["history", str(bare)], capsys, 1)
    assert "svg" in refused(["history", str(bare), "--picture", "a.doc"], capsys, 2)


def test_distinct_by_strikes_and_by_two_scans(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = answer(["distinct", str(folder), "--reading", "attack"], capsys)
    assert {r["scan"] for r in found["rows"]} == {"S0001", "S0002", "S0003"}
    assert all(r["repeat_from"] == "strikes of a tap" for r in found["rows"])
    assert all(r["distinctness"] > 5.0 for r in found["rows"])
    two = answer(["distinct", str(folder), "S0001", "S0002", "--reading", "attack"], capsys)
    against = {r["scan"]: r["against"] for r in two["rows"]}
    assert against == {"S0001": "S0002", "S0002": "S0001"}
    assert all(r["repeat_from"] == "two scans" for r in two["rows"])
    one = answer(["distinct", str(folder), "S0003"], capsys)
    assert {g["reading"] for g in one["left_out"]} == {"contact", "rebound", "local"}
    assert any("untouched" in caution for caution in two["cautions"])
    assert "Distinct:" in said(["distinct", str(folder), "--reading", "attack"], capsys)


def test_distinct_refuses_nonsense(
    folder: Path, bare: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "named twice" in refused(["distinct", str(folder), "S0001", "S0001"], capsys, 2)
    assert "no scan S0099" in refused(["distinct", str(folder), "S0099"], capsys, 1)
    assert "no scan in this folder" in refused(["distinct", str(bare)], capsys, 1)
    error = refused(["distinct", str(folder), "--reading", "rebound"], capsys, 1)
    assert "speed gate" in error


def test_plan_of_doubtful_places(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, picture = tmp_path / "next.csv", tmp_path / "next.png"
    found = answer(
        ["plan", str(folder), "--where", "doubtful", "--from", "S0003", "--taps", "15",
         "--out", str(out), "--picture", str(picture)],
        capsys,
    )  # fmt: skip
    assert found["taps"] == 15
    assert (found["face"], found["strength"], found["reading"]) == ("outer", "firm", "attack")
    assert len(out.read_text().splitlines()) == 16
    assert picture.exists()
    assert found["doubtful_after_cents"] < found["doubtful_before_cents"]
    with PlateFolder.open(folder) as opened:
        struck = opened.plan("S0003").places()
    new = np.array([(p["x_mm"], p["y_mm"]) for p in found["points"]])
    assert np.hypot(*(new[:, None] - np.asarray(struck)[None]).T).min() > 2.5
    text = said(["plan", str(folder), "--where", "doubtful", "--taps", "5"], capsys)
    assert "5 further taps on the outer face, between those of S0003" in text


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--from", "S0001"], "--from goes with --where doubtful only"),
        (["--taps", "10"], "--taps goes with --where doubtful only"),
        (["--where", "doubtful", "--spacing", "9"], "--spacing goes with --where everywhere only"),
        (["--where", "doubtful", "--taps", "0"], "0 is not in the range"),
        (["--where", "nowhere"], "nowhere"),
    ],
)
def test_plan_refuses_what_does_not_go_together(
    folder: Path, capsys: pytest.CaptureFixture[str], options: list[str], words: str
) -> None:
    assert words in refused(["plan", str(folder), *options], capsys, 2)


@pytest.mark.parametrize("verb", ["thickness", "preview", "history", "distinct"])
def test_help_has_an_example(verb: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert f"platerig {verb} maple-back.plate" in said([verb, "--help"], capsys)
