"""The dialogue's promises, from words to events, without sound."""

from __future__ import annotations

import pytest

from capture.dialogue import Heard, Ignored, PedalHeld, Record, Say, SpokenOver, TagsRefused, Tone
from capture.domain.record import fold
from capture.session import Session, restore
from capture.speech.words import Hearing
from tests.journeys.talk import JOB, Talk, demo_plan, tag


@pytest.fixture
def talk() -> Talk:
    return Talk().open_job()


def test_a_called_value_is_read_back_digit_by_digit_and_nothing_is_stored_yet(talk: Talk) -> None:
    talk.say("outboard shoe three one point two four nine")
    assert "one point two four nine" in talk.text and talk.said[-1].kind == "readback"
    assert talk.readings == []


def test_a_value_is_stored_with_its_digits_after_a_spoken_affirm(talk: Talk) -> None:
    talk.say("outboard shoe four one point two five zero")
    talk.say("affirm")
    assert talk.readings == [("outboard-shoe-4", "1.250", "in")]


def test_stored_is_said_only_after_the_event_came_back_from_the_disk(talk: Talk) -> None:
    talk.say("outboard shoe four one point two five zero")
    talk.say("affirm")
    kinds = [type(a) for a in talk.actions]
    assert kinds.index(Record) < kinds.index(Tone) < kinds.index(Say)


def test_the_verdict_is_said_only_after_storing(talk: Talk) -> None:
    talk.say("outboard shoe four one point two five zero")
    assert "limits" not in talk.text
    talk.say("affirm")
    assert "Within the stated limits, uncertainty not considered" in talk.text


def test_an_out_of_limit_value_gets_the_same_readback_and_the_same_single_affirm(talk: Talk) -> None:
    talk.say("outboard shoe four one point two four three")
    bad = talk.text
    talk.say("negative")
    talk.say("outboard shoe four one point two five zero")
    assert bad.replace("four three", "X") == talk.text.replace("five zero", "X")
    talk.say("affirm")
    assert len(talk.readings) == 1


def test_an_affirm_that_began_before_the_readback_ended_is_no_answer(talk: Talk) -> None:
    talk.ends_speech = False
    talk.say("outboard shoe three one point two four nine")
    begun = talk.now_s
    talk.end_speech()
    talk.say("affirm", start_s=begun + 0.2)
    assert talk.readings == [] and talk.ignored == ["affirm before the readback ended"]
    talk.say("affirm")
    assert len(talk.readings) == 1


def test_a_pedal_press_counts_only_once_the_whole_value_has_been_said(talk: Talk) -> None:
    talk.ends_speech = False
    talk.say("outboard shoe three one point two four nine")
    talk.tread()
    assert talk.readings == []


def test_a_pedal_press_after_the_readback_stores(talk: Talk) -> None:
    talk.say("outboard shoe three one point two four nine")
    talk.tread()
    assert talk.events[-1].body["confirmed_by"] == "pedal"


def test_an_affirm_is_bound_to_one_proposal(talk: Talk) -> None:
    talk.say("outboard shoe three one point two four nine")
    ready = talk.session.proposal
    assert ready is not None and ready.ready_s is not None
    talk.ends_speech = False
    talk.say("correction one point two five one")
    talk.say("affirm", start_s=ready.ready_s + 0.1)
    assert talk.readings == []


def test_a_second_affirm_stores_nothing_more(talk: Talk) -> None:
    talk.say("outboard shoe three one point two four nine")
    talk.say("affirm")
    talk.say("affirm")
    assert len(talk.readings) == 1 and talk.ignored == ["affirm with nothing proposed"]


def test_a_long_press_drops_the_proposal(talk: Talk) -> None:
    talk.say("outboard shoe three one point two four nine")
    talk.give(PedalHeld(talk.now_s))
    talk.say("affirm")
    assert talk.readings == []


