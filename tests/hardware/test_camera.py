"""Cameras: one set of tests over the scripted, the filed and the live one (on a driven capture)."""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from hardware import camera as camera_module
from hardware.camera import Camera, OpenCvCamera
from hardware.errors import ClosedDevice, DeviceLost, DeviceMissing, SourceUnreadable
from hardware.fakes import PictureCamera
from tests.hardware.conftest import Clock

Picture = NDArray[np.uint8]


def grey_picture(level: int) -> Picture:
    """Return a picture of one grey level."""
    return np.full((120, 160, 3), level, dtype=np.uint8)


def write_video(path: Path, pictures: list[Picture], fps: float = 25.0) -> Path:
    """Write pictures as a motion-JPEG video."""
    height, width = pictures[0].shape[:2]
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"MJPG"), fps, (width, height))
    assert writer.isOpened()
    for picture in pictures:
        writer.write(picture)
    writer.release()
    return path


class DrivenCapture:
    """A live cv2.VideoCapture whose driver is the test: `give` queues a picture as a driver does."""

    def __init__(self, source: int | str = 0, is_open: bool = True) -> None:
        self._is_open = is_open
        self.queue: queue.Queue[Any] = queue.Queue()
        self.released = threading.Event()
        self.asked: list[int] = []

    def give(self, *pictures: Picture | None) -> None:
        for picture in pictures:
            self.queue.put(picture)

    def isOpened(self) -> bool:
        return self._is_open

    def read(self) -> tuple[bool, Any]:
        while not self.released.is_set():
            try:
                picture = self.queue.get(timeout=0.01)
            except queue.Empty:
                return False, None
            return picture is not None, picture
        return False, None

    def get(self, prop: int, /) -> float:
        return 0.0

    def set(self, prop: int, value: float, /) -> bool:
        self.asked.append(prop)
        return True

    def release(self) -> None:
        self.released.set()


@pytest.fixture(params=["pictures", "folder", "video", "still", "live"])
def showing(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Camera]:
    """Each kind of camera, showing grey 200 first."""
    if request.param == "pictures":
        with PictureCamera([grey_picture(200)]) as pictures:
            yield pictures
    elif request.param == "folder":
        cv2.imwrite(str(tmp_path / "a.png"), grey_picture(200))
        with PictureCamera(tmp_path) as folder:
            yield folder
    elif request.param == "still":
        cv2.imwrite(str(tmp_path / "shoe_01.png"), grey_picture(200))
        cv2.imwrite(str(tmp_path / "shoe_02.png"), grey_picture(10))
        with OpenCvCamera(tmp_path / "shoe_01.png") as still:
            yield still
    elif request.param == "video":
        with OpenCvCamera(write_video(tmp_path / "shift.avi", [grey_picture(200)] * 3)) as video:
            yield video
    else:
        capture = DrivenCapture()
        capture.give(grey_picture(200))
        with OpenCvCamera(0, open_capture=lambda source: capture) as live:
            assert live.wait(5)
            yield live


def test_a_frame_is_a_colour_picture(showing: Camera) -> None:
    frame = showing.frame()
    assert frame is not None and frame.shape == (120, 160, 3) and frame.dtype == np.uint8
    assert abs(int(frame.mean()) - 200) <= 2


def test_a_shot_has_a_number_and_a_time(showing: Camera) -> None:
    shot = showing.shot()
    assert shot is not None and shot.number == 0 and shot.at_s > 0


def test_closing_twice_is_closing_once_and_looking_after_says_so(showing: Camera) -> None:
    with showing as camera:
        camera.close()
        camera.close()
    assert camera.closed
    with pytest.raises(ClosedDevice, match="Camera '.*' is closed; open it again"):
        camera.frame()


def test_a_video_gives_every_frame_in_order_and_then_ends(tmp_path: Path) -> None:
    levels = [10, 60, 110, 160, 210]
    with OpenCvCamera(write_video(tmp_path / "shift.avi", [grey_picture(level) for level in levels])) as camera:
        shots = []
        while (shot := camera.shot()) is not None:
            shots.append(shot)
        assert camera.ended and camera.frame() is None
    assert [round(float(shot.picture.mean()) / 10) * 10 for shot in shots] == levels
    assert [shot.number for shot in shots] == [0, 1, 2, 3, 4]
    assert [shot.at_s - shots[0].at_s for shot in shots] == pytest.approx([0, 0.04, 0.08, 0.12, 0.16])


def test_a_paced_video_drops_what_is_late(tmp_path: Path, clock: Clock) -> None:
    levels = [10, 60, 110, 160, 210]
    path = write_video(tmp_path / "shift.avi", [grey_picture(level) for level in levels], fps=10)
    with OpenCvCamera(path, paced=True, clock=clock) as camera:
        seen = []
        for _ in range(4):
            seen.append(camera.shot())
            clock.wait(0.15)
    assert [None if shot is None else shot.number for shot in seen] == [0, 1, 3, 4]


