"""Promise 1 over random conversations: nothing becomes a reading that was not read back and then confirmed."""

from __future__ import annotations

from datetime import date

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from capture.dialogue import PedalHeld, Proposal, SpokenOver
from capture.domain.events import Event, quantity_of
from capture.domain.gauges import calibration_due, in_doubt
from capture.domain.plan import InspectionPlan
from capture.domain.record import fold
from capture.language.readback import say_quantity
from capture.session import Session, restore
from tests.journeys.talk import JOB, Talk, demo_plan, gauge_plan

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


STORED_KINDS = ("reading-taken", "finding-noted", "interval-taken", "gauge-checked")


class Conversation(RuleBasedStateMachine):
    """Random calls, answers, treads, tags and faults; the checks run after every one."""

    def __init__(self) -> None:
        super().__init__()
        self.talk = Talk(session=Session(plans={JOB: self.plan()})).open_job()
        self.heard_out: set[str] = set()  # texts of readbacks that were said to their end
        self.confirmed = 0

    @staticmethod
    def plan() -> InspectionPlan:
        """Return the plan of the job."""
        return demo_plan()

    def _give(self, act: object, *, confirms: bool) -> None:
        before = self.talk.session.proposal
        count = len(self.talk.events)
        assert callable(act)
        act()
        new = [e for e in self.talk.events[count:] if e.kind in STORED_KINDS]
        assert len(new) <= 1
        for event in new:
            assert confirms, "an input that is no confirmation led to a stored value"
            assert before is not None and before.ready_s is not None, "stored before its readback had ended"
            if event.kind == "reading-taken":
                assert before.quantity is not None
                quantity = before.quantity
                assert event.body["quantity"] == {"text": quantity.text, "unit": quantity.unit}
                assert any(say_quantity(quantity) in text for text in self.heard_out), "never read back"
            self.check_stored(event, before)
        if self.talk.ends_speech:
            self.heard_out |= {say.text for say in self.talk.said if say.kind == "readback"}

    def check_stored(self, event: Event, before: Proposal) -> None:
        """Check more of an event that was just stored; `before` was pending."""

    @rule(words=st.sampled_from(CALLS), margin=st.sampled_from([9.0, 0.5]))
    def call(self, words: str, margin: float) -> None:
        self._give(lambda: self.talk.say(words, margin=margin), confirms=False)

    @rule(words=st.sampled_from(WORDS), early=st.booleans())
    def answer(self, words: str, early: bool) -> None:
        start = self.talk.now_s - 3.0 if early else None
        ready = self.talk.session.proposal.ready_s if self.talk.session.proposal is not None else None
        in_time = start is None or (ready is not None and start >= ready)  # tags shown meanwhile take time too
        self._give(lambda: self.talk.say(words, start_s=start), confirms=words in ("affirm", "yes") and in_time)

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


GAUGED_CALLS = (
    "outboard shoe one one point two four eight",
    "outboard shoe two two point one zero zero",
    "correction outboard shoe one one point two four four",
    "thrust collar zero point zero zero one five",
    "thrust collar zero point zero zero one two",
    "seal ring one bore five point five zero six zero",
    "seal ring one bore five point five zero six zero five",
    "seal ring one gap four goes five does not",
    "correction seal ring one gap five goes six does not",
    "seal ring one gap five goes four does not",
    "part temperature thirty point five degrees celsius",
    "gauge temperature twenty one degrees celsius",
    "zero check zero point zero zero zero zero",
    "zero check zero point zero zero two zero",
    "standard one point zero zero zero reads one point zero zero zero",
    "standard one point zero zero zero reads one point zero zero three",
    "gauge dropped",
    "gauge bad",
    "outboard shoe one",
    "what is left",
)