@pytest.mark.parametrize("word", ["negative", "no", "disregard"])
def test_negative_and_disregard_drop_the_proposal(talk: Talk, word: str) -> None:
    talk.say("outboard shoe three one point two four nine")
    talk.say(word)
    assert talk.session.proposal is None
    talk.say("affirm")
    assert talk.readings == []


def test_correction_of_the_proposal_replaces_it_and_wants_its_own_affirm(talk: Talk) -> None:
    talk.say("outboard shoe four one point two five zero")
    talk.say("correction one point two five one")
    assert "one point two five one" in talk.text
    talk.say("affirm")
    assert talk.readings == [("outboard-shoe-4", "1.251", "in")]


def test_negative_with_a_value_rejects_and_reads_the_new_value_back_never_as_minus(talk: Talk) -> None:
    talk.say("outboard shoe four one point two five zero")
    talk.say("negative one point two four nine")
    assert "minus" not in talk.text and "one point two four nine" in talk.text
    talk.say("affirm")
    assert talk.readings == [("outboard-shoe-4", "1.249", "in")]


def test_correction_of_a_stored_reading_is_a_new_event_that_names_the_old(talk: Talk) -> None:
    talk.say("outboard shoe two one point two four two")
    talk.say("affirm")
    first = talk.events[-1]
    talk.say("correction outboard shoe two one point two four seven")
    talk.say("affirm")
    assert talk.events[-1].body["replaces"] == first.sequence
    record = fold(talk.events)[JOB]
    assert [(e.quantity.text, len(e.history)) for e in record.entries] == [("1.247", 1)]


def test_a_second_reading_at_one_place_is_asked_about_not_stored(talk: Talk) -> None:
    talk.say("outboard shoe two one point two four two")
    talk.say("affirm")
    talk.say("outboard shoe two one point two four seven")
    assert "correction" in talk.text and talk.session.proposal is None


def test_a_correction_of_nothing_is_refused(talk: Talk) -> None:
    talk.say("correction outboard shoe two one point two four seven")
    assert talk.session.proposal is None and talk.said[-1].reason == "nothing to correct"


def test_a_call_for_another_part_does_not_silently_drop_the_pending_one(talk: Talk) -> None:
    talk.say("outboard shoe two one point two four eight")
    talk.say("outboard shoe three one point two four seven")
    assert talk.session.proposal is not None and talk.session.proposal.position == "outboard-shoe-2"
    assert talk.said[-1].reason == "not confirmed yet"


RING_TWO = "inboard seal ring two"


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (f"{RING_TWO} bore five point five one two three", f"{RING_TWO} shaft five point five oh one two"),
        ("inboard shoe two light scoring", "inboard shoe two one point two four eight"),
    ],
)
def test_another_value_of_the_same_part_does_not_silently_drop_the_pending_one(
    talk: Talk, first: str, second: str
) -> None:
    talk.say(first)
    pending = talk.session.proposal
    talk.say(second)
    assert pending is not None and talk.session.proposal is not None
    assert talk.session.proposal.characteristic == pending.characteristic
    assert talk.said[-1].reason == "not confirmed yet"


def test_too_few_decimals_are_asked_again_with_the_reason(talk: Talk) -> None:
    talk.say("outboard shoe four one point two four")
    assert talk.said[-1].reason == "decimals" and talk.session.proposal is None


def test_a_weak_margin_is_asked_again(talk: Talk) -> None:
    talk.say("outboard shoe four one point two five zero", margin=0.5)
    assert talk.said[-1].kind == "asked again" and talk.session.proposal is None


def test_an_unknown_word_is_asked_again_whatever_the_confidence(talk: Talk) -> None:
    """Case C06: confidence 1.0 never skips anything."""
    words = ("outboard", "shoe", "three", "one", "point", "two", "eight")
    talk.give(Heard(Hearing(words, None, None, "vosk", "m", talk.now_s, talk.now_s + 1, (), (1.0,) * 7, True)))
    assert talk.said[-1].reason == "unknown word" and talk.session.proposal is None


