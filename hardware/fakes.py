"""Devices made of scripts and files. They keep to the same rules as the real ones, and remember.

A script may hold an exception among its items: it is raised when its turn comes, as a real device would fail.
"""

from __future__ import annotations

import time
import wave
from collections import deque
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from hardware.camera import STILLS, CameraBase, Picture, Shot
from hardware.errors import SourceUnreadable
from hardware.light import LightBase, Meaning
from hardware.microphone import FRAME, RATE_HZ, MicrophoneBase
from hardware.pedal import PedalBase, PedalEvent, PedalLogic
from hardware.speaker import SpeakerBase

Samples = NDArray[np.int16]

Script = Iterable[Any]


class ScriptedMicrophone(MicrophoneBase):
    """Hears what it is given.

    Args:
        script: items in order: int16 arrays of any length (cut into frames, the last filled up with silence),
            None (nothing came in time), or an exception (raised).

    `heard` is how many frames were handed out.
    """

    def __init__(self, script: Script = (), name: str = "scripted") -> None:
        super().__init__(name)
        self._script: deque[Any] = deque()
        self.heard = 0
        for item in script:
            self.add(item)

    def add(self, item: Any) -> None:
        """Put one more item at the end of the script."""
        if isinstance(item, np.ndarray):
            self._script.extend(np.pad(item, (0, -len(item) % FRAME)).reshape(-1, FRAME).astype(np.int16))
        else:
            self._script.append(item)

    @property
    def ended(self) -> bool:
        """Whether the script is at its end."""
        return not self._script

    def _next(self, timeout_s: float) -> Samples | None:
        item = self._script.popleft() if self._script else None
        if isinstance(item, BaseException):
            raise item
        if item is None:
            return None
        self.heard += 1
        frame: Samples = np.array(item, dtype=np.int16)
        return frame


class FileSpeaker(SpeakerBase):
    """Writes what it is given to play into a WAV file, one clip after another.

    Args:
        path: the file, written anew; None to keep the clips in memory only.
        clock: seconds; None (virtual time) plays everything at once, so `is_playing` is never true.

    `played` holds every clip, `stops` counts the calls of `stop`. After `stop` what would not have been heard yet
    is left out of neither: both record what the program asked for.

    Raises:
        SourceUnreadable: the file cannot be written.
    """

    def __init__(self, path: Path | str | None = None, *, clock: Callable[[], float] | None = None) -> None:
        super().__init__(f"file:{path}" if path else "memory")
        self.played: list[Samples] = []
        self.stops = 0
        self._clock = clock
        self._until_s = float("-inf")
        self._file: wave.Wave_write | None = None
        self._bytes: BinaryIO | None = None
        if path is not None:
            try:
                self._bytes = Path(path).open("wb")
            except OSError as error:
                raise SourceUnreadable(
                    f"Sound file {str(path)!r} cannot be written ({error.strerror}); choose another with --speaker"
                    " file:PATH",
                    kind="speaker",
                    name=str(path),
                ) from error
            self._file = wave.open(self._bytes, "wb")
            self._file.setnchannels(1)
            self._file.setsampwidth(2)
            self._file.setframerate(RATE_HZ)

    @property
    def is_playing(self) -> bool:
        """Whether anything given to `play` would still be heard by the clock."""
        return self._clock is not None and self._clock() < self._until_s

    def _play(self, samples: Samples) -> None:
        self.played.append(samples.copy())
        if self._clock is not None:
            self._until_s = max(self._until_s, self._clock()) + len(samples) / RATE_HZ
        if self._file is not None:
            self._file.writeframes(samples.astype("<i2").tobytes())

    def stop(self) -> None:
        """Fall silent."""
        self.stops += 1
        self._until_s = float("-inf")

    def _release(self) -> None:
        if self._file is not None:
            self._file.close()
        if self._bytes is not None:
            self._bytes.close()


