"""Open devices by name, and list what is there.

Names: "default"; "none" (the bench goes on without it); "file:PATH" (a file in its place); otherwise the device's
own name or a part of it, for a camera its number or path, for a pedal "keyboard" or "gpio:PIN", for a light
"gpio:GREEN,AMBER,RED".
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from hardware import _soundcard
from hardware.camera import Camera, CameraBase, OpenCvCamera, Shot
from hardware.errors import DeviceMissing, HardwareError
from hardware.fakes import FileSpeaker, PictureCamera
from hardware.light import GpioLight, Light, LightBase, Meaning
from hardware.microphone import Microphone, MicrophoneBase, Samples, SoundcardMicrophone, WavMicrophone
from hardware.pedal import GpioPedal, KeyboardPedal, Pedal, PedalBase, PedalEvent
from hardware.speaker import SoundcardSpeaker, Speaker, SpeakerBase

_FILE = "file:"
_GPIO = "gpio:"


def open_microphone(name: str = "default", *, paced: bool = False) -> Microphone:
    """Return the microphone of this name; `paced` keeps a file to real time.

    Raises:
        DeviceMissing: it is not there; says what is.
        SourceUnreadable: the file cannot be read.
    """
    if name == "none":
        return AbsentMicrophone()
    if name.startswith(_FILE):
        return WavMicrophone(name.removeprefix(_FILE), paced=paced)
    return SoundcardMicrophone(None if name == "default" else name)


def open_speaker(name: str = "default", *, clock: Callable[[], float] | None = time.monotonic) -> Speaker:
    """Return the speaker of this name; `clock` is a file's, see `FileSpeaker`.

    Raises:
        DeviceMissing: it is not there; says what is.
        SourceUnreadable: the file cannot be written.
    """
    if name == "none":
        return AbsentSpeaker()
    if name.startswith(_FILE):
        return FileSpeaker(name.removeprefix(_FILE), clock=clock)
    return SoundcardSpeaker(None if name == "default" else name)


def open_camera(name: str = "default", *, paced: bool = False) -> Camera:
    """Return the camera of this name: a number, a path under /dev, or a video, picture or folder as "file:PATH".

    Raises:
        DeviceMissing: it is not there; says what is.
        SourceUnreadable: the file cannot be read.
    """
    if name == "none":
        return AbsentCamera()
    if name.startswith(_FILE):
        path = Path(name.removeprefix(_FILE))
        return PictureCamera(path, name=name) if path.is_dir() else OpenCvCamera(path, paced=paced)
    found = video_devices()
    listed = ", ".join(found) or "none"
    if name == "default":
        if not found:
            raise DeviceMissing(
                "No camera is connected; plug it in, or choose --camera file:PATH or none", kind="camera", name=name
            )
        return OpenCvCamera(found[0])
    if name.isdecimal():
        return OpenCvCamera(int(name))
    if not (name.startswith("/dev/") and Path(name).exists()):
        raise DeviceMissing(
            f"Camera {name!r} is not connected; found: {listed}; plug it in, or choose --camera NUMBER, file:PATH or"
            " none",
            kind="camera",
            name=name,
        )
    return OpenCvCamera(name)


def open_pedal(name: str = "default", *, stream: TextIO | None = None) -> Pedal:
    """Return the pedal of this name: "gpio:PIN", "keyboard" (lines of `stream`, or of standard input) or "none".

    "default" is the pedal on GPIO17.

    Raises:
        DeviceMissing: it is not there, or no pedal goes by that name.
    """
    if name == "none":
        return AbsentPedal()
    if name == "keyboard":
        return KeyboardPedal(stream or sys.stdin)
    if name == "default":
        return GpioPedal()
    if name.startswith(_GPIO) and name != _GPIO:
        return GpioPedal(_pin(name.removeprefix(_GPIO)))
    raise DeviceMissing(
        f"Pedal {name!r} is not known; choose --pedal gpio:PIN, keyboard or none", kind="pedal", name=name
    )


def open_light(name: str = "none") -> Light:
    """Return the light of this name: "gpio:GREEN,AMBER,RED", "default" (GPIO22, 23, 24) or "none".

    Raises:
        DeviceMissing: it is not there, or no light goes by that name.
    """
    if name == "none":
        return AbsentLight()
    if name == "default":
        return GpioLight()
    pins = name.removeprefix(_GPIO).split(",")
    if name.startswith(_GPIO) and len(pins) == 3:
        return GpioLight(*(_pin(pin) for pin in pins))
    raise DeviceMissing(
        f"Light {name!r} is not known; choose --light gpio:GREEN,AMBER,RED or none", kind="light", name=name
    )


def _pin(text: str) -> int | str:
    return int(text) if text.isdecimal() else text


def video_devices() -> list[str]:
    """Return the paths of the video devices that are there, in order of number."""
    paths = [path for path in Path("/dev").glob("video*") if path.name.removeprefix("video").isdecimal()]
    return [str(path) for path in sorted(paths, key=lambda path: int(path.name.removeprefix("video")))]


@dataclass(frozen=True, slots=True)
class DeviceReport:
    """What is there of one kind: `found` names, `remedy` what to do when there are none ("" otherwise)."""

    kind: str
    found: tuple[str, ...]
    remedy: str

    @property
    def is_usable(self) -> bool:
        """Whether there is at least one."""
        return bool(self.found)


def describe() -> tuple[DeviceReport, ...]:
    """Return what is there of every kind of device; never raises for what is missing."""
    return (*(_describe_sound(kind) for kind in ("microphone", "speaker")), _describe_cameras(), _describe_pins())


def _describe_sound(kind: str) -> DeviceReport:
    try:
        cards = _soundcard.cards(kind)
    except HardwareError as error:
        return DeviceReport(kind, (), str(error))
    names = tuple(card.name for card in cards if (card.inputs if kind == "microphone" else card.outputs))
    return DeviceReport(kind, names, "" if names else f"plug in a {kind}, or choose --{kind} file:PATH or none")


def _describe_cameras() -> DeviceReport:
    names = tuple(video_devices())
    return DeviceReport("camera", names, "" if names else "plug in a camera, or choose --camera file:PATH or none")


def _describe_pins() -> DeviceReport:
    chips = tuple(str(path) for path in sorted(Path("/dev").glob("gpiochip*")))
    return DeviceReport("pedal", chips, "" if chips else "no pins on this machine; choose --pedal keyboard or none")


class AbsentMicrophone(MicrophoneBase):
    """No microphone: never gives a frame, and says that it never will."""

    def __init__(self) -> None:
        super().__init__("none")

    @property
    def ended(self) -> bool:
        """Always true."""
        return True

    def _next(self, timeout_s: float) -> Samples | None:
        return None


class AbsentSpeaker(SpeakerBase):
    """No speaker: takes everything, plays nothing."""

    def __init__(self) -> None:
        super().__init__("none")

    def _play(self, samples: Samples) -> None:
        """Play nothing."""


class AbsentCamera(CameraBase):
    """No camera: never gives a picture, and says that it never will."""

    def __init__(self) -> None:
        super().__init__("none")

    @property
    def ended(self) -> bool:
        """Always true."""
        return True

    def _next(self) -> Shot | None:
        return None


class AbsentPedal(PedalBase):
    """No pedal: is never pressed. `read` returns at once."""

    def __init__(self) -> None:
        super().__init__("none")

    def _next(self, timeout_s: float) -> PedalEvent | None:
        return None


class AbsentLight(LightBase):
    """No light: shows nothing."""

    def __init__(self) -> None:
        super().__init__("none")

    def _show(self, meaning: Meaning) -> None:
        """Show nothing."""
