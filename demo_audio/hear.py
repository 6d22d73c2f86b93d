"""Say how well the embedded recogniser hears every clip of the demo shift.

    python -m demo_audio.hear [--rooms 3] [--only 18,37]

Each clip is played into the rehearsal's room noise, cut out by the endpointer and heard under the grammar that
is in force at that step when all went as the manifest says; `--rooms` takes so many different stretches of
room noise and the worst figures count. Nothing is stored and nothing is judged: it is for whoever changes a voice.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import soundfile  # type: ignore[import-untyped]  # ships no types

from capture.domain.plan import InspectionPlan, load
from capture.language.grammar import Grammar
from capture.language.meaning import Listening
from capture.rehearsal import Shop
from capture.speech.endpoint import FRAME, Endpointer
from capture.speech.vad import SileroVad
from capture.speech.whisper import WhisperEngine
from capture.speech.words import Samples, Utterance
from demo_audio.make import HERE, read

Step = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Figures:
    """The worst of several rooms: `others` are the word strings heard instead."""

    is_right: bool
    margin: float
    score: float
    others: tuple[str, ...]


def listening_at(steps: Sequence[Step], plan: InspectionPlan) -> Iterator[tuple[Step, Listening]]:
    """Yield each step with what the bench is ready to hear then, when all before went as written."""
    now = Listening("closed")
    taken: set[tuple[str, str]] = set()
    hand: str | None = None
    proposed: tuple[str, str] | None = None

    def is_open() -> Listening:
        wanted = [c.id for c in plan.characteristics_at(hand) if (hand, c.id) not in taken] if hand else []
        return Listening("open", hand if wanted else None, tuple(wanted[:1]))

    for step in steps:
        yield step, now
        expect = step["expect"]
        if expect.startswith("job"):
            now = Listening("open")
        elif expect.startswith(("in hand", "new part", "bound")):
            hand = expect.removeprefix("in hand ") if expect.startswith("in hand") else None
            now = is_open()
        elif expect == "proposal":
            proposed = (step["position"], step.get("characteristic", ""))
            now = Listening("answer", proposed[0], (proposed[1],) if proposed[1] else ())
        elif expect in ("stored", "dropped"):
            if expect == "stored" and proposed is not None:
                taken.add(proposed)
            now = is_open()
        elif step.get("command") in ("stand by", "carry on"):
            now = Listening("paused") if step["command"] == "stand by" else is_open()


def cut(clip: Samples, room: int) -> list[Utterance]:
    """Play a clip into a room of its own and return what the endpointer cuts out."""
    shop, endpointer = Shop(seed=room), Endpointer(SileroVad())
    cuts: list[object] = []
    for _ in range(20):
        cuts += endpointer.push(shop.frame(), own_voice=False, pedal=None)
    shop.speak(clip)
    for _ in range(len(clip) // FRAME + 40):
        cuts += endpointer.push(shop.frame(), own_voice=False, pedal=None)
    cuts += endpointer.flush()
    return [each for each in cuts if isinstance(each, Utterance)]


def figures(clip: Samples, words: str, grammar: Grammar, engine: WhisperEngine, rooms: Sequence[int]) -> Figures:
    """Hear a clip in several rooms and return the worst of it."""
    others: list[str] = []
    margin = score = 99.0
    for room in rooms:
        utterances = cut(clip, room)
        if len(utterances) != 1:
            others.append(f"({len(utterances)} utterances)")
            continue
        hearing = engine.recognise(utterances[0], grammar)
        margin = min(margin, hearing.margin if hearing.margin is not None else -99.0)
        score = min(score, hearing.score_per_word if hearing.score_per_word is not None else -99.0)
        if hearing.text != words:
            others.append(hearing.text)
    return Figures(not others, margin, score, tuple(dict.fromkeys(others)))


def main(arguments: list[str] | None = None) -> int:
    """Print one line a clip; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rooms", type=int, default=3)
    parser.add_argument("--only", default="", help="numbers of clips, with commas between")
    options = parser.parse_args(arguments)
    plan = load((HERE / "plan.toml").read_text(encoding="utf-8"), name="plan.toml")
    engine = WhisperEngine()
    print(f"{'clip':28s} voice  dB     heard  margin  score")
    for step, listening in listening_at(read("shift.toml")["step"], plan):
        name = Path(step.get("file", "")).stem
        if not name or (options.only and name.split("-")[0] not in options.only.split(",")):
            continue
        clip, _ = soundfile.read(HERE / step["file"], dtype="int16")
        if step["kind"] == "noise":
            print(f"{name:28s} {sum(len(cut(clip, room)) for room in range(options.rooms))} utterances cut out")
            continue
        grammar = Grammar.build(plan, listening)
        got = figures(clip, step["words"], grammar, engine, range(options.rooms))
        heard = "right" if got.is_right else "other"
        print(
            f"{name:28s} {step['voice']:5s} {step.get('noise_db', 'clean')!s:6s} {heard:6s} {got.margin:6.1f} "
            f"{got.score:6.1f}  {'; '.join(got.others)}",
            flush=True,
        )
    engine.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
