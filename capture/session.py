"""The bench's dialogue as a pure function: `handle(session, input) -> (session, actions)`.

No clock and no device: time comes on the input, as seconds of the microphone's stream. Whatever is to
happen outside is an action, in order. A value is stored only by `Record` after it was read back from the
kept text and confirmed by a person (promise 1); "stored" is said only when `Stored` came back from the
disk (promise 4); a spoken answer counts only if it began after its own proposal was wholly read back
(promise 9). Limits are looked at only after the commit, so nothing here can lean hearing (promise 2).

What each input does is in `capture.conversation`, a noun to a module; this hands it on.
"""

from __future__ import annotations

from dataclasses import replace

from capture.conversation.commands import command
from capture.conversation.gauges import call_out, temperature, zero_check
from capture.conversation.places import take_in_hand
from capture.conversation.proposals import pedal, speech_ended
from capture.conversation.readings import finding, interval, reading
from capture.conversation.stages import begin
from capture.conversation.state import Outcome, Session, ask_again, tell
from capture.conversation.stored import store_failed, stored
from capture.conversation.tags import tag
from capture.dialogue import (
    Fault,
    Heard,
    Ignored,
    Input,
    PedalHeld,
    PedalPressed,
    SpeechEnded,
    SpokenOver,
    Stored,
    StoreFailed,
    TagSeen,
    TagsRefused,
    Tone,
    Typed,
)
from capture.domain.events import Event
from capture.domain.plan import load
from capture.domain.spoken import DIGIT_WORDS
from capture.language.meaning import (
    Meaning,
    NotUnderstood,
    SpokenCommand,
    SpokenFinding,
    SpokenGaugeCheck,
    SpokenInterval,
    SpokenPosition,
    SpokenReading,
    SpokenStage,
    SpokenTemperature,
)
from capture.speech.trust import judge
from capture.speech.words import Hearing

__all__ = ["Session", "handle", "restore", "typed_words"]

IGNORE_BELOW = -2.6
"""Score per word (nats) under which what was heard was not said to the bench: no sound, no question.

Common practice, no source: shop talk and tools scored -2.8 to -6.8 in the demo shift, calls -0.1 to -2.1.
"""


def handle(session: Session, given: Input) -> Outcome:
    """Take one input; return the next state and what is to be done, in order."""
    match given:
        case Heard():
            return _heard(session, given)
        case Typed():
            return _typed(session, given)
        case SpokenOver():
            return ask_again(session, "I was speaking", "spoken over")
        case TagSeen():
            return tag(session, given)
        case TagsRefused():
            return tell(session, f"{given.reason[:1].upper()}{given.reason[1:]}.", Tone("refused"), kind="asked again")
        case PedalPressed():
            return pedal(session, given.at_s)
        case PedalHeld():
            return command(session, "disregard", given.at_s, "pedal", None)
        case SpeechEnded():
            return speech_ended(session, given)
        case Stored():
            return stored(session, given)
        case StoreFailed():
            return store_failed(session, given)
        case Fault():
            return tell(session, given.reason, Tone("refused"), kind="fault")


def _heard(session: Session, heard: Heard) -> Outcome:
    hearing = heard.hearing
    grammar = session.grammar()
    weak = hearing.score_per_word is not None and hearing.score_per_word < IGNORE_BELOW
    if weak or (not hearing.words and not hearing.has_unknown):
        return session, (Ignored("not speech to the bench"),)
    refusal = judge(hearing, session.floors, grammar)
    if refusal is not None:
        if session.plan is None or session.paused:
            return session, (Ignored(refusal.reason),)
        return ask_again(session, refusal.detail, refusal.reason)
    return _understood(session, grammar.interpret(hearing.words), heard, hearing.start_s)


def typed_words(text: str) -> tuple[str, ...]:
    """Turn a typed line into the words a person would say: "1.248" becomes "one point two four eight".

    >>> typed_words("Outboard shoe 3, -0.02")
    ('outboard', 'shoe', 'three', 'minus', 'zero', 'point', 'zero', 'two')
    """
    words: list[str] = []
    for token in text.lower().replace(",", " ").split():
        body = token.lstrip("+-")
        if body and all(c in "0123456789." for c in body):
            words += {"-": ["minus"], "+": ["plus"]}.get(token[: len(token) - len(body)], [])
            words += ["point" if c == "." else DIGIT_WORDS[int(c)] for c in body]
        else:
            words.append(token)
    return tuple(words)


def _typed(session: Session, typed: Typed) -> Outcome:
    words = typed_words(typed.text)
    if not words:
        return session, (Ignored("an empty line"),)
    hearing = Hearing(words, None, None, "typed", "keyboard", typed.at_s, typed.at_s)
    return _understood(session, session.grammar().interpret(words), Heard(hearing), typed.at_s)


def _understood(session: Session, meaning: Meaning, heard: Heard, start_s: float) -> Outcome:
    match meaning:
        case NotUnderstood():
            return ask_again(session, meaning.detail, meaning.reason)
        case SpokenCommand("gauge dropped"):
            return call_out(session, "dropped", heard)
        case SpokenCommand("gauge bad"):
            return call_out(session, "bad", heard)
        case SpokenCommand():
            how = "typed" if heard.hearing.engine == "typed" else "voice"
            return command(session, meaning.command, start_s, how, heard.hearing.text)
        case SpokenPosition():
            return take_in_hand(session, meaning.position, None, heard.hearing.end_s, meaning.characteristic)
        case SpokenReading():
            return reading(session, meaning, heard)
        case SpokenFinding():
            return finding(session, meaning, heard)
        case SpokenInterval():
            return interval(session, meaning, heard)
        case SpokenGaugeCheck():
            return zero_check(session, meaning, heard)
        case SpokenTemperature():
            return temperature(session, meaning, heard)
        case SpokenStage():
            return begin(session, meaning.stage, heard)


def restore(session: Session, events: tuple[Event, ...]) -> Session:
    """Rebuild the state from a log after a restart: who, which job, what was stored. No pending proposal survives.

    Raises:
        PlanError: the log opened a job whose plan text cannot be read any more.
    """
    for event in events:
        if event.kind == "badge-read":
            session = replace(session, person=event.body["person"])
        if event.kind == "job-opened":
            plan = load(event.body["plan_text"], name=event.body["plan_id"])
            session = replace(session, job=event.body["job"], plan=plan)
    return replace(session, events=events)
