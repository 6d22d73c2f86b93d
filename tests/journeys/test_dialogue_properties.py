"""Promise 1 over random conversations: nothing becomes a reading that was not read back and then confirmed."""

from __future__ import annotations

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from capture.dialogue import PedalHeld, SpokenOver
from capture.domain.record import fold
from capture.language.readback import say_quantity
from capture.session import Session, restore
from tests.journeys.talk import JOB, Talk

CALLS = (
    "outboard shoe one one point two four eight",
    "outboard shoe one one point two four",
    "outboard shoe two one point two four seven",
    "outboard shoe three nine point two five one",
    "one point two five zero",
    "correction one point two five one",
    "correction outboard shoe one one point two four four",
    "inboard seal ring one bore five point five zero six zero",
    "inboard shoe two scoring light",
    "outboard shoe two",
    "negative one point two four nine",
)
WORDS = tuple("affirm,yes,negative,no,disregard,say again,stand by,carry on,read back,what is left".split(","))


class Conversation(RuleBasedStateMachine):
    """Random calls, answers, treads, tags and faults; the checks run after every one."""

    def __init__(self) -> None:
        super().__init__()
        self.talk = Talk().open_job()
        self.heard_out: set[str] = set()  # texts of readbacks that were said to their end
        self.confirmed = 0

    def _give(self, act: object, *, confirms: bool) -> None:
        before = self.talk.session.proposal
        count = len(self.talk.events)
        assert callable(act)
        act()
        new = [e for e in self.talk.events[count:] if e.kind in ("reading-taken", "finding-noted")]
        assert len(new) <= 1
        for event in new:
            assert confirms, "an input that is no confirmation led to a stored value"
            assert before is not None and before.ready_s is not None, "stored before its readback had ended"
            if event.kind == "reading-taken":
                assert before.quantity is not None
                quantity = before.quantity
                assert event.body["quantity"] == {"text": quantity.text, "unit": quantity.unit}
                assert any(say_quantity(quantity) in text for text in self.heard_out), "never read back"
        if self.talk.ends_speech:
            self.heard_out |= {say.text for say in self.talk.said if say.kind == "readback"}

    @rule(words=st.sampled_from(CALLS), margin=st.sampled_from([9.0, 0.5]))
    def call(self, words: str, margin: float) -> None:
        self._give(lambda: self.talk.say(words, margin=margin), confirms=False)

    @rule(words=st.sampled_from(WORDS), early=st.booleans())
    def answer(self, words: str, early: bool) -> None:
        start = self.talk.now_s - 3.0 if early else None
        self._give(lambda: self.talk.say(words, start_s=start), confirms=words in ("affirm", "yes") and not early)

    @rule()
    def tread(self) -> None:
        self._give(self.talk.tread, confirms=True)

    @rule()
    def hold(self) -> None:
        self._give(lambda: self.talk.give(PedalHeld(self.talk.now_s)), confirms=False)

    @rule()
    def speak_over(self) -> None:
        self._give(lambda: self.talk.give(SpokenOver(self.talk.now_s)), confirms=False)

    @rule(place=st.sampled_from(["OUTBOARD-SHOE-1", "OUTBOARD-SHOE-2"]), part=st.sampled_from(["AW2-S101", "AW2-S102"]))
    def bind(self, place: str, part: str) -> None:
        self._give(lambda: self.talk.show("P", part), confirms=False)
        self._give(lambda: self.talk.show("L", place), confirms=False)

    @rule()
    def interrupt_speech(self) -> None:
        self.talk.ends_speech = not self.talk.ends_speech

    @rule()
    def fill_or_clear_the_disk(self) -> None:
        self.talk.disk_is_full = not self.talk.disk_is_full

    @rule()
    def restart(self) -> None:
        session = restore(Session(plans=self.talk.session.plans), tuple(self.talk.events))
        assert session.proposal is None and session.record() == self.talk.session.record()
        self.talk.session = session

    @invariant()
    def one_reading_counts_at_each_place(self) -> None:
        record = fold(self.talk.events).get(JOB)
        if record is not None:
            places = [(e.position, e.characteristic) for e in record.entries]
            assert len(places) == len(set(places))

    @invariant()
    def a_part_is_in_one_place(self) -> None:
        bound = self.talk.session.bindings()
        assert len(set(bound.values())) == len(bound)


TestConversation = Conversation.TestCase
TestConversation.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)
