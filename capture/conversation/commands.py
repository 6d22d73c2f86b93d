"""Control words: what each asks of the bench."""

from __future__ import annotations

from dataclasses import replace

from capture.conversation import gauges
from capture.conversation.proposals import affirm, read_proposal
from capture.conversation.state import Outcome, Session, last_reading, say_value, tell
from capture.dialogue import Ignored, Say, Show
from capture.language import readback


def command(session: Session, command: str, start_s: float, how: str, words: str | None) -> Outcome:
    """Do what a control word asks. `start_s`: when it began to be said; `how`: voice, typed or pedal."""
    if command in ("affirm", "yes"):
        return affirm(session, start_s, how, words)
    if command in ("negative", "no"):
        if session.proposal is None:
            return session, (Ignored("negative with nothing proposed"),)
        return _drop(session, start_s, "Dropped. Call it again.")
    if command == "disregard":
        return _drop(session, start_s, "Disregarded.")
    if command == "stand by":
        said = Say("Standing by. Say carry on.", session.next_speech)
        return replace(session, paused=True, next_speech=session.next_speech + 1), (said,)
    if command == "carry on":
        session = replace(session, paused=False, context_s=start_s)
        return _repeat(session)
    if command == "say again":
        return _repeat(session)
    if command == "read back":
        return _read_back(session)
    if command == "what is left":
        return _what_is_left(session)
    return session, (Ignored(f"{command!r} has no use here"),)


def _repeat(session: Session) -> Outcome:
    """Say the last thing once more; a pending proposal is read back afresh and waits for a new answer."""
    if session.proposal is not None:
        return read_proposal(session, session.proposal)
    return tell(session, session.last_said)


def _drop(session: Session, at_s: float, text: str) -> Outcome:
    if session.proposal is None and session.loose_tag is None and session.in_hand is None:
        return tell(session, "Nothing is pending.")
    if session.proposal is not None:
        session = replace(session, proposal=None, context_s=at_s)
    else:
        session = replace(session, loose_tag=None, in_hand=None, in_hand_tag=None, asked=(), context_s=at_s)
    return tell(session, text)


def _read_back(session: Session) -> Outcome:
    last = last_reading(session)
    if session.plan is None or last is None:
        return tell(session, "Nothing is stored yet.")
    place = readback.say_characteristic(session.plan, last.body["position"], last.body["characteristic"])
    return tell(session, f"Stored: {place}, {say_value(last)}.")


def _what_is_left(session: Session) -> Outcome:
    record = session.record()
    if session.plan is None or record is None:
        return tell(session, "No job is open.")
    if not record.left:
        return tell(session, f"Nothing is left. {gauges.after_use(session)}".rstrip())
    position, characteristic = record.left[0]
    first = f"{session.plan.position(position).spoken}, {session.plan.characteristic(characteristic).title}"
    count = len(record.left)
    noun = "reading" if count == 1 else "readings"
    again = gauges.doubt_text(session)
    why = f", {again}" if again else ""
    return tell(session, f"{count} {noun} left{why}. First: {first}.", Show(f"{count} {noun} left{why}", "left"))