def test_a_still_is_shown_once(tmp_path: Path) -> None:
    cv2.imwrite(str(tmp_path / "shoe_01.png"), grey_picture(50))
    cv2.imwrite(str(tmp_path / "shoe_02.png"), grey_picture(90))
    with OpenCvCamera(tmp_path / "shoe_01.png") as camera:
        assert camera.frame() is not None
        assert camera.frame() is None and camera.ended


def test_a_live_camera_hands_out_only_the_newest_picture_and_that_once() -> None:
    capture = DrivenCapture()
    with OpenCvCamera(0, open_capture=lambda source: capture) as camera:
        capture.give(*(grey_picture(level) for level in (1, 2, 3, 4)))
        _drained(capture, camera, 4)
        frame = camera.frame()
        assert frame is not None and frame[0, 0, 0] == 4
        assert camera.frame() is None


def _drained(capture: DrivenCapture, camera: OpenCvCamera, count: int) -> None:
    """Wait until the reader thread has taken so many pictures."""
    pause = threading.Event()
    for _ in range(1000):
        if camera._number >= count - 1:
            return
        pause.wait(0.005)
    raise AssertionError(f"the reader thread took {camera._number + 1} of {count} pictures")


def test_c16_pictures_queued_before_the_pedal_are_never_handed_out() -> None:
    """../shared/cases/public-reports.toml C16: four old frames wait in the driver's queue at the press."""
    capture = DrivenCapture()
    times = iter([0.0, 1.00, 1.03, 1.07, 1.10, 6.00, 6.05, 6.06, 6.07])
    last = [0.0]

    def clock() -> float:
        last[0] = next(times, last[0])
        return last[0]

    with OpenCvCamera(0, open_capture=lambda source: capture, lost_after_s=60, clock=clock) as camera:
        capture.give(*(grey_picture(44) for _ in range(4)))
        _drained(capture, camera, 4)
        pedal_s = clock()
        capture.give(grey_picture(55))
        _drained(capture, camera, 5)
        shot = camera.shot()
        assert pedal_s == 6.00
        assert shot is not None and shot.at_s == 6.05 and shot.picture[0, 0, 0] == 55


def test_a_camera_that_stops_is_lost_and_says_what_to_do_and_one_that_comes_back_goes_on(clock: Clock) -> None:
    capture = DrivenCapture()
    with OpenCvCamera(0, open_capture=lambda source: capture, clock=clock) as camera:
        capture.give(grey_picture(9), None)
        assert camera.wait(5)
        assert camera.frame() is not None
        clock.wait(1.9)
        assert camera.frame() is None
        clock.wait(0.2)
        with pytest.raises(DeviceLost, match=r"Camera '0' has given no picture for 2\.1 s; check its cable") as caught:
            camera.frame()
        capture.give(grey_picture(10))
        assert camera.wait(5)
        assert camera.frame() is not None
    assert caught.value.spoken == "Camera lost."
    assert capture.released.is_set()


def test_a_live_camera_asks_for_the_shortest_queue_by_opencvs_own_numbers() -> None:
    assert (camera_module._CAP_FPS, camera_module._CAP_BUFFERSIZE) == (cv2.CAP_PROP_FPS, cv2.CAP_PROP_BUFFERSIZE)
    capture = DrivenCapture()
    with OpenCvCamera(0, open_capture=lambda source: capture):
        assert capture.asked == [cv2.CAP_PROP_BUFFERSIZE]


def test_a_camera_that_is_not_there_is_named_and_let_go() -> None:
    capture = DrivenCapture(is_open=False)
    with pytest.raises(DeviceMissing, match="Camera '3' is not connected or is held .*--camera NUMBER, file:PATH"):
        OpenCvCamera(3, open_capture=lambda source: capture)
    assert capture.released.is_set()


@pytest.mark.parametrize("name", ["tag.png", "shift.avi"])
@pytest.mark.parametrize("content", [None, b"no picture"])
def test_a_picture_file_that_cannot_be_read_is_named(tmp_path: Path, name: str, content: bytes | None) -> None:
    if content is not None:
        (tmp_path / name).write_bytes(content)
    with pytest.raises(SourceUnreadable, match=f"Picture file '.*{name}' (is not there|holds no picture).*; give a"):
        OpenCvCamera(tmp_path / name)


def test_a_scripted_camera_fails_when_its_script_says_so_and_remembers(tmp_path: Path) -> None:
    lost = DeviceLost("Camera 'pictures' is gone; plug it in", kind="camera")
    camera = PictureCamera([grey_picture(1)[:, :, 0], None, lost, tmp_path / "none.png"])
    frame = camera.frame()
    assert frame is not None and frame.shape == (120, 160, 3)
    assert camera.frame() is None
    with pytest.raises(DeviceLost):
        camera.frame()
    with pytest.raises(SourceUnreadable, match="none.png' is missing or holds no picture"):
        camera.frame()
    assert camera.shown == 1 and camera.ended


def test_a_folder_without_pictures_is_named(tmp_path: Path) -> None:
    with pytest.raises(SourceUnreadable, match="holds no pictures"):
        PictureCamera(tmp_path)
