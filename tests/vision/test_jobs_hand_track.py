"""`platerig hand track` from a virtual hand: film and sound as files, each with its own clock."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.stats import spearmanr

from rig.archive.hand_store import records
from rig.archive.plate_folder import PlateFolder
from rig.cli.main import run
from rig.jobs.hand_films import film_of
from rig.jobs.hand_track import hand_track
from rig.model.errors import AnalysisError
from rig.model.frames import Pose
from rig.model.plate_facts import PlateFacts
from rig.virtual.hand_scene import HandScene
from rig.virtual.hand_sound import scratch_sound, write_wav
from rig.virtual.hand_stroke import HandMotion, hand_motion, lines_over
from rig.virtual.settings import virtual_rig_settings
from rig.virtual.shapes import violin_outline

OUTLINE = violin_outline()
SPOTS = ((-60.0, 60.0), (45.0, 300.0))
FPS = 10.0
FILM_BEGAN_S, RECORDER_BEGAN_S = 0.3, 0.15
RIG = """
name = "virtual rig"
[camera.lens]
fx = 1482.0
fy = 1479.0
cx = 968.0
cy = 533.0
k1 = -0.14
k2 = 0.035
[bed]
width_mm = 500.0
depth_mm = 600.0
marker_dictionary = "DICT_4X4_50"
"""


def tone(places: np.ndarray) -> np.ndarray:
    return 250.0 * np.sin(places[:, 0] / 40.0) + 200.0 * np.cos(places[:, 1] / 60.0)


@pytest.fixture(scope="module")
def motion() -> HandMotion:
    return hand_motion(lines_over(OUTLINE, 44.0), SPOTS, np.random.default_rng(4))


@pytest.fixture(scope="module")
def bench(
    tmp_path_factory: pytest.TempPathFactory, motion: HandMotion, outer_picture: np.ndarray,
    outer_pose: Pose,
) -> Path:  # fmt: skip
    """rub.avi, rub.wav, rig.toml and back.plate."""
    place = tmp_path_factory.mktemp("bench")
    scene = HandScene(OUTLINE, outer_pose, virtual_rig_settings(), picture=outer_picture)
    codec = cv2.VideoWriter.fourcc(*"MJPG")
    film = cv2.VideoWriter(str(place / "rub.avi"), codec, FPS, (1920, 1080))
    for _, picture in scene.film(
        motion, pictures_per_s=FPS, begin_s=FILM_BEGAN_S, beside_mm=(5.0, -3.0)
    ):
        film.write(picture)
    film.release()
    sound = scratch_sound(
        motion, tone, np.random.default_rng(5), begin_s=RECORDER_BEGAN_S, rate=1.0003
    )
    write_wav(place / "rub.wav", sound)
    markers = "".join(
        f"[[bed.marker]]\nid = {m.id}\nx_mm = {m.x_mm}\ny_mm = {m.y_mm}\nsize_mm = {m.size_mm}\n"
        for m in virtual_rig_settings().bed.markers
    )
    (place / "rig.toml").write_text(RIG + markers, encoding="utf-8")
    facts = PlateFacts("back", arching_mm=14.0)
    with PlateFolder.create(place / "back.plate", facts, OUTLINE):
        pass
    return place


def test_from_film_and_sound_to_a_kept_map(bench, motion, capsys):
    arguments = [
        "hand", "track", "--sound", str(bench / "rub.wav"), "--film", str(bench / "rub.avi"),
        "--tap", "-60,60", "--tap", "45,300", "--rig", str(bench / "rig.toml"),
        "--plate", str(bench / "back.plate"), "--tool-height", "8",
    ]  # fmt: skip
    assert run([*arguments, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["kind"] == "scratch"
    assert found["unit"] == "cents"
    assert found["record"] == "H0001"
    assert found["marker_seen"] > 0.9 * found["pictures"]
    tie = found["tie"]
    assert tie["start_s"] == pytest.approx(RECORDER_BEGAN_S - FILM_BEGAN_S, abs=0.1)
    assert tie["rate"] == pytest.approx(1.0, abs=0.01)
    np.testing.assert_allclose(tie["marker_beside_mm"], [-5.0, 3.0], atol=1.5)
    assert "beside the point" in " ".join(found["notes"])
    places = np.array([(p["x_mm"], p["y_mm"]) for p in found["places"]])
    values = np.array([p["value"] for p in found["places"]])
    assert len(values) > 60
    assert spearmanr(values, tone(places))[0] > 0.8
    (record,) = records(bench / "back.plate")
    assert record.files == ("rub.wav", "rub.avi")
    kept = bench / "back.plate" / "hand" / "H0001"
    assert (kept / "rub.avi").read_bytes() == (bench / "rub.avi").read_bytes()
    assert record.options["taps_mm"] == [[-60.0, 60.0], [45.0, 300.0]]
    np.testing.assert_allclose(record.hand.value, values, atol=1e-3)


def test_a_film_cut_short_as_a_folder_of_pictures(bench, motion, tmp_path):
    settings = virtual_rig_settings()
    plate = bench / "back.plate"
    common = {"settings": settings, "plate": plate, "marker": "green", "tool_height_mm": 8.0}
    pictures = tmp_path / "few"
    pictures.mkdir()
    lines = ["file,time_s"]
    for number, (time_s, picture) in enumerate(film_of(bench / "rub.avi").frames()):
        if number >= 32:
            break
        cv2.imwrite(str(pictures / f"{number:03d}.jpg"), picture)
        lines.append(f"{number:03d}.jpg,{time_s:.4f}")
    (pictures / "times.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    film = film_of(pictures)
    assert [path.name for path, _ in film.pictures][:2] == ["000.jpg", "001.jpg"]
    assert film.raw[0][1] == "film/times.csv"
    with pytest.raises(AnalysisError, match="never stands still"):
        hand_track(bench / "rub.wav", pictures, SPOTS, **common)
    assert len(records(plate)) <= 1  # nothing of it is kept
