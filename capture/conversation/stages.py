"""From one stage of the overhaul to another."""

from __future__ import annotations

from dataclasses import replace

from capture.conversation.proposals import propose
from capture.conversation.state import Outcome, Session, ask_again, tell
from capture.dialogue import Heard, Statement, Tone
from capture.domain.events import Event


def begin(session: Session, stage: str, heard: Heard) -> Outcome:
    """Propose to go on to a stage; nothing is left out by going back to an earlier one."""
    if session.stage == stage:
        return ask_again(session, f"the stage is {stage} already", "same stage")
    return propose(session, heard, Statement("stage-entered", {"stage": stage}, f"Begin {stage}"))


def entered(session: Session, event: Event, at_s: float) -> Outcome:
    """A stage was entered: nothing is in hand any more."""
    session = replace(session, proposal=None, storing=None, in_hand=None, in_hand_tag=None, asked=(), context_s=at_s)
    return tell(session, f"Stored. Stage {event.body['stage']}.", Tone("stored"), kind="stored")