class PictureCamera(CameraBase):
    """Shows pictures in turn.

    Args:
        pictures: a directory (its picture files in order of name), a list of paths or arrays (uint8, (h, w, 3) or
            (h, w)), or a script of these with None (nothing new) and exceptions (raised) among them.
        clock: seconds; the time of each shot.

    `shown` is how many pictures were handed out.

    Raises:
        SourceUnreadable: a directory holds no picture. A file that cannot be read raises it when its turn comes.
    """

    def __init__(
        self, pictures: Path | str | Script, *, clock: Callable[[], float] = time.monotonic, name: str = "pictures"
    ) -> None:
        super().__init__(name)
        if isinstance(pictures, (str, Path)):
            folder = Path(pictures)
            found = [path for path in sorted(folder.glob("*")) if path.suffix.lower() in STILLS]
            if not found:
                raise SourceUnreadable(
                    f"Folder {str(folder)!r} holds no pictures ({', '.join(STILLS)}); give another",
                    kind="camera",
                    name=str(folder),
                )
            self._script: deque[Any] = deque(found)
        else:
            self._script = deque(pictures)
        self._clock = clock
        self.shown = 0

    def add(self, picture: Any) -> None:
        """Put one more item at the end of the script."""
        self._script.append(picture)

    @property
    def ended(self) -> bool:
        """Whether the script is at its end."""
        return not self._script

    def _next(self) -> Shot | None:
        item = self._script.popleft() if self._script else None
        if isinstance(item, BaseException):
            raise item
        if item is None:
            return None
        picture = _read_picture(Path(item)) if isinstance(item, (str, Path)) else np.asarray(item, dtype=np.uint8)
        if picture.ndim == 2:
            picture = np.repeat(picture[:, :, None], 3, axis=2)
        self.shown += 1
        return Shot(picture, self._clock(), self.shown - 1)


def _read_picture(path: Path) -> Picture:
    import cv2

    picture = cv2.imread(str(path), cv2.IMREAD_COLOR) if path.is_file() else None
    if picture is None:
        raise SourceUnreadable(
            f"Picture file {str(path)!r} is missing or holds no picture; give another", kind="camera", name=str(path)
        )
    return np.asarray(picture, dtype=np.uint8)


class ScriptedPedal(PedalBase):
    """Is trodden on by a script.

    Args:
        script: items in order: `PedalEvent`, None (nothing in time) or an exception (raised).

    `press`, `long_press` and `edges` add to the script; `given` holds every event handed out.
    """

    def __init__(self, script: Script = (), name: str = "scripted") -> None:
        super().__init__(name)
        self._script: deque[Any] = deque(script)
        self._logic = PedalLogic()
        self._is_down = False
        self.given: list[PedalEvent] = []

    @property
    def is_down(self) -> bool:
        """What `tread` and `lift` last said."""
        return self._is_down

    def tread(self) -> None:
        """Put the foot down, for a pedal that gates the microphone."""
        self._is_down = True

    def lift(self) -> None:
        """Take the foot off."""
        self._is_down = False

    def press(self, at_s: float, held_s: float = 0.2) -> None:
        """Add one press that goes down at `at_s` and is held for `held_s`."""
        self.edges([(at_s, True), (at_s + held_s, False)])

    def long_press(self, at_s: float) -> None:
        """Add one long press (drop)."""
        self.press(at_s, 1.2)

    def edges(self, edges: Iterable[tuple[float, bool]]) -> None:
        """Add what a contact that goes through these edges, (s, is_down), amounts to."""
        at_s = 0.0
        for at_s, is_down in edges:
            self._script.extend(self._logic.edge(at_s, is_down))
        self._script.extend(self._logic.settle(at_s + 1.0))

    def _next(self, timeout_s: float) -> PedalEvent | None:
        item = self._script.popleft() if self._script else None
        if isinstance(item, BaseException):
            raise item
        if item is not None:
            self.given.append(item)
        return item


class RememberedLight(LightBase):
    """Keeps every meaning it was told to show in `shown`, the last one in force."""

    def __init__(self, name: str = "remembered") -> None:
        super().__init__(name)
        self.shown: list[Meaning] = []

    def _show(self, meaning: Meaning) -> None:
        self.shown.append(meaning)

    def _release(self) -> None:
        self.shown.append("off")
