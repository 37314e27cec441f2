"""The verb `locate`: files in, the JSON contract out."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest

from rig.archive.plate_folder import PlateFolder
from rig.jobs.locate import locate
from rig.model.errors import PictureError, UsageError
from rig.model.plate_facts import PlateFacts


@pytest.fixture
def picture_file(outer_picture, tmp_path):
    path = tmp_path / "bed.png"
    cv2.imwrite(str(path), outer_picture)
    return path


def test_contract_with_a_plate_folder(picture_file, outer_pose, settings, outline, tmp_path):
    with PlateFolder.create(tmp_path / "back.plate", PlateFacts("back"), outline):
        pass
    result = locate(picture_file, settings=settings, plate=tmp_path / "back.plate")
    answer = json.loads(json.dumps(result.as_json(), allow_nan=False))
    assert answer["found"] is True
    assert answer["face"] == "outer"
    assert answer["x_mm"] == pytest.approx(outer_pose.x_mm, abs=0.3)
    assert answer["y_mm"] == pytest.approx(outer_pose.y_mm, abs=0.3)
    assert answer["angle_deg"] == pytest.approx(outer_pose.angle_deg, abs=0.05)
    assert 0.0 < answer["outline_rms_mm"] < 0.3
    assert 0.0 < answer["sd_mm"] < 1.0
    assert answer["outline_source"] == "plate folder"
    assert [m["used"] for m in answer["markers"]] == [True] * 6
    assert result.exit_status == 0


def test_without_a_folder_the_outline_is_the_pictures(picture_file, outer_pose, settings):
    answer = locate(picture_file, settings=settings).as_json()
    assert answer["found"] is True
    assert answer["outline_source"] == "picture"
    assert answer["angle_deg"] == pytest.approx(outer_pose.angle_deg, abs=0.3)


def test_not_found_says_why(settings, tmp_path):
    path = tmp_path / "wall.jpg"
    cv2.imwrite(str(path), np.full((1080, 1920, 3), 128, dtype=np.uint8))
    result = locate(path, settings=settings)
    answer = json.loads(json.dumps(result.as_json(), allow_nan=False))
    assert answer["found"] is False
    assert "DICT_4X4_50" in answer["reason"]
    assert "x_mm" not in answer
    assert result.exit_status == 1


def test_no_picture_no_file_no_rig(settings, tmp_path):
    text = tmp_path / "notes.png"
    text.write_text("not a picture")
    empty = tmp_path / "empty.png"
    empty.write_bytes(b"")
    for path in (text, empty, tmp_path / "nowhere.png"):
        with pytest.raises(PictureError, match=path.name):
            locate(path, settings=settings)
    with pytest.raises(UsageError, match="rig file"):
        locate(text)
    with pytest.raises(UsageError, match="face"):
        locate(text, settings=settings, face="left")  # type: ignore[arg-type]
    with pytest.raises(UsageError, match="rim"):
        locate(text, settings=settings, rim_height_mm=-3.0)
