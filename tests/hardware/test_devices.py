"""Devices opened by name, and what is said when they are not there."""

from __future__ import annotations

import os
from pathlib import Path

import cv2
import numpy as np
import pytest

from hardware import _soundcard, devices
from hardware.errors import DeviceLost, DeviceMissing, DriverMissing, HardwareError, SourceUnreadable
from tests.hardware.test_camera import grey_picture, write_video
from tests.hardware.virtual_sound import MICROPHONE, VirtualSound, write_wav


def test_the_device_named_none_is_there_gives_nothing_and_closes() -> None:
    with devices.open_microphone("none") as microphone, devices.open_speaker("none") as speaker:
        assert microphone.read(0) is None and microphone.ended and list(microphone.frames()) == []
        speaker.play(np.ones(10, dtype=np.int16))
        assert not speaker.is_playing
    with (
        devices.open_camera("none") as camera,
        devices.open_pedal("none") as pedal,
        devices.open_light("none") as light,
    ):
        light.show("asked")
        assert camera.frame() is None and camera.ended
        assert pedal.read(0) is None and pedal.is_down is None
    assert all(device.closed for device in (microphone, speaker, camera, pedal, light))


def test_a_file_stands_in_for_every_sound_device_and_camera(tmp_path: Path) -> None:
    write_wav(tmp_path / "in.wav", np.full(600, 5, dtype=np.int16))
    with devices.open_microphone(f"file:{tmp_path / 'in.wav'}") as microphone:
        assert sum(1 for _ in microphone.frames()) == 2
    with devices.open_speaker(f"file:{tmp_path / 'out.wav'}", clock=None) as speaker:
        speaker.play(np.ones(10, dtype=np.int16))
    assert (tmp_path / "out.wav").stat().st_size == 44 + 20
    with devices.open_camera(f"file:{write_video(tmp_path / 'shift.avi', [grey_picture(9)])}") as camera:
        assert camera.frame() is not None
    (tmp_path / "pictures").mkdir()
    cv2.imwrite(str(tmp_path / "pictures" / "a.png"), grey_picture(9))
    with devices.open_camera(f"file:{tmp_path / 'pictures'}") as camera:
        assert camera.frame() is not None and camera.ended


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    for open_device in (devices.open_microphone, devices.open_camera):
        with pytest.raises(SourceUnreadable, match="no such"):
            open_device(f"file:{tmp_path / 'no such'}")


def test_the_default_microphone_is_the_sound_servers(sound: VirtualSound) -> None:
    with devices.open_microphone() as microphone, devices.open_microphone("call-mic") as other:
        assert microphone.name == "default" and other.name == MICROPHONE
        assert microphone.read(5) is not None


def test_describe_lists_the_virtual_card_in_both_directions(sound: VirtualSound) -> None:
    reports = {report.kind: report for report in devices.describe()}
    assert MICROPHONE in reports["microphone"].found and reports["microphone"].is_usable
    assert reports["speaker"].remedy == ""


def test_describe_never_raises_and_gives_a_remedy_for_what_is_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_soundcard, "cards", lambda kind: [])
    monkeypatch.setattr(devices, "video_devices", lambda: [])
    reports = devices.describe()
    assert [report.kind for report in reports] == ["microphone", "speaker", "camera", "pedal"]
    assert [report.remedy != "" for report in reports[:3]] == [True] * 3
    assert not reports[0].is_usable


def test_describe_says_which_driver_is_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_driver(kind: str) -> list[_soundcard.Card]:
        raise DriverMissing("apt install libportaudio2", kind=kind)

    monkeypatch.setattr(_soundcard, "cards", no_driver)
    assert devices.describe()[0].remedy == "apt install libportaudio2"


def test_describe_works_on_this_machine_as_it_is() -> None:
    for report in devices.describe():
        assert report.is_usable or report.remedy


def test_a_camera_that_is_not_there_is_told_with_those_that_are(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(devices, "video_devices", lambda: ["/dev/video0"])
    with pytest.raises(DeviceMissing, match="Camera 'front' is not connected; found: /dev/video0; plug it in"):
        devices.open_camera("front")
    monkeypatch.setattr(devices, "video_devices", lambda: [])
    with pytest.raises(DeviceMissing, match="No camera is connected; plug it in, or choose --camera file:PATH or none"):
        devices.open_camera()
    with pytest.raises(DeviceMissing, match="Camera '97' is not connected"):
        devices.open_camera("97")


def test_a_name_that_means_nothing_is_refused_with_those_that_do() -> None:
    with pytest.raises(DeviceMissing, match="Pedal 'usb' is not known; choose --pedal gpio:PIN, keyboard or none"):
        devices.open_pedal("usb")
    with pytest.raises(DeviceMissing, match="Light 'gpio:1,2' is not known; choose --light gpio:GREEN,AMBER,RED"):
        devices.open_light("gpio:1,2")


def test_a_keyboard_stands_in_for_a_pedal() -> None:
    read_end, write_end = os.pipe()
    os.write(write_end, b" \n")
    with os.fdopen(read_end) as stream, devices.open_pedal("keyboard", stream=stream) as pedal:
        event = pedal.read(1)
    os.close(write_end)
    assert event is not None and event.kind == "press"


@pytest.mark.skipif(
    bool(list(Path("/dev").glob("gpiochip*"))), reason="this machine has pins: opening them would drive them"
)
def test_without_pins_the_wired_pedal_and_light_say_what_to_choose() -> None:
    with pytest.raises(DeviceMissing, match="Pedal 'gpio:GPIO17' cannot be opened: .*choose --pedal keyboard or none"):
        devices.open_pedal()
    with pytest.raises(DeviceMissing, match="Light 'gpio:GPIO22,GPIO23,GPIO24' cannot be opened"):
        devices.open_light("default")


def test_every_error_of_a_device_is_one_line_with_few_words_for_the_speaker() -> None:
    missing = DeviceMissing("Microphone 'usb' is not connected; plug it in", kind="microphone", name="usb")
    lost = DeviceLost("Camera '0' has given no picture for 2.0 s; check its cable", kind="camera", name="0")
    assert isinstance(missing, LookupError) and isinstance(lost, ConnectionError)
    assert (missing.spoken, lost.spoken) == ("No microphone.", "Camera lost.")
    assert all(isinstance(error, HardwareError) and "\n" not in str(error) for error in (missing, lost))
