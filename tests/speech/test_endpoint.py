"""Where utterances begin and end, and that the bench never hears itself."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.errors import AudioError
from capture.speech.endpoint import FRAME_S, Endpointer, EndpointSettings, SpokenOver
from capture.speech.trust import judge
from capture.speech.vad import SileroVad
from capture.speech.voice import EspeakVoice, tone
from capture.speech.whisper import WhisperEngine
from capture.speech.words import RATE_HZ, Floors, Samples, Utterance
from tests.speech.support import frames, job_grammar, quiet, recording, shared_recordings, shop_noise, utterance

JOB = job_grammar()
SETTINGS = EndpointSettings()
Found = list[Utterance | SpokenOver]


def numbered(number: int) -> Samples:
    """A frame whose samples all are its number, so that what comes out can be traced."""
    return np.full(512, number, dtype=np.int16)


def run(
    speech: Sequence[bool], own_voice: Sequence[bool] | None = None, pedal: Sequence[bool | None] | None = None
) -> Found:
    """Push numbered frames through an endpointer with a scripted voice activity."""
    own_voice = [*(own_voice or []), *[False] * len(speech)]
    pedal = [*(pedal or []), *[pedal[-1] if pedal else None] * len(speech)]
    vad = iter([0.9 if spoken else 0.05 for spoken in speech])
    endpointer = Endpointer(lambda frame: next(vad))
    found: Found = []
    for number in range(len(speech)):
        found += endpointer.push(
            numbered(number),
            own_voice=own_voice[number],
            pedal=pedal[number],
        )
    return found + endpointer.flush()


def numbers(item: Utterance | SpokenOver) -> list[int]:
    """The numbers of the frames in an utterance."""
    assert isinstance(item, Utterance)
    return [int(number) for number in item.samples[::512]]


def pattern(*stretches: tuple[bool, float]) -> list[bool]:
    """Frames from (value, seconds) pairs."""
    return [value for value, seconds in stretches for _ in range(round(seconds / FRAME_S))]


def test_an_utterance_has_the_times_of_its_speech_and_some_silence_around_it() -> None:
    (found,) = run(pattern((False, 0.96), (True, 0.64), (False, 1.6)))
    assert isinstance(found, Utterance)
    assert (found.start_s, found.end_s, found.ended_by) == (0.96, 1.6, "silence")
    assert numbers(found) == list(range(30 - 12, 50 + 9))


def test_a_pause_of_half_a_second_inside_a_number_does_not_end_the_utterance() -> None:
    (found,) = run(pattern((False, 0.5), (True, 0.5), (False, 0.5), (True, 0.5), (False, 1.0)))
    assert isinstance(found, Utterance)
    assert found.end_s - found.start_s == pytest.approx(1.5, abs=0.1)


def test_a_pause_of_three_quarters_of_a_second_ends_it() -> None:
    assert len(run(pattern((True, 0.5), (False, 0.76), (True, 0.5), (False, 1.0)))) == 2


def test_a_knock_is_no_utterance() -> None:
    assert run(pattern((False, 0.5), (True, 0.064), (False, 1.0))) == []


def test_the_end_of_the_stream_ends_what_is_going_on() -> None:
    (found,) = run(pattern((False, 0.5), (True, 0.5)))
    assert isinstance(found, Utterance) and found.ended_by == "stream"


def test_an_utterance_that_never_ends_is_cut_and_its_rest_is_left_out() -> None:
    found = run(pattern((True, 20.0), (False, 1.0), (True, 1.0), (False, 1.0)))
    assert [item.ended_by for item in found if isinstance(item, Utterance)] == ["length", "silence"]
    first, second = found
    assert first.end_s == pytest.approx(SETTINGS.longest_s, abs=FRAME_S)
    assert second.start_s == pytest.approx(21.0, abs=2 * FRAME_S)


def test_echo_that_dies_away_after_the_own_voice_is_dropped_silently() -> None:
    speech = pattern((True, 1.0), (True, 0.32), (False, 2.0))
    assert run(speech, pattern((True, 1.0), (False, 2.32))) == []


def test_speech_that_runs_on_past_the_own_voice_is_told_and_never_becomes_an_utterance() -> None:
    own = pattern((True, 1.0), (False, 3.0))
    (found,) = run(pattern((False, 0.5), (True, 1.2), (False, 0.32), (True, 0.5), (False, 1.5)), own)
    assert isinstance(found, SpokenOver)
    assert found.start_s == pytest.approx(0.5, abs=FRAME_S)
    assert found.end_s == pytest.approx(2.5, abs=2 * FRAME_S)


def test_what_starts_in_the_tail_of_the_own_voice_is_echo_and_what_starts_after_it_is_an_answer() -> None:
    own = pattern((True, 1.0), (False, 2.0))
    early = run(pattern((False, 1.1), (True, 0.3), (False, 1.5)), own)
    late = run(pattern((False, 1.2), (True, 0.3), (False, 1.5)), own)
    assert early == []
    assert len(late) == 1 and isinstance(late[0], Utterance)


def test_an_answer_after_a_short_echo_and_a_gap_is_heard_whole() -> None:
    own = pattern((True, 0.96), (False, 2.0))
    (found,) = run(pattern((True, 1.12), (False, 0.16), (True, 0.4), (False, 1.5)), own)
    assert isinstance(found, Utterance)
    assert found.start_s == pytest.approx(1.28, abs=FRAME_S)
    assert min(numbers(found)) >= 30


def test_speech_that_the_bench_breaks_into_is_told_not_used() -> None:
    speech = pattern((False, 0.5), (True, 2.5), (False, 1.0))
    (found,) = run(speech, pattern((False, 1.0), (True, 0.5), (False, 2.5)))
    assert isinstance(found, SpokenOver)


def test_a_call_that_the_bench_drowned_is_told_even_when_it_ended_under_the_own_voice() -> None:
    speech = pattern((False, 0.5), (True, 1.0), (False, 2.0))
    (found,) = run(speech, pattern((False, 1.2), (True, 1.0), (False, 1.3)))
    assert isinstance(found, SpokenOver)
    assert run(pattern((False, 0.5), (True, 0.1), (False, 2.0)), pattern((False, 0.6), (True, 1.0), (False, 1.0))) == []


def test_a_pedal_gives_hard_ends_whatever_the_pauses() -> None:
    speech = pattern((False, 0.5), (True, 0.5), (False, 1.5), (True, 0.5), (False, 1.0))
    pedal: list[bool | None] = [*pattern((False, 0.32), (True, 2.88), (False, 0.8))]
    (found,) = run(speech, pedal=pedal)
    assert isinstance(found, Utterance)
    assert found.ended_by == "pedal"
    assert numbers(found) == list(range(0, 100))


def test_a_pedal_held_long_before_anything_is_said_keeps_the_last_of_it() -> None:
    speech = pattern((False, 30.0), (True, 1.0), (False, 0.5))
    (found,) = run(speech, pedal=[*pattern((True, 31.3), (False, 0.2))])
    assert isinstance(found, Utterance)
    assert len(found.samples) / RATE_HZ == pytest.approx(1.9 + 1.3, abs=0.1)


def test_with_a_pedal_speech_counts_only_while_it_is_held() -> None:
    speech = pattern((True, 3.0))
    assert run(speech, pedal=[False] * len(speech)) == []
    tapped: list[bool | None] = [*pattern((False, 1.0), (True, 0.2), (False, 1.8))]
    assert run(pattern((False, 3.0)), pedal=tapped) == []


def test_a_pedal_pressed_while_the_bench_speaks_takes_nothing() -> None:
    speech, own = pattern((True, 2.0), (False, 1.0)), pattern((True, 1.0), (False, 2.0))
    pedal: list[bool | None] = [*pattern((False, 0.5), (True, 1.5), (False, 1.0))]
    (found,) = run(speech, own, pedal)
    assert isinstance(found, SpokenOver)


def test_a_frame_of_another_length_is_refused() -> None:
    with pytest.raises(AudioError, match=r"shape \(511,\); it must be \(512,\)"):
        Endpointer(lambda frame: 0.0).push(np.zeros(511, dtype=np.int16), own_voice=False)
    with pytest.raises(AudioError, match=r"shape \(100,\)"):
        SileroVad()(np.zeros(100, dtype=np.int16))


runs = st.lists(st.tuples(st.booleans(), st.integers(1, 40)), min_size=1, max_size=24)
modes = st.lists(st.tuples(st.sampled_from([None, None, True, False]), st.integers(1, 60)), min_size=1, max_size=12)


def spread(stretches: Iterable[tuple[bool | None, int]], count: int) -> list[bool | None]:
    values = [value for value, length in stretches for _ in range(length)]
    return (values * (count // len(values) + 1))[:count]


@given(speech=runs, own=runs, modes=modes)
def test_no_utterance_overlaps_the_own_voice_or_another_and_each_is_one_piece(
    speech: list[tuple[bool, int]], own: list[tuple[bool, int]], modes: list[tuple[bool | None, int]]
) -> None:
    spoken = [value for value, length in speech for _ in range(length)]
    speaking = [bool(value) for value in spread(own, len(spoken))]
    used: set[int] = set()
    for item in run(spoken, speaking, spread(modes, len(spoken))):
        if isinstance(item, SpokenOver):
            assert item.end_s > item.start_s
            continue
        inside = numbers(item)
        assert inside == list(range(inside[0], inside[0] + len(inside)))
        assert not used & set(inside)
        assert not any(speaking[number] for number in inside)
        assert inside[0] * FRAME_S <= item.start_s < item.end_s <= (inside[-1] + 1) * FRAME_S
        used |= set(inside)


@given(speech=runs)
def test_without_own_voice_every_stretch_of_speech_is_in_exactly_one_utterance(speech: list[tuple[bool, int]]) -> None:
    spoken = [value for value, length in speech for _ in range(length)]
    found = [number for item in run(spoken) for number in numbers(item)]
    assert len(found) == len(set(found))
    stretches = "".join("s" if value else "." for value in spoken)
    for number, value in enumerate(spoken):
        long_enough = stretches.count("s", max(0, number - 2), number + 3) == 5
        if value and long_enough and len(spoken) * FRAME_S < SETTINGS.longest_s:
            assert number in found


# --- real sound


def heard_in(sound: Samples, own_voice: Callable[[int], bool] = lambda number: False) -> Found:
    """Push sound through an endpointer with the real voice activity."""
    endpointer = Endpointer(SileroVad())
    found: Found = []
    for number, frame in enumerate(frames(sound)):
        found += endpointer.push(frame, own_voice=own_voice(number))
    return found + endpointer.flush()


def in_a_row(*parts: Samples | float, level: int = 8) -> Samples:
    """Sounds and pauses (s) one after the other, over the hiss of a room."""
    pieces = [np.zeros(int(part * RATE_HZ), np.int16) if isinstance(part, float) else part for part in parts]
    row = np.concatenate(pieces)
    return np.asarray(row + quiet(len(row) / RATE_HZ, level=level)[: len(row)], dtype=np.int16)


def trimmed(sound: Samples) -> Samples:
    """Leave out what is more than 30 dB quieter than the loudest 20 ms, at both ends."""
    first, last = loud_ends(sound)
    return sound[first:last]


def loud_ends(sound: Samples) -> tuple[int, int]:
    """Where the first loud 20 ms begin and the last ones end."""
    blocks = sound[: len(sound) // 320 * 320].reshape(-1, 320).astype(np.float64)
    rms = np.sqrt((blocks**2).mean(axis=1))
    loud = np.flatnonzero(rms > rms.max() * 10 ** (-30 / 20))
    return int(loud[0]) * 320, (int(loud[-1]) + 1) * 320


def test_calls_in_a_stream_are_cut_out_one_by_one_and_heard(whisper: WhisperEngine, voice: EspeakVoice) -> None:
    calls = ("outboard shoe three one point two four eight", "affirm", "thrust collar")
    parts: list[Samples | float] = [1.0]
    for call in calls:
        parts += [voice.speak(call), 1.2]
    found = heard_in(in_a_row(*parts))
    assert [whisper.recognise(item, JOB).text for item in found if isinstance(item, Utterance)] == list(calls)


def test_the_first_word_of_a_call_is_not_cut(whisper: WhisperEngine, voice: EspeakVoice) -> None:
    """Words that begin softly are what a slow voice activity would bite into."""
    for call in ("four tenths", "thrust collar", "five thou"):
        (found,) = heard_in(in_a_row(1.0, voice.speak(call), 1.0))
        assert isinstance(found, Utterance)
        assert whisper.recognise(found, JOB).text == call
        assert found.start_s < 1.2
        assert len(found.samples) / RATE_HZ > found.end_s - found.start_s + 0.3


def test_a_number_said_with_a_pause_inside_stays_one_utterance(voice: EspeakVoice) -> None:
    (found,) = heard_in(in_a_row(0.5, trimmed(voice.speak("one point two")), 0.45, voice.speak("four eight"), 1.0))
    assert isinstance(found, Utterance)


def test_recordings_of_people_are_found_whole_in_a_stream() -> None:
    entries = shared_recordings("fsdd_concat4", every=12)
    for entry in entries:
        spoken = recording(entry)
        found = heard_in(in_a_row(1.0, spoken, 1.0))
        (item,) = found
        assert isinstance(item, Utterance)
        first, last = (1.0 + place / RATE_HZ for place in loud_ends(spoken))
        begins_s = item.start_s - SETTINGS.pre_roll_s
        assert begins_s < first and begins_s + len(item.samples) / RATE_HZ > last, entry["id"]


def test_shop_noise_gives_no_accepted_call(whisper: WhisperEngine) -> None:
    for item in heard_in(shop_noise(12.0, level=4000, key=9)):
        assert isinstance(item, Utterance)
        assert judge(whisper.recognise(item, JOB), Floors(), JOB) is not None


def test_everything_the_bench_says_into_its_own_microphone_confirms_nothing() -> None:
    """Readbacks that hold whole calls and "affirm", and every tone, with an echo that rings on after each."""
    bench = EspeakVoice()
    said = ["outboard shoe three, one point two four eight inches, affirm?", "affirm", "say again", "stored"]
    parts: list[Samples] = [quiet(0.5)]
    speaking = [False] * len(list(frames(parts[0])))
    for sound in [*(bench.speak(text) for text in said), *(tone(kind) for kind in ("ready", "heard", "stored"))]:
        padded = np.concatenate([sound, np.zeros(-len(sound) % 512, np.int16), np.zeros(512 * 40, np.int16)])
        echo = np.zeros_like(padded)
        echo[3200:] = padded[:-3200] // 4
        parts.append(padded + echo)
        speaking += [True] * (len(padded) // 512 - 40) + [False] * 40
    assert heard_in(in_a_row(*[part[: len(part) // 512 * 512] for part in parts]), lambda n: speaking[n]) == []


def test_an_answer_after_the_readback_is_heard_whole(whisper: WhisperEngine, voice: EspeakVoice) -> None:
    readback = EspeakVoice().speak("thrust collar, zero point three six one")
    answer = voice.speak("affirm")
    sound = in_a_row(readback, 0.3, answer, 1.0)
    (found,) = heard_in(sound, lambda number: number * 512 < len(readback))
    assert isinstance(found, Utterance)
    assert whisper.recognise(found, JOB).text == "affirm"
    assert utterance(found.samples).end_s < 2.0
