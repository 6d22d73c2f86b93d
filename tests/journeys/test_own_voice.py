"""Promise 9: the bench's own voice, played back into its own microphone at full strength, confirms nothing."""

from __future__ import annotations

from pathlib import Path

import pytest

import capture.rehearsal
from capture.app import Bench, ClipStore, Step
from capture.rehearsal import Shop
from capture.session import restore
from capture.speech.endpoint import Endpointer
from capture.speech.recogniser import open_recogniser
from capture.speech.vad import SileroVad
from capture.speech.voice import EspeakVoice
from tests.journeys.talk import Talk
from tests.journeys.test_command import opened_log

CALLS = ("outboard shoe 3 1.249", "inboard seal ring 1 bore 5.5060", "inboard shoe two light scoring")


@pytest.mark.slow
def test_the_bench_s_own_voice_confirms_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Readbacks, verdict words and even its own "affirm" come back as loud as they are spoken."""
    monkeypatch.setattr(capture.rehearsal, "ECHO_GAIN", 1.0)
    shop, seen = Shop(), list[Step]()
    voice = EspeakVoice()
    recogniser = open_recogniser("whisper")
    with opened_log(tmp_path) as log:
        bench = Bench(
            session=restore(Talk().session, tuple(log.events())),
            log=log,
            clips=ClipStore(tmp_path / "clips"),
            recogniser=recogniser,
            endpointer=Endpointer(SileroVad()),
            voice=voice,
            speaker=shop,
            clock=lambda: ("2026-03-02T07:30:00.000Z", False),
            watch=seen.append,
        )
        for call in CALLS:
            bench.type(call)
            assert seen[-1].about == "readback"
            shop.play(voice.speak("affirm"))
            shop.play(voice.speak("yes"))
            until = shop.now_s + 12
            while shop.now_s < until:
                bench.hear(shop.frame())
            assert not [step for step in seen if step.kind == "stored"]
            assert not [step for step in seen if step.kind == "heard"], "its own voice became an utterance"
            assert bench.session.proposal is not None and bench.session.proposal.ready_s is not None
            bench.type("negative")
        assert [e.kind for e in log.events()] == ["badge-read", "job-opened"]
    recogniser.close()
