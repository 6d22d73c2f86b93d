"""Readings that are intervals: exact verdicts, edges included."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.domain.decision import CONFORMING, NONCONFORMING_ABOVE, NONCONFORMING_BELOW, UNDECIDED
from capture.domain.errors import QuantityError
from capture.domain.intervals import Interval, agrees, from_feelers, from_plain_gauge, interval_verdict
from capture.domain.limits import Bounds
from capture.domain.units import Quantity

LIMITS = Bounds("in", Fraction("0.004"), Fraction("0.008"), "0.004 to 0.008 in")

# what goes, what does not (thou), verdict
FEELERS = [
    ("4", "5", CONFORMING),
    ("4", "8", CONFORMING),  # less than 8, so at most 8
    ("5", "6", CONFORMING),
    ("3", "5", UNDECIDED),
    ("4", "9", UNDECIDED),
    ("8", "9", UNDECIDED),  # exactly 8 is possible and conforms
    ("9", "10", NONCONFORMING_ABOVE),
    ("3", "4", NONCONFORMING_BELOW),  # less than 4
    ("2", "3", NONCONFORMING_BELOW),
    (None, "4", NONCONFORMING_BELOW),
    (None, "5", UNDECIDED),
    ("9", None, NONCONFORMING_ABOVE),
    ("8", None, UNDECIDED),
]


@pytest.mark.parametrize(("goes", "does_not", "kind"), FEELERS)
def test_feelers_decide_only_what_they_show(goes: str | None, does_not: str | None, kind: str) -> None:
    low, high = (None if text is None else Quantity(text, "thou") for text in (goes, does_not))
    assert interval_verdict(from_feelers(low, high, "in"), LIMITS) == kind


def test_feelers_keep_what_was_said() -> None:
    held = from_feelers(Quantity("4", "thou"), Quantity("5", "thou"), "in")
    assert held.text == "4 thou goes, 5 thou does not"
    assert (held.lower, held.upper) == (Fraction("0.004"), Fraction("0.005"))
    assert from_feelers(Quantity("0.10", "mm"), None, "mm").text == "0.10 mm goes"


@pytest.mark.parametrize(
    ("of_bore", "go", "no_go", "kind"),
    [
        (True, True, False, CONFORMING),
        (True, True, True, NONCONFORMING_ABOVE),
        (True, False, False, NONCONFORMING_BELOW),
        (False, True, False, CONFORMING),
        (False, True, True, NONCONFORMING_BELOW),
        (False, False, False, NONCONFORMING_ABOVE),
    ],
)
def test_go_and_no_go_decide_a_bore_and_a_shaft(of_bore: bool, go: bool, no_go: bool, kind: str) -> None:
    assert interval_verdict(from_plain_gauge(LIMITS, go=go, no_go=no_go, of_bore=of_bore), LIMITS) == kind


def test_gauges_that_contradict_one_another_are_refused() -> None:
    for of_bore in (True, False):
        with pytest.raises(QuantityError, match="disagree"):
            from_plain_gauge(LIMITS, go=False, no_go=True, of_bore=of_bore)
    with pytest.raises(QuantityError, match="needs both limits"):
        from_plain_gauge(Bounds("in", None, Fraction(1), ""), go=True, no_go=False, of_bore=True)
    with pytest.raises(QuantityError, match="empty"):
        from_feelers(Quantity("5", "thou"), Quantity("5", "thou"), "in")
    with pytest.raises(QuantityError, match="at least one end"):
        from_feelers(None, None, "in")
    with pytest.raises(QuantityError, match="cannot be checked"):
        interval_verdict(from_feelers(Quantity("4", "thou"), None, "thou"), LIMITS)


numbers = st.fractions(0, 1, max_denominator=20)


@settings(max_examples=50)
@given(numbers, numbers, numbers, numbers, st.booleans(), st.booleans(), st.lists(numbers, max_size=20))
def test_every_point_of_a_decided_interval_has_its_verdict(
    a: Fraction, b: Fraction, c: Fraction, d: Fraction, low_in: bool, high_in: bool, points: list[Fraction]
) -> None:
    low, high, lower, upper = min(a, b), max(a, b), min(c, d), max(c, d)
    if low == high and not (low_in and high_in):
        return
    held = Interval("in", low, high, "", lower_in=low_in, upper_in=high_in)
    kind = interval_verdict(held, Bounds("in", lower, upper, ""))
    for point in (*points, (low + high) / 2):
        if low < point < high or (point == low and low_in) or (point == high and high_in):
            inside = lower <= point <= upper
            assert kind != CONFORMING or inside
            assert kind != NONCONFORMING_BELOW or point < lower
            assert kind != NONCONFORMING_ABOVE or point > upper


def test_a_disagreement_between_derived_and_direct_clearance_shows() -> None:
    held = from_feelers(Quantity("4", "thou"), Quantity("5", "thou"), "in")
    assert agrees(Fraction("0.0045"), held)
    assert not agrees(Fraction("0.0060"), held)
    assert agrees(Fraction("0.0060"), held, allowance=Fraction("0.001"))
    assert not agrees(Fraction("0.0030"), held)
    assert agrees(Fraction("0.0030"), from_feelers(None, Quantity("5", "thou"), "in"))
