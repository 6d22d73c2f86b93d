"""Repeats: exact statistics against NIST's certified sets, and the odd one out."""

from __future__ import annotations

import itertools
import statistics as stdlib
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats  # type: ignore[import-untyped]

from capture.domain.statistics import grubbs_critical, lag_one, odd_one_out, pooled_variance, root, summary
from tests.cases.carry import rows, table


def matches(value: Fraction, row: dict[str, Any], key: str) -> bool:
    want = Fraction(row["out"][key])
    return abs(value - want) <= Fraction(row["tol"]) * (abs(want) if row.get("tol_kind") == "relative" else 1)


def data(row: dict[str, Any]) -> list[Fraction]:
    said = row["in"]
    if "list" in said:
        return [Fraction(x) for x in said["list"]]
    if "data" in said:
        return [Fraction(x) for x in said["data"]]
    pairs = [Fraction(said["low"]), Fraction(said["high"])] * said["pairs"]
    return [Fraction(said["first"]), *pairs]


@pytest.mark.parametrize("row", rows("statistics", "strd") + rows("statistics", "strd_rule"))
def test_certified_sets_come_out_to_their_last_digit(row: dict[str, Any]) -> None:
    values = data(row)
    whole = summary(values)
    assert whole.deviation is not None
    assert matches(whole.mean, row, "mean")
    assert matches(whole.deviation, row, "sd")
    assert matches(lag_one(values), row, "lag1")


@pytest.mark.parametrize("row", rows("statistics", "pooling"))
def test_repeatability_is_pooled_from_sums_of_squares(row: dict[str, Any]) -> None:
    groups = [(Fraction(str(ss)), dof) for ss, dof in zip(row["in"]["ss"], row["in"]["dof"], strict=True)]
    assert abs(float(root(pooled_variance(groups))) - row["out"]["s"]) <= 0.00005  # printed to four places
    assert abs(float(sum(ss for ss, _ in groups)) - row["out"]["sum_ss"]) <= row["tol"]


@pytest.mark.parametrize("row", rows("statistics", "pooling_sd"))
def test_repeatability_is_pooled_from_deviations(row: dict[str, Any]) -> None:
    groups = [(Fraction(str(s)) ** 2 * dof, dof) for s, dof in zip(row["in"]["s"], row["in"]["dof"], strict=True)]
    assert abs(float(root(pooled_variance(groups))) - row["out"]["s"]) <= row["tol"]
    assert abs(float(sum(ss for ss, _ in groups)) - row["out"]["sum_ss"]) <= row["tol"]


@settings(max_examples=50)
@given(st.lists(st.fractions(-100, 100, max_denominator=1000), min_size=2, max_size=12))
def test_summary_agrees_with_the_standard_library(values: list[Fraction]) -> None:
    whole = summary(values)
    assert whole.mean == stdlib.mean(values) and whole.variance == stdlib.variance(values)
    assert whole.range == max(values) - min(values)
    assert whole.mean_variance == stdlib.variance(values) / len(values)


@pytest.mark.parametrize("count", [3, 4, 5, 8, 12, 30])
def test_grubbs_critical_value_agrees_with_scipys_t(count: int) -> None:
    t = float(stats.t.ppf(1 - 0.05 / (2 * count), count - 2))
    theirs = (count - 1) / count**0.5 * (t * t / (count - 2 + t * t)) ** 0.5
    assert grubbs_critical(count) == pytest.approx(theirs, rel=1e-9)


STEP = Fraction("0.0001")
ODD = [
    (["5.0001", "5.0002", "5.0001", "5.0021", "5.0002"], 3),
    (["5.0021", "5.0001", "5.0002", "5.0001", "5.0002"], 0),
    (["4.9001", "5.0001", "5.0002", "5.0001", "5.0002"], 0),
    (["5.0001", "5.0001", "5.0001", "5.0002"], None),  # one last digit is what a gauge does
    (["5.0001", "5.0001", "5.0001", "5.0003"], None),  # two steps, still not pointed at
    (["5.0001", "5.0001", "5.0001", "5.0004"], 3),
    (["5.0001", "5.0021"], None),  # of two nobody can say which
    (["5.0001", "5.0001", "5.0001"], None),
    (["5.0001", "5.0005", "5.0009", "5.0013"], None),  # spread out, none odd
    (["5.0001", "5.0001", "5.0021", "5.0021"], None),  # two alike either side
]


@pytest.mark.parametrize(("texts", "index"), ODD)
def test_an_odd_one_out_is_pointed_at_in_whatever_order(texts: list[str], index: int | None) -> None:
    values = [Fraction(text) for text in texts]
    assert odd_one_out(values, STEP) == index
    assert odd_one_out(tuple(values), STEP) == index
    for order in itertools.islice(itertools.permutations(range(len(values))), 24):
        found = odd_one_out([values[i] for i in order], STEP)
        assert (None if found is None else order[found]) == index


def test_nothing_to_summarise_is_refused() -> None:
    with pytest.raises(ValueError, match="no value"):
        summary([])
    with pytest.raises(ValueError, match="no autocorrelation"):
        lag_one([Fraction(1), Fraction(1)])
    assert summary([Fraction(2)]).deviation is None and summary([Fraction(2)]).mean_variance is None


def test_the_rows_of_this_pack_are_all_listed_as_checked_or_not() -> None:
    checked = {"strd", "strd_rule", "pooling", "pooling_sd", "oneway", "gauge_rr", "chart_factor"}
    assert set(table("statistics")) == checked
