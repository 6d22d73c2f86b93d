"""The pedal at a running bench: it cuts a call, confirms a proposal, and drops one when held."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from capture.app import Bench, ClipStore, Step, read_sound
from capture.rehearsal import Shop
from capture.session import restore
from capture.speech.endpoint import Endpointer
from capture.speech.recogniser import open_recogniser
from capture.speech.vad import SileroVad
from capture.speech.voice import EspeakVoice
from tests.journeys.talk import PLAN, Talk
from tests.journeys.test_command import opened_log, readings


@pytest.fixture
def room(tmp_path: Path) -> Iterator[tuple[Shop, Bench, list[Step]]]:
    shop, seen, recogniser = Shop(), list[Step](), open_recogniser("whisper")
    with opened_log(tmp_path) as log:
        yield (
            shop,
            Bench(
                session=restore(Talk().session, tuple(log.events())),
                log=log,
                clips=ClipStore(tmp_path / "clips"),
                recogniser=recogniser,
                endpointer=Endpointer(SileroVad()),
                voice=EspeakVoice(),
                speaker=shop,
                clock=lambda: ("2026-03-02T07:30:00.000Z", False),
                watch=seen.append,
            ),
            seen,
        )
    recogniser.close()


def let_pass(shop: Shop, bench: Bench, seconds: float) -> None:
    """Let the room's time go on."""
    until = shop.now_s + seconds
    while shop.now_s < until:
        bench.hear(shop.frame())


@pytest.mark.slow
def test_a_call_ends_when_the_pedal_comes_up_and_a_tread_stores_it(
    room: tuple[Shop, Bench, list[Step]], tmp_path: Path
) -> None:
    shop, bench, seen = room
    sound = read_sound(next((PLAN.parent / "audio").glob("10-shoe-4.flac")))
    let_pass(shop, bench, 0.5)
    bench.pedal_down()
    over_s = shop.speak(sound)
    let_pass(shop, bench, over_s - shop.now_s)
    bench.pedal_up(was_long=True)  # long because the call was: with nothing proposed it only ends the call
    let_pass(shop, bench, 0.1)
    heard = [step for step in seen if step.kind == "heard"]
    assert [step.text for step in heard] == ["outboard shoe four one point two five zero"]
    assert heard[0].at_s < over_s + 0.2, "the pause that ends a call without a pedal was waited for"
    let_pass(shop, bench, 6)
    assert readings(tmp_path) == []
    bench.pedal_down()
    bench.pedal_up(was_long=False)
    assert [e.body["quantity"]["text"] for e in readings(tmp_path)] == ["1.250"]
    assert readings(tmp_path)[0].body["confirmed_by"] == "pedal"


@pytest.mark.slow
def test_a_long_tread_drops_what_was_read_back(room: tuple[Shop, Bench, list[Step]], tmp_path: Path) -> None:
    shop, bench, _ = room
    bench.type("outboard shoe 3 1.249")
    let_pass(shop, bench, 6)
    bench.pedal_down()
    bench.pedal_up(was_long=True)
    bench.type("affirm")
    assert bench.session.proposal is None and readings(tmp_path) == []