def test_what_scores_far_outside_the_grammar_is_ignored_without_a_sound(talk: Talk) -> None:
    talk.say("outboard shoe four one point two five zero", score=-6.0)
    assert talk.said == [] and talk.ignored


def test_speech_over_the_bench_s_own_voice_is_asked_again(talk: Talk) -> None:
    talk.give(SpokenOver(talk.now_s))
    assert talk.said[-1].reason == "spoken over"


def test_a_physically_unlikely_value_earns_one_more_question_and_nothing_else(talk: Talk) -> None:
    talk.say("outboard shoe three nine point two four nine")
    talk.say("affirm")
    assert talk.readings == [] and "once more" in talk.text
    talk.say("affirm")
    assert talk.readings == [("outboard-shoe-3", "9.249", "in")]


def test_a_full_disk_is_said_and_the_value_stays_pending(talk: Talk) -> None:
    talk.say("outboard shoe three one point two four nine")
    talk.disk_is_full = True
    talk.say("affirm")
    assert "Not stored" in talk.text and not any(isinstance(a, Tone) and a.kind == "stored" for a in talk.actions)
    talk.disk_is_full = False
    talk.say("affirm")
    assert talk.readings == [("outboard-shoe-3", "1.249", "in")]


def test_say_again_reads_the_same_proposal_back_and_wants_a_fresh_affirm(talk: Talk) -> None:
    talk.say("outboard shoe three one point two four nine")
    first = talk.text
    talk.say("say again")
    assert talk.text == first
    talk.say("affirm")
    assert len(talk.readings) == 1


def test_standing_by_ignores_talk_and_keeps_the_proposal(talk: Talk) -> None:
    talk.say("outboard shoe three one point two four nine")
    talk.say("stand by")
    talk.say("affirm")
    talk.tread()
    assert talk.readings == []
    talk.say("carry on")
    assert "one point two four nine" in talk.text
    talk.say("affirm")
    assert len(talk.readings) == 1


def test_what_is_left_counts_against_the_plan(talk: Talk) -> None:
    talk.say("what is left")
    before = int(talk.text.split()[0])
    talk.say("outboard shoe one one point two four nine")
    talk.say("affirm")
    talk.say("what is left")
    assert int(talk.text.split()[0]) == before - 1


def test_read_back_says_the_last_stored_value(talk: Talk) -> None:
    talk.say("outboard shoe one one point two four nine")
    talk.say("affirm")
    talk.say("read back")
    assert "one point two four nine" in talk.text


def test_clearance_is_said_as_soon_as_bore_and_shaft_are_there(talk: Talk) -> None:
    talk.say("inboard seal ring two bore five point five one two five")
    talk.say("affirm")
    assert "limits" not in talk.text
    talk.say("inboard seal ring two shaft five point five zero zero zero")
    talk.say("affirm")
    assert "Outside the stated limits, above by" in talk.text


def test_a_finding_is_read_back_confirmed_and_answered_by_the_plan(talk: Talk) -> None:
    talk.say("inboard shoe two scoring light")
    assert talk.said[-1].kind == "readback" and "finding-noted" not in {e.kind for e in talk.events}
    talk.say("affirm")
    assert talk.events[-1].body["finding"] == "scoring" and talk.events[-1].body["severity"] == "light"


def test_typed_words_and_digits_do_what_spoken_ones_do(talk: Talk) -> None:
    talk.type("outboard shoe 3 1.249")
    assert talk.said[-1].kind == "readback"
    talk.type("affirm")
    assert talk.readings == [("outboard-shoe-3", "1.249", "in")]
    assert talk.events[-1].body["confirmed_by"] == "typed"


def test_a_typed_mixed_fraction_is_never_multiplied_out(talk: Talk) -> None:
    """Case C05: refusing is right as long as no value is kept."""
    talk.type("outboard shoe 3 1 1/8 inch")
    assert talk.session.proposal is None


# ---- tags --------------------------------------------------------------------------------------------


