"""When a read counts: `TagWatcher` over scripted reads, and over photographed tags."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.barcode import REASONS, Symbol, TagRead, TagRefusal, TagWatcher, is_plain
from tests.hardware.photographs import encode, photograph, side_by_side

Seen = tuple[float, tuple[str | bytes, ...], str]
"""At (s), what is read in the picture, which picture."""

Outcome = TagRead | TagRefusal | None


def symbol(payload: str | bytes, symbology: str = "QR Code") -> Symbol:
    """Return a symbol with this payload."""
    raw = payload if isinstance(payload, bytes) else payload.encode()
    return Symbol(raw.decode("latin-1"), raw, symbology, ((0, 0), (9, 0), (9, 9), (0, 9)))


def watch(*pictures: Seen, watcher: TagWatcher | None = None) -> list[Outcome]:
    """Return what each picture settles."""
    watcher = watcher or TagWatcher()
    return [watcher.consider([symbol(one) for one in reads], digest.encode(), at_s) for at_s, reads, digest in pictures]


def said(outcomes: list[Outcome]) -> list[str]:
    """Return tags and reasons in order."""
    return [one.text if isinstance(one, TagRead) else one.reason for one in outcomes if one is not None]


def test_two_agreeing_pictures_make_a_read() -> None:
    (first, second) = watch((1.0, ("PN-4417",), "a"), (1.1, ("PN-4417",), "b"))
    assert first is None
    assert second == TagRead("PN-4417", b"PN-4417", "QR Code", 1.0, 1.1, 2)


def test_one_still_twice_is_one_picture_and_said_to_stand_still() -> None:
    assert said(watch(*((1.0 + step / 10, ("PN-4417",), "a") for step in range(15)))) == []
    assert said(watch(*((1.0 + step / 10, ("PN-4417",), "a") for step in range(18)))) == ["picture stands still"]


def test_two_pictures_too_far_apart_do_not_agree() -> None:
    assert said(watch((1.0, ("PN-4417",), "a"), (2.5, ("PN-4417",), "b"))) == ["PN-4417"]
    assert said(watch((1.0, ("PN-4417",), "a"), (2.51, ("PN-4417",), "b"))) == []


def test_c16_what_was_queued_before_the_pedal_does_not_count() -> None:
    """../shared/cases/public-reports.toml C16."""
    watcher = TagWatcher()
    watcher.begin(6.00)
    old = [(at_s, ("PN-4417",), str(at_s)) for at_s in (1.00, 1.03, 1.07, 1.10)]
    assert said(watch(*old, (6.05, ("PN-5520",), "x"), (6.08, ("PN-5520",), "y"), watcher=watcher)) == ["PN-5520"]


def test_c16_what_was_seen_before_the_pedal_is_forgotten() -> None:
    watcher = TagWatcher()
    assert watch((5.98, ("PN-4417",), "a"), watcher=watcher) == [None]
    watcher.begin(6.00)
    assert said(watch((6.01, ("PN-4417",), "b"), watcher=watcher)) == []
    assert said(watch((6.02, ("PN-4417",), "c"), watcher=watcher)) == ["PN-4417"]


@pytest.mark.parametrize("order", [("PN-4471", "PN-4417"), ("PN-4417", "PN-4471")])
def test_c16_two_tags_in_view_are_refused_at_once_whichever_comes_first(order: tuple[str, str]) -> None:
    outcomes = watch((2.0, order, "a"), (2.1, order, "b"))
    assert said(outcomes) == ["two tags in view"], "and said once"
    assert (
        isinstance(outcomes[0], TagRefusal) and "'PN-4417'" in outcomes[0].detail and "'PN-4471'" in outcomes[0].detail
    )


def test_two_tags_wipe_out_what_one_of_them_had_gathered() -> None:
    both = ("PN-4417", "PN-4471")
    outcomes = watch((2.0, ("PN-4417",), "a"), (2.1, both, "b"), (2.2, ("PN-4417",), "c"), (2.3, ("PN-4417",), "d"))
    assert [one is not None for one in outcomes] == [False, True, False, True]
    assert said(outcomes) == ["two tags in view", "PN-4417"]


def test_one_payload_printed_twice_is_one_tag() -> None:
    assert said(watch((2.0, ("PN-1", "PN-1"), "a"), (2.1, ("PN-1", "PN-1"), "b"))) == ["PN-1"]


def test_c17_one_misread_among_several_is_outvoted() -> None:
    """../shared/cases/public-reports.toml C17."""
    reads = ["63774028", "20417736", "20417736", "20417736"]
    outcomes = watch(*((1 + step / 10, (read,), str(step)) for step, read in enumerate(reads)))
    assert said(outcomes) == ["20417736"]
    assert outcomes[:3] == [None, None, None], "not before it leads by two"


def test_c17_two_reads_that_disagree_are_refused() -> None:
    outcomes = watch((1.0, ("63774028",), "a"), (1.1, ("20417736",), "b"), (2.6, (), "c"), (2.7, (), "d"))
    assert said(outcomes) == ["reads disagree"]


def test_reads_that_take_turns_never_make_a_tag() -> None:
    outcomes = watch(*((1 + step / 10, (("A-1", "B-2")[step % 2],), str(step)) for step in range(18)))
    assert said(outcomes) == ["reads disagree"]


@pytest.mark.parametrize("payload", [b"H7\xc2\xb12", "H7\uff82\uff712".encode(), b"PN\x00", b"PN\x1e", b"PN\n", b""])
def test_c19_a_tag_that_is_not_plain_text_is_refused(payload: bytes) -> None:
    """../shared/cases/public-reports.toml C19."""
    assert said(watch((1.0, (payload,), "a"), (1.1, (payload,), "b"))) == ["not plain text"]


def test_c18_a_group_separator_is_kept() -> None:
    payload = "011950600441700710AB12\x1d21998"
    assert said(watch((1.0, (payload,), "a"), (1.1, (payload,), "b"))) == [payload]


def test_c20_leading_zeros_make_another_tag() -> None:
    for tag in ("00417", "417"):
        assert said(watch((1.0, (tag,), "a"), (1.1, (tag,), "b"))) == [tag]


def test_a_tag_that_stays_in_view_is_told_once() -> None:
    assert said(watch(*((1 + step / 10, ("PN-1",), str(step)) for step in range(50)))) == ["PN-1"]


def test_a_tag_is_told_again_after_it_was_away_for_a_second() -> None:
    shown = [(1.0, ("PN-1",), "a"), (1.1, ("PN-1",), "b")]
    soon = [(2.0, ("PN-1",), "c"), (2.05, ("PN-1",), "d")]
    late = [(2.1, ("PN-1",), "e"), (2.2, ("PN-1",), "f")]
    assert said(watch(*shown, *soon)) == ["PN-1"]
    assert said(watch(*shown, *late)) == ["PN-1", "PN-1"]


def test_the_next_tag_needs_its_own_two_pictures() -> None:
    outcomes = watch(
        (1.0, ("PN-1",), "a"),
        (1.1, ("PN-1",), "b"),
        (1.2, ("PN-2",), "c"),
        (1.3, ("PN-1",), "d"),
        (1.4, ("PN-2",), "e"),
    )
    assert said(outcomes) == ["PN-1", "PN-2"]
    assert outcomes[2] is None and outcomes[4] is not None


@given(
    st.lists(
        st.tuples(
            st.floats(0, 0.4),
            st.lists(st.sampled_from(["A", "B", b"\xff"]), max_size=2),
            st.integers(0, 3),
        ),
        max_size=40,
    )
)
def test_a_read_always_had_two_different_pictures_of_that_tag_alone(
    pictures: list[tuple[float, list[str | bytes], int]],
) -> None:
    watcher, at_s = TagWatcher(), 0.0
    alone: list[tuple[float, bytes, int]] = []
    for gap_s, reads, digest in pictures:
        at_s += gap_s
        payloads = {symbol(one).raw for one in reads}
        if len(payloads) == 1:
            alone.append((at_s, payloads.pop(), digest))
        outcome = watcher.consider([symbol(one) for one in reads], bytes([digest]), at_s)
        if isinstance(outcome, TagRead):
            mine = {seen for seen_s, raw, seen in alone if raw == outcome.raw and outcome.first_s <= seen_s <= at_s}
            assert len(mine) >= 2 and at_s - outcome.first_s <= 1.5 and is_plain(outcome.raw)
        elif outcome is not None:
            assert outcome.reason in REASONS


def test_two_exposures_of_a_photographed_tag_make_a_read_and_one_shown_twice_does_not(tmp_path: Path) -> None:
    tag = encode("segno", "QR Code", "BC1:P:SHOE-3:7", tmp_path)
    once, again = photograph(tag, 1), photograph(tag, 2)
    watcher = TagWatcher()
    assert watcher.see(once, 1.0) is None and watcher.see(once.copy(), 1.1) is None
    read = watcher.see(again, 1.2)
    assert isinstance(read, TagRead) and read.text == "BC1:P:SHOE-3:7" and read.reads == 2


def test_two_photographed_tags_are_refused(tmp_path: Path) -> None:
    tags = [photograph(encode("zint", "Data Matrix", text, tmp_path), 1) for text in ("PN-4417", "PN-4471")]
    refusal = TagWatcher().see(side_by_side(*tags), 2.0)
    assert isinstance(refusal, TagRefusal) and refusal.reason == "two tags in view"