class GaugedConversation(Conversation):
    """The same with gauges: no value counts that the gauge in hand, checked and not overdue, could not have shown."""

    picked: str | None = None
    picked_on: date | None = None

    @staticmethod
    def plan() -> InspectionPlan:
        return gauge_plan()

    def check_stored(self, event: Event, before: Proposal) -> None:
        assert any(before.readback == number for number in self.read_out), "its readback was not heard to its end"
        body, plan = event.body, self.plan()
        if event.kind == "gauge-checked":
            assert before.check is not None and (body["gauge"], body["result"]) == (
                before.check.gauge,
                before.check.result,
            )
        if event.kind == "interval-taken":
            called = [end and {"text": end.text, "unit": end.unit} for end in (before.goes, before.does_not)]
            assert [body["goes"], body["does_not"]] == called
        if event.kind == "reading-taken":
            named = plan.characteristic(body["characteristic"]).gauge
            assert named is None or body["gauge"] == named, "another gauge than the plan names"
            self.check_gauge(event, plan)

    def check_gauge(self, event: Event, plan: InspectionPlan) -> None:
        """Check that the gauge a reading names could have shown it, and was neither overdue nor in doubt."""
        body = event.body
        if body["gauge"] is None:
            return
        gauge, value = plan.gauge(body["gauge"]), quantity_of(event).fraction
        assert self.picked == gauge.id, "a gauge that was not in hand"
        assert gauge.lower is None or gauge.upper is None or gauge.lower <= value <= gauge.upper
        assert value % gauge.resolution == 0
        earlier = [e for e in self.talk.events if e.kind == "gauge-checked" and e.body["gauge"] == gauge.id]
        assert not earlier or earlier[-1].body["result"] == "good", "read with a gauge that is bad or was dropped"
        assert self.picked_on is None or not gauge.due or not calibration_due(gauge, self.picked_on)

    def __init__(self) -> None:
        self.read_out: set[int] = set()
        super().__init__()

    def _give(self, act: object, *, confirms: bool) -> None:
        super()._give(act, confirms=confirms)
        pending = self.talk.session.proposal
        if pending is not None and pending.ready_s is not None:
            self.read_out.add(pending.readback)

    @rule(words=st.sampled_from(GAUGED_CALLS))
    def call_gauged(self, words: str) -> None:
        self._give(lambda: self.talk.say(words), confirms=False)

    @rule(words=st.sampled_from(GAUGED_CALLS))
    def call_and_affirm(self, words: str) -> None:
        self._give(lambda: self.talk.say(words), confirms=False)
        self._give(lambda: self.talk.say("affirm"), confirms=True)

    @rule(
        gauge=st.sampled_from(["SHOE-MICROMETER", "COLLAR-DIAL", "FINE-GAUGE", "RULE", "MIKE-99"]),
        today=st.sampled_from([None, date(2026, 3, 1), date(2026, 4, 1)]),
    )
    def pick_up(self, gauge: str, today: date | None) -> None:
        self.talk.today = today
        takes = self.talk.session.proposal is None and not self.talk.session.paused
        self._give(lambda: self.talk.show("G", gauge), confirms=False)
        if takes:
            self.picked, self.picked_on = gauge.lower(), today

    @invariant()
    def what_a_gauge_leaves_in_doubt_is_left_to_read(self) -> None:
        record = fold(self.talk.events).get(JOB)
        assert record is not None
        doubts = {sequence for _, sequence in in_doubt(self.talk.events)}
        by_feeler = {(one.position, one.characteristic) for one in record.intervals}
        for entry in record.entries:
            assert bool(entry.doubt) == (entry.reading.sequence in doubts)
            slot = (entry.position, entry.characteristic)
            assert not entry.doubt or slot in record.left or slot in by_feeler

    @invariant()
    def a_bad_gauge_is_not_in_hand_without_being_picked_up_again(self) -> None:
        last = self.talk.events[-1]
        if last.kind == "gauge-checked" and last.body["result"] == "bad" and not self.talk.session.storing:
            assert self.talk.session.gauge != last.body["gauge"] or self.picked == last.body["gauge"]

    @invariant()
    def a_kept_temperature_was_read_back(self) -> None:
        for heat in (self.talk.session.part_heat, self.talk.session.gauge_heat):
            assert heat is None or any(say_quantity(heat) in text for text in self.heard_out)


TestGaugedConversation = GaugedConversation.TestCase
TestGaugedConversation.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)
