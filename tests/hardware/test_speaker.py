"""Speakers: one set of tests over the file and the real one (on a virtual sound card)."""

from __future__ import annotations

import threading
import wave
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from hardware.errors import ClosedDevice, DeviceLost, DeviceMissing, SourceUnreadable
from hardware.fakes import FileSpeaker
from hardware.speaker import SoundcardSpeaker, Speaker
from tests.hardware.conftest import Clock, DeadStream
from tests.hardware.virtual_sound import SPEAKER, SpeakerTap, VirtualSound, likeness

Samples = NDArray[np.int16]


class Room:
    """A speaker and what can be heard of it."""

    def __init__(self, speaker: Speaker, hear: Callable[[int], Samples]) -> None:
        self.speaker = speaker
        self.hear = hear


@pytest.fixture(params=["file", "card", "card 44.1 kHz"])
def room(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Room]:
    """Each kind of speaker."""
    if request.param == "file":
        path = tmp_path / "spoken.wav"
        speaker = FileSpeaker(path)

        def hear(count: int) -> Samples:
            speaker.close()
            with wave.open(str(path)) as file:
                assert (file.getframerate(), file.getnchannels(), file.getsampwidth()) == (16_000, 1, 2)
                return np.frombuffer(file.readframes(file.getnframes()), dtype=np.int16)

        with speaker:
            yield Room(speaker, hear)
    else:
        sound: VirtualSound = request.getfixturevalue("sound")
        with sound.speaker_tap() as tap:
            rate_hz = 44_100 if "44.1" in request.param else None
            with SoundcardSpeaker(SPEAKER, rate_hz=rate_hz) as card:
                yield Room(card, lambda count: _heard(tap, count))


def _heard(tap: SpeakerTap, count: int) -> Samples:
    before = len(tap.samples)
    return tap.wait_for(before + count, timeout_s=10)


def test_what_was_played_is_heard_in_order(room: Room, speechlike: Samples) -> None:
    for part in (speechlike[:5000], speechlike[5000:5001], speechlike[5001:]):
        room.speaker.play(part)
    assert likeness(room.hear(26_000), speechlike) > 0.98


def test_closing_twice_is_closing_once_and_playing_after_says_so(room: Room) -> None:
    room.speaker.close()
    room.speaker.close()
    assert room.speaker.closed
    with pytest.raises(ClosedDevice, match="Speaker '.*' is closed; open it again"):
        room.speaker.play(np.ones(10, dtype=np.int16))


def test_nothing_plays_at_first_and_nothing_after_stop_and_close(room: Room, speechlike: Samples) -> None:
    assert not room.speaker.is_playing
    room.speaker.play(speechlike)
    room.speaker.close()
    assert room.speaker.closed


def test_the_card_plays_for_as_long_as_the_clip_and_its_own_delay(sound: VirtualSound, speechlike: Samples) -> None:
    pause = threading.Event()
    with sound.speaker_tap() as tap, SoundcardSpeaker(SPEAKER) as card:
        card.play(speechlike[:8000])
        assert card.is_playing
        while card.is_playing:
            pause.wait(0.005)
        assert likeness(tap.wait_for(len(tap.samples) + 3200, 10), speechlike[:8000]) > 0.98


def test_stop_cuts_the_card_short(sound: VirtualSound, speechlike: Samples) -> None:
    with sound.speaker_tap() as tap, SoundcardSpeaker(SPEAKER) as card:
        card.play(np.concatenate([speechlike] * 20))
        tap.wait_for(len(tap.samples) + 4000, 10)
        card.stop()
        heard = tap.wait_for(len(tap.samples) + 24_000, 10)
    assert not heard[-8000:].any()
    assert heard.any()


def test_a_wrong_name_lists_what_there_is(sound: VirtualSound) -> None:
    with pytest.raises(DeviceMissing, match="Speaker 'no such' is not connected; found: .*'benchcall-speaker'"):
        SoundcardSpeaker("no such")


def test_a_card_is_playing_until_its_delay_has_passed(dead_stream: DeadStream, clock: Clock) -> None:
    with SoundcardSpeaker("usb", clock=clock) as card:
        card.play(np.ones(1600, dtype=np.int16))
        block = np.full((2000, 1), 9, dtype=np.int16)
        dead_stream.callback(block, 2000, None, None)
        assert block[:1600].all() and not block[1600:].any()
        clock.wait(0.199)
        assert card.is_playing
        clock.wait(0.002)
        assert not card.is_playing


def test_a_card_that_takes_no_sound_is_lost(dead_stream: DeadStream, clock: Clock) -> None:
    with SoundcardSpeaker("usb", clock=clock) as card:
        card.play(np.ones(10, dtype=np.int16))
        clock.wait(2.1)
        with pytest.raises(DeviceLost, match=r"Speaker 'usb' has given nothing for 2\.1 s; check its plug"):
            card.play(np.ones(10, dtype=np.int16))


def test_the_file_speaker_plays_by_the_clock_and_remembers(clock: Clock) -> None:
    with FileSpeaker(clock=clock) as speaker:
        speaker.play(np.ones(16_000, dtype=np.int16))
        speaker.play(np.full(8000, 2, dtype=np.int16))
        clock.wait(1.49)
        assert speaker.is_playing
        clock.wait(0.02)
        assert not speaker.is_playing
        speaker.play(np.ones(16_000, dtype=np.int16))
        speaker.stop()
        assert not speaker.is_playing
    assert [len(clip) for clip in speaker.played] == [16_000, 8000, 16_000]
    assert speaker.stops == 2, "once by the test, once by close"


def test_a_sound_file_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    with pytest.raises(SourceUnreadable, match="Sound file '.*' cannot be written .*choose another"):
        FileSpeaker(tmp_path / "no folder" / "spoken.wav")
