"""Cameras: a live one through OpenCV, or a video or still file in its place."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from hardware._device import Device, DeviceBase
from hardware.errors import DeviceLost, DeviceMissing, DriverMissing, SourceUnreadable

Picture = NDArray[np.uint8]
"""uint8, shape (height, width, 3), blue-green-red."""


@dataclass(frozen=True, slots=True, eq=False)
class Shot:
    """One picture: `at_s` when it was taken (the camera's clock, s), `number` counts from 0 since opening."""

    picture: Picture
    at_s: float
    number: int


class Camera(Device, Protocol):
    """A source of pictures."""

    @property
    def ended(self) -> bool:
        """Whether no picture will ever come again: a file was shown to its end."""

    def shot(self) -> Shot | None:
        """Return the freshest picture with its time, or None when there is none newer than the last one returned.

        Raises:
            ClosedDevice: after `close()`.
            DeviceLost: the camera stopped giving pictures.
        """

    def frame(self) -> Picture | None:
        """Return the picture of `shot`, or None."""


class CameraBase(DeviceBase):
    """What every camera shares. Subclasses give `_next` and `_release`."""

    KIND = "camera"

    @property
    def ended(self) -> bool:
        """Whether no picture will ever come again."""
        return False

    def shot(self) -> Shot | None:
        """Return the freshest picture with its time, or None; see `Camera.shot`."""
        self._must_be_open("looking")
        return self._next()

    def frame(self) -> Picture | None:
        """Return the picture of `shot`, or None."""
        shot = self.shot()
        return None if shot is None else shot.picture

    def _next(self) -> Shot | None:
        raise NotImplementedError


class Capture(Protocol):
    """The part of cv2.VideoCapture that is used."""

    def isOpened(self) -> bool:
        """Whether there is something to read."""

    def read(self) -> tuple[bool, Any]:
        """Wait for the next picture."""

    def get(self, prop: int, /) -> float:
        """Return a property."""

    def set(self, prop: int, value: float, /) -> bool:
        """Ask for a property."""

    def release(self) -> None:
        """Let go."""


def _opencv() -> Any:
    try:
        import cv2
    except ImportError as error:
        raise DriverMissing(
            f"Cameras cannot be used: {error}; install 'opencv-python-headless'", kind="camera"
        ) from error
    return cv2


class _Still:
    """One picture as a capture: OpenCV would take "shoe_01.png" for the first of a numbered series."""

    def __init__(self, picture: Any) -> None:
        self._picture = picture
        self._is_open = picture is not None

    def isOpened(self) -> bool:
        return self._is_open

    def read(self) -> tuple[bool, Any]:
        picture, self._picture = self._picture, None
        return picture is not None, picture

    def get(self, prop: int, /) -> float:
        return 0.0

    def set(self, prop: int, value: float, /) -> bool:
        return False

    def release(self) -> None:
        self._is_open = False


STILLS = (".bmp", ".jpeg", ".jpg", ".png", ".webp")
"""File endings that are one picture."""


def _open_capture(source: int | str) -> Capture:
    cv2 = _opencv()
    if isinstance(source, str) and Path(source).suffix.lower() in STILLS:
        return _Still(cv2.imread(source, cv2.IMREAD_COLOR))
    level = cv2.getLogLevel() if hasattr(cv2, "getLogLevel") else None
    if level is not None:
        cv2.setLogLevel(0)
    try:
        capture: Capture = cv2.VideoCapture(source)
    finally:
        if level is not None:
            cv2.setLogLevel(level)
    return capture


_CAP_FPS, _CAP_BUFFERSIZE = 5, 38
"""cv2.CAP_PROP_FPS and cv2.CAP_PROP_BUFFERSIZE; a test holds them against cv2."""


class OpenCvCamera(CameraBase):
    """A camera, video file or still picture through OpenCV.

    A live camera is read all the time by a thread of its own that keeps only the newest picture, so that what the
    driver queued while nobody looked is never handed out. A file gives every picture in order, or, when paced,
    the one that is due by the clock; at its end `ended` is true and nothing comes.

    Args:
        source: a device number, a device path or a file.
        paced: for files: keep to the file's own frame rate, dropping what is late.
        lost_after_s: how long a live camera may give nothing before it counts as lost, s.
        clock: seconds, monotonic; tests give their own.
        open_capture: makes the cv2.VideoCapture; tests give their own.

    Raises:
        DeviceMissing: no such camera. `DriverMissing` when OpenCV is not installed.
        SourceUnreadable: the file is missing or holds no picture.
    """

    def __init__(
        self,
        source: int | str | Path = 0,
        *,
        paced: bool = False,
        lost_after_s: float = 2.0,
        clock: Callable[[], float] = time.monotonic,
        open_capture: Callable[[int | str], Capture] = _open_capture,
    ) -> None:
        is_live = isinstance(source, int) or str(source).startswith("/dev/")
        super().__init__(str(source) if is_live else f"file:{source}")
        self._is_live = is_live
        self._clock, self._lost_after_s, self._paced = clock, lost_after_s, paced
        if not is_live and not Path(str(source)).is_file():
            raise SourceUnreadable(
                f"Picture file {str(source)!r} is not there; give a video or picture file",
                kind="camera",
                name=self._name,
            )
        self._capture = open_capture(source if isinstance(source, int) else str(source))
        if not self._capture.isOpened():
            self._capture.release()
            raise self._unopened(source)
        self._number = -1
        self._newest: Shot | None = None
        self._ended = False
        self._came = threading.Condition()
        self._start_s = self._last_s = clock()
        self._thread: threading.Thread | None = None
        if is_live:
            self._capture.set(_CAP_BUFFERSIZE, 1)
            self._thread = threading.Thread(target=self._keep_newest, name=f"camera {self._name}", daemon=True)
            self._thread.start()
        else:
            self._period_s = 1 / (self._capture.get(_CAP_FPS) or 25.0)

    def _unopened(self, source: object) -> DeviceMissing | SourceUnreadable:
        if self._is_live:
            return DeviceMissing(
                f"Camera {str(source)!r} is not connected or is held by another program; plug it in, or choose another"
                " with --camera NUMBER, file:PATH or none",
                kind="camera",
                name=self._name,
            )
        return SourceUnreadable(
            f"Picture file {str(source)!r} holds no picture that can be read; give a video or picture file",
            kind="camera",
            name=self._name,
        )

    @property
    def ended(self) -> bool:
        """Whether the file was shown to its end."""
        return self._ended

    def wait(self, timeout_s: float) -> bool:
        """Wait until a live camera has a picture not yet handed out; returns whether there is one."""
        with self._came:
            return self._came.wait_for(lambda: self._newest is not None or self._closed, timeout_s) and not self._closed

    def _keep_newest(self) -> None:
        while not self._closed:
            there, picture = self._capture.read()
            if not there:
                with self._came:
                    if self._closed:
                        return
                    self._came.wait(0.02)
                continue
            with self._came:
                self._number += 1
                self._last_s = self._clock()
                self._newest = Shot(_as_picture(picture), self._last_s, self._number)
                self._came.notify_all()

    def _next(self) -> Shot | None:
        return self._next_live() if self._is_live else self._next_filed()

    def _next_live(self) -> Shot | None:
        with self._came:
            shot, self._newest = self._newest, None
            silent_s = self._clock() - self._last_s
        if shot is None and silent_s > self._lost_after_s:
            raise DeviceLost(
                f"Camera {self._name!r} has given no picture for {silent_s:.1f} s; check its cable, then start again or"
                " choose another with --camera NUMBER",
                kind="camera",
                name=self._name,
            )
        return shot

    def _next_filed(self) -> Shot | None:
        due = int((self._clock() - self._start_s) / self._period_s) if self._paced else self._number + 1
        picture = None
        while self._number < due and not self._ended:
            there, read = self._capture.read()
            if there:
                picture = read
                self._number += 1
            else:
                self._ended = True
        if picture is None:
            return None
        return Shot(_as_picture(picture), self._start_s + self._number * self._period_s, self._number)

    def _release(self) -> None:
        if self._thread is not None:
            with self._came:
                self._came.notify_all()
            self._thread.join(2.0)
        self._capture.release()


def _as_picture(picture: Any) -> Picture:
    read: Picture = np.asarray(picture, dtype=np.uint8)
    return read if read.ndim == 3 else np.repeat(read[:, :, None], 3, axis=2)