def test_a_job_wants_a_badge_first() -> None:
    talk = Talk()
    talk.show("J", JOB)
    assert talk.events == [] and "badge" in talk.text


def test_opening_a_job_shows_the_cautions_and_defers_to_the_maker() -> None:
    talk = Talk().open_job()
    assert "maker's manual, local codes and licensed practice rule" in talk.text
    assert sum(getattr(a, "kind", "") == "caution" for a in talk.actions) == len(demo_plan().cautions)


def test_a_part_tag_and_a_place_tag_bind_and_the_tag_then_takes_the_part_in_hand(talk: Talk) -> None:
    talk.show("P", "AW2-S105")
    talk.show("L", "OUTBOARD-SHOE-5")
    assert talk.events[-1].kind == "tag-bound" and talk.events[-1].body["tag"] == tag("P", "AW2-S105")
    talk.show("P", "AW2-S105")
    talk.say("one point two five zero")
    talk.say("affirm")
    assert talk.readings == [("outboard-shoe-5", "1.250", "in")]
    assert talk.events[-1].body["tag"] == tag("P", "AW2-S105")


def test_a_part_called_at_a_position_other_than_its_tag_s_is_refused(talk: Talk) -> None:
    talk.show("P", "AW2-S105")
    talk.show("L", "OUTBOARD-SHOE-5")
    talk.show("P", "AW2-S105")
    talk.say("inboard shoe five one point two five zero")
    assert talk.session.proposal is None and talk.said[-1].reason == "wrong position"


def test_a_place_holds_one_tag(talk: Talk) -> None:
    for part in ("AW2-S105", "AW2-S106"):
        talk.show("P", part)
        talk.show("L", "OUTBOARD-SHOE-5")
    assert len(talk.session.bindings()) == 1 and talk.said[-1].reason == "has a tag"


def test_a_tag_seen_at_another_place_is_refused(talk: Talk) -> None:
    talk.show("P", "AW2-S105")
    talk.show("L", "OUTBOARD-SHOE-5")
    talk.show("P", "AW2-S105")
    talk.show("L", "OUTBOARD-SHOE-6")
    assert talk.said[-1].reason == "wrong position" and len(talk.session.bindings()) == 1


def test_a_bare_value_needs_a_part_in_hand(talk: Talk) -> None:
    talk.say("one point two four eight")
    assert talk.session.proposal is None and talk.said[-1].kind == "asked again"


def test_a_bare_value_that_began_before_the_part_changed_is_asked_again(talk: Talk) -> None:
    before = talk.now_s
    talk.show("L", "OUTBOARD-SHOE-6")
    talk.say("one point two four eight", start_s=before)
    assert talk.session.proposal is None and talk.said[-1].reason == "part changed"


def test_two_tags_in_view_are_said_and_nothing_is_kept(talk: Talk) -> None:
    kept = len(talk.events)
    talk.give(TagsRefused("two tags in view", talk.now_s))
    assert "wo tags in view" in talk.text and len(talk.events) == kept


def test_a_new_tag_does_not_drop_a_pending_value(talk: Talk) -> None:
    talk.say("outboard shoe three one point two four nine")
    talk.show("L", "OUTBOARD-SHOE-6")
    assert talk.session.proposal is not None and talk.session.proposal.position == "outboard-shoe-3"


# ---- restart -----------------------------------------------------------------------------------------


def test_a_restarted_bench_knows_what_was_stored_and_no_pending_value_survives(talk: Talk) -> None:
    talk.say("outboard shoe three one point two four nine")
    talk.say("affirm")
    talk.say("outboard shoe four one point two five zero")
    again = restore(Session(plans={}), tuple(talk.events))
    assert (again.person, again.job, again.proposal) == ("RK", JOB, None)
    assert again.record() == talk.session.record()


def test_ignoring_is_told_to_the_watcher(talk: Talk) -> None:
    talk.say("affirm")
    assert any(isinstance(a, Ignored) for a in talk.actions)
