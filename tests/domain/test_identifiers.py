"""Our tag texts: one form, one check character, no near miss accepted."""

from __future__ import annotations

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from stdnum.iso7064 import mod_37_36

from capture.domain.errors import IdentifierError
from capture.domain.identifiers import KINDS, TagText, check_character, is_ours, parse, to_text

SIGNS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"
ids = st.text(SIGNS + "-", min_size=1, max_size=24).filter(lambda text: text.strip("-"))
tags = st.builds(TagText, st.sampled_from(sorted(KINDS)), ids)


@given(st.text(SIGNS, min_size=1, max_size=30))
def test_check_character_agrees_with_an_independent_implementation(text: str) -> None:
    assert check_character(text) == mod_37_36.calc_check_digit(text)


@given(tags)
def test_a_tag_comes_back_as_it_was_printed(tag: TagText) -> None:
    text = to_text(tag)
    assert parse(text) == tag and is_ours(text)
    assert mod_37_36.is_valid((tag.kind + tag.id).replace("-", "") + text[-1])
    assert tag.kind_name == KINDS[tag.kind]


@given(tags, st.data())
def test_any_single_wrong_sign_is_refused(tag: TagText, data: st.DataObject) -> None:
    text = to_text(tag)
    at = data.draw(st.sampled_from([i for i in range(len(text)) if text[i] in SIGNS]))
    wrong = data.draw(st.sampled_from(SIGNS))
    assume(wrong != text[at])
    with pytest.raises(IdentifierError):
        parse(text[:at] + wrong + text[at + 1 :])


@pytest.mark.parametrize(
    "raw",
    ["", "BC1", "BC1:P", "BC1:P:A", "BC1:P:A:B:C", "BC2:P:SHOE-03:O", "BC1:X:SHOE-03:O", "BC1:P:shoe-03:C", "BC1:P:-:1"]
    + ["BC1:P::1", "BC1:P:SHOE-03:", "BC1:P:SHOE-03:c", "BC1:P:SHOE-03:O ", " BC1:P:SHOE-03:O", f"BC1:P:{'A' * 25}:1"],
)
def test_a_text_not_of_the_form_is_refused_with_a_remedy(raw: str) -> None:
    with pytest.raises(IdentifierError) as caught:
        parse(raw)
    assert caught.value.remedy


def test_a_foreign_text_is_not_ours() -> None:
    assert not is_ours("SHOE-03") and not is_ours("BC10:P:A:1")
