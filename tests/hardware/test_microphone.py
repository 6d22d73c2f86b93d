"""Microphones: one set of tests over the scripted, the filed and the real one (on a virtual sound card)."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from hardware import _soundcard
from hardware.errors import ClosedDevice, DeviceLost, DeviceMissing, DriverMissing, SourceUnreadable
from hardware.fakes import ScriptedMicrophone
from hardware.microphone import FRAME, QUIETEST_DBFS, Microphone, SoundcardMicrophone, WavMicrophone, level_dbfs
from tests.hardware.conftest import Clock, DeadStream
from tests.hardware.virtual_sound import MICROPHONE, VirtualSound, likeness, write_wav

Samples = NDArray[np.int16]


class Heard:
    """A microphone together with a way to speak into it."""

    def __init__(self, microphone: Microphone, speaking: threading.Thread | None = None) -> None:
        self.microphone = microphone
        self._speaking = speaking

    def gather(self, frames: int) -> Samples:
        """Return what is heard in so many frames from now on, someone speaking."""
        if self._speaking is not None:
            self._speaking.start()
        got = [frame for frame in (self.microphone.read(2.0) for _ in range(frames)) if frame is not None]
        if self._speaking is not None:
            self._speaking.join()
        return np.concatenate(got)


@pytest.fixture(params=["scripted", "file", "file 44.1 kHz", "card", "card 44.1 kHz"])
def heard(request: pytest.FixtureRequest, tmp_path: Path, speechlike: Samples) -> Iterator[Heard]:
    """Each kind of microphone, about to hear one second of sound."""
    kind: str = request.param
    if kind == "scripted":
        with ScriptedMicrophone([speechlike]) as microphone:
            yield Heard(microphone)
    elif kind.startswith("file"):
        rate_hz = 44_100 if "44.1" in kind else 16_000
        path = tmp_path / "spoken.wav"
        scipy_signal = pytest.importorskip("scipy.signal")
        write_wav(path, np.rint(scipy_signal.resample_poly(speechlike.astype(float), rate_hz, 16_000)), rate_hz)
        with WavMicrophone(path) as microphone:
            yield Heard(microphone)
    else:
        sound: VirtualSound = request.getfixturevalue("sound")
        rate = {"card": None, "card 44.1 kHz": 44_100}[kind]
        with SoundcardMicrophone(MICROPHONE, rate_hz=rate) as card:
            assert card.read(5.0) is not None
            yield Heard(card, threading.Thread(target=sound.say, args=(speechlike,)))


def test_what_was_spoken_is_heard(heard: Heard, speechlike: Samples) -> None:
    got = heard.gather(32 if heard._speaking is None else 55)
    assert got.dtype == np.int16
    assert likeness(got, speechlike) > 0.98


def test_a_frame_is_512_samples_and_the_meter_follows_it(heard: Heard) -> None:
    assert heard.microphone.level_dbfs == QUIETEST_DBFS
    frame = heard.microphone.read(2.0)
    assert frame is not None and frame.shape == (FRAME,) and frame.dtype == np.int16
    assert heard.microphone.level_dbfs == level_dbfs(frame)


def test_closing_twice_is_closing_once(heard: Heard) -> None:
    heard.microphone.close()
    heard.microphone.close()
    assert heard.microphone.closed


def test_reading_after_close_says_so(heard: Heard) -> None:
    heard.microphone.close()
    with pytest.raises(ClosedDevice, match="is closed; open it again"):
        heard.microphone.read(0)
    with pytest.raises(ClosedDevice):
        next(heard.microphone.frames())


def test_frames_end_when_the_microphone_is_closed(heard: Heard) -> None:
    frames = heard.microphone.frames()
    next(frames)
    heard.microphone.close()
    assert list(frames) == []


def test_with_closes_it(heard: Heard) -> None:
    with heard.microphone as microphone:
        assert not microphone.closed
    assert heard.microphone.closed


def test_the_card_hears_the_pitch_that_was_played(sound: VirtualSound) -> None:
    tone = np.rint(9000 * np.sin(2 * np.pi * 440 * np.arange(12_000) / 16_000)).astype(np.int16)
    with SoundcardMicrophone(MICROPHONE, rate_hz=44_100) as card:
        assert card.read(5.0) is not None
        speaking = threading.Thread(target=sound.say, args=(tone,))
        got = Heard(card, speaking).gather(45).astype(float)
    spectrum = np.abs(np.fft.rfft(got * np.hanning(len(got))))
    assert np.fft.rfftfreq(len(got), 1 / 16_000)[spectrum.argmax()] == pytest.approx(440, abs=2)


def test_a_part_of_the_name_finds_the_card_and_a_wrong_one_lists_what_there_is(sound: VirtualSound) -> None:
    with SoundcardMicrophone("CALL-MIC") as card:
        assert card.name == MICROPHONE
    with pytest.raises(DeviceMissing, match="Microphone 'no such' is not connected; found: .*'benchcall-mic'.*--micro"):
        SoundcardMicrophone("no such")


def test_a_name_that_fits_two_cards_is_refused_with_both() -> None:
    cards = [_soundcard.Card(0, "USB Headset A", 1, 1, 48_000), _soundcard.Card(1, "USB Headset B", 1, 1, 48_000)]
    with pytest.raises(DeviceMissing, match="'usb' fits 2 devices: 'USB Headset A', 'USB Headset B'; give more"):
        _soundcard.choose("usb", "microphone", cards)
    assert _soundcard.choose("usb headset b", "microphone", cards).index == 1


def test_a_card_that_cannot_record_is_no_microphone() -> None:
    cards = [_soundcard.Card(0, "HDMI", 0, 2, 48_000)]
    with pytest.raises(DeviceMissing, match="No microphone is connected; plug it in, or choose another"):
        _soundcard.choose(None, "microphone", cards)
    assert _soundcard.choose(None, "speaker", cards).index == 0


def test_likeness_tells_what_was_played_from_anything_else(speechlike: Samples) -> None:
    other = np.random.default_rng(1).permutation(speechlike)
    late = np.concatenate([np.zeros(777, dtype=np.int16), speechlike // 2])
    assert likeness(late, speechlike) > 0.999
    assert likeness(other, speechlike) < 0.2 and likeness(late[:9000], speechlike) < 0.9


def test_a_card_that_is_unplugged_is_lost_and_can_be_opened_again(sound: VirtualSound) -> None:
    with SoundcardMicrophone(MICROPHONE, lost_after_s=0.4) as card:
        assert card.read(5.0) is not None
        sound.unplug_microphone()
        try:
            with pytest.raises(DeviceLost, match="Microphone 'benchcall-mic' has given nothing for"):
                for _ in range(40):
                    card.read(0.2)
        finally:
            sound.plug_in_microphone()
    with SoundcardMicrophone(MICROPHONE) as again:
        assert again.read(5.0) is not None


def test_a_microphone_whose_driver_falls_silent_is_lost_and_says_what_to_do(
    dead_stream: DeadStream, clock: Clock
) -> None:
    with SoundcardMicrophone("usb", clock=clock) as microphone:
        dead_stream.callback(np.ones((FRAME, 1), dtype=np.int16), FRAME, None, None)
        assert microphone.read(0) is not None
        clock.wait(1.9)
        assert microphone.read(0) is None
        clock.wait(0.2)
        with pytest.raises(
            DeviceLost, match=r"Microphone 'usb' has given nothing for 2\.1 s; check its plug"
        ) as caught:
            microphone.read(0)
    assert caught.value.spoken == "Microphone lost."
    assert dead_stream.closes == 1


def test_after_a_minute_nobody_read_the_oldest_sound_is_dropped_and_counted(
    dead_stream: DeadStream, clock: Clock
) -> None:
    with SoundcardMicrophone("usb", clock=clock) as microphone:
        for second in range(65):
            dead_stream.callback(np.full((16_000, 1), second, dtype=np.int16), 16_000, None, None)
        assert microphone.dropped_s == pytest.approx(5)
        frame = microphone.read(0)
    assert frame is not None and frame[0] == 5


def test_without_portaudio_the_message_names_the_package(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_library(name: str) -> Any:
        raise OSError("PortAudio library not found")

    monkeypatch.setattr(_soundcard, "import_module", no_library)
    with pytest.raises(DriverMissing, match="PortAudio library not found; install it with 'apt install libportaudio2'"):
        SoundcardMicrophone()


@pytest.mark.parametrize(("make", "why"), [(None, "cannot be read"), (b"", "cannot be read"), (b"RIFFxx", "cannot")])
def test_a_sound_file_that_cannot_be_read_is_named(tmp_path: Path, make: bytes | None, why: str) -> None:
    path = tmp_path / "call.wav"
    if make is not None:
        path.write_bytes(make)
    with pytest.raises(SourceUnreadable, match=f"Sound file '.*call.wav' {why}.*give a WAV or FLAC"):
        WavMicrophone(path)


def test_an_empty_sound_file_is_named(tmp_path: Path) -> None:
    write_wav(tmp_path / "call.wav", np.zeros(0, dtype=np.int16))
    with pytest.raises(SourceUnreadable, match="is empty; record it again"):
        WavMicrophone(tmp_path / "call.wav")


def test_a_paced_file_gives_no_frame_before_its_time(tmp_path: Path, clock: Clock) -> None:
    write_wav(tmp_path / "call.wav", np.arange(1200, dtype=np.int16))
    with WavMicrophone(tmp_path / "call.wav", paced=True, clock=clock, wait=clock.wait) as microphone:
        start_s = clock()
        assert microphone.read(0.01) is None
        assert sum(1 for _ in microphone.frames()) == 3
        assert clock() - start_s == pytest.approx(3 * 0.032)
        assert microphone.ended


def test_a_scripted_microphone_fails_when_its_script_says_so_and_remembers() -> None:
    lost = DeviceLost("Microphone 'scripted' is gone; plug it in", kind="microphone")
    microphone = ScriptedMicrophone([np.ones(700, dtype=np.int16), None, lost])
    assert [frame is not None for frame in (microphone.read(0), microphone.read(0), microphone.read(0))] == [1, 1, 0]
    with pytest.raises(DeviceLost):
        microphone.read(0)
    assert microphone.heard == 2 and microphone.ended
