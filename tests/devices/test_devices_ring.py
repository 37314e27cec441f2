"""Ring buffer, losses, straight moves in closed form, and pictures as a camera."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from rig.devices.camera import PictureCamera, camera_for
from rig.devices.motion import Trapezoid, move_time_s
from rig.devices.ring_buffer import LossMeter, SampleRing
from rig.model.errors import CameraError, MicrophoneError


def block(first: int, count: int) -> np.ndarray:
    return np.stack([np.arange(first, first + count)] * 2, axis=1).astype(np.int32)


def test_ring_gives_back_what_was_captured_across_its_end() -> None:
    ring = SampleRing(2, 1000)
    for start in range(0, 5000, 70):
        ring.append(block(start, 70))
    newest = ring.newest
    assert (ring.copy(newest - 1000, 1000)[:, 1] == np.arange(newest - 1000, newest)).all()


def test_ring_refuses_the_too_old_the_future_and_the_lost() -> None:
    ring = SampleRing(1, 100)
    ring.append(block(0, 80)[:, :1])
    with pytest.raises(MicrophoneError, match="did not come"):
        ring.copy(50, 40)
    ring.mark_gap(10)
    ring.append(block(90, 60)[:, :1])
    with pytest.raises(MicrophoneError, match="no longer"):
        ring.copy(40, 20)
    with pytest.raises(MicrophoneError, match="lost"):
        ring.copy(70, 30)
    assert ring.copy(90, 60)[0, 0] == 90  # after the gap the count is in step with time
    assert ring.gaps == ((80, 90),)


def test_block_longer_than_the_ring() -> None:
    ring = SampleRing(1, 50)
    ring.append(block(0, 175)[:, :1])
    assert ring.newest == 175
    assert (ring.copy(125, 50)[:, 0] == np.arange(125, 175)).all()


def test_break_of_unknown_length_spoils_what_straddles_it() -> None:
    ring = SampleRing(1, 100)
    ring.append(block(0, 20)[:, :1])
    ring.mark_gap(0)
    ring.append(block(20, 20)[:, :1])
    with pytest.raises(MicrophoneError):
        ring.copy(10, 20)
    assert len(ring.copy(21, 10)) == 10


def test_flagged_loss_is_measured_by_time() -> None:
    meter = LossMeter(48_000)
    counted = 0
    for number in range(10):
        assert meter.lost(counted, number * 0.01, overflow=False) == 0
        counted += 480
    assert meter.lost(counted, 0.13, overflow=True) == 3 * 480


def test_silent_loss_is_found_but_a_burst_of_late_blocks_is_none() -> None:
    meter = LossMeter(48_000)
    counted = 0
    for number in range(50):  # every seventh block 77 ms late, as sound servers do
        late = 0.077 if number % 7 == 3 else 0.0
        assert meter.lost(counted, number * 0.01 + late, overflow=False) == 0
        counted += 480
    found = 0
    for number in range(50, 80):  # 9,600 samples dropped without a word
        found += meter.lost(counted + found, 0.2 + number * 0.01, overflow=False)
        counted += 480
    assert found == 9600


def test_trapezoid_and_triangle_against_closed_form() -> None:
    # d = 150 mm at 150 mm/s and 1500 mm/s²: ramps of 0.1 s and 7.5 mm, 0.9 s at full speed
    assert move_time_s(150.0, 150.0, 1500.0) == pytest.approx(1.1)
    # d = 9 mm never reaches the speed: 2·√(9/1500)
    assert move_time_s(9.0, 150.0, 1500.0) == pytest.approx(2.0 * np.sqrt(9.0 / 1500.0))
    assert move_time_s(0.0, 150.0, 1500.0) == 0.0


@pytest.mark.parametrize("distance", [0.3, 9.0, 15.0, 200.0])
def test_way_is_the_integral_of_its_speed(distance: float) -> None:
    way = Trapezoid(distance, 150.0, 1500.0)
    t = np.linspace(0.0, way.duration_s, 20_001)
    speed = np.array([way.speed_at(float(s)) for s in t])
    travelled = np.array([way.travelled_mm(float(s)) for s in t])
    summed = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(t))])
    assert np.abs(summed - travelled).max() < 1e-4 * distance
    assert travelled[-1] == pytest.approx(distance)
    assert speed.max() <= way.peak_mm_s + 1e-9


def test_pictures_in_a_directory_are_a_camera(tmp_path: Path) -> None:
    import cv2

    for number in range(3):
        picture = np.full((20, 30, 3), 40 * number, dtype=np.uint8)
        cv2.imwrite(str(tmp_path / f"bed-{number}.png"), picture)
    camera = camera_for(str(tmp_path))
    assert isinstance(camera, PictureCamera)
    with pytest.raises(CameraError):
        camera.frame()
    camera.open()
    levels = [int(camera.frame().pixels[0, 0, 0]) for _ in range(4)]
    assert levels == [0, 40, 80, 80]
    camera.close()


def test_no_picture_and_no_camera_are_said_clearly(tmp_path: Path) -> None:
    with pytest.raises(CameraError):
        PictureCamera(tmp_path / "nothing.png").open()
    broken = tmp_path / "broken.png"
    broken.write_bytes(b"this is no picture")
    camera = camera_for(str(broken))
    camera.open()
    with pytest.raises(CameraError, match="not a picture"):
        camera.frame()
    with pytest.raises(CameraError, match="cannot be opened"):
        camera_for(str(tmp_path / "no-film.avi")).open()
